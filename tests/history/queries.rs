//! What pages and deliveries ask: figures by time, ledger, descriptions, cursors, statistics; and
//! the disk budget.

use std::path::Path;

use coldledger::engine::{Event, EventKind, Outcome, OutcomeKind};
use coldledger::history::{Cursors, JournalCheck, Reader, StorageError, Store, StoreSettings};
use coldledger::plant::DescriptionHash;
use coldledger::time::{Monotonic, Stamp, Timestamp};

use crate::model::check;
use crate::plant::{
    BEGIN, append_through, event, inventory, losses, open, outcomes, provenance, settings,
};

/// Ticks every 10 s, an inventory a minute, losses every ten.
fn ticking(directory: &Path, ticks: u64) -> Store {
    let (mut store, _) = open(directory);
    for seq in 1..=ticks {
        let millis = i64::try_from(seq).unwrap() * 10_000;
        let stamp = Stamp {
            utc: Some(Timestamp::from_millis(BEGIN + millis)),
            monotonic: Monotonic(millis),
            boot: 1,
            epoch: 0,
        };
        let mut kinds = Vec::new();
        if seq % 6 == 0 {
            kinds.push(OutcomeKind::Inventory(inventory(seq, 3)));
        }
        if seq % 60 == 0 {
            kinds.push(OutcomeKind::Losses(losses(seq, None)));
            kinds.push(OutcomeKind::Losses(losses(seq, Some("north"))));
        }
        let outcomes: Vec<Outcome> = kinds
            .into_iter()
            .zip(0..)
            .map(|(kind, index)| Outcome {
                seq,
                index,
                stamp,
                kind,
            })
            .collect();
        let event = Event {
            seq,
            stamp,
            kind: EventKind::Tick,
        };
        store.append(&event, &outcomes).unwrap();
        if seq % 45 == 0 {
            store.commit().unwrap();
        }
    }
    store.commit().unwrap();
    store
}

#[test]
fn figures_are_found_by_time_and_thinned() {
    let directory = tempfile::tempdir().unwrap();
    let _store = ticking(directory.path(), 6_000);
    let reader = Reader::open(directory.path()).unwrap();
    let at = |seq: i64| Timestamp::from_millis(BEGIN + seq * 10_000);
    let all = reader
        .inventory_between(at(0), at(6_001), usize::MAX)
        .unwrap();
    assert_eq!(all.damaged, []);
    let seqs: Vec<u64> = all.reports.iter().map(|dated| dated.seq).collect();
    assert_eq!(seqs, (6..=6_000).step_by(6).collect::<Vec<u64>>());
    for dated in &all.reports {
        assert_eq!(dated.report, inventory(dated.seq, 3));
        assert_eq!(*dated.provenance, provenance(0));
    }
    // Ends: the first counts, the last does not.
    let some = reader
        .inventory_between(at(600), at(660), usize::MAX)
        .unwrap();
    let seqs: Vec<u64> = some.reports.iter().map(|dated| dated.seq).collect();
    assert_eq!(seqs, (600..660).step_by(6).collect::<Vec<u64>>());
    let thin = reader.inventory_between(at(6), at(6_006), 50).unwrap();
    assert_eq!(thin.reports.len(), 50);
    assert!(
        thin.reports
            .windows(2)
            .all(|two| two[1].seq - two[0].seq == 120)
    );
    let plant = reader
        .losses_between(at(0), at(6_001), 1_000)
        .unwrap()
        .reports;
    assert_eq!(plant.len(), 100);
    assert!(
        plant
            .iter()
            .all(|dated| dated.report == losses(dated.seq, None))
    );
    let sections = reader
        .section_losses_between(at(0), at(6_001))
        .unwrap()
        .reports;
    assert_eq!(sections.len(), 100);
    assert!(
        sections
            .iter()
            .all(|dated| dated.report.section.as_deref() == Some("north"))
    );
}

#[test]
fn each_outcome_keeps_the_provenance_it_was_made_under() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    append_through(&mut store, 1_000);
    store.provenance(&provenance(1)).unwrap();
    append_through(&mut store, 2_000);
    store.commit().unwrap();
    store.provenance(&provenance(0)).unwrap();
    append_through(&mut store, 6_000);
    store.close().unwrap();
    let reader = Reader::open(directory.path()).unwrap();
    for stored in reader.outcomes_after(0, usize::MAX).unwrap() {
        let which = u8::from((1_001..=2_000).contains(&stored.outcome.seq));
        assert_eq!(*stored.provenance, provenance(which));
    }
    check(&reader, 6_000, 1);
}

