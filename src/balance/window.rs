//! The balance over windows of time: opening + received - dispatched - closing = unaccounted loss.
//!
//! The plant's mass is averaged over a grid of ten minutes, which takes out most of the noise that
//! is new at every reading. Each average keeps its errors by cause, so that in the difference of
//! opening and closing a calibration cancels while a thermometer's lag does not.
//!
//! Decision threshold and detection limit follow ISO 11929-1:2019 (5.7 and 5.8, from memory) with
//! alpha = beta = 5 %: threshold = 1.645 u(0), limit = 2 x threshold where the uncertainty does not
//! depend on the loss itself.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::ledger::Ledger;
use super::report::WindowBalance;
use super::tally::{Cause, Tally, lasting_difference_kg2, merge};
use crate::plant::{Id, Plant, VesselIx};
use crate::time::{Monotonic, Span, Timestamp};

/// Grid on which masses are averaged.
pub const GRID: Span = Span::from_millis(600_000);

/// How many steps of the grid a stretch of time has.
pub(super) fn grid_steps(over: Span) -> usize {
    usize::try_from(over.millis() / GRID.millis()).unwrap_or(0)
}

/// Averages kept: 30 days.
pub const KEPT: usize = 30 * 144;

/// Quantile of the normal distribution at 95 %, one-sided.
pub const ONE_SIDED_95: f64 = 1.6448536269514722;

/// The windows that every report shows.
pub const WINDOWS: [Span; 5] = [
    Span::HOUR,
    Span::from_millis(8 * 3_600_000),
    Span::DAY,
    Span::from_millis(7 * 86_400_000),
    Span::from_millis(30 * 86_400_000),
];

/// The mean mass over one step of the grid.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Average {
    /// End of the step, by the engine's continuous monotonic time.
    pub at: Monotonic,
    /// End of the step by the wall clock.
    pub utc: Option<Timestamp>,
    /// kg; NaN when no tick of the step had a usable mass.
    pub mass_kg: f64,
    /// Variance of the mean's own noise, kg2.
    pub independent_kg2: f64,
    /// Signed standard uncertainty by lasting cause, kg.
    pub by_cause: Vec<(Cause, f64)>,
    /// Vessels carried forward or substituted during the step.
    pub doubtful: Vec<VesselIx>,
    /// Mean temperature of the outdoor gas, K, weighted by mass.
    pub outdoor_kelvin: f64,
    /// Offset that restatements since the start have put on the mass, kg: subtracted in balances.
    pub restated_kg: f64,
    /// Metered into and out of the plant since the start, kg.
    pub metered_kg: (f64, f64),
}

/// Averages of one scope over the last thirty days.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MassHistory {
    averages: VecDeque<Average>,
    open: Option<OpenStep>,
    /// What restatements have added so far, kg.
    restated_kg: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct OpenStep {
    number: i64,
    ticks: u32,
    mass_sum: f64,
    outdoor_sum: f64,
    outdoor_ticks: u32,
    doubtful: Vec<VesselIx>,
}

/// One tick's contribution to a step.
pub struct TickMass<'a> {
    /// Continuous monotonic time.
    pub now: Monotonic,
    /// Wall time.
    pub utc: Option<Timestamp>,
    /// kg; none when a vessel of the scope has no mass at all.
    pub mass_kg: Option<f64>,
    /// Vessels carried forward or substituted.
    pub doubtful: &'a [VesselIx],
    /// Mean temperature of outdoor gas, K.
    pub outdoor_kelvin: Option<f64>,
    /// Metered into and out of the plant since the start, kg.
    pub metered_kg: (f64, f64),
}

