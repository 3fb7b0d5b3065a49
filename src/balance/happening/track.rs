//! One mass followed in steps, and whether it moves more than it usually does.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::balance::tally::{Cause, Tally, lasting_difference_kg2};
use crate::plant::Plant;
use crate::time::{Monotonic, Span, Timestamp};

/// Length of a step.
pub const STEP: Span = Span::from_millis(300_000);

/// Changes are looked at over so many steps: 5, 15, 30 and 60 minutes.
pub(super) const LAGS: [usize; 4] = [1, 3, 6, 12];

/// What has not moved over so many steps stands still.
const STILL_STEPS: usize = 3;

/// Steps kept: the longest lag, and two before it.
const KEPT: usize = 15;

/// Most ticks of one step that are kept; more often than every five seconds nothing is gained.
const MOST_TICKS: usize = 60;

/// Variance of a median over that of a mean, for many normal values.
const MEDIAN_COST: f64 = std::f64::consts::FRAC_PI_2;

/// Standard deviation of a normal variable over its mean absolute value.
const STD_PER_MEAN_ABS: f64 = 1.253_314_137_315_500_3;

/// Changes needed before what was learned counts.
const LEARNED_FROM: u32 = 12;

/// What was learned fades over so many steps: one day.
const LEARNED_OVER: u32 = 288;

/// Mass at the end of a step, with what its uncertainty needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Step {
    /// End of the step.
    pub at: Monotonic,
    /// The same by the wall clock.
    pub utc: Option<Timestamp>,
    /// Median of the ticks, kg.
    pub mass_kg: f64,
    /// Temperature at the end of the step, K.
    pub kelvin: Option<f64>,
    /// Variance of the median's own noise, kg2.
    pub noise_kg2: f64,
    /// Signed standard uncertainty by lasting cause, kg.
    pub by_cause: Vec<(Cause, f64)>,
    /// Variance that changes of mode have brought up to here, kg2.
    pub by_mode_kg2: f64,
}

/// A change of mass with its standard uncertainty, kg.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Change {
    pub kg: f64,
    pub std_kg: f64,
}

impl Change {
    pub fn exceeds(&self, times: f64) -> bool {
        self.kg.abs() > times * self.std_kg
    }
}

/// A mass followed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Track {
    ticks: Vec<f64>,
    /// Ticks of the open step that could not be used.
    lost: u32,
    by_mode_kg2: f64,
    steps: VecDeque<Step>,
    usual: [Usual; LAGS.len()],
    /// A fall that goes on for too long: no new happening of this track until it is over.
    pub leaking: bool,
}

/// How large changes usually are.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Usual {
    mean_abs_kg: f64,
    count: u32,
}

impl Usual {
    fn std_kg(self) -> f64 {
        if self.count < LEARNED_FROM {
            0.0
        } else {
            STD_PER_MEAN_ABS * self.mean_abs_kg
        }
    }

    /// One rare large change must not raise the mark by much.
    fn learn(&mut self, change: Change) {
        let most = if self.count < LEARNED_FROM {
            f64::INFINITY
        } else {
            4.0 * change.std_kg.max(STD_PER_MEAN_ABS * self.mean_abs_kg)
        };
        self.count = (self.count + 1).min(LEARNED_OVER);
        self.mean_abs_kg += (change.kg.abs().min(most) - self.mean_abs_kg) / f64::from(self.count);
    }
}

impl Track {
    /// Takes a tick; none when the mass does not rest on readings.
    pub fn tick(&mut self, mass_kg: Option<f64>) {
        match mass_kg.filter(|kg| kg.is_finite()) {
            Some(kg) if self.ticks.len() < MOST_TICKS => self.ticks.push(kg),
            Some(_) => {}
            None => self.lost += 1,
        }
    }

    /// Completes a step. One of which half could not be used has no value, and what came before it
    /// is no reference for what comes after.
    pub fn complete(
        &mut self,
        at: Monotonic,
        utc: Option<Timestamp>,
        kelvin: Option<f64>,
        tally: impl FnOnce() -> Tally,
    ) {
        let ticks = std::mem::take(&mut self.ticks);
        let lost = std::mem::take(&mut self.lost);
        let used = u32::try_from(ticks.len()).unwrap_or(u32::MAX);
        let Some(mass_kg) = median(ticks).filter(|_| lost < used) else {
            self.steps.clear();
            return;
        };
        let tally = tally();
        if self.steps.len() == KEPT {
            self.steps.pop_front();
        }
        self.steps.push_back(Step {
            at,
            utc,
            mass_kg,
            kelvin,
            noise_kg2: MEDIAN_COST * tally.independent_kg2 / f64::from(used.max(1)),
            by_cause: tally.by_cause,
            by_mode_kg2: self.by_mode_kg2,
        });
    }

    /// What came before is no reference any more.
    pub fn interrupt(&mut self) {
        self.steps.clear();
        self.ticks.clear();
        self.lost = 0;
        self.leaking = false;
    }

    /// Forgets all but the newest steps.
    pub fn keep_last(&mut self, steps: usize) {
        let older = self.steps.len().saturating_sub(steps);
        self.steps.drain(..older);
    }

    /// A mode changed what is stated, by that variance.
    pub fn mode_changed(&mut self, variance_kg2: f64) {
        self.by_mode_kg2 += variance_kg2;
    }

    pub fn last(&self) -> Option<&Step> {
        self.steps.back()
    }

    /// The step that ended then.
    pub fn at(&self, at: Monotonic) -> Option<&Step> {
        self.steps.iter().find(|step| step.at == at)
    }

