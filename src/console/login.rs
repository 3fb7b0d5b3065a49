//! Who may act: named people with a password, sessions, and brakes on guessing.
//!
//! Everyone who reaches the pages may read them; acting (acknowledging, booking, setting a mode)
//! needs a named person, since it goes on record under that name.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::time::{Monotonic, Span};

/// How long a session lasts: one shift.
pub const SESSION: Span = Span::from_millis(12 * 3_600_000);
/// Most sessions at once; the one that would end first makes room.
const MOST_SESSIONS: usize = 64;
/// Most addresses whose failures are remembered; the oldest makes room.
const MOST_REMEMBERED: usize = 256;
/// Failures from one address before it has to wait.
const FREE_FAILURES: u32 = 3;
/// Longest wait after failures, s.
const LONGEST_WAIT_S: i64 = 60;
/// Longest name or password, bytes.
const LONGEST_FIELD: usize = 256;

/// The people who may act.
#[derive(Debug, Clone, Default)]
pub struct Operators {
    list: Arc<[Operator]>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Operator {
    name: String,
    password_hash: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OperatorsFile {
    #[serde(default)]
    operator: Vec<Operator>,
}

/// Why a list of operators cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OperatorsError {
    /// Not TOML, or not this list.
    #[error("the list of operators cannot be read: {0}")]
    Syntax(String),
    /// A name that would say nothing on a record.
    #[error("operator {0:?}: write a name of 1 to 100 characters without control characters")]
    Name(String),
    /// Two people of one name.
    #[error("operator {0:?} is listed twice")]
    Twice(String),
    /// Not a hash of a password.
    #[error("operator {name:?}: password-hash is not an argon2 hash ({why})")]
    Hash {
        /// Of whom.
        name: String,
        /// The parser's words.
        why: String,
    },
}

impl Operators {
    /// Reads the list: TOML with `[[operator]]`, each with `name` and `password-hash` (argon2, PHC
    /// string). An empty list is in order: then nobody can act.
    ///
    /// # Errors
    /// [`OperatorsError`] with the entry and what is wrong with it.
    pub fn parse(text: &str) -> Result<Self, OperatorsError> {
        let file: OperatorsFile =
            toml::from_str(text).map_err(|e| OperatorsError::Syntax(e.to_string()))?;
        let mut seen = std::collections::BTreeSet::new();
        for operator in &file.operator {
            let name = operator.name.as_str();
            let length = name.chars().count();
            if !(1..=100).contains(&length)
                || name.trim() != name
                || name.chars().any(char::is_control)
            {
                return Err(OperatorsError::Name(name.into()));
            }
            if !seen.insert(name) {
                return Err(OperatorsError::Twice(name.into()));
            }
            let wrong = |why: String| OperatorsError::Hash {
                name: name.into(),
                why,
            };
            let hash =
                PasswordHash::new(&operator.password_hash).map_err(|e| wrong(e.to_string()))?;
            if !hash.algorithm.as_str().starts_with("argon2") {
                return Err(wrong(format!("it is {}", hash.algorithm)));
            }
        }
        Ok(Self {
            list: file.operator.into(),
        })
    }

    /// Whether nobody can act.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Whether name and password belong together. Takes as long for a name that is not listed;
    /// some tenths of a second, so call it where blocking is allowed.
    #[must_use]
    pub fn verify(&self, name: &str, password: &str) -> bool {
        if name.len() > LONGEST_FIELD || password.len() > LONGEST_FIELD {
            return false;
        }
        let Some(operator) = self.list.iter().find(|o| o.name == name) else {
            let mut unused = [0u8; 32];
            return Argon2::default()
                .hash_password_into(password.as_bytes(), b"nobody of that name", &mut unused)
                .is_err()
                && unused != [0u8; 32];
        };
        PasswordHash::new(&operator.password_hash).is_ok_and(|hash| {
            Argon2::default()
                .verify_password(password.as_bytes(), &hash)
                .is_ok()
        })
    }
}

/// The hash of a password, for the list of operators.
///
/// # Errors
/// The words of the hash function, when it has no random numbers or memory.
pub fn hash_password(password: &str) -> Result<String, String> {
    Argon2::default()
        .hash_password(password.as_bytes())
        .map(|hash| hash.to_string())
        .map_err(|e| e.to_string())
}

/// A signed-in person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Session {
    pub(super) name: String,
    /// Stands in every form of this session; another site cannot know it.
    pub(super) csrf: String,
    ends: Monotonic,
}

type Key = [u8; 32];

/// Sessions and failures. Sessions are kept under the hash of their token, so that looking one up
/// takes no time that depends on how much of a token was guessed right.
#[derive(Debug, Default)]
pub(super) struct Sessions {
    inner: Mutex<SessionsInner>,
}

#[derive(Debug, Default)]
struct SessionsInner {
    sessions: BTreeMap<Key, Session>,
    failures: BTreeMap<IpAddr, Failures>,
}

#[derive(Debug, Clone, Copy)]
struct Failures {
    count: u32,
    last: Monotonic,
}

impl Failures {
    fn wait_s(self) -> i64 {
        let over = self.count.saturating_sub(FREE_FAILURES);
        if over == 0 {
            0
        } else {
            (1_i64 << over.min(6)).min(LONGEST_WAIT_S)
        }
    }
}

