//! Adding vessels up without forgetting what their errors have in common.

use serde::{Deserialize, Serialize};

use super::inventory::{Readings, StatedSource, VesselMass};
use super::report::MassFigure;
use crate::plant::{Behaviour, ChannelIx, Plant};
use crate::quantity::{GroupIx, Quality, Reason};
use crate::time::Span;

/// A source of error that lasts from tick to tick.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Cause {
    /// A shared source of channels.
    Group(GroupIx),
    /// A number stated by a person or by the model.
    Stated(StatedSource),
    /// The last usable value of a channel, carried forward: the same for as long as it is carried.
    Carried(ChannelIx),
}

/// Errors by cause at the two ends of a stretch of time.
pub type Ends<'a> = (&'a [(Cause, f64)], &'a [(Cause, f64)]);

/// A sum of masses with its errors by cause.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tally {
    /// kg; of the vessels whose mass is usable.
    pub mass_kg: f64,
    /// Variance of the errors that are new at every reading, kg2.
    pub independent_kg2: f64,
    /// Signed standard uncertainty by lasting cause, kg; sorted by cause.
    pub by_cause: Vec<(Cause, f64)>,
    /// Worst quality of its vessels; bad when one has no mass at all.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
}

/// The part of one reading or lasting cause in a variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Contributor {
    /// Independent noise of a channel.
    Channel(ChannelIx),
    /// A lasting cause.
    Cause(Cause),
}

impl Tally {
    /// Adds vessels up.
    #[must_use]
    pub fn of<'a>(
        masses: impl IntoIterator<Item = &'a VesselMass>,
        readings: &dyn Readings,
    ) -> Self {
        Self::with_contributors(masses, readings, &mut Vec::new())
    }

    /// Adds vessels up and lists the standard uncertainty, kg, that each contributor brings.
    pub fn with_contributors<'a>(
        masses: impl IntoIterator<Item = &'a VesselMass>,
        readings: &dyn Readings,
        contributors: &mut Vec<(Contributor, f64)>,
    ) -> Self {
        let mut tally = Self {
            mass_kg: 0.0,
            independent_kg2: 0.0,
            by_cause: Vec::new(),
            quality: Quality::Good,
            reason: Reason::None,
        };
        let mut by_channel: Vec<(ChannelIx, f64)> = Vec::new();
        for mass in masses {
            if mass.quality > tally.quality {
                tally.quality = mass.quality;
                tally.reason = mass.reason;
            }
            if mass.quality == Quality::Bad {
                continue;
            }
            tally.mass_kg += mass.mass_kg;
            by_channel.extend_from_slice(&mass.by_channel);
            tally.by_cause.extend(
                mass.by_stated
                    .iter()
                    .map(|&(stated, u)| (Cause::Stated(stated), u)),
            );
        }
        merge(&mut by_channel);
        for (channel, slope) in by_channel {
            let Some(measured) = readings.measured(channel) else {
                continue;
            };
            let independent = slope * measured.independent_std;
            if measured.reason == Reason::CarriedForward {
                // No new reading, no new noise: what is not known of it stays.
                tally.by_cause.push((Cause::Carried(channel), independent));
            } else if independent.is_finite() {
                tally.independent_kg2 += independent * independent;
                contributors.push((Contributor::Channel(channel), independent.abs()));
            }
            tally.by_cause.extend(
                measured
                    .shared
                    .iter()
                    .map(|&(group, u)| (Cause::Group(group), slope * u)),
            );
        }
        merge(&mut tally.by_cause);
        contributors.extend(
            tally
                .by_cause
                .iter()
                .map(|&(cause, u)| (Contributor::Cause(cause), u.abs())),
        );
        tally
    }

    /// Combined variance, kg2.
    #[must_use]
    pub fn variance_kg2(&self) -> f64 {
        self.independent_kg2 + self.by_cause.iter().map(|(_, u)| u * u).sum::<f64>()
    }

    /// Variance of the lasting part, kg2.
    #[must_use]
    pub fn constant_kg2(&self, plant: &Plant) -> f64 {
        constant_kg2(plant, &self.by_cause)
    }

    /// As a figure for people.
    #[must_use]
    pub fn figure(&self) -> MassFigure {
        MassFigure {
            mass_kg: self.mass_kg,
            std_kg: libm::sqrt(self.variance_kg2()),
            quality: self.quality,
            reason: self.reason,
        }
    }
}

