//! What the detection of losses reaches on a model whose limits are known: 10,000 kg, white noise
//! of 5 kg a minute, correlated noise of 2 kg over an hour, the noise estimated from seven quiet
//! days, one false alarm a year asked for.
//!
//! `cargo bench --bench loss_limits -- 200 400` prints the table (200 simulated years, 400 runs per loss; a
//! third number is the rate of false alarms asked for);
//! without numbers a short form runs. `known`: told the noise; `flat`: no daily wave in the model of
//! the series; `ten`: on a ten-minute grid; `speed`: the
//! time of each call too; `weather`: with a daily wave
//! of 6 kg whose quadratures wander by 1 kg.

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

/// An endless series of the model, averaged to a grid of `step_s`.
#[derive(Clone)]
struct Plant {
    dice: Dice,
    ar: f64,
    index: usize,
    step_s: f64,
    noise: NoiseParameters,
    /// Quadratures of the weather's part of the daily wave, kg.
    weather: [f64; 2],
    wave: f64,
}

#[derive(Clone, Copy)]
struct Options {
    known: bool,
    asked: f64,
    wave: bool,
    step_s: f64,
    /// Mean daily wave and its day-to-day spread, kg.
    weather: (f64, f64),
}

impl Options {
    fn per_day(self) -> usize {
        (DAY / self.step_s) as usize
    }
}

impl Plant {
    fn new(seed: u64, step_s: f64, weather: (f64, f64)) -> Self {
        let mut dice = Dice::new(seed);
        let noise = NoiseParameters {
            white_std_kg: 5.0 * (60.0 / step_s).sqrt(),
            correlated_std_kg: 2.0,
            correlation_time_s: 3600.0,
            wave_std_kg: weather.1,
        };
        let ar = dice.normal() * noise.correlated_std_kg;
        let dice_weather = (dice.normal() * weather.1, dice.normal() * weather.1);
        Self {
            dice,
            ar,
            index: 0,
            step_s,
            noise,
            weather: [dice_weather.0, dice_weather.1],
            wave: weather.0,
        }
    }

    /// Time and mass of the next sample.
    fn next(&mut self) -> (f64, f64) {
        let phi = libm::exp(-self.step_s / self.noise.correlation_time_s);
        let y = 10_000.0 + self.ar + self.noise.white_std_kg * self.dice.normal();
        self.ar = phi * self.ar
            + self.noise.correlated_std_kg * (1.0 - phi * phi).sqrt() * self.dice.normal();
        let days = self.index as f64 * self.step_s / DAY;
        let (sine, cosine) = libm::sincos(std::f64::consts::TAU * days);
        let y = y + (self.wave + self.weather[0]) * sine + self.weather[1] * cosine;
        if self.noise.wave_std_kg > 0.0 {
            let rho = libm::exp(-self.step_s / (2.0 * DAY));
            for w in &mut self.weather {
                *w = rho * *w
                    + self.noise.wave_std_kg * (1.0 - rho * rho).sqrt() * self.dice.normal();
            }
        }
        self.index += 1;
        ((self.index - 1) as f64 * self.step_s, y)
    }
}

/// A plant and its detector, whose noise was estimated from seven quiet days (or is known), after
/// eleven days.
fn prepare(seed: u64, options: Options) -> (Plant, Detector) {
    let Options {
        known,
        asked,
        wave,
        step_s,
        weather,
    } = options;
    let mut plant = Plant::new(seed, step_s, weather);
    let quiet: Vec<f64> = (0..7 * options.per_day()).map(|_| plant.next().1).collect();
    let noise = if known {
        NoiseModel::known(plant.noise, step_s, wave).unwrap()
    } else {
        let series = LossSeries {
            step_s,
            mass_kg: &quiet,
            ..LossSeries::default()
        };
        fit(&series, &NoiseSettings { daily_wave: wave }, None).unwrap()
    };
    let mut detector = Detector::new(
        DetectorSettings {
            false_alarms_per_year: asked,
            ..DetectorSettings::default()
        },
        noise,
        0,
        0.0,
    )
    .unwrap();
    for (i, y) in quiet.iter().enumerate() {
        detector.feed(i as f64 * step_s, *y, &[]);
    }
    for _ in 0..4 * options.per_day() {
        let (t, y) = plant.next();
        detector.feed(t, y, &[]);
    }
    (plant, detector)
}

