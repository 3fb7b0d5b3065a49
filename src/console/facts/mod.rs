//! What pages show and the HTTP API serves: one set of facts for both, so that neither can say
//! what the other does not.

pub mod alarms;
pub mod change;
pub mod channels;
pub mod explanation;
pub mod halls;
pub mod health;
pub mod helium;
pub mod losses;
pub mod magnets;
pub mod plant;
pub mod ranges;
pub mod reconciliation;
pub mod statement;
pub mod timeline;

pub use alarms::{AlarmFact, AlarmFacts, alarm_facts};
pub use change::{ChangePoint, change, is_moving};
pub use channels::{ChannelFact, ChannelFacts, channel_facts};
pub use explanation::{ExplanationFact, HappeningFact, explanation_fact, happening_facts};
pub use halls::{HallFact, HallFacts, hall_facts};
pub use health::{HealthFacts, health_facts};
pub use helium::{HeliumFacts, helium_facts};
pub use losses::{LossFact, LossFacts, loss_facts};
pub use magnets::{MagnetFact, MagnetFacts, magnet_facts};
pub use plant::{PlantFacts, plant_facts};
pub use ranges::{RangeFact, range_facts};
pub use reconciliation::{ReconciliationFacts, reconciliation_facts};
pub use statement::{StatementFacts, statement_facts};
pub use timeline::{RoomFact, TimelineFacts, room_facts, timeline_facts};

use super::words::SiteTime;
use crate::engine::View;
use crate::plant::Plant;
use crate::time::Timestamp;

/// What facts are drawn from: the description, the picture, and the time it is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Scene<'a> {
    /// The description.
    pub plant: &'a Plant,
    /// The picture.
    pub view: &'a View,
    /// Wall time now, when known.
    pub now: Option<Timestamp>,
    /// How times are said.
    pub time: &'a SiteTime,
}
