//! Sudden ends: of the process, of the disk's room.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use coldledger::history::{Reader, StorageError, Store};

use crate::model::check;
use crate::plant::{append_through, event, mix, open, outcomes, settings};

const CHILD: &str = "COLDLEDGER_TEST_STORE";

/// Not a test of its own: what the parent below starts and kills.
#[test]
fn child_writes_until_killed() {
    let Some(directory) = std::env::var_os(CHILD).map(PathBuf::from) else {
        return;
    };
    let (mut store, recovery) = open(&directory);
    println!("committed {}", recovery.last_seq);
    loop {
        let through = store.last_seq() + 1 + mix(store.last_seq(), 8) % 300;
        append_through(&mut store, through);
        println!("committed {}", store.commit().unwrap());
    }
}

#[test]
fn kill_nine_under_load_loses_no_committed_event() {
    let directory = tempfile::tempdir().unwrap();
    let mut before = 0;
    for round in 0..8 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "crash::child_writes_until_killed", "--nocapture"])
            .env(CHILD, directory.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut told = 0;
        let mut lines = 0;
        let enough = 5 + mix(round, 6) % 25;
        for line in BufReader::new(child.stdout.take().unwrap()).lines() {
            let line = line.unwrap();
            let Some((_, seq)) = line.rsplit_once("committed ") else {
                continue;
            };
            told = seq.parse::<u64>().unwrap();
            lines += 1;
            if lines == enough {
                child.kill().unwrap();
            }
        }
        child.wait().unwrap();
        assert!(lines >= enough, "the child ended by itself");
        assert!(told > before);
        let (store, recovery) = Store::open(directory.path(), &settings()).unwrap();
        assert!(!recovery.clean);
        assert!(recovery.last_seq >= told, "{} < {told}", recovery.last_seq);
        assert_eq!(recovery.damaged, []);
        assert_eq!(recovery.moved_aside, None);
        before = recovery.last_seq;
        check(&Reader::open(directory.path()).unwrap(), before, 1);
        drop(store);
    }
}

/// A power cut leaves the database and some prefix of its log: every prefix must open at a commit.
#[test]
fn any_prefix_of_the_log_opens_at_a_commit() {
    let directory = tempfile::tempdir().unwrap();
    let (store, _) = open(directory.path());
    // Moves the tables into the database, so that the log holds only what follows.
    store.close().unwrap();
    let (mut store, _) = open(directory.path());
    let mut commits = vec![0];
    for nth in 1..=12 {
        append_through(&mut store, nth * 40);
        commits.push(store.commit().unwrap());
    }
    let [database, log] = ["history.db", "history.db-wal"]
        .map(|name| std::fs::read(directory.path().join(name)).unwrap());
    let mut seen = std::collections::BTreeSet::new();
    for step in 0..=60 {
        let length = log.len() * step / 60;
        let after = tempfile::tempdir().unwrap();
        std::fs::write(after.path().join("history.db"), &database).unwrap();
        std::fs::write(after.path().join("history.db-wal"), &log[..length]).unwrap();
        let (_store, recovery) = open(after.path());
        assert_eq!(recovery.moved_aside, None, "{length} bytes");
        assert!(commits.contains(&recovery.last_seq));
        seen.insert(recovery.last_seq);
        check(&Reader::open(after.path()).unwrap(), recovery.last_seq, 1);
    }
    assert!(seen.len() > 6, "{seen:?}");
    assert!(seen.contains(&480));
}

#[test]
fn second_owner_is_refused_and_told_who_has_it() {
    let directory = tempfile::tempdir().unwrap();
    let (store, _) = open(directory.path());
    let refused = Store::open(directory.path(), &settings()).unwrap_err();
    let StorageError::InUse { pid, .. } = &refused else {
        panic!("{refused}");
    };
    assert_eq!(*pid, std::process::id().to_string());
    assert!(refused.to_string().contains("lock"), "{refused}");
    drop(store);
    Store::open(directory.path(), &settings()).unwrap();
}

#[test]
fn newer_format_is_refused_and_left_alone() {
    let directory = tempfile::tempdir().unwrap();
    let (store, _) = open(directory.path());
    store.close().unwrap();
    let file = directory.path().join("history.db");
    let raw = rusqlite::Connection::open(&file).unwrap();
    raw.execute_batch("PRAGMA user_version = 2").unwrap();
    drop(raw);
    for error in [
        Store::open(directory.path(), &settings()).unwrap_err(),
        Reader::open(directory.path()).unwrap_err(),
    ] {
        assert!(
            matches!(
                error,
                StorageError::NewerFormat {
                    found: 2,
                    known: 1,
                    ..
                }
            ),
            "{error}"
        );
    }
    assert!(file.exists());
}

