//! What could be behind a loss, in words a person can act on.

use serde::Serialize;

use super::Scene;
use crate::console::words::{Figure, Moment, loss_unit, window as window_name};
use crate::engine::{
    Explanation, Happening, Hypothesis, HypothesisGroup, HypothesisKind, IsolationTest,
};
use crate::plant::{Id, Plant};
use crate::time::Span;

/// Stands with every isolation test.
pub const ISOLATION_CAUTION: &str = "Only people move valves; Coldledger moves none. Never cut off a bath, or any line that holds cold helium, from its way out: it bursts as it warms. The site's own rules come first.";

/// What could explain the loss that stands, most credible first.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExplanationFact {
    /// The leading explanation in one sentence.
    pub leading: String,
    /// Explanations that the measurements tell apart.
    pub groups: Vec<GroupFact>,
    /// What is ruled out, and by what.
    pub excluded: Vec<String>,
}

/// Explanations that the measurements cannot tell apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GroupFact {
    /// How credible, in words.
    pub credible: &'static str,
    /// Posterior weight, %.
    pub weight_percent: f64,
    /// What belongs to it.
    pub hypotheses: Vec<HypothesisFact>,
    /// What would tell its members apart.
    pub separate: Vec<String>,
    /// Valves that people could close to prove one of them.
    pub isolation_tests: Vec<TestFact>,
    /// Stands with the tests; empty where there are none.
    pub caution: &'static str,
}

/// One thing that may be behind it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HypothesisFact {
    /// In words, with names.
    pub words: String,
    /// Posterior weight among all, %.
    pub weight_percent: f64,
    /// How large it would be.
    pub size: Figure,
    /// Since when, or when.
    pub since: Moment,
    /// Whether helium is really gone then.
    pub loses_helium: bool,
}

/// A test by isolation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TestFact {
    /// Ids of the lines to close.
    pub close: Vec<String>,
    /// What to do, how long, and what it proves.
    pub words: String,
    /// For how long, h.
    pub hours: f64,
    /// A loss of this size would then be seen with 95 %.
    pub proves: Figure,
}

/// Something that moved much helium.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HappeningFact {
    /// When it began.
    pub from: Moment,
    /// When it ended.
    pub to: Moment,
    /// What it was, and what moved.
    pub words: String,
    /// Change of the plant's helium beside the books.
    pub net: Figure,
    /// The ledger entry that explains it.
    pub booked: Option<String>,
}

/// What could explain the loss of a picture.
#[must_use]
pub fn explanation_fact(scene: Scene<'_>) -> Option<ExplanationFact> {
    let explanation = scene.view.explanation.as_ref()?;
    Some(ExplanationFact {
        leading: leading_words(scene.plant, explanation),
        groups: explanation
            .groups
            .iter()
            .map(|found| group(scene, found))
            .collect(),
        excluded: explanation.excluded.clone(),
    })
}

/// What moved much helium, newest first.
#[must_use]
pub fn happening_facts(scene: Scene<'_>) -> Vec<HappeningFact> {
    let all = scene.view.happenings.iter().rev();
    all.map(|one| happening(scene, one)).collect()
}

fn happening(scene: Scene<'_>, one: &Happening) -> HappeningFact {
    let side = |list: &[(Id, f64)]| {
        let named: Vec<String> = list
            .iter()
            .map(|(id, kg)| {
                let name = scene
                    .plant
                    .vessel_by_id(id)
                    .map_or_else(|| id.to_string(), |(_, vessel)| vessel.name.clone());
                format!("{name} {}", Figure::two_digits(*kg, "kg").with_unit())
            })
            .collect();
        named.join(", ")
    };
    let mut words = one.kind.words().to_owned();
    if !one.gave.is_empty() {
        words = format!("{words}; from {}", side(&one.gave));
    }
    if !one.took.is_empty() {
        words = format!("{words}; into {}", side(&one.took));
    }
    if let Some(doubt) = one.doubt() {
        words = format!("{words}; {doubt}");
    }
    HappeningFact {
        from: scene.time.minute(one.from),
        to: scene.time.minute(one.to),
        words,
        net: Figure::kg(Some(one.net_kg), Some(one.net_std_kg)),
        booked: one.booked.as_ref().map(ToString::to_string),
    }
}

/// The leading explanation in one sentence.
fn leading_words(plant: &Plant, explanation: &Explanation) -> String {
    let Some(first) = explanation.groups.first() else {
        return "Nothing that is known of explains it.".into();
    };
    let named: Vec<String> = first
        .hypotheses
        .iter()
        .map(|one| words(plant, &one.kind))
        .collect();
    let together = if named.len() > 1 {
        ", which these meters cannot tell apart"
    } else {
        ""
    };
    let mut text = format!("{}: {}{together}.", credible(first.weight), either(&named));
    if let Some(letter) = text.get(..1) {
        let upper = letter.to_uppercase();
        text.replace_range(..1, &upper);
    }
    text
}

pub(super) fn either(named: &[String]) -> String {
    match named {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} or {last}", rest.join(", ")),
    }
}

/// A weight in words.
fn credible(weight: f64) -> &'static str {
    match weight {
        w if w >= 0.95 => "almost certainly",
        w if w >= 0.7 => "probably",
        w if w >= 0.4 => "about as likely as not",
        w if w >= 0.1 => "possibly",
        _ => "hardly",
    }
}