    /// Masses from the step that ended then.
    pub fn path_from(&self, at: Monotonic) -> Vec<(Monotonic, f64)> {
        let from = self.steps.iter().filter(|step| step.at >= at);
        from.map(|step| (step.at, step.mass_kg)).collect()
    }

    /// Change from one step to another, with the larger of propagated and usual uncertainty. Over
    /// more than an hour the usual one grows as the root of time.
    pub fn change(&self, plant: &Plant, before: &Step, after: &Step) -> Change {
        let apart = after.at - before.at;
        let propagated = before.noise_kg2
            + after.noise_kg2
            + (after.by_mode_kg2 - before.by_mode_kg2).max(0.0)
            + lasting_difference_kg2(plant, &before.by_cause, &after.by_cause, apart);
        let usual = self.usual_std_kg(apart);
        Change {
            kg: after.mass_kg - before.mass_kg,
            std_kg: libm::sqrt(propagated.max(usual * usual)),
        }
    }

    /// Of the longest lag that is not longer and known; over a longer time it grows as the root of
    /// that.
    fn usual_std_kg(&self, apart: Span) -> f64 {
        let steps = (apart.seconds() / STEP.seconds()).clamp(1.0, 144.0);
        let known = LAGS.iter().zip(&self.usual).filter_map(|(&lag, usual)| {
            let lag = f64::from(u32::try_from(lag).ok()?);
            (usual.count >= LEARNED_FROM && lag <= steps + 0.5).then_some((lag, usual))
        });
        known
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(0.0, |(lag, usual)| {
                usual.std_kg() * libm::sqrt((steps / lag).max(1.0))
            })
    }

    /// Change over the last `lag` steps.
    pub fn change_over(&self, plant: &Plant, lag: usize) -> Option<Change> {
        let after = self.steps.back()?;
        let at = self.steps.len().checked_sub(lag + 1)?;
        Some(self.change(plant, self.steps.get(at)?, after))
    }

    /// Learns how large ordinary changes are.
    pub fn learn(&mut self, plant: &Plant) {
        for (at, lag) in LAGS.iter().enumerate() {
            if let Some(change) = self.change_over(plant, *lag)
                && let Some(usual) = self.usual.get_mut(at)
            {
                usual.learn(change);
            }
        }
    }

    /// What it has done in the last hour is its usual: it has gone to and fro for long enough.
    pub fn take_as_usual(&mut self) {
        for (lag, usual) in LAGS.iter().zip(&mut self.usual) {
            let later = self.steps.iter().skip(*lag);
            let changes = self.steps.iter().zip(later);
            let (mut sum, mut count) = (0.0, 0_u32);
            for (before, after) in changes {
                sum += (after.mass_kg - before.mass_kg).abs();
                count += 1;
            }
            if count > 0 {
                usual.mean_abs_kg = usual.mean_abs_kg.max(sum / f64::from(count));
            }
        }
    }

    /// Whether it moves: by more than `times` the uncertainty with `unrest_kg` added, and by
    /// `part` of what it holds. Before its usual changes are known it is not said to move. Gives the end of the last step before it moved.
    pub fn moves(&self, plant: &Plant, times: f64, unrest_kg: f64, part: f64) -> Option<Monotonic> {
        let held = |kg: f64, change: &Change| kg.abs().max((kg - change.kg).abs());
        let now_kg = self.last()?.mass_kg;
        LAGS.iter().zip(&self.usual).find_map(|(&lag, usual)| {
            if usual.count < LEARNED_FROM {
                return None;
            }
            let mut change = self.change_over(plant, lag)?;
            change.std_kg = libm::hypot(change.std_kg, unrest_kg);
            let much = change.kg.abs() >= part * held(now_kg, &change);
            (much && change.exceeds(times) && !(self.leaking && change.kg < 0.0))
                .then(|| self.began(plant, lag))
                .flatten()
        })
    }

    /// The last step that still was where the mass stood `lag` steps ago.
    fn began(&self, plant: &Plant, lag: usize) -> Option<Monotonic> {
        let noise_kg = self.change_over(plant, 1)?.std_kg;
        let base = self.steps.len().checked_sub(lag + 1)?;
        let stood = self.steps.get(base)?.mass_kg;
        let before_now = self.steps.len().checked_sub(1)?;
        let still = (base..before_now).rev().find(|&at| {
            let step = self.steps.get(at);
            step.is_some_and(|step| (step.mass_kg - stood).abs() <= 2.0 * noise_kg)
        });
        // That one may have begun to move.
        let at = still.unwrap_or(base).saturating_sub(1).max(base);
        self.steps.get(at).map(|step| step.at)
    }

    /// Whether it has stood still over the last quarter of an hour, beside `moved_kg` before.
    pub fn stands(&self, plant: &Plant, moved_kg: f64) -> bool {
        let Some(change) = self.change_over(plant, STILL_STEPS) else {
            return false;
        };
        let most_kg = (3.0 * change.std_kg).max(0.02 * moved_kg);
        let mut newest = self.steps.iter().rev().map(|step| step.mass_kg);
        let Some(now_kg) = newest.next() else {
            return false;
        };
        newest
            .take(STILL_STEPS)
            .all(|kg| (kg - now_kg).abs() <= most_kg)
    }

    /// Whether a fall that was too long to be a vent is over.
    pub fn leak_is_over(&self, plant: &Plant) -> bool {
        self.change_over(plant, 12)
            .is_some_and(|change| !change.exceeds(3.0))
    }
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    let upper = *values.get(half)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    Some(f64::midpoint(*values.get(half.checked_sub(1)?)?, upper))
}
