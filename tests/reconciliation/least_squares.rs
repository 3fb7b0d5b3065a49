//! Against a second solution of the same problem: the KKT system of weighted least squares, solved
//! densely by nalgebra, with unmeasured variables in it (Narasimhan and Jordache 2000, chapter 3).

use coldledger::balance::reconcile::{Classification, Settings};
use nalgebra::{DMatrix, DVector};

use super::dice::{Dice, DrawnPlant};

#[test]
fn agrees_with_the_whole_system_solved_at_once() {
    let (mut compared, mut hidden, mut worst) = (0, 0, 0.0_f64);
    for seed in 0..200 {
        let mut dice = Dice::new(seed);
        let plant = DrawnPlant::new(&mut dice);
        let values = plant.measure(&mut dice);
        let n = plant.variables.len();
        let (network, variables, _) = plant.network(&values, &vec![1.0; n]);
        let found = network.reconcile(&Settings::default()).unwrap();

        let measured: Vec<usize> = (0..n)
            .filter(|&i| plant.variables[i].std.is_some())
            .collect();
        let mut covariance = DMatrix::zeros(n, n);
        for &i in &measured {
            covariance[(i, i)] = plant.variables[i].std.unwrap().powi(2);
        }
        for cause in &plant.causes {
            for &(i, a) in cause {
                for &(j, b) in cause {
                    covariance[(i, j)] += a * b;
                }
            }
        }
        let inner = covariance
            .select_rows(&measured)
            .select_columns(&measured)
            .try_inverse()
            .unwrap();
        let m = plant.sections;
        let mut kkt = DMatrix::zeros(n + m, n + m);
        let mut right = DVector::zeros(n + m);
        for (a, &i) in measured.iter().enumerate() {
            for (b, &j) in measured.iter().enumerate() {
                kkt[(i, j)] = inner[(a, b)];
                right[i] += inner[(a, b)] * values[j];
            }
        }
        for (i, v) in plant.variables.iter().enumerate() {
            for &(section, c) in &v.coefficients {
                kkt[(i, n + section)] = c;
                kkt[(n + section, i)] = c;
            }
        }
        let svd = kkt.svd(true, true);
        let solution = svd.solve(&right, 1e-9).unwrap();
        let inverse = svd.clone().pseudo_inverse(1e-9).unwrap();
        let pseudo = |x: usize| {
            // Not determined: the null space of the system reaches it.
            (0..n + m)
                .filter(|&k| svd.singular_values[k] < 1e-9)
                .any(|k| svd.v_t.as_ref().unwrap()[(k, x)].abs() > 1e-7)
        };
        for (i, &variable) in variables.iter().enumerate() {
            let result = found.variable(variable).unwrap();
            let Some(reconciled) = result.reconciled else {
                assert!(pseudo(i), "seed {seed} {}", result.name);
                hidden += 1;
                continue;
            };
            assert!(!pseudo(i), "seed {seed} {}", result.name);
            let deviation = (reconciled.value - solution[i]).abs() / solution[i].abs().max(1.0);
            worst = worst.max(deviation);
            assert!(deviation < 1e-8, "seed {seed} {}", result.name);
            // The upper left block of the inverse is the covariance of the estimates.
            let variance: f64 = inverse[(i, i)];
            let spread = (reconciled.std - variance.max(0.0).sqrt()).abs();
            assert!(spread < 1e-7, "seed {seed} {}: {spread:e}", result.name);
            compared += 1;
            if result.classification == Classification::NotRedundant {
                assert!(result.bias.is_none());
            }
        }
    }
    assert!(compared > 1000 && hidden > 10, "{compared} {hidden}");
    println!("{compared} compared, {hidden} undetermined, worst relative deviation {worst:.1e}");
}
