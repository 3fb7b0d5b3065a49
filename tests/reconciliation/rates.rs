//! Rates over many draws: the tests speak as often as they say, errors are found where they are,
//! and the stated sizes hold.

use coldledger::balance::reconcile::{Hypothesis, Network, Settings};

use super::dice::{Dice, DrawnPlant};

/// Four standard deviations of a binomial share.
fn band(share: f64, n: f64) -> f64 {
    4.0 * (share * (1.0 - share) / n).sqrt()
}

/// A plant of three sections: dewar, string, gas side; every line metered but one; one barometer.
fn plant() -> DrawnPlant {
    let line = |name: &str, truth: f64, std: Option<f64>, coefficients: &[(usize, f64)]| {
        super::dice::Drawn {
            name: name.into(),
            truth,
            std,
            coefficients: coefficients.to_vec(),
        }
    };
    DrawnPlant {
        sections: 4,
        variables: vec![
            line("delivery", 40.0, Some(0.2), &[(0, 1.0)]),
            line("to string", 70.0, Some(0.9), &[(0, -1.0), (1, 1.0)]),
            line("to test bath", 12.0, None, &[(0, -1.0), (3, 1.0)]),
            line("string return", 71.0, Some(0.7), &[(1, -1.0), (2, 1.0)]),
            line("bath return", 12.5, Some(0.3), &[(3, -1.0), (2, 1.0)]),
            line("liquefied", 50.0, Some(0.6), &[(2, -1.0), (0, 1.0)]),
            line("dewar change", 8.0, Some(0.8), &[(0, -1.0)]),
            line("string change", -1.0, Some(0.3), &[(1, -1.0)]),
            line("gas change", 33.5, Some(0.4), &[(2, -1.0)]),
            line("bath change", -0.5, Some(0.1), &[(3, -1.0)]),
        ],
        causes: vec![vec![(7, 0.2), (8, 0.5), (9, 0.05)]],
    }
}

fn reconcilable(plant: &DrawnPlant, values: &[f64]) -> Network {
    plant.network(values, &vec![1.0; values.len()]).0
}

#[test]
fn the_global_test_speaks_at_its_level() {
    let plant = plant();
    let mut dice = Dice::new(7);
    let n = 20_000;
    for level in [0.05, 0.2] {
        let (mut spoke, mut searched, mut sum) = (0, 0, 0.0);
        let mut degrees = 0.0;
        for _ in 0..n {
            let values = plant.measure(&mut dice);
            let found = reconcilable(&plant, &values)
                .reconcile(&Settings { level })
                .unwrap();
            let global = found.global.unwrap();
            degrees = global.degrees_of_freedom as f64;
            sum += global.statistic;
            spoke += usize::from(!global.accepted());
            searched += usize::from(!found.likelihood_ratio_search().suspects.is_empty());
        }
        let share = spoke as f64 / f64::from(n);
        let false_finds = searched as f64 / f64::from(n);
        println!(
            "level {level}: global {share:.4}, search {false_finds:.4}, mean {:.3} of {degrees}",
            sum / f64::from(n)
        );
        assert!((share - level).abs() < band(level, f64::from(n)), "{share}");
        // The mean of a chi-square variate is its degrees of freedom, its variance twice that.
        assert!((sum / f64::from(n) - degrees).abs() < 4.0 * (2.0 * degrees / f64::from(n)).sqrt());
        // Sidak's limit is exact for independent tests, and cautious for these.
        assert!(
            false_finds < level + band(level, f64::from(n)),
            "{false_finds}"
        );
    }
}

#[test]
fn reconciled_values_scatter_as_stated() {
    let plant = plant();
    let mut dice = Dice::new(11);
    let n = 20_000;
    let count = plant.variables.len();
    let mut squares = vec![0.0; count];
    let mut tests = vec![0.0; count];
    let mut stds = vec![0.0; count];
    for _ in 0..n {
        let values = plant.measure(&mut dice);
        let found = reconcilable(&plant, &values)
            .reconcile(&Settings::default())
            .unwrap();
        for (i, result) in found.variables.iter().enumerate() {
            let reconciled = result.reconciled.unwrap();
            stds[i] = reconciled.std;
            squares[i] += (reconciled.value - plant.variables[i].truth).powi(2);
            tests[i] += result.test.unwrap_or(1.0).powi(2);
        }
    }
    let n = f64::from(n);
    for i in 0..count {
        let ratio = (squares[i] / n).sqrt() / stds[i];
        // A standard deviation of n draws is good to 1/sqrt(2n): four of them are 2 %.
        assert!((ratio - 1.0).abs() < 4.0 / (2.0 * n).sqrt(), "{i} {ratio}");
        assert!((tests[i] / n - 1.0).abs() < 4.0 * (2.0 / n).sqrt(), "{i}");
    }
}

