//! Magnets: margins, baths, joints, leads, cool-downs.

use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::{Frame, render};
use crate::console::facts::{MagnetFacts, magnet_facts};
use crate::console::http::Shared;

#[derive(Template)]
#[template(path = "magnets.html", config = "src/console/askama.toml")]
struct MagnetsPage {
    frame: Frame,
    facts: MagnetFacts,
}

impl MagnetsPage {
    fn nothing_reckoned(&self) -> bool {
        let facts = &self.facts;
        facts.magnets.is_empty()
            && facts.baths.is_empty()
            && facts.joints.is_empty()
            && facts.leads.is_empty()
            && facts.cool_downs.is_empty()
    }
}

/// `GET /magnets`.
pub(in crate::console) async fn page(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
) -> Response {
    let page = shared.with_scene(|scene| MagnetsPage {
        frame: Frame::new(&shared, &headers, "/magnets"),
        facts: magnet_facts(scene),
    });
    render(StatusCode::OK, &page)
}
