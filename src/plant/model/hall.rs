//! Halls whose oxygen is watched.

use super::{ChannelIx, Id, SectionIx};

/// A hall with helium in it and people.
#[derive(Debug, Clone)]
pub struct Hall {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// Its volume and its fan.
    pub air: crate::air::Hall,
    /// Its oxygen monitors; never empty.
    pub oxygen: Vec<OxygenMonitor>,
    /// Sections whose vessels stand in it.
    pub sections: Vec<SectionIx>,
}

/// An oxygen monitor of a hall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OxygenMonitor {
    /// The channel (a fraction).
    pub channel: ChannelIx,
    /// What it responds to.
    pub scale: crate::instrument::oxygen::OxygenScale,
}
