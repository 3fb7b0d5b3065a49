//! The pages, rendered from the same facts that the API serves.

pub(super) mod alarms;
pub(super) mod box_health;
pub(super) mod channels;
pub(super) mod helium;
pub(super) mod magnets;
pub(super) mod timeline;

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{Html, IntoResponse, Response};
use serde::Deserialize;

use super::facts::alarm_facts;
use super::http::{Problem, Shared, in_kind};
use super::live::pulse;
use super::sign_in;

/// What stands around every page.
pub(super) struct Frame {
    title: String,
    site: String,
    /// The page that is open, by its path.
    here: &'static str,
    /// Whether the page is kept fresh (a page with a form to fill in is not).
    fresh: bool,
    unacknowledged: usize,
    live: bool,
    recording: bool,
    at: String,
    made: String,
    made_ms: Option<i64>,
    zone: String,
    person: Option<String>,
    csrf: String,
    recorded: Option<u64>,
    local_rules: String,
    version: &'static str,
}

impl Frame {
    fn new(shared: &Shared, headers: &HeaderMap, here: &'static str) -> Self {
        let session = sign_in::session(shared, headers);
        let pulse = pulse(shared);
        let (person, csrf) = session.map_or((None, String::new()), |session| {
            (Some(session.name), session.csrf)
        });
        shared.with_scene(|scene| {
            let alarms = alarm_facts(scene);
            let console = &scene.plant.console;
            Self {
                title: if console.title.is_empty() {
                    scene.plant.site.name.clone()
                } else {
                    console.title.clone()
                },
                site: scene.plant.site.name.clone(),
                here,
                fresh: true,
                unacknowledged: alarms.unacknowledged,
                live: pulse.live,
                recording: pulse.recording,
                at: pulse.at_text.clone(),
                made: scene.time.moment(scene.now).text,
                zone: scene.plant.site.time_zone.clone(),
                made_ms: scene.now.map(crate::time::Timestamp::millis),
                person,
                csrf,
                recorded: None,
                local_rules: scene.plant.site.local_rules.clone(),
                version: shared.office.version,
            }
        })
    }

    /// A page with a form to fill in: it must not be replaced under the person's hands.
    fn still(mut self) -> Self {
        self.fresh = false;
        self
    }

    fn recorded(mut self, note: &Note) -> Self {
        self.recorded = note.recorded.as_deref().and_then(|seq| seq.parse().ok());
        self
    }
}

/// What a page is asked beside its address; junk is taken as nothing.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Note {
    recorded: Option<String>,
    over: Option<String>,
    supersedes: Option<String>,
    before_seq: Option<String>,
}

/// The note, or none when the query cannot be read.
type Asked = Result<axum::extract::Query<Note>, axum::extract::rejection::QueryRejection>;

fn note(asked: Asked) -> Note {
    asked.map(|query| query.0).unwrap_or_default()
}

fn render(status: StatusCode, page: &impl Template) -> Response {
    match page.render() {
        Ok(html) => (status, Html(html)).into_response(),
        Err(_) => (
            StatusCode::INTERNAL_SERVER_ERROR,
            "The page cannot be written. The API still serves: /api/v1/view\n",
        )
            .into_response(),
    }
}

#[derive(Template)]
#[template(path = "problem.html", config = "src/console/askama.toml")]
struct ProblemPage<'a> {
    frame: Frame,
    problem: &'a Problem,
}

/// A problem as a page.
pub(super) fn problem(shared: &Shared, headers: &HeaderMap, problem: &Problem) -> Response {
    let frame = Frame::new(shared, headers, "").still();
    render(problem.status, &ProblemPage { frame, problem })
}

/// Nothing under that address.
pub(super) async fn not_found(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    uri: Uri,
) -> Response {
    let problem = Problem::new(
        StatusCode::NOT_FOUND,
        "There is no such page",
        "Go to Alarms and from there",
    );
    in_kind(&shared, &uri, &headers, problem)
}

#[derive(Template)]
#[template(path = "progress.html", config = "src/console/askama.toml")]
struct ProgressPage {
    title: String,
    phase: String,
    percent: u8,
    made: String,
    version: &'static str,
}

/// How far the start has come: for people a page, for programs a 503.
pub(super) fn progress(shared: &Shared, uri: &Uri) -> Response {
    let progress = shared.office.progress.borrow().clone();
    let part = if progress.fraction.is_finite() {
        progress.fraction.clamp(0.0, 1.0)
    } else {
        0.0
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to 100"
    )]
    let percent = libm::round(part * 100.0) as u8;
    if super::http::is_for_programs(uri) {
        return Problem::unavailable(
            &format!("Coldledger is starting: {} ({percent} %)", progress.phase),
            "Ask again in a few seconds",
        )
        .into_response();
    }
    let page = shared.with_scene(|scene| ProgressPage {
        title: scene.plant.site.name.clone(),
        phase: progress.phase.clone(),
        percent,
        made: scene.time.moment(scene.now).text,
        version: shared.office.version,
    });
    render(StatusCode::OK, &page)
}

#[derive(Template)]
#[template(path = "login.html", config = "src/console/askama.toml")]
struct LoginPage<'a> {
    frame: Frame,
    next: &'a str,
    problem: Option<&'a Problem>,
    nobody: bool,
}

/// The sign-in form.
pub(super) fn login(
    shared: &Shared,
    headers: &HeaderMap,
    next: &str,
    problem: Option<&Problem>,
) -> Response {
    let page = LoginPage {
        frame: Frame::new(shared, headers, "/login").still(),
        next,
        problem,
        nobody: shared.office.operators.is_empty(),
    };
    let status = problem.map_or(StatusCode::OK, |problem| problem.status);
    render(status, &page)
}

/// The style sheet.
pub(super) async fn css() -> Response {
    asset(
        "text/css; charset=utf-8",
        include_str!("../assets/console.css"),
    )
}

/// The script.
pub(super) async fn js() -> Response {
    asset(
        "text/javascript; charset=utf-8",
        include_str!("../assets/console.js"),
    )
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    // Short, so that a page after an upgrade does not run with yesterday's script.
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, "max-age=60"),
    ];
    (headers, text).into_response()
}
