//! The sequential detector: what it finds, what it stays silent about, and that its state survives.

use coldledger::balance::detect::{Detection, Detector, DetectorSettings, Verdict};
use coldledger::balance::noise::{NoiseSettings, fit};
use coldledger::balance::series::LossSeries;

use super::limits::{self, Options};
use super::synthetic::{DAY, Truth};

/// A demo plant on a ten-minute grid: a daily wave of several kg that changes with the weather.
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

fn detector(mass: &[f64], per_year: f64) -> Detector {
    let quiet = LossSeries {
        step_s: PLANT.step_s,
        mass_kg: &mass[..7 * PER_DAY],
        ..LossSeries::default()
    };
    let noise = fit(&quiet, &NoiseSettings::default(), None).unwrap();
    let settings = DetectorSettings {
        accepted_kg_per_s: PLANT.rate_kg_per_day / DAY,
        accepted_std_kg_per_s: 0.05 / DAY,
        false_alarms_per_year: per_year,
        ..DetectorSettings::default()
    };
    Detector::new(settings, noise, 0, 0.0).unwrap()
}

fn feed(detector: &mut Detector, mass: &[f64], from: usize, to: usize) -> Vec<(usize, Detection)> {
    (from..to)
        .filter_map(|i| {
            let t = i as f64 * PLANT.step_s;
            match detector.feed(t, mass[i], &[]) {
                Verdict::Raised(found) => Some((i, found)),
                _ => None,
            }
        })
        .collect()
}

/// False alarms a year over many plants, and the years.
fn false_alarms(truth: Truth, asked: f64) -> (f64, f64) {
    let (days, plants) = (67, 48);
    let mut raised = 0;
    for seed in 0..plants {
        let mass = truth.series(days * PER_DAY, 100 + seed);
        let mut d = detector(&mass, asked);
        raised += feed(&mut d, &mass, 0, days * PER_DAY).len();
    }
    let years = (days - 7) as f64 * plants as f64 / 365.25;
    println!("{raised} false alarms in {years:.1} years, {asked} a year asked for");
    (raised as f64 / years, years)
}

#[test]
fn raises_false_alarms_at_the_rate_asked_for() {
    let calm = Truth {
        wave_spread_kg: 0.0,
        ..PLANT
    };
    let (rate, _) = false_alarms(calm, 12.0);
    assert!((0.5..1.5).contains(&(rate / 12.0)), "{rate}");
}

#[test]
fn weather_brings_few_more_false_alarms() {
    let (rate, years) = false_alarms(PLANT, 12.0);
    assert!(rate < 1.5 * 12.0 + 2.0 * (12.0 / years).sqrt(), "{rate}");
}

