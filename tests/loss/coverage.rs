//! Stated uncertainties over many seeds, against the truth and against generalised least squares
//! that is told the true noise.

use coldledger::balance::leak::{LossEstimate, Onset, estimate, estimate_with_onset};
use coldledger::balance::noise::{NoiseModel, NoiseSettings, fit};
use coldledger::balance::series::{LossError, LossSeries, LossSettings};
use coldledger::balance::whiten::NoiseParameters;

use super::synthetic::{DAY, Dice, Truth, constant_rate};

const PER_DAY: usize = 144;
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

fn series(mass: &[f64]) -> LossSeries<'_> {
    LossSeries {
        step_s: PLANT.step_s,
        mass_kg: mass,
        ..LossSeries::default()
    }
}

fn settings() -> LossSettings {
    LossSettings {
        accepted_kg_per_s: PLANT.rate_kg_per_day / DAY,
        ..LossSettings::default()
    }
}

fn noise_of(mass: &[f64]) -> NoiseModel {
    fit(&series(mass), &NoiseSettings::default(), None).unwrap()
}

fn rate_of(mass: &[f64]) -> LossEstimate {
    estimate(&series(mass), &noise_of(mass), &settings()).unwrap()
}

fn holds(band: (f64, f64), value: f64) -> bool {
    band.0 <= value && value <= band.1
}

#[test]
fn bands_of_a_constant_rate_cover_the_truth() {
    let seeds = 100;
    for (truth, days) in [
        (PLANT, 7),
        (
            Truth {
                white_kg: 2.0,
                correlated_kg: 0.5,
                wave_kg: 0.0,
                wave_spread_kg: 0.0,
                ..PLANT
            },
            7,
        ),
        (
            Truth {
                time_s: 6.0 * 3600.0,
                white_kg: 0.2,
                ..PLANT
            },
            7,
        ),
        (
            Truth {
                time_s: 1800.0,
                ..PLANT
            },
            3,
        ),
    ] {
        let samples = days * PER_DAY;
        let told = truth.gls_std(samples, &constant_rate, 1) / DAY;
        let rate = truth.rate_kg_per_day / DAY;
        let (mut held, mut ratio, mut error, mut square, mut called) = (0, 0.0, 0.0, 0.0, 0);
        for seed in 0..seeds {
            let found = rate_of(&truth.series(samples, 1000 + seed));
            held += i32::from(holds(found.band_95_kg_per_s, rate));
            ratio += found.std_uncertainty_kg_per_s / told;
            error += (found.rate_kg_per_s - rate) / told;
            square += ((found.rate_kg_per_s - rate) / told).powi(2);
            called += i32::from(found.excess_kg_per_s > found.decision_threshold_kg_per_s);
        }
        let n = seeds as f64;
        let (held, called) = (f64::from(held) / n, f64::from(called) / n);
        let (ratio, error, scatter) = (ratio / n, error / n, (square / n).sqrt());
        println!(
            "white {} correlated {} over {} s, wave {} +- {}, {days} d: coverage {held:.3}, std {ratio:.3} \
             and scatter {scatter:.3} of true least squares, mean error {error:.3}, above the decision \
             threshold {called:.3}",
            truth.white_kg, truth.correlated_kg, truth.time_s, truth.wave_kg, truth.wave_spread_kg
        );
        assert!((0.90..=0.99).contains(&held));
        assert!((0.8..=1.2).contains(&ratio));
        assert!(error.abs() < 3.0 / n.sqrt() * scatter);
        assert!(called <= 0.05 + 3.0 * (0.05 * 0.95 / n).sqrt());
    }
}

