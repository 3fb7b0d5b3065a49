//! What a happening was, what each vessel gave and took, and what the books say of it.

use serde::{Deserialize, Serialize};

use super::track::Change;
use crate::balance::ledger::Ledger;
use crate::balance::report::{CERTAIN_CHANGE, Happening, HappeningKind};
use crate::helium::LAMBDA_TEMPERATURE_K;
use crate::plant::{BookingKind, Contents, Id, LiquidState, Plant, VesselIx};
use crate::time::{Span, Timestamp};

/// Something changed the plant's helium at once: the series of losses knows of it as a step.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Jump {
    /// The last quiet step before it ended then.
    pub from: Timestamp,
    /// The plant has stood still again by then.
    pub to: Timestamp,
    /// Change of the plant's helium in that time beside what the ledger books in that time, kg.
    pub net_kg: f64,
    /// Its standard uncertainty, kg.
    pub std_kg: f64,
    /// Whether a ledger entry explains it.
    pub booked: bool,
}

/// Uncertainties of a vessel's change beyond which it is listed.
const LISTED: f64 = 3.0;
/// Part of its contents that a bath must gain or lose.
pub(super) const PART_OF_BATH: f64 = 0.03;
/// Gas that comes in is tens of kelvin warmer than the wall, and its thermometer lags behind while
/// it cools: this part of it is in doubt (common practice, no source).
pub(super) const FRESH_GAS_DOUBT: f64 = 0.03;
/// A bath fell at once when this part of its fall took no longer than ten minutes.
pub(super) const SUDDEN: f64 = 0.6;
/// An entry is looked for this long before and after.
const DATED_WITHIN: Span = Span::from_millis(12 * 3_600_000);
/// An entry that ran at that time, give or take this, explains it whatever its mass.
const SAME_TIME: Span = Span::HOUR;

/// One vessel over a happening.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moved {
    pub vessel: VesselIx,
    pub change: Change,
    /// kg before.
    pub before_kg: f64,
    /// K before and after.
    pub kelvin: (Option<f64>, Option<f64>),
    /// Largest part of its change that fell into ten minutes, 0 to 1; of vessels that moved by
    /// themselves.
    pub suddenness: f64,
}

impl Moved {
    fn is_listed(&self) -> bool {
        self.change.exceeds(LISTED)
    }

    fn is_bath(&self, plant: &Plant) -> bool {
        plant
            .vessel(self.vessel)
            .is_some_and(|vessel| matches!(vessel.contents, Contents::Bath { .. }))
    }

    fn is_much(&self) -> bool {
        let held = self
            .before_kg
            .abs()
            .max((self.before_kg + self.change.kg).abs());
        self.is_listed() && self.change.kg.abs() >= PART_OF_BATH * held
    }

    /// The lambda line was crossed downwards while the bath lost helium.
    fn was_pumped_down(&self, plant: &Plant) -> bool {
        let pumped = plant.vessel(self.vessel).is_some_and(|vessel| {
            matches!(
                vessel.contents,
                Contents::Bath {
                    liquid: LiquidState::Pumped(_),
                    ..
                }
            )
        });
        let (before, after) = self.kelvin;
        pumped
            && before.is_some_and(|kelvin| kelvin > LAMBDA_TEMPERATURE_K)
            && after.is_some_and(|kelvin| kelvin <= LAMBDA_TEMPERATURE_K)
            && self.change.kg < 0.0
    }
}

