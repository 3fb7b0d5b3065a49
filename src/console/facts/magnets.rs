//! How the magnets stand: margins, baths, joints, leads, cool-downs.

use serde::Serialize;

use super::Scene;
use super::losses::UNCERTAINTY;
use crate::console::words::{Figure, Moment};
use crate::engine::magnets::{
    BathView, CoolDownView, HeatSource, JointMethod, JointView, LeadView, LeadWord, MagnetView,
    MarginState, Until,
};
use crate::magnet;
use crate::plant::{Id, LeadEndName};
use crate::time::Span;

/// What a person must know who looks at these figures.
pub const CAUTIONS: [&str; 3] = [
    "Coldledger is no quench protection. These figures are reckoned once a minute; a quench is over in seconds. The magnet safety system of the site decides, always.",
    "A charged magnet holds much energy, and its leads are live: opening a circuit draws an arc. Keep out of the vault while there is current.",
    "A quench or a lost vacuum vents cold gas in seconds: it burns the skin and the lungs, and it displaces the air without any warning. Stay clear of quench lines and relief valves; leave when the oxygen alarm sounds.",
];

/// How the magnets stand.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MagnetFacts {
    /// What every ± on it means.
    pub uncertainty: &'static str,
    /// As of.
    pub at: Moment,
    /// Whether the description says anything of magnets.
    pub described: bool,
    /// What a person must know.
    pub cautions: [&'static str; 3],
    /// Magnets.
    pub magnets: Vec<MagnetFact>,
    /// Baths that are watched.
    pub baths: Vec<BathFact>,
    /// Joints.
    pub joints: Vec<JointFact>,
    /// Current leads.
    pub leads: Vec<LeadFact>,
    /// Cold masses.
    pub cool_downs: Vec<CoolDownFact>,
}

/// One magnet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MagnetFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// `superconducting`, `margin lost` or `not known`.
    pub state: &'static str,
    /// Whether the margin is lost.
    pub lost: bool,
    /// Current.
    pub current: Figure,
    /// Peak field on the conductor.
    pub field: Figure,
    /// Temperature of the warmest thermometer.
    pub temperature: Figure,
    /// Which thermometer or bath.
    pub temperature_from: String,
    /// Temperature margin.
    pub margin: Figure,
    /// Current-sharing temperature.
    pub sharing: Figure,
    /// Way gone along the load line.
    pub load_line: Figure,
    /// What is missing, in words.
    pub why: String,
}

/// One bath.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BathFact {
    /// Text id of the vessel.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// Heat load.
    pub heat: Figure,
    /// Where it comes from, in words.
    pub heat_from: &'static str,
    /// Liquid that evaporates.
    pub boil_off: Figure,
    /// Flow through the vent in normal cubic metres per hour.
    pub vent: Figure,
    /// Liquid above the low level.
    pub above_low: Figure,
    /// How the liquid changes.
    pub liquid_rate: Figure,
    /// Until the low level, as it falls now.
    pub until_low: UntilFact,
    /// Until the low level when nothing more comes in.
    pub until_low_without_supply: UntilFact,
    /// What is missing, in words.
    pub why: String,
}

/// When something will be reached.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct UntilFact {
    /// From now, s.
    pub after_s: Option<f64>,
    /// Lower end of the band, s.
    pub earliest_s: Option<f64>,
    /// Upper end of the band, s.
    pub latest_s: Option<f64>,
    /// In words.
    pub text: String,
}

/// One joint.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JointFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// Resistance.
    pub resistance: Figure,
    /// How it was found, in words.
    pub method: String,
    /// What is missing, in words.
    pub why: String,
}

/// One current lead.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LeadFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// Which end the thermometer is at.
    pub end: &'static str,
    /// Temperature.
    pub temperature: Figure,
    /// Temperature against its limits, in a word.
    pub temperature_state: &'static str,
    /// Flow over need.
    pub flow_ratio: Figure,
    /// Flow against need, in a word.
    pub flow_state: &'static str,
    /// Whether all that is known is well.
    pub well: bool,
    /// What is missing, in words.
    pub why: String,
}

