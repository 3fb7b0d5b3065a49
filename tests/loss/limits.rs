//! The model whose limits are known: 10,000 kg, white noise of 5 kg a minute, correlated noise of
//! 2 kg over an hour; with weather on top if wanted. Means of ten minutes are what the engine sees.

use coldledger::balance::detect::{Detector, DetectorSettings, Verdict};
use coldledger::balance::leak::estimate;
use coldledger::balance::noise::{NoiseModel, NoiseSettings, fit};
use coldledger::balance::series::{LossSeries, LossSettings};
use coldledger::balance::whiten::NoiseParameters;

use super::synthetic::{DAY, Dice};

/// What the generalised likelihood ratio reaches that is told the noise, its level learned from
/// seven days: Monte Carlo over 200 years and 400 runs, on a grid of one minute.
pub struct Ideal {
    pub smallest_kg_per_day: f64,
    /// Loss in kg/day, and median delay in h.
    pub delays_h: [(f64, f64); 2],
    /// Cramer-Rao bound of a slope over 24 h with a free level, kg/day.
    pub bound_kg_per_day: f64,
}

pub const IDEAL: Ideal = Ideal {
    smallest_kg_per_day: 6.2,
    delays_h: [(50.0, 4.05), (200.0, 1.23)],
    bound_kg_per_day: 1.868,
};

const WHITE_KG: f64 = 5.0;
const CORRELATED_KG: f64 = 2.0;
const CORRELATION_S: f64 = 3600.0;

#[derive(Debug, Clone, Copy)]
pub struct Options {
    /// Told the noise.
    pub known: bool,
    /// False alarms a year asked for.
    pub asked: f64,
    /// A daily wave in the model of the series.
    pub wave: bool,
    pub step_s: f64,
    pub weather: bool,
}

impl Options {
    pub fn per_day(self) -> usize {
        (DAY / self.step_s) as usize
    }
}

/// An endless series of the model, averaged to a grid.
#[derive(Clone)]
pub struct Plant {
    dice: Dice,
    ar: f64,
    index: usize,
    minutes: usize,
    weather: Option<Weather>,
}

pub struct Sample {
    pub time_s: f64,
    pub mass_kg: f64,
    /// Rate and bend of the outdoor thermometers; nothing without weather.
    pub regressors: Vec<f64>,
}

/// Outdoor gas whose thermometers lag by an hour: its temperature has a daily wave of varying size
/// and slow weather; the mass reckoned from it is wrong in proportion to what they lag behind.
#[derive(Clone)]
struct Weather {
    minute: usize,
    /// Change of the two quadratures of the daily wave, of mean size 5 K.
    wander_k: [f64; 2],
    /// Each of these again without the front's smoothing, then the slow weather's.
    rough_k: [f64; 3],
    slow_k: f64,
    thermometer_k: Option<f64>,
    /// Means of the thermometer over steps of the grid, newest last.
    past_k: Vec<f64>,
    steps_in_two_hours: usize,
}

impl Weather {
    const WAVE_K: f64 = 5.0;
    const WANDER_K: f64 = 0.75;
    const MEMORY_S: f64 = 2.0 * DAY;
    const SLOW_K: f64 = 3.0;
    /// Fronts take half a day.
    const FRONT_S: f64 = 0.5 * DAY;
    const LAG_S: f64 = 3600.0;

    /// kg of false mass for each K of lag: 20 kg for the mean wave.
    fn kg_per_k() -> f64 {
        let x = std::f64::consts::TAU / DAY * Self::LAG_S;
        20.0 * (1.0 + x * x).sqrt() / (x * Self::WAVE_K)
    }

