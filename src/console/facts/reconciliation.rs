//! Whether meters and inventories agree, and what stands out when they do not.

use serde::Serialize;

use super::Scene;
use super::explanation::{both, either, section_names};
use super::losses::UNCERTAINTY;
use crate::console::words::{Figure, Moment, number, window as window_name};
use crate::engine::{
    Kilograms, RECONCILED_OVER, ReconciledArea, ReconciledLine, Reconciliation, SuspectKind,
    SuspectMember, SuspectSet,
};
use crate::plant::Plant;

/// What a suspect means.
pub const SUSPECT: &str = "A suspect is what, if it alone were wrong, would explain the disagreement best. It is no proof: look at it first. What has the same effect on every balance is named with it, and only another meter, a reading by hand or a valve closed for a while tells which it is.";

/// Meters and areas of the last day held against each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReconciliationFacts {
    /// What every ± on it means.
    pub uncertainty: &'static str,
    /// Over how long, in words.
    pub over: String,
    /// From.
    pub from: Moment,
    /// To.
    pub to: Moment,
    /// In one sentence.
    pub statement: String,
    /// Whether all fits within its uncertainty.
    pub agrees: bool,
    /// How well it fits, in words with the numbers.
    pub test: String,
    /// Weighted sum of squares of the corrections.
    pub chi_square: f64,
    /// Balances among what was measured.
    pub degrees_of_freedom: u32,
    /// What the sum may reach.
    pub limit: f64,
    /// Probability of such a sum or a greater one when nothing is wrong.
    pub p_value: f64,
    /// What a single test may reach, in standard deviations.
    pub single_limit: f64,
    /// Metered lines between areas or over the boundary.
    pub lines: Vec<ReconciledLineFact>,
    /// Areas.
    pub areas: Vec<ReconciledAreaFact>,
    /// What stands out, the plainest first.
    pub suspects: Vec<SuspectFact>,
    /// What a suspect means.
    pub meaning: &'static str,
}

/// What passed a metered line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReconciledLineFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// As metered.
    pub measured: Figure,
    /// As the balances have it.
    pub reconciled: Figure,
    /// Reconciled less metered.
    pub correction: Figure,
    /// Correction in its own standard deviations; none where no balance checks the meter.
    pub deviations: Option<Figure>,
    /// Whether it is a suspect.
    pub suspect: bool,
}

/// An area's balance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReconciledAreaFact {
    /// Ids of its sections.
    pub sections: Vec<String>,
    /// Their names.
    pub name: String,
    /// Growth of its inventory.
    pub growth: Figure,
    /// Booked in, less booked out.
    pub booked: Figure,
    /// What is missing beyond its part of the accepted loss.
    pub residual: Figure,
    /// That in its own standard deviations.
    pub deviations: Option<Figure>,
    /// Whether it is a suspect.
    pub suspect: bool,
}

/// Something that stands out.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SuspectFact {
    /// The plainest reading of it.
    pub words: String,
    /// What has the same effect on every balance.
    pub same_as: Vec<String>,
    /// What fits less well, but not so much that it is ruled out at 95 %.
    pub nearly: Vec<String>,
    /// In standard deviations.
    pub deviations: Figure,
}

impl SuspectFact {
    /// What it cannot be told apart from, as a list in a sentence; empty when there is none.
    #[must_use]
    pub fn same_words(&self) -> String {
        either(&self.same_as)
    }

    /// What fits nearly as well, as a list in a sentence; empty when there is none.
    #[must_use]
    pub fn nearly_words(&self) -> String {
        either(&self.nearly)
    }

    /// All of it in one sentence, without its stop.
    #[must_use]
    pub fn sentence(&self) -> String {
        if self.same_as.is_empty() {
            self.words.clone()
        } else {
            format!(
                "{}; this cannot be told apart from {}",
                self.words,
                self.same_words()
            )
        }
    }
}

/// Meters and areas of a picture; none while the plant is one area or there is too little history.
#[must_use]
pub fn reconciliation_facts(scene: Scene<'_>) -> Option<ReconciliationFacts> {
    let found = scene.view.reconciliation.as_ref()?;
    let over = window_name(RECONCILED_OVER);
    let suspects: Vec<SuspectFact> = found
        .suspects
        .iter()
        .filter_map(|set| suspect(scene.plant, found, set))
        .collect();
    Some(ReconciliationFacts {
        uncertainty: UNCERTAINTY,
        from: scene.time.minute(Some(found.from)),
        to: scene.time.minute(Some(found.to)),
        statement: statement(found.agrees(), &suspects, &over),
        over,
        agrees: found.agrees(),
        test: test(found),
        chi_square: found.chi_square,
        degrees_of_freedom: found.degrees_of_freedom,
        limit: found.limit,
        p_value: found.p_value,
        single_limit: found.single_limit,
        lines: found.lines.iter().map(|one| line(scene, one)).collect(),
        areas: found
            .areas
            .iter()
            .map(|one| area(scene.plant, one))
            .collect(),
        suspects,
        meaning: SUSPECT,
    })
}

