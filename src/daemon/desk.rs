//! The loop that owns the recorder: polls, ticks and people's requests in, pictures out.
//!
//! It runs on a thread of its own, since committing blocks on the disk. One owner, no lock: the
//! pages see immutable pictures, and what people ask for comes through a bounded queue and is
//! answered only once it is on record.

use std::collections::BTreeMap;
use std::sync::Arc;

use tokio::sync::{mpsc, watch};
use tokio::time::{Duration, MissedTickBehavior};
use tokio_util::sync::CancellationToken;

use super::health::RecordState;
use super::recorder::Recorder;
use crate::acquisition::{DeviceHealth, Polled};
use crate::clock::Clock;
use crate::console::{DeskKind, DeskRequest, Receipt, Refusal};
use crate::engine::{EventKind, OutcomeKind, TICK, View};
use crate::plant::Id;
use crate::time::Stamp;

/// What the loop is given and where its pictures go.
pub struct Desk {
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// Polls of every device.
    pub polls: mpsc::Receiver<Polled>,
    /// What people ask for.
    pub requests: mpsc::Receiver<DeskRequest>,
    /// The engine's picture after each tick.
    pub view: watch::Sender<Arc<View>>,
    /// How recording goes.
    pub record: watch::Sender<RecordState>,
    /// Counters of the devices: polls that were left out are put on record.
    pub devices: BTreeMap<Id, Arc<DeviceHealth>>,
    /// Ends the loop once the polls have ended too.
    pub stop: CancellationToken,
}

impl Desk {
    /// Runs until stopped, then takes what is still queued, so that nothing read is lost.
    pub async fn run(mut self, recorder: &mut Recorder) {
        let mut ticks = tokio::time::interval(to_std(TICK));
        ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
        let stop = self.stop.clone();
        loop {
            tokio::select! {
                biased;
                () = stop.cancelled() => break,
                Some(request) = self.requests.recv() => self.serve(recorder, request),
                _ = ticks.tick() => self.tick(recorder),
                Some(polled) = self.polls.recv() => {
                    recorder.feed(polled.stamp, EventKind::Poll(polled.poll));
                }
            }
        }
        self.polls.close();
        while let Some(polled) = self.polls.recv().await {
            recorder.feed(polled.stamp, EventKind::Poll(polled.poll));
        }
    }

    fn tick(&mut self, recorder: &mut Recorder) {
        let stamp = self.clock.now();
        if let Some(step) = self.clock.take_step() {
            let kind = EventKind::ClockStepped {
                expected: step.expected,
                now: step.now,
            };
            recorder.feed(step.at, kind);
        }
        for health in self.devices.values() {
            if let Some(left_out) = health.take_not_polled() {
                let kind = EventKind::NotPolled {
                    polls: left_out.polls,
                    since: left_out.since,
                };
                recorder.feed(stamp, kind);
            }
        }
        recorder.feed(stamp, EventKind::Tick);
        self.show(recorder, stamp);
        // Fed only after the engine has made progress: a hung engine is restarted.
        if let Err(error) = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]) {
            tracing::debug!(%error, "the service manager was not told");
        }
    }

    fn serve(&mut self, recorder: &mut Recorder, request: DeskRequest) {
        let stamp = self.clock.now();
        let kind = match request.kind {
            DeskKind::Act(action) => EventKind::Action(action),
            DeskKind::Book(entry) => EventKind::Ledger(entry),
        };
        let answer = match recorder.feed_recorded(stamp, kind) {
            Ok(outcomes) => {
                let refused = outcomes.iter().find_map(|outcome| match &outcome.kind {
                    OutcomeKind::Refused { why, .. } => Some(why.clone()),
                    _ => None,
                });
                match refused {
                    None => Ok(Receipt {
                        seq: recorder.engine().seq(),
                    }),
                    Some(problem) => Err(Refusal {
                        problem,
                        what_to_do: "Mend the request and send it again".to_owned(),
                    }),
                }
            }
            Err(not_recorded) => Err(Refusal {
                problem: not_recorded.to_string(),
                what_to_do: "Look at Box health; ask again once it is recording".to_owned(),
            }),
        };
        self.show(recorder, stamp);
        // Someone who has hung up misses only the answer: what was done is on record.
        if request.reply.send(answer).is_err() {
            tracing::info!("the person who asked has left before the answer");
        }
    }

    fn show(&mut self, recorder: &Recorder, stamp: Stamp) {
        self.view.send_replace(Arc::new(recorder.engine().view()));
        self.record.send_modify(|record| {
            let durable_seq = recorder.durable_seq();
            if durable_seq != record.durable_seq {
                record.committed = Some(stamp);
            }
            *record = RecordState {
                committed: record.committed,
                ..record_state(recorder)
            };
        });
    }
}

/// What the recorder says of itself.
#[must_use]
pub fn record_state(recorder: &Recorder) -> RecordState {
    RecordState {
        seq: recorder.engine().seq(),
        durable_seq: recorder.durable_seq(),
        committed: None,
        not_recording_because: recorder.not_recording_because().map(str::to_owned),
        description: recorder.engine().plant().hash.to_string(),
        notes: recorder.opened().notes.clone(),
    }
}

fn to_std(span: crate::time::Span) -> Duration {
    Duration::from_millis(u64::try_from(span.millis()).unwrap_or(1))
}
