//! Wall and monotonic time: the only file that reads either.
//!
//! Monotonic time measures, wall time labels. Every reading compares the two: when the wall clock
//! has moved by more than [`STEP`] against the monotonic one, it was stepped, and a new clock epoch
//! begins. A slow correction (a slewing time service) is followed without a new epoch. A wall clock
//! before 2024 is that of a box without a battery clock: its time is not known.

use std::fmt;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use crate::time::{Monotonic, Span, Stamp, Timestamp};

/// A change of the wall clock against the monotonic clock beyond this is a step.
pub const STEP: Span = Span::from_millis(2_000);

/// 2024-01-01T00:00:00Z: a wall clock that says an earlier time was never set.
const EARLIEST_KNOWN: Timestamp = Timestamp::from_millis(1_704_067_200_000);

/// Two readings of the monotonic clock around one of the wall clock must lie this close, or the
/// three were torn apart by the scheduler and are taken again.
const TEAR: Span = Span::from_millis(50);

/// Source of every stamp.
pub trait Clock: Send + Sync + fmt::Debug {
    /// The time now.
    fn now(&self) -> Stamp;

    /// The step of the wall clock seen since this was last asked, if there was one.
    fn take_step(&self) -> Option<ClockStep>;
}

/// A step of the wall clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockStep {
    /// When it was seen; the first stamp of the new epoch.
    pub at: Stamp,
    /// What the wall clock would have said; none when the time was not known before.
    pub expected: Option<Timestamp>,
    /// What it says; none when the time is no longer known.
    pub now: Option<Timestamp>,
}

/// The clocks of the machine.
///
/// The monotonic clock stands still while the machine is suspended; waking then shows as a step.
#[derive(Debug)]
pub struct SystemClock {
    origin: Instant,
    boot: u64,
    comparison: Mutex<Comparison>,
}

impl SystemClock {
    /// Starts a run of its own: monotonic time from zero, a boot id drawn at random, epoch 0.
    #[must_use]
    #[expect(
        clippy::disallowed_methods,
        reason = "this is the file that reads time"
    )]
    pub fn new() -> Self {
        let origin = Instant::now();
        // Without a source of randomness the wall clock and process id still tell runs apart.
        let boot = getrandom::u64().unwrap_or_else(|_| {
            let since = SystemTime::now()
                .duration_since(UNIX_EPOCH)
                .unwrap_or_default();
            u64::from(since.subsec_nanos()) << 32 ^ since.as_secs() ^ u64::from(std::process::id())
        });
        Self {
            origin,
            boot,
            comparison: Mutex::default(),
        }
    }

    fn monotonic(&self) -> Monotonic {
        Monotonic(i64::try_from(self.origin.elapsed().as_millis()).unwrap_or(i64::MAX))
    }

    /// Both clocks at one instant.
    fn read(&self) -> (Monotonic, Option<Timestamp>) {
        let mut monotonic = self.monotonic();
        for _ in 0..8 {
            let wall = wall();
            let after = self.monotonic();
            if after - monotonic <= TEAR {
                return (monotonic, wall);
            }
            monotonic = after;
        }
        (monotonic, wall())
    }
}

impl Default for SystemClock {
    fn default() -> Self {
        Self::new()
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Stamp {
        let mut comparison = lock(&self.comparison);
        // Read under the lock, so that stamps never run backwards between tasks.
        let (monotonic, utc) = self.read();
        comparison.compare(monotonic, utc, self.boot)
    }

    fn take_step(&self) -> Option<ClockStep> {
        lock(&self.comparison).step.take()
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "this is the file that reads time"
)]
fn wall() -> Option<Timestamp> {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).ok()?;
    let at = Timestamp::from_millis(i64::try_from(since.as_millis()).ok()?);
    (at >= EARLIEST_KNOWN).then_some(at)
}

/// A panic while holding the lock leaves plain numbers behind, which stay usable.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Wall time compared with monotonic time from reading to reading.
#[derive(Debug, Default)]
struct Comparison {
    last: Option<Stamp>,
    epoch: u32,
    step: Option<ClockStep>,
}

impl Comparison {
    fn compare(&mut self, monotonic: Monotonic, utc: Option<Timestamp>, boot: u64) -> Stamp {
        let expected = self
            .last
            .and_then(|last| last.utc.map(|then| then + (monotonic - last.monotonic)));
        let stepped = match (self.last, expected, utc) {
            (None, ..) | (_, None, None) => false,
            (_, Some(expected), Some(now)) => (now - expected).millis().abs() > STEP.millis(),
            (_, Some(_), None) | (_, None, Some(_)) => true,
        };
        if stepped {
            self.epoch = self.epoch.saturating_add(1);
        }
        let stamp = Stamp {
            utc,
            monotonic,
            boot,
            epoch: self.epoch,
        };
        if stepped {
            // A second step before anyone asked: from what the clock said before the first.
            let expected = self.step.take().map_or(expected, |first| {
                first
                    .expected
                    .map(|then| then + (monotonic - first.at.monotonic))
            });
            self.step = Some(ClockStep {
                at: stamp,
                expected,
                now: utc,
            });
        }
        self.last = Some(stamp);
        stamp
    }
}