/// What it was; none when nothing is left of it.
pub(super) fn kind(plant: &Plant, moved: &[Moved], whole: Option<Change>) -> Option<HappeningKind> {
    let baths = || {
        moved
            .iter()
            .filter(|moved| moved.is_bath(plant) && moved.is_much())
    };
    let fell_kg: f64 = baths().map(|bath| (-bath.change.kg).max(0.0)).sum();
    let rose_kg: f64 = baths().map(|bath| bath.change.kg.max(0.0)).sum();
    let whole_kg = whole
        .filter(|change| change.exceeds(CERTAIN_CHANGE))
        .map_or(0.0, |change| change.kg);
    if baths().any(|bath| bath.was_pumped_down(plant)) {
        return Some(HappeningKind::PumpDown);
    }
    // More of it crossed the boundary than went from vessel to vessel.
    if whole_kg != 0.0 && whole_kg.abs() >= 0.5 * fell_kg.max(rose_kg) {
        return Some(if whole_kg > 0.0 {
            HappeningKind::Delivery
        } else {
            HappeningKind::Vent
        });
    }
    let sudden = baths().any(|bath| bath.change.kg < 0.0 && bath.suddenness >= SUDDEN);
    if sudden && rose_kg < 0.5 * fell_kg {
        return Some(HappeningKind::Quench);
    }
    match (fell_kg > 0.0, rose_kg > 0.0) {
        (true, _) => Some(HappeningKind::Transfer),
        (false, true) => Some(HappeningKind::Fill),
        (false, false) => None,
    }
}

/// Whether other vessels took at least half of what vessels gave.
pub(super) fn is_found_elsewhere(moved: &[Moved]) -> bool {
    let listed = || moved.iter().filter(|moved| moved.is_listed());
    let gave: f64 = listed().map(|moved| (-moved.change.kg).max(0.0)).sum();
    let took: f64 = listed().map(|moved| moved.change.kg.max(0.0)).sum();
    took >= 0.5 * gave
}

/// Vessels that gave and that took, the largest first.
pub(super) fn sides(plant: &Plant, moved: &[Moved]) -> [Vec<(Id, f64)>; 2] {
    [-1.0, 1.0].map(|sign| {
        let mut side: Vec<(Id, f64)> = moved
            .iter()
            .filter(|moved| moved.is_listed() && moved.change.kg * sign > 0.0)
            .filter_map(|moved| {
                let vessel = plant.vessel(moved.vessel)?;
                Some((Id::clone(&vessel.id), moved.change.kg.abs()))
            })
            .collect();
        side.sort_by(|a, b| b.1.total_cmp(&a.1));
        side
    })
}

/// Gas that came into gas stores, kg.
pub(super) fn fresh_gas_kg(plant: &Plant, moved: &[Moved]) -> f64 {
    moved
        .iter()
        .filter(|moved| {
            plant
                .vessel(moved.vessel)
                .is_some_and(|vessel| matches!(vessel.contents, Contents::Fluid { .. }))
        })
        .filter(|moved| moved.is_listed())
        .map(|moved| moved.change.kg.max(0.0))
        .sum()
}

/// A happening that is over, with what a late ledger entry needs to change it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Done {
    pub happening: Happening,
    /// End of the last quiet step before, and of the one at which all stood still again.
    pub window: Option<(Timestamp, Timestamp)>,
    /// Change of the plant, books left aside, kg with standard uncertainty; none when not known.
    pub whole: Option<(f64, f64)>,
    /// As the plant changed, so it began: a transfer whose entry is withdrawn is a vent again.
    pub kind: HappeningKind,
}

impl Done {
    /// Brings it in line with the books; true when that changes it.
    pub fn settle(&mut self, ledger: &Ledger) -> bool {
        let before = self.happening.clone();
        let (Some((kg, std)), Some((from, to))) = (self.whole, self.window) else {
            return false;
        };
        let within = ledger.booked_between(from, to);
        let mut net = kg - within.net_kg();
        let mut variance = std * std + within.variance_kg2;
        self.happening.booked = None;
        self.happening.kind = self.kind;
        if self.is_jump()
            && let Some(entry) = self.entry(ledger)
        {
            // A slow beginning or end may be taken for quiet, and an entry may be dated roughly: of
            // what it moved beside the happening half is counted, and all of it is in doubt.
            let beside_kg = entry.beside_kg(from, to);
            net = kg - entry.kg + 0.5 * beside_kg;
            variance = std * std + entry.std_kg * entry.std_kg + beside_kg * beside_kg / 12.0;
            let handed_out = matches!(entry.kind, BookingKind::Dispatch | BookingKind::LoanOut);
            if handed_out && self.kind == HappeningKind::Vent {
                self.happening.kind = HappeningKind::Transfer;
            }
            self.happening.booked = Some(entry.id);
        }
        self.happening.net_kg = net;
        self.happening.net_std_kg = libm::sqrt(variance);
        self.happening != before
    }