/// Fills a store whose pages are limited, as a full disk would.
#[test]
fn full_disk_is_told_and_passes() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    append_through(&mut store, 500);
    let durable = store.commit().unwrap();
    store.limit_file(400_000).unwrap();
    let full = loop {
        let through = store.last_seq() + 500;
        append_through(&mut store, through);
        match store.commit() {
            Ok(_) => assert!(store.last_seq() < 100_000),
            Err(error) => break error,
        }
    };
    assert_eq!(full, StorageError::Full);
    let durable_before = store.durable_seq();
    assert!(durable_before >= durable);
    let lost = store.last_seq();
    let refused = store.append(&event(lost + 1), &[]).unwrap_err();
    assert!(
        matches!(refused, StorageError::Refusing { .. }),
        "{refused}"
    );
    assert!(matches!(store.commit(), Err(StorageError::Refusing { .. })));
    drop(store);
    // Room again: all that was durable is there, what came meanwhile is a gap on record.
    let (mut store, recovery) = open(directory.path());
    assert_eq!(recovery.last_seq, durable_before);
    assert_eq!(recovery.deaths, 0, "nobody died");
    check(&Reader::open(directory.path()).unwrap(), durable_before, 1);
    store.skip_to(lost + 100).unwrap();
    store
        .append(&event(lost + 100), &outcomes(lost + 100))
        .unwrap();
    assert_eq!(store.commit().unwrap(), lost + 100);
    let reader = Reader::open(directory.path()).unwrap();
    assert_eq!(reader.gaps().unwrap(), [(durable_before + 1, lost + 99)]);
}

fn die(directory: &Path, marked: Option<(u64, &[u8])>) -> coldledger::history::Recovery {
    let (mut store, recovery) = open(directory);
    if let Some((seq, kind)) = marked {
        store.mark_in_flight(seq, kind).unwrap();
    }
    drop(store);
    // Another process: the lock file names one that is not this.
    let lock = directory.join("lock");
    let text = std::fs::read_to_string(&lock).unwrap();
    let other = text.replace(&std::process::id().to_string(), "1");
    std::fs::write(&lock, other).unwrap();
    recovery
}

#[test]
fn event_that_kills_twice_is_named() {
    let directory = tempfile::tempdir().unwrap();
    let (mut store, _) = open(directory.path());
    append_through(&mut store, 100);
    store.close().unwrap();
    let first = die(directory.path(), Some((41, b"poison")));
    assert_eq!((first.deaths, first.suspect), (0, None));
    let second = die(directory.path(), Some((41, b"poison")));
    assert_eq!(second.deaths, 1);
    assert_eq!(second.suspect.unwrap().deaths, 1);
    // A start that dies before it applies anything accuses nobody and forgets nothing.
    let third = die(directory.path(), None);
    let suspect = third.suspect.unwrap();
    assert_eq!((suspect.seq, suspect.deaths), (41, 2));
    assert_eq!(
        die(directory.path(), Some((40, b"other")))
            .suspect
            .unwrap()
            .seq,
        41
    );
    // Another event begins from one; the same content under another number is the same event.
    let other = die(directory.path(), Some((57, b"other"))).suspect.unwrap();
    assert_eq!((other.seq, other.deaths), (40, 1));
    let (store, last) = open(directory.path());
    let again = last.suspect.unwrap();
    assert_eq!((again.seq, again.deaths), (57, 2));
    assert!(store.careful());
    store.close().unwrap();
    let (mut store, clean) = open(directory.path());
    assert_eq!((clean.deaths, clean.suspect), (0, None));
    assert!(!store.careful());
    // Committed events are beyond suspicion.
    store.mark_in_flight(101, b"").unwrap();
    append_through(&mut store, 101);
    store.commit().unwrap();
    drop(store);
    assert_eq!(open(directory.path()).1.suspect, None);
}

#[test]
fn a_process_that_lives_is_no_longer_careful() {
    let directory = tempfile::tempdir().unwrap();
    die(directory.path(), Some((1, b"")));
    let (mut store, recovery) = open(directory.path());
    assert_eq!(recovery.deaths, 1);
    assert!(store.careful());
    append_through(&mut store, 4_000);
    store.commit().unwrap();
    assert!(store.careful());
    append_through(&mut store, 5_000);
    store.commit().unwrap();
    assert!(!store.careful());
    drop(store);
    let lock = std::fs::read_to_string(directory.path().join("lock")).unwrap();
    assert!(lock.ends_with("running 0\n"), "{lock}");
}
