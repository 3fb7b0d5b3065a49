//! What is said of one scope's loss (the plant's or an area's), kept up to date step by step: the
//! noise found, the sequential test, the rate, and the onset of a loss that stands.

use serde::{Deserialize, Serialize};

use super::detect::{Detection, Detector, DetectorSettings};
use super::distribution::normal_quantile;
use super::filter::{FilterState, LossFilter};
use super::grid::GridSeries;
use super::leak::{self, Onset, OnsetEstimate};
use super::noise::{self, NoiseModel, NoiseSettings};
use super::report::{ExcessLoss, LossRate};
use super::series::{LossSeries, LossSettings};
use super::window::GRID;
use crate::time::Span;

/// Longest stretch a rate is estimated over.
pub(super) const RATE_OVER: Span = Span::from_millis(7 * 86_400_000);

/// The noise is found anew this often, in steps of the grid (six hours).
const NOISE_EVERY: u32 = 36;

/// Steps from which on that of a metered area is found once a day.
const NOISE_DAILY_FROM: usize = 432;

/// Steps needed before noise is looked for.
const NOISE_FROM: usize = 72;

/// While a loss stands, its onset and size are found anew this often, in steps of the grid.
const REFINE_EVERY: u32 = 6;

/// A loss that the sequential test found stands once the series as a whole shows it with so many
/// standard uncertainties. The test takes each sample as it comes and has a young onset for two that lie
/// low; the fit of the whole, which is robust, has then nothing to show.
const CONFIRMED: f64 = 4.0;

/// A loss held over a jump is over when its size is less than so many of its uncertainties.
const STILL_SEEN: f64 = 2.0;

/// Longest stretch that the onset of a standing loss is looked for in.
pub(super) const ONSET_OVER: Span = Span::from_millis(14 * 86_400_000);

/// What is held as normal for a scope, and what its series was corrected with.
pub(super) struct Frame<'a> {
    pub series: &'a GridSeries,
    pub settings: LossSettings,
    pub false_alarms_per_year: f64,
    /// Ledger entries that the series was corrected with; another number means another series.
    pub booked: usize,
    /// What restatements have added so far, kg.
    pub restated_kg: f64,
    /// Meters' noise that sums up in it, kg2/s.
    pub walk_kg2_per_s: f64,
    /// What its instruments are stated to add to slow noise, kg2 s (see [`slow_kg2_s`]).
    ///
    /// [`slow_kg2_s`]: super::tally::slow_kg2_s
    pub slow_kg2_s: f64,
    /// By what factor the slow noise of a mean over days is larger than what the data and the
    /// instruments tell; 1 where nothing else is to be expected.
    pub beyond_stated: f64,
}

/// What is said of one scope's loss.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Judgement {
    noise: Option<NoiseModel>,
    steps_since_noise: u32,
    /// By how many steps its noise is found later than another's.
    turn: u32,
    noise_due: bool,
    /// Ledger entries at that time.
    noise_booked: usize,
    watch: Option<Watch>,
    /// A loss that stood when an unknown amount came or went: the sequential test begins anew then,
    /// so the whole series is asked whether it goes on.
    held: Option<Detection>,
    refined: Option<(u32, OnsetEstimate)>,
}

/// The sequential test, with what it was built on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Watch {
    detector: Detector,
    /// The rate that goes with it.
    filter: Option<LossFilter>,
    /// What the filter knew after the last sample.
    now: Option<FilterState>,
    booked: usize,
    restated_kg: f64,
}

impl Judgement {
    /// One that finds its noise in its turn, so that many kept side by side do not all do so at the
    /// same step.
    pub fn in_turn(turn: u32) -> Self {
        Self {
            turn: turn % NOISE_EVERY,
            ..Self::default()
        }
    }

    /// Takes the series with its newest step; true when the onset of a standing loss was looked for.
    pub fn step(&mut self, frame: &Frame) -> bool {
        // An entry booked late had left its helium in the noise: find that anew at once.
        if self.noise_booked != frame.booked {
            self.noise_booked = frame.booked;
            self.noise_due = true;
        }
        self.find_noise(frame);
        self.watch(frame);
        self.refine(frame)
    }