/// One cold mass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CoolDownFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// Temperature where the helium comes in.
    pub start: Figure,
    /// Temperature at the other end.
    pub end: Figure,
    /// Difference of the two.
    pub difference: Figure,
    /// Its limit.
    pub limit: Figure,
    /// Whether the difference is above its limit.
    pub exceeded: bool,
    /// Rate of the end that is further from the target.
    pub rate: Figure,
    /// Target.
    pub target: Figure,
    /// Until the target.
    pub until_target: UntilFact,
    /// By which model, in words.
    pub model: &'static str,
    /// What is missing, in words.
    pub why: String,
}

/// How the magnets of a picture stand.
#[must_use]
pub fn magnet_facts(scene: Scene<'_>) -> MagnetFacts {
    let described = &scene.plant.magnets;
    let report = &scene.view.magnets;
    let magnet_name = |id: &Id| {
        let found = described.magnets.iter().find(|one| one.id == *id);
        found.map_or_else(|| id.to_string(), |one| one.name.clone())
    };
    let joint_name = |id: &Id| {
        let found = described.joints.iter().find(|one| one.id == *id);
        found.map_or_else(|| id.to_string(), |one| one.name.clone())
    };
    let lead_name = |id: &Id| {
        let found = described.leads.iter().find(|one| one.id == *id);
        found.map_or_else(|| id.to_string(), |one| one.name.clone())
    };
    let mass_name = |id: &Id| {
        let found = described.cool_downs.iter().find(|one| one.id == *id);
        found.map_or_else(|| id.to_string(), |one| one.name.clone())
    };
    let vessel_name = |id: &Id| {
        let found = scene.plant.vessel_by_id(id);
        found.map_or_else(|| id.to_string(), |(_, vessel)| vessel.name.clone())
    };
    MagnetFacts {
        uncertainty: UNCERTAINTY,
        at: scene.time.moment(scene.view.at),
        described: !described.is_empty(),
        cautions: CAUTIONS,
        magnets: report
            .magnets
            .iter()
            .map(|view| magnet_fact(view, magnet_name(&view.id)))
            .collect(),
        baths: report
            .baths
            .iter()
            .map(|view| bath_fact(view, vessel_name(&view.id)))
            .collect(),
        joints: report
            .joints
            .iter()
            .map(|view| joint_fact(view, joint_name(&view.id)))
            .collect(),
        leads: report
            .leads
            .iter()
            .map(|view| lead_fact(view, lead_name(&view.id)))
            .collect(),
        cool_downs: report
            .cool_downs
            .iter()
            .map(|view| cool_down_fact(view, mass_name(&view.id)))
            .collect(),
    }
}

/// A figure of the magnet floor, scaled to a unit.
fn figure(of: Option<magnet::Figure>, scale: f64, unit: &str) -> Figure {
    let std = of.map(|figure| figure.std * scale).filter(|std| *std > 0.0);
    Figure::new(of.map(|figure| figure.value * scale), std, unit)
}

fn magnet_fact(view: &MagnetView, name: String) -> MagnetFact {
    MagnetFact {
        id: view.id.to_string(),
        name,
        state: match view.state {
            MarginState::Standing => "superconducting",
            MarginState::Lost => "margin lost",
            MarginState::NotKnown => "not known",
        },
        lost: view.state == MarginState::Lost,
        current: figure(view.current_a, 1.0, "A"),
        field: figure(view.field_t, 1.0, "T"),
        temperature: figure(view.temperature_k, 1.0, "K"),
        temperature_from: view.temperature_from.as_deref().unwrap_or("").to_owned(),
        margin: figure(view.margin_k, 1.0, "K"),
        sharing: Figure::new(view.sharing_k, None, "K"),
        load_line: figure(view.load_line, 100.0, "%"),
        why: view.why.clone(),
    }
}

