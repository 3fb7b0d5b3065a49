//! How a delivery is doing, for the box-health page.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::sync::{Mutex, MutexGuard, PoisonError};

use serde::Serialize;

use crate::time::{Stamp, Timestamp};

/// Counters of one destination; written by its delivery, read by anyone.
#[derive(Debug, Default)]
pub struct LinkHealth {
    connected: AtomicBool,
    cursor: AtomicU64,
    head: AtomicU64,
    delivered: AtomicU64,
    set_aside: AtomicU64,
    undated: AtomicU64,
    failures: AtomicU64,
    text: Mutex<Text>,
}

#[derive(Debug, Default)]
struct Text {
    last_error: String,
    needs_a_person: bool,
    last_set_aside: String,
    last_success: Option<Stamp>,
}

/// The counters at one instant.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LinkReport {
    /// The destination answers.
    pub connected: bool,
    /// Everything up to this position is delivered.
    pub cursor: u64,
    /// Positions committed but not yet delivered.
    pub lag: u64,
    /// Items delivered since the start, repeats counted again.
    pub delivered: u64,
    /// Items that the destination will never take (too large, refused by themselves), given up.
    pub set_aside: u64,
    /// Items left out because their wall time is not known and the destination files by time.
    pub undated: u64,
    /// Attempts that failed since the start.
    pub failures: u64,
    /// The last error in words; empty while all is well.
    pub last_error: String,
    /// The error does not go away by itself: a password, a permission, a name is wrong.
    pub needs_a_person: bool,
    /// Why an item was last given up; empty when none was.
    pub last_set_aside: String,
    /// Wall time of the last success, when known.
    pub last_success: Option<Timestamp>,
}

impl LinkHealth {
    /// The counters now.
    #[must_use]
    pub fn report(&self) -> LinkReport {
        let text = self.text();
        let cursor = self.cursor.load(Relaxed);
        LinkReport {
            connected: self.connected.load(Relaxed),
            cursor,
            lag: self.head.load(Relaxed).saturating_sub(cursor),
            delivered: self.delivered.load(Relaxed),
            set_aside: self.set_aside.load(Relaxed),
            undated: self.undated.load(Relaxed),
            failures: self.failures.load(Relaxed),
            last_error: text.last_error.clone(),
            needs_a_person: text.needs_a_person,
            last_set_aside: text.last_set_aside.clone(),
            last_success: text.last_success.and_then(|stamp| stamp.utc),
        }
    }

    pub(super) fn position(&self, cursor: u64) {
        self.cursor.store(cursor, Relaxed);
    }

    pub(super) fn head(&self, head: u64) {
        self.head.store(head, Relaxed);
    }

    pub(super) fn succeeded(&self, items: u64, now: Stamp) {
        self.connected.store(true, Relaxed);
        self.delivered.fetch_add(items, Relaxed);
        let mut text = self.text();
        text.last_success = Some(now);
        text.last_error.clear();
        text.needs_a_person = false;
    }

    /// An attempt failed, or a delivery cannot begin, and why.
    pub fn failed(&self, error: String, needs_a_person: bool) {
        self.connected.store(false, Relaxed);
        self.failures.fetch_add(1, Relaxed);
        let mut text = self.text();
        text.last_error = error;
        text.needs_a_person = needs_a_person;
    }

    pub(super) fn set_aside(&self, why: String) {
        self.set_aside.fetch_add(1, Relaxed);
        self.text().last_set_aside = why;
    }

    pub(super) fn undated(&self, items: u64) {
        self.undated.fetch_add(items, Relaxed);
    }

    pub(super) fn stopped(&self) {
        self.connected.store(false, Relaxed);
    }

    /// A panic while holding the lock leaves whole values behind, which stay usable.
    fn text(&self) -> MutexGuard<'_, Text> {
        self.text.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