/// Short form of `cargo bench --bench loss_limits`, which measures all of this closer.
#[test]
fn reaches_the_limits_of_the_model_whose_limits_are_known() {
    let options = Options {
        known: false,
        asked: 12.0,
        wave: true,
        step_s: 600.0,
        weather: false,
    };
    let years = 5.0;
    let quiet = limits::parallel(25, |seed| limits::quiet_fifth(seed, options));
    let raised: usize = quiet.iter().map(|q| q.ages_h.len()).sum();
    let a_year = raised as f64 / years;
    println!("{raised} false alarms in {years} years, 12 a year asked for");
    // 60 +- 8 expected.
    assert!((0.5 * 12.0..1.5 * 12.0).contains(&a_year), "{a_year}");

    let options = Options {
        asked: 1.0,
        ..options
    };
    let found: Vec<Vec<f64>> = limits::parallel(60, |s| limits::delays(s, options))
        .into_iter()
        .flatten()
        .collect();
    for (i, rate) in options.rates().iter().enumerate() {
        let mut delays: Vec<f64> = found.iter().map(|f| f[i]).collect();
        let in_time = delays.iter().filter(|d| d.is_finite()).count() as f64;
        let share = in_time / delays.len() as f64;
        let median = limits::quantile(&mut delays, 0.5);
        println!("{rate} kg/day: {share:.3} within 24 h, median {median:.2} h");
        if let Some((_, ideal)) = limits::IDEAL.delays_h.iter().find(|d| d.0 == *rate) {
            // 1.15 times, and three standard errors of the median of 60.
            assert!(median < 1.15 * 1.1 * ideal, "{rate} kg/day: {median} h");
        }
        if *rate == 7.0 {
            // 95 % asked for at 1.15 times the ideal 6.2 kg/day; three standard errors of 60.
            assert!(
                share > 0.95 - 3.0 * (0.95_f64 * 0.05 / 60.0).sqrt(),
                "{share}"
            );
        }
    }

    let e = limits::errors_of_a_day(200, options);
    println!(
        "rate over 24 h: stated {:.3} kg/day, scatter {:.3}; over 7 days {:.4}, {:.4}",
        e.day.0, e.day.1, e.week.0, e.week.1
    );
    assert!(e.day.0 < 1.1 * limits::IDEAL.bound_kg_per_day);
    // 10 %, and two and a half standard errors of a scatter of 200.
    for (stated, scatter) in [e.day, e.week] {
        assert!(
            (stated / scatter - 1.0).abs() < 0.1 + 0.125,
            "{stated} {scatter}"
        );
    }
}

#[test]
fn weather_costs_little_beside_an_ideal_test_that_knows_the_false_mass() {
    let options = Options {
        known: false,
        asked: 1.0,
        wave: true,
        step_s: 600.0,
        weather: true,
    };
    let found: Vec<Vec<f64>> = limits::parallel(60, |s| limits::delays(s, options))
        .into_iter()
        .flatten()
        .collect();
    let shares: Vec<(f64, f64)> = options
        .rates()
        .iter()
        .enumerate()
        .map(|(i, rate)| {
            let n = found.iter().filter(|f| f[i].is_finite()).count() as f64;
            (*rate, n / found.len() as f64)
        })
        .collect();
    let smallest = limits::smallest(&shares, 0.95);
    println!("{smallest:.2} kg/day; {shares:.3?}");
    // 1.3 times what knowing the false mass would give, and the scatter of 60 runs.
    assert!(smallest < 1.3 * 1.1 * limits::IDEAL.smallest_kg_per_day);
}

#[test]
fn finds_a_loss_of_four_kilograms_a_day_and_its_onset() {
    let (mut found, mut onset_held, mut raised_early) = (0, 0, 0);
    let mut delays = Vec::new();
    let seeds = 40;
    for seed in 0..seeds {
        let truth = Truth {
            leak: Some((11.0, 8.0)),
            ..PLANT
        };
        let mass = truth.series(14 * PER_DAY, 700 + seed);
        let mut d = detector(&mass, 1.0);
        for (i, alarm) in feed(&mut d, &mass, 0, 14 * PER_DAY) {
            let days = i as f64 / PER_DAY as f64 - 11.0;
            if days <= 0.0 {
                raised_early += 1;
                continue;
            }
            found += 1;
            delays.push(days * 24.0);
            let (low, high) = alarm.onset_band_95_s;
            onset_held += i32::from(low <= 11.0 * DAY && 11.0 * DAY <= high);
            assert!(alarm.onset_s < alarm.raised_s && alarm.excess_kg_per_s > 0.0);
        }
        if let Some(now) = d.standing() {
            // Three days in, the rate is known well.
            assert!(
                (now.excess_kg_per_s * DAY - 8.0).abs()
                    < 4.0 * now.std_uncertainty_kg_per_s.max(0.4 / DAY) * DAY,
                "{now:?}"
            );
        }
    }
    delays.sort_by(f64::total_cmp);
    println!(
        "found {found} of {seeds}, median delay {:.1} h, onset in its band {onset_held}, early {raised_early}",
        delays[delays.len() / 2]
    );
    assert!(found >= seeds - 1);
    assert!(raised_early <= 1);
    assert!(f64::from(onset_held) >= 0.8 * found as f64);
}