fn bath_fact(view: &BathView, name: String) -> BathFact {
    BathFact {
        id: view.id.to_string(),
        name,
        heat: figure(view.heat_w, 1.0, "W"),
        heat_from: match view.heat_from {
            HeatSource::VentFlow => "from the vent flow",
            HeatSource::LevelFall => "from the fall of the liquid",
            HeatSource::Stated => "as stated, not measured now",
            HeatSource::NotKnown => "",
        },
        boil_off: figure(view.liquid_l_per_h, 1.0, "L/h"),
        vent: figure(view.vent_nm3_per_h, 1.0, "Nm3/h"),
        above_low: figure(view.above_low_kg, 1.0, "kg"),
        liquid_rate: figure(view.liquid_rate_kg_per_s, 3600.0, "kg/h"),
        until_low: until(view.until_low, "not seen to fall"),
        until_low_without_supply: until(view.until_low_without_supply, "never at this heat load"),
        why: view.why.clone(),
    }
}

fn until(of: Until, never: &str) -> UntilFact {
    let (times, text) = match of {
        Until::NotKnown => (None, "not known".to_owned()),
        Until::Reached => (None, "reached".to_owned()),
        Until::Never => (None, never.to_owned()),
        Until::After {
            after_s,
            earliest_s,
            latest_s,
        } => {
            let say = |seconds| Span::from_seconds(seconds).to_string();
            let text = format!(
                "{} ({} to {})",
                say(after_s),
                say(earliest_s),
                say(latest_s)
            );
            (Some((after_s, earliest_s, latest_s)), text)
        }
    };
    UntilFact {
        after_s: times.map(|times| times.0),
        earliest_s: times.map(|times| times.1),
        latest_s: times.map(|times| times.2),
        text,
    }
}

fn joint_fact(view: &JointView, name: String) -> JointFact {
    JointFact {
        id: view.id.to_string(),
        name,
        resistance: figure(view.resistance_ohm, 1e9, "nohm"),
        method: match view.method {
            JointMethod::Regression => format!("by regression over {} pairs", view.pairs),
            JointMethod::OnePair => {
                "from voltage over current, less the stated voltage at no current".into()
            }
            JointMethod::NotKnown => String::new(),
        },
        why: view.why.clone(),
    }
}

fn lead_fact(view: &LeadView, name: String) -> LeadFact {
    let word = |word: LeadWord| match word {
        LeadWord::Well => "within limits",
        LeadWord::TooCold => "too cold",
        LeadWord::TooWarm => "too warm",
        LeadWord::UnderCooled => "too little flow",
        LeadWord::OverCooled => "more flow than needed",
        LeadWord::NotKnown => "",
    };
    let well = |word: LeadWord| matches!(word, LeadWord::Well | LeadWord::NotKnown);
    LeadFact {
        id: view.id.to_string(),
        name,
        end: match view.end {
            Some(LeadEndName::Warm) => "warm end",
            Some(LeadEndName::Cold) => "cold end",
            None => "",
        },
        temperature: figure(view.temperature_k, 1.0, "K"),
        temperature_state: word(view.temperature),
        flow_ratio: figure(view.flow_ratio, 1.0, "1"),
        flow_state: word(view.flow),
        well: well(view.temperature) && well(view.flow),
        why: view.why.clone(),
    }
}

fn cool_down_fact(view: &CoolDownView, name: String) -> CoolDownFact {
    CoolDownFact {
        id: view.id.to_string(),
        name,
        start: figure(view.start_k, 1.0, "K"),
        end: figure(view.end_k, 1.0, "K"),
        difference: figure(view.difference_k, 1.0, "K"),
        limit: Figure::two_digits(view.limit_k, "K"),
        exceeded: view
            .difference_k
            .is_some_and(|difference| difference.value > view.limit_k),
        rate: figure(view.rate_k_per_s, 3600.0, "K/h"),
        target: Figure::new(Some(view.target_k), None, "K"),
        until_target: until(view.until_target, "not approaching"),
        model: if view.by_heat_capacity {
            "constant heat and Debye heat capacity; the band covers a straight line too"
        } else {
            "straight line"
        },
        why: view.why.clone(),
    }
}
