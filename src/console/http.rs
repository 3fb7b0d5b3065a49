//! The server: routes, what every request must pass, and what every answer carries.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::serve::IncomingStream;
use axum::{Json, Router};
use serde::Serialize;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, broadcast};
use tokio_util::sync::CancellationToken;

use super::drawings::Drawings;
use super::facts::Scene;
use super::guard::{GuardedListener, PATIENCE};
use super::live::{Beat, PictureAge, keep_beating, live};
use super::login::Sessions;
use super::office::{Office, Past, PastError, Refusal};
use super::shares::Shares;
use super::words::SiteTime;
use super::{act, api, metrics, pages, sign_in};

/// Largest request body, bytes; the largest form is some hundreds.
const LARGEST_BODY: usize = 16 * 1024;
/// Longest time for one answer.
const LONGEST_ANSWER: Duration = Duration::from_secs(15);
/// How long open connections may finish after the stop.
const FAREWELL: Duration = Duration::from_secs(3);
/// Questions to the past at once; each may block a thread.
const PAST_AT_ONCE: usize = 4;
/// Password checks at once: each takes 19 MiB and some tenths of a second.
const CHECKS_AT_ONCE: usize = 2;
/// Beats that a slow client may lag behind before it misses some.
const BEATS_KEPT: usize = 8;

/// Why the console stopped.
#[derive(Debug, thiserror::Error)]
pub enum ConsoleError {
    /// The listener failed.
    #[error("the pages cannot be served: {0}")]
    Listener(#[from] std::io::Error),
}

/// What the handlers share.
pub(super) struct Shared {
    pub(super) office: Office,
    pub(super) sessions: Sessions,
    pub(super) beats: broadcast::Sender<Beat>,
    pub(super) seats: Arc<Semaphore>,
    pub(super) live_shares: Arc<Shares>,
    pub(super) checks: Arc<Semaphore>,
    pub(super) picture_age: PictureAge,
    pub(super) stop: CancellationToken,
    pub(super) drawings: Drawings,
    past_room: Arc<Semaphore>,
}

impl Shared {
    /// Facts drawn from the newest picture.
    pub(super) fn with_scene<T>(&self, draw: impl FnOnce(Scene<'_>) -> T) -> T {
        let plant = Arc::clone(&self.office.plant.borrow());
        let view = Arc::clone(&self.office.view.borrow());
        let now = (self.office.clocks.wall)();
        let time = SiteTime::of(&plant).read_at(now);
        draw(Scene {
            plant: &plant,
            view: &view,
            now,
            time: &time,
        })
    }

    /// Asks the past off the server's threads, a few questions at a time.
    pub(super) async fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&dyn Past) -> Result<T, PastError> + Send + 'static,
    ) -> Result<T, Problem> {
        let room = Arc::clone(&self.past_room).acquire_owned();
        let Ok(Ok(room)) = tokio::time::timeout(LONGEST_ANSWER / 3, room).await else {
            return Err(Problem::unavailable(
                "The store is busy with other questions",
                "Ask again in a moment, or for a shorter time",
            ));
        };
        let past = Arc::clone(&self.office.past);
        // The room goes with the question: one that is given up on still occupies a thread.
        let asking = tokio::task::spawn_blocking(move || {
            let _room = room;
            question(&*past)
        });
        match asking.await {
            Ok(Ok(answer)) => Ok(answer),
            Ok(Err(PastError::Unknown(what))) => Err(Problem::not_found(&what)),
            Ok(Err(error)) => Err(Problem::unavailable(
                &error.to_string(),
                "Look at Box health; what is shown as now does not depend on the store",
            )),
            Err(_) => Err(Problem::unavailable(
                "The question to the store was given up",
                "Ask again",
            )),
        }
    }
}

impl Shared {
    /// A curve of the past: drawn lately, or drawn now from the answer to a question.
    pub(super) async fn curve<T: Send + 'static>(
        &self,
        name: String,
        question: impl FnOnce(&dyn Past) -> Result<T, PastError> + Send + 'static,
        draw: impl FnOnce(Scene<'_>, T) -> String,
    ) -> Result<String, Problem> {
        let now = (self.office.clocks.monotonic)();
        if let Some(svg) = self.drawings.fresh(&name, now) {
            return Ok(svg);
        }
        let answer = self.ask(question).await?;
        let svg = self.with_scene(|scene| draw(scene, answer));
        self.drawings.keep(name, now, &svg);
        Ok(svg)
    }
}

/// What went wrong, for a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[expect(clippy::struct_field_names, reason = "the names are those of the JSON")]
pub(super) struct Problem {
    #[serde(skip)]
    pub(super) status: StatusCode,
    pub(super) problem: String,
    pub(super) what_to_do: String,
}

