//! What the balance reports: masses, windows, loss rates.

use serde::{Deserialize, Serialize};

use super::distribution::student_quantile;
use crate::plant::Id;
use crate::quantity::{Quality, Reason};
use crate::time::{Span, Timestamp};

/// A mass with its standard uncertainty and quality.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MassFigure {
    /// kg.
    pub mass_kg: f64,
    /// Combined standard uncertainty, kg.
    pub std_kg: f64,
    /// How far it can be used.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
}

/// Where the helium is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InventoryReport {
    /// The whole plant.
    pub plant: MassFigure,
    /// Part of the plant's standard uncertainty that stays the same for weeks (calibrations), kg.
    pub constant_std_kg: f64,
    /// Each section, in the order of the description.
    pub sections: Vec<(Id, MassFigure)>,
    /// Each vessel, in the order of the description.
    pub vessels: Vec<(Id, MassFigure)>,
}

/// What is lost, of the plant or of a section.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossReport {
    /// The section's id; none for the plant. Sections that no meter parts are balanced together, and
    /// their ids stand joined by `+`, which no id holds.
    pub section: Option<Id>,
    /// Balance over windows of 1 h, 8 h, 24 h, 7 and 30 days, as far as there is history.
    pub windows: Vec<WindowBalance>,
    /// Loss rate over the last days, once there is enough history.
    pub rate: Option<LossRate>,
    /// Whether more is being lost than accepted, as the sequential test decides.
    pub excess: Option<ExcessLoss>,
    /// Accepted loss and its standard uncertainty, kg/s.
    pub accepted_kg_per_s: (f64, f64),
}

/// Opening inventory + received - dispatched - closing inventory = unaccounted loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WindowBalance {
    /// Length of the window.
    pub over: Span,
    /// From.
    pub from: Option<Timestamp>,
    /// kg.
    pub opening_kg: f64,
    /// Booked in, and for a section metered in, kg.
    pub received_kg: f64,
    /// Booked out, and for a section metered out, kg.
    pub dispatched_kg: f64,
    /// kg.
    pub closing_kg: f64,
    /// Unaccounted loss, kg.
    pub unaccounted_kg: f64,
    /// Its standard uncertainty; errors that stay the same cancel, others do not.
    pub std_kg: f64,
    /// Accepted loss over the window, kg.
    pub accepted_kg: f64,
    /// Unaccounted less accepted, kg.
    pub excess_kg: f64,
    /// Standard uncertainty of the excess, kg.
    pub excess_std_kg: f64,
    /// Excess above which a loss is said to be seen (ISO 11929, 5 %), kg.
    pub decision_threshold_kg: f64,
    /// Smallest excess that would be seen with 95 % (ISO 11929), kg.
    pub detection_limit_kg: f64,
    /// Part of the window for which there are data, 0 to 1.
    pub coverage: f64,
    /// Vessels whose mass was carried forward or substituted in it.
    pub doubtful_vessels: Vec<Id>,
}

/// A loss rate by generalised least squares.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossRate {
    /// Over how long it was estimated.
    pub over: Span,
    /// Loss rate, kg/s; positive is a loss. Includes the accepted loss.
    pub rate_kg_per_s: f64,
    /// Standard uncertainty, kg/s.
    pub std_kg_per_s: f64,
    /// Rate above the accepted one at which a loss is said to be seen, kg/s.
    pub decision_threshold_kg_per_s: f64,
    /// Smallest excess that would be seen with 95 %, kg/s.
    pub detection_limit_kg_per_s: f64,
    /// Standard deviation of the independent noise found, kg.
    pub white_std_kg: f64,
    /// Standard deviation of the correlated noise found, kg.
    pub correlated_std_kg: f64,
    /// Its correlation time, s.
    pub correlation_time_s: f64,
    /// Amplitude of the daily wave taken out, kg.
    pub daily_wave_kg: f64,
}

