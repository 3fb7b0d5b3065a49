//! What is said of magnets, for pages, programs and alarms.

use serde::{Deserialize, Serialize};

use crate::magnet::{Arrival, Figure};
use crate::plant::{CoolDown, CurrentLead, Id, Joint, LeadEndName, Magnet};

/// When something will be reached; for pages and programs.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Until {
    /// Not known.
    NotKnown,
    /// It is there.
    Reached,
    /// Not at this rate: it stands, goes away, or moves by less than its rate is known.
    Never,
    /// After this many seconds, with its band.
    After {
        /// s.
        after_s: f64,
        /// s.
        earliest_s: f64,
        /// s.
        latest_s: f64,
    },
}

impl From<Arrival> for Until {
    fn from(arrival: Arrival) -> Self {
        match arrival {
            Arrival::Reached => Self::Reached,
            Arrival::NotApproaching => Self::Never,
            Arrival::After {
                after_s,
                earliest_s,
                latest_s,
            } => Self::After {
                after_s,
                earliest_s,
                latest_s,
            },
        }
    }
}

/// Whether a conductor is superconducting, as reckoned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarginState {
    /// There is margin.
    Standing,
    /// The superconductor does not carry the current at this temperature and field.
    Lost,
    /// Not known.
    NotKnown,
}

/// One magnet now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MagnetView {
    /// Text id.
    pub id: Id,
    /// Current, A.
    pub current_a: Option<Figure>,
    /// Peak field on the conductor, T.
    pub field_t: Option<Figure>,
    /// Temperature that the margin is reckoned with, K.
    pub temperature_k: Option<Figure>,
    /// The thermometer or bath that it is from.
    pub temperature_from: Option<Id>,
    /// Whether there is margin.
    pub state: MarginState,
    /// Temperature margin, K.
    pub margin_k: Option<Figure>,
    /// Current-sharing temperature, K.
    pub sharing_k: Option<f64>,
    /// Way gone along the load line, 0 to 1.
    pub load_line: Option<Figure>,
    /// What is missing, in words.
    pub why: String,
}

/// Where a heat load comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HeatSource {
    /// The flow through the vent.
    VentFlow,
    /// The fall of the liquid.
    LevelFall,
    /// Stated in the description.
    Stated,
    /// Not known.
    NotKnown,
}

/// One bath now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BathView {
    /// Text id of the vessel.
    pub id: Id,
    /// Where the heat load comes from.
    pub heat_from: HeatSource,
    /// Heat load, W.
    pub heat_w: Option<Figure>,
    /// Evaporation, kg/s; not for a stated heat load.
    pub evaporation_kg_per_s: Option<Figure>,
    /// Liquid that evaporates, L/h.
    pub liquid_l_per_h: Option<Figure>,
    /// Flow through the vent, Nm3/h.
    pub vent_nm3_per_h: Option<Figure>,
    /// Rate of the liquid's mass, kg/s; negative when it falls.
    pub liquid_rate_kg_per_s: Option<Figure>,
    /// Liquid above the low level, kg.
    pub above_low_kg: Option<Figure>,
    /// Until the low level, as the liquid falls now.
    pub until_low: Until,
    /// Until the low level when nothing more comes in, by the heat load.
    pub until_low_without_supply: Until,
    /// What is missing, in words.
    pub why: String,
}

/// How a joint's resistance was found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JointMethod {
    /// By regression over pairs of current and voltage.
    Regression,
    /// From one pair and the stated voltage at no current.
    OnePair,
    /// Not found.
    NotKnown,
}

/// One joint now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct JointView {
    /// Text id.
    pub id: Id,
    /// How it was found.
    pub method: JointMethod,
    /// Resistance, ohm.
    pub resistance_ohm: Option<Figure>,
    /// Pairs at hand.
    pub pairs: u32,
    /// Why no regression, or what is missing, in words.
    pub why: String,
}

