//! `coldledger verify`: whether what is kept follows from what was read.

use std::path::Path;
use std::sync::Arc;

use coldledger::command::verify::verify;
use coldledger::engine::{Engine, Event, EventKind, OutcomeKind, Poll};
use coldledger::history::{Store, StoreSettings};
use coldledger::plant::{files, load, poll_plan};
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};
use rusqlite::Connection;

/// Half an hour of the single dewar on record; the masses of one minute as `shown` makes them.
fn record(directory: &Path, shown: impl Fn(f64) -> f64) {
    let texts = files::read(Path::new("config/single-dewar")).unwrap();
    let plant = Arc::new(load::load(&texts).unwrap());
    let settings = StoreSettings {
        disk_budget_bytes: 64_000_000,
        commit_every: Span::from_millis(60_000),
    };
    let (mut store, _) = Store::open(directory, &settings).unwrap();
    let kept: Vec<(String, String)> = texts.into_iter().map(|f| (f.name, f.text)).collect();
    store.keep_description(plant.hash, &kept).unwrap();
    let mut engine = Engine::new(Arc::clone(&plant));
    store.provenance(&engine.provenance()).unwrap();
    let begin = Timestamp::parse("2026-05-04T00:00:00Z").unwrap();
    let mut outcomes = Vec::new();
    let mut feed = |seconds: i64, kind: EventKind| {
        let at = Span::from_millis(seconds * 1000);
        let event = Event {
            seq: engine.seq() + 1,
            stamp: Stamp {
                utc: Some(begin + at),
                monotonic: Monotonic(at.millis()),
                boot: 1,
                epoch: 0,
            },
            kind,
        };
        outcomes.clear();
        engine.apply(&event, &mut outcomes).unwrap();
        for outcome in &mut outcomes {
            if let OutcomeKind::Inventory(report) = &mut outcome.kind
                && (900..960).contains(&seconds)
            {
                report.plant.mass_kg = shown(report.plant.mass_kg);
            }
        }
        store.append(&event, &outcomes).unwrap();
        store.commit().unwrap();
    };
    feed(0, EventKind::DescriptionInForce { hash: plant.hash });
    for seconds in (10..1800).step_by(10) {
        for block in poll_plan(&plant) {
            let poll = Poll {
                words: Ok(vec![9_000; usize::from(block.key.words)]),
                block: block.key,
            };
            feed(seconds, EventKind::Poll(poll));
        }
        feed(seconds, EventKind::Tick);
    }
    store.close().unwrap();
}

#[test]
fn a_figure_that_does_not_follow_from_the_readings_is_found() {
    let (true_home, false_home) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    record(true_home.path(), |kg| kg);
    let verdict = verify(true_home.path()).unwrap();
    assert!(verdict.agrees && verdict.comparable, "{verdict:?}");

    // Who changes a figure in the file can also write down the hash that would be right.
    record(false_home.path(), |kg| kg + 1.0);
    let db = Connection::open(false_home.path().join("history.db")).unwrap();
    let path = true_home.path().join("history.db");
    db.execute("ATTACH ? AS sound", [path.to_str().unwrap()])
        .unwrap();
    db.execute_batch(
        "UPDATE main.hash_point SET hash =
             (SELECT hash FROM sound.hash_point WHERE seq = main.hash_point.seq)",
    )
    .unwrap();
    drop(db);
    let verdict = verify(false_home.path()).unwrap();
    assert_eq!(verdict.recorded_hash, verdict.replayed_hash);
    assert!(!verdict.agrees);
    let [problem] = verdict.problems.as_slice() else {
        panic!("{verdict:?}");
    };
    assert!(problem.starts_with("1 outcomes"), "{problem}");
}
