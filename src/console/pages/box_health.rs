//! Box health: whether the machine and its links are well.

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::{Frame, render};
use crate::console::facts::{HealthFacts, PlantFacts, health_facts, plant_facts};
use crate::console::http::Shared;
use crate::console::live::pulse;
use crate::console::words::{Moment, bytes};
use crate::time::Span;

#[derive(Template)]
#[template(path = "box.html", config = "src/console/askama.toml")]
struct BoxPage {
    frame: Frame,
    facts: HealthFacts,
    plant: PlantFacts,
    started: Moment,
}

impl BoxPage {
    fn uptime(&self) -> Span {
        let seconds = i64::try_from(self.facts.health.uptime_s).unwrap_or(i64::MAX);
        Span::from_millis(seconds.saturating_mul(1000))
    }

    fn commit_age(&self) -> String {
        self.facts.health.last_commit_age_s.map_or_else(
            || "nothing committed yet".into(),
            |age| format!("{} ago", Span::from_seconds(age)),
        )
    }

    fn maybe_bytes(count: Option<u64>) -> String {
        count.map_or_else(|| "not known".into(), bytes)
    }

    fn budget_percent(&self) -> u64 {
        let health = &self.facts.health;
        health
            .data_bytes
            .saturating_mul(100)
            .checked_div(health.disk_budget_bytes)
            .unwrap_or(0)
    }
}

/// `GET /box`.
pub(in crate::console) async fn page(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
) -> Response {
    let health = Arc::clone(&shared.office.health.borrow());
    let pulse = pulse(&shared);
    let page = shared.with_scene(|scene| BoxPage {
        frame: Frame::new(&shared, &headers, "/box"),
        started: scene.time.moment(health.started),
        facts: health_facts(scene, &health, &pulse),
        plant: plant_facts(scene.plant),
    });
    render(StatusCode::OK, &page)
}
