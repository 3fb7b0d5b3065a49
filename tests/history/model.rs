//! Random sequences of operations, compared with what a plain list would hold.

use std::ops::ControlFlow;
use std::path::Path;

use coldledger::engine::snapshot::SnapshotHeader;
use coldledger::engine::{Event, Outcome, OutcomeKind};
use coldledger::history::{JournalCheck, OutcomeHasher, Reader, Store};
use coldledger::plant::DescriptionHash;
use coldledger::time::Timestamp;

use crate::plant::{BEGIN, append_through, blocks, event, mix, open, outcomes};

/// Everything that must be true of a store which holds the events up to one.
pub fn check(reader: &Reader, through: u64, from: u64) {
    assert_eq!(reader.last_seq().unwrap(), through);
    let mut next = from;
    let replayed = reader
        .replay(from, |found: Event| {
            assert_eq!(found, event(next));
            next += 1;
            ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(replayed.damaged, []);
    assert_eq!(next, (through + 1).max(from));
    check_outcomes(reader, through, from);
}

fn check_outcomes(reader: &Reader, through: u64, from: u64) {
    let expected: Vec<Outcome> = (from..=through).flat_map(outcomes).collect();
    let mut found = Vec::new();
    let mut after = from.saturating_sub(1);
    loop {
        let limit = 1 + usize::try_from(mix(after, 77) % 90).unwrap();
        let more = reader.outcomes_after(after, limit).unwrap();
        let Some(last) = more.last() else { break };
        assert!(last.outcome.seq > after);
        after = last.outcome.seq;
        found.extend(more.into_iter().map(|stored| stored.outcome));
    }
    assert_eq!(found, expected);
    let mut hasher = OutcomeHasher::default();
    for outcome in (1..=through).flat_map(outcomes) {
        hasher.add(&outcome).unwrap();
    }
    if through > 0 {
        let point = reader.outcome_hash_at(u64::MAX).unwrap().unwrap();
        assert_eq!((point.seq, point.hash), (through, hasher.hash()));
    }
    let in_journal = |outcome: &Outcome| {
        !matches!(
            outcome.kind,
            OutcomeKind::Inventory(_) | OutcomeKind::Losses(_) | OutcomeKind::ChannelQuality { .. }
        )
    };
    let journal: Vec<Outcome> = reader
        .journal(1, usize::MAX)
        .unwrap()
        .into_iter()
        .map(|row| row.outcome.outcome)
        .collect();
    let expected: Vec<Outcome> = (1..=through)
        .flat_map(outcomes)
        .filter(in_journal)
        .collect();
    assert_eq!(journal, expected);
    let whole = reader.verify_journal().unwrap();
    assert!(
        matches!(whole, JournalCheck::Whole { rows, .. } if rows == journal.len() as u64),
        "{whole:?}"
    );
}

struct Run {
    seed: u64,
    step: u64,
}

impl Run {
    fn random(&mut self, below: u64) -> u64 {
        self.step += 1;
        mix(self.seed, self.step) % below
    }
}

fn operations(directory: &Path, seed: u64, steps: u32) {
    let mut run = Run { seed, step: 0 };
    let (mut store, recovery) = open(directory);
    assert!(recovery.clean);
    let mut durable = 0;
    let mut snapshot: Option<(SnapshotHeader, Vec<u8>)> = None;
    for _ in 0..steps {
        match run.random(12) {
            0..=4 => {
                let through = store.last_seq() + 1 + run.random(700);
                append_through(&mut store, through);
            }
            5..=7 => durable = store.commit().unwrap(),
            8 => {
                store.close().unwrap();
                let (again, recovery) = open(directory);
                durable = durable.max(recovery.last_seq);
                assert!(recovery.clean);
                store = again;
            }
            // Killed: what was not committed is gone, all else is there.
            9 => {
                drop(store);
                let (again, recovery) = open(directory);
                assert!(!recovery.clean);
                assert_eq!(recovery.last_seq, durable);
                assert_eq!(recovery.damaged, []);
                assert_eq!(recovery.moved_aside, None);
                store = again;
            }
            10 => {
                let header = SnapshotHeader {
                    format: 1,
                    engine_version: "test".into(),
                    description: DescriptionHash([1; 32]),
                    seq: store.last_seq(),
                };
                let bytes = vec![run.random(256).to_le_bytes()[0]; 4_000];
                store.save_snapshot(&header, &bytes).unwrap();
                durable = store.last_seq();
                snapshot = Some((header, bytes));
            }
            _ => {
                let from = 1 + run.random(store.last_seq().max(1));
                let reader = Reader::open(directory).unwrap();
                check(&reader, durable, from.min(durable + 1));
                assert_eq!(reader.latest_snapshot().unwrap(), snapshot);
            }
        }
        assert_eq!(store.durable_seq(), durable);
        assert!(store.last_seq() >= durable);
    }
    durable = store.commit().unwrap();
    check(&Reader::open(directory).unwrap(), durable, 1);
}

#[test]
fn random_operations_match_a_plain_list() {
    for seed in 0..6 {
        println!("seed {seed}");
        let directory = tempfile::tempdir().unwrap();
        operations(directory.path(), seed, 60);
    }
}

#[test]
fn long_run_seals_rows_and_reads_back() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    let reader = Reader::open(directory.path()).unwrap();
    while store.last_seq() < 24_000 {
        let through = store.last_seq() + 400;
        append_through(&mut store, through);
        store.commit().unwrap();
    }
    let statistics = reader.statistics().unwrap();
    assert!(statistics.sealed_rows >= 4, "{statistics:?}");
    check(&reader, 24_000, 1);
    check(&reader, 24_000, 11_111);
    raw_matches(&reader, 24_000);
    store.close().unwrap();
    check(&Reader::open(directory.path()).unwrap(), 24_000, 20_000);
}

#[test]
fn small_commits_are_merged_and_read_back() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    let reader = Reader::open(directory.path()).unwrap();
    for nth in 1..=310 {
        append_through(&mut store, nth * 9);
        store.commit().unwrap();
        if nth == 150 {
            drop(store);
            store = open(directory.path()).0;
        }
        if [59, 60, 61, 200, 310].contains(&nth) {
            check(&reader, nth * 9, nth);
        }
    }
    raw_matches(&reader, 2_790);
    let statistics = reader.statistics().unwrap();
    // Of 310 rows two times 60 were merged before the reopening, and two times after it.
    assert_eq!(
        (statistics.frames, statistics.sealed_rows),
        (4 + 30 + 40, 0)
    );
}