impl Problem {
    pub(super) fn new(status: StatusCode, problem: &str, what_to_do: &str) -> Self {
        Self {
            status,
            problem: problem.into(),
            what_to_do: what_to_do.into(),
        }
    }

    pub(super) fn unavailable(problem: &str, what_to_do: &str) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, problem, what_to_do)
    }

    pub(super) fn bad_request(problem: &str, what_to_do: &str) -> Self {
        Self::new(StatusCode::BAD_REQUEST, problem, what_to_do)
    }

    pub(super) fn not_found(what: &str) -> Self {
        Self::new(
            StatusCode::NOT_FOUND,
            &format!("There is no {what:?} here"),
            "Check the name; ids are those of the plant description",
        )
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        Self::new(StatusCode::CONFLICT, &refusal.problem, &refusal.what_to_do)
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        (self.status, Json(self)).into_response()
    }
}

/// Address of the other side.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer(pub(super) SocketAddr);

impl Connected<IncomingStream<'_, GuardedListener>> for Peer {
    fn connect_info(stream: IncomingStream<'_, GuardedListener>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// Serves pages and API until stopped.
///
/// # Errors
/// [`ConsoleError`] when the listener fails.
pub async fn serve(
    listener: TcpListener,
    office: Office,
    stop: CancellationToken,
) -> Result<(), ConsoleError> {
    serve_with_patience(listener, office, stop, PATIENCE).await
}

/// As [`serve`], closing a connection that keeps the server waiting longer than `patience`.
///
/// # Errors
/// [`ConsoleError`] when the listener fails.
pub async fn serve_with_patience(
    listener: TcpListener,
    office: Office,
    stop: CancellationToken,
    patience: Duration,
) -> Result<(), ConsoleError> {
    let shared = Arc::new(Shared {
        office,
        sessions: Sessions::default(),
        beats: broadcast::Sender::new(BEATS_KEPT),
        seats: Arc::new(Semaphore::new(super::live::MOST_CLIENTS)),
        live_shares: Shares::new(super::live::MOST_OF_ONE),
        checks: Arc::new(Semaphore::new(CHECKS_AT_ONCE)),
        picture_age: PictureAge::default(),
        stop: stop.clone(),
        drawings: Drawings::default(),
        past_room: Arc::new(Semaphore::new(PAST_AT_ONCE)),
    });
    let service = router(Arc::clone(&shared)).into_make_service_with_connect_info::<Peer>();
    let server = axum::serve(GuardedListener::new(listener, patience), service)
        .with_graceful_shutdown(stop.clone().cancelled_owned());
    let farewell = async {
        stop.cancelled().await;
        tokio::time::sleep(FAREWELL).await;
    };
    tokio::select! {
        // A client that does not take its last answer must not hold up the daemon.
        () = farewell => Ok(()),
        (served, ()) = async {
            tokio::join!(server.into_future(), keep_beating(shared, stop.clone()))
        } => Ok(served?),
    }
}

fn router(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/", get(pages::alarms::page))
        .route("/alarms", get(pages::alarms::page))
        .route("/alarms/{id}", get(pages::alarms::form))
        .route("/helium", get(pages::helium::page))
        .route("/timeline", get(pages::timeline::page))
        .route("/ledger", get(pages::helium::entry_form))
        .route("/states", get(pages::helium::states_form))
        .route("/magnets", get(pages::magnets::page))
        .route("/channels", get(pages::channels::page))
        .route("/channels/{id}", get(pages::channels::one))
        .route("/box", get(pages::box_health::page))
        .route("/login", get(sign_in::form).post(sign_in::sign_in))
        .route("/logout", post(sign_in::sign_out))
        .merge(acts(""))
        .merge(acts("/api/v1"))
        .merge(api::router())
        .route("/live", get(live))
        .route("/metrics", get(metrics::metrics))
        .route("/healthz", get(api::healthz))
        .route("/assets/console.css", get(pages::css))
        .route("/assets/console.js", get(pages::js))
        .fallback(pages::not_found)
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(from_fn_with_state(Arc::clone(&shared), at_the_door))
        .with_state(shared)
}

/// What people do, for the pages' forms and for the API.
fn acts(under: &str) -> Router<Arc<Shared>> {
    let at = |path: &str| format!("{under}{path}");
    Router::new()
        .route(&at("/alarms/{id}/acknowledge"), post(act::acknowledge))
        .route(&at("/alarms/{id}/unshelve"), post(act::unshelve))
        .route(&at("/alarms/{id}/shelve"), post(act::shelve))
        .route(&at("/alarms/{id}/service"), post(act::alarm_service))
        .route(&at("/channels/{id}/service"), post(act::channel_service))
        .route(&at("/vessels/{id}/mode"), post(act::mode))
        .route(&at("/lines/{id}/passage"), post(act::passage))
        .route(&at("/ledger"), post(act::book))
}

/// What every request must pass, and what every answer carries.
async fn at_the_door(
    State(shared): State<Arc<Shared>>,
    ConnectInfo(Peer(_)): ConnectInfo<Peer>,
    request: Request,
    next: Next,
) -> Response {
    let uri = request.uri().clone();
    let asked = request.headers().clone();
    let mut response = match admit(&shared, &request) {
        Err(problem) => in_kind(&shared, &uri, &asked, problem),
        Ok(()) if is_starting(&shared, &uri) => pages::progress(&shared, &uri),
        Ok(()) => match tokio::time::timeout(LONGEST_ANSWER, next.run(request)).await {
            Ok(response) => response,
            Err(_) => in_kind(
                &shared,
                &uri,
                &asked,
                Problem::unavailable("The answer took too long", "Ask again, or for less"),
            ),
        },
    };
    if response.status() == StatusCode::METHOD_NOT_ALLOWED {
        response = in_kind(
            &shared,
            &uri,
            &asked,
            Problem::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "This address does not take that kind of request",
                "Open the page and use its own forms",
            ),
        );
    }
    let headers = response.headers_mut();
    for (name, value) in [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
             connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers
        .entry(header::CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
    response
}

/// A problem as JSON for programs, as a page for people.
pub(super) fn in_kind(
    shared: &Shared,
    uri: &Uri,
    headers: &HeaderMap,
    problem: Problem,
) -> Response {
    if is_for_programs(uri) {
        problem.into_response()
    } else {
        pages::problem(shared, headers, &problem)
    }
}

pub(super) fn is_for_programs(uri: &Uri) -> bool {
    ["/api/", "/healthz", "/metrics", "/live"]
        .iter()
        .any(|start| uri.path().starts_with(start))
}

fn is_starting(shared: &Shared, uri: &Uri) -> bool {
    let open = ["/assets/", "/live", "/healthz", "/metrics"]
        .iter()
        .any(|start| uri.path().starts_with(start));
    !open && !shared.office.progress.borrow().ready
}

/// Refuses requests under a name that is not ours (a page of another site that had its name point
/// here) and writes that come from a page of another site.
fn admit(shared: &Shared, request: &Request) -> Result<(), Problem> {
    let headers = request.headers();
    let host = header_text(headers, &header::HOST)
        .or_else(|| {
            request
                .uri()
                .authority()
                .map(axum::http::uri::Authority::as_str)
        })
        .unwrap_or("");
    if !is_our_name(name_of(host), &shared.office.host_names) {
        return Err(Problem::new(
            StatusCode::MISDIRECTED_REQUEST,
            "These pages are not served under that host name",
            "Use the address that Coldledger printed at its start, or add the name to its settings",
        ));
    }
    if matches!(*request.method(), Method::GET | Method::HEAD) {
        return Ok(());
    }
    let from_elsewhere = match header_text(headers, &header::ORIGIN) {
        Some(origin) => origin
            .strip_prefix("http://")
            .or_else(|| origin.strip_prefix("https://"))
            .is_none_or(|origin| !origin.eq_ignore_ascii_case(host)),
        None => headers
            .get("sec-fetch-site")
            .is_some_and(|site| site != "same-origin" && site != "none"),
    };
    if from_elsewhere {
        return Err(Problem::new(
            StatusCode::FORBIDDEN,
            "The request comes from a page of another site",
            "Open Coldledger's own page and act there",
        ));
    }
    Ok(())
}

pub(super) fn header_text<'a>(
    headers: &'a HeaderMap,
    name: &header::HeaderName,
) -> Option<&'a str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

/// The name of a host without its port.
fn name_of(host: &str) -> &str {
    if let Some(rest) = host.strip_prefix('[') {
        return rest.split(']').next().unwrap_or("");
    }
    host.rsplit_once(':').map_or(host, |(name, _)| name)
}

fn is_our_name(name: &str, configured: &[String]) -> bool {
    // An address written as a number cannot be made to point elsewhere.
    name.parse::<IpAddr>().is_ok()
        || name.eq_ignore_ascii_case("localhost")
        || configured
            .iter()
            .any(|ours| name.eq_ignore_ascii_case(ours))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn knows_its_own_names() {
        let ours = ["ledger.tarn-hollow.example".to_owned()];
        for host in [
            "localhost:8080",
            "127.0.0.1:80",
            "[::1]:8080",
            "LOCALHOST",
            "10.0.0.7",
            "Ledger.tarn-hollow.example:8443",
        ] {
            assert!(is_our_name(name_of(host), &ours), "{host}");
        }
        for host in ["", "evil.example", "localhost.evil.example:80", "[evil"] {
            assert!(!is_our_name(name_of(host), &ours), "{host}");
        }
    }
}
