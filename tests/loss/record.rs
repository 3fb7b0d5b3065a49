//! `losses` over a record: between two times within what the engine remembers, and beyond.

use std::path::Path;
use std::sync::Arc;

use coldledger::command::losses::{LossesArgs, run};
use coldledger::engine::{Engine, Event, EventKind, Poll};
use coldledger::history::{Store, StoreSettings};
use coldledger::plant::{Plant, files, load, poll_plan};
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};

use super::readings::{Made, here};

const STEP: Span = Span::from_millis(600_000);

/// Forty-five days of the made plant on record: each row polled, each followed by a tick.
fn recorded(directory: &Path, made: &Made) -> Timestamp {
    let texts = files::read(&here("tests/plants/series")).unwrap();
    let plant: Arc<Plant> = Arc::new(load(&texts).unwrap());
    let settings = StoreSettings {
        disk_budget_bytes: 1 << 40,
        commit_every: Span::from_millis(86_400_000),
    };
    let (mut store, _) = Store::open(directory, &settings).unwrap();
    let kept: Vec<(String, String)> = texts.into_iter().map(|f| (f.name, f.text)).collect();
    store.keep_description(plant.hash, &kept).unwrap();
    let mut engine = Engine::new(Arc::clone(&plant));
    store.provenance(&engine.provenance()).unwrap();
    let begin = Timestamp::parse("2026-05-04T00:05:00Z").unwrap();
    let mut outcomes = Vec::new();
    let mut feed = |at: Timestamp, kind: EventKind| {
        let event = Event {
            seq: engine.seq() + 1,
            stamp: Stamp {
                utc: Some(at),
                monotonic: Monotonic((at - begin).millis()),
                boot: 1,
                epoch: 0,
            },
            kind,
        };
        outcomes.clear();
        engine.apply(&event, &mut outcomes).unwrap();
        store.append(&event, &outcomes).unwrap();
        if store.commit_due() {
            store.commit().unwrap();
        }
    };
    feed(begin, EventKind::DescriptionInForce { hash: plant.hash });
    let plan = poll_plan(&plant);
    let mut at = begin;
    for row in made.rows() {
        for block in &plan {
            let mut words = vec![0_u16; usize::from(block.key.words)];
            for (ix, offset) in &block.channels {
                let channel = plant.channel(*ix).unwrap();
                let column = ["p_gas", "T_gas", "p_bath", "V_liquid"]
                    .iter()
                    .position(|id| **id == *channel.id)
                    .unwrap();
                let value = row[column + 1].unwrap() * if column == 3 { 1e-3 } else { 1.0 };
                let raw = channel.chain.raw_for(value).unwrap();
                let from = usize::from(*offset);
                words[from..from + raw.len()].copy_from_slice(&raw);
            }
            let poll = Poll {
                block: Arc::clone(&block.key),
                words: Ok(words),
            };
            feed(at, EventKind::Poll(poll));
        }
        feed(at, EventKind::Tick);
        at = at + STEP;
    }
    let (header, bytes) = engine.snapshot().unwrap();
    store.commit().unwrap();
    store.save_snapshot(&header, &bytes).unwrap();
    store.close().unwrap();
    begin
}

fn answer(directory: &Path, from: Timestamp, to: Timestamp) -> serde_json::Value {
    let args = LossesArgs {
        data: directory.to_owned(),
        from: Some(from.to_string()),
        to: Some(to.to_string()),
        json: true,
        ..LossesArgs::default()
    };
    let mut out = Vec::new();
    run(&args, &mut out).unwrap();
    serde_json::from_slice(&out).unwrap()
}

#[test]
fn any_two_times_on_record_are_balanced_also_beyond_what_the_engine_remembers() {
    let made = Made {
        seed: 21,
        step_s: 600.0,
        days: 45.0,
        start_kg: 232.0,
        leak: (0.5, 7.0),
        delivery: None,
        white_kg: 0.05,
        slow: (0.08, 10_800.0),
        wave_kelvin: 0.5,
        missing: 0.0,
    };
    let directory = tempfile::tempdir().unwrap();
    let begin = recorded(directory.path(), &made);
    let day = |days: i64| begin + Span::from_millis(days * 86_400_000);
    let figure = |value: &serde_json::Value| {
        (
            value["value"].as_f64().unwrap(),
            value["std_uncertainty"].as_f64().unwrap(),
        )
    };
    let mut first_std = None;
    // What the leak has taken between the two times; whole days, so that the wave is the same.
    for (from, to, long) in [(20, 44, false), (1, 44, true), (1, 40, true), (2, 9, true)] {
        let found = answer(directory.path(), day(from), day(to));
        let expected = made.leak.0 * ((to.max(7) - from.max(7)) as f64);
        let (kg, std) = figure(&found["between"]["unaccounted"]);
        println!("day {from} to {to}: {kg:.2} +- {std:.2} kg, truth {expected:.2}");
        assert!(
            (kg - expected).abs() < 3.0 * std + 0.01,
            "day {from} to {to}"
        );
        // Calibrations and volumes cancel over a short replay as they do in what is remembered.
        let remembered = *first_std.get_or_insert(std);
        assert!(
            (std / remembered - 1.0).abs() < 0.25,
            "day {from} to {to}: {std}"
        );
        // What could explain the loss is of when it was told, and says so.
        let notes = found["notes"].as_array().unwrap();
        let of_its_time = |note: &serde_json::Value| {
            note.as_str()
                .is_some_and(|note| note.contains("as it was told at 2026-"))
        };
        assert!(notes.iter().all(of_its_time), "{notes:?}");
        assert_eq!(long, to - from > 30 || from < 14);
    }
    // Months add up to the whole.
    let found = answer(directory.path(), day(1), day(44));
    let months = found["months"].as_array().unwrap();
    assert_eq!(months.len(), 2);
    let lost: f64 = months.iter().map(|month| figure(&month["lost"]).0).sum();
    assert!((lost - 18.5).abs() < 1.0, "{lost}");
    // The picture is that of the end asked for: on the fifth day nothing was lost yet.
    let early = answer(directory.path(), day(1), day(5));
    assert_eq!(early["losses"][0]["raised"], false);
    let late = answer(directory.path(), day(1), day(40));
    assert_eq!(late["losses"][0]["raised"], true);
}