#[test]
fn bands_of_a_loss_of_unknown_onset_cover_the_truth() {
    // Six quiet days, then four days of 4 kg/day.
    let (quiet, seeds, rate) = (6, 100, 4.0 / DAY);
    for truth in [
        PLANT,
        Truth {
            white_kg: 2.0,
            correlated_kg: 0.5,
            wave_spread_kg: 0.0,
            ..PLANT
        },
    ] {
        let onset = quiet as f64;
        let truth = Truth {
            leak: Some((onset, 4.0)),
            ..truth
        };
        let samples = (quiet + 4) * PER_DAY;
        let told_onset = truth.gls_std(
            samples,
            &|t| {
                let mut c = constant_rate(t);
                // The rate before is the accepted one, known.
                c[1] = -(t - onset).max(0.0);
                c
            },
            1,
        ) / DAY;
        let true_noise = NoiseModel::known(
            NoiseParameters {
                white_std_kg: truth.white_kg,
                correlated_std_kg: truth.correlated_kg,
                correlation_time_s: truth.time_s,
                wave_std_kg: truth.wave_spread_kg,
            },
            truth.step_s,
            true,
        )
        .unwrap();
        let (mut held, mut onset_held, mut known_held) = (0, 0, 0);
        let (mut ratio, mut told_ratio, mut known_ratio, mut error, mut square) =
            (0.0, 0.0, 0.0, 0.0, 0.0);
        for seed in 0..seeds {
            let mass = truth.series(samples, 5000 + seed);
            let noise = noise_of(&mass[..quiet * PER_DAY]);
            let find = |noise: &NoiseModel, onset| {
                estimate_with_onset(&series(&mass), noise, &settings(), onset).unwrap()
            };
            let found = find(&noise, Onset::Unknown);
            let told = find(&true_noise, Onset::Unknown);
            let known = find(&noise, Onset::Known(onset * DAY));
            held += i32::from(holds(found.band_95_kg_per_s, rate));
            onset_held += i32::from(holds(found.onset_band_95_s, onset * DAY));
            known_held += i32::from(holds(known.band_95_kg_per_s, rate));
            ratio += found.std_uncertainty_kg_per_s / told.std_uncertainty_kg_per_s;
            told_ratio += found.std_uncertainty_kg_per_s / told_onset;
            known_ratio += known.std_uncertainty_kg_per_s / told_onset;
            error += found.excess_kg_per_s - rate;
            square += ((found.excess_kg_per_s - rate) / found.std_uncertainty_kg_per_s).powi(2);
        }
        let n = seeds as f64;
        let share = |x: i32| f64::from(x) / n;
        println!(
            "white {} correlated {} wave spread {}: coverage {:.3} (onset {:.3}), std {:.3} of the same told \
             the true noise and {:.3} of told noise and onset; told the onset: coverage {:.3}, std {:.3}; \
             mean error {:.3} kg/day, scatter {:.3} of stated",
            truth.white_kg,
            truth.correlated_kg,
            truth.wave_spread_kg,
            share(held),
            share(onset_held),
            ratio / n,
            told_ratio / n,
            share(known_held),
            known_ratio / n,
            error / n * DAY,
            (square / n).sqrt()
        );
        for covered in [held, onset_held, known_held] {
            assert!((0.90..=0.99).contains(&share(covered)));
        }
        assert!(ratio / n <= 1.2 && known_ratio / n <= 1.2);
        assert!((error / n * DAY).abs() < 0.1);
    }
}

#[test]
fn a_day_uses_the_wave_that_the_week_has_shown() {
    let (mut held, mut ratio) = (0, 0.0);
    let seeds = 60;
    for seed in 0..seeds {
        let mass = PLANT.series(7 * PER_DAY, 300 + seed);
        let noise = noise_of(&mass);
        let start = 6 * PER_DAY;
        let day = LossSeries {
            start_s: start as f64 * PLANT.step_s,
            ..series(&mass[start..])
        };
        let found = estimate(&day, &noise, &settings()).unwrap();
        held += i32::from(holds(found.band_95_kg_per_s, PLANT.rate_kg_per_day / DAY));
        let blind = NoiseModel::known(noise.parameters, 600.0, true).unwrap();
        let blind = estimate(&day, &blind, &settings()).unwrap();
        assert!(found.std_uncertainty_kg_per_s < blind.std_uncertainty_kg_per_s);
        ratio += found.std_uncertainty_kg_per_s / blind.std_uncertainty_kg_per_s;
    }
    println!(
        "a day: coverage {held} of {seeds}, std {:.3} of what the day alone gives",
        ratio / seeds as f64
    );
    assert!(f64::from(held) >= 0.9 * f64::from(seeds as u32));
    assert!(ratio / (seeds as f64) < 0.9);
}

