//! A statement over a stretch of time: the balance between its ends, the months in it, and what
//! limits both. The command's report and its JSON are drawn from it.

use serde::Serialize;

use super::Scene;
use super::explanation::{HappeningFact, happening_facts};
use super::helium::{LedgerFact, ShareFact, helium_facts};
use super::losses::{LossFacts, WindowFact, loss_facts, window};
use super::reconciliation::{ReconciliationFacts, reconciliation_facts};
use crate::console::office::{LossPoint, MassPoint};
use crate::console::words::{Figure, Moment};
use crate::engine::WindowBalance;
use crate::engine::view::LedgerView;
use crate::plant::BookingKind;
use crate::time::{Span, Timestamp};

/// What a stretch of time was like, as the one who asks has gathered it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Course {
    /// First thing on record in it.
    pub from: Option<Timestamp>,
    /// Last thing on record in it.
    pub to: Option<Timestamp>,
    /// The plant's helium, thinned.
    pub mass: Vec<MassPoint>,
    /// The plant's loss rate, thinned.
    pub loss: Vec<LossPoint>,
    /// Stock at the beginning, at the turn of each month, and at the end.
    pub marks: Vec<Mark>,
    /// When the reckoning changed without helium moving: kg, and why.
    pub restated: Vec<(Timestamp, f64, String)>,
    /// What was not seen.
    pub gaps: Vec<Gap>,
    /// What else the reader should know.
    pub notes: Vec<String>,
}

/// The stock at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// When.
    pub at: Timestamp,
    /// kg.
    pub mass_kg: f64,
    /// Standard uncertainty of a loss between two such times, kg, where one is known.
    pub difference_std_kg: Option<f64>,
    /// Metered into and out of the plant since the beginning, kg.
    pub metered_kg: (f64, f64),
}

/// Something that was not seen for a while.
#[derive(Debug, Clone, PartialEq)]
pub struct Gap {
    /// What.
    pub what: String,
    /// Why.
    pub why: String,
    /// When first.
    pub first: Option<Timestamp>,
    /// For how long in all; none when not known.
    pub all: Option<Span>,
    /// How often.
    pub times: u32,
}

/// The statement.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StatementFacts {
    /// Name of the plant.
    pub site: String,
    /// What it is of: the plant, or the names of an area's sections.
    pub of: String,
    /// From.
    pub from: Moment,
    /// To.
    pub to: Moment,
    /// The balance between the two times; none when one of them is not on record.
    pub between: Option<WindowFact>,
    /// Sections, and why they are joined; empty for the plant.
    pub area: Vec<String>,
    /// Losses as known at the end: rates, windows, explanation, ranges.
    #[serde(flatten)]
    pub losses: LossFacts,
    /// Whether meters and inventories of the last day agree; none while the plant is one area.
    pub reconciliation: Option<ReconciliationFacts>,
    /// Helium by calendar month of the site.
    pub months: Vec<MonthFact>,
    /// Ledger entries of the time, oldest first.
    pub ledger: Vec<LedgerFact>,
    /// What moved much helium, oldest first.
    pub happenings: Vec<HappeningFact>,
    /// What decides the uncertainty of the inventory.
    pub budget: Vec<ShareFact>,
    /// What was not seen.
    pub gaps: Vec<GapFact>,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// Helium of one month, or of the part of it that the statement covers.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MonthFact {
    /// `May 2026`.
    pub month: String,
    /// From.
    pub from: Moment,
    /// To.
    pub to: Moment,
    /// Stock at the beginning.
    pub opening: Figure,
    /// Bought: delivered.
    pub bought: Figure,
    /// Came in otherwise: loans back, corrections, metered.
    pub other_in: Figure,
    /// Went out as booked or metered.
    pub out: Figure,
    /// Stock at the end.
    pub closing: Figure,
    /// Lost: opening + in - out - closing.
    pub lost: Figure,
    /// Accepted loss.
    pub accepted: Figure,
    /// Lost beyond the accepted.
    pub excess: Figure,
    /// What was bought cost, at the description's price.
    pub cost_bought: Option<Figure>,
    /// What was lost is worth, at the description's price.
    pub cost_lost: Option<Figure>,
}

/// Something that was not seen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GapFact {
    /// What.
    pub what: String,
    /// Why.
    pub why: String,
    /// When first.
    pub first: Moment,
    /// In all, in words.
    pub all: String,
    /// In all, s.
    pub all_s: Option<f64>,
    /// How often.
    pub times: u32,
}

