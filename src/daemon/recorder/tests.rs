use std::fs;

use super::*;
use crate::engine::Poll;
use crate::plant::{files, poll_plan};

fn described() -> Described {
    let files = files::read(Path::new("config/single-dewar")).unwrap();
    Described {
        plant: Arc::new(load::load(&files).unwrap()),
        files: files.into(),
    }
}

fn at(seconds: i64) -> Stamp {
    Stamp {
        utc: Some(crate::time::Timestamp::from_millis(
            1_750_000_000_000 + seconds * 1_000,
        )),
        monotonic: Monotonic(seconds * 1_000),
        boot: 1,
        epoch: 0,
    }
}

fn settings() -> StoreSettings {
    StoreSettings {
        disk_budget_bytes: 64_000_000,
        commit_every: Span::from_millis(1_000),
    }
}

fn open(directory: &Path, seconds: i64) -> (Recorder, Opened) {
    let recorder = Recorder::open(directory, &settings(), described(), at(seconds)).unwrap();
    let opened = recorder.opened().clone();
    (recorder, opened)
}

fn open_with_a_full_disk(directory: &Path, seconds: i64) -> (Recorder, Opened) {
    let full = StorageError::Full;
    assert!(full.is_of_the_disk(directory));
    let recorder =
        Recorder::open_unrecorded(directory, &settings(), described(), at(seconds), &full);
    let opened = recorder.opened().clone();
    (recorder, opened)
}

fn poll(first_word: u16) -> EventKind {
    let block = &poll_plan(&described().plant)[0];
    let mut words = vec![0; usize::from(block.key.words)];
    words[0] = first_word;
    EventKind::Poll(Poll {
        block: Arc::clone(&block.key),
        words: Ok(words),
    })
}

/// Leaves the directory as a process that died just now would.
fn die(recorder: Recorder, directory: &Path, in_flight: Option<&EventKind>) {
    let Recorder { record, engine, .. } = recorder;
    let Record::Well(mut store) = record else {
        panic!("not recording");
    };
    if let Some(kind) = in_flight {
        store
            .mark_in_flight(engine.seq() + 1, &content(kind))
            .unwrap();
    }
    drop(store);
    let lock = directory.join("lock");
    let text = fs::read_to_string(&lock).unwrap();
    let mut words: Vec<&str> = text.split_whitespace().collect();
    words[1] = "1";
    fs::write(lock, words.join(" ")).unwrap();
}

fn kinds(directory: &Path) -> Vec<EventKind> {
    let mut kinds = Vec::new();
    let replayed = Reader::open(directory)
        .unwrap()
        .replay(1, |event| {
            kinds.push(event.kind);
            ControlFlow::Continue(())
        })
        .unwrap();
    assert!(replayed.damaged.is_empty());
    kinds
}

#[test]
fn what_ended_the_process_twice_is_set_aside_when_it_comes_back() {
    let directory = tempfile::tempdir().unwrap();
    let home = directory.path();
    let fatal = poll(7);
    for life in 0..2 {
        let (mut recorder, opened) = open(home, life * 100);
        assert!(!opened.notes.iter().any(|note| note.contains("aside")));
        recorder.feed(at(life * 100 + 1), poll(1));
        recorder.commit(at(life * 100 + 1));
        die(recorder, home, Some(&fatal));
    }
    let (mut recorder, opened) = open(home, 300);
    let told = opened.notes.iter().filter(|note| note.contains("aside"));
    assert_eq!(told.count(), 1, "{:?}", opened.notes);
    recorder.feed(at(301), poll(2));
    recorder.feed(at(302), fatal.clone());
    recorder.feed(at(303), poll(3));
    recorder.close(at(304)).unwrap();
    let kinds = kinds(home);
    assert!(!kinds.contains(&fatal));
    assert!(kinds.contains(&poll(2)) && kinds.contains(&poll(3)));
    let aside = |kind: &&EventKind| matches!(kind, EventKind::SetAside { .. });
    assert_eq!(kinds.iter().filter(aside).count(), 1, "{kinds:?}");
}

#[test]
fn a_death_between_two_events_accuses_neither() {
    let directory = tempfile::tempdir().unwrap();
    let home = directory.path();
    for life in 0..4 {
        let (mut recorder, opened) = open(home, life * 100);
        assert!(
            !opened.notes.iter().any(|note| note.contains("aside")),
            "{:?}",
            opened.notes
        );
        recorder.feed(at(life * 100 + 1), poll(1));
        recorder.feed(at(life * 100 + 2), EventKind::Tick);
        die(recorder, home, None);
    }
}

#[test]
fn with_a_disk_that_takes_nothing_it_begins_unrecorded_and_records_once_it_can() {
    let directory = tempfile::tempdir().unwrap();
    let home = directory.path();
    let (mut recorder, _) = open(home, 0);
    recorder.feed(at(1), poll(1));
    let known = recorder.engine().seq();
    recorder.close(at(2)).unwrap();

    let (mut recorder, _) = open_with_a_full_disk(home, 100);
    // What is on record is known, and what is said says why nothing more is put there.
    assert_eq!(recorder.engine().seq(), known);
    assert!(recorder.not_recording_because().unwrap().contains("full"));
    recorder.feed(at(101), poll(2));
    assert!(recorder.feed_recorded(at(102), EventKind::Tick).is_err());
    recorder.feed(at(111), poll(3));
    assert_eq!(recorder.not_recording_because(), None);
    recorder.close(at(112)).unwrap();
    let kinds = kinds(home);
    assert!(kinds.contains(&poll(3)) && !kinds.contains(&poll(2)));
    let missed = |kind: &EventKind| matches!(kind, EventKind::NotPolled { polls: 1, .. });
    assert!(kinds.iter().any(missed), "{kinds:?}");
}

#[test]
fn without_a_readable_record_it_begins_with_the_plant_alone() {
    let directory = tempfile::tempdir().unwrap();
    let (mut recorder, opened) = open_with_a_full_disk(&directory.path().join("never"), 0);
    let [note] = opened.notes.as_slice() else {
        panic!("{:?}", opened.notes);
    };
    assert!(note.contains("could not be read"), "{note}");
    let seq = recorder.engine().seq();
    recorder.feed(at(1), poll(1));
    assert_eq!(recorder.engine().seq(), seq + 1);
}

#[test]
fn a_history_file_that_is_gone_or_emptied_is_told() {
    let directory = tempfile::tempdir().unwrap();
    let home = directory.path();
    let told = |opened: &Opened, what: &str| {
        let told = opened.notes.iter().any(|note| note.contains(what));
        assert!(told, "{what}: {:?}", opened.notes);
    };
    let (recorder, opened) = open(home, 0);
    assert_eq!(opened.notes, Vec::<String>::new());
    recorder.close(at(1)).unwrap();
    let database = home.join("history.db");
    fs::write(&database, []).unwrap();
    let (recorder, opened) = open(home, 2);
    told(&opened, "gone or empty");
    recorder.close(at(3)).unwrap();
    fs::remove_file(&database).unwrap();
    let (recorder, opened) = open(home, 4);
    told(&opened, "gone or empty");
    recorder.close(at(5)).unwrap();
    assert_eq!(open(home, 6).1.notes, Vec::<String>::new());
}