/// Variance of the difference of two tallies that lie `apart` in time, kg2: a constant error
/// cancels as far as it is equal in both, a correlated one as far as it is remembered, independent
/// noise not at all. The independent parts are given by the caller, who knows how many readings
/// each average holds.
#[must_use]
pub fn lasting_difference_kg2(
    plant: &Plant,
    opening: &[(Cause, f64)],
    closing: &[(Cause, f64)],
    apart: Span,
) -> f64 {
    let mut variance = 0.0;
    let (mut left, mut right) = (opening.iter().peekable(), closing.iter().peekable());
    loop {
        let (cause, before, after) = match (left.peek(), right.peek()) {
            (None, None) => return variance,
            (Some(&&(cause, u)), None) => {
                left.next();
                (cause, u, 0.0)
            }
            (None, Some(&&(cause, u))) => {
                right.next();
                (cause, 0.0, u)
            }
            (Some(&&(a, u)), Some(&&(b, w))) => {
                if a <= b {
                    left.next();
                }
                if b <= a {
                    right.next();
                }
                (
                    a.min(b),
                    if a <= b { u } else { 0.0 },
                    if b <= a { w } else { 0.0 },
                )
            }
        };
        if is_carried(cause) {
            variance += carried_difference_kg2(before * before, after * after, apart);
            continue;
        }
        let remembered = remembered(plant, cause, apart);
        // Never below zero but for rounding.
        variance += (before * before + after * after - 2.0 * remembered * before * after).max(0.0);
    }
}

/// Covariance of two differences that the same causes reach, each with its opening and closing
/// errors, sorted by cause, over the same time; of a difference with itself it is
/// [`lasting_difference_kg2`].
#[must_use]
pub fn lasting_covariance_kg2(
    plant: &Plant,
    (opening, closing): Ends<'_>,
    (other_opening, other_closing): Ends<'_>,
    apart: Span,
) -> f64 {
    let of = |list: &[(Cause, f64)], cause: Cause| {
        let found = list.binary_search_by_key(&cause, |&(known, _)| known);
        found.ok().and_then(|at| list.get(at)).map_or(0.0, |e| e.1)
    };
    let opened = |cause| opening.binary_search_by_key(&cause, |&(known, _)| known);
    let causes = opening
        .iter()
        .chain(closing.iter().filter(|&&(cause, _)| opened(cause).is_err()));
    let mut covariance = 0.0;
    for &(cause, _) in causes {
        let [u, w] = [opening, closing].map(|list| of(list, cause));
        let [v, x] = [other_opening, other_closing].map(|list| of(list, cause));
        if v == 0.0 && x == 0.0 {
            continue;
        }
        if is_carried(cause) {
            let variance = |a: f64, b: f64| carried_difference_kg2(a * a, b * b, apart);
            let size = libm::sqrt(variance(u, w) * variance(v, x));
            covariance += size.copysign((u + w) * (v + x));
            continue;
        }
        let remembered = remembered(plant, cause, apart);
        covariance += u * v + w * x - remembered * (u * x + w * v);
    }
    covariance
}

/// How much of a cause is left of itself after a time.
fn remembered(plant: &Plant, cause: Cause, apart: Span) -> f64 {
    correlation_time(plant, cause).map_or(1.0, |time| {
        libm::exp(-apart.seconds() / time.seconds().max(1.0))
    })
}

/// Time over which what nobody measures goes its own way, s (common practice, no source).
const CARRIED_TIME_S: f64 = 43_200.0;

