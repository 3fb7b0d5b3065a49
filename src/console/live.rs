//! The pulse of the pages: one server-sent event at every change and at least every few seconds,
//! the same for every client, so that a page can tell living from dead.

use std::convert::Infallible;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use axum::extract::{ConnectInfo, State};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use tokio::sync::broadcast;
use tokio_stream::StreamExt;
use tokio_stream::wrappers::BroadcastStream;
use tokio_util::sync::CancellationToken;

use super::facts::alarm_facts;
use super::http::{Peer, Problem, Shared};
use super::office::Office;
use crate::time::{Span, Timestamp};

/// Most clients that are fed at once; a further one is told so.
pub const MOST_CLIENTS: usize = 64;
/// Most of them from one address.
pub const MOST_OF_ONE: usize = 48;
/// At least one beat in this time.
const BEAT: Duration = Duration::from_secs(5);
/// At most one beat in this time.
const LEAST_GAP: Duration = Duration::from_millis(900);
/// A picture older than this is no longer live: three ticks and a little.
pub const DEAD_AFTER: Span = Span::from_millis(35_000);

/// What is sent. The end is sent once, at shutdown, so that every stream closes.
#[derive(Debug, Clone)]
pub(super) enum Beat {
    Pulse(Arc<str>),
    End,
}

/// Facts of a beat.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pulse {
    /// The last event applied.
    pub seq: u64,
    /// Wall time of the picture, ms since 1970.
    pub at_ms: Option<i64>,
    /// The same in the site's time zone.
    pub at_text: String,
    /// Age of the picture, s, by the monotonic clock.
    pub picture_age_s: f64,
    /// Whether that is young enough.
    pub live: bool,
    /// Wall time now, ms since 1970.
    pub now_ms: Option<i64>,
    /// The same in the site's time zone.
    pub now_text: String,
    /// Whether events are being recorded.
    pub recording: bool,
    /// Whether the pages can be shown; while not, they show how far the start has come.
    pub ready: bool,
    /// Alarms (not alerts) present and unacknowledged.
    pub unacknowledged: usize,
    /// Changes whenever an alarm changes its state.
    pub alarms_mark: String,
}

/// Keeps track of how old the picture is, by the monotonic clock.
#[derive(Debug, Default)]
pub(super) struct PictureAge {
    seen_at_ms: AtomicI64,
}

impl PictureAge {
    pub(super) fn saw_new(&self, office: &Office) {
        let now = (office.clocks.monotonic)();
        self.seen_at_ms.store(now.0, Ordering::Relaxed);
    }

    pub(super) fn age(&self, office: &Office) -> Span {
        let now = (office.clocks.monotonic)();
        let by_arrival = Span::from_millis(now.0 - self.seen_at_ms.load(Ordering::Relaxed));
        // A picture can be old on arrival: the later of both clocks' words is not trusted.
        match ((office.clocks.wall)(), office.view.borrow().at) {
            (Some(wall), Some(at)) => by_arrival.max(wall - at),
            _ => by_arrival,
        }
    }
}

/// What there is to say now.
pub(super) fn pulse(shared: &Shared) -> Pulse {
    let office = &shared.office;
    let age = shared.picture_age.age(office);
    shared.with_scene(|scene| {
        let facts = alarm_facts(scene);
        let mut mark = DefaultHasher::new();
        for alarm in &scene.view.alarms {
            (alarm.state.words(), alarm.since.map(Timestamp::millis)).hash(&mut mark);
        }
        Pulse {
            seq: scene.view.seq,
            at_ms: scene.view.at.map(Timestamp::millis),
            at_text: scene.time.moment(scene.view.at).text,
            picture_age_s: age.seconds(),
            live: age < DEAD_AFTER,
            now_ms: scene.now.map(Timestamp::millis),
            now_text: scene.time.moment(scene.now).text,
            recording: office.health.borrow().recording,
            ready: office.progress.borrow().ready,
            unacknowledged: facts.unacknowledged,
            alarms_mark: format!("{:016x}", mark.finish()),
        }
    })
}

fn beat(shared: &Shared) -> Beat {
    Beat::Pulse(
        serde_json::to_string(&pulse(shared))
            .unwrap_or_else(|_| "{}".into())
            .into(),
    )
}

/// Sends beats until stopped, then the end.
pub(super) async fn keep_beating(shared: Arc<Shared>, stop: CancellationToken) {
    let mut view = shared.office.view.clone();
    let mut health = shared.office.health.clone();
    shared.picture_age.saw_new(&shared.office);
    let mut host_is_there = true;
    loop {
        tokio::select! {
            () = stop.cancelled() => break,
            changed = view.changed(), if host_is_there => match changed {
                Ok(()) => shared.picture_age.saw_new(&shared.office),
                Err(_) => host_is_there = false,
            },
            changed = health.changed(), if host_is_there => {
                host_is_there = changed.is_ok();
            }
            () = tokio::time::sleep(BEAT) => {}
        }
        // Without listeners there is nobody to tell; that is in order.
        _ = shared.beats.send(beat(&shared));
        tokio::select! {
            () = stop.cancelled() => break,
            () = tokio::time::sleep(LEAST_GAP) => {}
        }
    }
    _ = shared.beats.send(Beat::End);
}

/// `GET /live`: the beats as server-sent events.
pub(super) async fn live(
    State(shared): State<Arc<Shared>>,
    ConnectInfo(Peer(address)): ConnectInfo<Peer>,
) -> Response {
    let full = |whose: String| {
        Problem::unavailable(
            &format!("{whose} are being kept live already"),
            "Close a page elsewhere; this one still shows the plant when it is loaded again",
        )
        .into_response()
    };
    let Some(share) = shared.live_shares.take(address.ip()) else {
        return full(format!("{MOST_OF_ONE} pages of this address"));
    };
    let Ok(seat) = Arc::clone(&shared.seats).try_acquire_owned() else {
        return full(format!("{MOST_CLIENTS} pages"));
    };
    let beats: broadcast::Receiver<Beat> = shared.beats.subscribe();
    if shared.stop.is_cancelled() {
        return Problem::unavailable("Coldledger is stopping", "Wait until it is back")
            .into_response();
    }
    let first = beat(&shared);
    let stream = tokio_stream::once(Ok(first))
        .chain(BroadcastStream::new(beats))
        // A client that could not keep up misses beats, not the next one.
        .filter_map(Result::ok)
        .map_while(move |beat| {
            let _held = (&seat, &share);
            match beat {
                Beat::Pulse(text) => Some(Ok::<_, Infallible>(
                    Event::default().event("pulse").data(&*text),
                )),
                Beat::End => None,
            }
        });
    Sse::new(stream).into_response()
}