/// A loss beyond the accepted one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExcessLoss {
    /// Whether the sequential test has raised.
    pub raised: bool,
    /// When it began, best estimate.
    pub since: Option<Timestamp>,
    /// 95 % band of the beginning.
    pub since_band: Option<(Timestamp, Timestamp)>,
    /// Rate over the accepted one, kg/s.
    pub excess_kg_per_s: f64,
    /// Standard uncertainty, the unknown beginning included, kg/s.
    pub std_kg_per_s: f64,
    /// Helium lost beyond the accepted loss since it began, kg.
    pub lost_kg: f64,
    /// Its standard uncertainty, kg.
    pub lost_std_kg: f64,
}

impl ExcessLoss {
    /// 95 % band of the rate, kg/s. The standard uncertainty rests on noise found in a week or two, which
    /// hardly shows what lasts for days: it is taken to be known to a third, as if by four degrees of
    /// freedom, so the band is of Student's t.
    ///
    /// **Source** JCGM 100:2008, G.3.2 (band) and G.4.2, equation G.3 (degrees of freedom of what is
    /// judged). The third is judgement, held against the plants of the score.
    #[must_use]
    pub fn band_95_kg_per_s(&self) -> (f64, f64) {
        const DEGREES_OF_FREEDOM: f64 = 4.0;
        let half = student_quantile(0.975, DEGREES_OF_FREEDOM) * self.std_kg_per_s;
        (self.excess_kg_per_s - half, self.excess_kg_per_s + half)
    }
}

/// What could explain a change of the plant's helium, most credible first.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Explanation {
    /// Explanations that the measurements tell apart; those they cannot tell apart stand together.
    pub groups: Vec<HypothesisGroup>,
    /// What is ruled out, and by what, in words.
    pub excluded: Vec<String>,
}

impl Explanation {
    /// The most credible explanation, or the few that the meters cannot tell apart, in words.
    #[must_use]
    pub fn leading(&self) -> Option<String> {
        let first = self.groups.first()?;
        let together = if first.hypotheses.len() > 1 {
            ", not told apart by these meters"
        } else {
            ""
        };
        Some(format!(
            "best explained by {} ({:.0} %{together})",
            first.named(),
            100.0 * first.weight
        ))
    }

    /// The names of the most credible explanations, in a fixed order: what tells one answer from
    /// another.
    #[must_use]
    pub fn named_first(&self) -> Vec<String> {
        let first = self.groups.first();
        let mut names: Vec<String> = first
            .into_iter()
            .flat_map(|group| &group.hypotheses)
            .filter(|one| one.weight >= 0.05)
            .map(|one| one.kind.words())
            .collect();
        names.sort_unstable();
        names
    }

    /// In one sentence.
    #[must_use]
    pub fn words(&self) -> String {
        let groups: Vec<String> = self
            .groups
            .iter()
            .filter(|group| group.weight >= 0.05)
            .map(|group| format!("{} ({:.0} %)", group.named(), 100.0 * group.weight))
            .collect();
        if groups.is_empty() {
            return "nothing that is known of explains it".into();
        }
        groups.join("; ")
    }
}

/// Hypotheses that the measurements cannot tell apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HypothesisGroup {
    /// Posterior weight of the whole group, 0 to 1; the weights of all groups add up to 1.
    pub weight: f64,
    /// Its hypotheses, most credible first.
    pub hypotheses: Vec<Hypothesis>,
    /// What would tell them apart, in words.
    pub separate: Vec<String>,
    /// Which valves a person could close to prove one of them.
    pub isolation_tests: Vec<IsolationTest>,
}

impl HypothesisGroup {
    /// Its hypotheses in words; of many, the most credible ones.
    fn named(&self) -> String {
        const NAMED: usize = 3;
        let named = self.hypotheses.iter().take(NAMED);
        let mut names: Vec<String> = named.map(|one| one.kind.words()).collect();
        if self.hypotheses.len() > NAMED {
            names.push(match self.hypotheses.len() - NAMED {
                1 => "1 other".into(),
                more => format!("{more} others"),
            });
        }
        names.join(" or ")
    }
}

/// One thing that could be behind what is seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hypothesis {
    /// What is supposed.
    pub kind: HypothesisKind,
    /// Posterior weight among all hypotheses, 0 to 1.
    pub weight: f64,
    /// How much of the chi-square of "nothing happened" it takes away.
    pub explained: f64,
    /// Its size: kg/s for what goes on, kg for what happened once (see [`HypothesisKind::goes_on`]).
    /// Positive where the plant seems to lose; of a meter, where it reads too little; of a lag, where it
    /// has grown: the false mass while the gas warms by 1 K an hour.
    pub size: f64,
    /// Standard uncertainty of the size, same unit.
    pub std: f64,
    /// When it began, or happened.
    pub since: Option<Timestamp>,
}

