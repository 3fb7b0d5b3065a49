//! An outbox in memory that holds its reader to the contract, and invented items to put in.

use std::sync::{Arc, Mutex};

use coldledger::engine::{
    Actor, AlarmState, AlarmTransition, ExcessLoss, LedgerEntry, LossRate, LossReport, MassFigure,
    Provenance, WindowBalance,
};
use coldledger::plant::{AlarmClass, Booking, BookingKind, DescriptionHash, Priority, Stated};
use coldledger::publish::{
    AlarmMessage, Batch, ChannelFigure, Delivered, Item, MassOf, Outbox, OutboxError,
};
use coldledger::quantity::{Mass, Quality, Reason};
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};

/// Where the invented items begin: 2025-01-01T00:00:00Z.
pub const START: Timestamp = Timestamp::from_millis(1_735_689_600_000);

/// Shared between the delivery and the test.
#[derive(Clone, Default)]
pub struct Memory(Arc<Mutex<State>>);

#[derive(Default)]
struct State {
    log: Vec<Delivered>,
    head: u64,
    cursor: u64,
    looks: u64,
}

impl Memory {
    pub fn commit(&self, items: impl IntoIterator<Item = Delivered>) {
        let mut state = self.0.lock().unwrap();
        state.log.extend(items);
        state.head = state.log.last().map_or(0, |item| item.seq);
    }

    /// Positions without items.
    pub fn commit_through(&self, head: u64) {
        self.0.lock().unwrap().head = head;
    }

    pub fn position(&self) -> u64 {
        self.0.lock().unwrap().cursor
    }

    pub fn log(&self) -> Vec<Delivered> {
        self.0.lock().unwrap().log.clone()
    }

    /// Waits for the cursor, at most so many seconds.
    pub async fn delivered_through(&self, seq: u64, seconds: u64) {
        let waited = tokio::time::timeout(std::time::Duration::from_secs(seconds), async {
            while self.position() < seq {
                tokio::time::sleep(std::time::Duration::from_millis(20)).await;
            }
        });
        assert!(
            waited.await.is_ok(),
            "delivered to {} instead of {seq} within {seconds} s",
            self.position()
        );
    }
}

impl Outbox for Memory {
    fn after(&mut self, seq: u64, limit: usize) -> Result<Batch, OutboxError> {
        let mut state = self.0.lock().unwrap();
        assert!(seq >= state.cursor, "reads behind its own cursor");
        state.looks += 1;
        let begin = state.log.partition_point(|item| item.seq <= seq);
        let mut end = state.log.len().min(begin + limit);
        while end > begin
            && state
                .log
                .get(end)
                .is_some_and(|n| n.seq == state.log[end - 1].seq)
        {
            end += 1;
        }
        let through = if end == state.log.len() {
            state.head.max(seq)
        } else {
            state.log[end - 1].seq
        };
        Ok(Batch {
            items: state.log[begin..end].to_vec(),
            through,
            head: state.head,
        })
    }

    fn advance(&mut self, seq: u64) -> Result<(), OutboxError> {
        let mut state = self.0.lock().unwrap();
        assert!(seq >= state.cursor, "the cursor went back");
        assert!(seq <= state.head, "the cursor went past the log");
        state.cursor = seq;
        Ok(())
    }

    fn cursor(&self) -> u64 {
        self.position()
    }
}

pub fn delivered(seq: u64, item: Item) -> Delivered {
    let millis = i64::try_from(seq).unwrap() * 100;
    Delivered {
        seq,
        stamp: Stamp {
            utc: Some(START + Span::from_millis(millis)),
            monotonic: Monotonic(millis),
            boot: 1,
            epoch: 2,
        },
        provenance: Arc::new(Provenance {
            revision: 1,
            description: DescriptionHash([0xab; 32]),
            engine: "0.1.0".into(),
        }),
        item,
    }
}

pub fn channel(id: &str, value: f64) -> Item {
    Item::Channel(ChannelFigure {
        id: id.into(),
        value: Some(value),
        std: Some(0.012),
        unit: "K".into(),
        quality: Quality::Good,
        reason: Reason::None,
    })
}

pub fn mass(of: MassOf, kg: f64) -> Item {
    Item::Mass(
        of,
        MassFigure {
            mass_kg: kg,
            std_kg: 1.75,
            quality: Quality::Uncertain,
            reason: Reason::Substituted,
        },
    )
}

pub fn loss(section: Option<&str>) -> Item {
    Item::Loss(LossReport {
        section: section.map(Into::into),
        windows: vec![WindowBalance {
            over: Span::DAY,
            from: Some(START),
            opening_kg: 1200.0,
            received_kg: 25.0,
            dispatched_kg: 5.0,
            closing_kg: 1216.5,
            unaccounted_kg: 3.5,
            std_kg: 0.8,
            accepted_kg: 0.4,
            excess_kg: 3.1,
            excess_std_kg: 0.82,
            decision_threshold_kg: 1.35,
            detection_limit_kg: 2.7,
            coverage: 0.98,
            doubtful_vessels: vec!["S1-BATH".into()],
        }],
        rate: Some(LossRate {
            over: Span::DAY,
            rate_kg_per_s: 4.32 / 86_400.0,
            std_kg_per_s: 0.864 / 86_400.0,
            decision_threshold_kg_per_s: 1.0 / 86_400.0,
            detection_limit_kg_per_s: 2.0 / 86_400.0,
            white_std_kg: 0.5,
            correlated_std_kg: 0.7,
            correlation_time_s: 3600.0,
            daily_wave_kg: 2.0,
        }),
        excess: Some(ExcessLoss {
            raised: true,
            since: Some(START),
            since_band: Some((START - Span::HOUR, START + Span::HOUR)),
            excess_kg_per_s: 3.9 / 86_400.0,
            std_kg_per_s: 0.9 / 86_400.0,
            lost_kg: 7.5,
            lost_std_kg: 1.1,
        }),
        accepted_kg_per_s: (0.4 / 86_400.0, 0.1 / 86_400.0),
    })
}

pub fn alarm(id: &str, to: AlarmState) -> Item {
    Item::Alarm(Box::new(AlarmMessage {
        transition: AlarmTransition {
            alarm: id.into(),
            from: AlarmState::Normal,
            to,
            detail: "bath pressure 1.62 bar(a)".to_owned(),
            actor: None,
        },
        name: "Bath pressure high".to_owned(),
        class: AlarmClass::Alarm,
        priority: Priority::High,
        cause: "Return line shut".to_owned(),
        consequence: "The relief valve opens".to_owned(),
        response: "Open the return line".to_owned(),
        time_to_respond: Span::from_seconds(600.0),
        caution: "Cold gas at the relief outlet".to_owned(),
    }))
}

pub fn booked(id: &str) -> Item {
    Item::Booked(LedgerEntry {
        id: id.into(),
        booking: Booking {
            effective_at: START,
            over: Span::HOUR,
            kind: BookingKind::Dispatch,
            mass: Stated {
                value: Mass::new(12.5),
                std: 0.2,
            },
            author: "J. Example".to_owned(),
            note: "portable vessel 3".to_owned(),
            section: None,
        },
        supersedes: None,
        actor: Actor {
            name: "J. Example".to_owned(),
            place: "command line".to_owned(),
        },
    })
}

/// A small position as a number.
pub fn number(seq: u64) -> f64 {
    u32::try_from(seq).unwrap().into()
}
