//! What people do: each act is checked, signed with a name, handed to the desk, and answered only
//! when it is on record. The same handlers serve the pages' forms and the API.

mod ledger;
mod plausible;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use axum::Json;
use axum::body::{Body, Bytes};
use axum::extract::{ConnectInfo, Form, FromRequest, Path, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Serialize;
use tokio::sync::{mpsc, oneshot};

use super::http::{Peer, Problem, Shared, header_text, in_kind, is_for_programs};
use super::login::same_secret;
use super::office::{DeskKind, DeskRequest, Receipt};
use super::sign_in;
use crate::alarm::book::LONGEST_SHELVING;
use crate::engine::{Action, ActionKind, Actor};
use crate::plant::{Id, Passage};
use crate::quantity::{self, QuantityKind};
use crate::time::Span;

pub(super) use self::ledger::book;

/// How long the desk may take to put something on record.
const DESK_PATIENCE: Duration = Duration::from_secs(10);
/// Longest free text, characters.
const LONGEST_TEXT: usize = crate::balance::ledger::LONGEST_NOTE;

/// What a signed-in person sent, whether by form or as JSON.
pub(super) struct Submission {
    actor: Actor,
    fields: BTreeMap<String, String>,
    uri: Uri,
    headers: HeaderMap,
}

impl FromRequest<Arc<Shared>> for Submission {
    type Rejection = Response;

    async fn from_request(request: Request, shared: &Arc<Shared>) -> Result<Self, Response> {
        let uri = request.uri().clone();
        let headers = request.headers().clone();
        read(request, shared, &uri)
            .await
            .map_err(|problem| in_kind(shared, &uri, &headers, problem))
    }
}

async fn read(request: Request, shared: &Arc<Shared>, uri: &Uri) -> Result<Submission, Problem> {
    let (parts, body) = request.into_parts();
    let headers = &parts.headers;
    let Some(ConnectInfo(peer)) = parts.extensions.get::<ConnectInfo<Peer>>().copied() else {
        return Err(Problem::bad_request(
            "No address to answer to",
            "Connect again",
        ));
    };
    let is_json = header_text(headers, &header::CONTENT_TYPE)
        .is_some_and(|kind| kind.starts_with("application/json"));
    let session = sign_in::session(shared, headers);
    let basic = sign_in::basic(headers);
    let csrf_header = headers
        .get("x-csrf-token")
        .and_then(|value| value.to_str().ok())
        .map(str::to_owned);
    let asked = parts.headers.clone();
    let again = parts.clone();
    let bytes = Bytes::from_request(Request::from_parts(parts, body), shared)
        .await
        .map_err(|_| {
            Problem::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "The request is too large or broke off",
                "Send less text",
            )
        })?;
    let fields = if is_json {
        json_fields(&bytes)?
    } else {
        form_fields(again, bytes).await?
    };
    let name = match (session, basic) {
        (Some(session), _) => {
            let token = csrf_header
                .as_deref()
                .or_else(|| fields.get("csrf").map(String::as_str))
                .unwrap_or("");
            if !same_secret(token, &session.csrf) {
                return Err(Problem::new(
                    StatusCode::FORBIDDEN,
                    "The form is not of this session",
                    "Load the page again and repeat what you did",
                ));
            }
            session.name
        }
        (None, Some((name, password))) => {
            sign_in::check(shared, peer, name.clone(), password).await?;
            name
        }
        (None, None) => {
            return Err(Problem::new(
                StatusCode::UNAUTHORIZED,
                "Acting needs a named person, and nobody is signed in",
                "Sign in and repeat what you did",
            ));
        }
    };
    Ok(Submission {
        actor: Actor {
            name,
            place: peer.0.ip().to_string(),
        },
        fields,
        uri: uri.clone(),
        headers: asked,
    })
}

/// Characters that show nothing, or turn the text around them about: what stands on record must read
/// as it was written.
fn is_unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{feff}'
            | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}')
}

fn json_fields(bytes: &[u8]) -> Result<BTreeMap<String, String>, Problem> {
    if bytes.is_empty() {
        return Ok(BTreeMap::new());
    }
    let wrong = || {
        Problem::bad_request(
            "The body is not a JSON object of texts",
            "Send for example {\"reason\": \"sensor being changed\", \"time\": \"2 h\"}",
        )
    };
    let object: BTreeMap<String, serde_json::Value> =
        serde_json::from_slice(bytes).map_err(|_| wrong())?;
    object
        .into_iter()
        .map(|(key, value)| match value {
            serde_json::Value::String(text) => Ok((key, text)),
            serde_json::Value::Bool(truth) => Ok((key, truth.to_string())),
            serde_json::Value::Null => Ok((key, String::new())),
            // A bare number would be a quantity without its unit.
            _ => Err(wrong()),
        })
        .collect()
}

