//! How the box is, and in words what is unwell.

use std::sync::Arc;

use serde::Serialize;

use super::Scene;
use crate::console::health::{BoxHealth, DeviceHealth};
use crate::console::live::Pulse;
use crate::console::words::Moment;
use crate::plant::Link;

/// How the box is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HealthFacts {
    /// Whether nothing is unwell.
    pub well: bool,
    /// What is unwell, in words.
    pub unwell: Vec<String>,
    /// As the host reports it.
    #[serde(flatten)]
    pub health: Arc<BoxHealth>,
    /// Each device as the engine sees it.
    pub answers: Vec<DeviceAnswers>,
}

/// A device as the engine sees it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DeviceAnswers {
    /// Text id.
    pub id: String,
    /// Name.
    pub name: String,
    /// How it is reached.
    pub link: String,
    /// Whether its last poll was answered.
    pub answers: bool,
    /// Why not, in words.
    pub fault: String,
    /// When it last answered.
    pub last_answer: Moment,
    /// Polls answered since the engine was made.
    pub good_polls: u64,
    /// Polls that failed since the engine was made.
    pub failed_polls: u64,
    /// Its link as the host reports it.
    pub link_health: DeviceHealth,
}

/// How the box is, from the host's report, the picture and its age.
#[must_use]
pub fn health_facts(scene: Scene<'_>, health: &Arc<BoxHealth>, pulse: &Pulse) -> HealthFacts {
    let answers: Vec<_> = scene
        .plant
        .all
        .device
        .iter()
        .map(|device| {
            let view = scene.view.devices.iter().find(|v| v.id == device.id);
            let link = match &device.link {
                Link::Tcp { host, port } => format!("Modbus TCP {host}:{port}"),
            };
            DeviceAnswers {
                id: device.id.to_string(),
                name: device.name.clone(),
                link: format!("{link}, unit {}", device.unit_id),
                answers: view.is_some_and(|v| v.answers),
                fault: view.map_or_else(|| "never asked".into(), |v| v.fault.clone()),
                last_answer: scene.time.moment(view.and_then(|v| v.last_answer)),
                good_polls: view.map_or(0, |v| v.good_polls),
                failed_polls: view.map_or(0, |v| v.failed_polls),
                link_health: health
                    .devices
                    .iter()
                    .find(|h| *h.id == *device.id)
                    .cloned()
                    .unwrap_or_default(),
            }
        })
        .collect();
    let unwell = unwell(health, pulse, &answers);
    HealthFacts {
        well: unwell.is_empty(),
        unwell,
        health: Arc::clone(health),
        answers,
    }
}

fn unwell(health: &BoxHealth, pulse: &Pulse, answers: &[DeviceAnswers]) -> Vec<String> {
    let mut found = Vec::new();
    if !pulse.live {
        found.push(format!(
            "The picture of the plant is old: {}",
            pulse.at_text
        ));
    }
    if !health.recording {
        found.push(format!("Not recording: {}", health.not_recording_because));
    }
    found.extend(health.notes.iter().cloned());
    for device in answers.iter().filter(|device| !device.answers) {
        found.push(format!(
            "{} ({}) does not answer: {}",
            device.name, device.id, device.fault
        ));
    }
    for destination in health.destinations.iter().filter(|d| !d.well) {
        found.push(format!(
            "Deliveries to {} are {} events behind: {}",
            destination.name,
            destination.lag_events,
            destination
                .last_error
                .as_deref()
                .unwrap_or(&destination.state)
        ));
    }
    if !health.clock_known {
        found.push("Wall time is not known; delays and rates go by the monotonic clock".into());
    }
    found
}