    /// The noise found; none before there is enough of the series.
    pub fn noise(&self) -> Option<&NoiseModel> {
        self.noise.as_ref()
    }

    /// Variance above which a mass carried forward is no measurement of a loss, kg2.
    pub fn most_carried_kg2(&self) -> f64 {
        self.noise.as_ref().map_or(f64::INFINITY, |noise| {
            let found = &noise.parameters;
            found.white_std_kg * found.white_std_kg
                + found.correlated_std_kg * found.correlated_std_kg
        })
    }

    /// The loss rate and the level as the filter knows them now: a rate that follows a loss within
    /// a day or two, beside the mean over a week.
    pub fn now(&self) -> Option<&FilterState> {
        self.watch.as_ref()?.now.as_ref()
    }

    /// Onset and size of the loss that stands.
    pub fn onset(&self) -> Option<&OnsetEstimate> {
        self.refined.as_ref().map(|(_, found)| found)
    }

    /// Finds the noise from the last days. While a loss stands its onset is in the model, since a
    /// bend that is not looks like slow noise; until the onset is known the old noise holds.
    fn find_noise(&mut self, frame: &Frame) {
        let series = frame.series;
        self.steps_since_noise += 1;
        let standing = self.standing().is_some();
        let onset_s = match &self.refined {
            Some((_, found)) if standing => Some(found.onset_s),
            _ => None,
        };
        let known = !standing || onset_s.is_some();
        let first = self.noise.is_none();
        // What it rests on hardly changes any more once some days are known, but a metered area is
        // one of many.
        let metered = frame.walk_kg2_per_s > 0.0 && series.mass_kg.len() >= NOISE_DAILY_FROM;
        let every = if metered {
            4 * NOISE_EVERY
        } else {
            NOISE_EVERY
        };
        let due = first || (known && (self.steps_since_noise >= every || self.noise_due));
        let turn = usize::try_from(self.turn).unwrap_or(0);
        if due && series.mass_kg.len() >= NOISE_FROM + if first { turn } else { 0 } {
            self.fit_noise(frame, onset_s);
        }
    }

    fn fit_noise(&mut self, frame: &Frame, onset_s: Option<f64>) {
        let series = frame.series;
        self.steps_since_noise = 0;
        self.noise_due = false;
        // With the onset known the window may be as long as that of the size.
        let over = onset_s.map_or(RATE_OVER, |_| ONSET_OVER);
        let past = self.past_loss();
        series.with(over, |window| {
            let bends = inside(window, onset_s.into_iter().chain(past));
            let window = LossSeries {
                bends_s: &bends,
                ..*window
            };
            // Without a fit the last one stands; too little data is no fault.
            let settings = NoiseSettings {
                stated_slow_kg2_s: frame.slow_kg2_s,
                ..NoiseSettings::default()
            };
            if let Ok(mut found) = noise::fit(&window, &settings, self.noise.as_ref()) {
                sum_up(&mut found, frame.walk_kg2_per_s);
                self.noise = Some(found);
            }
        });
    }

    /// Onset and end of the last loss that is over.
    fn past_loss(&self) -> impl Iterator<Item = f64> + use<> {
        let ended = self.watch.as_ref().and_then(|w| w.detector.ended());
        ended.into_iter().flat_map(|(onset, end)| [onset, end])
    }

    /// The loss that stands.
    pub fn standing(&self) -> Option<Detection> {
        self.watch
            .as_ref()
            .and_then(|watch| watch.detector.standing())
            .or(self.held)
    }

    /// Keeps a loss standing over a jump, which the sequential test cannot see across.
    fn hold(&mut self, stood: Option<Detection>, series: &GridSeries) {
        let test = self.watch.as_ref().map(|watch| &watch.detector);
        if test.is_some_and(|detector| detector.standing().is_some()) {
            self.held = None;
        } else if let Some(stood) = stood
            && series.jumps_after(stood.onset_s)
        {
            self.held = Some(stood);
        }
    }