async fn form_fields(parts: Parts, bytes: Bytes) -> Result<BTreeMap<String, String>, Problem> {
    if bytes.is_empty() {
        return Ok(BTreeMap::new());
    }
    let request = Request::from_parts(parts, Body::from(bytes));
    Form::<BTreeMap<String, String>>::from_request(request, &())
        .await
        .map(|form| form.0)
        .map_err(|_| {
            Problem::bad_request(
                "The form cannot be read",
                "Load the page again and repeat; programs send application/json",
            )
        })
}

impl Submission {
    fn field(&self, name: &str) -> &str {
        self.fields.get(name).map_or("", |text| text.trim())
    }

    /// A text that must say something.
    fn text(&self, name: &str, what: &str) -> Result<String, Problem> {
        let text = self.free_text(name)?;
        if text.is_empty() {
            return Err(Problem::bad_request(
                &format!("{what} is missing"),
                &format!("Fill in {name:?}; it goes on record"),
            ));
        }
        Ok(text)
    }

    /// A text that may be empty.
    fn free_text(&self, name: &str) -> Result<String, Problem> {
        let text = self.field(name);
        if text.chars().count() > LONGEST_TEXT {
            return Err(Problem::bad_request(
                &format!("{name:?} is longer than {LONGEST_TEXT} characters"),
                "Shorten it",
            ));
        }
        Ok(text
            .chars()
            .map(|c| if is_unseen(c) { ' ' } else { c })
            .collect())
    }

    /// A quantity with its unit, SI.
    fn quantity(&self, name: &str, kind: QuantityKind) -> Result<f64, Problem> {
        quantity::parse(self.field(name), kind)
            .map(|(si, _)| si)
            .map_err(|error| {
                Problem::bad_request(&format!("{name:?} cannot be used"), &error.to_string())
            })
    }

    fn flag(&self, name: &str) -> Result<bool, Problem> {
        match self.field(name) {
            "true" | "yes" => Ok(true),
            "false" | "no" => Ok(false),
            _ => Err(Problem::bad_request(
                &format!("{name:?} is neither true nor false"),
                "Send true or false",
            )),
        }
    }

    async fn act(self, shared: &Shared, kind: Result<ActionKind, Problem>) -> Response {
        let asked = match kind {
            Ok(kind) => {
                let action = Action {
                    actor: self.actor.clone(),
                    kind,
                };
                ask_desk(shared, DeskKind::Act(action)).await
            }
            Err(problem) => Err(problem),
        };
        self.answer(shared, asked)
    }

    fn answer(&self, shared: &Shared, asked: Result<Receipt, Problem>) -> Response {
        match asked {
            Err(problem) => in_kind(shared, &self.uri, &self.headers, problem),
            Ok(receipt) if is_for_programs(&self.uri) => Json(Recorded {
                recorded_seq: receipt.seq,
                by: &self.actor.name,
            })
            .into_response(),
            Ok(receipt) => {
                let path = self.uri.path();
                let back = if path.starts_with("/alarms") {
                    "/"
                } else {
                    path.strip_suffix("/service").unwrap_or("/helium")
                };
                Redirect::to(&format!("{back}?recorded={}", receipt.seq)).into_response()
            }
        }
    }
}

#[derive(Serialize)]
struct Recorded<'a> {
    recorded_seq: u64,
    by: &'a str,
}

/// Hands a request to the desk and waits until it is on record, or says plainly that it is not.
async fn ask_desk(shared: &Shared, kind: DeskKind) -> Result<Receipt, Problem> {
    let (reply, answer) = oneshot::channel();
    shared
        .office
        .desk
        .try_send(DeskRequest { kind, reply })
        .map_err(|error| match error {
            mpsc::error::TrySendError::Full(_) => Problem::unavailable(
                "Not recorded: too much is waiting to be recorded",
                "Nothing was done. Try again in a few seconds, and look at Box health",
            ),
            mpsc::error::TrySendError::Closed(_) => Problem::unavailable(
                "Not recorded: Coldledger is stopping",
                "Nothing was done. Wait until it is back",
            ),
        })?;
    match tokio::time::timeout(DESK_PATIENCE, answer).await {
        Ok(Ok(Ok(receipt))) => Ok(receipt),
        Ok(Ok(Err(refusal))) => Err(refusal.into()),
        Ok(Err(_)) => Err(Problem::unavailable(
            "Whether it was recorded is not known: the engine stopped meanwhile",
            "Look for it in the journal before you repeat it",
        )),
        Err(_) => Err(Problem::unavailable(
            "Whether it was recorded is not known: the record took too long",
            "Look for it in the journal before you repeat it",
        )),
    }
}

