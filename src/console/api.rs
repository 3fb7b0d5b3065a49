//! The HTTP API: as JSON all that the pages show, from the same facts.

use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};

use super::facts::{
    self, AlarmFacts, ChangePoint, ChannelFacts, HealthFacts, HeliumFacts, LossFacts, MagnetFacts,
    ReconciliationFacts, RoomFact, Scene, TimelineFacts, alarm_facts, channel_facts, hall_facts,
    health_facts, helium_facts, loss_facts, magnet_facts, reconciliation_facts, room_facts,
    timeline_facts,
};
use super::http::{Problem, Shared};
use super::live::{Pulse, pulse};
use super::office::{InventoryOf, JournalLine, LossPoint, MassPoint, TrendSeries};
use crate::time::{Span, Timestamp};

/// Points of a series when the asker does not say.
const USUAL_POINTS: usize = 360;
/// Most points of a series.
const MOST_POINTS: usize = 2000;
/// Longest series.
const LONGEST: Span = Span::from_millis(400 * 86_400_000);
/// Lines of the journal when the asker does not say.
pub(super) const USUAL_LINES: usize = 50;
/// Most lines of the journal at once.
const MOST_LINES: usize = 1000;

pub(super) fn router() -> Router<Arc<Shared>> {
    Router::new()
        .route("/api/v1/view", get(view))
        .route("/api/v1/alarms", get(|s| drawn(s, alarm_facts)))
        .route("/api/v1/helium", get(|s| drawn(s, helium_facts)))
        .route("/api/v1/helium/inventory", get(inventory))
        .route("/api/v1/helium/change", get(change))
        .route("/api/v1/losses", get(|s| drawn(s, loss_facts)))
        .route("/api/v1/losses/history", get(loss_history))
        .route("/api/v1/happenings", get(|s| drawn(s, timeline_facts)))
        .route("/api/v1/room", get(|s| drawn(s, room_facts)))
        .route(
            "/api/v1/reconciliation",
            get(|s| drawn(s, reconciliation_facts)),
        )
        .route("/api/v1/magnets", get(|s| drawn(s, magnet_facts)))
        .route("/api/v1/vessels", get(vessels))
        .route("/api/v1/channels", get(|s| drawn(s, channel_facts)))
        .route("/api/v1/channels/{id}", get(channel))
        .route("/api/v1/channels/{id}/trend", get(trend))
        .route("/api/v1/halls", get(|s| drawn(s, hall_facts)))
        .route("/api/v1/ledger", get(ledger))
        .route("/api/v1/journal", get(journal))
        .route("/api/v1/health", get(health))
        .route("/api/v1/plant", get(plant))
}

/// Everything that is shown as now, in one answer.
#[derive(Serialize)]
struct Whole {
    pulse: Pulse,
    alarms: AlarmFacts,
    helium: HeliumFacts,
    losses: LossFacts,
    reconciliation: Option<ReconciliationFacts>,
    magnets: MagnetFacts,
    happenings: TimelineFacts,
    room: Option<RoomFact>,
    channels: ChannelFacts,
    health: HealthFacts,
}

type Asker = State<Arc<Shared>>;

