//! One monotonic time that goes on across restarts, which delays, rates and filters use.

use serde::{Deserialize, Serialize};

use crate::time::{Monotonic, Span, Stamp, Timestamp};

/// Continuous time made from stamps.
///
/// Within a boot it follows the monotonic clock; over a restart it follows the wall clock where both
/// readings are known and not reversed, else it stands still. It begins at the first wall time, so
/// that grids fall on round times of the day as long as the clock is not stepped.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Continuous {
    now: Monotonic,
    last: Option<Stamp>,
}

impl Continuous {
    /// Takes a stamp; the time it stands for. Never goes back.
    pub fn advance(&mut self, stamp: Stamp) -> Monotonic {
        match self.last {
            None => self.now = Monotonic(stamp.utc.map_or(0, Timestamp::millis)),
            Some(last) if last.boot == stamp.boot => {
                self.now = self.now + (stamp.monotonic - last.monotonic).max(Span::ZERO);
            }
            Some(last) => {
                if let (Some(before), Some(after)) = (last.utc, stamp.utc) {
                    self.now = self.now + (after - before).max(Span::ZERO);
                }
            }
        }
        // A stamp that is older than the last must not make the next step count twice.
        let older = self
            .last
            .is_some_and(|last| last.boot == stamp.boot && stamp.monotonic < last.monotonic);
        if !older {
            self.last = Some(stamp);
        }
        self.now
    }

    /// The time of the last stamp.
    #[must_use]
    pub fn now(&self) -> Monotonic {
        self.now
    }

    /// Wall time of the last stamp.
    #[must_use]
    pub fn utc(&self) -> Option<Timestamp> {
        self.last.and_then(|stamp| stamp.utc)
    }

    /// Clock epoch of the last stamp.
    #[must_use]
    pub fn epoch(&self) -> u32 {
        self.last.map_or(0, |stamp| stamp.epoch)
    }

    /// What the wall clock would say at `then`, judged by the last stamp.
    #[must_use]
    pub fn utc_at(&self, then: Monotonic) -> Option<Timestamp> {
        self.utc().map(|utc| utc - (self.now - then))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamp(boot: u64, monotonic: i64, utc: Option<i64>) -> Stamp {
        Stamp {
            utc: utc.map(Timestamp::from_millis),
            monotonic: Monotonic(monotonic),
            boot,
            epoch: 0,
        }
    }

    #[test]
    fn follows_the_monotonic_clock_through_a_step_of_the_wall_clock() {
        let mut time = Continuous::default();
        assert_eq!(
            time.advance(stamp(1, 500, Some(1_000_000))),
            Monotonic(1_000_000)
        );
        assert_eq!(
            time.advance(stamp(1, 1_500, Some(9_000_000))),
            Monotonic(1_001_000)
        );
    }

    #[test]
    fn goes_on_over_a_restart_by_the_wall_clock_and_never_back() {
        let mut time = Continuous::default();
        time.advance(stamp(1, 500, Some(1_000_000)));
        assert_eq!(
            time.advance(stamp(2, 0, Some(1_060_000))),
            Monotonic(1_060_000)
        );
        assert_eq!(
            time.advance(stamp(3, 0, Some(900_000))),
            Monotonic(1_060_000)
        );
        assert_eq!(time.advance(stamp(4, 0, None)), Monotonic(1_060_000));
    }

    #[test]
    fn a_late_stamp_does_not_count_twice() {
        let mut time = Continuous::default();
        time.advance(stamp(1, 1_000, Some(0)));
        time.advance(stamp(1, 400, Some(0)));
        assert_eq!(time.advance(stamp(1, 2_000, Some(0))), Monotonic(1_000));
    }
}
