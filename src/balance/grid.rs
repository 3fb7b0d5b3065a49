//! A scope's mass on the ten-minute grid, as the fits and the sequential test take it.

use super::account::AreaSeries;
use super::detect::Detector;
use super::filter::{FilterSettings, FilterState, LossFilter};
use super::happening::Jump;
use super::judgement::RATE_OVER;
use super::ledger::Ledger;
use super::noise::NoiseModel;
use super::series::LossSeries;
use super::tally::carried_kg2;
use super::window::{Average, GRID, KEPT, MassHistory, grid_steps};
use crate::plant::Plant;
use crate::time::{Monotonic, Span, Timestamp};

/// By how much the filter lets the rate change in a day, as a share of the noise a day: about what
/// the sequential test finds in two days, so that the rate follows a loss as soon as it is found
/// (common practice, no source).
const RATE_CHANGE_OF_NOISE_A_DAY: f64 = 0.5;

/// A course that an error follows.
struct Regressor {
    course: Vec<f64>,
    /// Standard uncertainty of its coefficient beforehand.
    std: f64,
}

/// The book-corrected mass of the plant or of an area, step by step.
pub(super) struct GridSeries {
    /// End of the first step, s of continuous time.
    pub start_s: f64,
    /// kg; NaN where there is none.
    pub mass_kg: Vec<f64>,
    /// Courses that errors follow. With outdoor gas: rate and bend of its temperature, K/h and K/h2,
    /// which a lagging thermometer's error follows. With meters: what they have let in and out and
    /// what stayed, kg, which the errors of calibrations are a part of.
    regressors: Vec<Regressor>,
    /// Times, s, at which an unknown amount came or went.
    jumps_s: Vec<f64>,
    /// Last step, by both clocks.
    last: (Monotonic, Timestamp),
}

impl GridSeries {
    /// The last thirty days. Between the two times of a jump an unknown amount came or went. None while no average has wall time. A step of which more is carried
    /// forward than the noise is large misses: a frozen value is no measurement of a loss.
    pub fn of_plant(
        plant: &Plant,
        history: &MassHistory,
        ledger: &Ledger,
        most_carried_kg2: f64,
        jumps: &[Jump],
    ) -> Option<Self> {
        let averages = history.averages();
        let first = averages.front()?;
        let last = averages.back()?;
        let step = |average: &Average| average.at.0.div_euclid(GRID.millis());
        let steps = usize::try_from(step(last) - step(first)).ok()? + 1;
        // After a long standstill the grid would be mostly holes: only its end is of use.
        let skipped = steps.saturating_sub(KEPT);
        let mut mass_kg = vec![f64::NAN; steps - skipped];
        let mut outdoor = vec![f64::NAN; steps - skipped];
        let half = Span::from_millis(GRID.millis() / 2);
        let mut net_booked = ledger.net_booked();
        #[expect(clippy::cast_precision_loss, reason = "a count of ten-minute steps")]
        let time_s = |at: usize| {
            Span::from_millis(first.at.0).seconds() + (skipped + at) as f64 * GRID.seconds()
        };
        let mut jumps_s = Vec::new();
        let mut last_jump = None;
        for average in averages {
            let at = usize::try_from(step(average) - step(first))
                .ok()
                .and_then(|at| at.checked_sub(skipped));
            let (Some(at), Some(utc)) = (at, average.utc) else {
                continue;
            };
            let jumped = jumps.iter().any(|jump| during(jump, utc));
            if jumped {
                last_jump = Some(at);
            } else if let Some(ended) = last_jump.take() {
                jumps_s.push(time_s(ended) + 1.0);
            }
            let booked = net_booked.up_to(utc - half);
            if let Some(mass) = mass_kg.get_mut(at)
                && carried_kg2(&average.by_cause) <= most_carried_kg2
                && !jumped
            {
                let (inwards, outwards) = average.metered_kg;
                *mass = average.mass_kg - average.restated_kg - booked - (inwards - outwards);
            }
            if let Some(kelvin) = outdoor.get_mut(at) {
                *kelvin = average.outdoor_kelvin;
            }
        }
        let outdoors = plant.all.vessel.iter().any(|vessel| vessel.outdoors);
        Some(Self {
            start_s: time_s(0),
            mass_kg,
            regressors: weather(outdoors.then_some(&*outdoor)).collect(),
            jumps_s,
            last: (last.at, last.utc?),
        })
    }

    /// That of an area.
    pub fn of_area(series: AreaSeries) -> Self {
        let meters = series.metered.into_iter().map(|metered| Regressor {
            course: metered.passed_kg,
            std: metered.relative_std,
        });
        Self {
            start_s: series.start_s,
            regressors: weather(series.outdoor_kelvin.as_deref())
                .chain(meters)
                .collect(),
            mass_kg: series.mass_kg,
            jumps_s: series.jumps_s,
            last: series.last,
        }
    }

    /// Calls `f` with the last `over` of it.
    pub fn with<R>(&self, over: Span, f: impl FnOnce(&LossSeries) -> R) -> R {
        let wanted = grid_steps(over);
        let from = self.mass_kg.len().saturating_sub(wanted);
        let mass_kg = self.mass_kg.get(from..).unwrap_or(&[]);
        let regressors: Vec<&[f64]> = self
            .regressors
            .iter()
            .filter_map(|regressor| regressor.course.get(from..))
            .collect();
        let stds = self.stds();
        let start_s = self.time_s(from);
        // A jump before the second sample is part of the level.
        let first = self
            .jumps_s
            .partition_point(|at| *at <= start_s + GRID.seconds());
        f(&LossSeries {
            start_s,
            step_s: GRID.seconds(),
            mass_kg,
            regressors: &regressors,
            regressor_stds: &stds,
            steps_s: self.jumps_s.get(first..).unwrap_or(&[]),
            bends_s: &[],
        })
    }

