//! How much the engine takes on one core, and how long ten days of a virtual plant take.
//!
//! The events of Tarn Hollow are computed beforehand, so that only the engine is timed.
#![expect(
    clippy::print_stdout,
    clippy::disallowed_methods,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::cast_precision_loss,
    reason = "a benchmark reads the clock, prints, and may fail loudly"
)]

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use coldledger::engine::Engine;
use coldledger::engine::event::{Event, EventKind};
use coldledger::plant::{self, channels_within};
use coldledger::time::{Span, Timestamp};
use coldledger_simulator::{
    Beginning, Imperfections, Scenario, SimulatorSettings, VirtualPlant, past,
};

const TIMED: Span = Span::from_millis(12 * 3_600_000);

fn main() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let files = plant::files::read(&root.join("config/tarn-hollow")).expect("the description");
    let plant = match plant::load(&files) {
        Ok(plant) => Arc::new(plant),
        Err(problems) => panic!("{problems:#?}"),
    };
    let read = |path: &str| std::fs::read_to_string(root.join(path)).expect(path);
    let settings = read("simulator/plants/tarn-hollow.toml");
    let settings = SimulatorSettings::parse(&plant, "tarn-hollow.toml", &settings)
        .unwrap_or_else(|problems| panic!("{problems}"));
    let scenario = read("simulator/scenarios/tarn-hollow-demo.toml");
    let scenario = Scenario::parse(&plant, "tarn-hollow-demo.toml", &scenario)
        .unwrap_or_else(|problems| panic!("{problems}"));
    let start = Timestamp::parse("2026-05-04T00:00:00Z").unwrap();
    let beginning = Beginning {
        seed: 1,
        start,
        imperfections: Imperfections::AS_STATED,
    };
    let twin =
        || VirtualPlant::new(Arc::clone(&plant), &settings, scenario.clone(), beginning).unwrap();
    // Called with --test there is no time for ten days.
    let quick = std::env::args().any(|argument| argument == "--test");
    if !quick {
        let began = Instant::now();
        let mut ten_days = twin();
        ten_days.advance(past::DEMO_PAST);
        let model = began.elapsed().as_secs_f64();
        let began = Instant::now();
        let events = past::events(&mut twin(), start + past::DEMO_PAST, 1).count();
        println!(
            "ten days of the virtual plant: {model:.2} s; with all registers read, {events} events: \
             {:.2} s",
            began.elapsed().as_secs_f64()
        );
    }

    let mut source = twin();
    let events: Vec<Event> = (1..)
        .zip(past::events(&mut source, start + TIMED, 1))
        .map(|(seq, (stamp, kind))| Event { seq, stamp, kind })
        .collect();
    let mut readings = 0;
    let mut ticks = 0;
    for event in &events {
        match &event.kind {
            EventKind::Poll(poll) if poll.words.is_ok() => {
                readings += channels_within(&plant, &poll.block).len();
            }
            EventKind::Tick => ticks += 1,
            _ => {}
        }
    }
    let mut best = f64::INFINITY;
    let mut split = (0.0, 0.0);
    for _ in 0..if quick { 1 } else { 3 } {
        let mut engine = Engine::new(Arc::clone(&plant));
        let mut outcomes = Vec::new();
        let (mut in_polls, mut in_ticks) = (0.0, 0.0);
        let began = Instant::now();
        for event in &events {
            let each = Instant::now();
            outcomes.clear();
            engine.apply(event, &mut outcomes).unwrap();
            let took = each.elapsed().as_secs_f64();
            if matches!(event.kind, EventKind::Tick) {
                in_ticks += took;
            } else {
                in_polls += took;
            }
        }
        let took = began.elapsed().as_secs_f64();
        if took < best {
            best = took;
            split = (in_polls, in_ticks);
        }
    }
    let polls = events.len() - ticks;
    println!(
        "engine, one core, {} events, {readings} readings, {ticks} ticks of 12 h: {best:.3} s = \
         {:.0} events/s, {:.0} readings/s",
        events.len(),
        events.len() as f64 / best,
        readings as f64 / best
    );
    println!(
        "  a poll {:.2} us, a tick {:.1} us (ten-minute reports of losses included)",
        split.0 / polls as f64 * 1e6,
        split.1 / ticks as f64 * 1e6
    );
}
