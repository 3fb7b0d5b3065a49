//! The same events give the same outcomes, to the byte, whether in one go or from a snapshot; and a
//! change of the description restates the inventory and loses nothing.

use std::sync::Arc;

use coldledger::engine::event::{Event, EventKind};
use coldledger::engine::outcome::OutcomeKind;
use coldledger::engine::{Engine, Outcome};
use coldledger::plant::Plant;
use coldledger::replay;
use coldledger::time::Span;

use crate::support::{Site, files, load, recorded, start};

const EVENTS: &str = r#"
    [[event]]
    at = "90 min"
    kind = "delivery"
    vessel = "TANK-1"
    mass = "20 kg"
    over = "15 min"

    [[event]]
    at = "5 h"
    kind = "lost-device"
    device = "IO-GAS"
    lasts = "20 min"

    [[event]]
    at = "1 min"
    kind = "leak"
    vessel = "STRING-A"
    rate = "30 kg/day"
"#;

/// Twenty hours with a delivery, a lost device and a leak; after twelve hours a description comes
/// into force that knows tank 1 to be larger.
fn stretch() -> (Vec<Event>, Arc<Plant>, Arc<Plant>, usize) {
    let site = Site::thirty();
    let mut changed = files("tests/plants/thirty");
    let text = &mut changed[0].text;
    *text = text.replacen(
        "volume = \"50 m3 ± 0.2 m3\"",
        "volume = \"52 m3 ± 0.2 m3\"",
        1,
    );
    let changed = load(&changed);
    assert_ne!(changed.hash, site.plant.hash);

    let mut twin = site.twin(5, start(), EVENTS);
    let mut events = recorded(&mut twin, start() + Span::from_millis(20 * 3_600_000));
    let noon = start() + Span::from_millis(12 * 3_600_000);
    let at = events
        .iter()
        .position(|event| event.stamp.utc.unwrap() > noon)
        .unwrap();
    let stamp = events[at].stamp;
    let hash = changed.hash;
    let kind = EventKind::DescriptionInForce { hash };
    events.insert(
        at,
        Event {
            seq: 0,
            stamp,
            kind,
        },
    );
    for (seq, event) in (1..).zip(&mut events) {
        event.seq = seq;
    }
    (events, site.plant, changed, at)
}

fn go_on(engine: &mut Engine, events: &[Event], changed: &Arc<Plant>) -> Vec<Outcome> {
    let mut all = Vec::new();
    let mut outcomes = Vec::new();
    let mut describe = |hash| (hash == changed.hash).then(|| Arc::clone(changed));
    for event in events {
        replay::step(engine, event, &mut describe, &mut outcomes).unwrap();
        all.append(&mut outcomes);
    }
    all
}

fn bytes(outcomes: &[Outcome]) -> Vec<u8> {
    postcard::to_allocvec(outcomes).unwrap()
}

#[test]
fn replay_and_snapshots_give_the_same_bytes_and_a_new_description_restates() {
    let (events, plant, changed, at) = stretch();
    let all = go_on(&mut Engine::new(Arc::clone(&plant)), &events, &changed);
    let again = go_on(&mut Engine::new(Arc::clone(&plant)), &events, &changed);
    assert_eq!(bytes(&all), bytes(&again));

    // Between ticks, in the middle of a poll, around the change, before and after.
    for cut in [
        0,
        1,
        5,
        1_001,
        events.len() / 3,
        at,
        at + 1,
        at + 2,
        at + 3,
        events.len() - 7,
    ] {
        let mut engine = Engine::new(Arc::clone(&plant));
        let mut parts = go_on(&mut engine, &events[..cut], &changed);
        let (header, state) = engine.snapshot().unwrap();
        let in_force = Arc::clone(engine.plant());
        drop(engine);
        let mut restored = Engine::restore(in_force, &header, &state).unwrap();
        assert_eq!(restored.seq(), cut as u64);
        parts.extend(go_on(&mut restored, &events[cut..], &changed));
        assert_eq!(
            bytes(&parts),
            bytes(&all),
            "cut at {cut} of {}",
            events.len()
        );
    }

    restated_and_not_lost(&all, &events, &plant, at);
}

fn restated_and_not_lost(all: &[Outcome], events: &[Event], plant: &Arc<Plant>, at: usize) {
    let restated: Vec<(f64, f64)> = all
        .iter()
        .filter_map(|outcome| match &outcome.kind {
            OutcomeKind::Restated { from_kg, to_kg, .. } => Some((*from_kg, *to_kg)),
            _ => None,
        })
        .collect();
    let [(from_kg, to_kg)] = restated[..] else {
        panic!("{restated:?}");
    };
    // Two more cubic metres at about 10 bar and 283 K.
    let more = to_kg - from_kg;
    assert!((2.8..4.2).contains(&more), "{more}");

    // Without the change: the same losses, but for the larger tank's part in what happens.
    let mut unchanged: Vec<Event> = events.to_vec();
    unchanged.remove(at);
    for (seq, event) in (1..).zip(&mut unchanged) {
        event.seq = seq;
    }
    let without = go_on(&mut Engine::new(Arc::clone(plant)), &unchanged, plant);
    let windows = |outcomes: &[Outcome]| -> Vec<(Span, f64, f64)> {
        let last = outcomes
            .iter()
            .rev()
            .find_map(|outcome| match &outcome.kind {
                OutcomeKind::Losses(report) => Some(report.windows.clone()),
                _ => None,
            });
        last.unwrap()
            .iter()
            .map(|window| (window.over, window.unaccounted_kg, window.std_kg))
            .collect()
    };
    let (with, without) = (windows(all), windows(&without));
    assert_eq!(with.len(), 2);
    for ((over, a, std), (_, b, _)) in with.iter().zip(&without) {
        println!(
            "{} h: {a:.2} kg +- {std:.2} kg, without the change {b:.2} kg",
            over.seconds() / 3600.0
        );
        assert!((a - b).abs() < 0.4, "{a} {b}");
    }
}
