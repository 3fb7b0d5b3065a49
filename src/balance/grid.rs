//! A scope's mass on the ten-minute grid, as the fits and the sequential test take it.

use super::account::AreaSeries;
use super::detect::Detector;
use super::happening::Jump;
use super::ledger::Ledger;
use super::series::LossSeries;
use super::tally::carried_kg2;
use super::window::{Average, GRID, KEPT, MassHistory};
use crate::plant::Plant;
use crate::time::{Monotonic, Span, Timestamp};

/// The book-corrected mass of the plant or of an area, step by step.
pub(super) struct GridSeries {
    /// End of the first step, s of continuous time.
    pub start_s: f64,
    /// kg; NaN where there is none.
    pub mass_kg: Vec<f64>,
    /// Rate of the outdoor gas temperature, K/h: a lagging thermometer's error follows it. None
    /// without outdoor gas.
    weather: Option<Vec<f64>>,
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
        // Any fixed beginning will do: it moves the whole series by a constant.
        let origin = Timestamp::from_millis(0);
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
            let booked = ledger.booked_between(origin, utc - half).net_kg();
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
        let weather = plant
            .all
            .vessel
            .iter()
            .any(|vessel| vessel.outdoors)
            .then(|| rates_per_hour(&outdoor));
        Some(Self {
            start_s: time_s(0),
            mass_kg,
            weather,
            jumps_s,
            last: (last.at, last.utc?),
        })
    }

    /// That of an area.
    pub fn of_area(series: AreaSeries) -> Self {
        Self {
            start_s: series.start_s,
            weather: series.outdoor_kelvin.as_deref().map(rates_per_hour),
            mass_kg: series.mass_kg,
            jumps_s: series.jumps_s,
            last: series.last,
        }
    }

    /// Calls `f` with the last `over` of it.
    pub fn with<R>(&self, over: Span, f: impl FnOnce(&LossSeries) -> R) -> R {
        let wanted = usize::try_from(over.millis() / GRID.millis()).unwrap_or(0);
        let from = self.mass_kg.len().saturating_sub(wanted);
        let mass_kg = self.mass_kg.get(from..).unwrap_or(&[]);
        let weather = self
            .weather
            .as_deref()
            .and_then(|weather| weather.get(from..));
        let regressors: &[&[f64]] = match &weather {
            Some(weather) => std::slice::from_ref(weather),
            None => &[],
        };
        let start_s = self.time_s(from);
        // A jump before the second sample is part of the level.
        let first = self
            .jumps_s
            .partition_point(|at| *at <= start_s + GRID.seconds());
        f(&LossSeries {
            start_s,
            step_s: GRID.seconds(),
            mass_kg,
            regressors,
            steps_s: self.jumps_s.get(first..).unwrap_or(&[]),
            bends_s: &[],
        })
    }

    pub fn regressors(&self) -> usize {
        usize::from(self.weather.is_some())
    }

    pub fn feed_all(&self, detector: &mut Detector) {
        for at in 0..self.mass_kg.len() {
            self.feed(at, detector);
        }
    }

    pub fn feed_last(&self, detector: &mut Detector) {
        if let Some(at) = self.mass_kg.len().checked_sub(1) {
            self.feed(at, detector);
        }
    }

    fn feed(&self, at: usize, detector: &mut Detector) {
        let weather = self
            .weather
            .as_deref()
            .and_then(|weather| weather.get(at..=at));
        let (before, now) = (self.time_s(at) - GRID.seconds(), self.time_s(at));
        if self.jumps_s.iter().any(|jump| (before..now).contains(jump)) {
            detector.restate();
        }
        if let Some(&mass_kg) = self.mass_kg.get(at) {
            detector.feed(self.time_s(at), mass_kg, weather.unwrap_or(&[]));
        }
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

/// Rise of the mean over the last two hours from that of the two hours before, per hour. The means
/// are long because the thermometers' own slow errors reach the mass too: a regressor that shows
/// them step by step explains away the quick part of the noise, and what is left looks slower and
/// larger than it is. Only the past is used, so that the sequential test and an estimate of the
/// whole series see the same. The first values repeat the first that has a whole past.
fn rates_per_hour(values: &[f64]) -> Vec<f64> {
    const HALF: usize = 12;
    #[expect(clippy::cast_precision_loss, reason = "a dozen steps")]
    let hours = HALF as f64 * GRID.seconds() / 3600.0;
    let mut rates: Vec<f64> = values
        .windows(2 * HALF)
        .map(|window| {
            let (before, now) = window.split_at(HALF);
            (mean_of_present(now) - mean_of_present(before)) / hours
        })
        .collect();
    let first = rates.first().copied().unwrap_or(0.0);
    let missing = values.len() - rates.len();
    rates.splice(0..0, std::iter::repeat_n(first, missing));
    rates
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
