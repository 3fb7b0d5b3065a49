//! What the detection of losses reaches on a model whose limits are known: 10,000 kg, white noise
//! of 5 kg a minute, correlated noise of 2 kg over an hour, the noise estimated from seven quiet
//! days, one false alarm a year asked for. As the engine does, the detector sees the means of ten
//! minutes; delays count from an onset at any minute.
//!
//! `cargo bench --bench loss_limits -- 200 400` prints the table beside its anchors (200 simulated
//! years, 400 runs per loss; a third number is the rate of false alarms asked for); without numbers
//! a short form runs. Words: `known` told the noise; `flat` no daily wave in the model of the
//! series; `minute` on a grid of one minute; `weather` with 20 kg of weather, beside an ideal test
//! that is told of it; `speed` the time of each call too; `only` nothing but the speed.
//!
//! Anchors: generalised likelihood ratio over the onset, noise known, level from seven days (Monte
//! Carlo, 200 years, 400 runs): 6.2 kg/day found within 24 h with 95 %, median delay 4.05 h at
//! 50 kg/day and 1.23 h at 200 kg/day; Cramer-Rao bound of a slope over 24 h 1.868 kg/day.

#![expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a measurement for a person to read, not part of the program"
)]

use std::time::Instant;

use coldledger::balance::leak::{Onset, estimate, estimate_with_onset};
use coldledger::balance::noise::{NoiseSettings, fit};
use coldledger::balance::series::{LossSeries, LossSettings};

#[path = "../loss/limits.rs"]
mod limits;
#[path = "../loss/synthetic.rs"]
#[expect(dead_code, reason = "shared with the tests")]
mod synthetic;
use limits::{IDEAL, Options, parallel};

#[expect(clippy::too_many_lines, reason = "one measurement after the other")]
fn main() {
    let arguments: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| a != "--bench")
        .collect();
    let number = |i: usize, default: f64| {
        arguments
            .get(i)
            .and_then(|a| a.parse().ok())
            .unwrap_or(default)
    };
    let years = number(0, 4.0);
    let runs = number(1, 20.0) as u64;
    let has = |word: &str| arguments.iter().any(|a| a == word);
    let options = Options {
        known: has("known"),
        asked: number(2, 1.0),
        wave: !has("flat"),
        step_s: if has("minute") { 60.0 } else { 600.0 },
        weather: has("weather"),
    };
    if has("speed") || has("only") || arguments.is_empty() {
        speed();
    }
    if has("only") {
        return;
    }

    let started = Instant::now();
    let counted = parallel((years * 5.0) as u64, |seed| {
        limits::quiet_fifth(seed, options)
    });
    let raised: Vec<f64> = counted.iter().flat_map(|c| c.ages_h.clone()).collect();
    println!("limits {:?}", limits::prepare(0, options).1.limits());
    println!(
        "false alarms asked for {} a year, found {:.2} +- {:.2} a year ({} in {years} years, {:.0} s)",
        options.asked,
        raised.len() as f64 / years,
        (raised.len() as f64).sqrt() / years,
        raised.len(),
        started.elapsed().as_secs_f64()
    );
    for (i, o) in limits::OFFSETS.iter().enumerate() {
        let sum: u32 = counted.iter().map(|c| c.shifted[i]).sum();
        println!("  limit {o:+.2}: {:.2} a year", f64::from(sum) / years);
    }
    for from in [0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0] {
        let n: u32 = counted
            .iter()
            .flat_map(|c| &c.low_ages_h)
            .map(|a| u32::from((from..2.0 * from).contains(a)))
            .sum();
        println!(
            "  onset {from} to {} h before, at limit {:+}: {:.2} a year",
            2.0 * from,
            limits::LOW,
            f64::from(n) / years
        );
    }

    let found: Vec<Vec<f64>> = parallel(runs, |s| limits::delays(1_000_000 + s, options))
        .into_iter()
        .flatten()
        .collect();
    let column =
        |i: usize| -> Vec<f64> { found.iter().filter_map(|f| f.get(i).copied()).collect() };
    let mut shares = Vec::new();
    for (i, rate) in options.rates().iter().enumerate() {
        let mut delays = column(i);
        let share = delays.iter().filter(|d| **d <= 24.0).count() as f64 / delays.len() as f64;
        shares.push((*rate, share));
        let median = limits::quantile(&mut delays, 0.5);
        let anchor = IDEAL
            .delays_h
            .iter()
            .find(|d| d.0 == *rate && !options.weather);
        let beside = anchor.map_or(String::new(), |(_, ideal)| {
            format!(", {:.3} times the ideal {ideal} h", median / ideal)
        });
        println!(
            "{rate} kg/day: found within 24 h {:.1} %, delay median {median:.2} h{beside}, 90 % {:.2} h",
            100.0 * share,
            limits::quantile(&mut delays, 0.9)
        );
    }
    let smallest = limits::smallest(&shares, 0.95);
    let ideal = if options.weather {
        let ideal = limits::ideal_with_weather(years.min(20.0), runs);
        println!(
            "ideal test told of the weather: threshold {:.3}, found within 24 h with 95 % {:.2} kg/day",
            ideal.0, ideal.1
        );
        println!(
            "smallest loss beside what an ideal test reaches that knows the false mass: {:.3} times {} kg/day",
            smallest / IDEAL.smallest_kg_per_day,
            IDEAL.smallest_kg_per_day
        );
        ideal.1
    } else {
        IDEAL.smallest_kg_per_day
    };
    println!(
        "smallest loss found within 24 h with 95 %: {smallest:.2} kg/day, {:.3} times the ideal {ideal:.2} ({} runs)",
        smallest / ideal,
        found.len()
    );

    let e = limits::errors_of_a_day(runs, options);
    println!(
        "rate over 24 h: stated {:.3} kg/day, scatter {:.3} +- {:.3}, stated over scatter {:.3}, over the \
         Cramer-Rao bound {:.3}; stated over 7 days {:.4}, scatter {:.4}, ratio {:.3}",
        e.day.0,
        e.day.1,
        e.day.1 / (2.0 * runs as f64).sqrt(),
        e.day.0 / e.day.1,
        e.day.0 / IDEAL.bound_kg_per_day,
        e.week.0,
        e.week.1,
        e.week.0 / e.week.1
    );
}

