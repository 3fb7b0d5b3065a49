//! A stretch of past in virtual time, as the events that a poller and a sequencer would have made.

use std::collections::VecDeque;
use std::sync::Arc;

use coldledger::engine::event::{EventKind, Poll, TICK};
use coldledger::plant::{PollBlock, poll_plan};
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};

use crate::virtual_plant::VirtualPlant;

/// The events from the plant's present up to and including `until`, on the 10 s grid: ledger
/// entries made since, each block that is due, then the tick.
///
/// `boot` is the run of the daemon that the events belong to; monotonic time counts from the
/// plant's start.
pub fn events(plant: &mut VirtualPlant, until: Timestamp, boot: u64) -> Past<'_> {
    let from = plant.now();
    events_every(plant, (from, until), TICK, boot)
}

/// As [`events`], with a tick only every so often: for plants that are read as seldom. The first
/// tick comes at `from`.
pub fn events_every(
    plant: &mut VirtualPlant,
    (from, until): (Timestamp, Timestamp),
    tick: Span,
    boot: u64,
) -> Past<'_> {
    let blocks = poll_plan(plant.plant())
        .into_iter()
        .map(|block| (block, None))
        .collect();
    Past {
        blocks,
        next: from,
        tick,
        until,
        boot,
        ready: VecDeque::new(),
        plant,
    }
}

/// See [`events`].
#[derive(Debug)]
pub struct Past<'a> {
    plant: &'a mut VirtualPlant,
    blocks: Vec<(PollBlock, Option<Timestamp>)>,
    next: Timestamp,
    tick: Span,
    until: Timestamp,
    boot: u64,
    ready: VecDeque<(Stamp, EventKind)>,
}

impl Past<'_> {
    /// The plant as it now is.
    #[must_use]
    pub fn plant(&self) -> &VirtualPlant {
        self.plant
    }

    fn grid_point(&mut self) {
        let at = self.next;
        self.next = at + self.tick;
        self.plant.advance(at - self.plant.now());
        let since_start = at - self.plant.start();
        let stamp = Stamp {
            utc: Some(at),
            monotonic: Monotonic::default() + since_start,
            boot: self.boot,
            epoch: 0,
        };
        for entry in self.plant.take_bookings() {
            self.ready.push_back((stamp, EventKind::Ledger(entry)));
        }
        for action in self.plant.take_actions() {
            self.ready.push_back((stamp, EventKind::Action(action)));
        }
        for (block, last) in &mut self.blocks {
            let is_due = last.is_none_or(|last: Timestamp| at - last >= block.interval);
            if !is_due {
                continue;
            }
            *last = Some(at);
            let words = self.plant.read_device(
                block.device,
                block.key.table,
                block.key.address,
                block.key.words,
            );
            let poll = Poll {
                block: Arc::clone(&block.key),
                words,
            };
            self.ready.push_back((stamp, EventKind::Poll(poll)));
        }
        self.ready.push_back((stamp, EventKind::Tick));
    }
}

impl Iterator for Past<'_> {
    type Item = (Stamp, EventKind);

    fn next(&mut self) -> Option<Self::Item> {
        if self.ready.is_empty() && self.next <= self.until {
            self.grid_point();
        }
        self.ready.pop_front()
    }
}

/// Ten days, the past that the demo begins with.
pub const DEMO_PAST: Span = Span::from_millis(10 * 86_400_000);
