//! Where the helium is: plant, sections, vessels, lines, what decides the uncertainty, the books.

use serde::Serialize;

use super::Scene;
use super::losses::UNCERTAINTY;
use crate::console::words::{Figure, Moment, QualityFact};
use crate::engine::MassFigure;
use crate::engine::view::{LedgerView, VesselView};
use crate::plant::{Contents, End, Passage, PassageSource, Plant};
use crate::quantity::{Quality, QuantityKind, Reason};

/// Where the helium is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeliumFacts {
    /// What every ± on it means.
    pub uncertainty: &'static str,
    /// As of.
    pub at: Moment,
    /// The whole plant; none before the first tick.
    pub plant: Option<MassFact>,
    /// Part of its uncertainty that stays the same for weeks and cancels in differences.
    pub constant_uncertainty: Option<Figure>,
    /// Each section with its vessels.
    pub sections: Vec<SectionFact>,
    /// Lines and their state.
    pub lines: Vec<LineFact>,
    /// Largest shares in the variance of the plant's inventory.
    pub budget: Vec<ShareFact>,
    /// Ledger entries, newest first.
    pub ledger: Vec<LedgerFact>,
}

/// A mass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MassFact {
    /// How much.
    pub mass: Figure,
    /// How far it can be used.
    pub quality: QualityFact,
}

/// One section.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SectionFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// Its mass.
    pub mass: MassFact,
    /// Part of the plant's mass, %.
    pub share_percent: Option<f64>,
    /// Its vessels.
    pub vessels: Vec<VesselFact>,
}

/// One vessel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VesselFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// What it is, in a word.
    pub kind: &'static str,
    /// Mode in force.
    pub mode: String,
    /// Modes that it can be in.
    pub modes: Vec<String>,
    /// Whether a person says the mode (else a channel does).
    pub mode_by_person: bool,
    /// Its mass.
    pub mass: MassFact,
    /// Part of the plant's mass, %.
    pub share_percent: Option<f64>,
    /// Liquid part.
    pub liquid: Option<Figure>,
    /// Level.
    pub level: Option<Figure>,
    /// Pressure used.
    pub pressure: Option<Figure>,
    /// Temperature used.
    pub temperature: Option<Figure>,
    /// Density of the liquid or of the single phase.
    pub density: Option<Figure>,
}

/// One line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// Upstream end.
    pub from: String,
    /// Downstream end.
    pub to: String,
    /// Whether helium can pass.
    pub passage: Passage,
    /// Whether a person says so (else a channel does).
    pub by_person: bool,
    /// Metered flow.
    pub flow: Option<Figure>,
}

impl LineFact {
    /// Whether helium can pass, as a word.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self.passage {
            Passage::Open => "open",
            Passage::Shut => "shut",
            Passage::Unknown => "not known",
        }
    }
}

/// A share of the variance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ShareFact {
    /// Channel or shared source.
    pub source: String,
    /// What that is, when it is a channel.
    pub name: String,
    /// Standard uncertainty that it brings.
    pub std_uncertainty: Figure,
    /// Share of the variance, %.
    pub share_percent: f64,
}

/// One ledger entry.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LedgerFact {
    /// Text id.
    pub id: String,
    /// Kind in words.
    pub kind: String,
    /// Signed mass: positive came in.
    pub mass: Figure,
    /// When the helium began to move.
    pub effective_at: Moment,
    /// Over how long, in words.
    pub over: String,
    /// Over how long, s.
    pub over_s: f64,
    /// When it was entered.
    pub entered_at: Moment,
    /// Position of the event that entered it; 0 for one of the description.
    pub entered_seq: u64,
    /// Who.
    pub author: String,
    /// In words.
    pub note: String,
    /// The entry that replaced it.
    pub superseded_by: Option<String>,
}

/// Shares smaller than this are not worth a line.
const LEAST_SHARE: f64 = 0.002;
/// Most shares listed.
const MOST_SHARES: usize = 12;

/// Where the helium of a picture is.
#[must_use]
pub fn helium_facts(scene: Scene<'_>) -> HeliumFacts {
    let inventory = scene.view.inventory.as_ref();
    let whole = inventory.map(|report| report.plant.mass_kg);
    HeliumFacts {
        uncertainty: UNCERTAINTY,
        at: scene.time.moment(scene.view.at),
        plant: inventory.map(|report| mass(&report.plant)),
        constant_uncertainty: inventory
            .map(|report| Figure::two_digits(report.constant_std_kg, "kg")),
        sections: sections(scene, whole),
        lines: lines(scene),
        budget: budget(scene),
        ledger: scene
            .view
            .ledger
            .iter()
            .rev()
            .map(|entry| ledger(scene, entry))
            .collect(),
    }
}

fn mass(figure: &MassFigure) -> MassFact {
    let usable = figure.quality != Quality::Bad;
    MassFact {
        mass: Figure::kg(Some(figure.mass_kg).filter(|_| usable), Some(figure.std_kg)),
        quality: QualityFact::new(figure.quality, figure.reason),
    }
}

fn share(part: Option<f64>, whole: Option<f64>) -> Option<f64> {
    let share = part? / whole.filter(|w| *w > 0.0)? * 100.0;
    share.is_finite().then(|| libm::round(share * 10.0) / 10.0)
}

