//! What is delivered where, and settings of the pages.

use super::ChannelIx;
use crate::time::Span;

/// Which channels a delivery carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Selection {
    /// Every channel.
    All,
    /// None.
    None,
    /// These.
    Channels(Vec<ChannelIx>),
}

/// What one destination is given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delivery {
    /// Channels whose measured values are sent.
    pub channels: Selection,
    /// At most one value per channel in this time.
    pub every: Span,
    /// Inventories of vessels, sections and plant.
    pub inventory: bool,
    /// Loss figures.
    pub losses: bool,
    /// Alarm transitions and ledger entries.
    pub alarms: bool,
}

/// What is delivered where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Deliveries {
    /// To the message broker.
    pub mqtt: Delivery,
    /// First levels of every topic.
    pub topic_root: String,
    /// To the time-series store.
    pub series: Delivery,
}

/// Settings of the pages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Console {
    /// Heading of every page.
    pub title: String,
    /// Unit in which loss rates are shown.
    pub loss_unit: String,
    /// Channels that the Channels page shows first.
    pub pinned: Vec<ChannelIx>,
}
