//! How the box that Coldledger runs on is, as its host reports it.

use serde::{Deserialize, Serialize};

use crate::time::Timestamp;

/// Health of the daemon and its box.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct BoxHealth {
    /// Version of the program.
    pub version: String,
    /// When the daemon started, when the clock was known.
    #[serde(rename = "started_ms")]
    pub started: Option<Timestamp>,
    /// How long it has been running, s.
    pub uptime_s: u64,
    /// The last event applied.
    pub seq: u64,
    /// The last event on disk.
    pub committed_seq: u64,
    /// Time since the last commit, s; none before the first.
    pub last_commit_age_s: Option<f64>,
    /// Whether events are being recorded.
    pub recording: bool,
    /// Why not, and what to do; empty while recording.
    pub not_recording_because: String,
    /// Bytes that the data directory takes.
    pub data_bytes: u64,
    /// Bytes that it may take.
    pub disk_budget_bytes: u64,
    /// Bytes free on its file system.
    pub disk_free_bytes: Option<u64>,
    /// Resident memory of the process, bytes.
    pub memory_bytes: Option<u64>,
    /// Events waiting to be applied.
    pub queue_depth: u64,
    /// Most events that may wait.
    pub queue_limit: u64,
    /// Each device's link.
    pub devices: Vec<DeviceHealth>,
    /// Each destination.
    pub destinations: Vec<DestinationHealth>,
    /// Whether wall time is known.
    pub clock_known: bool,
    /// Clock epoch: raised at each step of the wall clock.
    pub clock_epoch: u32,
    /// Hash of the description in force, as shown.
    pub description: String,
    /// What is unwell, in words, worst first; empty when all is well.
    pub notes: Vec<String>,
}

/// Link to one device.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct DeviceHealth {
    /// The device's id.
    pub id: String,
    /// Requests sent.
    pub polls: u64,
    /// Requests without a whole answer in time.
    pub timeouts: u64,
    /// Times the connection was dropped to find the start of a frame again.
    pub resyncs: u64,
    /// Time of the last round trip, ms.
    pub round_trip_ms: Option<f64>,
}

/// One destination of deliveries.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, Default)]
pub struct DestinationHealth {
    /// Name: "mqtt", "series".
    pub name: String,
    /// State in words: "connected", "waiting 30 s to try again", "off".
    pub state: String,
    /// Whether all is well with it (being off on purpose is well).
    pub well: bool,
    /// Last event acknowledged by it.
    pub cursor_seq: u64,
    /// Events on disk that it has not acknowledged.
    pub lag_events: u64,
    /// The last error, in words.
    pub last_error: Option<String>,
}
