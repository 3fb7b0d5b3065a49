//! What is lost, in figures and in one plain sentence.

use serde::Serialize;

use super::Scene;
use super::explanation::{ExplanationFact, both, explanation_fact, section_names};
use super::ranges::{RangeFact, range_facts};
use crate::balance::area::section_ids_of;
use crate::console::words::{Figure, Moment, loss_unit, number, window as window_name};
use crate::engine::{LossReport, WindowBalance};
use crate::plant::{End, Id, LossUnit, Passage, Plant};
use crate::quantity::decimals_for;
use crate::time::Span;

/// Losses of the plant and of each section.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LossFacts {
    /// What every ± on it means.
    pub uncertainty: &'static str,
    /// Unit of the rates.
    pub unit: String,
    /// The state of helium that this unit means; empty when it is a mass or money.
    pub unit_state: &'static str,
    /// The plant first, then areas: sections that no meter parts are balanced together.
    pub losses: Vec<LossFact>,
    /// What could explain the plant's loss, while one stands.
    pub explanation: Option<ExplanationFact>,
    /// Three ways to see a loss, with the size each is good for.
    pub ranges: Vec<RangeFact>,
}

/// Loss of the plant or of a section.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LossFact {
    /// The section's id, or those of an area joined by `+`; none for the plant.
    pub section: Option<String>,
    /// Ids of the sections that it is of; empty for the plant.
    pub sections: Vec<String>,
    /// Lines without a meter that join these sections.
    pub joined_by: Vec<JointFact>,
    /// Name as people say it.
    pub name: String,
    /// Whether a loss beyond the accepted one has been decided on.
    pub raised: bool,
    /// The statement in plain words.
    pub statement: String,
    /// What it rests on, or what would have gone unseen.
    pub reach: String,
    /// Loss beyond the accepted one, when decided on.
    pub excess: Option<Figure>,
    /// 95 % band of that.
    pub excess_band: Option<(Figure, Figure)>,
    /// Since when.
    pub since: Option<Moment>,
    /// 95 % band of the beginning.
    pub since_band: Option<(Moment, Moment)>,
    /// Lost beyond the accepted loss since it began.
    pub lost: Option<Figure>,
    /// Loss that is accepted.
    pub accepted: Figure,
    /// Loss rate over the last days, the accepted loss included.
    pub rate: Option<Figure>,
    /// Over how long that rate was estimated.
    pub rate_over: Option<String>,
    /// Excess above which a loss is said to be seen.
    pub decision_threshold: Option<Figure>,
    /// Smallest excess that would be seen with 95 %.
    pub detection_limit: Option<Figure>,
    /// The same over each window: a mean excess that would be seen in it.
    pub limits: Vec<LimitFact>,
    /// Balance over windows.
    pub windows: Vec<WindowFact>,
    /// What the rate's estimate found beside it.
    pub noise: Option<NoiseFact>,
}

/// Smallest mean excess that would be seen in a window with 95 % (ISO 11929).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LimitFact {
    /// Length of the window.
    pub over: String,
    /// The excess.
    pub limit: Figure,
}

/// A line through which helium may pass between two sections of an area without being metered.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JointFact {
    /// Its id.
    pub line: String,
    /// Its name.
    pub name: String,
    /// Why it joins, in words.
    pub why: &'static str,
}

/// Noise of the inventory as found by the rate's estimate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NoiseFact {
    /// Independent noise, standard deviation.
    pub white: Figure,
    /// Correlated noise, standard deviation.
    pub correlated: Figure,
    /// Its correlation time, in words.
    pub correlation_time: String,
    /// Its correlation time, s.
    pub correlation_time_s: f64,
    /// Amplitude of the daily wave taken out.
    pub daily_wave: Figure,
}

/// Balance over one window.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WindowFact {
    /// Length in words.
    pub over: String,
    /// Length, s.
    pub over_s: f64,
    /// From.
    pub from: Moment,
    /// Opening inventory.
    pub opening: Figure,
    /// Booked in.
    pub received: Figure,
    /// Booked out.
    pub dispatched: Figure,
    /// Closing inventory.
    pub closing: Figure,
    /// Unaccounted loss.
    pub unaccounted: Figure,
    /// Accepted loss.
    pub accepted: Figure,
    /// Unaccounted less accepted.
    pub excess: Figure,
    /// Excess above which a loss is said to be seen (ISO 11929).
    pub decision_threshold: Figure,
    /// Smallest excess that would be seen with 95 % (ISO 11929).
    pub detection_limit: Figure,
    /// Whether the excess passes its threshold.
    pub seen: bool,
    /// Part of the window with data, %.
    pub coverage_percent: f64,
    /// Vessels whose mass was carried forward or substituted.
    pub doubtful_vessels: Vec<String>,
}