#[test]
fn ledger_is_ordered_by_when_helium_moved() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    append_through(&mut store, 4_000);
    store.commit().unwrap();
    let reader = Reader::open(directory.path()).unwrap();
    let at = |seq: i64| Timestamp::from_millis(BEGIN + seq * 300);
    let expected: Vec<_> = (1..=4_000)
        .flat_map(outcomes)
        .filter_map(|outcome| match outcome.kind {
            OutcomeKind::Booked(entry) => Some((outcome.seq, entry)),
            _ => None,
        })
        .collect();
    assert!(expected.len() > 3);
    assert_eq!(reader.ledger(at(0), at(4_001)).unwrap().entries, expected);
    let (second, _) = &expected[1];
    let from = i64::try_from(*second).unwrap();
    assert_eq!(
        reader.ledger(at(from), at(from + 1)).unwrap().entries,
        expected[1..2]
    );
}

#[test]
fn descriptions_and_snapshots_are_kept() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    let hash = DescriptionHash([3; 32]);
    let texts = [("site.toml".to_owned(), "name = \"here\"\n".repeat(500))];
    store.keep_description(hash, &texts).unwrap();
    store.keep_description(hash, &[]).unwrap();
    let reader = Reader::open(directory.path()).unwrap();
    assert_eq!(reader.description(hash).unwrap().unwrap(), texts);
    assert_eq!(reader.description(DescriptionHash([4; 32])).unwrap(), None);
    assert_eq!(reader.latest_snapshot().unwrap(), None);
    let header = |seq| coldledger::engine::snapshot::SnapshotHeader {
        format: 1,
        engine_version: "test".into(),
        description: hash,
        seq,
    };
    assert!(matches!(
        store.save_snapshot(&header(1), b"early"),
        Err(StorageError::OutOfOrder { .. })
    ));
    for seq in 1..=5 {
        append_through(&mut store, seq);
        store
            .save_snapshot(&header(seq), &seq.to_le_bytes())
            .unwrap();
    }
    assert_eq!(
        reader.latest_snapshot().unwrap().unwrap(),
        (header(5), 5u64.to_le_bytes().to_vec())
    );
    // A snapshot that does not read back gives way to the one before.
    let raw = rusqlite::Connection::open(directory.path().join("history.db")).unwrap();
    let left: i64 = raw
        .query_row("SELECT count(*) FROM snapshot", [], |row| row.get(0))
        .unwrap();
    assert_eq!(left, 3);
    raw.execute("UPDATE snapshot SET data = zeroblob(30) WHERE seq = 5", [])
        .unwrap();
    assert_eq!(reader.latest_snapshot().unwrap().unwrap().0, header(4));
}

#[test]
fn cursors_advance_and_never_go_back() {
    let directory = tempfile::tempdir().unwrap();
    for error in [
        Cursors::open(directory.path()).unwrap_err(),
        Reader::open(directory.path()).unwrap_err(),
    ] {
        assert!(matches!(error, StorageError::NoStore { .. }), "{error}");
    }
    let (mut store, _) = open(directory.path());
    let cursors = Cursors::open(directory.path()).unwrap();
    assert_eq!(cursors.get("mqtt").unwrap(), 0);
    cursors.advance("mqtt", 7).unwrap();
    cursors.advance("mqtt", 7).unwrap();
    cursors.advance("series", 3).unwrap();
    assert!(matches!(
        cursors.advance("mqtt", 6),
        Err(StorageError::CursorBackwards {
            at: 7,
            asked: 6,
            ..
        })
    ));
    append_through(&mut store, 10);
    store.commit().unwrap();
    cursors.advance("mqtt", 9).unwrap();
    drop(cursors);
    store.close().unwrap();
    let (_store, _) = open(directory.path());
    let cursors = Cursors::open(directory.path()).unwrap();
    assert_eq!(
        (cursors.get("mqtt").unwrap(), cursors.get("series").unwrap()),
        (9, 3)
    );
}

