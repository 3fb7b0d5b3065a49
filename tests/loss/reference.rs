//! Outside solutions: an independent generalised least squares, and the Cramer-Rao bound.

#[path = "../reference/table.rs"]
mod table;

use coldledger::balance::leak::{Onset, estimate, estimate_with_onset, investigate};
use coldledger::balance::noise::{NoiseModel, NoiseSettings};
use coldledger::balance::series::{LossSeries, LossSettings};
use coldledger::balance::whiten::NoiseParameters;

use nalgebra::{DMatrix, DVector};

use super::synthetic::{DAY, Dice};

fn rows(text: &str) -> Vec<Vec<&str>> {
    text.lines()
        .filter(|l| !l.starts_with('#'))
        .skip(1)
        .map(|l| l.split(',').collect())
        .collect()
}

fn truth(name: &str) -> f64 {
    rows(include_str!("../reference/inventory_series_truth.csv"))
        .iter()
        .find(|r| r[0] == name)
        .map(|r| r[1].parse().unwrap())
        .unwrap()
}

/// Mass, and the course of the delivery (0 before, 1 after, in between as it was entered).
fn inventory() -> (Vec<f64>, Vec<f64>) {
    rows(include_str!("../reference/inventory_series_mass.csv"))
        .iter()
        .map(|r| {
            let t: f64 = r[0].parse().unwrap();
            let mass: f64 = r[1].parse().unwrap();
            (mass, ((t - 9.4 * DAY) / 7200.0).clamp(0.0, 1.0))
        })
        .unzip()
}

#[test]
fn reproduces_the_cramer_rao_bound() {
    let mut worst: f64 = 0.0;
    for r in rows(include_str!("../reference/leak_crlb.csv")) {
        let x: Vec<f64> = r.iter().map(|x| x.parse().unwrap()).collect();
        let (n, step_s, sigma, phi, bound) = (x[0] as usize, x[1], x[2], x[3], x[4]);
        let noise = if phi == 0.0 {
            NoiseParameters {
                white_std_kg: sigma,
                correlated_std_kg: 0.0,
                correlation_time_s: 3600.0,
                wave_std_kg: 0.0,
            }
        } else {
            NoiseParameters {
                white_std_kg: 0.0,
                correlated_std_kg: sigma,
                correlation_time_s: -step_s / libm::log(phi),
                wave_std_kg: 0.0,
            }
        };
        // No statement is made on fewer than twelve samples.
        if n < 12 {
            continue;
        }
        let mass = vec![500.0; n];
        let series = LossSeries {
            step_s,
            mass_kg: &mass,
            ..LossSeries::default()
        };
        let model = NoiseModel::known(noise, step_s, false).unwrap();
        let found = estimate(&series, &model, &LossSettings::default()).unwrap();
        let deviation = found.std_uncertainty_kg_per_s * DAY / bound - 1.0;
        worst = worst.max(deviation.abs());
        assert!(deviation.abs() < 1e-8, "{r:?}: {deviation:e}");
    }
    println!("worst relative deviation from the bound {worst:.1e}");
    table::hold(
        "leak_crlb.csv, bound on the standard error of a slope, relative",
        worst,
        1e-8,
    );
}