/// What every ± on a page means.
pub const UNCERTAINTY: &str = "± is one standard uncertainty (k = 1)";

/// Losses of a picture.
#[must_use]
pub fn loss_facts(scene: Scene<'_>) -> LossFacts {
    let unit = loss_unit(scene.plant);
    LossFacts {
        uncertainty: UNCERTAINTY,
        unit: unit.symbol().to_owned(),
        unit_state: unit.state(),
        losses: scene
            .view
            .losses
            .iter()
            .map(|report| fact(scene, report))
            .collect(),
        explanation: explanation_fact(scene),
        ranges: range_facts(scene),
    }
}

/// The fact of the plant, or of the area that holds a section.
#[must_use]
pub fn loss_of<'f>(facts: &'f LossFacts, section: Option<&str>) -> Option<&'f LossFact> {
    facts.losses.iter().find(|loss| match section {
        None => loss.section.is_none(),
        Some(id) => loss.sections.iter().any(|known| known == id),
    })
}

fn fact(scene: Scene<'_>, report: &LossReport) -> LossFact {
    let sections: Vec<String> = report
        .section
        .as_deref()
        .map(|ids| section_ids_of(ids).map(str::to_owned).collect())
        .unwrap_or_default();
    let unit = &loss_unit(scene.plant);
    let rate = |si: f64, std: Option<f64>| Figure::rate(si, std, unit);
    let (accepted_si, accepted_std) = report.accepted_kg_per_s;
    let accepted = rate(accepted_si, Some(accepted_std));
    let windows: Vec<_> = report.windows.iter().map(|w| window(scene, w)).collect();
    let limits = limits(report, unit);
    let raised = report.excess.as_ref().filter(|excess| excess.raised);
    let excess = raised.map(|e| rate(e.excess_kg_per_s, Some(e.std_kg_per_s)));
    let excess_band = raised.zip(excess.as_ref()).map(|(e, shown)| {
        let (least, most) = e.band_95_kg_per_s();
        let end = |si| shown.end_of_band(unit.from_si(si));
        (end(least), end(most))
    });
    let lost = raised.map(|e| Figure::kg(Some(e.lost_kg), Some(e.lost_std_kg)));
    let since = raised.map(|e| scene.time.minute(e.since));
    let since_band = raised.and_then(|e| e.since_band).map(|(first, last)| {
        (
            scene.time.minute(Some(first)),
            scene.time.minute(Some(last)),
        )
    });
    let (statement, reach) = match (&excess, &excess_band, &lost, &since) {
        (Some(excess), Some(band), Some(lost), Some(since)) => (
            match report.section {
                None => format!(
                    "Losing {} beyond the accepted {}.",
                    excess.in_words(),
                    plain(&accepted),
                ),
                // Nobody has said what is accepted of an area.
                Some(_) => format!("Losing {}.", excess.in_words()),
            },
            excess_reach(band, since, since_band.as_ref(), lost),
        ),
        _ => quiet_statement(report, &accepted, &limits, unit),
    };
    LossFact {
        section: report.section.as_ref().map(ToString::to_string),
        name: name_of(scene.plant, report.section.as_deref()),
        joined_by: joints(scene, &sections),
        sections,
        raised: raised.is_some(),
        statement,
        reach,
        excess,
        excess_band,
        since,
        since_band,
        lost,
        accepted,
        rate: report
            .rate
            .as_ref()
            .map(|r| rate(r.rate_kg_per_s, Some(r.std_kg_per_s))),
        rate_over: report.rate.as_ref().map(|r| r.over.to_string()),
        decision_threshold: report
            .rate
            .as_ref()
            .map(|r| limit(r.decision_threshold_kg_per_s, unit)),
        detection_limit: report
            .rate
            .as_ref()
            .map(|r| limit(r.detection_limit_kg_per_s, unit)),
        limits,
        windows,
        noise: report.rate.as_ref().map(|r| NoiseFact {
            white: Figure::two_digits(r.white_std_kg, "kg"),
            correlated: Figure::two_digits(r.correlated_std_kg, "kg"),
            correlation_time: Span::from_seconds(r.correlation_time_s).to_string(),
            correlation_time_s: r.correlation_time_s,
            daily_wave: Figure::two_digits(r.daily_wave_kg, "kg"),
        }),
    }
}