fn drawn<T: Serialize>(
    State(shared): Asker,
    draw: impl FnOnce(Scene<'_>) -> T,
) -> std::future::Ready<Json<T>> {
    std::future::ready(Json(shared.with_scene(draw)))
}

async fn view(State(shared): State<Arc<Shared>>) -> Response {
    let pulse = pulse(&shared);
    let health = Arc::clone(&shared.office.health.borrow());
    Json(shared.with_scene(|scene| Whole {
        health: health_facts(scene, &health, &pulse),
        pulse,
        alarms: alarm_facts(scene),
        helium: helium_facts(scene),
        losses: loss_facts(scene),
        reconciliation: reconciliation_facts(scene),
        magnets: magnet_facts(scene),
        happenings: timeline_facts(scene),
        room: room_facts(scene),
        channels: channel_facts(scene),
    }))
    .into_response()
}

async fn vessels(State(shared): State<Arc<Shared>>) -> Response {
    let sections = shared.with_scene(helium_facts).sections;
    let vessels: Vec<_> = sections.into_iter().flat_map(|s| s.vessels).collect();
    Json(vessels).into_response()
}

async fn ledger(State(shared): State<Arc<Shared>>) -> Response {
    Json(shared.with_scene(helium_facts).ledger).into_response()
}

async fn plant(State(shared): State<Arc<Shared>>) -> Response {
    Json(shared.with_scene(|scene| facts::plant_facts(scene.plant))).into_response()
}

async fn health(State(shared): State<Arc<Shared>>) -> Response {
    let pulse = pulse(&shared);
    let health = Arc::clone(&shared.office.health.borrow());
    Json(shared.with_scene(|scene| health_facts(scene, &health, &pulse))).into_response()
}

async fn channel(State(shared): State<Arc<Shared>>, Path(id): Path<String>) -> Response {
    let found = shared
        .with_scene(channel_facts)
        .channels
        .into_iter()
        .find(|channel| channel.id == id);
    match found {
        Some(channel) => Json(channel).into_response(),
        None => Problem::not_found(&id).into_response(),
    }
}

/// From when to when, and in how many points.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Stretch {
    from_ms: Option<i64>,
    to_ms: Option<i64>,
    over: Option<String>,
    points: Option<usize>,
    vessel: Option<String>,
    section: Option<String>,
}

/// The lengths that pages offer.
pub(super) const LENGTHS: [(&str, Span); 4] = [
    ("1 h", Span::HOUR),
    ("8 h", Span::from_millis(8 * 3_600_000)),
    ("24 h", Span::DAY),
    ("7 d", Span::from_millis(7 * 86_400_000)),
];

/// A length by name, with or without its space.
pub(super) fn length(name: &str) -> Option<(&'static str, Span)> {
    let plain = name.replace([' ', '+'], "");
    LENGTHS
        .into_iter()
        .find(|(known, _)| known.replace(' ', "") == plain)
}

type Asked = Result<Query<Stretch>, QueryRejection>;

fn stretch(
    shared: &Shared,
    asked: Asked,
) -> Result<(Timestamp, Timestamp, usize, Stretch), Problem> {
    let asked = asked
        .map_err(|_| {
            Problem::bad_request(
                "The question cannot be read",
                "Use from_ms and to_ms (milliseconds since 1970, UTC), or over=24h, and points",
            )
        })?
        .0;
    let to = match asked.to_ms {
        Some(ms) => Timestamp::from_millis(ms),
        None => newest(shared)?,
    };
    let over = match &asked.over {
        None => Span::DAY,
        Some(name) => length(name)
            .map(|(_, span)| span)
            .ok_or_else(|| Problem::bad_request("Unknown length", "Use 1h, 8h, 24h or 7d"))?,
    };
    let from = asked.from_ms.map_or(to - over, Timestamp::from_millis);
    let length = to - from;
    if length <= Span::ZERO || length > LONGEST {
        return Err(Problem::bad_request(
            "The stretch of time is empty or longer than 400 days",
            "Let from_ms lie before to_ms",
        ));
    }
    let points = asked.points.unwrap_or(USUAL_POINTS).clamp(2, MOST_POINTS);
    Ok((from, to, points, asked))
}

/// The time of the picture, or else of the wall clock.
pub(super) fn newest(shared: &Shared) -> Result<Timestamp, Problem> {
    let at = shared.office.view.borrow().at;
    at.or_else(|| (shared.office.clocks.wall)()).ok_or_else(|| {
        Problem::unavailable(
            "The time is not known",
            "Set the clock of the box; give from_ms and to_ms to ask all the same",
        )
    })
}