/// Shifts of the limit for which false alarms are counted besides.
const OFFSETS: [f64; 9] = [-1.5, -1.2, -0.9, -0.6, -0.3, -0.15, 0.0, 0.15, 0.3];

/// False alarms in a fifth of a year, for shifted limits and as raised.
fn quiet_fifth(seed: u64, options: Options) -> ([u32; 9], u32) {
    let (mut plant, mut detector) = prepare(seed, options);
    let mut counts = [0; 9];
    let mut standing = [false; 9];
    let mut raised = 0;
    for _ in 0..73 * options.per_day() {
        let (t, y) = plant.next();
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

const RATES: [f64; 8] = [50.0, 200.0, 4.5, 5.5, 6.5, 7.0, 7.5, 8.0];

/// Hours until a loss of each of `RATES` (kg/day) is found; infinite when not within a day.
/// Nothing when an alarm stands before the loss begins.
fn delays(seed: u64, options: Options) -> Option<Vec<f64>> {
    let (plant, detector) = prepare(seed, options);
    if detector.standing().is_some() {
        return None;
    }
    let per_day = options.per_day();
    let found = RATES.iter().map(|rate| {
        let (mut plant, mut detector) = (plant.clone(), detector.clone());
        for i in 1..=per_day {
            let (t, y) = plant.next();
            let y = y - rate * i as f64 / per_day as f64;
            if matches!(detector.feed(t, y, &[]), Verdict::Raised(_)) {
                return i as f64 * options.step_s / 3600.0;
            }
        }
        f64::INFINITY
    });
    Some(found.collect())
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
    let has = |word: &str| arguments.iter().any(|a| a == word);
    let options = Options {
        known: has("known"),
        asked: number(2, 1.0),
        wave: !has("flat"),
        step_s: if has("ten") { 600.0 } else { 60.0 },
        weather: if has("weather") {
            (6.0, 1.0)
        } else {
            (0.0, 0.0)
        },
    };

    if has("speed") || arguments.is_empty() {
        speed();
    }

    let started = Instant::now();
    let counted = parallel((years * 5.0) as u64, |seed| quiet_fifth(seed, options));
    let mut sums = [0_u32; 9];
    let mut raised = 0;
    for (counts, r) in &counted {
        raised += r;
        for (s, c) in sums.iter_mut().zip(counts) {
            *s += c;
        }
    }
    println!("limit {:.4}", prepare(0, options).1.limit());
    println!(
        "false alarms asked for {} a year, found {:.2} a year ({raised} in {years} years, {:.0} s)",
        options.asked,
        f64::from(raised) / years,
        started.elapsed().as_secs_f64()
    );
    for (o, s) in OFFSETS.iter().zip(sums) {
        println!("  limit {o:+.2}: {:.2} a year", f64::from(s) / years);
    }

    let found: Vec<Vec<f64>> = parallel(runs, |s| delays(1_000_000 + s, options))
        .into_iter()
        .flatten()
        .collect();
    for (i, rate) in RATES.iter().enumerate() {
        let mut delays: Vec<f64> = found.iter().filter_map(|f| f.get(i).copied()).collect();
        let share = delays.iter().filter(|d| d.is_finite()).count() as f64 / delays.len() as f64;
        println!(
            "{rate} kg/day: found within 24 h {:.1} %, delay median {:.2} h, 90 % {:.2} h",
            100.0 * share,
            quantile(&mut delays, 0.5),
            quantile(&mut delays, 0.9)
        );
    }
}

/// Time of the calls that the engine makes.
fn speed() {
    let (mut plant, mut detector) = prepare(
        7,
        Options {
            known: true,
            asked: 1.0,
            wave: true,
            step_s: 60.0,
            weather: (0.0, 0.0),
        },
    );
    let from = plant.index;
    let values: Vec<f64> = (0..100_000).map(|_| plant.next().1).collect();
    let start = Instant::now();
    for (i, y) in values.iter().enumerate() {
        detector.feed((from + i) as f64 * 60.0, *y, &[]);
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
