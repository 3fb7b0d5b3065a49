//! The filter against generalised least squares on the same samples, and what else a stream brings.

use coldledger::balance::filter::{FilterSettings, FilterState, LossFilter};
use coldledger::balance::leak::{LossEstimate, estimate};
use coldledger::balance::noise::{NoiseModel, NoiseSettings, fit};
use coldledger::balance::series::{LossSeries, LossSettings};
use coldledger::balance::whiten::NoiseParameters;

use super::synthetic::{DAY, Dice, Truth};

const PLANT: Truth = Truth {
    step_s: 600.0,
    white_kg: 0.6,
    correlated_kg: 0.8,
    time_s: 3600.0,
    wave_kg: 3.0,
    wave_spread_kg: 0.4,
    rate_kg_per_day: 0.4,
    leak: None,
};
const PER_DAY: usize = 144;

fn known(wave_std_kg: f64, daily_wave: bool) -> NoiseModel {
    let parameters = NoiseParameters {
        white_std_kg: PLANT.white_kg,
        correlated_std_kg: PLANT.correlated_kg,
        correlation_time_s: PLANT.time_s,
        wave_std_kg,
    };
    NoiseModel::known(parameters, PLANT.step_s, daily_wave).unwrap()
}

fn filter(noise: &NoiseModel, settings: FilterSettings, regressors: usize) -> LossFilter {
    LossFilter::new(settings, noise.clone(), regressors, 0.0).unwrap()
}

fn batch(noise: &NoiseModel, mass: &[f64], regressors: &[&[f64]], steps_s: &[f64]) -> LossEstimate {
    let series = LossSeries {
        step_s: PLANT.step_s,
        mass_kg: mass,
        regressors,
        steps_s,
        ..LossSeries::default()
    };
    estimate(&series, noise, &LossSettings::default()).unwrap()
}

/// Largest deviation in rate and uncertainty, relative to the uncertainty.
fn apart(state: &FilterState, batch: &LossEstimate) -> f64 {
    // The filter goes by the noise alone.
    let std = batch.std_uncertainty_kg_per_s / batch.slow_enlargement.sqrt();
    let rate =
        (state.rate_kg_per_s - batch.rate_kg_per_s).abs() / batch.rate_kg_per_s.abs().min(std);
    rate.max((state.std_uncertainty_kg_per_s / std - 1.0).abs())
}

#[test]
fn equals_least_squares_after_every_number_of_samples() {
    let mut worst: f64 = 0.0;
    for (noise, seed) in [
        (known(0.4, true), 1),
        (known(0.0, true), 2),
        (known(0.4, false), 3),
        (known(0.0, false), 4),
    ] {
        let truth = Truth {
            wave_kg: if noise.daily_wave { PLANT.wave_kg } else { 0.0 },
            wave_spread_kg: noise.parameters.wave_std_kg,
            ..PLANT
        };
        let mut mass = truth.series(10 * PER_DAY, seed);
        // Holes, long and short.
        for m in &mut mass[300..340] {
            *m = f64::NAN;
        }
        for i in [0, 17, 500, 501, 1200] {
            mass[i] = f64::NAN;
        }
        let mut f = filter(&noise, FilterSettings::default(), 0);
        for (i, m) in mass.iter().enumerate() {
            let state = f.feed(i as f64 * PLANT.step_s, *m, &[]);
            if [60, 143, 320, 700, 1439].contains(&i) {
                let state = state.unwrap();
                let b = batch(&noise, &mass[..=i], &[], &[]);
                let found = apart(&state, &b);
                worst = worst.max(found);
                assert!(found < 1e-6, "{seed}, {i} samples: {found:e}");
                assert_eq!((b.spikes, f.spikes()), (0, 0));
                if i == 1439 {
                    assert!((state.level_kg - b.level_at_end_kg).abs() < 1e-6);
                    let chi = f.reduced_chi_square().unwrap();
                    assert!((chi / b.reduced_chi_square - 1.0).abs() < 0.01);
                }
            }
        }
    }
    println!("largest relative deviation {worst:.1e}");
}