#[test]
fn disk_budget_drops_the_oldest_readings_and_never_the_journal() {
    let directory = tempfile::tempdir().unwrap();
    let budget = 1_000_000;
    let limited = StoreSettings {
        disk_budget_bytes: budget,
        ..settings()
    };
    let (mut store, _) = Store::open(directory.path(), &limited).unwrap();
    store.provenance(&provenance(0)).unwrap();
    store
        .keep_description(DescriptionHash([5; 32]), &[("a".into(), "b".into())])
        .unwrap();
    let mut dropped = Vec::new();
    while store.last_seq() < 60_000 {
        let next = store.last_seq() + 500;
        append_through(&mut store, next);
        store.commit().unwrap();
        dropped.extend(store.take_trimmed());
    }
    let reader = Reader::open(directory.path()).unwrap();
    println!("{:?} {dropped:?}", reader.statistics());
    assert!(dropped.iter().any(|trimmed| trimmed.what == "raw readings"));
    assert_eq!(reader.trimmed().unwrap(), dropped);
    let statistics = reader.statistics().unwrap();
    // One more row of the widest block may have come since.
    assert!(statistics.file_bytes < budget + 600_000, "{statistics:?}");
    assert!(statistics.complete_from > 1);
    let mut next = statistics.complete_from;
    let replayed = reader
        .replay(next, |found| {
            assert_eq!(found, event(next));
            next += 1;
            std::ops::ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!(next, 60_001);
    assert!(replayed.damaged.is_empty());
    let journal = (1..=60_000)
        .flat_map(outcomes)
        .filter(|outcome| {
            !matches!(
                outcome.kind,
                OutcomeKind::Inventory(_)
                    | OutcomeKind::Losses(_)
                    | OutcomeKind::ChannelQuality { .. }
            )
        })
        .count();
    let whole = reader.verify_journal().unwrap();
    assert!(
        matches!(whole, JournalCheck::Whole { rows, .. } if rows == journal as u64),
        "{whole:?}"
    );
    assert!(
        reader
            .description(DescriptionHash([5; 32]))
            .unwrap()
            .is_some()
    );
}

#[test]
fn commit_is_due_once_enough_time_waits() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    assert!(!store.commit_due());
    append_through(&mut store, 20);
    assert!(!store.commit_due());
    append_through(&mut store, 40);
    assert!(store.commit_due());
    store.commit().unwrap();
    assert!(!store.commit_due());
}

#[test]
fn readers_see_whole_commits_while_the_store_is_written() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    append_through(&mut store, 10);
    store.commit().unwrap();
    let first = Reader::open(directory.path()).unwrap();
    let done = std::sync::atomic::AtomicBool::new(false);
    std::thread::scope(|scope| {
        for _ in 0..2 {
            let reader = first.try_clone().unwrap();
            let done = &done;
            scope.spawn(move || {
                let mut rounds = 0;
                while !done.load(std::sync::atomic::Ordering::Relaxed) || rounds < 3 {
                    let mut next = 1;
                    let replayed = reader
                        .replay(1, |found| {
                            assert_eq!(found.seq, next);
                            next += 1;
                            std::ops::ControlFlow::Continue(())
                        })
                        .unwrap();
                    assert!(replayed.damaged.is_empty());
                    assert_eq!(next % 250, 11, "part of a commit");
                    rounds += 1;
                }
            });
        }
        while store.last_seq() < 15_000 {
            let next = store.last_seq() + 250;
            append_through(&mut store, next);
            store.commit().unwrap();
        }
        done.store(true, std::sync::atomic::Ordering::Relaxed);
    });
}

/// A store that the first format wrote must open for ever. To write it anew (only for a new
/// format, beside the old one): `COLDLEDGER_WRITE_FORMAT=FILE cargo test --test history format`.
#[test]
fn store_of_format_1_opens() {
    if let Some(file) = std::env::var_os("COLDLEDGER_WRITE_FORMAT") {
        let directory = tempfile::tempdir().unwrap();
        format_1(directory.path());
        std::fs::copy(directory.path().join("history.db"), file).unwrap();
    }
    let directory = tempfile::tempdir().unwrap();
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/history/formats/v1.db");
    std::fs::copy(stored, directory.path().join("history.db")).unwrap();
    let (mut store, recovery) = open(directory.path());
    assert_eq!(recovery.moved_aside, None);
    assert_eq!(recovery.last_seq, 900);
    let reader = Reader::open(directory.path()).unwrap();
    check(&reader, 900, 1);
    assert!(reader.statistics().unwrap().sealed_rows > 0);
    assert!(
        reader
            .description(DescriptionHash([6; 32]))
            .unwrap()
            .is_some()
    );
    assert_eq!(reader.latest_snapshot().unwrap().unwrap().1, b"state");
    assert_eq!(
        Cursors::open(directory.path())
            .unwrap()
            .get("mqtt")
            .unwrap(),
        450
    );
    append_through(&mut store, 1_000);
    store.commit().unwrap();
    check(&reader, 1_000, 1);
}

fn format_1(directory: &Path) {
    let (mut store, _) = open(directory);
    store
        .keep_description(
            DescriptionHash([6; 32]),
            &[("site.toml".into(), "x = 1".into())],
        )
        .unwrap();
    append_through(&mut store, 700);
    store.seal_all().unwrap();
    append_through(&mut store, 900);
    let header = coldledger::engine::snapshot::SnapshotHeader {
        format: 1,
        engine_version: "test".into(),
        description: DescriptionHash([6; 32]),
        seq: 900,
    };
    store.save_snapshot(&header, b"state").unwrap();
    Cursors::open(directory)
        .unwrap()
        .advance("mqtt", 450)
        .unwrap();
    store.close().unwrap();
}