fn sections(scene: Scene<'_>, whole: Option<f64>) -> Vec<SectionFact> {
    scene
        .plant
        .all
        .section
        .iter()
        .map(|section| {
            let report = scene.view.inventory.as_ref().and_then(|report| {
                report
                    .sections
                    .iter()
                    .find(|(id, _)| *id == section.id)
                    .map(|(_, figure)| figure)
            });
            SectionFact {
                id: section.id.to_string(),
                name: section.name.clone(),
                mass: report.map_or_else(nothing_known, mass),
                share_percent: share(report.map(|r| r.mass_kg), whole),
                vessels: section
                    .vessels
                    .iter()
                    .filter_map(|ix| scene.plant.vessel(*ix))
                    .map(|vessel| {
                        let view = scene.view.vessels.iter().find(|v| v.id == vessel.id);
                        vessel_fact(vessel, view, whole)
                    })
                    .collect(),
            }
        })
        .collect()
}

fn nothing_known() -> MassFact {
    MassFact {
        mass: Figure::kg(None, None),
        quality: QualityFact::new(Quality::Bad, Reason::NeverRead),
    }
}

fn vessel_fact(
    vessel: &crate::plant::Vessel,
    view: Option<&VesselView>,
    whole: Option<f64>,
) -> VesselFact {
    let figure = |value: Option<f64>, kind: QuantityKind, unit: &str| {
        let unit = kind.unit(unit).unwrap_or_else(|| kind.si_unit());
        value
            .filter(|v| v.is_finite())
            .map(|v| Figure::in_unit(Some(v), None, unit))
    };
    let pick = |pick: fn(&VesselView) -> Option<f64>| view.and_then(pick);
    // A pumped bath or an insulation space reads better in mbar.
    let pressure = pick(|v| v.pressure_pa);
    let pressure_unit = if pressure.is_some_and(|p| p < 2.0e4) {
        "mbar(a)"
    } else {
        "bar(a)"
    };
    VesselFact {
        id: vessel.id.to_string(),
        name: vessel.name.clone(),
        kind: match &vessel.contents {
            Contents::Fluid { .. } => "gas or supply",
            Contents::Bath { .. } => "bath",
            Contents::Bag { .. } => "bag",
            Contents::Unmeasured => "held up, stated",
        },
        mode: view.map_or_else(|| "not known".into(), |v| v.mode.to_string()),
        modes: vessel.modes.iter().map(|m| m.id.to_string()).collect(),
        mode_by_person: vessel.mode_channel.is_none(),
        mass: view.map_or_else(nothing_known, |v| MassFact {
            mass: Figure::kg(v.mass_kg, v.std_kg),
            quality: QualityFact::new(v.quality, v.reason),
        }),
        share_percent: share(pick(|v| v.mass_kg), whole),
        liquid: figure(pick(|v| v.liquid_kg), QuantityKind::Mass, "kg"),
        level: figure(pick(|v| v.level_m), QuantityKind::Length, "cm"),
        pressure: figure(pressure, QuantityKind::AbsolutePressure, pressure_unit),
        temperature: figure(pick(|v| v.temperature_k), QuantityKind::Temperature, "K"),
        density: figure(pick(|v| v.density_kg_m3), QuantityKind::Density, "kg/m3"),
    }
}

fn lines(scene: Scene<'_>) -> Vec<LineFact> {
    let flow_unit = QuantityKind::MassFlow
        .unit("g/s")
        .unwrap_or_else(|| QuantityKind::MassFlow.si_unit());
    scene
        .plant
        .all
        .line
        .iter()
        .map(|line| {
            let view = scene.view.lines.iter().find(|v| v.id == line.id);
            LineFact {
                id: line.id.to_string(),
                name: line.name.clone(),
                from: end(scene.plant, line.from),
                to: end(scene.plant, line.to),
                passage: view.map_or(Passage::Unknown, |v| v.passage),
                by_person: matches!(line.passage, PassageSource::Person(_)),
                flow: view
                    .and_then(|v| Some((v.flow_kg_per_s?, v.flow_std_kg_per_s)))
                    .filter(|(flow, _)| flow.is_finite())
                    .map(|(flow, std)| Figure::in_unit(Some(flow), std, flow_unit)),
            }
        })
        .collect()
}

fn end(plant: &Plant, end: End) -> String {
    match end {
        End::Outside => "outside".into(),
        End::Section(ix) => plant
            .section(ix)
            .map_or_else(|| "not known".into(), |section| section.name.clone()),
    }
}

fn budget(scene: Scene<'_>) -> Vec<ShareFact> {
    scene
        .view
        .budget
        .iter()
        .filter(|share| share.share.is_finite() && share.share >= LEAST_SHARE)
        .take(MOST_SHARES)
        .map(|share| ShareFact {
            source: share.source.to_string(),
            name: scene
                .plant
                .channel_by_id(&share.source)
                .map_or_else(|| "shared source".into(), |(_, c)| c.name.clone()),
            std_uncertainty: Figure::two_digits(share.std_kg, "kg"),
            share_percent: libm::round(share.share * 1000.0) / 10.0,
        })
        .collect()
}

fn ledger(scene: Scene<'_>, entry: &LedgerView) -> LedgerFact {
    LedgerFact {
        id: entry.id.to_string(),
        kind: entry.kind.clone(),
        mass: Figure::kg(Some(entry.mass_kg), Some(entry.std_kg)),
        effective_at: scene.time.minute(Some(entry.effective_at)),
        over: if entry.over.millis() == 0 {
            "at once".into()
        } else {
            entry.over.to_string()
        },
        over_s: entry.over.seconds(),
        entered_at: scene.time.minute(entry.entered_at),
        entered_seq: entry.entered_seq,
        author: entry.author.clone(),
        note: entry.note.clone(),
        superseded_by: entry.superseded_by.as_ref().map(ToString::to_string),
    }
}
