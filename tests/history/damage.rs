//! Damaged files and tampered journals: found, told, never a panic.

use std::ops::ControlFlow;
use std::path::Path;

use coldledger::history::{Cursors, Damage, JournalCheck, Reader, Store};
use coldledger::plant::DescriptionHash;
use coldledger::time::Timestamp;
use rusqlite::Connection;

use crate::model::check;
use crate::plant::{append_through, blocks, event, mix, open, settings};

const EVER: [Timestamp; 2] = [
    Timestamp::from_millis(i64::MIN),
    Timestamp::from_millis(i64::MAX),
];

/// A store with sealed rows, head frames, single events, figures and journal.
fn filled(directory: &Path, through: u64) {
    let (mut store, _) = open(directory);
    while store.last_seq() < through {
        let next = store.last_seq() + 500;
        append_through(&mut store, next);
        store.commit().unwrap();
    }
    store.close().unwrap();
}

fn raw(directory: &Path) -> Connection {
    Connection::open(directory.join("history.db")).unwrap()
}

fn flip(db: &Connection, table: &str, rowid: i64, at: usize) {
    let mut data: Vec<u8> = db
        .query_row(
            &format!("SELECT data FROM {table} WHERE rowid = ?"),
            [rowid],
            |row| row.get(0),
        )
        .unwrap();
    let at = at % data.len();
    data[at] ^= 1 << (at % 8);
    db.execute(
        &format!("UPDATE {table} SET data = ? WHERE rowid = ?"),
        rusqlite::params![data, rowid],
    )
    .unwrap();
}

#[test]
fn flipped_bits_are_found_and_all_else_reads_on() {
    let directory = tempfile::tempdir().unwrap();
    filled(directory.path(), 12_000);
    for table in ["sealed", "frame", "event", "figures"] {
        for round in 0..6 {
            let db = raw(directory.path());
            let rowid: i64 = db
                .query_row(
                    &format!("SELECT rowid FROM {table} ORDER BY rowid DESC LIMIT 1"),
                    [],
                    |row| row.get(0),
                )
                .unwrap();
            let before: Vec<u8> = db
                .query_row(
                    &format!("SELECT data FROM {table} WHERE rowid = ?"),
                    [rowid],
                    |row| row.get(0),
                )
                .unwrap();
            flip(
                &db,
                table,
                rowid,
                usize::try_from(mix(round, 1) % 1_000_000).unwrap(),
            );
            let reader = Reader::open(directory.path()).unwrap();
            let mut lost = 0;
            let mut next = 1;
            let replayed = reader
                .replay(1, |found| {
                    lost += found.seq - next;
                    next = found.seq + 1;
                    assert_eq!(found, event(found.seq));
                    ControlFlow::Continue(())
                })
                .unwrap();
            let tables: Vec<&str> = replayed.damaged.iter().map(|damage| damage.table).collect();
            if table == "figures" {
                assert_eq!(tables, [""; 0]);
                assert_eq!(lost, 0);
                let [from, to] = EVER;
                let figures = reader
                    .inventory_between(from, to, usize::MAX)
                    .unwrap()
                    .damaged
                    .len()
                    + reader
                        .losses_between(from, to, usize::MAX)
                        .unwrap()
                        .damaged
                        .len()
                    + reader
                        .section_losses_between(from, to)
                        .unwrap()
                        .damaged
                        .len();
                // Channel qualities are read by position only.
                let kind: i64 = db
                    .query_row("SELECT kind FROM figures WHERE rowid = ?", [rowid], |row| {
                        row.get(0)
                    })
                    .unwrap();
                assert_eq!(figures, usize::from(kind != 4));
                reader.outcomes_after(0, 10_000).unwrap();
            } else {
                assert_eq!(tables, [table]);
                assert!(lost > 0 || next <= 12_000);
            }
            let told: usize = blocks()
                .iter()
                .map(|block| {
                    let mut samples = reader.raw_between(block, EVER[0], EVER[1]).unwrap();
                    samples.by_ref().count();
                    samples.damaged().len()
                })
                .sum();
            if table == "sealed" || table == "frame" {
                assert!(told > 0);
            }
            drop(reader);
            db.execute(
                &format!("UPDATE {table} SET data = ? WHERE rowid = ?"),
                rusqlite::params![before, rowid],
            )
            .unwrap();
        }
    }
    check(&Reader::open(directory.path()).unwrap(), 12_000, 1);
}

#[test]
fn damaged_frame_is_told_at_the_start_and_the_store_goes_on() {
    let directory = tempfile::tempdir().unwrap();
    filled(directory.path(), 3_000);
    let db = raw(directory.path());
    let rowid: i64 = db
        .query_row("SELECT min(rowid) FROM frame", [], |row| row.get(0))
        .unwrap();
    flip(&db, "frame", rowid, 99);
    drop(db);
    let (mut store, recovery) = open(directory.path());
    assert!(
        matches!(
            recovery.damaged.as_slice(),
            [Damage {
                table: "frame",
                first_seq: 1..,
                ..
            }]
        ),
        "{recovery:?}"
    );
    append_through(&mut store, 3_500);
    assert_eq!(store.commit().unwrap(), 3_500);
}