/// Time of the calls that the engine makes.
fn speed() {
    let options = Options {
        known: true,
        asked: 1.0,
        wave: true,
        step_s: 600.0,
        weather: false,
    };
    let (mut plant, mut detector) = limits::prepare(7, options);
    let from = plant.index();
    let values: Vec<f64> = (0..100_000).map(|_| plant.next().mass_kg).collect();
    let start = Instant::now();
    for (i, y) in values.iter().enumerate() {
        detector.feed((from + i) as f64 * 600.0, *y, &[]);
    }
    println!(
        "detector: {:.0} ns a sample",
        start.elapsed().as_secs_f64() * 1e9 / values.len() as f64
    );
    let series = LossSeries {
        step_s: 600.0,
        mass_kg: &values[..1008],
        ..LossSeries::default()
    };
    let time = |what: &str, times: u32, work: &mut dyn FnMut()| {
        let start = Instant::now();
        for _ in 0..times {
            work();
        }
        println!(
            "{what}: {:.3} ms",
            start.elapsed().as_secs_f64() * 1e3 / f64::from(times)
        );
    };
    let settings = LossSettings::default();
    let noise = fit(&series, &NoiseSettings::default(), None).unwrap();
    time("noise::fit, 1,008 samples", 20, &mut || {
        fit(&series, &NoiseSettings::default(), None).unwrap();
    });
    time(
        "noise::fit, 1,008 samples, from an earlier one",
        20,
        &mut || {
            fit(&series, &NoiseSettings::default(), Some(&noise)).unwrap();
        },
    );
    time("estimate, 1,008 samples", 200, &mut || {
        estimate(&series, &noise, &settings).unwrap();
    });
    let day = LossSeries {
        mass_kg: &values[..144],
        ..series
    };
    time("estimate, 144 samples", 200, &mut || {
        estimate(&day, &noise, &settings).unwrap();
    });
    let ten = LossSeries {
        mass_kg: &values[..1440],
        ..series
    };
    time("estimate_with_onset, 1,440 samples", 200, &mut || {
        estimate_with_onset(&ten, &noise, &settings, Onset::Unknown).unwrap();
    });
}
