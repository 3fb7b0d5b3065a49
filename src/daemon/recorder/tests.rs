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

fn open(directory: &Path, seconds: i64) -> (Recorder, Opened) {
    let settings = StoreSettings {
        disk_budget_bytes: 64_000_000,
        commit_every: Span::from_millis(1_000),
    };
    Recorder::open(directory, &settings, described(), at(seconds)).unwrap()
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
