//! Signing in and out, and who stands behind a request.

use std::sync::Arc;

use axum::extract::{ConnectInfo, Form, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use base64ct::{Base64, Encoding};
use serde::Deserialize;

use super::http::{Peer, Problem, Shared, header_text};
use super::login::Session;
use super::pages;

const COOKIE: &str = "coldledger-session";

/// Where to go after signing in.
#[derive(Debug, Deserialize)]
pub(super) struct Next {
    next: Option<String>,
}

/// What the sign-in form sends.
#[derive(Deserialize)]
pub(super) struct Credentials {
    name: String,
    password: String,
    next: Option<String>,
}

/// The session that a request belongs to.
pub(super) fn session(shared: &Shared, headers: &HeaderMap) -> Option<Session> {
    let token = token(headers)?;
    shared
        .sessions
        .find(token, (shared.office.clocks.monotonic)())
}

fn token(headers: &HeaderMap) -> Option<&str> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|cookies| cookies.split(';'))
        .filter_map(|cookie| cookie.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE)
        .map(|(_, token)| token)
}

/// Name and password of HTTP Basic, for programs.
pub(super) fn basic(headers: &HeaderMap) -> Option<(String, String)> {
    let value = header_text(headers, &header::AUTHORIZATION)?;
    let (scheme, encoded) = value.split_once(' ')?;
    if !scheme.eq_ignore_ascii_case("basic") {
        return None;
    }
    let bytes = Base64::decode_vec(encoded.trim()).ok()?;
    let text = String::from_utf8(bytes).ok()?;
    let (name, password) = text.split_once(':')?;
    Some((name.into(), password.into()))
}

/// `GET /login`.
pub(super) async fn form(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    Query(query): Query<Next>,
) -> Response {
    pages::login(&shared, &headers, safe_next(query.next.as_deref()), None)
}

/// `POST /login`.
pub(super) async fn sign_in(
    State(shared): State<Arc<Shared>>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    headers: HeaderMap,
    Form(credentials): Form<Credentials>,
) -> Response {
    let next = safe_next(credentials.next.as_deref()).to_owned();
    let name = credentials.name.clone();
    if let Err(problem) = check(&shared, peer, credentials.name, credentials.password).await {
        return pages::login(&shared, &headers, &next, Some(&problem));
    }
    let Ok(token) = shared
        .sessions
        .open(&name, (shared.office.clocks.monotonic)())
    else {
        let problem = Problem::unavailable(
            "The system gives no random numbers for a session",
            "Look at Box health and at the system's log",
        );
        return pages::login(&shared, &headers, &next, Some(&problem));
    };
    // Of the browser only, never to other sites, gone after a shift. Without `Secure`, since on
    // the loopback there is no TLS; a proxy in front adds it.
    let cookie = format!("{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict; Max-Age=43200");
    ([(header::SET_COOKIE, cookie)], Redirect::to(&next)).into_response()
}

/// `POST /logout`.
pub(super) async fn sign_out(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Response {
    if let Some(token) = token(&headers) {
        shared.sessions.close(token);
    }
    let cookie = format!("{COOKIE}=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0");
    ([(header::SET_COOKIE, cookie)], Redirect::to("/")).into_response()
}

/// Checks name and password, with brakes on guessing.
pub(super) async fn check(
    shared: &Arc<Shared>,
    peer: Peer,
    name: String,
    password: String,
) -> Result<(), Problem> {
    let now = || (shared.office.clocks.monotonic)();
    if shared.office.operators.is_empty() {
        return Err(Problem::new(
            StatusCode::FORBIDDEN,
            "Nobody may act here yet: no operators are set up",
            "Add people to the list of operators and start Coldledger again",
        ));
    }
    let from = peer.0.ip();
    let too_many = |wait: i64| {
        Problem::new(
            StatusCode::TOO_MANY_REQUESTS,
            "Too many wrong passwords from this address",
            &format!("Wait {wait} s and try again"),
        )
    };
    let wait = shared.sessions.wait_s(from, now());
    if wait > 0 {
        return Err(too_many(wait));
    }
    let patience = std::time::Duration::from_secs(5);
    let room = Arc::clone(&shared.checks).acquire_owned();
    let Ok(Ok(room)) = tokio::time::timeout(patience, room).await else {
        return Err(Problem::unavailable(
            "Many people are signing in at this moment",
            "Try again in a few seconds",
        ));
    };
    // Others may have failed while this one waited for its turn.
    let wait = shared.sessions.wait_s(from, now());
    if wait > 0 {
        return Err(too_many(wait));
    }
    let operators = shared.office.operators.clone();
    let verified = tokio::task::spawn_blocking(move || {
        let _room = room;
        operators.verify(&name, &password)
    })
    .await
    .unwrap_or(false);
    shared.sessions.tried(from, verified, now());
    if verified {
        Ok(())
    } else {
        Err(Problem::new(
            StatusCode::UNAUTHORIZED,
            "Name and password do not belong together",
            "Check both; capital letters matter",
        ))
    }
}

/// Only a path of our own, so that a link cannot send a freshly signed-in person elsewhere.
fn safe_next(next: Option<&str>) -> &str {
    next.filter(|next| {
        next.starts_with('/')
            && !next.starts_with("//")
            && next.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
    })
    .unwrap_or("/")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn leads_only_to_own_pages() {
        assert_eq!(safe_next(Some("/helium?x=1")), "/helium?x=1");
        for elsewhere in [
            "https://evil.example/",
            "//evil.example",
            "/\\evil.example",
            "/a\r\nSet-Cookie: x=y",
            "",
        ] {
            assert_eq!(safe_next(Some(elsewhere)), "/");
        }
    }
}