    /// Feeds the newest sample to the sequential test. A late ledger entry or another shape of the
    /// noise changes samples that it has seen: it is then built anew from the whole series.
    fn watch(&mut self, frame: &Frame) {
        let Some(noise) = &self.noise else {
            return;
        };
        let series = frame.series;
        let stood = self.standing();
        if let Some(watch) = &mut self.watch
            && watch.booked == frame.booked
            && watch.restated_kg == frame.restated_kg
        {
            let new = self.steps_since_noise == 0;
            if let Some(filter) = watch.filter.as_mut().filter(|_| new)
                && filter.set_noise(noise.clone()).is_err()
            {
                (watch.filter, watch.now) = series.filtered(noise);
            }
            if !new || watch.detector.set_noise(noise.clone()).is_ok() {
                series.feed_last(&mut watch.detector, watch.filter.as_mut(), &mut watch.now);
                self.hold(stood, series);
                return;
            }
        }
        let accepted = frame.settings;
        let settings = DetectorSettings {
            accepted_kg_per_s: accepted.accepted_kg_per_s,
            accepted_std_kg_per_s: accepted.accepted_std_kg_per_s,
            false_alarms_per_year: frame.false_alarms_per_year,
            ..DetectorSettings::default()
        };
        let detector = Detector::new(settings, noise.clone(), series.regressors(), series.start_s);
        self.watch = detector.ok().map(|detector| {
            let mut detector = detector.with_regressor_stds(&series.stds());
            series.feed_all(&mut detector);
            if let Some(stood) = stood {
                detector.carry_on(&stood);
            }
            let (filter, now) = series.filtered(noise);
            Watch {
                detector,
                filter,
                now,
                booked: frame.booked,
                restated_kg: frame.restated_kg,
            }
        });
        self.hold(stood, series);
    }

    /// Finds onset and size of a standing loss from the whole series; until that shows it, with every
    /// step. The first time the noise is found anew with the onset in the model: the one at hand took the
    /// loss for noise until now. True when there is another estimate.
    fn refine(&mut self, frame: &Frame) -> bool {
        if self.standing().is_none() {
            self.refined = None;
            return false;
        }
        if let Some((age, _)) = &mut self.refined {
            *age += 1;
            if *age < REFINE_EVERY {
                return false;
            }
        }
        let mut found = self.find_onset(frame);
        let shown = |found: &OnsetEstimate, least: f64| found.significance >= least;
        if self.held.is_some() && !found.as_ref().is_some_and(|found| shown(found, STILL_SEEN)) {
            self.held = None;
            self.refined = None;
            return false;
        }
        if self.refined.is_none() {
            found = found.filter(|found| shown(found, CONFIRMED));
            if let Some(first) = &found {
                self.fit_noise(frame, Some(first.onset_s));
                if let (Some(watch), Some(noise)) = (&mut self.watch, &self.noise)
                    && watch.detector.set_noise(noise.clone()).is_err()
                {
                    // Of another shape: built anew with the next sample.
                    self.watch = None;
                }
                found = self
                    .find_onset(frame)
                    .filter(|found| shown(found, CONFIRMED));
            }
        }
        self.refined = found.map(|found| (0, found)).or(self.refined.take());
        self.refined.is_some()
    }

    /// Onset and size of a loss from the whole series.
    fn find_onset(&self, frame: &Frame) -> Option<OnsetEstimate> {
        let noise = self.noise.as_ref()?;
        frame.series.with(ONSET_OVER, |window| {
            let bends = inside(window, self.past_loss());
            let window = LossSeries {
                bends_s: &bends,
                ..*window
            };
            let found = leak::estimate_with_onset(&window, noise, &frame.settings, Onset::Unknown);
            // A standing loss is none that the helium gained.
            found.ok().filter(|found| found.excess_kg_per_s > 0.0)
        })
    }