#[test]
fn files_that_are_no_database_are_moved_aside() {
    let whole = tempfile::tempdir().unwrap();
    filled(whole.path(), 6_000);
    let bytes = std::fs::read(whole.path().join("history.db")).unwrap();
    let mut garbled = bytes.clone();
    for at in (0..garbled.len()).step_by(97) {
        garbled[at] ^= 0x55;
    }
    let cases: [(&str, &[u8]); 4] = [
        (
            "no database at all",
            b"this is not a database, whatever its name says",
        ),
        ("cut in the middle", &bytes[..bytes.len() / 2]),
        ("cut after the first page", &bytes[..4096]),
        ("garbled", &garbled),
    ];
    for (what, bytes) in cases {
        let directory = tempfile::tempdir().unwrap();
        let file = directory.path().join("history.db");
        std::fs::write(&file, bytes).unwrap();
        let (mut store, recovery) = open(directory.path());
        let aside = recovery.moved_aside.expect(what);
        println!("{what}: {aside:?}");
        assert_eq!(std::fs::read(&aside.path).unwrap(), bytes, "{what}");
        assert_eq!(recovery.last_seq, aside.rescued.last_seq);
        let through = recovery.last_seq + 50;
        append_through(&mut store, through);
        assert_eq!(store.commit().unwrap(), through);
        store.close().unwrap();
        let reader = Reader::open(directory.path()).unwrap();
        assert!(matches!(
            reader.verify_journal().unwrap(),
            JournalCheck::Whole { .. }
        ));
        // A second one does not overwrite the first.
        std::fs::write(&file, b"bad once more, and quite long enough for a header").unwrap();
        std::fs::remove_file(directory.path().join("lock")).unwrap();
        let (_, second) = Store::open(directory.path(), &settings()).unwrap();
        assert_ne!(second.moved_aside.unwrap().path, aside.path);
    }
}

#[test]
fn truncation_is_found_even_after_a_clean_stop() {
    let directory = tempfile::tempdir().unwrap();
    filled(directory.path(), 6_000);
    let file = directory.path().join("history.db");
    let bytes = std::fs::read(&file).unwrap();
    std::fs::write(&file, &bytes[..bytes.len() - 8 * 4096]).unwrap();
    let (_, recovery) = open(directory.path());
    assert!(recovery.clean);
    assert!(recovery.moved_aside.is_some());
}

/// A row of the journal goes bad: the other entries of the ledger are there, and the row is named.
#[test]
fn a_damaged_entry_takes_no_other_one_with_it() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    append_through(&mut store, 4_000);
    store.close().unwrap();
    let read = || {
        let reader = Reader::open(directory.path()).unwrap();
        reader.ledger(EVER[0], EVER[1]).unwrap()
    };
    let before = read();
    assert!(before.entries.len() > 3 && before.damaged.is_empty());
    let db = raw(directory.path());
    let newest: i64 = db
        .query_row("SELECT max(journal) FROM ledger", [], |row| row.get(0))
        .unwrap();
    db.execute_batch("DROP TRIGGER journal_unchanged").unwrap();
    db.execute("UPDATE journal SET data = x'ffff' WHERE id = ?", [newest])
        .unwrap();
    let after = read();
    assert_eq!(after.damaged, [newest.cast_unsigned()]);
    assert_eq!(after.entries.len(), before.entries.len() - 1);
    let reader = Reader::open(directory.path()).unwrap();
    assert!(matches!(
        reader.verify_journal().unwrap(),
        JournalCheck::Broken { row, .. } if row == newest.cast_unsigned()
    ));
}

