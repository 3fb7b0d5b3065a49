//! Helium: where it is, what is lost, the books.

use std::collections::BTreeMap;
use std::sync::Arc;

use askama::Template;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::{Asked, Frame, note, render};
use crate::console::api::{LENGTHS, length, newest};
use crate::console::curves;
use crate::console::facts::{
    HeliumFacts, LossFact, LossFacts, ReconciliationFacts, RoomFact, Scene, helium_facts,
    loss_facts, reconciliation_facts, room_facts,
};
use crate::console::http::{Problem, Shared};
use crate::console::office::InventoryOf;
use crate::console::words::SiteTime;
use crate::engine::view::LedgerView;
use crate::plant::BookingKind;
use crate::time::Span;

/// Points of a curve.
const POINTS: usize = 400;

#[derive(Template)]
#[template(path = "helium.html", config = "src/console/askama.toml")]
struct HeliumPage {
    frame: Frame,
    facts: HeliumFacts,
    losses: LossFacts,
    reconciliation: Option<ReconciliationFacts>,
    room: Option<RoomFact>,
    lengths: Vec<(&'static str, bool)>,
    inventory_plot: Result<String, Problem>,
    change_plot: Result<String, Problem>,
    loss_plot: Result<String, Problem>,
}

impl HeliumPage {
    fn whole(&self) -> Option<&LossFact> {
        self.losses
            .losses
            .iter()
            .find(|loss| loss.section.is_none())
    }

    fn sections(&self) -> impl Iterator<Item = &LossFact> {
        self.losses
            .losses
            .iter()
            .filter(|loss| loss.section.is_some())
    }
}

/// `GET /helium`.
pub(in crate::console) async fn page(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    asked: Asked,
) -> Response {
    let note = note(asked);
    let (name, over) = note
        .over
        .as_deref()
        .and_then(length)
        .unwrap_or(("7 d", Span::from_millis(7 * 86_400_000)));
    let (inventory_plot, change_plot, loss_plot) = match newest(&shared) {
        Ok(to) => {
            let from = to - over;
            let span = curves::Span::of(from, to, POINTS);
            let inventory = shared
                .curve(
                    format!("inventory {name}"),
                    move |past| past.inventory(&InventoryOf::Plant, from, to, POINTS),
                    move |scene, points| curves::inventory(scene, span, &points),
                )
                .await;
            let change = shared
                .curve(
                    format!("change {name}"),
                    move |past| past.inventory(&InventoryOf::Plant, from, to, POINTS),
                    move |scene, points| curves::change(scene, span, &points),
                )
                .await;
            let loss = shared
                .curve(
                    format!("loss {name}"),
                    move |past| past.loss(None, from, to, POINTS),
                    move |scene, points| curves::loss(scene, span, &points),
                )
                .await;
            (inventory, change, loss)
        }
        Err(problem) => (Err(problem.clone()), Err(problem.clone()), Err(problem)),
    };
    let page = HeliumPage {
        frame: Frame::new(&shared, &headers, "/helium").recorded(&note),
        facts: shared.with_scene(helium_facts),
        losses: shared.with_scene(loss_facts),
        reconciliation: shared.with_scene(reconciliation_facts),
        room: shared.with_scene(room_facts),
        lengths: LENGTHS.iter().map(|(n, _)| (*n, *n == name)).collect(),
        inventory_plot,
        change_plot,
        loss_plot,
    };
    render(StatusCode::OK, &page)
}

#[derive(Template)]
#[template(path = "entry.html", config = "src/console/askama.toml")]
struct EntryPage {
    frame: Frame,
    kinds: Vec<&'static str>,
    sections: Vec<(String, String)>,
    supersedes: String,
    /// What the entry to replace says, or what was just sent; empty for a new one.
    before: Before,
    /// Why what was sent is not booked, and whether it is once a person says to be sure.
    refused: Option<(Problem, bool)>,
}

impl EntryPage {
    fn new(scene: Scene<'_>, frame: Frame, supersedes: String, before: Before) -> Self {
        Self {
            frame: frame.still(),
            kinds: BookingKind::ALL.iter().map(|kind| kind.words()).collect(),
            sections: scene
                .plant
                .all
                .section
                .iter()
                .map(|section| (section.id.to_string(), section.name.clone()))
                .collect(),
            supersedes,
            before,
            refused: None,
        }
    }
}

/// The fields of a form as they stand when it opens.
#[derive(Default)]
struct Before {
    kind: String,
    mass: String,
    uncertainty: String,
    began_local: String,
    over: String,
    section: String,
    note: String,
}

impl Before {
    /// As they were sent.
    fn sent(fields: &BTreeMap<String, String>) -> Self {
        let field = |name: &str| fields.get(name).cloned().unwrap_or_default();
        Self {
            kind: field("kind"),
            mass: field("mass"),
            uncertainty: field("uncertainty"),
            began_local: field("effective_at"),
            over: field("over"),
            section: field("section"),
            note: field("note"),
        }
    }