/// What may be behind a change of the plant's helium.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum HypothesisKind {
    /// Helium leaves these sections, which no meter parts.
    Leak {
        /// Section ids.
        sections: Vec<Id>,
    },
    /// An instrument of this vessel drifts.
    Drift {
        /// Vessel id.
        vessel: Id,
        /// Channels of which one drifts.
        channels: Vec<Id>,
    },
    /// An instrument of this vessel made a step.
    Step {
        /// Vessel id.
        vessel: Id,
        /// Channels of which one stepped.
        channels: Vec<Id>,
    },
    /// A meter reads wrong by a factor.
    Meter {
        /// Line id.
        line: Id,
    },
    /// Helium came in and was not booked.
    UnbookedDelivery {
        /// Section ids.
        sections: Vec<Id>,
    },
    /// Helium went out at once and was not booked.
    UnbookedVent {
        /// Section ids.
        sections: Vec<Id>,
    },
    /// Thermometers of outdoor gas lag.
    ThermometerLag {
        /// Vessel ids.
        vessels: Vec<Id>,
    },
    /// The holdup differs from what the vessel's new mode states.
    Holdup {
        /// Vessel id.
        vessel: Id,
    },
}

impl HypothesisKind {
    /// Whether it goes on (a size in kg/s) or happened once (kg).
    #[must_use]
    pub fn goes_on(&self) -> bool {
        matches!(
            self,
            Self::Leak { .. } | Self::Drift { .. } | Self::Meter { .. }
        )
    }

    /// In words, without its size.
    #[must_use]
    pub fn words(&self) -> String {
        let list = |ids: &[Id]| ids.join(", ");
        match self {
            Self::Leak { sections } => format!("a leak in {}", list(sections)),
            Self::Drift { vessel, channels } => {
                format!("a drifting instrument of {vessel} ({})", list(channels))
            }
            Self::Step { vessel, channels } => {
                format!("a step of an instrument of {vessel} ({})", list(channels))
            }
            Self::Meter { line } => format!("a meter that reads wrong on {line}"),
            Self::UnbookedDelivery { sections } => {
                format!("a delivery into {} that is not booked", list(sections))
            }
            Self::UnbookedVent { sections } => {
                format!("helium vented from {} and not booked", list(sections))
            }
            Self::ThermometerLag { vessels } => {
                format!("lagging thermometers of {}", list(vessels))
            }
            Self::Holdup { vessel } => {
                format!("a holdup of {vessel} other than its mode states")
            }
        }
    }

    /// Whether helium is really gone.
    #[must_use]
    pub fn loses_helium(&self) -> bool {
        matches!(self, Self::Leak { .. } | Self::UnbookedVent { .. })
    }
}

/// Valves that a person closes for a while, and what that proves. Only people move valves.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct IsolationTest {
    /// Lines to close.
    pub close: Vec<Id>,
    /// The sections that are then by themselves.
    pub sections: Vec<Id>,
    /// For how long.
    pub hours: f64,
    /// A loss of this size would then be seen with 95 %, kg/s.
    pub proves_kg_per_s: f64,
}

/// Something that moved much helium, recognised from the readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Happening {
    /// What it was.
    pub kind: HappeningKind,
    /// From.
    pub from: Option<Timestamp>,
    /// To.
    pub to: Option<Timestamp>,
    /// Vessels that gave helium, with kg.
    pub gave: Vec<(Id, f64)>,
    /// Vessels that took helium, with kg.
    pub took: Vec<(Id, f64)>,
    /// Change of the plant's helium beside the books, kg: positive came in.
    pub net_kg: f64,
    /// Its standard uncertainty, kg; infinite when the plant's change is not known, since a vessel was
    /// carried forward meanwhile.
    pub net_std_kg: f64,
    /// The ledger entry that explains it.
    pub booked: Option<Id>,
}

/// Uncertainties of a change beyond which it is one.
pub(super) const CERTAIN_CHANGE: f64 = 6.0;

