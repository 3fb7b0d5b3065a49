//! Timeline: what moved much helium, and what was booked.

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::{Frame, render};
use crate::console::facts::{TimelineFacts, timeline_facts};
use crate::console::http::Shared;

#[derive(Template)]
#[template(path = "timeline.html", config = "src/console/askama.toml")]
struct TimelinePage {
    frame: Frame,
    facts: TimelineFacts,
}

/// `GET /timeline`.
pub(in crate::console) async fn page(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
) -> Response {
    let page = TimelinePage {
        frame: Frame::new(&shared, &headers, "/timeline"),
        facts: shared.with_scene(timeline_facts),
    };
    render(StatusCode::OK, &page)
}
