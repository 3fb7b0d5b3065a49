//! Outside solutions: an independent generalised least squares, and the Cramer-Rao bound.

#[path = "../reference/table.rs"]
mod table;

use coldledger::balance::leak::{Onset, estimate, estimate_with_onset, investigate};
use coldledger::balance::noise::{NoiseModel, NoiseSettings};
use coldledger::balance::series::{LossSeries, LossSettings};
use coldledger::balance::whiten::NoiseParameters;

use super::synthetic::DAY;

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