#[test]
fn agrees_with_independent_least_squares_on_the_inventory_series() {
    let (mass, delivery) = inventory();
    let start = truth("leak_start_true");
    let series = LossSeries {
        step_s: 600.0,
        mass_kg: &mass,
        regressors: &[&delivery],
        ..LossSeries::default()
    };
    let se = truth("gls_leak_rate_se");
    // Told the noise.
    let known = NoiseModel::known(
        NoiseParameters {
            white_std_kg: truth("noise_white_sd"),
            correlated_std_kg: truth("noise_ar1_sd"),
            correlation_time_s: truth("noise_ar1_time_constant"),
            wave_std_kg: 0.0,
        },
        600.0,
        false,
    )
    .unwrap();
    let settings = LossSettings::default();
    // The outside solution has no wave of 12 h: one of 24 h as two regressors.
    let (sine, cosine): (Vec<f64>, Vec<f64>) = (0..mass.len())
        .map(|i| libm::sincos(std::f64::consts::TAU * i as f64 / 144.0))
        .unzip();
    let same = LossSeries {
        regressors: &[&delivery, &sine, &cosine],
        ..series
    };
    let told = estimate_with_onset(&same, &known, &settings, Onset::Known(start)).unwrap();
    let rate = told.excess_kg_per_s * DAY;
    println!(
        "told: {rate:.5} +- {:.5}, outside {:.5} +- {se:.5}",
        told.std_uncertainty_kg_per_s * DAY,
        truth("gls_leak_rate")
    );
    let deviation = (rate - truth("gls_leak_rate")).abs() / se;
    assert!(deviation < 0.1);
    table::hold(
        "inventory_series_mass.csv, leak rate with the noise known, standard errors from that of inventory_series_truth.csv",
        deviation,
        0.1,
    );
    assert_eq!(told.samples as f64, truth("rows_complete"));
    assert!((told.std_uncertainty_kg_per_s * DAY / se - 1.0).abs() < 0.01);

    // Finding the noise and the onset itself.
    let mut worst: f64 = 0.0;
    for onset in [Onset::Known(start), Onset::Unknown] {
        let (noise, found) =
            investigate(&series, &NoiseSettings::default(), &settings, onset).unwrap();
        let (rate, std) = (
            found.excess_kg_per_s * DAY,
            found.std_uncertainty_kg_per_s * DAY,
        );
        println!(
            "{onset:?}: {rate:.5} +- {std:.5}; onset {} {:?}; {:?}",
            found.onset_s, found.onset_band_95_s, noise.parameters
        );
        worst = worst.max((rate - truth("leak_rate_true")).abs() / std);
        assert!((0.7..1.5).contains(&(std / se)), "{}", std / se);
        let (low, high) = found.onset_band_95_s;
        assert!(low <= start && start <= high);
    }
    assert!(worst < 3.0);
    table::hold(
        "inventory_series_truth.csv, leak rate with the noise found, own standard errors from the truth",
        worst,
        3.0,
    );
}

/// A plant's series made in another way than those of `synthetic`, with the answer of least squares
/// that is told everything: the covariance as a dense matrix, whose factor makes the noise too.
struct Told {
    mass: Vec<f64>,
    delivery: Vec<f64>,
    onset_s: f64,
    rate_kg_per_day: f64,
    /// What least squares finds, told onset and noise, and its standard error, kg/day.
    answer: (f64, f64),
}

const TOLD_STEP_S: f64 = 1800.0;