#[test]
fn a_loss_at_the_detection_limit_is_found_as_often_as_stated() {
    let seeds = 60;
    let limit = rate_of(&PLANT.series(7 * PER_DAY, 1)).detection_limit_kg_per_s;
    let found = (0..seeds)
        .filter(|seed| {
            let truth = Truth {
                rate_kg_per_day: PLANT.rate_kg_per_day + limit * DAY,
                ..PLANT
            };
            let found = rate_of(&truth.series(7 * PER_DAY, 8000 + seed));
            found.excess_kg_per_s > found.decision_threshold_kg_per_s
        })
        .count();
    println!("limit {:.2} kg/day: {found} of {seeds} found", limit * DAY);
    assert!(found as f64 >= 0.86 * seeds as f64);
}

#[test]
fn spikes_do_not_move_the_rate() {
    for seed in 0..5 {
        let clean = PLANT.series(7 * PER_DAY, 40 + seed);
        let mut spiked = clean.clone();
        for (i, m) in spiked.iter_mut().enumerate() {
            if i % 97 == 50 {
                *m += if i % 2 == 0 { 300.0 } else { -20.0 };
            }
        }
        let (a, b) = (rate_of(&clean), rate_of(&spiked));
        let moved = (a.rate_kg_per_s - b.rate_kg_per_s).abs() / a.std_uncertainty_kg_per_s;
        println!(
            "moved by {moved:.3} standard uncertainties, {} spikes",
            b.spikes
        );
        assert!(moved < 0.5);
        assert!((b.std_uncertainty_kg_per_s / a.std_uncertainty_kg_per_s - 1.0).abs() < 0.3);
        // The noise is told where the spikes come after it was found.
        let told = estimate(&series(&spiked), &noise_of(&clean), &settings()).unwrap();
        assert!((a.rate_kg_per_s - told.rate_kg_per_s).abs() < 0.5 * a.std_uncertainty_kg_per_s);
        assert!(told.spikes >= 9);
    }
}

#[test]
fn gaps_widen_and_do_not_bias() {
    let noise = noise_of(&PLANT.series(7 * PER_DAY, 77));
    let mut mass = PLANT.series(7 * PER_DAY, 78);
    let whole = estimate(&series(&mass), &noise, &settings()).unwrap();
    for m in &mut mass[5 * PER_DAY..] {
        *m = f64::NAN;
    }
    let gapped = estimate(&series(&mass), &noise, &settings()).unwrap();
    assert_eq!(gapped.missing, 2 * PER_DAY);
    assert!(gapped.std_uncertainty_kg_per_s > 1.3 * whole.std_uncertainty_kg_per_s);
    let apart = (gapped.rate_kg_per_s - whole.rate_kg_per_s).abs();
    assert!(apart < 3.0 * gapped.std_uncertainty_kg_per_s);
}