#[test]
fn stays_silent_through_gains_gaps_and_spikes() {
    let mut mass = PLANT.series(30 * PER_DAY, 3);
    // Helium gained is none of its business.
    for (i, m) in mass.iter_mut().enumerate().skip(20 * PER_DAY) {
        *m += 6.0 * (i - 20 * PER_DAY) as f64 / PER_DAY as f64;
    }
    let mut d = detector(&mass, 0.01);
    for (i, m) in mass.iter_mut().enumerate() {
        if (10 * PER_DAY..10 * PER_DAY + 100).contains(&i) || i % 7 == 3 {
            *m = f64::NAN;
        }
        if i > 8 * PER_DAY && i % 601 == 0 {
            *m -= 60.0;
        }
    }
    assert_eq!(feed(&mut d, &mass, 0, 30 * PER_DAY), []);
    assert!(d.spikes() >= 4, "{}", d.spikes());
}

#[test]
fn a_missing_sample_and_a_skipped_time_are_the_same() {
    let mass = PLANT.series(12 * PER_DAY, 5);
    let (mut a, mut b) = (detector(&mass, 1.0), detector(&mass, 1.0));
    for (i, m) in mass.iter().enumerate() {
        let t = i as f64 * PLANT.step_s;
        if i % 50 < 5 {
            a.feed(t, f64::NAN, &[]);
        } else {
            a.feed(t, *m, &[]);
            b.feed(t, *m, &[]);
        }
    }
    assert_eq!(a, b);
    assert_eq!(b.feed(0.0, 1.0, &[]), Verdict::Ignored);
    assert_eq!(b.feed(f64::NAN, 1.0, &[]), Verdict::Ignored);
}

#[test]
fn goes_on_from_a_stored_state_as_if_never_stopped() {
    let truth = Truth {
        leak: Some((11.0, 6.0)),
        ..PLANT
    };
    let mass = truth.series(14 * PER_DAY, 9);
    let mut whole = detector(&mass, 1.0);
    feed(&mut whole, &mass, 0, 11 * PER_DAY + 60);
    let stored = postcard::to_allocvec(&whole).unwrap();
    println!("{} bytes of state", stored.len());
    let mut restored: Detector = postcard::from_bytes(&stored).unwrap();
    assert_eq!(whole, restored);
    let a = feed(&mut whole, &mass, 11 * PER_DAY + 60, 14 * PER_DAY);
    let b = feed(&mut restored, &mass, 11 * PER_DAY + 60, 14 * PER_DAY);
    assert_eq!(a, b);
    assert_eq!(whole, restored);
    assert!(whole.standing().is_some());
}

#[test]
fn a_restatement_is_no_loss_and_a_loss_after_it_is_found() {
    let mut mass = PLANT.series(20 * PER_DAY, 21);
    for m in mass.iter_mut().skip(12 * PER_DAY) {
        *m -= 25.0;
    }
    for (i, m) in mass.iter_mut().enumerate().skip(16 * PER_DAY) {
        *m -= 10.0 * (i - 16 * PER_DAY) as f64 / PER_DAY as f64;
    }
    let mut d = detector(&mass, 1.0);
    assert_eq!(feed(&mut d, &mass, 0, 12 * PER_DAY), []);
    d.restate();
    assert_eq!(feed(&mut d, &mass, 12 * PER_DAY, 16 * PER_DAY), []);
    let found = feed(&mut d, &mass, 16 * PER_DAY, 20 * PER_DAY);
    assert_eq!(found.len(), 1);
    assert!((found[0].1.onset_s / DAY - 16.0).abs() < 0.5);
    // The same without being told is taken for a loss, as it must be.
    let mut untold = detector(&mass, 1.0);
    assert!(!feed(&mut untold, &mass, 0, 16 * PER_DAY).is_empty());
}

