//! The book of losses: windows, rate and excess of one scope, brought up to date tick by tick.

use serde::{Deserialize, Serialize};

use super::detect::{Detection, Detector, DetectorSettings};
use super::filter::{FilterSettings, FilterState, LossFilter};
use super::leak::{self, Onset, OnsetEstimate};
use super::ledger::Ledger;
use super::noise::{self, NoiseModel, NoiseSettings};
use super::report::{ExcessLoss, LossRate, LossReport};
use super::series::{LossSeries, LossSettings};
use super::tally::{Tally, carried_kg2};
use super::window::{Average, GRID, MassHistory, TickMass, WINDOWS};
use crate::plant::Plant;
use crate::time::{Monotonic, Span, Timestamp};

/// Longest stretch a rate is estimated over.
const RATE_OVER: Span = Span::from_millis(7 * 86_400_000);

/// The noise is found anew this often, in steps of the grid (six hours).
const NOISE_EVERY: u32 = 36;

/// Steps needed before noise is looked for.
const NOISE_FROM: usize = 72;

/// While a loss stands, its onset and size are found anew this often, in steps of the grid.
const REFINE_EVERY: u32 = 6;

/// By how much the filter lets the rate change in a day, as a share of the noise a day: about what
/// the sequential test finds in two days, so that the rate follows a loss as soon as it is found
/// (common practice, no source).
const RATE_CHANGE_OF_NOISE_A_DAY: f64 = 0.5;

/// Longest stretch that the onset of a standing loss is looked for in.
const ONSET_OVER: Span = Span::from_millis(14 * 86_400_000);

/// Losses of one scope.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LossBook {
    history: MassHistory,
    noise: Option<NoiseModel>,
    steps_since_noise: u32,
    /// By how many steps this book's noise is found later than another's.
    turn: u32,
    /// Ledger entries at that time.
    noise_booked: usize,
    watch: Option<Watch>,
    refined: Option<(u32, OnsetEstimate)>,
    report: Option<LossReport>,
}

/// The sequential test, with what it was built on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Watch {
    detector: Detector,
    /// The rate that goes with it.
    filter: Option<LossFilter>,
    /// What the filter knew after the last sample.
    now: Option<FilterState>,
    /// Ledger entries that its series was corrected with; another number means another series.
    booked: usize,
    restated_kg: f64,
}

impl LossBook {
    /// A book that finds its noise in its turn, so that many books kept side by side do not all do so
    /// at the same tick.
    #[must_use]
    pub fn in_turn(turn: usize) -> Self {
        let turn = u32::try_from(turn % usize::try_from(NOISE_EVERY).unwrap_or(1)).unwrap_or(0);
        Self {
            turn,
            ..Self::default()
        }
    }

    /// Takes a tick; true when a step of the grid is complete and the report was renewed.
    pub fn tick(
        &mut self,
        plant: &Plant,
        ledger: &Ledger,
        tick: &TickMass,
        tally: impl FnOnce() -> Tally,
    ) -> bool {
        if self.history.tick(tick, tally).is_none() {
            return false;
        }
        let most_carried_kg2 = self.noise.as_ref().map_or(f64::INFINITY, |noise| {
            let found = &noise.parameters;
            found.white_std_kg * found.white_std_kg
                + found.correlated_std_kg * found.correlated_std_kg
        });
        let series = Series::gather(plant, &self.history, ledger, most_carried_kg2);
        // An entry booked late had left its helium in the noise: find that anew at once.
        if self.noise_booked != ledger.entries().len() {
            self.noise_booked = ledger.entries().len();
            self.steps_since_noise = NOISE_EVERY;
        }
        self.find_noise(series.as_ref());
        if let Some(series) = &series {
            self.watch(plant, ledger, series);
            self.refine(plant, series);
        }
        self.report = Some(self.make_report(plant, ledger, series.as_ref()));
        true
    }

    /// The reckoning changed by `kg` without helium moving.
    pub fn restate(&mut self, kg: f64) {
        self.history.restate(kg);
    }

    /// The last report.
    #[must_use]
    pub fn report(&self) -> Option<&LossReport> {
        self.report.as_ref()
    }