fn excess_reach(
    (least, most): &(Figure, Figure),
    since: &Moment,
    band: Option<&(Moment, Moment)>,
    lost: &Figure,
) -> String {
    let began = match (since.ms, band) {
        (None, None) => "When it began is not known".to_owned(),
        (None, Some((first, last))) => format!("Began between {} and {}", first.text, last.text),
        (Some(_), None) => format!("Since {}", since.text),
        (Some(_), Some((first, last))) => format!(
            "Since {} (95 %: between {} and {})",
            since.text, first.text, last.text
        ),
    };
    format!(
        "Between {} and {} (95 %). {began}. Lost so far: {}.",
        least.text,
        most.with_unit(),
        lost.in_words()
    )
}

fn quiet_statement(
    report: &LossReport,
    accepted: &Figure,
    limits: &[LimitFact],
    unit: &LossUnit,
) -> (String, String) {
    let reach: Vec<String> = limits
        .iter()
        .map(|one| format!("{} over {}", one.limit.with_unit(), one.over))
        .collect();
    if reach.is_empty() && report.section.is_some() && report.rate.is_some() {
        return (
            "No loss seen, but meters have not parted it from its neighbours long enough for a balance."
                .into(),
            "A balance comes once its meters have been read for an hour on end.".into(),
        );
    }
    if reach.is_empty() {
        return (
            "Not enough history yet to say whether helium is being lost.".into(),
            "A figure comes with the first full hour.".into(),
        );
    }
    let best = report
        .rate
        .as_ref()
        .filter(|r| r.detection_limit_kg_per_s.is_finite())
        .map(|r| {
            format!(
                " The estimate over {} would show {}.",
                window_name(r.over),
                limit(r.detection_limit_kg_per_s, unit).with_unit()
            )
        })
        .unwrap_or_default();
    (
        quiet_words(report, accepted, unit),
        format!(
            "Smallest extra loss that would have been seen (95 %): {}.{best}",
            reach.join(", ")
        ),
    )
}

/// "No loss seen" is worth what would have been seen: the limit stands in the sentence.
fn quiet_words(report: &LossReport, accepted: &Figure, unit: &LossUnit) -> String {
    if let Some(words) = out_of_balance(report) {
        return words;
    }
    let day = report
        .windows
        .iter()
        .find(|w| w.over == Span::DAY)
        .or(report.windows.last())
        .filter(|w| w.detection_limit_kg.is_finite());
    let beyond = match (day, &report.section) {
        (None, None) => return format!("No loss seen beyond the accepted {}.", plain(accepted)),
        (None, Some(_)) => return "No loss seen.".into(),
        (Some(w), _) => format!(
            "nothing above {} over {}",
            limit(w.detection_limit_kg / w.over.seconds(), unit).with_unit(),
            window_name(w.over)
        ),
    };
    match report.section {
        None => format!(
            "No loss seen beyond the accepted {}: {beyond}.",
            plain(accepted)
        ),
        Some(_) => format!("No loss seen: {beyond}."),
    }
}

/// What a window says that chance does not explain, where no lasting loss shows: the books are the first
/// to be looked at. By twice the decision threshold, since there are many windows.
fn out_of_balance(report: &LossReport) -> Option<String> {
    let farthest = report
        .windows
        .iter()
        .filter(|w| w.excess_std_kg > 0.0 && w.excess_kg.abs() > w.detection_limit_kg)
        .max_by(|a, b| {
            let far = |w: &WindowBalance| w.excess_kg.abs() / w.excess_std_kg;
            far(a).total_cmp(&far(b))
        })?;
    let by = Figure::kg(Some(farthest.excess_kg.abs()), Some(farthest.excess_std_kg));
    let (by, over) = (by.in_words(), window_name(farthest.over));
    Some(match (farthest.excess_kg > 0.0, &report.section) {
        (true, None) => format!(
            "No lasting loss is seen, but {by} more than accepted is missing over {over}: look for helium that left at once, or for an entry that is missing, doubled or at a wrong time."
        ),
        (false, None) => format!(
            "No loss is seen, but {by} more is there than the books say over {over}: look for a delivery that is not booked, or an entry that is doubled or at a wrong time."
        ),
        (true, Some(_)) => format!(
            "No lasting loss is seen, but {by} is missing over {over}: look at its meters, for helium that left at once, and at the entries that name it."
        ),
        (false, Some(_)) => format!(
            "No loss is seen, but {by} more is there than its meters and entries say over {over}: look at its meters, and for an entry that is missing."
        ),
    })
}