    fn of(entry: &LedgerView, time: &SiteTime) -> Self {
        // A correction carries its sign, other kinds are written positive.
        let correction = entry.kind == BookingKind::Correction.words();
        let mass = if correction {
            entry.mass_kg
        } else {
            entry.mass_kg.abs()
        };
        Self {
            kind: entry.kind.clone(),
            mass: format!("{mass} kg"),
            uncertainty: format!("{} kg", entry.std_kg),
            began_local: time.format(entry.effective_at, LOCAL_FORM),
            over: format!("{} s", entry.over.seconds()),
            section: entry.section.as_deref().unwrap_or_default().to_owned(),
            note: entry.note.clone(),
        }
    }
}

/// What a browser's field for a date and time takes.
const LOCAL_FORM: &str = "%Y-%m-%dT%H:%M:%S";

/// `GET /ledger`: the form of a new entry.
pub(in crate::console) async fn entry_form(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    asked: Asked,
) -> Response {
    let note = note(asked);
    let supersedes = note.supersedes.unwrap_or_default();
    let frame = Frame::new(&shared, &headers, "/helium");
    let page = shared.with_scene(|scene| {
        let replaced = scene
            .view
            .ledger
            .iter()
            .find(|entry| *entry.id == *supersedes);
        let before = replaced.map_or_else(
            || Before {
                began_local: scene
                    .now
                    .map(|now| scene.time.format(now, LOCAL_FORM))
                    .unwrap_or_default(),
                ..Before::default()
            },
            |entry| Before::of(entry, scene.time),
        );
        EntryPage::new(scene, frame, supersedes, before)
    });
    render(StatusCode::OK, &page)
}

/// The form of an entry that was not booked, as it was filled in, with the reason.
pub(in crate::console) fn entry_again(
    shared: &Shared,
    headers: &HeaderMap,
    fields: &BTreeMap<String, String>,
    refused: (Problem, bool),
) -> Response {
    let frame = Frame::new(shared, headers, "/helium");
    let supersedes = fields.get("supersedes").cloned().unwrap_or_default();
    let mut page =
        shared.with_scene(|scene| EntryPage::new(scene, frame, supersedes, Before::sent(fields)));
    let status = refused.0.status;
    page.refused = Some(refused);
    render(status, &page)
}

#[derive(Template)]
#[template(path = "states.html", config = "src/console/askama.toml")]
struct StatesPage {
    frame: Frame,
    facts: HeliumFacts,
}

/// `GET /states`: modes of vessels and states of lines that a person says.
pub(in crate::console) async fn states_form(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
) -> Response {
    let page = StatesPage {
        frame: Frame::new(&shared, &headers, "/helium").still(),
        facts: shared.with_scene(helium_facts),
    };
    render(StatusCode::OK, &page)
}