    /// The loss rate and the level as the filter knows them now: a rate that follows a loss within
    /// a day or two, beside the report's mean over a week.
    #[must_use]
    pub fn now(&self) -> Option<&FilterState> {
        self.watch.as_ref()?.now.as_ref()
    }

    /// The averages that it rests on.
    #[must_use]
    pub fn history(&self) -> &MassHistory {
        &self.history
    }

    /// Finds the noise from the last days. While a loss stands its onset is in the model, since a
    /// bend that is not looks like slow noise; until the onset is known the old noise holds.
    fn find_noise(&mut self, series: Option<&Series>) {
        self.steps_since_noise += 1;
        let standing = self.standing().is_some();
        let onset_s = match &self.refined {
            Some((_, found)) if standing => Some(found.onset_s),
            _ => None,
        };
        let known = !standing || onset_s.is_some();
        let first = self.noise.is_none();
        let due = first || (self.steps_since_noise >= NOISE_EVERY && known);
        let turn = usize::try_from(self.turn).unwrap_or(0);
        let from = NOISE_FROM + if first { turn } else { 0 };
        if let Some(series) = series.filter(|series| due && series.mass_kg.len() >= from) {
            self.fit_noise(series, onset_s);
        }
    }

    fn fit_noise(&mut self, series: &Series, onset_s: Option<f64>) {
        self.steps_since_noise = 0;
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
            let settings = NoiseSettings::default();
            if let Ok(found) = noise::fit(&window, &settings, self.noise.as_ref()) {
                self.noise = Some(found);
            }
        });
    }

    /// Onset and end of the last loss that is over.
    fn past_loss(&self) -> impl Iterator<Item = f64> + use<> {
        let ended = self.watch.as_ref().and_then(|w| w.detector.ended());
        ended.into_iter().flat_map(|(onset, end)| [onset, end])
    }

    fn standing(&self) -> Option<Detection> {
        self.watch
            .as_ref()
            .and_then(|watch| watch.detector.standing())
    }

    /// Feeds the newest sample to the sequential test. A late ledger entry or another shape of the
    /// noise changes samples that it has seen: it is then built anew from the whole series.
    fn watch(&mut self, plant: &Plant, ledger: &Ledger, series: &Series) {
        let Some(noise) = &self.noise else {
            return;
        };
        let booked = ledger.entries().len();
        let restated_kg = self.history.restated_kg();
        if let Some(watch) = &mut self.watch
            && watch.booked == booked
            && watch.restated_kg == restated_kg
        {
            let new = self.steps_since_noise == 0;
            if let Some(filter) = watch.filter.as_mut().filter(|_| new)
                && filter.set_noise(noise.clone()).is_err()
            {
                (watch.filter, watch.now) = series.filtered(noise);
            }
            if !new || watch.detector.set_noise(noise.clone()).is_ok() {
                series.feed_last(watch);
                return;
            }
        }
        let settings = DetectorSettings {
            accepted_kg_per_s: plant.site.accepted_loss.value.si(),
            accepted_std_kg_per_s: plant.site.accepted_loss.std,
            false_alarms_per_year: plant.site.false_alerts_per_year,
            ..DetectorSettings::default()
        };
        let detector = Detector::new(settings, noise.clone(), series.regressors(), series.start_s);
        let stood = self.standing();
        self.watch = detector.ok().map(|mut detector| {
            for at in 0..series.mass_kg.len() {
                series.feed(at, |time_s, mass_kg, weather| {
                    detector.feed(time_s, mass_kg, weather);
                });
            }
            if let Some(stood) = stood {
                detector.carry_on(&stood);
            }
            let (filter, now) = series.filtered(noise);
            Watch {
                detector,
                filter,
                now,
                booked,
                restated_kg,
            }
        });
    }

    /// Finds onset and size of a standing loss from the whole series. The first time the noise is
    /// found anew with the onset in the model: the one at hand took the loss for noise until now.
    fn refine(&mut self, plant: &Plant, series: &Series) {
        if self.standing().is_none() {
            self.refined = None;
            return;
        }
        if let Some((age, _)) = &mut self.refined {
            *age += 1;
            if *age < REFINE_EVERY {
                return;
            }
        }
        let first = self.refined.is_none();
        self.find_onset(plant, series);
        if first && let Some((_, found)) = &self.refined {
            let onset_s = found.onset_s;
            self.fit_noise(series, Some(onset_s));
            if let (Some(watch), Some(noise)) = (&mut self.watch, &self.noise)
                && watch.detector.set_noise(noise.clone()).is_err()
            {
                // Of another shape: built anew with the next sample.
                self.watch = None;
            }
            self.find_onset(plant, series);
        }
    }

    fn find_onset(&mut self, plant: &Plant, series: &Series) {
        let Some(noise) = &self.noise else {
            return;
        };
        let settings = settings(plant);
        let found = series.with(ONSET_OVER, |window| {
            let bends = inside(window, self.past_loss());
            let window = LossSeries {
                bends_s: &bends,
                ..*window
            };
            leak::estimate_with_onset(&window, noise, &settings, Onset::Unknown).ok()
        });
        self.refined = found.map(|found| (0, found)).or(self.refined.take());
    }

    fn make_report(&self, plant: &Plant, ledger: &Ledger, series: Option<&Series>) -> LossReport {
        let accepted = plant.site.accepted_loss;
        let windows = WINDOWS
            .iter()
            .filter_map(|&over| {
                let noise_kg2 = self.noise.as_ref().map(|noise| difference_kg2(noise, over));
                self.history.balance(plant, ledger, over, noise_kg2)
            })
            .collect();
        let rate = series.and_then(|series| self.rate(plant, series));
        let excess = series.and_then(|series| self.excess(plant, series, rate.as_ref()));
        LossReport {
            section: None,
            windows,
            rate,
            excess,
            accepted_kg_per_s: (accepted.value.si(), accepted.std),
        }
    }

    fn rate(&self, plant: &Plant, series: &Series) -> Option<LossRate> {
        let noise = self.noise.as_ref()?;
        let settings = settings(plant);
        let (found, over) = series.with(RATE_OVER, |window| {
            (
                leak::estimate(window, noise, &settings).ok(),
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

    fn excess(
        &self,
        plant: &Plant,
        series: &Series,
        rate: Option<&LossRate>,
    ) -> Option<ExcessLoss> {
        let at = |seconds: f64| series.utc_at(seconds);
        let Some(detection) = self.standing() else {
            // The test must have something to say before it can say "no".
            self.watch.as_ref()?.detector.significance()?;
            let accepted = plant.site.accepted_loss;
            let rate = rate?;
            return Some(ExcessLoss {
                raised: false,
                since: None,
                since_band: None,
                excess_kg_per_s: rate.rate_kg_per_s - accepted.value.si(),
                std_kg_per_s: libm::sqrt(
                    rate.std_kg_per_s * rate.std_kg_per_s + accepted.std * accepted.std,
                ),
                lost_kg: 0.0,
                lost_std_kg: 0.0,
            });
        };
        if let Some((_, found)) = &self.refined {
            return Some(ExcessLoss {
                raised: true,
                since: at(found.onset_s),
                since_band: at(found.onset_band_95_s.0).zip(at(found.onset_band_95_s.1)),
                excess_kg_per_s: found.excess_kg_per_s,
                std_kg_per_s: found.std_uncertainty_kg_per_s,
                lost_kg: found.lost_kg,
                lost_std_kg: found.lost_std_uncertainty_kg,
            });
        }
        let lasted_s = series.end_s() - detection.onset_s;
        Some(ExcessLoss {
            raised: true,
            since: at(detection.onset_s),
            since_band: at(detection.onset_band_95_s.0).zip(at(detection.onset_band_95_s.1)),
            excess_kg_per_s: detection.excess_kg_per_s,
            std_kg_per_s: detection.std_uncertainty_kg_per_s,
            lost_kg: detection.excess_kg_per_s * lasted_s,
            lost_std_kg: detection.std_uncertainty_kg_per_s * lasted_s,
        })
    }
}

fn settings(plant: &Plant) -> LossSettings {
    LossSettings {
        accepted_kg_per_s: plant.site.accepted_loss.value.si(),
        accepted_std_kg_per_s: plant.site.accepted_loss.std,
        ..LossSettings::default()
    }
}

/// Those times that lie inside a window.
fn inside(window: &LossSeries, times: impl Iterator<Item = f64>) -> Vec<f64> {
    let from = window.start_s;
    let to = from + window.span_s();
    times.filter(|at| *at > from && *at < to).collect()
}

/// Variance of the difference of two averages that far apart, as the noise found has it, kg2.
fn difference_kg2(noise: &NoiseModel, apart: Span) -> f64 {
    let found = &noise.parameters;
    let forgotten = 1.0 - libm::exp(-apart.seconds() / found.correlation_time_s);
    let white = found.white_std_kg * found.white_std_kg;
    let correlated = found.correlated_std_kg * found.correlated_std_kg;
    let wave = noise.wave_amplitude_kg() * libm::sin(std::f64::consts::PI * apart.days());
    2.0 * (white + correlated * forgotten) + 2.0 * wave * wave
}

/// The book-corrected mass on a regular grid.
struct Series {
    /// End of the first step, s of continuous time.
    start_s: f64,
    mass_kg: Vec<f64>,
    /// Rate and bend of the outdoor gas temperature, K/h and K/h2: a lagging thermometer's error
    /// follows them. None for a plant without outdoor gas.
    weather: Option<[Vec<f64>; 2]>,
    /// Last step, by both clocks.
    last: (Monotonic, Timestamp),
}

impl Series {
    /// The last thirty days; none while no average has wall time. A step of which more is carried
    /// forward than the noise is large misses: a frozen value is no measurement of a loss.
    fn gather(
        plant: &Plant,
        history: &MassHistory,
        ledger: &Ledger,
        most_carried_kg2: f64,
    ) -> Option<Self> {
        let averages = history.averages();
        let first = averages.front()?;
        let last = averages.back()?;
        let step = |average: &Average| average.at.0.div_euclid(GRID.millis());
        let steps = usize::try_from(step(last) - step(first)).ok()? + 1;
        // After a long standstill the grid would be mostly holes: only its end is of use.
        let skipped = steps.saturating_sub(super::window::KEPT);
        let mut mass_kg = vec![f64::NAN; steps - skipped];
        let mut outdoor = vec![f64::NAN; steps - skipped];
        let half = Span::from_millis(GRID.millis() / 2);
        let mut net_booked = ledger.net_booked();
        for average in averages {
            let at = usize::try_from(step(average) - step(first))
                .ok()
                .and_then(|at| at.checked_sub(skipped));
            let (Some(at), Some(utc)) = (at, average.utc) else {
                continue;
            };
            let booked = net_booked.up_to(utc - half);
            if let Some(mass) = mass_kg.get_mut(at)
                && carried_kg2(&average.by_cause) <= most_carried_kg2
            {
                *mass = average.mass_kg - average.restated_kg - booked;
            }
            if let Some(kelvin) = outdoor.get_mut(at) {
                *kelvin = average.outdoor_kelvin;
            }
        }
        let weather = plant
            .all
            .vessel
            .iter()
            .any(|vessel| vessel.outdoors)
            .then(|| rate_and_bend(&outdoor));
        #[expect(clippy::cast_precision_loss, reason = "a count of ten-minute steps")]
        let skipped_s = skipped as f64 * GRID.seconds();
        Some(Self {
            start_s: Span::from_millis(first.at.0).seconds() + skipped_s,
            mass_kg,
            weather,
            last: (last.at, last.utc?),
        })
    }

    /// Calls `f` with the last `over` of it.
    fn with<R>(&self, over: Span, f: impl FnOnce(&LossSeries) -> R) -> R {
        let wanted = usize::try_from(over.millis() / GRID.millis()).unwrap_or(0);
        let from = self.mass_kg.len().saturating_sub(wanted);
        let mass_kg = self.mass_kg.get(from..).unwrap_or(&[]);
        let regressors: Vec<&[f64]> = self
            .weather
            .iter()
            .flatten()
            .filter_map(|course| course.get(from..))
            .collect();
        f(&LossSeries {
            start_s: self.time_s(from),
            step_s: GRID.seconds(),
            mass_kg,
            regressors: &regressors,
            steps_s: &[],
            bends_s: &[],
        })
    }

    fn regressors(&self) -> usize {
        self.weather.as_ref().map_or(0, |weather| weather.len())
    }

    fn feed_last(&self, watch: &mut Watch) {
        let Some(at) = self.mass_kg.len().checked_sub(1) else {
            return;
        };
        self.feed(at, |time_s, mass_kg, weather| {
            watch.detector.feed(time_s, mass_kg, weather);
            if let Some(filter) = &mut watch.filter {
                watch.now = filter.feed(time_s, mass_kg, weather).or(watch.now.take());
            }
        });
    }

    /// A filter that begins with sample `from`.
    fn filter(&self, noise: &NoiseModel, from: usize) -> Option<LossFilter> {
        let settings = FilterSettings {
            rate_change_a_day_kg_per_s: RATE_CHANGE_OF_NOISE_A_DAY
                * (noise.parameters.white_std_kg + noise.parameters.correlated_std_kg)
                / Span::DAY.seconds(),
            window_samples: None,
        };
        LossFilter::new(
            settings,
            noise.clone(),
            self.regressors(),
            self.time_s(from),
        )
        .ok()
    }

    /// A filter that has seen the last week, and what it knows.
    fn filtered(&self, noise: &NoiseModel) -> (Option<LossFilter>, Option<FilterState>) {
        let wanted = usize::try_from(RATE_OVER.millis() / GRID.millis()).unwrap_or(0);
        let from = self.mass_kg.len().saturating_sub(wanted);
        let Some(mut filter) = self.filter(noise, from) else {
            return (None, None);
        };
        let mut now = None;
        for at in from..self.mass_kg.len() {
            self.feed(at, |time_s, mass_kg, weather| {
                now = filter.feed(time_s, mass_kg, weather).or(now);
            });
        }
        (Some(filter), now)
    }

    fn feed(&self, at: usize, mut to: impl FnMut(f64, f64, &[f64])) {
        let weather: Vec<f64> = self
            .weather
            .iter()
            .flatten()
            .filter_map(|course| course.get(at).copied())
            .collect();
        if let Some(&mass_kg) = self.mass_kg.get(at) {
            to(self.time_s(at), mass_kg, &weather);
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "at most a few thousand steps")]
    fn time_s(&self, at: usize) -> f64 {
        self.start_s + at as f64 * GRID.seconds()
    }

    fn end_s(&self) -> f64 {
        self.time_s(self.mass_kg.len().saturating_sub(1))
    }

    fn utc_at(&self, seconds: f64) -> Option<Timestamp> {
        let (at, utc) = self.last;
        seconds
            .is_finite()
            .then(|| utc + (Span::from_seconds(seconds) - Span::from_millis(at.0)))
    }
}

/// Rise of the mean over the last two hours from that of the two hours before, per hour, and by how
/// much that rise itself has risen in two hours, per hour squared. The rate stands for two hours
/// ago; with the bend beside it, the lag of a daily wave of varying size is followed in phase.
///
/// The means are long because the thermometers' own slow errors reach the mass too: a regressor that
/// shows them step by step explains away the quick part of the noise, and what is left looks slower
/// and larger than it is. Only the past is used, so that the sequential test and an estimate of the
/// whole series see the same. The first values repeat the first that has a whole past.
fn rate_and_bend(values: &[f64]) -> [Vec<f64>; 2] {
    const PART: usize = 12;
    #[expect(clippy::cast_precision_loss, reason = "a dozen steps")]
    let hours = PART as f64 * GRID.seconds() / 3600.0;
    let means: Vec<f64> = values.windows(PART).map(mean_of_present).collect();
    let mut rates = Vec::with_capacity(values.len());
    let mut bends = Vec::with_capacity(values.len());
    for ((oldest, before), now) in means
        .iter()
        .zip(means.iter().skip(PART))
        .zip(means.iter().skip(2 * PART))
    {
        rates.push((now - before) / hours);
        bends.push((now - 2.0 * before + oldest) / (hours * hours));
    }
    for course in [&mut rates, &mut bends] {
        let first = course.first().copied().unwrap_or(0.0);
        let missing = values.len() - course.len();
        course.splice(0..0, std::iter::repeat_n(first, missing));
    }
    [rates, bends]
}

/// Mean of those that are there; NaN when fewer than half are.
fn mean_of_present(values: &[f64]) -> f64 {
    let (mut sum, mut count) = (0.0, 0_u32);
    for value in values.iter().filter(|value| value.is_finite()) {
        sum += value;
        count += 1;
    }
    if usize::try_from(count).is_ok_and(|count| 2 * count >= values.len()) {
        sum / f64::from(count)
    } else {
        f64::NAN
    }
}