fn alarm_id(shared: &Shared, id: &str) -> Result<Id, Problem> {
    shared
        .office
        .plant
        .borrow()
        .alarms
        .iter()
        .find(|rule| &*rule.id == id)
        .map(|rule| Arc::clone(&rule.id))
        .ok_or_else(|| Problem::not_found(id))
}

/// `POST .../alarms/ID/acknowledge`.
pub(super) async fn acknowledge(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    sent: Submission,
) -> Response {
    let kind = alarm_id(&shared, &id).map(|alarm| ActionKind::Acknowledge { alarm });
    sent.act(&shared, kind).await
}

/// `POST .../alarms/ID/unshelve`.
pub(super) async fn unshelve(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    sent: Submission,
) -> Response {
    let kind = alarm_id(&shared, &id).map(|alarm| ActionKind::Unshelve { alarm });
    sent.act(&shared, kind).await
}

/// `POST .../alarms/ID/shelve` with `time` and `reason`.
pub(super) async fn shelve(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    sent: Submission,
) -> Response {
    let kind = shelving(&shared, &id, &sent);
    sent.act(&shared, kind).await
}

fn shelving(shared: &Shared, id: &str, sent: &Submission) -> Result<ActionKind, Problem> {
    let alarm = alarm_id(shared, id)?;
    let time = Span::from_seconds(sent.quantity("time", QuantityKind::Duration)?);
    if time <= Span::ZERO || time > LONGEST_SHELVING {
        return Err(Problem::bad_request(
            "An alarm is shelved for more than nothing and at most 7 days",
            "Write for example \"2 h\"; for longer, take it out of service",
        ));
    }
    Ok(ActionKind::Shelve {
        alarm,
        time,
        reason: sent.text("reason", "The reason")?,
    })
}

/// `POST .../alarms/ID/service` with `in_service` and `reason`.
pub(super) async fn alarm_service(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    sent: Submission,
) -> Response {
    let kind = alarm_id(&shared, &id).and_then(|alarm| {
        Ok(ActionKind::AlarmInService {
            alarm,
            in_service: sent.flag("in_service")?,
            reason: sent.text("reason", "The reason")?,
        })
    });
    sent.act(&shared, kind).await
}

/// `POST .../channels/ID/service` with `in_service` and `reason`.
pub(super) async fn channel_service(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    sent: Submission,
) -> Response {
    let channel = shared
        .office
        .plant
        .borrow()
        .channel_by_id(&id)
        .map(|(_, channel)| Arc::clone(&channel.id))
        .ok_or_else(|| Problem::not_found(&id));
    let kind = channel.and_then(|channel| {
        Ok(ActionKind::ChannelInService {
            channel,
            in_service: sent.flag("in_service")?,
            reason: sent.text("reason", "The reason")?,
        })
    });
    sent.act(&shared, kind).await
}

/// `POST .../vessels/ID/mode` with `mode`.
pub(super) async fn mode(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    sent: Submission,
) -> Response {
    let plant = Arc::clone(&shared.office.plant.borrow());
    let kind = plant
        .vessel_by_id(&id)
        .ok_or_else(|| Problem::not_found(&id))
        .and_then(|(_, vessel)| {
            if vessel.mode_channel.is_some() {
                return Err(by_channel("mode of this vessel"));
            }
            let wanted = sent.field("mode");
            let mode = vessel.modes.iter().find(|mode| &*mode.id == wanted);
            let mode = mode.ok_or_else(|| Problem::not_found(wanted))?;
            Ok(ActionKind::SetMode {
                vessel: Arc::clone(&vessel.id),
                mode: Arc::clone(&mode.id),
            })
        });
    sent.act(&shared, kind).await
}

/// `POST .../lines/ID/passage` with `passage` (`open`, `shut` or `unknown`).
pub(super) async fn passage(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    sent: Submission,
) -> Response {
    let plant = Arc::clone(&shared.office.plant.borrow());
    let kind = plant
        .line_by_id(&id)
        .ok_or_else(|| Problem::not_found(&id))
        .and_then(|(_, line)| {
            if !matches!(line.passage, crate::plant::PassageSource::Person(_)) {
                return Err(by_channel("state of this line"));
            }
            let passage = match sent.field("passage") {
                "open" => Passage::Open,
                "shut" => Passage::Shut,
                "unknown" => Passage::Unknown,
                other => return Err(Problem::not_found(other)),
            };
            Ok(ActionKind::SetPassage {
                line: Arc::clone(&line.id),
                passage,
            })
        });
    sent.act(&shared, kind).await
}

fn by_channel(what: &str) -> Problem {
    Problem::new(
        StatusCode::CONFLICT,
        &format!("The {what} comes from a channel, not from a person"),
        "If the channel is wrong, take it out of service",
    )
}