/// A value without its uncertainty, with unit, for a sentence.
fn plain(figure: &Figure) -> String {
    figure.value.map_or_else(
        || figure.text.clone(),
        |value| {
            // Two digits are enough to recognise it, and a small one keeps them.
            let text = match value.abs() {
                size if size >= 1.0 || size == 0.0 => number(value, usize::from(size < 10.0)),
                size => number(value, decimals_for(size, value))
                    .trim_end_matches('0')
                    .to_owned(),
            };
            format!("{text} {}", figure.unit)
        },
    )
}

/// A rate that would have been seen within each window long enough to speak of a rate.
fn limits(report: &LossReport, unit: &LossUnit) -> Vec<LimitFact> {
    let windows = report.windows.iter();
    windows
        .filter(|w| w.over.seconds() > 0.0 && w.detection_limit_kg.is_finite())
        .map(|w| LimitFact {
            over: window_name(w.over),
            limit: limit(w.detection_limit_kg / w.over.seconds(), unit),
        })
        .collect()
}

/// A limit is a chosen number, not a measured one: two significant digits and no ±.
fn limit(si: f64, unit: &LossUnit) -> Figure {
    Figure::two_digits(unit.from_si(si), unit.symbol())
}

pub(super) fn window(scene: Scene<'_>, w: &WindowBalance) -> WindowFact {
    let kg = |value: f64| {
        let mut figure = Figure::kg(Some(value), None);
        if let Some(value) = figure.value {
            figure.text = number(value, 1);
        }
        figure
    };
    WindowFact {
        over: window_name(w.over),
        over_s: w.over.seconds(),
        from: scene.time.minute(w.from),
        opening: kg(w.opening_kg),
        received: kg(w.received_kg),
        dispatched: kg(w.dispatched_kg),
        closing: kg(w.closing_kg),
        unaccounted: Figure::kg(Some(w.unaccounted_kg), Some(w.std_kg)),
        accepted: Figure::two_digits(w.accepted_kg, "kg"),
        excess: Figure::kg(Some(w.excess_kg), Some(w.excess_std_kg)),
        decision_threshold: Figure::two_digits(w.decision_threshold_kg, "kg"),
        detection_limit: Figure::two_digits(w.detection_limit_kg, "kg"),
        seen: w.excess_kg > w.decision_threshold_kg,
        coverage_percent: libm::round(w.coverage * 1000.0) / 10.0,
        doubtful_vessels: w.doubtful_vessels.iter().map(ToString::to_string).collect(),
    }
}

/// Names of an area's sections, joined as people speak.
#[must_use]
pub fn name_of(plant: &Plant, section: Option<&str>) -> String {
    match section {
        None => "Whole plant".into(),
        Some(ids) => {
            let ids: Vec<Id> = section_ids_of(ids).map(Id::from).collect();
            both(&section_names(plant, &ids))
        }
    }
}

/// Lines between two of these sections that have no usable meter.
fn joints(scene: Scene<'_>, sections: &[String]) -> Vec<JointFact> {
    let inside = |end: End| match end {
        End::Section(ix) => scene
            .plant
            .section(ix)
            .is_some_and(|section| sections.iter().any(|id| **id == *section.id)),
        End::Outside => false,
    };
    scene
        .plant
        .all
        .line
        .iter()
        .filter(|line| line.from != line.to && inside(line.from) && inside(line.to))
        .filter_map(|line| {
            let view = scene.view.lines.iter().find(|view| view.id == line.id);
            let passage = view.map_or(Passage::Unknown, |view| view.passage);
            let flow = view.and_then(|view| view.flow_kg_per_s);
            let why = match (&line.meter, passage) {
                (_, Passage::Shut) => return None,
                (Some(_), _) if flow.is_some() => return None,
                (Some(_), _) => "its meter cannot be used",
                (None, Passage::Open) => "open",
                (None, Passage::Unknown) => "not known to be shut",
            };
            Some(JointFact {
                line: line.id.to_string(),
                name: line.name.clone(),
                why,
            })
        })
        .collect()
}