    /// The mean loss rate over the last days, also where it changed within them.
    pub fn rate(&self, frame: &Frame) -> Option<LossRate> {
        let noise = self.noise.as_ref()?;
        let wider = slower(noise, frame.beyond_stated);
        let (found, over) = frame.series.with(RATE_OVER, |window| {
            let bent: Vec<Vec<f64>> =
                inside(window, self.onset().map(|found| found.onset_s).into_iter())
                    .into_iter()
                    .map(|at_s| bend_without_mean(window, at_s))
                    .collect();
            let regressors: Vec<&[f64]> = (window.regressors.iter().copied())
                .chain(bent.iter().map(Vec::as_slice))
                .collect();
            let stds: Vec<f64> = (window.regressor_stds.iter().copied())
                .chain(bent.iter().map(|_| f64::INFINITY))
                .collect();
            let window = LossSeries {
                regressors: &regressors,
                regressor_stds: &stds,
                ..*window
            };
            (
                leak::estimate(&window, &wider, &frame.settings).ok(),
                Span::from_seconds(window.span_s()),
            )
        });
        let found = found?;
        Some(LossRate {
            over,
            rate_kg_per_s: found.rate_kg_per_s,
            std_kg_per_s: found.std_uncertainty_kg_per_s,
            decision_threshold_kg_per_s: found.decision_threshold_kg_per_s,
            detection_limit_kg_per_s: found.detection_limit_kg_per_s,
            white_std_kg: noise.parameters.white_std_kg,
            correlated_std_kg: noise.parameters.correlated_std_kg,
            correlation_time_s: noise.parameters.correlation_time_s,
            daily_wave_kg: found.wave_amplitude_kg,
        })
    }

    /// What is lost beyond the accepted loss, as far as it is shown.
    pub fn excess(&self, frame: &Frame, rate: Option<&LossRate>) -> Option<ExcessLoss> {
        let at = |seconds: f64| frame.series.utc_at(seconds);
        let Some((age, found)) = &self.refined else {
            // The test must have something to say before it can say "no".
            self.watch.as_ref()?.detector.significance()?;
            let accepted = frame.settings.accepted_std_kg_per_s;
            let rate = rate?;
            return Some(ExcessLoss {
                raised: false,
                since: None,
                since_band: None,
                excess_kg_per_s: rate.rate_kg_per_s - frame.settings.accepted_kg_per_s,
                std_kg_per_s: libm::hypot(rate.std_kg_per_s, accepted),
                lost_kg: 0.0,
                lost_std_kg: 0.0,
            });
        };
        // A step is known by its end and stands for its middle: what seems to begin then began half a
        // step before, and what was lost until then goes on for another half.
        let half_s = 0.5 * GRID.seconds();
        let found_s = f64::from(*age) * GRID.seconds() + half_s;
        let lasted_s = (frame.series.end_s() - found.onset_s + half_s).max(half_s);
        let wander_kg = self
            .noise
            .as_ref()
            .map_or(0.0, |noise| wander_kg(noise, Span::from_seconds(lasted_s)));
        let (from, to) = found.onset_band_95_s;
        let off_s = normal_quantile(0.975) * wander_kg / found.excess_kg_per_s;
        let earlier_s = libm::hypot(found.onset_s - from, off_s);
        let later_s = libm::hypot(to - found.onset_s, off_s);
        let onset_s = found.onset_s - half_s;
        let latest_s = (onset_s + later_s).min(frame.series.end_s());
        let (from, to) = (at(onset_s - earlier_s), at(latest_s));
        let lost_std_kg =
            found.lost_std_uncertainty_kg * lasted_s / (lasted_s - found_s).max(half_s);
        Some(ExcessLoss {
            raised: true,
            since: at(onset_s),
            since_band: from.zip(to),
            excess_kg_per_s: found.excess_kg_per_s,
            std_kg_per_s: found.std_uncertainty_kg_per_s,
            lost_kg: found.lost_kg + found.excess_kg_per_s * found_s,
            lost_std_kg: libm::hypot(lost_std_kg, wander_kg),
        })
    }
}