    /// The false mass after another minute, and the thermometer.
    fn minute(&mut self, dice: &mut Dice) -> (f64, f64) {
        let rho = libm::exp(-60.0 / Self::MEMORY_S);
        let new = (1.0 - rho * rho).sqrt();
        let share = -libm::expm1(-60.0 / Self::FRONT_S);
        let [sine_k, cosine_k] = &mut self.wander_k;
        let smooth = [sine_k, cosine_k, &mut self.slow_k];
        let sizes = [Self::WANDER_K, Self::WANDER_K, Self::SLOW_K];
        for ((rough, smooth), size) in self.rough_k.iter_mut().zip(smooth).zip(sizes) {
            *rough = rho * *rough + size * new * dice.normal();
            *smooth += (*rough - *smooth) * share;
        }
        let (sine, cosine) = libm::sincos(std::f64::consts::TAU * self.minute as f64 / 1440.0);
        self.minute += 1;
        let gas =
            (Self::WAVE_K + self.wander_k[0]) * sine + self.wander_k[1] * cosine + self.slow_k;
        let thermometer = self.thermometer_k.unwrap_or(gas);
        let thermometer = thermometer + (gas - thermometer) * -libm::expm1(-60.0 / Self::LAG_S);
        self.thermometer_k = Some(thermometer);
        (Self::kg_per_k() * (gas - thermometer), thermometer)
    }

    /// The regressors that the engine would use: see `Courses` of the book of losses.
    fn regressors(&mut self, thermometer_k: f64) -> Vec<f64> {
        let part = self.steps_in_two_hours;
        self.past_k.push(thermometer_k);
        if self.past_k.len() > 3 * part {
            self.past_k.remove(0);
        }
        let mut means = self
            .past_k
            .chunks_exact(part)
            .map(|x| x.iter().sum::<f64>() / x.len() as f64);
        let (Some(oldest), Some(before), Some(now)) = (means.next(), means.next(), means.next())
        else {
            return vec![f64::NAN; 2];
        };
        vec![(now - before) / 2.0, (now - 2.0 * before + oldest) / 4.0]
    }
}

impl Plant {
    pub fn new(seed: u64, options: Options) -> Self {
        let mut dice = Dice::new(seed);
        let ar = dice.normal() * CORRELATED_KG;
        let weather = options.weather.then(|| Weather {
            minute: 0,
            wander_k: [0.0; 2],
            rough_k: [Weather::WANDER_K, Weather::WANDER_K, Weather::SLOW_K]
                .map(|size| size * dice.normal()),
            slow_k: 0.0,
            thermometer_k: None,
            past_k: Vec::new(),
            steps_in_two_hours: (7200.0 / options.step_s) as usize,
        });
        Self {
            dice,
            ar,
            index: 0,
            minutes: (options.step_s / 60.0) as usize,
            weather,
        }
    }

    pub fn index(&self) -> usize {
        self.index
    }

    pub fn next(&mut self) -> Sample {
        let phi = libm::exp(-60.0 / CORRELATION_S);
        let new = CORRELATED_KG * (1.0 - phi * phi).sqrt();
        let (mut sum, mut thermometer) = (0.0, 0.0);
        for _ in 0..self.minutes {
            sum += self.ar + WHITE_KG * self.dice.normal();
            self.ar = phi * self.ar + new * self.dice.normal();
            if let Some(weather) = &mut self.weather {
                let (kg, k) = weather.minute(&mut self.dice);
                sum += kg;
                thermometer += k;
            }
        }
        let n = self.minutes as f64;
        self.index += 1;
        Sample {
            time_s: (self.index - 1) as f64 * 60.0 * n,
            mass_kg: 10_000.0 + sum / n,
            regressors: self
                .weather
                .as_mut()
                .map(|w| w.regressors(thermometer / n))
                .unwrap_or_default(),
        }
    }
}

fn noise_of(samples: &[Sample], options: Options) -> NoiseModel {
    if options.known {
        let parameters = NoiseParameters {
            white_std_kg: WHITE_KG * (60.0 / options.step_s).sqrt(),
            correlated_std_kg: CORRELATED_KG,
            correlation_time_s: CORRELATION_S,
            wave_std_kg: 0.0,
        };
        return NoiseModel::known(parameters, options.step_s, options.wave).unwrap();
    }
    with_series(samples, options, |series| {
        fit(
            series,
            &NoiseSettings {
                daily_wave: options.wave,
                ..NoiseSettings::default()
            },
            None,
        )
        .unwrap()
    })
}

