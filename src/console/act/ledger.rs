//! Ledger entries: what is sent, checked unit by unit, made into a draft for the desk.

use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;

use super::plausible::doubt;
use super::{Submission, ask_desk};
use crate::balance::ledger::is_entry_id;
use crate::console::http::{Problem, Shared, is_for_programs};
use crate::console::office::DeskKind;
use crate::console::pages::helium::entry_again;
use crate::console::words::SiteTime;
use crate::engine::LedgerEntry;
use crate::plant::{Booking, BookingKind, Id, Plant, Stated};
use crate::quantity::{Mass, QuantityKind};
use crate::time::{Span, Timestamp};

/// `POST .../ledger`: a new entry, perhaps in place of another.
pub(in crate::console) async fn book(
    State(shared): State<Arc<Shared>>,
    sent: Submission,
) -> Response {
    let plant = Arc::clone(&shared.office.plant.borrow());
    let drafted = draft(&shared, &plant, &sent);
    let doubted = drafted
        .as_ref()
        .ok()
        .and_then(|entry| doubted(&shared, &sent, entry));
    let is_doubted = doubted.is_some();
    let asked = match (drafted, doubted) {
        (Ok(entry), None) => ask_desk(&shared, DeskKind::Book(entry)).await,
        (Ok(_), Some(problem)) | (Err(problem), _) => Err(problem),
    };
    match asked {
        // What was typed is not to be typed again.
        Err(problem) if !is_for_programs(&sent.uri) => {
            entry_again(&shared, &sent.headers, &sent.fields, (problem, is_doubted))
        }
        asked => sent.answer(&shared, asked),
    }
}

/// Why the entry seems not to be meant, unless somebody says that it is.
fn doubted(shared: &Shared, sent: &Submission, entry: &LedgerEntry) -> Option<Problem> {
    if matches!(sent.field("sure"), "true" | "yes") {
        return None;
    }
    let view = Arc::clone(&shared.office.view.borrow());
    let mut problem = doubt(&view, &entry.booking, (shared.office.clocks.wall)())?;
    if is_for_programs(&sent.uri) {
        problem.what_to_do.push_str(", with \"sure\": true");
    }
    Some(problem)
}

fn draft(shared: &Shared, plant: &Plant, sent: &Submission) -> Result<LedgerEntry, Problem> {
    let kind = sent.field("kind");
    let kind = BookingKind::ALL
        .into_iter()
        .find(|known| known.words() == kind)
        .ok_or_else(|| {
            let known: Vec<_> = BookingKind::ALL.iter().map(|kind| kind.words()).collect();
            Problem::bad_request(
                &format!("{kind:?} is not a kind of ledger entry"),
                &format!("Use one of: {}", known.join(", ")),
            )
        })?;
    let mass = sent.quantity("mass", QuantityKind::Mass)?;
    if mass < 0.0 && kind != BookingKind::Correction {
        return Err(Problem::bad_request(
            "The mass is negative",
            "Write it positive; the kind says whether it came or went. Only a correction has a sign",
        ));
    }
    let std = sent.quantity("uncertainty", QuantityKind::Mass)?;
    if std < 0.0 {
        return Err(Problem::bad_request(
            "The standard uncertainty is negative",
            "Write how far the mass may be off, one standard uncertainty, for example \"0.5 kg\"",
        ));
    }
    let over = match sent.field("over") {
        "" => Span::ZERO,
        _ => Span::from_seconds(sent.quantity("over", QuantityKind::Duration)?),
    };
    if over < Span::ZERO {
        return Err(Problem::bad_request(
            "The duration is negative",
            "Write for example \"2 h\"",
        ));
    }
    let section = match sent.field("section") {
        "" => None,
        id => Some(
            plant
                .section_by_id(id)
                .map(|(_, section)| Arc::clone(&section.id))
                .ok_or_else(|| Problem::not_found(id))?,
        ),
    };
    let supersedes = match sent.field("supersedes") {
        "" => None,
        id => Some(superseded(shared, id)?),
    };
    Ok(LedgerEntry {
        id: match sent.field("id") {
            "" => new_entry_id()?,
            id => chosen_id(shared, id)?,
        },
        booking: Booking {
            effective_at: effective_at(shared, plant, sent.field("effective_at"))?,
            over,
            kind,
            mass: Stated {
                value: Mass::new(mass),
                std,
            },
            author: sent.actor.name.clone(),
            note: sent.free_text("note")?,
            section,
        },
        supersedes,
        actor: sent.actor.clone(),
    })
}

/// An id of the sender's own: sent again, it is refused instead of booked again.
fn chosen_id(shared: &Shared, id: &str) -> Result<Id, Problem> {
    if !is_entry_id(id) {
        return Err(Problem::bad_request(
            &format!("{id:?} cannot be the id of an entry"),
            "Write at most 64 letters, digits, dots, dashes or underscores",
        ));
    }
    let view = Arc::clone(&shared.office.view.borrow());
    if view.ledger.iter().any(|entry| &*entry.id == id) {
        return Err(Problem::new(
            StatusCode::CONFLICT,
            &format!("Entry {id} is on record already"),
            "Nothing is to be done if it is the same; otherwise give the new one its own id",
        ));
    }
    Ok(id.into())
}

fn superseded(shared: &Shared, id: &str) -> Result<Id, Problem> {
    let view = Arc::clone(&shared.office.view.borrow());
    let entry = view
        .ledger
        .iter()
        .find(|entry| &*entry.id == id)
        .ok_or_else(|| Problem::not_found(id))?;
    match &entry.superseded_by {
        None => Ok(Arc::clone(&entry.id)),
        Some(by) => Err(Problem::new(
            StatusCode::CONFLICT,
            &format!("Entry {id} has already been replaced by {by}"),
            &format!("Replace {by} instead"),
        )),
    }
}

fn effective_at(shared: &Shared, plant: &Plant, text: &str) -> Result<Timestamp, Problem> {
    let at = if text.is_empty() {
        (shared.office.clocks.wall)()
    } else {
        Timestamp::parse(text)
            .ok()
            .or_else(|| SiteTime::of(plant).parse_local(text))
    };
    at.ok_or_else(|| {
        Problem::bad_request(
            "When the helium moved is not a date and time",
            "Write it as 2026-11-25T14:30 (time of the site) or 2026-11-25T14:30:00Z (UTC)",
        )
    })
}

/// Random, so that two people booking at once do not meet; short, so that it can be read out.
fn new_entry_id() -> Result<Id, Problem> {
    const LETTERS: &[u8; 32] = b"ABCDEFGHJKLMNPQRSTUVWXYZ23456789";
    let mut bytes = [0u8; 8];
    getrandom::fill(&mut bytes).map_err(|_| {
        Problem::unavailable(
            "The system gives no random numbers for an entry's id",
            "Look at Box health and at the system's log",
        )
    })?;
    let id: String = bytes
        .iter()
        .filter_map(|byte| LETTERS.get(usize::from(byte % 32)))
        .map(|&letter| char::from(letter))
        .collect();
    Ok(format!("L-{id}").into())
}