#[test]
fn a_known_step_and_a_regressor_are_taken_out() {
    let clean = PLANT.series(7 * PER_DAY, 91);
    let noise = noise_of(&clean);
    let warm: Vec<f64> = (0..clean.len())
        .map(|i| 290.0 + 6.0 * libm::sin(i as f64 * 0.031))
        .collect();
    let disturbed: Vec<f64> = clean
        .iter()
        .zip(&warm)
        .enumerate()
        .map(|(i, (m, t))| m + 0.8 * (t - 290.0) + if i >= 500 { 40.0 } else { 0.0 })
        .collect();
    let told = LossSeries {
        regressors: &[&warm],
        steps_s: &[500.0 * 600.0],
        ..series(&disturbed)
    };
    let a = estimate(&series(&clean), &noise, &settings()).unwrap();
    let b = estimate(&told, &noise, &settings()).unwrap();
    assert!(b.std_uncertainty_kg_per_s > a.std_uncertainty_kg_per_s);
    let apart = (a.rate_kg_per_s - b.rate_kg_per_s).abs();
    assert!(apart < 3.0 * b.std_uncertainty_kg_per_s, "{apart} {b:?}");
    assert!((b.reduced_chi_square - 1.0).abs() < 0.2);
}

#[test]
fn refuses_what_cannot_be_told() {
    let few = [1.0; 11];
    let noise = NoiseModel::known(noise_of(&PLANT.series(432, 1)).parameters, 600.0, true).unwrap();
    let refuse = |s: LossSeries<'_>| estimate(&s, &noise, &settings()).unwrap_err();
    assert_eq!(
        refuse(series(&few)),
        LossError::TooShort {
            usable: 11,
            needed: 12
        }
    );
    let mass = PLANT.series(200, 1);
    assert!(matches!(
        refuse(LossSeries {
            step_s: 60.0,
            ..series(&mass)
        }),
        LossError::OtherGrid { .. }
    ));
    assert!(matches!(
        refuse(LossSeries {
            step_s: f64::NAN,
            ..series(&mass)
        }),
        LossError::BadNumber { .. }
    ));
    assert!(matches!(
        refuse(LossSeries {
            regressors: &[&few],
            ..series(&mass)
        }),
        LossError::RegressorLength { .. }
    ));
    assert!(matches!(
        refuse(LossSeries {
            steps_s: &[1.0; 50],
            ..series(&mass)
        }),
        LossError::TooManyColumns { .. }
    ));
    // A regressor that falls as steadily as the mass would cannot be told from a loss.
    let ramp: Vec<f64> = (0..200).map(|i| -f64::from(i)).collect();
    let told = estimate(
        &LossSeries {
            regressors: &[&ramp],
            ..series(&mass)
        },
        &noise,
        &settings(),
    );
    assert!(told.is_err() || told.unwrap().std_uncertainty_kg_per_s.is_finite());
    for bad in [
        LossSettings {
            alpha: 0.0,
            ..settings()
        },
        LossSettings {
            accepted_std_kg_per_s: -1.0,
            ..settings()
        },
    ] {
        assert!(estimate(&series(&mass), &noise, &bad).is_err());
    }
}

/// Variance of the correlated part over its time, and times it.
fn quick_and_slow(noise: &NoiseModel) -> (f64, f64) {
    let found = &noise.parameters;
    let variance = found.correlated_std_kg * found.correlated_std_kg;
    let time = found.correlation_time_s;
    (variance / time, variance * time)
}

#[test]
fn slow_noise_is_as_stated_unless_the_data_speak_against_it() {
    let truth = PLANT.correlated_kg * PLANT.correlated_kg * PLANT.time_s;
    let seeds = 12;
    let mut nearer = 0;
    for seed in 0..seeds {
        let mass = PLANT.series(7 * PER_DAY, 600 + seed);
        let told = |stated_slow_kg2_s: f64| {
            let settings = NoiseSettings {
                stated_slow_kg2_s,
                ..NoiseSettings::default()
            };
            quick_and_slow(&fit(&series(&mass), &settings, None).unwrap())
        };
        let (quick, alone) = told(0.0);
        let right = told(truth);
        let off = |slow: f64| libm::log(slow / truth).abs();
        nearer += i32::from(off(right.1) <= off(alone));
        // Ten thousand times the noise: a week speaks against that, and against nothing at all.
        let (much, little) = (told(1e4 * truth), told(1e-4 * truth));
        println!(
            "seed {seed}: of the true slow noise {:.2} found, {:.2} told it, {:.2} told far more, {:.2} far less",
            alone / truth,
            right.1 / truth,
            much.1 / truth,
            little.1 / truth
        );
        assert!(much.1 > alone && much.1 < 20.0 * alone, "{seed}");
        assert!(little.1 < alone && little.1 > 0.2 * alone, "{seed}");
        for (other, _) in [right, much, little] {
            assert!((other / quick - 1.0).abs() < 1e-9, "{seed}");
        }
    }
    assert_eq!(nearer, i32::try_from(seeds).unwrap());
}

