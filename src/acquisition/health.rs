//! What the polling of one device has been through since the start, for the box-health page.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::sync::{Mutex, MutexGuard, PoisonError};

use serde::Serialize;

use crate::time::{Span, Stamp};

/// Counters of one device; written by its poller, read by anyone.
#[derive(Debug, Default)]
pub struct DeviceHealth {
    connected: AtomicBool,
    requests: AtomicU64,
    answers: AtomicU64,
    exceptions: AtomicU64,
    timeouts: AtomicU64,
    resyncs: AtomicU64,
    connects: AtomicU64,
    failed_connects: AtomicU64,
    overruns: AtomicU64,
    not_polled: AtomicU64,
    answer_time_ms: AtomicU64,
    text: Mutex<Text>,
}

#[derive(Debug, Default)]
struct Text {
    last_fault: String,
    not_polled: Option<NotPolled>,
}

/// Polls that were left out because the queue to the history stayed full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NotPolled {
    /// How many.
    pub polls: u64,
    /// Since when.
    pub since: Stamp,
}

/// The counters at one instant.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct HealthReport {
    /// A connection stands.
    pub connected: bool,
    /// Requests sent.
    pub requests: u64,
    /// Requests answered with the registers asked for.
    pub answers: u64,
    /// Requests refused by the device with a Modbus exception.
    pub exceptions: u64,
    /// Requests without a whole answer in time.
    pub timeouts: u64,
    /// Connections dropped because a request failed on them.
    pub resyncs: u64,
    /// Connections made.
    pub connects: u64,
    /// Attempts to connect that failed.
    pub failed_connects: u64,
    /// Grid points passed over because the device was too slow for its intervals.
    pub overruns: u64,
    /// Polls left out because the queue to the history stayed full.
    pub not_polled: u64,
    /// Time from request to answer of the last answered request, ms.
    pub answer_time_ms: u64,
    /// The last fault in words; empty when there was none.
    pub last_fault: String,
}

impl DeviceHealth {
    /// The counters now.
    #[must_use]
    pub fn report(&self) -> HealthReport {
        HealthReport {
            connected: self.connected.load(Relaxed),
            requests: self.requests.load(Relaxed),
            answers: self.answers.load(Relaxed),
            exceptions: self.exceptions.load(Relaxed),
            timeouts: self.timeouts.load(Relaxed),
            resyncs: self.resyncs.load(Relaxed),
            connects: self.connects.load(Relaxed),
            failed_connects: self.failed_connects.load(Relaxed),
            overruns: self.overruns.load(Relaxed),
            not_polled: self.not_polled.load(Relaxed),
            answer_time_ms: self.answer_time_ms.load(Relaxed),
            last_fault: self.text().last_fault.clone(),
        }
    }

    /// Polls left out since this was last asked; the caller puts them on record.
    pub fn take_not_polled(&self) -> Option<NotPolled> {
        self.text().not_polled.take()
    }

    pub(super) fn count_request(&self) {
        self.requests.fetch_add(1, Relaxed);
    }

    pub(super) fn count_answer(&self, took: Span) {
        self.answers.fetch_add(1, Relaxed);
        let millis = u64::try_from(took.millis()).unwrap_or(0);
        self.answer_time_ms.store(millis, Relaxed);
    }

    pub(super) fn count_exception(&self, fault: String) {
        self.exceptions.fetch_add(1, Relaxed);
        self.text().last_fault = fault;
    }

    /// A request failed on a connection, which is therefore dropped.
    pub(super) fn count_resync(&self, timed_out: bool, fault: String) {
        if timed_out {
            self.timeouts.fetch_add(1, Relaxed);
        }
        self.resyncs.fetch_add(1, Relaxed);
        self.connected.store(false, Relaxed);
        self.text().last_fault = fault;
    }

    pub(super) fn count_connect(&self) {
        self.connects.fetch_add(1, Relaxed);
        self.connected.store(true, Relaxed);
    }

    pub(super) fn count_failed_connect(&self, fault: String) {
        self.failed_connects.fetch_add(1, Relaxed);
        self.text().last_fault = fault;
    }

    pub(super) fn disconnected(&self) {
        self.connected.store(false, Relaxed);
    }

    pub(super) fn count_overruns(&self, polls: u64) {
        self.overruns.fetch_add(polls, Relaxed);
    }

    pub(super) fn count_not_polled(&self, polls: u64, now: Stamp) {
        self.not_polled.fetch_add(polls, Relaxed);
        self.text()
            .not_polled
            .get_or_insert(NotPolled {
                polls: 0,
                since: now,
            })
            .polls += polls;
    }

    /// A panic while holding the lock leaves whole values behind, which stay usable.
    fn text(&self) -> MutexGuard<'_, Text> {
        self.text.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