/// Errors of eight of their own standard uncertainties, so that the right one is nearly always
/// found; the rest is what two nearly parallel explanations cost.
#[test]
fn gross_errors_are_found_where_they_are() {
    let plant = plant();
    let ones = vec![1.0; plant.variables.len()];
    let clean: Vec<f64> = plant.variables.iter().map(|v| v.truth).collect();
    let (network, variables, sections) = plant.network(&clean, &ones);
    let found = network.reconcile(&Settings::default()).unwrap();
    let mut hypotheses = Vec::new();
    for (v, result) in variables.iter().zip(&found.variables) {
        hypotheses.extend(result.bias.map(|b| (Hypothesis::Bias(*v), b.size.std)));
    }
    for (s, result) in sections.iter().zip(&found.balances) {
        hypotheses.extend(result.leak.map(|l| (Hypothesis::Leak(*s), l.size.std)));
    }
    assert!(hypotheses.len() > 9);
    let mut dice = Dice::new(3);
    let runs = 400;
    let (mut right, mut right_or_close, mut all) = (0, 0, 0);
    for (truth, std) in hypotheses {
        let size = 8.0 * std;
        let (mut named, mut squares, mut detected) = (0, 0.0, 0);
        for _ in 0..runs {
            let mut values = plant.measure(&mut dice);
            match truth {
                Hypothesis::Bias(v) => {
                    let at = variables.iter().position(|x| *x == v).unwrap();
                    values[at] += size;
                }
                Hypothesis::Leak(s) => {
                    // What leaks is missing from the inventory that should have grown by it.
                    let section = sections.iter().position(|x| *x == s).unwrap();
                    values[6 + section] -= size;
                }
                Hypothesis::Cause(_) => continue,
            }
            let found = reconcilable(&plant, &values)
                .reconcile(&Settings::default())
                .unwrap();
            let search = found.likelihood_ratio_search();
            let Some(first) = search.suspects.first() else {
                continue;
            };
            detected += 1;
            let estimate = if first.hypothesis == truth {
                Some(first.size)
            } else {
                first
                    .equivalent
                    .iter()
                    .find(|a| a.hypothesis == truth)
                    .map(|a| a.size)
            };
            right_or_close += usize::from(
                estimate.is_some() || first.close.iter().any(|a| a.hypothesis == truth),
            );
            if let Some(estimate) = estimate.filter(|_| search.suspects.len() == 1) {
                squares += ((estimate.value - size) / estimate.std).powi(2);
                named += 1;
            }
        }
        all += runs;
        right += named;
        assert!(detected == runs, "{}: {detected}", truth.words(&network));
        let rms = (squares / f64::from(named)).sqrt();
        println!(
            "{}: {named} of {runs}, size rms {rms:.2}",
            truth.words(&network)
        );
        assert!((0.8..1.2).contains(&rms), "{rms}");
    }
    println!("right alone {right} of {all}; right or named as close {right_or_close}");
    assert!(f64::from(right) > 0.9 * f64::from(all));
    assert!(right_or_close as f64 > 0.99 * f64::from(all));
}

/// A drift that the network does not see is not made up.
#[test]
fn what_no_balance_sees_stays_unseen() {
    let mut network = Network::new();
    let section = network.balance("section", 0.0).unwrap();
    let inlet = network.measured("inlet", 10.0, 0.1).unwrap();
    let outlet = network.unmeasured("outlet").unwrap();
    let change = network.measured("change", 4.0, 0.1).unwrap();
    network.flow(inlet, None, Some(section)).unwrap();
    network.flow(outlet, Some(section), None).unwrap();
    network.change(change, section).unwrap();
    let found = network.reconcile(&Settings::default()).unwrap();
    assert!(found.global.is_none());
    assert!(found.likelihood_ratio_search().suspects.is_empty());
    assert!(found.serial_elimination().suspects.is_empty());
    let outlet = found.variable(outlet).unwrap().reconciled.unwrap();
    assert!((outlet.value - 6.0).abs() < 1e-12);
    assert!((outlet.std - 0.1 * 2.0_f64.sqrt()).abs() < 1e-12);
    assert!(found.balance(section).unwrap().leak.is_none());
}
