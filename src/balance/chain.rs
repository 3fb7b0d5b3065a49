//! Balances of one area that follow each other, end to end: how a stretch longer than what the accounts
//! keep is balanced.

use super::area::Area;
use super::books::Books;
use super::ledger::Ledger;
use super::report::WindowBalance;
use super::window::{GRID, ONE_SIDED_95};
use crate::plant::{Id, Plant};
use crate::time::{Span, Timestamp};

/// A balance as it was reported, with the books of that time.
#[derive(Debug, Clone)]
pub struct Link {
    /// As reported.
    pub balance: WindowBalance,
    /// When it ends.
    pub to: Timestamp,
    /// The books as they were then.
    pub ledger_then: Ledger,
}

/// Joins balances of an area, oldest first, and books anew what has been booked since. None without any,
/// or when one has no beginning.
///
/// Meters and calibrations err alike in all of them, other noise does not, and how much is of which is
/// not told: their standard uncertainties are added up, which is the most that it can be.
#[must_use]
pub fn joined(
    plant: &Plant,
    ledger: &Ledger,
    area: &Area,
    links: &[Link],
) -> Option<WindowBalance> {
    let first = links.first()?.balance.clone();
    let begin = first.from?;
    let mut all = WindowBalance {
        over: Span::ZERO,
        received_kg: 0.0,
        dispatched_kg: 0.0,
        std_kg: 0.0,
        accepted_kg: 0.0,
        excess_std_kg: 0.0,
        coverage: 0.0,
        doubtful_vessels: Vec::new(),
        ..first
    };
    let mut covered_s = 0.0;
    for Link {
        balance,
        to,
        ledger_then,
    } in links
    {
        let from = balance.from?;
        // As the accounts do: the mean of a step stands for its middle.
        let half = Span::from_millis(GRID.millis() / 2);
        let booked = |ledger| Books::of(ledger, plant, area, None).between(from - half, *to - half);
        let (then, now) = (booked(ledger_then), booked(ledger));
        all.received_kg += balance.received_kg - then.received_kg + now.received_kg;
        all.dispatched_kg += balance.dispatched_kg - then.dispatched_kg + now.dispatched_kg;
        let more_kg2 = (now.variance_kg2 - then.variance_kg2).max(0.0);
        all.std_kg += libm::hypot(balance.std_kg, libm::sqrt(more_kg2));
        all.excess_std_kg += libm::hypot(balance.excess_std_kg, libm::sqrt(more_kg2));
        all.accepted_kg += balance.accepted_kg;
        all.closing_kg = balance.closing_kg;
        all.over = *to - begin;
        covered_s += balance.coverage * (*to - from).seconds();
        let known = |id: &&Id| !all.doubtful_vessels.contains(id);
        let more: Vec<Id> = balance
            .doubtful_vessels
            .iter()
            .filter(known)
            .cloned()
            .collect();
        all.doubtful_vessels.extend(more);
    }
    all.coverage = (covered_s / all.over.seconds().max(1.0)).min(1.0);
    all.unaccounted_kg = all.opening_kg + all.received_kg - all.dispatched_kg - all.closing_kg;
    all.excess_kg = all.unaccounted_kg - all.accepted_kg;
    all.decision_threshold_kg = ONE_SIDED_95 * all.excess_std_kg;
    all.detection_limit_kg = 2.0 * all.decision_threshold_kg;
    Some(all)
}
