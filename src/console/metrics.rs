//! `GET /metrics`: figures for a monitoring system, in the OpenMetrics text format.

use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};

use super::facts::{Scene, alarm_facts, channel_facts, helium_facts};
use super::health::BoxHealth;
use super::http::Shared;
use super::live::{Pulse, pulse};
use crate::quantity::Quality;

type Labels = Vec<(&'static str, String)>;

/// One scrape: a registry made afresh, so that nothing outlives its channel or vessel.
struct Scrape {
    registry: Registry,
}

impl Scrape {
    fn gauges(
        &mut self,
        name: &str,
        help: &str,
        unit: Option<Unit>,
        values: impl IntoIterator<Item = (Labels, f64)>,
    ) {
        let family = Family::<Labels, Gauge<f64, AtomicU64>>::default();
        for (labels, value) in values {
            // What is no number has no sample; its quality is counted elsewhere.
            if value.is_finite() {
                family.get_or_create(&labels).set(value);
            }
        }
        match unit {
            Some(unit) => self.registry.register_with_unit(name, help, unit, family),
            None => self.registry.register(name, help, family),
        }
    }

    fn gauge(&mut self, name: &str, help: &str, unit: Option<Unit>, value: Option<f64>) {
        self.gauges(name, help, unit, value.map(|value| (Labels::new(), value)));
    }
}

/// `GET /metrics`.
pub(super) async fn metrics(State(shared): State<Arc<Shared>>) -> Response {
    let pulse = pulse(&shared);
    let health = Arc::clone(&shared.office.health.borrow());
    let text = shared.with_scene(|scene| scrape(scene, &pulse, &health));
    match text {
        Ok(text) => (
            [(
                header::CONTENT_TYPE,
                "application/openmetrics-text; version=1.0.0; charset=utf-8",
            )],
            text,
        )
            .into_response(),
        Err(_) => (
            StatusCode::INTERNAL_SERVER_ERROR,
            "the metrics cannot be written\n",
        )
            .into_response(),
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts far below 2^53")]
fn scrape(scene: Scene<'_>, pulse: &Pulse, health: &BoxHealth) -> Result<String, std::fmt::Error> {
    let mut scrape = Scrape {
        registry: Registry::with_prefix("coldledger"),
    };
    let kilograms = || Some(Unit::Other("kilograms".into()));
    let truth = |yes: bool| Some(f64::from(u8::from(yes)));
    let helium = helium_facts(scene);
    let alarms = alarm_facts(scene);
    let channels = channel_facts(scene);

    let plant = helium.plant.as_ref().map(|plant| &plant.mass);
    scrape.gauge(
        "inventory",
        "Helium in the plant",
        kilograms(),
        plant.and_then(|mass| mass.value),
    );
    scrape.gauge(
        "inventory_std_uncertainty",
        "Standard uncertainty of the helium in the plant",
        kilograms(),
        plant.and_then(|mass| mass.std_uncertainty),
    );
    let vessels = || helium.sections.iter().flat_map(|section| &section.vessels);
    scrape.gauges(
        "vessel_mass",
        "Helium in a vessel",
        kilograms(),
        vessels().filter_map(|v| Some((vec![("vessel", v.id.clone())], v.mass.mass.value?))),
    );
    scrape.gauges(
        "section_mass",
        "Helium in a section",
        kilograms(),
        helium
            .sections
            .iter()
            .filter_map(|s| Some((vec![("section", s.id.clone())], s.mass.mass.value?))),
    );
    losses(&mut scrape, scene);
    scrape.gauges(
        "channels",
        "Channels by quality",
        None,
        [
            (Quality::Good, channels.good),
            (Quality::Uncertain, channels.uncertain),
            (Quality::Bad, channels.bad),
        ]
        .map(|(quality, count)| (vec![("quality", quality.to_string())], count as f64)),
    );
    scrape.gauges(
        "alarms",
        "Alarms and alerts that are not normal, by state",
        None,
        [
            ("unacknowledged", alarms.unacknowledged),
            ("acknowledged", alarms.alarms.len() - alarms.unacknowledged),
            ("alert", alarms.alerts.len()),
            ("returned", alarms.returned.len()),
            ("hidden", alarms.hidden.len()),
        ]
        .map(|(state, count)| (vec![("state", state.to_owned())], count as f64)),
    );
    scrape.gauges(
        "device_answers",
        "Whether the last poll of a device was answered",
        None,
        scene.view.devices.iter().map(|device| {
            let labels = vec![("device", device.id.to_string())];
            (labels, f64::from(u8::from(device.answers)))
        }),
    );
    scrape.gauge(
        "live",
        "Whether the picture is young",
        None,
        truth(pulse.live),
    );
    scrape.gauge(
        "picture_age",
        "Age of the picture of the plant",
        Some(Unit::Seconds),
        Some(pulse.picture_age_s),
    );
    scrape.gauge("seq", "Last event applied", None, Some(pulse.seq as f64));
    box_health(&mut scrape, health);

    let mut text = String::new();
    encode(&mut text, &scrape.registry)?;
    Ok(text)
}

fn losses(scrape: &mut Scrape, scene: Scene<'_>) {
    let labels = |section: &Option<crate::plant::Id>| -> Labels {
        let of = section.as_ref().map_or("plant", |id| id);
        vec![("of", of.to_owned())]
    };
    let rates = || {
        scene
            .view
            .losses
            .iter()
            .filter_map(move |report| Some((labels(&report.section), report.rate.as_ref()?)))
    };
    let unit = || Some(Unit::Other("kilograms_per_second".into()));
    scrape.gauges(
        "loss_rate",
        "Loss rate, the accepted loss included",
        unit(),
        rates().map(|(labels, rate)| (labels, rate.rate_kg_per_s)),
    );
    scrape.gauges(
        "loss_rate_std_uncertainty",
        "Standard uncertainty of the loss rate",
        unit(),
        rates().map(|(labels, rate)| (labels, rate.std_kg_per_s)),
    );
    scrape.gauges(
        "loss_detection_limit",
        "Smallest excess loss that would be seen with 95 %",
        unit(),
        rates().map(|(labels, rate)| (labels, rate.detection_limit_kg_per_s)),
    );
    scrape.gauges(
        "loss_beyond_accepted",
        "Whether more is being lost than accepted",
        None,
        scene.view.losses.iter().map(|report| {
            let raised = report.excess.as_ref().is_some_and(|excess| excess.raised);
            (labels(&report.section), f64::from(u8::from(raised)))
        }),
    );
}

#[expect(
    clippy::cast_precision_loss,
    reason = "counts and bytes far below 2^53"
)]
fn box_health(scrape: &mut Scrape, health: &BoxHealth) {
    let bytes = || Some(Unit::Bytes);
    let recording = f64::from(u8::from(health.recording));
    scrape.gauge(
        "recording",
        "Whether events are recorded",
        None,
        Some(recording),
    );
    scrape.gauge(
        "committed_seq",
        "Last event on disk",
        None,
        Some(health.committed_seq as f64),
    );
    scrape.gauge(
        "last_commit_age",
        "Time since the last commit",
        Some(Unit::Seconds),
        health.last_commit_age_s,
    );
    scrape.gauge(
        "uptime",
        "Time since the start",
        Some(Unit::Seconds),
        Some(health.uptime_s as f64),
    );
    scrape.gauge(
        "data",
        "Size of the data directory",
        bytes(),
        Some(health.data_bytes as f64),
    );
    scrape.gauge(
        "disk_free",
        "Free space beside the data directory",
        bytes(),
        health.disk_free_bytes.map(|bytes| bytes as f64),
    );
    scrape.gauge(
        "memory",
        "Resident memory",
        bytes(),
        health.memory_bytes.map(|bytes| bytes as f64),
    );
    scrape.gauge(
        "queue_depth",
        "Events waiting to be applied",
        None,
        Some(health.queue_depth as f64),
    );
    scrape.gauges(
        "destination_lag",
        "Events that a destination has not acknowledged",
        None,
        health
            .destinations
            .iter()
            .map(|d| (vec![("destination", d.name.clone())], d.lag_events as f64)),
    );
    scrape.gauges(
        "device_timeouts",
        "Requests to a device without a whole answer in time, since the start",
        None,
        health
            .devices
            .iter()
            .map(|d| (vec![("device", d.id.clone())], d.timeouts as f64)),
    );
}
