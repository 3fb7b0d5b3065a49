//! A made-up stream of events and outcomes: the same for the same position, of every kind.

use std::path::Path;
use std::sync::Arc;

use coldledger::engine::{
    Action, ActionKind, Actor, AlarmState, AlarmTransition, Event, EventKind, InventoryReport,
    LedgerEntry, LossReport, MassFigure, Outcome, OutcomeKind, Poll, PollFault, Provenance,
    WindowBalance,
};
use coldledger::history::{Recovery, Store, StoreSettings};
use coldledger::plant::{BlockKey, Booking, BookingKind, DescriptionHash, RegisterTable, Stated};
use coldledger::quantity::{Mass, Quality, Reason};
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};

pub const BEGIN: i64 = 1_795_590_000_000;

/// A well-mixed number from two others (splitmix64).
pub fn mix(a: u64, b: u64) -> u64 {
    let mut z = a
        .wrapping_mul(0x9E37_79B9_7F4A_7C15)
        .wrapping_add(b)
        .wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

pub fn settings() -> StoreSettings {
    StoreSettings {
        disk_budget_bytes: 1 << 40,
        commit_every: Span::from_millis(10_000),
    }
}

pub fn open(directory: &Path) -> (Store, Recovery) {
    let (mut store, recovery) = Store::open(directory, &settings()).unwrap();
    store.provenance(&provenance(0)).unwrap();
    (store, recovery)
}

pub fn provenance(which: u8) -> Provenance {
    Provenance {
        revision: 1,
        description: DescriptionHash([which; 32]),
        engine: "test".into(),
    }
}

pub fn blocks() -> Vec<Arc<BlockKey>> {
    [
        (1, RegisterTable::Holding),
        (3, RegisterTable::Input),
        (2, RegisterTable::Holding),
        (125, RegisterTable::Input),
    ]
    .into_iter()
    .zip(0u16..)
    .map(|((words, table), nth)| {
        Arc::new(BlockKey {
            device: format!("io-{nth}").into(),
            table,
            address: nth * 200,
            words,
        })
    })
    .collect()
}

pub fn stamp(seq: u64) -> Stamp {
    let boot = seq / 7_000;
    let millis = i64::try_from(seq).unwrap() * 357 + i64::try_from(mix(seq, 1) % 4).unwrap();
    let epoch = u32::try_from(seq / 3_000).unwrap();
    Stamp {
        // Every seventh thousand begins with an unknown wall clock; epochs step it back a little.
        utc: (seq % 7_000 > 40)
            .then(|| Timestamp::from_millis(BEGIN + millis - i64::from(epoch) * 20_000)),
        monotonic: Monotonic(millis - i64::try_from(boot).unwrap() * 2_000_000),
        boot: mix(boot, 9),
        epoch,
    }
}

fn actor() -> Actor {
    Actor {
        name: "R. Fell".to_owned(),
        place: "command line".to_owned(),
    }
}

fn entry(seq: u64) -> LedgerEntry {
    LedgerEntry {
        id: format!("delivery-{seq}").into(),
        booking: Booking {
            effective_at: Timestamp::from_millis(BEGIN + i64::try_from(seq * 300).unwrap()),
            over: Span::HOUR,
            kind: BookingKind::Delivery,
            mass: Stated {
                value: Mass::new(61.25),
                std: 0.3,
            },
            author: "R. Fell".to_owned(),
            note: "two dewars".to_owned(),
            section: Some("north".into()),
        },
        supersedes: None,
        actor: actor(),
    }
}

/// The event at a position.
pub fn event(seq: u64) -> Event {
    let blocks = blocks();
    let random = mix(seq, 2);
    let kind = match random % 400 {
        0 => EventKind::Action(Action {
            actor: actor(),
            kind: ActionKind::Shelve {
                alarm: "dewar-low".into(),
                time: Span::HOUR,
                reason: "being filled".to_owned(),
            },
        }),
        1 => EventKind::Ledger(entry(seq)),
        2 => EventKind::ClockStepped {
            expected: None,
            now: Some(Timestamp::from_millis(5)),
        },
        3 => EventKind::DescriptionInForce {
            hash: DescriptionHash([7; 32]),
        },
        4 => EventKind::NotPolled {
            polls: 12,
            since: stamp(seq / 2),
        },
        5 => EventKind::SetAside { seq: seq / 3 },
        // An answer that is longer than its block: must not be, must not be lost either.
        6 => EventKind::Poll(Poll {
            block: Arc::clone(&blocks[1]),
            words: Ok(vec![1, 2, 3, 4]),
        }),
        7..60 => EventKind::Tick,
        _ => {
            let block = Arc::clone(
                &blocks
                    [[0, 0, 0, 0, 1, 1, 1, 2, 2, 3][usize::try_from(random >> 32).unwrap() % 10]],
            );
            let words = match mix(seq, 3) % 50 {
                0 => Err(PollFault::TimedOut),
                1 => Err(PollFault::Exception(random.to_le_bytes()[5])),
                2 => Err([
                    PollFault::NotConnected,
                    PollFault::Broken,
                    PollFault::Mismatch,
                ][usize::try_from(random >> 40).unwrap() % 3]),
                _ => Ok((0..block.words).map(|word| code(seq, word)).collect()),
            };
            EventKind::Poll(Poll { block, words })
        }
    };
    Event {
        seq,
        stamp: stamp(seq),
        kind,
    }
}

/// A register: some constant, some noise around a trend, some anything.
fn code(seq: u64, word: u16) -> u16 {
    let noise = mix(seq, 100 + u64::from(word));
    match word % 4 {
        0 => 12_000 + u16::try_from(seq / 50 % 20_000 + noise % 5).unwrap(),
        1 => 17,
        2 => u16::try_from(noise & 0xffff).unwrap(),
        _ => u16::try_from(seq / 1_000 % 3 * 30_000).unwrap(),
    }
}

pub fn mass(seq: u64, nth: u64) -> MassFigure {
    #[expect(clippy::cast_precision_loss, reason = "any numbers will do")]
    let noise = (mix(seq, nth) >> 40) as f64 / 1e6;
    MassFigure {
        mass_kg: 300.0 + noise,
        std_kg: 2.0,
        quality: if noise > 16.0 {
            Quality::Uncertain
        } else {
            Quality::Good
        },
        reason: if noise > 16.0 {
            Reason::Held
        } else {
            Reason::None
        },
    }
}

pub fn inventory(seq: u64, vessels: u64) -> InventoryReport {
    InventoryReport {
        plant: mass(seq, 0),
        constant_std_kg: 9.5,
        sections: (1..3)
            .map(|nth| (format!("section-{nth}").into(), mass(seq, nth)))
            .collect(),
        vessels: (3..3 + vessels)
            .map(|nth| (format!("vessel-{nth}").into(), mass(seq, nth)))
            .collect(),
    }
}

pub fn losses(seq: u64, section: Option<&str>) -> LossReport {
    let window = |over: i64| WindowBalance {
        over: Span::from_millis(over),
        from: stamp(seq / 2).utc,
        opening_kg: mass(seq, 60).mass_kg,
        received_kg: 0.0,
        dispatched_kg: 0.0,
        closing_kg: mass(seq, 61).mass_kg,
        unaccounted_kg: mass(seq, 62).mass_kg,
        std_kg: 1.0,
        accepted_kg: 0.4,
        excess_kg: 0.1,
        excess_std_kg: 0.2,
        decision_threshold_kg: 0.3,
        detection_limit_kg: 0.6,
        coverage: 1.0,
        doubtful_vessels: vec![],
    };
    LossReport {
        section: section.map(Into::into),
        windows: [1, 8, 24, 168]
            .map(|hours| window(hours * 3_600_000))
            .to_vec(),
        rate: None,
        excess: None,
        accepted_kg_per_s: (4.6e-6, 1e-6),
    }
}

/// What the made-up engine concludes from an event.
pub fn outcomes(seq: u64) -> Vec<Outcome> {
    let mut kinds = Vec::new();
    if seq.is_multiple_of(23) {
        kinds.push(OutcomeKind::Inventory(inventory(seq, 4)));
    }
    if seq.is_multiple_of(230) {
        kinds.push(OutcomeKind::Losses(losses(seq, None)));
        kinds.push(OutcomeKind::Losses(losses(seq, Some("north"))));
        kinds.push(OutcomeKind::Losses(losses(seq, Some("south"))));
    }
    if mix(seq, 4).is_multiple_of(150) {
        kinds.push(OutcomeKind::ChannelQuality {
            channel: "t-1".into(),
            quality: Quality::Bad,
            reason: Reason::Stale,
        });
    }
    if mix(seq, 5).is_multiple_of(200) {
        kinds.push(OutcomeKind::Alarm(AlarmTransition {
            alarm: "dewar-low".into(),
            from: AlarmState::Normal,
            to: AlarmState::Unacknowledged,
            detail: "12 %".to_owned(),
            actor: None,
        }));
    }
    match event(seq).kind {
        EventKind::Ledger(entry) => kinds.push(OutcomeKind::Booked(entry)),
        EventKind::Action(_) => kinds.push(OutcomeKind::Refused {
            actor: actor(),
            why: "no such alarm".to_owned(),
        }),
        _ => {}
    }
    kinds
        .into_iter()
        .zip(0..)
        .map(|(kind, index)| Outcome {
            seq,
            index,
            stamp: stamp(seq),
            kind,
        })
        .collect()
}

/// Appends positions up to and including one.
pub fn append_through(store: &mut Store, through: u64) {
    for seq in store.last_seq() + 1..=through {
        store.append(&event(seq), &outcomes(seq)).unwrap();
    }
}