#[test]
fn a_long_loss_goes_on_standing_until_it_is_over() {
    let mut mass = PLANT.series(40 * PER_DAY, 33);
    for (i, m) in mass.iter_mut().enumerate().skip(11 * PER_DAY) {
        *m -= 5.0 * ((i - 11 * PER_DAY) as f64 / PER_DAY as f64).min(18.0);
    }
    let mut d = detector(&mass, 1.0);
    let mut cleared = Vec::new();
    for (i, m) in mass.iter().enumerate() {
        let verdict = d.feed(i as f64 * PLANT.step_s, *m, &[]);
        if (13 * PER_DAY..29 * PER_DAY).contains(&i) {
            assert!(matches!(verdict, Verdict::Standing(_)), "{i}: {verdict:?}");
        }
        if i == 28 * PER_DAY {
            let now = d.standing().unwrap();
            assert!((now.excess_kg_per_s * DAY - 5.0).abs() < 0.5, "{now:?}");
            assert!((now.onset_s / DAY - 11.0).abs() < 1.0, "{now:?}");
        }
        if verdict == Verdict::Cleared {
            cleared.push(i as f64 / PER_DAY as f64);
        } else if !cleared.is_empty() {
            assert_eq!(verdict, Verdict::Quiet, "{i}");
        }
    }
    // The valve was shut on day 29.
    println!("cleared on day {cleared:?}, ended {:?}", d.ended());
    assert!(cleared.len() == 1 && cleared[0] < 31.0, "{cleared:?}");
    let (onset, end) = d.ended().unwrap();
    assert!((onset / DAY - 11.0).abs() < 1.0 && (end / DAY - 29.0).abs() < 0.5);
}

/// The rate before a loss is held firmly, so what the background alone would follow is far from the
/// samples: a spike is one beside background and loss together.
#[test]
fn wrong_readings_beside_a_standing_loss_are_left_out_and_no_others() {
    let days = 18;
    let mut mass = PLANT.series(days * PER_DAY, 35);
    let mut wrong = 0;
    for (i, m) in mass.iter_mut().enumerate().skip(11 * PER_DAY) {
        *m -= 40.0 * (i - 11 * PER_DAY) as f64 / PER_DAY as f64;
        if i > 12 * PER_DAY && i % 37 == 0 {
            *m += 12.0;
            wrong += 1;
        }
    }
    let mut d = detector(&mass, 1.0);
    let mut before = 0;
    for (i, m) in mass.iter().enumerate() {
        let verdict = d.feed(i as f64 * PLANT.step_s, *m, &[]);
        if i == 12 * PER_DAY {
            before = d.spikes();
        }
        if i > 12 * PER_DAY {
            assert!(matches!(verdict, Verdict::Standing(_)), "{i}: {verdict:?}");
        }
    }
    let left_out = d.spikes() - before;
    println!("{wrong} wrong readings, {left_out} left out");
    assert!((wrong..=wrong + 3).contains(&left_out));
    let now = d.standing().unwrap();
    assert!((now.excess_kg_per_s * DAY - 40.0).abs() < 1.0, "{now:?}");
}

#[test]
fn a_standing_loss_that_is_settled_is_forgotten() {
    let mut mass = PLANT.series(24 * PER_DAY, 34);
    for (i, m) in mass.iter_mut().enumerate().skip(11 * PER_DAY) {
        *m -= 20.0 * ((i - 11 * PER_DAY) as f64 / PER_DAY as f64).min(3.0);
    }
    let mut d = detector(&mass, 1.0);
    for (i, m) in mass.iter().enumerate() {
        let verdict = d.feed(i as f64 * PLANT.step_s, *m, &[]);
        if i == 14 * PER_DAY {
            // The valve was shut just now: the engineer says so.
            assert!(matches!(verdict, Verdict::Standing(_)));
            d.restate();
        }
        if i > 14 * PER_DAY {
            assert_eq!(verdict, Verdict::Quiet, "{i}");
        }
    }
}