fn told(seed: u64) -> Told {
    let mut dice = Dice::new(seed);
    let days = 14.0;
    let n = (days * DAY / TOLD_STEP_S) as usize;
    let between = |dice: &mut Dice, low: f64, high: f64| low + (high - low) * dice.uniform();
    let rate_kg_per_day = between(&mut dice, 0.2, 1.2);
    let onset_s = between(&mut dice, 4.0, 8.0) * DAY;
    let time_s = between(&mut dice, 1.0, 3.5) * 3600.0;
    let (white, correlated) = (
        between(&mut dice, 0.03, 0.08),
        between(&mut dice, 0.05, 0.12),
    );
    let (wave, phase) = (
        between(&mut dice, 0.0, 0.6),
        between(&mut dice, 0.0, std::f64::consts::TAU),
    );
    let delivered_at = between(&mut dice, 2.0, 12.0) * DAY;
    let kg = between(&mut dice, 3.0, 12.0);
    let t = |i: usize| i as f64 * TOLD_STEP_S;
    let delivery: Vec<f64> = (0..n)
        .map(|i| ((t(i) - delivered_at) / 7200.0).clamp(0.0, 1.0))
        .collect();
    let covariance = |n: usize, at: &dyn Fn(usize) -> f64| {
        DMatrix::from_fn(n, n, |i, j| {
            correlated * correlated * libm::exp(-(at(i) - at(j)).abs() / time_s)
                + if i == j { white * white } else { 0.0 }
        })
        .cholesky()
        .unwrap()
    };
    let draws = DVector::from_fn(n, |_, _| dice.normal());
    let noise = covariance(n, &t).l() * draws;
    let hole = (
        between(&mut dice, 3.0, 10.0) * DAY,
        between(&mut dice, 1.0, 10.0) * 3600.0,
    );
    let mass: Vec<f64> = (0..n)
        .map(|i| {
            let in_hole = (0.0..hole.1).contains(&(t(i) - hole.0));
            if in_hole || dice.uniform() < 0.05 {
                return f64::NAN;
            }
            let angle = std::f64::consts::TAU * t(i) / DAY + phase;
            240.0 - rate_kg_per_day * (t(i) - onset_s).max(0.0) / DAY
                + kg * delivery[i]
                + wave * libm::sin(angle)
                + noise[i]
        })
        .collect();
    // Generalised least squares over what is there.
    let there: Vec<usize> = (0..n).filter(|i| mass[*i].is_finite()).collect();
    let factor = covariance(there.len(), &|i| t(there[i]));
    let design = DMatrix::from_fn(there.len(), 5, |i, j| {
        let at = t(there[i]);
        let angle = std::f64::consts::TAU * at / DAY;
        match j {
            0 => 1.0,
            1 => -(at - onset_s).max(0.0) / DAY,
            2 => delivery[there[i]],
            3 => libm::sin(angle),
            _ => libm::cos(angle),
        }
    });
    let observed = DVector::from_fn(there.len(), |i, _| mass[there[i]] - 240.0);
    let weighed = factor.solve(&design);
    let normal = (design.transpose() * &weighed).try_inverse().unwrap();
    let found = &normal * weighed.transpose() * observed;
    Told {
        mass,
        delivery,
        onset_s,
        rate_kg_per_day,
        answer: (found[1], normal[(1, 1)].sqrt()),
    }
}

#[test]
fn agrees_with_least_squares_that_is_told_everything_on_other_series() {
    let (mut sums, mut worst, mut outside) = ([0.0; 3], 0.0_f64, 0);
    for seed in 0..20 {
        let told = told(7000 + seed);
        let series = LossSeries {
            step_s: TOLD_STEP_S,
            mass_kg: &told.mass,
            regressors: &[&told.delivery],
            ..LossSeries::default()
        };
        let (answer, told_std) = told.answer;
        let told_off = (answer - told.rate_kg_per_day) / told_std;
        sums[2] += told_off * told_off / 20.0;
        // Told the onset, as least squares was, and finding it.
        for (i, onset) in [Onset::Known(told.onset_s), Onset::Unknown]
            .into_iter()
            .enumerate()
        {
            let (_, found) = investigate(
                &series,
                &NoiseSettings::default(),
                &LossSettings::default(),
                onset,
            )
            .unwrap();
            let (rate, std) = (
                found.excess_kg_per_s * DAY,
                found.std_uncertainty_kg_per_s * DAY,
            );
            let off = (rate - told.rate_kg_per_day) / std;
            let ratio = std / told_std;
            println!(
                "{seed}: {rate:.4} +- {std:.4}, told {answer:.4} +- {told_std:.4} ({told_off:+.2}), truth {:.4}: \
                 {off:+.2}, {ratio:.2}; onset {:+.1} h",
                told.rate_kg_per_day,
                (found.onset_s - told.onset_s) / 3600.0
            );
            worst = worst.max(off.abs());
            sums[i] += ratio / 20.0;
            assert!(off.abs() < 3.0, "{seed}: {off}");
            // Not knowing the onset widens the band by what is then not known.
            let most = if i == 0 { 1.5 } else { 2.5 };
            outside += i32::from(!(0.7..most).contains(&ratio));
        }
    }
    println!(
        "worst {worst:.2} standard errors; mean ratio {:.2} with the onset, {:.2} without; told all, \
         mean square {:.2}",
        sums[0], sums[1], sums[2]
    );
    // Two weeks tell the size of a noise of hours to 15 %: one of forty may lie outside by chance.
    assert!(outside <= 1, "{outside} outside");
    assert!((0.85..1.2).contains(&sums[0]));
}