/// A state in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeadWord {
    /// Within limits.
    Well,
    /// Below the lower limit.
    TooCold,
    /// Above the upper limit.
    TooWarm,
    /// Less flow than it needs.
    UnderCooled,
    /// More flow than it needs.
    OverCooled,
    /// Not known.
    NotKnown,
}

/// One current lead now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LeadView {
    /// Text id.
    pub id: Id,
    /// Which end the thermometer is at.
    pub end: Option<LeadEndName>,
    /// Temperature, K.
    pub temperature_k: Option<Figure>,
    /// Temperature against its limits.
    pub temperature: LeadWord,
    /// Flow over need.
    pub flow_ratio: Option<Figure>,
    /// Flow against need.
    pub flow: LeadWord,
    /// What is missing, in words.
    pub why: String,
}

/// One cold mass now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CoolDownView {
    /// Text id.
    pub id: Id,
    /// Temperature where the helium comes in, K.
    pub start_k: Option<Figure>,
    /// Temperature at the other end, K.
    pub end_k: Option<Figure>,
    /// Difference between the ends, K.
    pub difference_k: Option<Figure>,
    /// Its limit, K.
    pub limit_k: f64,
    /// Rate of the end that is further from the target, K/s.
    pub rate_k_per_s: Option<Figure>,
    /// Target, K.
    pub target_k: f64,
    /// Until the target.
    pub until_target: Until,
    /// Whether the forecast goes by the heat capacity.
    pub by_heat_capacity: bool,
    /// What is missing, in words.
    pub why: String,
}

/// Everything said of magnets.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct MagnetReport {
    /// Magnets, in the order of the description.
    pub magnets: Vec<MagnetView>,
    /// Baths that are watched.
    pub baths: Vec<BathView>,
    /// Joints.
    pub joints: Vec<JointView>,
    /// Current leads.
    pub leads: Vec<LeadView>,
    /// Cold masses.
    pub cool_downs: Vec<CoolDownView>,
}

impl MagnetView {
    pub(super) fn unknown(magnet: &Magnet) -> Self {
        Self {
            id: Id::clone(&magnet.id),
            current_a: None,
            field_t: None,
            temperature_k: None,
            temperature_from: None,
            state: MarginState::NotKnown,
            margin_k: None,
            sharing_k: None,
            load_line: None,
            why: String::new(),
        }
    }
}

impl BathView {
    pub(super) fn unknown(vessel: &Id) -> Self {
        Self {
            id: Id::clone(vessel),
            heat_from: HeatSource::NotKnown,
            heat_w: None,
            evaporation_kg_per_s: None,
            liquid_l_per_h: None,
            vent_nm3_per_h: None,
            liquid_rate_kg_per_s: None,
            above_low_kg: None,
            until_low: Until::NotKnown,
            until_low_without_supply: Until::NotKnown,
            why: String::new(),
        }
    }
}

impl JointView {
    pub(super) fn unknown(joint: &Joint) -> Self {
        Self {
            id: Id::clone(&joint.id),
            method: JointMethod::NotKnown,
            resistance_ohm: None,
            pairs: 0,
            why: String::new(),
        }
    }
}

impl LeadView {
    pub(super) fn unknown(lead: &CurrentLead) -> Self {
        Self {
            id: Id::clone(&lead.id),
            end: lead.thermometer.map(|thermometer| thermometer.end),
            temperature_k: None,
            temperature: LeadWord::NotKnown,
            flow_ratio: None,
            flow: LeadWord::NotKnown,
            why: String::new(),
        }
    }
}

impl CoolDownView {
    pub(super) fn unknown(mass: &CoolDown) -> Self {
        Self {
            id: Id::clone(&mass.id),
            start_k: None,
            end_k: None,
            difference_k: None,
            limit_k: mass.gradient_limit.si(),
            rate_k_per_s: None,
            target_k: mass.target.si(),
            until_target: Until::NotKnown,
            by_heat_capacity: mass.debye.is_some(),
            why: String::new(),
        }
    }
}
