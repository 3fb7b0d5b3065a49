//! How the box is: gathered for the Box health page, `/healthz`, and the service manager.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::acquisition::DeviceHealth;
use crate::clock::Clock;
use crate::console::{self, BoxHealth, DestinationHealth};
use crate::history::Reader;
use crate::plant::{Id, Plant};
use crate::publish::LinkHealth;
use crate::time::{Monotonic, Stamp};

/// A queue fuller than this is worth a note.
const QUEUE_NOTE: f64 = 0.5;

/// Less free disk than this is worth a note, bytes.
const DISK_NOTE: u64 = 500_000_000;

/// What the recorder says of itself after each tick.
#[derive(Debug, Clone)]
pub struct RecordState {
    /// The last event applied.
    pub seq: u64,
    /// The last event that is durable.
    pub durable_seq: u64,
    /// When it became durable.
    pub committed: Option<Stamp>,
    /// Why nothing is recorded, if so.
    pub not_recording_because: Option<String>,
    /// Hash of the description in force.
    pub description: String,
    /// What opening the record found that a person should know.
    pub notes: Vec<String>,
}

impl RecordState {
    /// Before the record is opened.
    #[must_use]
    pub fn unopened(plant: &Plant) -> Self {
        Self {
            seq: 0,
            durable_seq: 0,
            committed: None,
            not_recording_because: None,
            description: plant.hash.to_string(),
            notes: Vec::new(),
        }
    }
}

/// Everything that tells how the box is.
pub struct Gauges {
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// When the daemon started.
    pub started: Stamp,
    /// Data directory.
    pub directory: PathBuf,
    /// Disk budget, bytes.
    pub disk_budget_bytes: u64,
    /// Counters of the devices.
    pub devices: BTreeMap<Id, Arc<DeviceHealth>>,
    /// Counters of the destinations.
    pub destinations: Vec<(&'static str, Arc<LinkHealth>)>,
}

impl Gauges {
    /// How the box is now.
    #[must_use]
    pub fn read(&self, record: &RecordState, queue: (usize, usize)) -> BoxHealth {
        let now = self.clock.now();
        let disk_free_bytes = free_bytes(&self.directory);
        let (queue_depth, queue_limit) = queue;
        let mut notes = record.notes.clone();
        if let Some(why) = &record.not_recording_because {
            notes.push(format!("NOT RECORDING: {why}"));
        }
        if now.utc.is_none() {
            notes.push("the wall clock is not set: times are not known".to_owned());
        }
        if disk_free_bytes.is_some_and(|free| free < DISK_NOTE) {
            notes.push("the disk is nearly full".to_owned());
        }
        #[expect(clippy::cast_precision_loss, reason = "queue lengths are small")]
        let filled = queue_depth as f64 / queue_limit.max(1) as f64;
        if filled > QUEUE_NOTE {
            notes.push("readings come in faster than they are taken".to_owned());
        }
        let destinations: Vec<DestinationHealth> = self
            .destinations
            .iter()
            .map(|(name, link)| destination(name, link))
            .collect();
        for destination in destinations.iter().filter(|d| !d.well) {
            notes.push(format!(
                "{} is not served: {}",
                destination.name,
                destination.last_error.as_deref().unwrap_or("no connection")
            ));
        }
        let committed_age = record
            .committed
            .map(|stamp| (now.monotonic - stamp.monotonic).seconds());
        BoxHealth {
            version: env!("CARGO_PKG_VERSION").to_owned(),
            started: self.started.utc,
            uptime_s: whole_seconds(now.monotonic, self.started.monotonic),
            seq: record.seq,
            committed_seq: record.durable_seq,
            last_commit_age_s: committed_age,
            recording: record.not_recording_because.is_none(),
            not_recording_because: record.not_recording_because.clone().unwrap_or_default(),
            data_bytes: data_bytes(&self.directory),
            disk_budget_bytes: self.disk_budget_bytes,
            disk_free_bytes,
            memory_bytes: resident_bytes(),
            queue_depth: queue_depth as u64,
            queue_limit: queue_limit as u64,
            devices: self
                .devices
                .iter()
                .map(|(id, health)| device(id, health))
                .collect(),
            destinations,
            clock_known: now.utc.is_some(),
            clock_epoch: now.epoch,
            description: record.description.clone(),
            notes,
        }
    }
}

fn device(id: &Id, health: &DeviceHealth) -> console::DeviceHealth {
    let report = health.report();
    #[expect(clippy::cast_precision_loss, reason = "milliseconds of one answer")]
    let round_trip_ms = (report.answers > 0).then_some(report.answer_time_ms as f64);
    console::DeviceHealth {
        id: id.to_string(),
        polls: report.requests,
        timeouts: report.timeouts,
        resyncs: report.resyncs,
        round_trip_ms,
    }
}

fn destination(name: &str, link: &LinkHealth) -> DestinationHealth {
    let report = link.report();
    let state = if report.connected {
        "connected"
    } else if report.needs_a_person {
        "needs a person"
    } else {
        "not connected, tried again"
    };
    DestinationHealth {
        name: name.to_owned(),
        state: state.to_owned(),
        well: report.connected,
        cursor_seq: report.cursor,
        lag_events: report.lag,
        last_error: (!report.last_error.is_empty()).then(|| report.last_error.clone()),
    }
}

fn whole_seconds(now: Monotonic, then: Monotonic) -> u64 {
    u64::try_from((now - then).millis() / 1000).unwrap_or(0)
}

/// Size of the history as its own statistics have it; 0 when it cannot be read.
fn data_bytes(directory: &Path) -> u64 {
    Reader::open(directory)
        .and_then(|reader| reader.statistics())
        .map_or(0, |statistics| statistics.file_bytes)
}

/// Bytes that this user can still write to the disk of the data directory.
fn free_bytes(directory: &Path) -> Option<u64> {
    let disk = rustix::fs::statvfs(directory).ok()?;
    disk.f_bavail.checked_mul(disk.f_frsize)
}

/// Resident memory of this process, from the kernel's `/proc/self/status`.
fn resident_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kibibytes: u64 = line.trim().trim_end_matches(" kB").parse().ok()?;
    kibibytes.checked_mul(1024)
}
