//! Tests by isolation: a valve that is called open joins the reserve tank to the tank farm, so that a loss
//! of the one cannot be told from one of the other. Somebody shuts it for half a day.

use std::sync::Arc;

use coldledger::actor::Actor;
use coldledger::balance::report::{Explanation, HypothesisKind};
use coldledger::engine::Engine;
use coldledger::engine::event::{Action, ActionKind, Event, EventKind};
use coldledger::plant::Passage;
use coldledger::time::{Span, Timestamp};
use coldledger_simulator::{SimulatorSettings, past};

use crate::support::{Site, files, load, over_seeds, root, start};

const ONSET_DAYS: f64 = 9.0;
/// When the valve is shut, when it is open again, and the end.
const DAYS: [f64; 3] = [10.5, 11.0, 11.3];

fn site() -> Site {
    let mut files = files("simulator/plants/score");
    let valve = "from = \"reserve\"\nto = \"gas\"\nstate = ";
    let text = &mut files[0].text;
    assert!(text.contains(&format!("{valve}\"shut\"")));
    *text = text.replace(&format!("{valve}\"shut\""), &format!("{valve}\"open\""));
    let plant = load(&files);
    let text = std::fs::read_to_string(root().join("simulator/plants/score.toml")).unwrap();
    let settings = SimulatorSettings::parse(&plant, "score.toml", &text).unwrap();
    Site { plant, settings }
}

fn after(days: f64) -> Timestamp {
    start() + Span::from_seconds(days * 86_400.0)
}

/// What could explain it just before the valve is shut, just before it is open again, and at the end.
fn explanations(site: &Site, seed: u64, vessel: &str) -> [Explanation; 3] {
    let events = format!(
        "[[event]]\nat = \"{} h\"\nkind = \"leak\"\nvessel = \"{vessel}\"\nrate = \"9 kg/day\"\n",
        ONSET_DAYS * 24.0
    );
    let mut twin = site.twin(seed, start(), &events);
    let mut engine = Engine::new(Arc::clone(&site.plant));
    let mut outcomes = Vec::new();
    let mut seen = Vec::new();
    let mut due = DAYS.iter().map(|days| after(*days)).peekable();
    let mut seq = 0;
    let mut take = |engine: &mut Engine, stamp, kind| {
        seq += 1;
        outcomes.clear();
        engine
            .apply(&Event { seq, stamp, kind }, &mut outcomes)
            .unwrap();
    };
    let end = after(DAYS[2]) + Span::HOUR;
    for (stamp, kind) in past::events(&mut twin, end, 1) {
        if due.next_if(|at| stamp.utc.unwrap() >= *at).is_some() {
            seen.push(engine.view().explanation.clone().expect("a loss stands"));
            let passage = if seen.len() == 1 {
                Passage::Shut
            } else {
                Passage::Open
            };
            let action = Action {
                actor: Actor {
                    name: "the cryogenic engineer".to_owned(),
                    place: "test".to_owned(),
                },
                kind: ActionKind::SetPassage {
                    line: "reserve-valve".into(),
                    passage,
                },
            };
            take(&mut engine, stamp, EventKind::Action(action));
        }
        take(&mut engine, stamp, kind);
    }
    for one in &seen {
        println!(
            "{vessel}, seed {seed}: {:?}; {:?}",
            one.leading(),
            one.excluded
        );
    }
    seen.try_into().expect("three times")
}

/// The weight of a leak in just those sections.
fn leak(explanation: &Explanation, wanted: &[&str]) -> f64 {
    let all = explanation
        .groups
        .iter()
        .flat_map(|group| &group.hypotheses);
    all.filter(|one| match &one.kind {
        HypothesisKind::Leak { sections } => {
            sections.iter().map(|id| &**id).eq(wanted.iter().copied())
        }
        _ => false,
    })
    .map(|one| one.weight)
    .sum()
}

fn says(explanation: &Explanation, what: &str) -> bool {
    explanation
        .excluded
        .iter()
        .any(|said| said.starts_with(what))
}

#[test]
fn what_a_tank_loses_by_itself_is_held_against_every_hypothesis() {
    let site = site();
    let together = ["gas", "reserve"];
    for [before, shut, open] in over_seeds(1..3, |seed| explanations(&site, seed, "RESERVE")) {
        assert!(leak(&before, &together) > 0.0);
        assert!(
            before
                .groups
                .iter()
                .any(|group| !group.isolation_tests.is_empty())
        );
        // The test's result is remembered once the valve is open again.
        for after in [shut, open] {
            assert_eq!(leak(&after, &together), 0.0);
            assert!(leak(&after, &["reserve"]) > 10.0 * leak(&after, &["gas"]));
            assert!(says(&after, "not outside Reserve"), "{:?}", after.excluded);
        }
    }
    for [before, shut, open] in over_seeds(1..3, |seed| explanations(&site, seed, "TANK-2")) {
        assert!(leak(&before, &together) > 0.0);
        for after in [shut, open] {
            assert!(leak(&after, &["gas"]) > 10.0 * leak(&after, &["reserve"]));
            assert!(says(&after, "not in Reserve"), "{:?}", after.excluded);
        }
    }
}