/// A series with its unit.
#[derive(Serialize)]
struct Trend {
    channel: String,
    #[serde(flatten)]
    series: TrendJson,
}

#[derive(Serialize)]
struct TrendJson {
    unit: String,
    from_ms: i64,
    bucket_ms: i64,
    buckets: Vec<Option<super::office::TrendBucket>>,
}

impl From<TrendSeries> for TrendJson {
    fn from(series: TrendSeries) -> Self {
        Self {
            unit: series.unit,
            from_ms: series.from.millis(),
            bucket_ms: series.bucket_ms,
            buckets: series.buckets,
        }
    }
}

async fn trend(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    asked: Asked,
) -> Result<Response, Problem> {
    let (from, to, points, _) = stretch(&shared, asked)?;
    if shared.office.plant.borrow().channel_by_id(&id).is_none() {
        return Err(Problem::not_found(&id));
    }
    let channel = id.clone();
    let series = shared
        .ask(move |past| past.trend(&channel, from, to, points))
        .await?;
    Ok(Json(Trend {
        channel: id,
        series: series.into(),
    })
    .into_response())
}

async fn inventory(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
) -> Result<Json<Vec<MassPoint>>, Problem> {
    let (from, to, points, asked) = stretch(&shared, asked)?;
    let of = match (asked.vessel, asked.section) {
        (Some(vessel), _) => InventoryOf::Vessel(vessel),
        (None, Some(section)) => InventoryOf::Section(section),
        (None, None) => InventoryOf::Plant,
    };
    let series = shared
        .ask(move |past| past.inventory(&of, from, to, points))
        .await?;
    Ok(Json(series))
}

async fn change(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
) -> Result<Json<Vec<ChangePoint>>, Problem> {
    let (from, to, points, _) = stretch(&shared, asked)?;
    let series = shared
        .ask(move |past| past.inventory(&InventoryOf::Plant, from, to, points))
        .await?;
    Ok(Json(
        shared.with_scene(|scene| facts::change(scene, &series)),
    ))
}

async fn loss_history(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
) -> Result<Json<Vec<LossPoint>>, Problem> {
    let (from, to, points, asked) = stretch(&shared, asked)?;
    let series = shared
        .ask(move |past| past.loss(asked.section.as_deref(), from, to, points))
        .await?;
    Ok(Json(series))
}

/// Which lines of the journal.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Lines {
    before_seq: Option<u64>,
    limit: Option<usize>,
}

async fn journal(
    State(shared): State<Arc<Shared>>,
    asked: Result<Query<Lines>, QueryRejection>,
) -> Result<Json<Vec<JournalLine>>, Problem> {
    let asked = asked
        .map_err(|_| {
            Problem::bad_request("The question cannot be read", "Use before_seq and limit")
        })?
        .0;
    let limit = asked.limit.unwrap_or(USUAL_LINES).clamp(1, MOST_LINES);
    let lines = shared
        .ask(move |past| past.journal(asked.before_seq, limit))
        .await?;
    Ok(Json(lines))
}

/// `GET /healthz`: 200 while the picture is young and events are recorded, else 503 with the reason.
pub(super) async fn healthz(State(shared): State<Arc<Shared>>) -> Response {
    let pulse = pulse(&shared);
    let progress = shared.office.progress.borrow().clone();
    let health = Arc::clone(&shared.office.health.borrow());
    let unwell = if !progress.ready {
        Some(format!("starting: {}", progress.phase))
    } else if !pulse.live {
        Some(format!(
            "not live: the last picture of the plant is {:.0} s old",
            pulse.picture_age_s
        ))
    } else if !health.recording {
        Some(format!("not recording: {}", health.not_recording_because))
    } else {
        None
    };
    match unwell {
        None => (StatusCode::OK, "live and recording\n".to_owned()),
        Some(words) => (StatusCode::SERVICE_UNAVAILABLE, words + "\n"),
    }
    .into_response()
}