    /// Whether the plant's helium changed for certain.
    fn is_jump(&self) -> bool {
        self.whole
            .is_some_and(|(kg, std)| kg.abs() > CERTAIN_CHANGE * std)
    }

    /// The entry that explains it: of those that ran at that time, else of those near it whose mass
    /// agrees, the one that comes nearest in mass.
    fn entry(&self, ledger: &Ledger) -> Option<Explains> {
        let (kg, std) = self.whole?;
        let (from, to) = self.window?;
        let mut best: Option<(bool, f64, Explains)> = None;
        for entered in ledger
            .entries()
            .iter()
            .filter(|e| e.superseded_by.is_none())
        {
            let booking = &entered.entry.booking;
            let entry_kg = booking.kind.sign() * booking.mass.value.si();
            if entry_kg * kg <= 0.0 {
                continue;
            }
            let ends = booking.effective_at + booking.over;
            let gap = (booking.effective_at - to)
                .millis()
                .max((from - ends).millis());
            let same_time = gap <= SAME_TIME.millis();
            let off = (kg - entry_kg).abs();
            let agrees = off <= 4.0 * libm::hypot(std, booking.mass.std) + 0.1 * kg.abs();
            if gap > DATED_WITHIN.millis() || !(same_time || agrees) {
                continue;
            }
            let better = best.as_ref().is_none_or(|(same, worst, _)| {
                (same_time && !same) || (same_time == *same && off < *worst)
            });
            if better {
                let explains = Explains {
                    id: Id::clone(&entered.entry.id),
                    kind: booking.kind,
                    kg: entry_kg,
                    std_kg: booking.mass.std,
                    from: booking.effective_at,
                    to: ends,
                };
                best = Some((same_time, off, explains));
            }
        }
        best.map(|(_, _, explains)| explains)
    }

    /// As the series of losses sees it, which takes every entry off at its own time: an entry that
    /// is dated beside the happening leaves a second jump where it is dated.
    pub fn jumps(&self, ledger: &Ledger, out: &mut Vec<Jump>) {
        let (Some((kg, std_kg)), Some((from, to))) = (self.whole, self.window) else {
            return;
        };
        if !self.is_jump() {
            return;
        }
        let within = ledger.booked_between(from, to);
        let entry = self.entry(ledger);
        out.push(Jump {
            from,
            to,
            net_kg: kg - within.net_kg(),
            std_kg: libm::sqrt(std_kg * std_kg + within.variance_kg2),
            booked: entry.is_some(),
        });
        if let Some(entry) = entry
            && entry.is_apart(from, to)
        {
            out.push(Jump {
                from: entry.from,
                to: entry.to,
                net_kg: -entry.kg,
                std_kg: entry.std_kg,
                booked: true,
            });
        }
    }
}

struct Explains {
    id: Id,
    kind: BookingKind,
    kg: f64,
    std_kg: f64,
    from: Timestamp,
    to: Timestamp,
}

impl Explains {
    /// Whether none of it is dated within those times: then its whole mass is meant all the same.
    fn is_apart(&self, from: Timestamp, to: Timestamp) -> bool {
        self.from >= to || self.to <= from
    }

    /// What it moved before and after those times, spread evenly, kg.
    fn beside_kg(&self, from: Timestamp, to: Timestamp) -> f64 {
        let over = self.to - self.from;
        if self.is_apart(from, to) || over <= Span::ZERO {
            return 0.0;
        }
        let within = self.to.min(to) - self.from.max(from);
        self.kg * (1.0 - within.seconds() / over.seconds())
    }
}