impl Sessions {
    fn inner(&self) -> std::sync::MutexGuard<'_, SessionsInner> {
        // Nothing in here can panic half-way, so a poisoned lock still holds whole data.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Opens a session and gives its token for the cookie.
    pub(super) fn open(&self, name: &str, now: Monotonic) -> Result<String, getrandom::Error> {
        let token = random_hex()?;
        let csrf = random_hex()?;
        let mut inner = self.inner();
        inner.sessions.retain(|_, session| session.ends > now);
        while inner.sessions.len() >= MOST_SESSIONS {
            let Some(first) = inner
                .sessions
                .iter()
                .min_by_key(|(_, session)| session.ends)
                .map(|(key, _)| *key)
            else {
                break;
            };
            inner.sessions.remove(&first);
        }
        let session = Session {
            name: name.into(),
            csrf,
            ends: now + SESSION,
        };
        inner.sessions.insert(key(&token), session);
        Ok(token)
    }

    /// The session of a token.
    pub(super) fn find(&self, token: &str, now: Monotonic) -> Option<Session> {
        self.inner()
            .sessions
            .get(&key(token))
            .filter(|session| session.ends > now)
            .cloned()
    }

    /// Ends a session.
    pub(super) fn close(&self, token: &str) {
        self.inner().sessions.remove(&key(token));
    }

    /// Seconds that this address still has to wait before it may try again.
    pub(super) fn wait_s(&self, from: IpAddr, now: Monotonic) -> i64 {
        self.inner().failures.get(&from).map_or(0, |failures| {
            failures.wait_s() - (now - failures.last).millis() / 1000
        })
    }

    /// Remembers how an attempt went.
    pub(super) fn tried(&self, from: IpAddr, well: bool, now: Monotonic) {
        let mut inner = self.inner();
        if well {
            inner.failures.remove(&from);
            return;
        }
        if inner.failures.len() >= MOST_REMEMBERED
            && !inner.failures.contains_key(&from)
            && let Some(oldest) = inner
                .failures
                .iter()
                .min_by_key(|(_, failures)| failures.last)
                .map(|(address, _)| *address)
        {
            inner.failures.remove(&oldest);
        }
        let failures = inner.failures.entry(from).or_insert(Failures {
            count: 0,
            last: now,
        });
        failures.count = failures.count.saturating_add(1);
        failures.last = now;
    }
}

fn key(token: &str) -> Key {
    Sha256::digest(token.as_bytes()).into()
}

/// Whether two secrets are equal, without telling by the time taken where they differ.
pub(super) fn same_secret(left: &str, right: &str) -> bool {
    !left.is_empty() && key(left) == key(right)
}

fn random_hex() -> Result<String, getrandom::Error> {
    use std::fmt::Write as _;
    let mut bytes = [0u8; 32];
    getrandom::fill(&mut bytes)?;
    Ok(bytes.iter().fold(String::with_capacity(64), |mut text, b| {
        // Writing to a String cannot fail.
        _ = write!(text, "{b:02x}");
        text
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    const T0: Monotonic = Monotonic(1_000_000);

    #[test]
    fn a_password_is_known_by_its_hash_only() {
        let hash = hash_password("seven cold kilograms").unwrap();
        let operators = Operators::parse(&format!(
            "[[operator]]\nname = \"R. Ash\"\npassword-hash = {hash:?}\n"
        ))
        .unwrap();
        assert!(operators.verify("R. Ash", "seven cold kilograms"));
        assert!(!operators.verify("R. Ash", "seven cold kilogram"));
        assert!(!operators.verify("Nobody", "seven cold kilograms"));
        assert!(!operators.verify("", ""));
        assert!(!hash.contains("seven"));
    }

    #[test]
    fn wrong_lists_are_refused_with_their_entry() {
        assert!(Operators::parse("").unwrap().is_empty());
        let entry = |name: &str, hash: &str| {
            format!("[[operator]]\nname = {name:?}\npassword-hash = {hash:?}\n")
        };
        assert!(matches!(
            Operators::parse(&entry("A", "hunter")),
            Err(OperatorsError::Hash { .. })
        ));
        assert!(matches!(
            Operators::parse(&entry(" ", "x")),
            Err(OperatorsError::Name(_))
        ));
        assert!(matches!(
            Operators::parse("[[operators]]"),
            Err(OperatorsError::Syntax(_))
        ));
        let hash = hash_password("x").unwrap();
        let twice = entry("A", &hash) + &entry("A", &hash);
        assert_eq!(
            Operators::parse(&twice).unwrap_err(),
            OperatorsError::Twice("A".into())
        );
    }

    #[test]
    fn sessions_end_and_stay_few() {
        let sessions = Sessions::default();
        let first = sessions.open("A", T0).unwrap();
        assert_eq!(sessions.find(&first, T0).unwrap().name, "A");
        assert_eq!(sessions.find(&first, T0 + SESSION), None);
        for n in 0..MOST_SESSIONS {
            let millis = i64::try_from(n).unwrap() + 1;
            sessions.open("B", T0 + Span::from_millis(millis)).unwrap();
        }
        assert_eq!(sessions.find(&first, T0), None, "the oldest made room");
        assert_eq!(sessions.inner().sessions.len(), MOST_SESSIONS);
    }

    #[test]
    fn guessing_has_to_wait_longer_and_longer() {
        let sessions = Sessions::default();
        let from = IpAddr::from([192, 0, 2, 1]);
        let mut waits = Vec::new();
        for _ in 0..12 {
            sessions.tried(from, false, T0);
            waits.push(sessions.wait_s(from, T0));
        }
        assert_eq!(waits, [0, 0, 0, 2, 4, 8, 16, 32, 60, 60, 60, 60]);
        assert_eq!(sessions.wait_s(IpAddr::from([192, 0, 2, 2]), T0), 0);
        sessions.tried(from, true, T0);
        assert_eq!(sessions.wait_s(from, T0), 0);
    }
}
