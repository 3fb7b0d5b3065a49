//! What the engine says of magnets: margins, joints, leads, cool-downs, heat loads of baths.
//!
//! Reckoned once a minute from channels that are usable now; where one is not, the figure is left
//! out and the reason stands in its place. What needs a past (the rate of a cool-down, the fall of a
//! bath, the pairs of a joint) is kept in bounded series, by id, so that it survives a restart and a
//! change of description that leaves the id alone.

mod baths;
mod joints;
mod reckoning;
mod view;

use std::collections::{BTreeMap, VecDeque};

use serde::{Deserialize, Serialize};

use self::joints::Pairs;
use self::reckoning::Reckoning;
pub use self::view::{
    BathView, CoolDownView, HeatSource, JointMethod, JointView, LeadView, LeadWord, MagnetReport,
    MagnetView, MarginState, Until,
};
use super::core::Engine;
use crate::balance::distribution::student_quantile;
use crate::magnet::{Trend, trend};
use crate::plant::{BathWatch, Id, Plant};
use crate::time::{Monotonic, Span};

/// How often all of it is reckoned.
const EVERY: Span = Span::from_millis(60_000);
/// Points of a trend.
const POINTS: i64 = 30;
/// A trend needs this part of its time.
const LEAST_PART: i64 = 3;
/// Tail of the bands: 95 % lie inside.
const UPPER_TAIL: f64 = 0.975;

/// Values over a while, oldest first, spaced evenly enough.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Series(VecDeque<(Monotonic, f64, f64)>);

impl Series {
    pub(super) fn see(&mut self, now: Monotonic, over: Span, first: f64, second: f64) {
        let spacing = Span::from_millis(over.millis() / POINTS);
        if self.0.back().is_none_or(|&(at, ..)| now - at >= spacing) {
            self.0.push_back((now, first, second));
        }
        while self.0.front().is_some_and(|&(at, ..)| now - at > over) {
            self.0.pop_front();
        }
    }

    /// The line through one of the two values; time counts from the newest point.
    pub(super) fn line(
        &self,
        over: Span,
        std: f64,
        of: impl Fn((f64, f64)) -> f64 + Clone,
    ) -> Option<Trend> {
        let (first, last) = (self.0.front()?.0, self.0.back()?.0);
        if last - first < Span::from_millis(over.millis() / LEAST_PART) {
            return None;
        }
        let points = self
            .0
            .iter()
            .map(move |&(at, a, b)| ((at - last).seconds(), of((a, b))));
        trend(points, std)
    }
}

/// What is remembered.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(in crate::engine) struct MagnetMemory {
    next: Monotonic,
    baths: BTreeMap<Id, Series>,
    cool_downs: BTreeMap<Id, Series>,
    joints: BTreeMap<Id, Pairs>,
    /// Current of each joint a minute ago, A.
    currents: BTreeMap<Id, f64>,
    pub(in crate::engine) report: MagnetReport,
}

impl MagnetMemory {
    /// Forgets what is no longer described.
    pub(in crate::engine) fn adopt(&mut self, plant: &Plant) {
        let of_vessel = |id: &Id| {
            let watched = |bath: &BathWatch| plant.vessel(bath.vessel).is_some_and(|v| v.id == *id);
            plant.magnets.baths.iter().any(watched)
        };
        self.baths.retain(|id, _| of_vessel(id));
        self.cool_downs
            .retain(|id, _| plant.magnets.cool_downs.iter().any(|mass| mass.id == *id));
        let of_joint = |id: &Id| plant.magnets.joints.iter().any(|joint| joint.id == *id);
        self.joints.retain(|id, _| of_joint(id));
        self.currents.retain(|id, _| of_joint(id));
        self.next = Monotonic::default();
        self.report = MagnetReport::default();
    }
}

impl Engine {
    /// Reckons all of it when a minute has gone by.
    pub(in crate::engine) fn reckon_magnets(&mut self, plant: &Plant, now: Monotonic) {
        if plant.magnets.is_empty() || now < self.state.magnets.next {
            return;
        }
        let mut memory = std::mem::take(&mut self.state.magnets);
        memory.next =
            Monotonic((now.0.div_euclid(EVERY.millis()) + 1).saturating_mul(EVERY.millis()));
        let at = Reckoning {
            plant,
            channels: &self.state.channels,
            masses: &self.masses,
            now,
        };
        let described = &plant.magnets;
        memory.report = MagnetReport {
            magnets: described.magnets.iter().map(|one| at.magnet(one)).collect(),
            baths: described
                .baths
                .iter()
                .filter_map(|one| at.bath(one, &mut memory.baths))
                .collect(),
            joints: described
                .joints
                .iter()
                .map(|one| at.joint(one, &mut memory.joints, &mut memory.currents))
                .collect(),
            leads: described.leads.iter().map(|one| at.lead(one)).collect(),
            cool_downs: described
                .cool_downs
                .iter()
                .map(|one| at.cool_down(one, &mut memory.cool_downs))
                .collect(),
        };
        self.state.magnets = memory;
    }
}

/// Factor of a band for a trend.
#[expect(clippy::cast_precision_loss, reason = "a count of points")]
fn coverage(degrees_of_freedom: usize) -> f64 {
    student_quantile(UPPER_TAIL, degrees_of_freedom as f64)
}