/// Variance of the change of something that is carried forward at both ends or at one. It has moved
/// on in between though its value has not: at least by what the uncertainty has grown, and after
/// half a day by as much as is unknown at all.
fn carried_difference_kg2(before: f64, after: f64, apart: Span) -> f64 {
    let moved = before.max(after) * (1.0 - libm::exp(-apart.seconds() / CARRIED_TIME_S));
    (after - before).abs().max(moved)
}

fn is_carried(cause: Cause) -> bool {
    matches!(
        cause,
        Cause::Carried(_) | Cause::Stated(StatedSource::Carried(_))
    )
}

/// Variance of the causes that stay, kg2.
#[must_use]
pub fn constant_kg2(plant: &Plant, by_cause: &[(Cause, f64)]) -> f64 {
    by_cause
        .iter()
        .filter(|(cause, _)| !is_carried(*cause) && correlation_time(plant, *cause).is_none())
        .map(|(_, u)| u * u)
        .sum()
}

/// Variance that the causes that stay leave in a difference, kg2: they do not cancel as far as more or
/// less hangs on them at its end than at its beginning.
#[must_use]
pub fn calibration_kg2(plant: &Plant, (opening, closing): Ends<'_>) -> f64 {
    let mut changed: Vec<(Cause, f64)> = opening.iter().map(|&(cause, u)| (cause, -u)).collect();
    changed.extend_from_slice(closing);
    merge(&mut changed);
    constant_kg2(plant, &changed)
}

/// Variance of what is carried forward, kg2.
#[must_use]
pub fn carried_kg2(by_cause: &[(Cause, f64)]) -> f64 {
    by_cause
        .iter()
        .filter(|(cause, _)| is_carried(*cause))
        .map(|(_, u)| u * u)
        .sum()
}

/// Variance of the causes that are forgotten in time, kg2, and the time that the largest of them
/// takes, s.
#[must_use]
pub fn correlated_part(plant: &Plant, by_cause: &[(Cause, f64)]) -> (f64, f64) {
    let (mut variance, mut largest) = (0.0, (0.0, 0.0));
    for (cause, u) in by_cause {
        if let Some(time) = correlation_time(plant, *cause) {
            variance += u * u;
            if u.abs() > largest.0 {
                largest = (u.abs(), time.seconds());
            }
        }
    }
    (variance, largest.1)
}

/// What causes that are forgotten in time add to the slow noise of a mass: the sum of variance times
/// time, kg2 s. One that lasts for days is hardly a noise but a wander within them, and adds to a slope
/// over three days accordingly less.
#[must_use]
pub fn slow_kg2_s(plant: &Plant, by_cause: &[(Cause, f64)]) -> f64 {
    const OVER_S: f64 = 3.0 * 86_400.0;
    by_cause
        .iter()
        .filter_map(|&(cause, u)| {
            let time = correlation_time(plant, cause)?.seconds();
            // The variance of a slope is 24 u2 time/over3 for short times, 2.4 u2/(time over) for long
            // ones: this joins them, by half too large where they meet.
            let of_over = time / OVER_S;
            Some(u * u * time / (1.0 + 10.0 * of_over * of_over))
        })
        .sum()
}

/// How long a cause is remembered; none for one that stays.
fn correlation_time(plant: &Plant, cause: Cause) -> Option<Span> {
    let Cause::Group(group) = cause else {
        return None;
    };
    match plant.groups.get(usize::from(group.0))?.behaviour {
        Behaviour::Constant => None,
        Behaviour::Correlated { time } => Some(time),
    }
}

/// Sorts by key and adds up entries of the same key, in their order of arrival.
pub(super) fn merge<K: Copy + Ord>(list: &mut Vec<(K, f64)>) {
    list.sort_by_key(|&(key, _)| key);
    list.dedup_by(|later, earlier| {
        let same = later.0 == earlier.0;
        if same {
            earlier.1 += later.1;
        }
        same
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn merging_adds_equal_keys() {
        let mut list = vec![(3, 1.0), (1, 2.0), (3, -4.0), (2, 0.5)];
        merge(&mut list);
        assert_eq!(list, vec![(1, 2.0), (2, 0.5), (3, -3.0)]);
    }
}
