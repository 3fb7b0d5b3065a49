//! Alarms and alerts: what raises one, and what people are told to do.

use serde::{Deserialize, Serialize};

use super::{ChannelIx, DeviceIx, Id, LineIx, SectionIx, VesselIx};
use crate::plant::magnets::{CoolDownIx, MagnetIx};
use crate::time::Span;

/// Whether a person must act in time (alarm) or should look into it (alert), as IEC 62682 tells them apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmClass {
    /// Needs a timely operator response.
    Alarm,
    /// For the engineer; no timely response is needed.
    Alert,
}

/// How urgent an alarm is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Act now.
    High,
    /// Act soon.
    Medium,
    /// Act within the shift.
    Low,
}

/// Which way a limit is crossed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// Above, or rising.
    Up,
    /// Below, or falling.
    Down,
}

/// What part of the plant a figure is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// All of it: the first and firmest figure.
    Plant,
    /// One section.
    Section(SectionIx),
}

/// What raises an alarm. Limits and deadbands are in SI.
#[derive(Debug, Clone, PartialEq)]
pub enum AlarmSource {
    /// A channel beyond a limit; it returns when the deadband is passed.
    Limit {
        /// The channel.
        channel: ChannelIx,
        /// Above or below.
        direction: Direction,
        /// The limit, SI.
        limit: f64,
        /// How far back inside it must come, SI difference.
        deadband: f64,
    },
    /// A channel changing faster than a limit.
    RateOfChange {
        /// The channel.
        channel: ChannelIx,
        /// Rising or falling.
        direction: Direction,
        /// SI per second, positive.
        limit_per_s: f64,
        /// Measured over this time.
        over: Span,
    },
    /// Any of these channels bad or stale.
    NotUsable {
        /// The channels.
        channels: Vec<ChannelIx>,
    },
    /// Channels that should read alike differ from their median by more than a limit.
    Disagreement {
        /// The channels; at least three, or two.
        channels: Vec<ChannelIx>,
        /// Largest difference from the median, SI difference.
        limit: f64,
        /// Only while each of these lines is open.
        while_open: Vec<LineIx>,
    },
    /// A vessel's helium mass beyond a limit.
    VesselMass {
        /// The vessel.
        vessel: VesselIx,
        /// Above or below.
        direction: Direction,
        /// kg.
        limit: f64,
        /// kg.
        deadband: f64,
    },
    /// More helium is being lost than accepted, as the sequential test of the loss decides.
    ExcessLoss {
        /// Of what.
        scope: Scope,
    },
    /// More unaccounted loss over a window than a limit and than its own decision threshold.
    UnaccountedLoss {
        /// Of what.
        scope: Scope,
        /// Over how long.
        over: Span,
        /// kg.
        limit: f64,
    },
    /// A magnet's temperature margin below a limit, or lost.
    Margin {
        /// The magnet.
        magnet: MagnetIx,
        /// K.
        limit: f64,
        /// K.
        deadband: f64,
    },
    /// A bath that reaches its low level, by its trend, in less than a time.
    TimeUntilLow {
        /// The vessel, a bath with a low level.
        vessel: VesselIx,
        /// s.
        limit: f64,
        /// s.
        deadband: f64,
    },
    /// The ends of a cold mass further apart than its stated limit.
    Gradient {
        /// The cool-down.
        cool_down: CoolDownIx,
        /// K.
        deadband: f64,
    },
    /// Less time than this until gas must be vented if the compressors stop now.
    RoomLeft {
        /// The limit; it returns once a fifth more is left.
        below: Span,
    },
    /// A device does not answer.
    DeviceLost {
        /// The device.
        device: DeviceIx,
    },
}

/// An alarm or alert as configured; none is without cause, consequence, response and time.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmRule {
    /// Text id.
    pub id: Id,
    /// Short message.
    pub name: String,
    /// Alarm or alert.
    pub class: AlarmClass,
    /// How urgent.
    pub priority: Priority,
    /// What raises it.
    pub source: AlarmSource,
    /// The condition must hold this long.
    pub on_delay: Span,
    /// The condition must be gone this long.
    pub off_delay: Span,
    /// What has probably happened.
    pub cause: String,
    /// What follows when nothing is done.
    pub consequence: String,
    /// What the person should do.
    pub response: String,
    /// How long there is.
    pub time_to_respond: Span,
    /// The hazard to people.
    pub caution: String,
    /// The section concerned, for pages.
    pub section: Option<SectionIx>,
}