/// A noise whose slow part (variance times time) is larger by a factor, its quick part (variance over
/// time) as it is.
fn slower(noise: &NoiseModel, factor: f64) -> NoiseModel {
    let mut slower = noise.clone();
    slower.parameters.correlation_time_s *= libm::sqrt(factor);
    slower.parameters.correlated_std_kg *= libm::sqrt(libm::sqrt(factor));
    slower
}

/// How far a series has wandered since a loss began beside the noise found in it, as a standard
/// deviation, kg. A mass is wrong by what nobody describes too (clouds for days, a holdup, a lag), in step
/// with the plant's day: taken as half as large as the correlated noise found and forgotten in two days.
/// A record of a week or two hardly shows it, since level, rate and loss are fitted to the same days; and
/// it shows most in what was lost and since when.
///
/// **Source** sizes: common practice, no source; held against the score's plant, which has such errors.
fn wander_kg(noise: &NoiseModel, since: Span) -> f64 {
    const SHARE: f64 = 0.5;
    const TIME_S: f64 = 2.0 * 86_400.0;
    let wanders = SHARE * noise.parameters.correlated_std_kg;
    wanders * libm::sqrt(-2.0 * libm::expm1(-since.seconds() / TIME_S))
}

/// A bend at a time that takes nothing away over the window as a whole, kg for a change of 1 kg/day: with
/// it in the fit the rate is the mean over the window, which a straight line through a bend is not.
fn bend_without_mean(window: &LossSeries, at_s: f64) -> Vec<f64> {
    let span_s = window.span_s();
    let share = 1.0 - (at_s - window.start_s) / span_s;
    (0..window.mass_kg.len())
        .map(|i| window.time_s(i))
        .map(|time_s| {
            ((time_s - window.start_s) * share - (time_s - at_s).max(0.0)) / Span::DAY.seconds()
        })
        .collect()
}

/// Those times that lie inside a window.
fn inside(window: &LossSeries, times: impl Iterator<Item = f64>) -> Vec<f64> {
    let from = window.start_s;
    let to = from + window.span_s();
    times.filter(|at| *at > from && *at < to).collect()
}

/// Adds the noise of meters to what was found: summed up, it wanders without bound, ever slower, and
/// what few days show of that is mostly taken for a trend. Its size is known from the meters. In a
/// slope over a time t, a wander of q2 a second has the variance 1.2 q2/t, correlated noise of
/// variance s2 and time T has 24 s2 T/t3 (both for t much longer than T): where the wander is the
/// larger over three days, a slow correlated noise that grows alike stands for both; otherwise what
/// was found is enlarged.
fn sum_up(noise: &mut NoiseModel, walk_kg2_per_s: f64) {
    const THREE_DAYS_S: f64 = 3.0 * 86_400.0;
    if walk_kg2_per_s.is_nan() || walk_kg2_per_s <= 0.0 {
        return;
    }
    let found = &mut noise.parameters;
    let variance = found.correlated_std_kg * found.correlated_std_kg;
    let of_noise = 24.0 * variance * found.correlation_time_s;
    let of_walk = 1.2 * walk_kg2_per_s * THREE_DAYS_S * THREE_DAYS_S;
    if of_walk > of_noise {
        found.correlation_time_s = THREE_DAYS_S;
        found.correlated_std_kg = libm::sqrt(0.5 * walk_kg2_per_s * THREE_DAYS_S);
    } else {
        found.correlated_std_kg *= libm::sqrt(1.0 + of_walk / of_noise);
    }
}

/// Variance of the difference of two averages that far apart, as the noise found has it, kg2.
pub(super) fn difference_kg2(noise: &NoiseModel, apart: Span) -> f64 {
    let found = &noise.parameters;
    let forgotten = 1.0 - libm::exp(-apart.seconds() / found.correlation_time_s);
    let white = found.white_std_kg * found.white_std_kg;
    let correlated = found.correlated_std_kg * found.correlated_std_kg;
    let wave = noise.wave_amplitude_kg() * libm::sin(std::f64::consts::PI * apart.days());
    2.0 * (white + correlated * forgotten) + 2.0 * wave * wave
}