/// A clock that stands still until told otherwise: virtual time, and tests.
#[derive(Debug)]
pub struct ManualClock {
    state: Mutex<Manual>,
}

#[derive(Debug)]
struct Manual {
    utc: Option<Timestamp>,
    monotonic: Monotonic,
    boot: u64,
    comparison: Comparison,
}

impl ManualClock {
    /// Stands at that wall time, at monotonic time zero.
    #[must_use]
    pub fn new(utc: Option<Timestamp>, boot: u64) -> Self {
        Self {
            state: Mutex::new(Manual {
                utc,
                monotonic: Monotonic(0),
                boot,
                comparison: Comparison::default(),
            }),
        }
    }

    /// Lets time pass on both clocks.
    pub fn advance(&self, span: Span) {
        let mut state = lock(&self.state);
        state.monotonic = state.monotonic + span;
        state.utc = state.utc.map(|utc| utc + span);
    }

    /// Sets the wall clock alone.
    pub fn set_wall(&self, utc: Option<Timestamp>) {
        lock(&self.state).utc = utc;
    }
}

impl Clock for ManualClock {
    fn now(&self) -> Stamp {
        let mut state = lock(&self.state);
        let Manual {
            utc,
            monotonic,
            boot,
            ..
        } = *state;
        state.comparison.compare(monotonic, utc, boot)
    }

    fn take_step(&self) -> Option<ClockStep> {
        lock(&self.state).comparison.step.take()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOON: Timestamp = Timestamp::from_millis(1_795_600_000_000);

    #[test]
    fn follows_a_slewing_clock_without_a_new_epoch() {
        let clock = ManualClock::new(Some(NOON), 1);
        clock.now();
        // 100 s of correction in all, never more than 1 s between two readings.
        for _ in 0..100 {
            clock.advance(Span::from_seconds(60.0));
            let wall = clock.now().utc.unwrap();
            clock.set_wall(Some(wall + Span::from_seconds(1.0)));
            assert_eq!(clock.now().epoch, 0);
        }
        assert_eq!(clock.take_step(), None);
    }

    #[test]
    fn a_step_begins_a_new_epoch_and_is_told_once() {
        let clock = ManualClock::new(Some(NOON), 1);
        clock.now();
        clock.advance(Span::from_seconds(10.0));
        clock.set_wall(Some(NOON));
        let stamp = clock.now();
        assert_eq!(stamp.epoch, 1);
        assert_eq!(
            clock.take_step(),
            Some(ClockStep {
                at: stamp,
                expected: Some(NOON + Span::from_seconds(10.0)),
                now: Some(NOON),
            })
        );
        assert_eq!(clock.take_step(), None);
        assert_eq!(clock.now().epoch, 1);
    }

    #[test]
    fn a_clock_that_is_set_late_steps_from_not_known() {
        let clock = ManualClock::new(None, 1);
        assert_eq!(clock.now().utc, None);
        clock.advance(Span::HOUR);
        clock.set_wall(Some(NOON));
        assert_eq!(clock.now().epoch, 1);
        let step = clock.take_step().unwrap();
        assert_eq!((step.expected, step.now), (None, Some(NOON)));
    }

    #[test]
    fn two_unasked_steps_count_from_before_the_first() {
        let clock = ManualClock::new(Some(NOON), 1);
        clock.now();
        clock.set_wall(Some(NOON + Span::DAY));
        clock.now();
        clock.advance(Span::from_seconds(5.0));
        clock.set_wall(Some(NOON + Span::from_seconds(8.0)));
        assert_eq!(clock.now().epoch, 2);
        let step = clock.take_step().unwrap();
        assert_eq!(step.expected, Some(NOON + Span::from_seconds(5.0)));
        assert_eq!(step.now, Some(NOON + Span::from_seconds(8.0)));
    }

    #[test]
    fn the_machine_clock_runs_and_tells_runs_apart() {
        let (one, other) = (SystemClock::new(), SystemClock::new());
        let first = one.now();
        let second = one.now();
        assert!(second.monotonic >= first.monotonic);
        assert_eq!(first.boot, second.boot);
        assert_ne!(first.boot, other.now().boot);
    }
}
