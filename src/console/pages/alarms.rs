//! Alarms: what is wrong now, how bad, what to do, how long there is.

use std::sync::Arc;

use askama::Template;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::response::Response;

use super::{Asked, Frame, note, render};
use crate::console::api::USUAL_LINES;
use crate::console::facts::{AlarmFact, AlarmFacts, alarm_facts};
use crate::console::http::{Problem, Shared, in_kind};
use crate::console::office::JournalLine;
use crate::console::words::Moment;
use crate::engine::AlarmState;

/// Lines of the journal on the page.
const FEW_LINES: usize = 12;

#[derive(Template)]
#[template(path = "alarms.html", config = "src/console/askama.toml")]
struct AlarmsPage {
    frame: Frame,
    facts: AlarmFacts,
    journal: Journal,
}

struct Journal {
    lines: Vec<(Moment, JournalLine)>,
    /// Why there are none to show.
    problem: Option<Problem>,
    older: Option<u64>,
}

/// `GET /`.
pub(in crate::console) async fn page(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    asked: Asked,
) -> Response {
    let note = note(asked);
    let before = note.before_seq.as_deref().and_then(|seq| seq.parse().ok());
    let limit = if before.is_some() {
        USUAL_LINES
    } else {
        FEW_LINES
    };
    let journal = match shared.ask(move |past| past.journal(before, limit)).await {
        Ok(lines) => Journal {
            older: lines
                .last()
                .filter(|_| lines.len() == limit)
                .map(|line| line.seq),
            lines: shared.with_scene(|scene| {
                lines
                    .into_iter()
                    .map(|line| (scene.time.moment(line.at), line))
                    .collect()
            }),
            problem: None,
        },
        Err(problem) => Journal {
            lines: Vec::new(),
            problem: Some(problem),
            older: None,
        },
    };
    let page = AlarmsPage {
        frame: Frame::new(&shared, &headers, "/").recorded(&note),
        facts: shared.with_scene(alarm_facts),
        journal,
    };
    render(StatusCode::OK, &page)
}

#[derive(Template)]
#[template(path = "alarm.html", config = "src/console/askama.toml")]
struct AlarmPage {
    frame: Frame,
    alarm: AlarmFact,
}

impl AlarmPage {
    fn is_shelved(&self) -> bool {
        self.alarm.state == AlarmState::Shelved
    }

    fn is_out_of_service(&self) -> bool {
        self.alarm.state == AlarmState::OutOfService
    }
}

/// `GET /alarms/ID`: shelving and service.
pub(in crate::console) async fn form(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    Path(id): Path<String>,
    uri: Uri,
) -> Response {
    let facts = shared.with_scene(alarm_facts);
    let found = [facts.alarms, facts.alerts, facts.returned, facts.hidden]
        .into_iter()
        .flatten()
        .find(|alarm| alarm.id == id);
    let Some(alarm) = found else {
        let problem = Problem::new(
            StatusCode::NOT_FOUND,
            &format!("No alarm {id:?} is raised, shelved or out of service"),
            "It may have returned to normal meanwhile; look at Alarms",
        );
        return in_kind(&shared, &uri, &headers, problem);
    };
    let page = AlarmPage {
        frame: Frame::new(&shared, &headers, "/").still(),
        alarm,
    };
    render(StatusCode::OK, &page)
}