impl MassHistory {
    /// Takes a tick; when it completes a step of the grid, `tally` is asked for the errors by
    /// cause and the new average is returned.
    pub fn tick(&mut self, tick: &TickMass, tally: impl FnOnce() -> Tally) -> Option<&Average> {
        let number = tick.now.0.div_euclid(GRID.millis());
        let ended = self.open.take_if(|open| open.number != number);
        let open = self.open.get_or_insert(OpenStep {
            number,
            ticks: 0,
            mass_sum: 0.0,
            outdoor_sum: 0.0,
            outdoor_ticks: 0,
            doubtful: Vec::new(),
        });
        if let Some(mass) = tick.mass_kg {
            open.ticks += 1;
            open.mass_sum += mass;
        }
        if let Some(kelvin) = tick.outdoor_kelvin {
            open.outdoor_ticks += 1;
            open.outdoor_sum += kelvin;
        }
        for vessel in tick.doubtful {
            if !open.doubtful.contains(vessel) {
                open.doubtful.push(*vessel);
            }
        }
        let step = ended?;
        let tally = tally();
        // After a gap the tick that ends a step comes late: the step ended where its grid says.
        let at = Monotonic((step.number + 1).saturating_mul(GRID.millis()));
        let average = Average {
            at,
            utc: tick.utc.map(|utc| utc - (tick.now - at)),
            mass_kg: mean(step.mass_sum, step.ticks),
            independent_kg2: tally.independent_kg2 / f64::from(step.ticks.max(1)),
            by_cause: tally.by_cause,
            doubtful: step.doubtful,
            outdoor_kelvin: mean(step.outdoor_sum, step.outdoor_ticks),
            restated_kg: self.restated_kg,
            metered_kg: tick.metered_kg,
        };
        if self.averages.len() == KEPT {
            self.averages.pop_front();
        }
        self.averages.push_back(average);
        self.averages.back()
    }

    /// The reckoning changed by `kg` without helium moving; the step it fell into is dropped, since
    /// its ticks do not agree.
    pub fn restate(&mut self, kg: f64) {
        self.restated_kg += kg;
        self.open = None;
    }

    /// What restatements have added so far, kg.
    #[must_use]
    pub fn restated_kg(&self) -> f64 {
        self.restated_kg
    }

    /// The averages, oldest first.
    #[must_use]
    pub fn averages(&self) -> &VecDeque<Average> {
        &self.averages
    }

    /// Mean errors by cause of the day that ends at a time, hour by hour.
    pub(super) fn causes_of_day(&self, end: Timestamp) -> Vec<(Cause, f64)> {
        const HOURLY: usize = 6;
        let inside = |average: &&Average| {
            average
                .utc
                .is_some_and(|utc| utc <= end && end - utc < Span::DAY)
        };
        let mut causes = Vec::new();
        let mut count = 0.0;
        for average in self.averages.iter().filter(inside).step_by(HOURLY) {
            causes.extend_from_slice(&average.by_cause);
            count += 1.0;
        }
        merge(&mut causes);
        for (_, kg) in &mut causes {
            *kg /= count;
        }
        causes
    }

    /// The balance over the last `over`; none until there is that much history with wall time.
    ///
    /// `noise_kg2` gives the variance of the difference of two averages that far apart as found in
    /// the data themselves; the larger of it and the propagated one is stated.
    #[must_use]
    pub fn balance(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        over: Span,
        noise_kg2: Option<f64>,
    ) -> Option<WindowBalance> {
        let usable = |average: &&Average| average.mass_kg.is_finite() && average.utc.is_some();
        let closing = self.averages.iter().rev().find(usable)?;
        // The step nearest to the wanted opening, within 15 % of the window or one step.
        let slack = Span::from_millis((over.millis() / 7).max(GRID.millis()));
        let opening = self
            .averages
            .iter()
            .filter(usable)
            .min_by_key(|average| (closing.at - average.at - over).millis().abs())
            .filter(|average| (closing.at - average.at - over).millis().abs() <= slack.millis())?;
        self.between(plant, ledger, (opening, closing), over, noise_kg2)
    }

    /// The balance between two times on record, each taken at the nearest step of the grid; none
    /// when both fall on one step. `noise_kg2` as in [`Self::balance`].
    #[must_use]
    pub fn balance_between(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        from: Timestamp,
        to: Timestamp,
        noise_kg2: Option<f64>,
    ) -> Option<WindowBalance> {
        let nearest = |wanted: Timestamp| {
            self.averages
                .iter()
                .filter(|average| average.mass_kg.is_finite())
                .filter_map(|average| Some(((average.utc? - wanted).millis().abs(), average)))
                .min_by_key(|(off, _)| *off)
                .map(|(_, average)| average)
        };
        let (opening, closing) = (nearest(from)?, nearest(to)?);
        let apart = closing.at - opening.at;
        self.between(plant, ledger, (opening, closing), apart, noise_kg2)
    }