/// Raw readings by time, sealed and not, against a filter over the list.
fn raw_matches(reader: &Reader, through: u64) {
    for block in blocks() {
        for (from, to) in [
            (0, 100_000_000),
            (1_000_000, 1_500_000),
            (8_000_000, 8_300_000),
        ] {
            let [from, to] = [from, to].map(|millis| Timestamp::from_millis(BEGIN + millis));
            let expected: Vec<_> = (1..=through)
                .map(event)
                .filter(|event| event.stamp.utc.is_some_and(|utc| (from..to).contains(&utc)))
                .filter_map(|event| match event.kind {
                    coldledger::engine::EventKind::Poll(poll)
                        if poll.block == block
                            && poll
                                .words
                                .as_ref()
                                .map_or(true, |words| words.len() == usize::from(block.words)) =>
                    {
                        Some((event.stamp, poll.words))
                    }
                    _ => None,
                })
                .collect();
            let mut samples = reader.raw_between(&block, from, to).unwrap();
            let found: Vec<_> = samples.by_ref().collect();
            assert_eq!(samples.damaged(), []);
            assert_eq!(samples.failed(), None);
            assert_eq!(found, expected);
            if block.words > 2 {
                let part: Vec<_> = reader
                    .words_between(&block, 1, 2, from, to)
                    .unwrap()
                    .collect();
                drop(samples);
                let expected: Vec<_> = expected
                    .into_iter()
                    .map(|(stamp, words)| (stamp, words.map(|words| words[1..3].to_vec())))
                    .collect();
                assert_eq!(part, expected);
            }
        }
    }
}

#[test]
fn refuses_events_out_of_order_and_outcomes_without_provenance() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = Store::open(directory.path(), &crate::plant::settings()).unwrap();
    assert!(matches!(
        store.append(&event(2), &[]),
        Err(coldledger::history::StorageError::OutOfOrder { last: 0, got: 2 })
    ));
    assert!(matches!(
        store.append(&event(1), &outcomes(23)),
        Err(coldledger::history::StorageError::NoProvenance { seq: 1 })
    ));
    store.append(&event(1), &[]).unwrap();
    assert_eq!(store.commit().unwrap(), 1);
}
