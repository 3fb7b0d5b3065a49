//! Box health: whether the machine and its links are well.

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::{Frame, render};
use crate::console::facts::{PlantFacts, plant_facts};
use crate::console::health::{BoxHealth, DeviceHealth};
use crate::console::http::Shared;
use crate::console::words::{Moment, bytes};
use crate::time::Span;

#[derive(Template)]
#[template(path = "box.html")]
struct BoxPage {
    frame: Frame,
    health: Arc<BoxHealth>,
    plant: PlantFacts,
    started: Moment,
    devices: Vec<DeviceRow>,
}

struct DeviceRow {
    id: String,
    name: String,
    link: String,
    answers: bool,
    fault: String,
    last_answer: Moment,
    good_polls: u64,
    failed_polls: u64,
    link_health: DeviceHealth,
}

impl BoxPage {
    fn uptime(&self) -> Span {
        seconds(self.health.uptime_s)
    }

    fn commit_age(&self) -> String {
        self.health.last_commit_age_s.map_or_else(
            || "nothing committed yet".into(),
            |age| format!("{} ago", Span::from_seconds(age)),
        )
    }

    fn bytes(count: &u64) -> String {
        bytes(*count)
    }

    fn maybe_bytes(count: &Option<u64>) -> String {
        count.map_or_else(|| "not known".into(), bytes)
    }

    fn budget_percent(&self) -> u64 {
        self.health
            .data_bytes
            .saturating_mul(100)
            .checked_div(self.health.disk_budget_bytes)
            .unwrap_or(0)
    }
}

fn seconds(count: u64) -> Span {
    Span::from_millis(
        i64::try_from(count)
            .unwrap_or(i64::MAX / 1000)
            .saturating_mul(1000),
    )
}

/// `GET /box`.
pub(in crate::console) async fn page(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
) -> Response {
    let health = Arc::clone(&shared.office.health.borrow());
    let page = shared.with_scene(|scene| {
        let plant = plant_facts(scene.plant);
        BoxPage {
            frame: Frame::new(&shared, &headers, "/box"),
            started: scene.time.moment(health.started),
            devices: plant
                .devices
                .iter()
                .map(|device| {
                    let view = scene.view.devices.iter().find(|v| *v.id == *device.id);
                    DeviceRow {
                        id: device.id.clone(),
                        name: device.name.clone(),
                        link: format!("{}, unit {}", device.link, device.unit_id),
                        answers: view.is_some_and(|v| v.answers),
                        fault: view.map_or_else(|| "never asked".into(), |v| v.fault.clone()),
                        last_answer: scene.time.moment(view.and_then(|v| v.last_answer)),
                        good_polls: view.map_or(0, |v| v.good_polls),
                        failed_polls: view.map_or(0, |v| v.failed_polls),
                        link_health: health
                            .devices
                            .iter()
                            .find(|h| h.id == device.id)
                            .cloned()
                            .unwrap_or_default(),
                    }
                })
                .collect(),
            health,
            plant,
        }
    });
    render(StatusCode::OK, &page)
}