    fn between(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        (opening, closing): (&Average, &Average),
        over: Span,
        noise_kg2: Option<f64>,
    ) -> Option<WindowBalance> {
        let mut found = across(plant, ledger, (opening, closing), over, noise_kg2)?;
        let apart = closing.at - opening.at;
        let inside = |average: &&Average| average.at > opening.at && average.at <= closing.at;
        let present = self
            .averages
            .iter()
            .filter(|average| average.mass_kg.is_finite() && average.utc.is_some())
            .filter(inside)
            .count();
        let steps = (apart.millis() / GRID.millis()).max(1);
        #[expect(clippy::cast_precision_loss, reason = "at most a few thousand steps")]
        let coverage = (present as f64 / steps as f64).min(1.0);
        let doubtful = self
            .averages
            .iter()
            .filter(|average| average.at >= opening.at && average.at <= closing.at)
            .flat_map(|average| average.doubtful.iter().copied());
        found.coverage = coverage;
        found.doubtful_vessels = named(plant, doubtful);
        Some(found)
    }
}

/// The balance between two averages, however far apart; of what lay between it knows nothing.
#[must_use]
pub fn across(
    plant: &Plant,
    ledger: &Ledger,
    (opening, closing): (&Average, &Average),
    over: Span,
    noise_kg2: Option<f64>,
) -> Option<WindowBalance> {
    if opening.at >= closing.at {
        return None;
    }
    let apart = closing.at - opening.at;
    let (from, to) = (opening.utc?, closing.utc?);
    // The step's mean stands for its middle; both ends shift alike.
    let half = Span::from_millis(GRID.millis() / 2);
    let booked = ledger.booked_between(from - half, to - half);

    let restated = closing.restated_kg - opening.restated_kg;
    let received_kg = booked.received_kg + closing.metered_kg.0 - opening.metered_kg.0;
    let dispatched_kg = booked.dispatched_kg + closing.metered_kg.1 - opening.metered_kg.1;
    let unaccounted_kg = opening.mass_kg + restated + received_kg - dispatched_kg - closing.mass_kg;
    let propagated = opening.independent_kg2
        + closing.independent_kg2
        + lasting_difference_kg2(plant, &opening.by_cause, &closing.by_cause, apart);
    let variance = propagated.max(noise_kg2.unwrap_or(0.0)) + booked.variance_kg2;

    let accepted = plant.site.accepted_loss;
    let accepted_kg = accepted.value.si() * apart.seconds();
    let accepted_std_kg = accepted.std * apart.seconds();
    let excess_std_kg = libm::sqrt(variance + accepted_std_kg * accepted_std_kg);
    let decision_threshold_kg = ONE_SIDED_95 * excess_std_kg;

    Some(WindowBalance {
        over,
        from: Some(from),
        opening_kg: opening.mass_kg + restated,
        received_kg,
        dispatched_kg,
        closing_kg: closing.mass_kg,
        unaccounted_kg,
        std_kg: libm::sqrt(variance),
        accepted_kg,
        excess_kg: unaccounted_kg - accepted_kg,
        excess_std_kg,
        decision_threshold_kg,
        detection_limit_kg: 2.0 * decision_threshold_kg,
        coverage: 1.0,
        doubtful_vessels: named(
            plant,
            opening.doubtful.iter().chain(&closing.doubtful).copied(),
        ),
    })
}

fn named(plant: &Plant, vessels: impl Iterator<Item = VesselIx>) -> Vec<Id> {
    let mut doubtful: Vec<VesselIx> = vessels.collect();
    doubtful.sort_unstable();
    doubtful.dedup();
    doubtful
        .into_iter()
        .filter_map(|ix| plant.vessel(ix).map(|vessel| Id::clone(&vessel.id)))
        .collect()
}

fn mean(sum: f64, count: u32) -> f64 {
    if count == 0 {
        f64::NAN
    } else {
        sum / f64::from(count)
    }
}
