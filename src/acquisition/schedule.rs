//! When each block of a device is due: a fixed grid by monotonic time.
//!
//! A block is due at its phase plus whole multiples of its interval, however long the reads take,
//! so intervals do not drift. A device too slow for its grid skips to the next grid point; missed
//! points are counted and never made up for in a burst.

use crate::time::{Monotonic, Span};

/// Shortest interval that is kept; a shorter one would spin.
pub const SHORTEST_INTERVAL: Span = Span::from_millis(10);

/// First polls of the devices are spread over this time, or over the interval if it is shorter.
const SPREAD: Span = Span::from_millis(1_000);

/// The grid of one device's blocks.
#[derive(Debug, Clone)]
pub struct Schedule {
    blocks: Vec<Due>,
}

#[derive(Debug, Clone, Copy)]
struct Due {
    at: Monotonic,
    interval: Span,
}

impl Schedule {
    /// A grid for blocks of those intervals. Blocks of one interval stay together, so that a device
    /// reads them as one picture; `seed` moves the whole device against others.
    #[must_use]
    pub fn new(intervals: impl IntoIterator<Item = Span>, start: Monotonic, seed: u64) -> Self {
        let blocks = intervals
            .into_iter()
            .map(|interval| {
                let interval = interval.max(SHORTEST_INTERVAL);
                let spread = interval.min(SPREAD).millis().unsigned_abs();
                let phase = i64::try_from(seed % spread.max(1)).unwrap_or(0);
                Due {
                    at: start + Span::from_millis(phase),
                    interval,
                }
            })
            .collect();
        Self { blocks }
    }

    /// The block that is due first, and when; none without blocks. Of blocks due together the
    /// first in order comes first.
    #[must_use]
    pub fn next(&self) -> Option<(usize, Monotonic)> {
        self.blocks
            .iter()
            .enumerate()
            .min_by_key(|(_, due)| due.at)
            .map(|(index, due)| (index, due.at))
    }

    /// The block was dealt with: moves it to its first grid point after `now` and says how many
    /// grid points were passed over.
    pub fn done(&mut self, index: usize, now: Monotonic) -> u64 {
        let Some(due) = self.blocks.get_mut(index) else {
            return 0;
        };
        let late = (now - due.at).millis().max(0);
        let passed = late / due.interval.millis();
        due.at = due.at + Span::from_millis((passed + 1).saturating_mul(due.interval.millis()));
        passed.unsigned_abs()
    }

    /// Gives up every grid point of any block that a later one has already replaced, and says how
    /// many those were. What is due now stays due.
    pub fn pass_over(&mut self, now: Monotonic) -> u64 {
        let mut passed_over = 0;
        for due in &mut self.blocks {
            let passed = (now - due.at).millis().max(0) / due.interval.millis();
            due.at = due.at + Span::from_millis(passed.saturating_mul(due.interval.millis()));
            passed_over += passed.unsigned_abs();
        }
        passed_over
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seconds(s: f64) -> Span {
        Span::from_seconds(s)
    }

    #[test]
    fn keeps_its_grid_whatever_a_read_takes() {
        let start = Monotonic(5_000);
        let mut schedule = Schedule::new([seconds(10.0)], start, 0);
        let mut due = Vec::new();
        for k in 0..20_i64 {
            let (index, at) = schedule.next().unwrap();
            due.push(at);
            // Reads take anything below the interval.
            let passed = schedule.done(index, at + Span::from_millis(37 * k % 9_999));
            assert_eq!(passed, 0);
        }
        for (k, at) in (0_i64..).zip(due) {
            assert_eq!(at, start + Span::from_millis(10_000 * k));
        }
    }

    #[test]
    fn skips_missed_grid_points_and_never_bursts() {
        let mut schedule = Schedule::new([seconds(1.0)], Monotonic(0), 0);
        assert_eq!(schedule.done(0, Monotonic(3_400)), 3);
        assert_eq!(schedule.next(), Some((0, Monotonic(4_000))));
        // Finished exactly on a grid point: that point has passed.
        assert_eq!(schedule.done(0, Monotonic(5_000)), 1);
        assert_eq!(schedule.next(), Some((0, Monotonic(6_000))));
    }

    #[test]
    fn a_slow_block_does_not_starve_the_others() {
        let mut schedule =
            Schedule::new([seconds(1.0), seconds(1.0), seconds(10.0)], Monotonic(0), 0);
        let mut now = Monotonic(0);
        let mut taken = [0_u32; 3];
        while now < Monotonic(60_000) {
            let (index, at) = schedule.next().unwrap();
            now = now.max(at) + seconds(1.5);
            schedule.done(index, now);
            taken[index] += 1;
        }
        assert_eq!(taken.iter().sum::<u32>(), 40);
        assert!(taken[2] >= 5, "{taken:?}");
        assert!(taken[0].abs_diff(taken[1]) <= 1, "{taken:?}");
    }

    #[test]
    fn spreads_devices_but_within_a_second() {
        let phases: std::collections::BTreeSet<_> = ["IO-1", "IO-2", "IO-3", "PLC-1"]
            .map(|id| {
                let seed = crate::backoff::seed_of(id);
                let (_, at) = Schedule::new([seconds(10.0)], Monotonic(0), seed)
                    .next()
                    .unwrap();
                assert!(at < Monotonic(1_000));
                at
            })
            .into();
        assert_eq!(phases.len(), 4);
    }

    #[test]
    fn passes_over_what_a_later_point_replaced() {
        let mut schedule = Schedule::new([seconds(1.0), seconds(10.0)], Monotonic(0), 0);
        assert_eq!(schedule.pass_over(Monotonic(3_500)), 3);
        assert_eq!(schedule.next(), Some((1, Monotonic(0))));
        schedule.done(1, Monotonic(3_500));
        assert_eq!(schedule.next(), Some((0, Monotonic(3_000))));
    }

    #[test]
    fn never_spins_on_an_interval_of_nothing() {
        let mut schedule = Schedule::new([Span::ZERO], Monotonic(0), 3);
        let (index, at) = schedule.next().unwrap();
        schedule.done(index, at);
        assert!(schedule.next().unwrap().1 > at);
        assert!(Schedule::new([], Monotonic(0), 0).next().is_none());
    }
}
