//! Stated bands over many seeds.

use coldledger::balance::leak::{Onset, estimate, estimate_with_onset};
use coldledger::balance::noise::{NoiseSettings, fit};
use coldledger::balance::series::{LossSeries, LossSettings};

use super::synthetic::{DAY, Truth, constant_rate};

const PLANT: Truth = Truth {
    step_s: 600.0,
    white_kg: 0.6,
    correlated_kg: 1.2,
    time_s: 2.0 * 3600.0,
    wave_kg: 3.0,
    wave_spread_kg: 0.5,
    rate_kg_per_day: 0.4,
    leak: None,
};

/// Share of bands that hold the truth, mean of stated over true least squares, mean error.
fn constant_rate_over(truth: Truth, samples: usize, seeds: u64) -> (f64, f64, f64) {
    let told = truth.gls_std(samples, &constant_rate, 1);
    let (mut held, mut ratio, mut error) = (0, 0.0, 0.0);
    for seed in 0..seeds {
        let mass = truth.series(samples, 1000 + seed);
        let series = LossSeries {
            step_s: truth.step_s,
            mass_kg: &mass,
            ..LossSeries::default()
        };
        let noise = fit(&series, &NoiseSettings::default(), None).unwrap();
        let found = estimate(&series, &noise, &LossSettings::default()).unwrap();
        let rate = truth.rate_kg_per_day / DAY;
        let (low, high) = found.band_95_kg_per_s;
        held += i32::from(low <= rate && rate <= high);
        ratio += found.std_uncertainty_kg_per_s * DAY / told;
        error += (found.rate_kg_per_s - rate) * DAY / told;
    }
    let n = seeds as f64;
    (f64::from(held) / n, ratio / n, error / n)
}

#[test]
fn bands_of_a_constant_rate_cover_the_truth() {
    for (truth, samples) in [
        (PLANT, 7 * 144),
        (
            Truth {
                wave_kg: 0.0,
                wave_spread_kg: 0.0,
                ..PLANT
            },
            7 * 144,
        ),
        (
            Truth {
                white_kg: 2.0,
                correlated_kg: 0.5,
                ..PLANT
            },
            7 * 144,
        ),
        (
            Truth {
                time_s: 6.0 * 3600.0,
                white_kg: 0.2,
                ..PLANT
            },
            7 * 144,
        ),
        (
            Truth {
                time_s: 1800.0,
                ..PLANT
            },
            3 * 144,
        ),
    ] {
        let (held, ratio, error) = constant_rate_over(truth, samples, 200);
        println!(
            "{truth:?} {samples}: coverage {held:.3}, std ratio {ratio:.3}, mean error {error:.3} std"
        );
    }
}

#[test]
fn bands_of_a_loss_of_unknown_onset_cover_the_truth() {
    for (truth, earlier) in [
        (PLANT, 6.0),
        (
            Truth {
                wave_spread_kg: 0.0,
                ..PLANT
            },
            6.0,
        ),
        (
            Truth {
                white_kg: 2.0,
                correlated_kg: 0.5,
                ..PLANT
            },
            6.0,
        ),
        (
            Truth {
                time_s: 6.0 * 3600.0,
                ..PLANT
            },
            6.0,
        ),
    ] {
        let truth = Truth {
            leak: Some((earlier, 4.0)),
            ..truth
        };
        let n = ((earlier + 4.0) * 144.0) as usize;
        let with = |t: f64| {
            let mut c = constant_rate(t);
            // The rate before is the accepted one, known.
            c[1] = -(t - earlier).max(0.0);
            c
        };
        let told_onset = truth.gls_std(n, &with, 1);
        let told = truth.gls_std(
            n,
            &|t| {
                let mut c = with(t);
                c.push(if t > earlier { 1.0 } else { 0.0 });
                c
            },
            1,
        );
        let (mut held, mut onset_held, mut ratio, mut error, mut known) = (0, 0, 0.0, 0.0, 0);
        let (mut kerr, mut serr, mut kratio, mut nu) = (0.0, 0.0, 0.0, 0.0);
        let seeds = 200;
        for seed in 0..seeds {
            let mass = truth.series(n, 5000 + seed);
            let settings = LossSettings {
                accepted_kg_per_s: truth.rate_kg_per_day / DAY,
                ..LossSettings::default()
            };
            // Noise from the quiet days before.
            let quiet = LossSeries {
                step_s: truth.step_s,
                mass_kg: &mass[..(earlier * 144.0) as usize],
                ..LossSeries::default()
            };
            let noise = fit(&quiet, &NoiseSettings::default(), None).unwrap();
            let series = LossSeries {
                mass_kg: &mass,
                ..quiet
            };
            let found = estimate_with_onset(&series, &noise, &settings, Onset::Unknown).unwrap();
            let (low, high) = found.band_95_kg_per_s;
            let rate = 4.0 / DAY;
            held += i32::from(low <= rate && rate <= high);
            let (low, high) = found.onset_band_95_s;
            onset_held += i32::from(low <= earlier * DAY && earlier * DAY <= high);
            ratio += found.std_uncertainty_kg_per_s * DAY / told;
            error += (found.excess_kg_per_s - rate) * DAY / told;
            serr += ((found.excess_kg_per_s - rate) * DAY / told).powi(2);
            nu += 1.0 / found.degrees_of_freedom;
            let told = estimate_with_onset(&series, &noise, &settings, Onset::Known(earlier * DAY))
                .unwrap();
            let (low, high) = told.band_95_kg_per_s;
            kerr += ((told.excess_kg_per_s - rate) * DAY / told_onset).powi(2);
            kratio += told.std_uncertainty_kg_per_s * DAY / told_onset;
            known += i32::from(low <= rate && rate <= high);
        }
        let n = seeds as f64;
        println!(
            "{truth:?}: coverage {:.3} onset {:.3} known {:.3}, std ratio {:.3} ({:.3} of told onset), mean error {:.3}",
            f64::from(held) / n,
            f64::from(onset_held) / n,
            f64::from(known) / n,
            ratio / n,
            ratio / n * told / told_onset,
            error / n
        );
        println!(
            "   rms {:.3} known rms {:.3} ratio {:.3} nu {:.1} told {told:.3} {told_onset:.3}",
            (serr / n).sqrt(),
            (kerr / n).sqrt(),
            kratio / n,
            n / nu
        );
    }
}