fn percent(weight: f64) -> f64 {
    libm::round(weight * 1000.0) / 10.0
}

fn group(scene: Scene<'_>, found: &HypothesisGroup) -> GroupFact {
    let isolation_tests: Vec<TestFact> = found
        .isolation_tests
        .iter()
        .map(|one| test(scene, one))
        .collect();
    GroupFact {
        credible: credible(found.weight),
        weight_percent: percent(found.weight),
        hypotheses: found
            .hypotheses
            .iter()
            .map(|one| hypothesis(scene, one))
            .collect(),
        separate: found.separate.clone(),
        caution: if isolation_tests.is_empty() {
            ""
        } else {
            ISOLATION_CAUTION
        },
        isolation_tests,
    }
}

fn hypothesis(scene: Scene<'_>, one: &Hypothesis) -> HypothesisFact {
    let size = if one.kind.goes_on() {
        Figure::rate(one.size, Some(one.std), &loss_unit(scene.plant))
    } else {
        Figure::kg(Some(one.size), Some(one.std))
    };
    HypothesisFact {
        words: words(scene.plant, &one.kind),
        weight_percent: percent(one.weight),
        size,
        since: scene.time.minute(one.since),
        loses_helium: one.kind.loses_helium(),
    }
}

fn test(scene: Scene<'_>, one: &IsolationTest) -> TestFact {
    let unit = loss_unit(scene.plant);
    let proves = Figure::two_digits(unit.from_si(one.proves_kg_per_s), unit.symbol());
    let lines: Vec<String> = one
        .close
        .iter()
        .map(|id| match scene.plant.line_by_id(id) {
            Some((_, line)) => format!("{} ({id})", line.name),
            None => id.to_string(),
        })
        .collect();
    TestFact {
        words: format!(
            "With {} closed for {}, {} is by itself, and a loss of {} from it would be seen (95 %).",
            both(&lines),
            window_name(Span::from_seconds(one.hours * 3600.0)),
            both(&section_names(scene.plant, &one.sections)),
            proves.with_unit(),
        ),
        close: one.close.iter().map(ToString::to_string).collect(),
        hours: one.hours,
        proves,
    }
}

/// A hypothesis in words, with names instead of ids where people know them by name.
#[must_use]
pub fn words(plant: &Plant, kind: &HypothesisKind) -> String {
    let vessel_name = |id: &Id| {
        plant
            .vessel_by_id(id)
            .map_or_else(|| id.to_string(), |(_, vessel)| vessel.name.clone())
    };
    let ids = |list: &[Id]| list.join(", ");
    let sections = |list: &[Id]| match list {
        // What no meter parts is all one; a long list would say no more.
        long if long.len() == plant.all.section.len() && long.len() > 1 => "the plant".to_owned(),
        list => both(&section_names(plant, list)),
    };
    match kind {
        HypothesisKind::Leak { sections: list } => format!("a leak in {}", sections(list)),
        HypothesisKind::Drift { vessel, channels } => format!(
            "an instrument that drifts at {} ({})",
            vessel_name(vessel),
            ids(channels)
        ),
        HypothesisKind::Step { vessel, channels } => format!(
            "an instrument that made a step at {} ({})",
            vessel_name(vessel),
            ids(channels)
        ),
        HypothesisKind::Meter { line } => {
            let name = plant
                .line_by_id(line)
                .map_or_else(|| line.to_string(), |(_, line)| line.name.clone());
            format!("a meter that reads wrong on {name} ({line})")
        }
        HypothesisKind::UnbookedDelivery { sections: list } => {
            format!("a delivery into {} that is not booked", sections(list))
        }
        HypothesisKind::UnbookedVent { sections: list } => {
            format!("helium vented from {} and not booked", sections(list))
        }
        HypothesisKind::ThermometerLag { vessels } => {
            let named: Vec<String> = vessels.iter().map(vessel_name).collect();
            format!("thermometers that lag at {}", both(&named))
        }
        HypothesisKind::Holdup { vessel } => format!(
            "more or less helium held up in {} than its mode states",
            vessel_name(vessel)
        ),
    }
}

/// Names of sections by their ids.
#[must_use]
pub fn section_names(plant: &Plant, ids: &[Id]) -> Vec<String> {
    ids.iter()
        .map(|id| {
            plant
                .section_by_id(id)
                .map_or_else(|| id.to_string(), |(_, section)| section.name.clone())
        })
        .collect()
}

/// `A`, `A and B`, `A, B and C`.
#[must_use]
pub fn both(named: &[String]) -> String {
    match named {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_read_as_people_speak() {
        let named: Vec<String> = ["A", "B", "C"].map(String::from).to_vec();
        assert_eq!(both(&named), "A, B and C");
        assert_eq!(either(&named), "A, B or C");
        assert_eq!(both(&named[..1]), "A");
    }

    #[test]
    fn weights_in_words_rise_with_the_weight() {
        let words: Vec<_> = [0.02, 0.2, 0.5, 0.8, 0.99].map(credible).to_vec();
        assert_eq!(
            words,
            [
                "hardly",
                "possibly",
                "about as likely as not",
                "probably",
                "almost certainly"
            ]
        );
    }
}