fn statement(agrees: bool, suspects: &[SuspectFact], over: &str) -> String {
    match (agrees, suspects.first()) {
        (true, None) => {
            format!("Meters and inventories of the last {over} agree within their uncertainty.")
        }
        (true, Some(first)) => format!(
            "Meters and inventories of the last {over} agree taken together, but one thing stands out: {}.",
            first.sentence()
        ),
        (false, Some(first)) => format!(
            "Meters and inventories of the last {over} do not agree: {}.",
            first.sentence()
        ),
        (false, None) => format!(
            "Meters and inventories of the last {over} do not agree: no single meter, inventory or loss explains it."
        ),
    }
}

fn test(found: &Reconciliation) -> String {
    let by_chance = if found.p_value < 1e-3 {
        "less than 0.1 %".to_owned()
    } else {
        format!("{} %", number(100.0 * found.p_value, 1))
    };
    format!(
        "Chi-square {} of {} balances, limit {}; so much or more comes by chance on {by_chance} of days, beyond the limit on {} %.",
        number(found.chi_square, 1),
        found.degrees_of_freedom,
        number(found.limit, 1),
        number(100.0 * found.level, 0),
    )
}

fn figure(mass: Option<Kilograms>) -> Figure {
    Figure::kg(mass.map(|m| m.kg), mass.map(|m| m.std_kg))
}

/// A statistic in standard deviations, with one decimal.
fn deviations(value: f64) -> Figure {
    let mut figure = Figure::new(Some(value), None, "1");
    figure.text = number(value, 1);
    figure
}

fn line(scene: Scene<'_>, one: &ReconciledLine) -> ReconciledLineFact {
    ReconciledLineFact {
        id: one.line.to_string(),
        name: line_name(scene.plant, &one.line),
        measured: figure(one.measured),
        reconciled: figure(one.reconciled),
        correction: Figure::two_digits(one.correction_kg, "kg"),
        deviations: one.test.map(deviations),
        suspect: one.suspect,
    }
}

fn area(plant: &Plant, one: &ReconciledArea) -> ReconciledAreaFact {
    ReconciledAreaFact {
        sections: one.sections.iter().map(ToString::to_string).collect(),
        name: both(&section_names(plant, &one.sections)),
        growth: figure(one.growth),
        booked: Figure::two_digits(one.booked_kg, "kg"),
        residual: figure(one.residual),
        deviations: one.test.map(deviations),
        suspect: one.suspect,
    }
}

fn suspect(plant: &Plant, found: &Reconciliation, set: &SuspectSet) -> Option<SuspectFact> {
    let (first, rest) = set.members.split_first()?;
    let all = |list: &[SuspectMember]| list.iter().map(|one| words(plant, found, one)).collect();
    Some(SuspectFact {
        words: words(plant, found, first),
        same_as: all(rest),
        nearly: all(&set.close),
        deviations: deviations(set.statistic.abs()),
    })
}

fn words(plant: &Plant, found: &Reconciliation, member: &SuspectMember) -> String {
    let more = member.size.kg >= 0.0;
    let size = Figure::kg(Some(member.size.kg.abs()), Some(member.size.std_kg)).in_words();
    let area = |at: &u32| {
        let at = usize::try_from(*at).ok();
        let area = at.and_then(|at| found.areas.get(at));
        area.map_or_else(
            || "an area".to_owned(),
            |area| both(&section_names(plant, &area.sections)),
        )
    };
    let much = if more { "much" } else { "little" };
    match &member.what {
        SuspectKind::Loss(at) if more => format!("{size} lost from {}", area(at)),
        SuspectKind::Loss(at) => format!("{size} come into {} and not booked", area(at)),
        SuspectKind::Meter(id) => format!(
            "the meter of {} ({id}) reading {size} too {much}",
            line_name(plant, id)
        ),
        SuspectKind::Books(at) => format!("{size} too {much} booked into {}", area(at)),
        SuspectKind::Inventory(at) => format!(
            "the change of inventory of {} reading {size} too {}",
            area(at),
            if more { "high" } else { "low" }
        ),
    }
}

fn line_name(plant: &Plant, id: &str) -> String {
    plant
        .line_by_id(id)
        .map_or_else(|| id.to_owned(), |(_, line)| line.name.clone())
}