/// A page of readings goes bad: the journal, the ledger and the descriptions come over.
#[test]
fn journal_and_ledger_survive_a_damaged_file() {
    let directory = tempfile::tempdir().unwrap();
    let hash = DescriptionHash([8; 32]);
    let (mut store, _) = open(directory.path());
    store
        .keep_description(hash, &[("a.toml".into(), "b = 1".into())])
        .unwrap();
    append_through(&mut store, 9_000);
    store.close().unwrap();
    let before = Reader::open(directory.path())
        .unwrap()
        .journal(1, usize::MAX)
        .unwrap();
    let ledger = Reader::open(directory.path())
        .unwrap()
        .ledger(EVER[0], EVER[1])
        .unwrap()
        .entries;
    Cursors::open(directory.path())
        .unwrap()
        .advance("mqtt", 7)
        .unwrap();
    let root: u32 = raw(directory.path())
        .query_row(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'sealed'",
            [],
            |row| row.get(0),
        )
        .unwrap();
    let file = directory.path().join("history.db");
    let mut bytes = std::fs::read(&file).unwrap();
    let at = usize::try_from(root - 1).unwrap() * 4096;
    bytes[at..at + 4096].fill(0xa5);
    std::fs::write(&file, bytes).unwrap();
    // After a clean stop nobody looks at every page; after a kill, the start does.
    std::fs::write(directory.path().join("lock"), "process 1 running 0\n").unwrap();
    let (mut store, recovery) = open(directory.path());
    let aside = recovery.moved_aside.unwrap();
    assert_eq!(aside.rescued.journal_rows, before.len() as u64);
    assert_eq!((aside.rescued.descriptions, recovery.last_seq), (1, 9_000));
    append_through(&mut store, 9_500);
    store.commit().unwrap();
    let reader = Reader::open(directory.path()).unwrap();
    assert_eq!(reader.journal(1, before.len()).unwrap(), before);
    assert_eq!(
        reader.ledger(EVER[0], EVER[1]).unwrap().entries[..ledger.len()],
        ledger
    );
    assert!(
        matches!(reader.verify_journal().unwrap(), JournalCheck::Whole { rows, .. } if rows > aside.rescued.journal_rows)
    );
    assert!(reader.description(hash).unwrap().is_some());
    assert_eq!(reader.gaps().unwrap(), [(1, 9_000)]);
    assert_eq!(
        Cursors::open(directory.path())
            .unwrap()
            .get("mqtt")
            .unwrap(),
        7
    );
}

#[test]
fn sql_cannot_change_journal_or_ledger() {
    let directory = tempfile::tempdir().unwrap();
    filled(directory.path(), 2_000);
    let db = raw(directory.path());
    for sql in [
        "UPDATE journal SET seq = 1 WHERE id = 1",
        "DELETE FROM journal WHERE id = 1",
        "UPDATE ledger SET entry = 'x'",
        "DELETE FROM ledger",
        "INSERT OR REPLACE INTO journal SELECT id, seq, idx, provenance, zeroblob(9), hash FROM journal WHERE id = 1",
        "INSERT OR REPLACE INTO ledger SELECT journal, 'x', 0 FROM ledger",
    ] {
        let error = db.execute(sql, []).unwrap_err();
        assert!(error.to_string().contains("append-only"), "{error}");
    }
}

#[test]
fn tampering_with_the_journal_is_found() {
    let edits = [
        (
            "a changed row",
            "UPDATE journal SET data = (SELECT data FROM journal WHERE id = 4) WHERE id = 5",
            5,
        ),
        (
            "a changed position",
            "UPDATE journal SET seq = seq + 1000000 WHERE id = 7",
            7,
        ),
        (
            "a changed hash",
            "UPDATE journal SET hash = zeroblob(32) WHERE id = 6",
            6,
        ),
        (
            "a hash of another length",
            "UPDATE journal SET hash = zeroblob(31) WHERE id = 6",
            6,
        ),
        ("a row gone", "DELETE FROM journal WHERE id = 3", 3),
        (
            "another provenance",
            "UPDATE provenance SET data = zeroblob(40)",
            1,
        ),
        (
            "rows swapped",
            "UPDATE journal SET id = -1 WHERE id = 8; UPDATE journal SET id = 8 WHERE id = 9; UPDATE journal SET id = 9 WHERE id = -1",
            8,
        ),
    ];
    for (what, sql, expected) in edits {
        let directory = tempfile::tempdir().unwrap();
        filled(directory.path(), 2_000);
        tamper(directory.path(), sql);
        let found = Reader::open(directory.path())
            .unwrap()
            .verify_journal()
            .unwrap();
        assert!(
            matches!(found, JournalCheck::Broken { row, .. } if row == expected),
            "{what}: {found:?}"
        );
    }
    for (what, sql) in [
        (
            "the end cut off",
            "DELETE FROM journal WHERE id > (SELECT max(id) - 3 FROM journal)",
        ),
        (
            "the ledger's time changed",
            "UPDATE ledger SET effective_utc = effective_utc + 1",
        ),
        (
            "a ledger row gone",
            "DELETE FROM ledger WHERE journal = (SELECT max(journal) FROM ledger)",
        ),
        (
            "a ledger row added",
            "INSERT INTO ledger VALUES (1000000, 'x', 0)",
        ),
    ] {
        let directory = tempfile::tempdir().unwrap();
        filled(directory.path(), 2_000);
        tamper(directory.path(), sql);
        let found = Reader::open(directory.path())
            .unwrap()
            .verify_journal()
            .unwrap();
        assert!(
            matches!(found, JournalCheck::Broken { .. }),
            "{what}: {found:?}"
        );
    }
}

fn tamper(directory: &Path, sql: &str) {
    raw(directory)
        .execute_batch(&format!(
            "PRAGMA foreign_keys = OFF; DROP TRIGGER journal_stays; DROP TRIGGER journal_unchanged; DROP TRIGGER journal_once;
             DROP TRIGGER ledger_stays; DROP TRIGGER ledger_once; DROP TRIGGER ledger_unchanged; {sql}"
        ))
        .unwrap();
}