/// Draws a statement. `between` is the balance of the whole stretch, of the plant or of the area
/// named by `area` (what it is called, and lines that say why its sections are joined).
#[must_use]
pub fn statement_facts(
    scene: Scene<'_>,
    course: &Course,
    between: Option<&WindowBalance>,
    area: Option<(String, Vec<String>)>,
) -> StatementFacts {
    let helium = helium_facts(scene);
    let within = |from: Option<i64>, to: Option<i64>| {
        let ended = to
            .zip(course.from)
            .is_some_and(|(to, begun)| to < begun.millis());
        let later = from
            .zip(course.to)
            .is_some_and(|(from, end)| from > end.millis());
        !ended && !later
    };
    let (of, area) = area.unwrap_or_else(|| ("Whole plant".into(), Vec::new()));
    let mut notes = course.notes.clone();
    notes.extend(course.restated.iter().map(|(at, kg, why)| {
        format!(
            "{}: the reckoning changed by {}, no helium moved: {why}",
            scene.time.minute(Some(*at)).text,
            Figure::two_digits(*kg, "kg").with_unit()
        )
    }));
    StatementFacts {
        site: scene.plant.site.name.clone(),
        of,
        from: scene.time.dated(course.from),
        to: scene.time.dated(course.to),
        between: between.map(|balance| WindowFact {
            // Not one of the round windows.
            over: balance.over.to_string(),
            ..window(scene, balance)
        }),
        area,
        losses: loss_facts(scene),
        reconciliation: reconciliation_facts(scene),
        months: months(scene, course),
        ledger: helium
            .ledger
            .into_iter()
            .rev()
            .filter(|entry| {
                let from = entry.effective_at.ms;
                #[expect(clippy::cast_possible_truncation, reason = "seconds of a booking")]
                let lasts = (entry.over_s * 1e3) as i64;
                within(from, from.map(|from| from.saturating_add(lasts)))
            })
            .collect(),
        happenings: happening_facts(scene)
            .into_iter()
            .rev()
            .filter(|one| within(one.from.ms, one.to.ms.or(one.from.ms)))
            .collect(),
        budget: helium.budget,
        gaps: course
            .gaps
            .iter()
            .map(|gap| GapFact {
                what: gap.what.clone(),
                why: gap.why.clone(),
                first: scene.time.minute(gap.first),
                all: gap
                    .all
                    .map_or_else(|| "not known".into(), |all| all.to_string()),
                all_s: gap.all.map(Span::seconds),
                times: gap.times,
            })
            .collect(),
        notes,
    }
}

/// What the ledger moved between two times, kg: bought, otherwise in, out, and the variance.
fn booked(scene: Scene<'_>, from: Timestamp, to: Timestamp) -> (f64, f64, f64, f64) {
    let (mut bought, mut other, mut out, mut variance) = (0.0, 0.0, 0.0, 0.0);
    for entry in &scene.view.ledger {
        if entry.superseded_by.is_some() {
            continue;
        }
        let share = done_by(entry, to) - done_by(entry, from);
        let kg = entry.mass_kg * share;
        variance += entry.std_kg * entry.std_kg * share * share;
        if kg < 0.0 {
            out -= kg;
        } else if entry.kind == BookingKind::Delivery.words() {
            bought += kg;
        } else {
            other += kg;
        }
    }
    (bought, other, out, variance)
}

/// Part of an entry that has moved by a time, 0 to 1.
fn done_by(entry: &LedgerView, at: Timestamp) -> f64 {
    let elapsed = at - entry.effective_at;
    if elapsed < Span::ZERO {
        0.0
    } else if elapsed >= entry.over {
        1.0
    } else {
        elapsed.seconds() / entry.over.seconds()
    }
}

fn months(scene: Scene<'_>, course: &Course) -> Vec<MonthFact> {
    course
        .marks
        .windows(2)
        .filter_map(|pair| match pair {
            [opening, closing] if closing.at > opening.at => {
                Some(month(scene, course, opening, closing))
            }
            _ => None,
        })
        .collect()
}

fn month(scene: Scene<'_>, course: &Course, opening: &Mark, closing: &Mark) -> MonthFact {
    let (bought, other, out, variance) = booked(scene, opening.at, closing.at);
    let other = other + closing.metered_kg.0 - opening.metered_kg.0;
    let out = out + closing.metered_kg.1 - opening.metered_kg.1;
    let restated: f64 = course
        .restated
        .iter()
        .filter(|(at, _, _)| *at > opening.at && *at <= closing.at)
        .map(|(_, kg, _)| kg)
        .sum();
    let lost = opening.mass_kg + restated + bought + other - out - closing.mass_kg;
    let std = closing
        .difference_std_kg
        .or(opening.difference_std_kg)
        .map(|std| libm::sqrt(std * std + variance));
    let seconds = (closing.at - opening.at).seconds();
    let accepted = scene.plant.site.accepted_loss;
    let accepted_kg = accepted.value.si() * seconds;
    let accepted_std = accepted.std * seconds;
    let plain = |kg: f64| {
        let mut figure = Figure::kg(Some(kg), None);
        figure.text = crate::console::words::number(kg, 1);
        figure
    };
    let price = scene.plant.site.helium_price_per_kg.as_ref();
    let cost = |kg: f64| {
        price.map(|(per_kg, currency)| {
            let mut figure = Figure::new(Some(per_kg * kg), None, currency);
            figure.text = crate::console::words::number(per_kg * kg, 0);
            figure
        })
    };
    let middle = opening.at + Span::from_millis((closing.at - opening.at).millis() / 2);
    MonthFact {
        month: scene.time.format(middle, "%B %Y"),
        from: scene.time.minute(Some(opening.at)),
        to: scene.time.minute(Some(closing.at)),
        opening: plain(opening.mass_kg + restated),
        bought: plain(bought),
        other_in: plain(other),
        out: plain(out),
        closing: plain(closing.mass_kg),
        lost: Figure::kg(Some(lost), std),
        accepted: Figure::kg(Some(accepted_kg), Some(accepted_std)),
        excess: Figure::kg(
            Some(lost - accepted_kg),
            std.map(|std| libm::hypot(std, accepted_std)),
        ),
        cost_bought: cost(bought),
        cost_lost: cost(lost),
    }
}