/// Contents of pipes that wander over half a day are no part of a model with one correlation time: the
/// slow part of the residuals shows them.
#[test]
fn slow_noise_that_the_model_lacks_widens_the_rate() {
    let parameters = NoiseParameters {
        white_std_kg: PLANT.white_kg,
        correlated_std_kg: PLANT.correlated_kg,
        correlation_time_s: PLANT.time_s,
        wave_std_kg: 0.0,
    };
    let noise = NoiseModel::known(parameters, PLANT.step_s, false).unwrap();
    let truth = Truth {
        wave_kg: 0.0,
        wave_spread_kg: 0.0,
        ..PLANT
    };
    let enlargements = |slow_kg: f64| {
        let seeds = 40;
        let sum: f64 = (0..seeds)
            .map(|seed| {
                let mut mass = truth.series(7 * PER_DAY, 4_000 + seed);
                let mut dice = Dice::new(9_000 + seed);
                let phi = libm::exp(-PLANT.step_s / (0.5 * DAY));
                let mut slow = slow_kg * dice.normal();
                for kg in &mut mass {
                    slow = phi * slow + slow_kg * (1.0 - phi * phi).sqrt() * dice.normal();
                    *kg += slow;
                }
                estimate(&series(&mass), &noise, &settings())
                    .unwrap()
                    .slow_enlargement
            })
            .sum();
        sum / f64::from(u32::try_from(seeds).unwrap())
    };
    let (right, lacking) = (enlargements(0.0), enlargements(1.2));
    println!(
        "slow part: {right:.3} when the model is right, {lacking:.2} when it lacks a slow noise"
    );
    assert!((1.0..1.12).contains(&right), "{right}");
    assert!(lacking > 1.3, "{lacking}");
}

/// A bath that is held level: what it loses its meter lets in. The calibration of the meter is as unsure
/// as the flow times its part, whatever the loss did inside the window.
#[test]
fn a_loss_that_begins_is_not_taken_for_a_meters_calibration() {
    let (flow, leak, relative) = (45.0, 4.0, 0.01);
    let truth = Truth {
        wave_kg: 0.0,
        wave_spread_kg: 0.0,
        rate_kg_per_day: 0.0,
        leak: Some((3.5, leak)),
        ..PLANT
    };
    let mass = truth.series(7 * PER_DAY, 77);
    let passed: Vec<f64> = (0..mass.len())
        .map(|i| {
            let day = i as f64 / PER_DAY as f64;
            flow * day + leak * (day - 3.5).max(0.0)
        })
        .collect();
    let window = LossSeries {
        regressors: &[&passed],
        regressor_stds: &[relative],
        ..series(&mass)
    };
    let noise = noise_of(&mass);
    let alone = estimate(&series(&mass), &noise, &settings()).unwrap();
    let found = estimate(&window, &noise, &settings()).unwrap();
    let apart = (found.rate_kg_per_s - alone.rate_kg_per_s) * DAY;
    assert!(apart.abs() < 1e-6, "{apart}");
    assert!((0.3..0.7).contains(&(found.rate_kg_per_s * DAY / leak)));
    let own = found.std_uncertainty_kg_per_s * DAY;
    let expected = libm::hypot(
        alone.std_uncertainty_kg_per_s * DAY,
        relative * (flow + leak / 2.0),
    );
    assert!((own / expected - 1.0).abs() < 0.02, "{own} {expected}");
    assert!(found.variance_shares.calibration > 0.1);
}