    /// How fast the outdoor gas warms, K/h; none without any.
    pub fn warming(&self) -> Option<&[f64]> {
        let first = self.regressors.first()?;
        first.std.is_infinite().then_some(first.course.as_slice())
    }

    pub fn regressors(&self) -> usize {
        self.regressors.len()
    }

    /// Standard uncertainty of each regressor's coefficient beforehand.
    pub fn stds(&self) -> Vec<f64> {
        self.regressors.iter().map(|one| one.std).collect()
    }

    pub fn feed_all(&self, detector: &mut Detector) {
        for at in 0..self.mass_kg.len() {
            self.feed(at, detector, None, &mut None);
        }
    }

    /// Feeds the newest sample to the sequential test and to the filter.
    pub fn feed_last(
        &self,
        detector: &mut Detector,
        filter: Option<&mut LossFilter>,
        known: &mut Option<FilterState>,
    ) {
        if let Some(at) = self.mass_kg.len().checked_sub(1) {
            self.feed(at, detector, filter, known);
        }
    }

    /// A filter that has seen the last week, and what it knows.
    pub fn filtered(&self, noise: &NoiseModel) -> (Option<LossFilter>, Option<FilterState>) {
        let wanted = grid_steps(RATE_OVER);
        let from = self.mass_kg.len().saturating_sub(wanted);
        let settings = FilterSettings {
            rate_change_a_day_kg_per_s: RATE_CHANGE_OF_NOISE_A_DAY
                * (noise.parameters.white_std_kg + noise.parameters.correlated_std_kg)
                / Span::DAY.seconds(),
            window_samples: None,
        };
        let begun = self.time_s(from);
        let Ok(mut filter) = LossFilter::new(settings, noise.clone(), self.regressors(), begun)
        else {
            return (None, None);
        };
        filter = filter.with_regressor_stds(&self.stds());
        let mut known = None;
        for at in from..self.mass_kg.len() {
            self.filter(at, &mut filter, &mut known);
        }
        (Some(filter), known)
    }

    fn feed(
        &self,
        at: usize,
        detector: &mut Detector,
        filter: Option<&mut LossFilter>,
        known: &mut Option<FilterState>,
    ) {
        if self.jumps_at(at) {
            detector.restate();
        }
        if let Some(&mass_kg) = self.mass_kg.get(at) {
            detector.feed(self.time_s(at), mass_kg, &self.regressors_at(at));
        }
        if let Some(filter) = filter {
            self.filter(at, filter, known);
        }
    }

    fn filter(&self, at: usize, filter: &mut LossFilter, known: &mut Option<FilterState>) {
        if self.jumps_at(at) {
            filter.jump(0.0, None);
        }
        if let Some(&mass_kg) = self.mass_kg.get(at) {
            *known = filter
                .feed(self.time_s(at), mass_kg, &self.regressors_at(at))
                .or(known.take());
        }
    }

    fn regressors_at(&self, at: usize) -> Vec<f64> {
        self.regressors
            .iter()
            .filter_map(|regressor| regressor.course.get(at).copied())
            .collect()
    }

    /// Whether an unknown amount came or went after that time, s.
    pub fn jumps_after(&self, time_s: f64) -> bool {
        self.jumps_s.iter().any(|jump| *jump > time_s)
    }

    /// Whether an unknown amount came or went between this sample and the one before.
    pub fn jumps_at(&self, at: usize) -> bool {
        let (before, now) = (self.time_s(at) - GRID.seconds(), self.time_s(at));
        self.jumps_s.iter().any(|jump| (before..now).contains(jump))
    }

    #[expect(clippy::cast_precision_loss, reason = "at most a few thousand steps")]
    fn time_s(&self, at: usize) -> f64 {
        self.start_s + at as f64 * GRID.seconds()
    }

    pub fn end_s(&self) -> f64 {
        self.time_s(self.mass_kg.len().saturating_sub(1))
    }

    pub fn utc_at(&self, seconds: f64) -> Option<Timestamp> {
        let (at, utc) = self.last;
        seconds
            .is_finite()
            .then(|| utc + (Span::from_seconds(seconds) - Span::from_millis(at.0)))
    }
}

/// Whether a step that ends at `utc` has any of a jump in it.
fn during(jump: &Jump, utc: Timestamp) -> bool {
    utc > jump.from && utc - GRID < jump.to
}

/// The weather's courses, where there is outdoor gas.
fn weather(outdoor_kelvin: Option<&[f64]>) -> impl Iterator<Item = Regressor> {
    let courses = outdoor_kelvin.map(rate_and_bend).into_iter().flatten();
    courses.map(|course| Regressor {
        course,
        std: f64::INFINITY,
    })
}

/// Rise of the mean over the last two hours from that of the two hours before, per hour, and by how
/// much that rise itself has risen in two hours, per hour squared. The rate stands for two hours
/// ago; with the bend beside it, the lag of a daily wave of varying size is followed in phase.
///
/// The means are long because the thermometers' own slow errors reach the mass too: a regressor that
/// shows them step by step explains away the quick part of the noise, and what is left looks slower
/// and larger than it is. What still is explained away leaves the slow part larger than the noise found
/// says, which widens a rate (see `leak::estimate`). Only the past is used, so that the sequential test
/// and an estimate of the whole series see the same. The first values repeat the first that has a whole
/// past.
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
