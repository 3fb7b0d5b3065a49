//! What the detection of losses reaches on a model whose limits are known: 10,000 kg, white noise
//! of 5 kg a minute, correlated noise of 2 kg over an hour, the noise estimated from seven quiet
//! days, one false alarm a year asked for.
//!
//! `cargo bench --bench loss_limits -- [years=200] [runs=400] [known]` prints the table; without
//! arguments from a person (`--bench` alone) a short form runs.

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

use coldledger::balance::detect::{Detector, DetectorSettings, Verdict};
use coldledger::balance::leak::{Onset, estimate, estimate_with_onset};
use coldledger::balance::noise::{NoiseModel, NoiseSettings, fit};
use coldledger::balance::series::{LossSeries, LossSettings};
use coldledger::balance::whiten::NoiseParameters;

#[path = "../loss/synthetic.rs"]
#[expect(dead_code, reason = "shared with the tests")]
mod synthetic;
use synthetic::{DAY, Dice};

const STEP: f64 = 60.0;
const PER_DAY: usize = 1440;
const NOISE: NoiseParameters = NoiseParameters {
    white_std_kg: 5.0,
    correlated_std_kg: 2.0,
    correlation_time_s: 3600.0,
    wave_std_kg: 0.0,
};

/// An endless series of the model.
struct Plant {
    dice: Dice,
    ar: f64,
    index: usize,
}

impl Plant {
    fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let ar = dice.normal() * NOISE.correlated_std_kg;
        Self { dice, ar, index: 0 }
    }

    fn next(&mut self) -> f64 {
        let phi = libm::exp(-STEP / NOISE.correlation_time_s);
        let y = 10_000.0 + self.ar + NOISE.white_std_kg * self.dice.normal();
        self.ar =
            phi * self.ar + NOISE.correlated_std_kg * (1.0 - phi * phi).sqrt() * self.dice.normal();
        self.index += 1;
        y
    }

    /// A detector whose noise was estimated from seven quiet days (or is known), and that has seen
    /// `days` more of the plant.
    fn detector(&mut self, known: bool, wave: bool, days: usize) -> Detector {
        let quiet: Vec<f64> = (0..7 * PER_DAY).map(|_| self.next()).collect();
        let noise = if known {
            NoiseModel::known(NOISE, STEP, wave).unwrap()
        } else {
            let series = LossSeries {
                step_s: STEP,
                mass_kg: &quiet,
                ..LossSeries::default()
            };
            fit(&series, &NoiseSettings { daily_wave: wave }, None).unwrap()
        };
        let mut detector = Detector::new(DetectorSettings::default(), noise, 0, 0.0).unwrap();
        for (i, y) in quiet.iter().enumerate() {
            detector.feed(i as f64 * STEP, *y, &[]);
        }
        for _ in 0..days * PER_DAY {
            let t = self.index as f64 * STEP;
            let y = self.next();
            detector.feed(t, y, &[]);
        }
        detector
    }
}

/// False alarms in a fifth of a year, for limits shifted by each of `OFFSETS`.
const OFFSETS: [f64; 9] = [-1.2, -0.9, -0.6, -0.3, -0.15, 0.0, 0.15, 0.3, 0.45];

fn quiet_fifth(seed: u64, known: bool, wave: bool) -> ([u32; 9], u32) {
    let mut plant = Plant::new(seed);
    let mut detector = plant.detector(known, wave, 4);
    let mut counts = [0; 9];
    let mut standing = [false; 9];
    let mut raised = 0;
    for _ in 0..73 * PER_DAY {
        let t = plant.index as f64 * STEP;
        let y = plant.next();
        if matches!(detector.feed(t, y, &[]), Verdict::Raised(_)) {
            raised += 1;
        }
        let Some((z, limit)) = detector.significance() else {
            continue;
        };
        for ((n, s), o) in counts.iter_mut().zip(&mut standing).zip(OFFSETS) {
            if z > limit + o && !*s {
                *s = true;
                *n += 1;
            } else if z < limit + o - 2.0 {
                *s = false;
            }
        }
    }
    (counts, raised)
}

fn parallel<T: Send>(jobs: u64, work: impl Fn(u64) -> T + Sync) -> Vec<T> {
    let next = std::sync::atomic::AtomicU64::new(0);
    let done = std::sync::Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let job = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                    if job >= jobs {
                        return;
                    }
                    let result = work(job);
                    done.lock().unwrap().push(result);
                }
            });
        }
    });
    done.into_inner().unwrap()
}

/// Hours until a loss of `rate` kg/day is found; infinite when not within `horizon_days`.
fn delay(seed: u64, rate: f64, known: bool, wave: bool, horizon_days: usize) -> f64 {
    let mut plant = Plant::new(seed);
    // Eleven days before the onset, as in the ideal test.
    let mut detector = plant.detector(known, wave, 4);
    if detector.standing().is_some() {
        return f64::NAN;
    }
    for i in 0..horizon_days * PER_DAY {
        let t = plant.index as f64 * STEP;
        let y = plant.next() - rate * (i + 1) as f64 / PER_DAY as f64;
        if matches!(detector.feed(t, y, &[]), Verdict::Raised(_)) {
            return (i + 1) as f64 * STEP / 3600.0;
        }
    }
    f64::INFINITY
}

fn quantile(values: &mut [f64], p: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[((values.len() as f64 - 1.0) * p).round() as usize]
}

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
    let known = arguments.iter().any(|a| a == "known");
    let wave = !arguments.iter().any(|a| a == "flat");

    speed();

    let fifths = (years * 5.0) as u64;
    let started = Instant::now();
    let counted = parallel(fifths, |seed| quiet_fifth(seed, known, wave));
    let mut sums = [0_u32; 9];
    let mut raised = 0;
    for (counts, r) in &counted {
        raised += r;
        for (s, c) in sums.iter_mut().zip(counts) {
            *s += c;
        }
    }
    println!(
        "false alarms asked for 1 a year, found {:.2} a year ({raised} in {years} years, {:.0} s)",
        f64::from(raised) / years,
        started.elapsed().as_secs_f64()
    );
    for (o, s) in OFFSETS.iter().zip(sums) {
        println!("  limit {o:+.2}: {:.2} a year", f64::from(s) / years);
    }

    for rate in [50.0, 200.0] {
        let mut delays: Vec<f64> = parallel(runs, |s| delay(1_000_000 + s, rate, known, wave, 2))
            .into_iter()
            .filter(|d| !d.is_nan())
            .collect();
        println!(
            "{rate} kg/day: delay median {:.2} h, 90 % {:.2} h",
            quantile(&mut delays, 0.5),
            quantile(&mut delays, 0.9)
        );
    }
    for rate in [4.0, 4.5, 5.0, 6.0, 6.5, 7.0, 7.5, 8.0] {
        let found: Vec<f64> = parallel(runs, |s| delay(2_000_000 + s, rate, known, wave, 1))
            .into_iter()
            .filter(|d| !d.is_nan())
            .collect();
        let share = found.iter().filter(|d| d.is_finite()).count() as f64 / found.len() as f64;
        println!("{rate} kg/day: found within 24 h {:.1} %", 100.0 * share);
    }
}

/// Time of the calls that the engine makes.
fn speed() {
    let mut plant = Plant::new(7);
    let mut detector = plant.detector(true, true, 4);
    let values: Vec<f64> = (0..100_000).map(|_| plant.next()).collect();
    let start = Instant::now();
    for (i, y) in values.iter().enumerate() {
        detector.feed((11 * PER_DAY + i) as f64 * STEP, *y, &[]);
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
    let _ = DAY;
}
