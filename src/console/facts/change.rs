//! How the inventory changed apart from what was booked: the curve on which a loss is a slope.

use serde::Serialize;

use super::Scene;
use crate::console::office::MassPoint;
use crate::engine::view::LedgerView;
use crate::time::{Span, Timestamp};

/// Change of the inventory since the first point, less what was booked in and out meanwhile.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ChangePoint {
    /// When.
    #[serde(rename = "at_ms")]
    pub at: Timestamp,
    /// Change not explained by the ledger, kg; falling is a loss.
    pub unexplained_kg: f64,
    /// Standard uncertainty of the inventory without the part that stays the same for weeks, which
    /// cancels in a change, kg.
    pub std_kg: f64,
    /// What the accepted loss alone would have made of it, kg.
    pub accepted_kg: f64,
    /// Whether booked helium was being moved: the books and the instruments then need not agree to
    /// the hour, and the curve leaves the point out.
    pub moving: bool,
}

/// Books and instruments are given this long to agree on when helium moved.
const AGREEMENT: Span = Span::from_millis(1_800_000);
/// A booking over a longer time says nothing about single hours.
const LONGEST_MOVE: Span = Span::from_millis(12 * 3_600_000);

/// The unexplained change over a series of inventories of the whole plant.
#[must_use]
pub fn change(scene: Scene<'_>, points: &[MassPoint]) -> Vec<ChangePoint> {
    let Some(first) = points.first() else {
        return Vec::new();
    };
    let constant = scene
        .view
        .inventory
        .as_ref()
        .map_or(0.0, |report| report.constant_std_kg);
    let accepted_kg_per_s = scene.plant.site.accepted_loss.value.si();
    let entries: Vec<&LedgerView> = scene
        .view
        .ledger
        .iter()
        .filter(|entry| entry.superseded_by.is_none())
        .collect();
    points
        .iter()
        .map(|point| {
            let booked: f64 = entries
                .iter()
                .map(|entry| booked_kg(entry, first.at, point.at))
                .sum();
            ChangePoint {
                at: point.at,
                unexplained_kg: point.mass_kg - first.mass_kg - booked,
                std_kg: libm::sqrt((point.std_kg * point.std_kg - constant * constant).max(0.0)),
                accepted_kg: -accepted_kg_per_s * (point.at - first.at).seconds(),
                moving: is_moving(scene, point.at),
            }
        })
        .collect()
}

/// Whether helium that is booked was under way then: what is reckoned meanwhile shows the move, not a
/// loss, until it is over and the books agree.
#[must_use]
pub fn is_moving(scene: Scene<'_>, at: Timestamp) -> bool {
    let mut entries = scene.view.ledger.iter();
    entries.any(|entry| entry.superseded_by.is_none() && moves(entry, at))
}

fn moves(entry: &LedgerView, at: Timestamp) -> bool {
    entry.over <= LONGEST_MOVE
        && at > entry.effective_at - AGREEMENT
        && at < entry.effective_at + entry.over + AGREEMENT
}

/// Part of an entry that moved between two times; its mass is spread evenly over its duration.
fn booked_kg(entry: &LedgerView, from: Timestamp, to: Timestamp) -> f64 {
    let part_before = |at: Timestamp| {
        let since = (at - entry.effective_at).seconds();
        let over = entry.over.seconds();
        if since <= 0.0 {
            0.0
        } else if since >= over {
            1.0
        } else {
            since / over
        }
    };
    entry.mass_kg * (part_before(to) - part_before(from))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_counts_as_it_moved() {
        let at = Timestamp::from_millis;
        let entry = LedgerView {
            id: "x".into(),
            entered_seq: 1,
            entered_at: None,
            effective_at: at(10_000),
            over: Span::from_millis(20_000),
            kind: "delivery".into(),
            mass_kg: 8.0,
            std_kg: 0.1,
            author: String::new(),
            note: String::new(),
            section: None,
            superseded_by: None,
        };
        assert_eq!(booked_kg(&entry, at(0), at(10_000)), 0.0);
        assert_eq!(booked_kg(&entry, at(0), at(15_000)), 2.0);
        assert_eq!(booked_kg(&entry, at(15_000), at(90_000)), 6.0);
        let minutes = |count: i64| Span::from_millis(count * 60_000);
        assert!(moves(&entry, at(10_000) - minutes(29)));
        assert!(moves(&entry, at(30_000) + minutes(29)));
        assert!(!moves(&entry, at(10_000) - minutes(31)));
        assert!(!moves(&entry, at(30_000) + minutes(31)));
        let at_once = LedgerView {
            over: Span::ZERO,
            ..entry
        };
        assert_eq!(booked_kg(&at_once, at(0), at(10_001)), 8.0);
        assert_eq!(booked_kg(&at_once, at(20_000), at(30_000)), 0.0);
    }
}