impl Happening {
    /// What speaks for an instrument's step instead: helium came or went that no book has, and no other
    /// vessel has moved.
    #[must_use]
    pub fn doubt(&self) -> Option<&'static str> {
        let one_sided = match self.kind {
            HappeningKind::Vent | HappeningKind::Delivery | HappeningKind::Quench => true,
            HappeningKind::Transfer
            | HappeningKind::Fill
            | HappeningKind::PumpDown
            | HappeningKind::Regeneration => false,
        };
        let alone = self.gave.len() + self.took.len() == 1;
        let changed = self.net_kg.abs() > CERTAIN_CHANGE * self.net_std_kg;
        (one_sided && alone && changed && self.booked.is_none())
            .then_some("no other vessel has moved, as if an instrument of this one had made a step")
    }

    /// In one sentence.
    #[must_use]
    pub fn words(&self) -> String {
        let side = |list: &[(Id, f64)]| {
            let named: Vec<String> = list
                .iter()
                .map(|(id, kg)| format!("{id} {kg:.1} kg"))
                .collect();
            named.join(", ")
        };
        let mut text = self.kind.words().to_owned();
        if !self.gave.is_empty() {
            text = format!("{text}; from {}", side(&self.gave));
        }
        if !self.took.is_empty() {
            text = format!("{text}; into {}", side(&self.took));
        }
        let booked = match &self.booked {
            Some(id) => format!("; booked as {id}"),
            None => String::new(),
        };
        if !self.net_std_kg.is_finite() {
            return format!("{text}; the plant's change is not known{booked}");
        }
        let doubt = self
            .doubt()
            .map_or_else(String::new, |why| format!("; {why}"));
        format!(
            "{text}; the plant's helium beside the books {:+.1} ± {:.1} kg{booked}{doubt}",
            self.net_kg, self.net_std_kg
        )
    }
}

impl HappeningKind {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Delivery => "delivery",
            Self::Vent => "vent",
            Self::Transfer => "transfer",
            Self::Quench => "quench",
            Self::Fill => "fill",
            Self::PumpDown => "pump-down",
            Self::Regeneration => "regeneration",
        }
    }
}

/// Kinds of happenings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HappeningKind {
    /// Helium came into the plant.
    Delivery,
    /// Helium left the plant.
    Vent,
    /// Liquid or gas went from vessel to vessel.
    Transfer,
    /// A bath boiled away within minutes.
    Quench,
    /// A bath was filled.
    Fill,
    /// A bath was pumped down.
    PumpDown,
    /// A purifier or adsorber gave back what it held.
    Regeneration,
}

/// How long until gas must be vented if the compressors stop now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RoomLeft {
    /// Hours; none when the present boil-off is not known or none.
    pub hours: Option<f64>,
    /// 95 % band of the hours.
    pub hours_band: Option<(f64, f64)>,
    /// Room, kg.
    pub free_kg: f64,
    /// Its standard uncertainty, kg.
    pub free_std_kg: f64,
    /// Room by vessel, kg.
    pub by_vessel: Vec<(Id, f64)>,
    /// Helium that boils off and needs room, kg/s.
    pub boil_off_kg_per_s: f64,
    /// Its standard uncertainty, kg/s.
    pub boil_off_std_kg_per_s: f64,
    /// Where the boil-off of each bath is known from; a site's stated total stands under the site's
    /// id. Baths of which nothing is known stand as [`BoilOffFrom::Unknown`].
    pub boil_off_from: Vec<(Id, BoilOffFrom)>,
    /// Room that only a running compressor could fill, by vessel, kg.
    pub by_compressor: Vec<(Id, f64)>,
}

/// Where a boil-off is known from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BoilOffFrom {
    /// The bath's mass over the last hour, while every supply to it was shut.
    Trend,
    /// Meters on what leaves the bath.
    Meters,
    /// Stated in the description.
    Stated,
    /// Nothing tells it.
    Unknown,
}

impl BoilOffFrom {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Trend => "from its mass over the last hour, its supply shut",
            Self::Meters => "from the meters on what leaves it",
            Self::Stated => "as the description states it",
            Self::Unknown => "not known",
        }
    }
}