#[test]
fn equals_least_squares_with_regressors_steps_and_a_noise_that_was_found() {
    let mut dice = Dice::new(5);
    let n = 9 * PER_DAY;
    let mut slow = 0.0;
    let course: Vec<f64> = (0..n)
        .map(|i| {
            slow = 0.99 * slow + dice.normal();
            slow + 3.0 * libm::sin(i as f64 / 23.0 + 0.4)
        })
        .collect();
    let mut mass = PLANT.series(n, 6);
    let jump = 5 * PER_DAY + 3;
    for (i, m) in mass.iter_mut().enumerate() {
        *m += 0.3 * course[i] + if i >= jump { 40.0 } else { 0.0 };
    }
    let week = LossSeries {
        step_s: PLANT.step_s,
        mass_kg: &mass[..5 * PER_DAY],
        regressors: &[&course[..5 * PER_DAY]],
        ..LossSeries::default()
    };
    let noise = fit(&week, &NoiseSettings::default(), None).unwrap();
    let mut f = filter(&noise, FilterSettings::default(), 1);
    let mut state = None;
    for (i, m) in mass.iter().enumerate() {
        if i == jump {
            f.jump(0.0, None);
        }
        state = f.feed(i as f64 * PLANT.step_s, *m, &[course[i]]);
    }
    let b = batch(&noise, &mass, &[&course], &[jump as f64 * PLANT.step_s]);
    let found = apart(&state.unwrap(), &b);
    println!(
        "relative deviation {found:.1e}, spikes {} {}",
        b.spikes,
        f.spikes()
    );
    assert!(found < 1e-6);

    // A day that starts from what the week has shown of wave and regressor.
    let day = &mass[7 * PER_DAY..8 * PER_DAY];
    let start_s = 7.0 * DAY;
    let settings = FilterSettings {
        window_samples: Some(PER_DAY),
        ..FilterSettings::default()
    };
    // The batch centres its regressor; only the level knows.
    let series = LossSeries {
        start_s,
        step_s: PLANT.step_s,
        mass_kg: day,
        regressors: &[&course[7 * PER_DAY..8 * PER_DAY]],
        ..LossSeries::default()
    };
    let b = estimate(&series, &noise, &LossSettings::default()).unwrap();
    let mut f = LossFilter::new(settings, noise, 1, start_s).unwrap();
    let mut state = None;
    for (i, m) in day.iter().enumerate() {
        let t = series.time_s(i);
        state = f.feed(t, *m, &[course[7 * PER_DAY + i]]);
    }
    let found = apart(&state.unwrap(), &b);
    println!("with what was known before: {found:.1e}");
    assert!(found < 1e-6);
}

#[test]
fn leaves_spikes_out_as_least_squares_does() {
    let noise = known(0.4, true);
    let mut mass = PLANT.series(8 * PER_DAY, 11);
    for (i, size) in [(700, 30.0), (900, -25.0), (901, -25.0), (1100, 12.0)] {
        mass[i] += size;
    }
    let mut f = filter(&noise, FilterSettings::default(), 0);
    let mut state = None;
    for (i, m) in mass.iter().enumerate() {
        state = f.feed(i as f64 * PLANT.step_s, *m, &[]);
    }
    let b = batch(&noise, &mass, &[], &[]);
    assert_eq!((f.spikes(), b.spikes), (4, 4));
    assert!(apart(&state.unwrap(), &b) < 1e-6);
}