fn with_series<R>(samples: &[Sample], options: Options, f: impl FnOnce(&LossSeries<'_>) -> R) -> R {
    let mass: Vec<f64> = samples.iter().map(|s| s.mass_kg).collect();
    let count = samples.first().map_or(0, |s| s.regressors.len());
    let regressors: Vec<Vec<f64>> = (0..count)
        .map(|j| samples.iter().map(|s| s.regressors[j]).collect())
        .collect();
    let regressors: Vec<&[f64]> = regressors.iter().map(Vec::as_slice).collect();
    f(&LossSeries {
        start_s: samples[0].time_s,
        step_s: options.step_s,
        mass_kg: &mass,
        regressors: &regressors,
        ..LossSeries::default()
    })
}

/// A plant and its detector, whose noise was estimated from seven quiet days (or is known), after
/// eleven days.
pub fn prepare(seed: u64, options: Options) -> (Plant, Detector) {
    let mut plant = Plant::new(seed, options);
    let quiet: Vec<Sample> = (0..7 * options.per_day()).map(|_| plant.next()).collect();
    let settings = DetectorSettings {
        false_alarms_per_year: options.asked,
        ..DetectorSettings::default()
    };
    let regressors = quiet[0].regressors.len();
    let mut detector = Detector::new(settings, noise_of(&quiet, options), regressors, 0.0).unwrap();
    for s in &quiet {
        detector.feed(s.time_s, s.mass_kg, &s.regressors);
    }
    for _ in 0..4 * options.per_day() {
        let s = plant.next();
        detector.feed(s.time_s, s.mass_kg, &s.regressors);
    }
    (plant, detector)
}

/// Shifts of the limit for which false alarms are counted besides.
pub const OFFSETS: [f64; 9] = [-1.5, -1.2, -0.9, -0.6, -0.3, -0.15, 0.0, 0.15, 0.3];
/// The shift at which the ages of onsets are looked at.
pub const LOW: f64 = -0.6;

pub struct Quiet {
    /// False alarms for shifted limits.
    pub shifted: [u32; 9],
    /// Age of the onset of each alarm as raised, and of each at the shift `LOW`, h.
    pub ages_h: Vec<f64>,
    pub low_ages_h: Vec<f64>,
}

/// False alarms in a fifth of a year.
pub fn quiet_fifth(seed: u64, options: Options) -> Quiet {
    let (mut plant, mut detector) = prepare(seed, options);
    let mut found = Quiet {
        shifted: [0; 9],
        ages_h: Vec::new(),
        low_ages_h: Vec::new(),
    };
    let mut standing = [false; 9];
    for _ in 0..73 * options.per_day() {
        let s = plant.next();
        if let Verdict::Raised(d) = detector.feed(s.time_s, s.mass_kg, &s.regressors) {
            found.ages_h.push((d.raised_s - d.onset_s) / 3600.0);
        }
        let Some((z, limit)) = detector.significance() else {
            continue;
        };
        for ((n, up), o) in found.shifted.iter_mut().zip(&mut standing).zip(OFFSETS) {
            if z > limit + o && !*up {
                *up = true;
                *n += 1;
                if o == LOW
                    && let Some(age_s) = detector.likeliest_age_s()
                {
                    found.low_ages_h.push(age_s / 3600.0);
                }
            } else if z < limit + o - 2.0 {
                *up = false;
            }
        }
    }
    found
}

pub fn parallel<T: Send>(jobs: u64, work: impl Fn(u64) -> T + Sync) -> Vec<T> {
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

const RATES: [f64; 10] = [50.0, 200.0, 4.5, 5.5, 6.0, 6.5, 7.0, 7.5, 8.0, 10.0];
const RATES_IN_WEATHER: [f64; 10] = [50.0, 200.0, 6.0, 7.0, 8.0, 9.0, 10.0, 12.0, 15.0, 20.0];

impl Options {
    /// Losses that are tried, kg/day.
    pub fn rates(self) -> [f64; 10] {
        if self.weather {
            RATES_IN_WEATHER
        } else {
            RATES
        }
    }
}

/// Hours until a loss of each of [`Options::rates`] (kg/day) is found; infinite when not within a day.
/// Nothing when an alarm stands before the loss begins. The loss begins at any minute of a step.
pub fn delays(seed: u64, options: Options) -> Option<Vec<f64>> {
    let (plant, detector) = prepare(seed, options);
    if detector.standing().is_some() {
        return None;
    }
    let mut dice = Dice::new(seed ^ 0x5eed);
    let found = options.rates().into_iter().map(|rate| {
        let (mut plant, mut detector) = (plant.clone(), detector.clone());
        let onset = (dice.uniform() * options.step_s / 60.0).floor() * 60.0;
        let mut i = 0.0;
        loop {
            let s = plant.next();
            // Mean over the step of what was lost by each minute of it.
            let (from, to) = (
                i * options.step_s - onset,
                (i + 1.0) * options.step_s - onset,
            );
            i += 1.0;
            if to > DAY {
                return f64::INFINITY;
            }
            let lost_s = if from >= 0.0 {
                0.5 * (from + to + 60.0)
            } else {
                0.5 * to * (to + 60.0) / options.step_s
            };
            let mass = s.mass_kg - rate * lost_s / DAY;
            if matches!(
                detector.feed(s.time_s, mass, &s.regressors),
                Verdict::Raised(_)
            ) {
                return to / 3600.0;
            }
        }
    });
    Some(found.collect())
}

pub fn quantile(values: &mut [f64], p: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[((values.len() as f64 - 1.0) * p).round() as usize]
}

/// The smallest loss that is found with probability `p`: a probit line through the shares found.
pub fn smallest(shares: &[(f64, f64)], p: f64) -> f64 {
    let mut shares: Vec<(f64, f64)> = shares.to_vec();
    shares.sort_by(|a, b| a.0.total_cmp(&b.0));
    let quantile = coldledger::balance::distribution::normal_quantile;
    let points: Vec<(f64, f64)> = shares
        .iter()
        .filter(|s| (0.3..=0.995).contains(&s.1))
        .map(|s| (s.0, quantile(s.1)))
        .collect();
    let n = points.len() as f64;
    let (mx, my) = (
        points.iter().map(|p| p.0).sum::<f64>() / n,
        points.iter().map(|p| p.1).sum::<f64>() / n,
    );
    let slope = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>()
        / points.iter().map(|p| (p.0 - mx) * (p.0 - mx)).sum::<f64>();
    mx + (quantile(p) - my) / slope
}

/// Mean stated standard uncertainty and true scatter, kg/day.
pub struct Errors {
    pub day: (f64, f64),
    pub week: (f64, f64),
}

/// Rates over a day after seven quiet days, and over those seven days.
pub fn errors_of_a_day(runs: u64, options: Options) -> Errors {
    let each = parallel(runs, |s| {
        let mut plant = Plant::new(2_000_000 + s, options);
        let samples: Vec<Sample> = (0..8 * options.per_day()).map(|_| plant.next()).collect();
        let (week, day) = samples.split_at(7 * options.per_day());
        let noise = noise_of(week, options);
        [day, week].map(|over| {
            with_series(over, options, |series| {
                let found = estimate(series, &noise, &LossSettings::default()).unwrap();
                (
                    found.std_uncertainty_kg_per_s * DAY,
                    found.rate_kg_per_s * DAY,
                )
            })
        })
    });
    let n = each.len() as f64;
    let of = |i: usize| {
        let stated = each.iter().map(|e| e[i].0).sum::<f64>() / n;
        let scatter = (each.iter().map(|e| e[i].1 * e[i].1).sum::<f64>() / n).sqrt();
        (stated, scatter)
    };
    Errors {
        day: of(0),
        week: of(1),
    }
}

/// Threshold for one false alarm a year, and smallest loss found within 24 h with 95 %, of the
/// likelihood ratio over the onset that is told the covariance of noise and weather; level and mean
/// daily wave are learned from seven days. Steps of ten minutes.
#[expect(clippy::too_many_lines, reason = "the ideal test in one piece")]
pub fn ideal_with_weather(years: f64, runs: u64) -> (f64, f64) {
    const STEPS: usize = 144;
    let history = 7 * STEPS;
    let windows: Vec<usize> = {
        let mut w: Vec<usize> = (0..24)
            .map(|i| (2.0 * libm::pow(216.0, f64::from(i) / 23.0)).round() as usize)
            .collect();
        w.dedup();
        w
    };
    let longest = history + windows[windows.len() - 1];
    // Covariances of means of ten minutes, by averaging those of minutes.
    let omega = std::f64::consts::TAU / DAY;
    let wander = smoothed_covariance(Weather::WANDER_K, omega);
    let slow = smoothed_covariance(Weather::SLOW_K, 0.0);
    let at_minute = |m: i64| {
        let s = m.unsigned_abs() as f64 * 60.0;
        let white = if m == 0 { WHITE_KG * WHITE_KG } else { 0.0 };
        let correlated = CORRELATED_KG * CORRELATED_KG * libm::exp(-s / CORRELATION_S);
        white + correlated + Weather::kg_per_k().powi(2) * (wander(s) + slow(s))
    };
    let covariance: Vec<f64> = (0..i64::try_from(longest).unwrap())
        .map(|lag| {
            (-9..=9)
                .map(|d: i64| (10 - d.abs()) as f64 * at_minute(10 * lag + d))
                .sum::<f64>()
                / 100.0
        })
        .collect();
    let filters: Vec<Vec<f64>> = windows
        .iter()
        .map(|&n| matched_filter(&covariance, history, n))
        .collect();
    let options = Options {
        known: true,
        asked: 1.0,
        wave: true,
        step_s: 600.0,
        weather: true,
    };
    let largest = |window: &[f64]| {
        filters
            .iter()
            .map(|f| {
                let y = &window[window.len() - f.len()..];
                f.iter().zip(y).map(|(a, b)| a * b).sum::<f64>()
            })
            .fold(f64::NEG_INFINITY, f64::max)
    };
    // False alarms at lower thresholds, and from them the threshold for one a year: a h exp(-h2/2).
    let lows = [3.6, 3.8, 4.0, 4.2];
    let counts = parallel((years * 5.0) as u64, |seed| {
        let mut plant = Plant::new(3_000_000 + seed, options);
        let y: Vec<f64> = (0..longest + 73 * STEPS)
            .map(|_| plant.next().mass_kg - 10_000.0)
            .collect();
        let (mut n, mut up) = ([0_u32; 4], [false; 4]);
        let last = filters[filters.len() - 1]
            .iter()
            .zip(&y[..longest])
            .map(|(a, b)| a * b)
            .sum::<f64>();
        for end in longest..y.len() {
            let z = largest(&y[end - longest..end]);
            for ((n, up), low) in n.iter_mut().zip(&mut up).zip(lows) {
                if z > low && !*up {
                    *up = true;
                    *n += 1;
                } else if z < low - 2.0 {
                    *up = false;
                }
            }
        }
        (n, last * last)
    });
    // What it is told is the truth: its agreements have unit variance without a loss.
    let variance = counts.iter().map(|c| c.1).sum::<f64>() / counts.len() as f64;
    println!(
        "  ideal test, variance of its longest agreement without a loss {variance:.3} +- {:.3}",
        (2.0 / counts.len() as f64).sqrt()
    );
    let factors: Vec<f64> = lows
        .iter()
        .enumerate()
        .map(|(i, h)| {
            let n: u32 = counts.iter().map(|c| c.0[i]).sum();
            f64::from(n) / years / (h * libm::exp(-0.5 * h * h))
        })
        .collect();
    println!("  ideal test, false alarms over h exp(-h2/2): {factors:.0?}");
    let factor = factors[1];
    let mut threshold = 4.0;
    for _ in 0..50 {
        threshold = libm::sqrt(2.0 * libm::log(factor * threshold));
    }
    let found = parallel(runs, |seed| {
        let mut plant = Plant::new(4_000_000 + seed, options);
        let y: Vec<f64> = (0..longest + STEPS)
            .map(|_| plant.next().mass_kg - 10_000.0)
            .collect();
        options.rates().map(|rate| {
            (1..=STEPS).any(|k| {
                let mut window = y[k..k + longest].to_vec();
                let from = longest - k;
                for (i, m) in window[from..].iter_mut().enumerate() {
                    *m -= rate * (i as f64 + 0.5) / STEPS as f64;
                }
                largest(&window) > threshold
            })
        })
    });
    let shares: Vec<(f64, f64)> = options
        .rates()
        .iter()
        .enumerate()
        .map(|(i, rate)| {
            let n = found.iter().filter(|f| f[i]).count() as f64;
            (*rate, n / found.len() as f64)
        })
        .collect();
    println!("  ideal test, share found: {shares:.3?}");
    (threshold, smallest(&shares, 0.95))
}

/// Covariance over time of what a thermometer lags behind a temperature, K2: white noise through a
/// memory of two days and a front of half a day, modulating a wave. Its spectrum is a sum of two of
/// first order about the wave, each of which the lag turns into one more.
fn smoothed_covariance(size_k: f64, omega: f64) -> impl Fn(f64) -> f64 {
    let [a, c, b] = [Weather::MEMORY_S, Weather::FRONT_S, Weather::LAG_S].map(|t| 1.0 / t);
    let scale = size_k * size_k * c * c / (c * c - a * a);
    move |s: f64| {
        [(scale, a), (-scale * a / c, c)]
            .iter()
            .map(|(amplitude, p)| {
                // With l = p - i omega: l (l exp(-l s) - b exp(-b s)) / (l2 - b2), its real part.
                let (x, y) = (p * p - omega * omega - b * b, -2.0 * p * omega);
                let (sine, cosine) = libm::sincos(omega * s);
                let wave = libm::exp(-p * s);
                let left = (wave * cosine, wave * sine);
                let u = (
                    p * left.0 + omega * left.1 - b * libm::exp(-b * s),
                    p * left.1 - omega * left.0,
                );
                let v = (p * u.0 + omega * u.1, p * u.1 - omega * u.0);
                amplitude * (v.0 * x + v.1 * y) / (x * x + y * y)
            })
            .sum()
    }
}

/// Weights whose product with a window is the normalised agreement with a loss over its last `n`
/// steps, level and daily wave (24 h) fitted beside it.
fn matched_filter(covariance: &[f64], history: usize, n: usize) -> Vec<f64> {
    let length = history + n;
    let column =
        |f: &dyn Fn(f64) -> f64| -> Vec<f64> { (0..length).map(|i| f(i as f64)).collect() };
    let omega = std::f64::consts::TAU / 144.0;
    let others = [
        column(&|_| 1.0),
        column(&|i| libm::sin(omega * i)),
        column(&|i| libm::cos(omega * i)),
    ];
    let ramp = column(&|i| -((i - history as f64 + 0.5).max(0.0)) / 144.0);
    let mut solved: Vec<Vec<f64>> = others.iter().map(|c| toeplitz(covariance, c)).collect();
    let mut weights = toeplitz(covariance, &ramp);
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    // Gram and Schmidt in the inverse covariance.
    let mut columns: Vec<Vec<f64>> = others.to_vec();
    for i in 0..3 {
        for j in 0..i {
            let f = dot(&solved[j], &columns[i]) / dot(&solved[j], &columns[j]);
            for k in 0..length {
                let (c, s) = (columns[j][k], solved[j][k]);
                columns[i][k] -= f * c;
                solved[i][k] -= f * s;
            }
        }
    }
    for (c, s) in columns.iter().zip(&solved) {
        let f = dot(s, &ramp) / dot(s, c);
        for (w, s) in weights.iter_mut().zip(s) {
            *w -= f * s;
        }
    }
    let norm = libm::sqrt(dot(&weights, &ramp));
    weights.iter().map(|w| w / norm).collect()
}

/// Solves a symmetric Toeplitz system (Levinson 1947).
fn toeplitz(r: &[f64], b: &[f64]) -> Vec<f64> {
    let n = b.len();
    let mut x = vec![b[0] / r[0]];
    let mut f = vec![1.0 / r[0]];
    for i in 1..n {
        let e: f64 = f.iter().enumerate().map(|(j, f)| f * r[i - j]).sum();
        let scale = 1.0 / (1.0 - e * e);
        let mut next = vec![0.0; i + 1];
        for j in 0..i {
            next[j] += scale * f[j];
            next[i - j] -= scale * e * f[j];
        }
        f = next;
        let ex: f64 = x.iter().enumerate().map(|(j, x)| x * r[i - j]).sum();
        let d = b[i] - ex;
        x.push(0.0);
        for (x, f) in x.iter_mut().zip(f.iter().rev()) {
            *x += d * f;
        }
    }
    x
}