#[test]
fn a_jump_that_was_roughly_known_costs_little() {
    let noise = known(0.4, true);
    let mut mass = PLANT.series(9 * PER_DAY, 12);
    for m in mass.iter_mut().skip(8 * PER_DAY) {
        *m += 120.0;
    }
    let after = |jump: Option<(f64, Option<f64>)>| {
        let mut f = filter(&noise, FilterSettings::default(), 0);
        let mut state = None;
        for (i, m) in mass.iter().enumerate() {
            if let (true, Some((mean, std))) = (i == 8 * PER_DAY, jump) {
                f.jump(mean, std);
            }
            state = f.feed(i as f64 * PLANT.step_s, *m, &[]);
        }
        state.unwrap()
    };
    let rate = PLANT.rate_kg_per_day / DAY;
    let [unknown, rough, exact] =
        [(0.0, None), (119.0, Some(2.0)), (120.0, Some(0.0))].map(|jump| after(Some(jump)));
    let untold = after(None);
    println!("unknown {unknown:?}\nrough {rough:?}\nexact {exact:?}\nuntold {untold:?}");
    for s in [unknown, rough, exact] {
        assert!((s.rate_kg_per_s - rate).abs() < 4.0 * s.std_uncertainty_kg_per_s);
    }
    let stds = [exact, rough, unknown].map(|s| s.std_uncertainty_kg_per_s);
    assert!(stds[0] < stds[1] && stds[1] < stds[2]);
    assert!((untold.rate_kg_per_s - rate).abs() > 20.0 * untold.std_uncertainty_kg_per_s);
}

#[test]
fn a_rate_that_may_change_is_followed_within_its_uncertainty() {
    let noise = known(0.4, true);
    let settings = FilterSettings {
        rate_change_a_day_kg_per_s: 1.0 / DAY,
        ..FilterSettings::default()
    };
    let (mut held, mut tried, mut square) = (0, 0, 0.0);
    for seed in 0..60 {
        let mut dice = Dice::new(900 + seed);
        let mut mass = PLANT.series(14 * PER_DAY, 800 + seed);
        let (mut rate, mut lost) = (0.0, 0.0);
        let mut f = filter(&noise, settings, 0);
        for (i, m) in mass.iter_mut().enumerate() {
            *m -= lost;
            let state = f.feed(i as f64 * PLANT.step_s, *m, &[]);
            if i >= 4 * PER_DAY && i.is_multiple_of(2 * PER_DAY) {
                let s = state.unwrap();
                let off = s.rate_kg_per_s * DAY - PLANT.rate_kg_per_day - rate;
                let z = off / (s.std_uncertainty_kg_per_s * DAY);
                tried += 1;
                held += i32::from(z.abs() < 1.96);
                square += z * z;
            }
            rate += dice.normal() / (PER_DAY as f64).sqrt();
            lost += rate / PER_DAY as f64;
        }
    }
    let (share, scatter) = (
        f64::from(held) / f64::from(tried),
        (square / f64::from(tried)).sqrt(),
    );
    println!("{share:.3} of {tried} within their 95 % band, scatter {scatter:.3} of stated");
    assert!((0.91..=0.985).contains(&share) && (0.9..=1.1).contains(&scatter));
}

#[test]
fn goes_on_from_a_stored_state_as_if_never_stopped() {
    let noise = known(0.4, true);
    let mass = PLANT.series(4 * PER_DAY, 15);
    let mut whole = filter(&noise, FilterSettings::default(), 0);
    for (i, m) in mass.iter().enumerate().take(300) {
        whole.feed(i as f64 * PLANT.step_s, *m, &[]);
    }
    let stored = postcard::to_allocvec(&whole).unwrap();
    println!("{} bytes of state", stored.len());
    let mut restored: LossFilter = postcard::from_bytes(&stored).unwrap();
    for (i, m) in mass.iter().enumerate().skip(300) {
        let t = i as f64 * PLANT.step_s;
        assert_eq!(whole.feed(t, *m, &[]), restored.feed(t, *m, &[]));
    }
    assert_eq!(whole, restored);
    // Times that cannot be, and a sample that lies before, change nothing.
    for t in [f64::NAN, f64::INFINITY, -600.0, 0.0, 1e300] {
        assert_eq!(whole.feed(t, 1000.0, &[]), None);
    }
    assert_eq!(whole, restored);
}
