//! The balance of a section over more than thirty days, which no engine remembers: put together from
//! the balances on record, and held against what has truly leaked.

use std::path::Path;

use coldledger::command::losses::{LossesArgs, run};
use coldledger::engine::{Engine, Event, EventKind};
use coldledger::history::{Store, StoreSettings};
use coldledger::time::{Span, Timestamp};
use coldledger_simulator::past;

use super::support::{Site, files, start};

const PLANT: &str = "simulator/plants/score";
const SECTIONS: [&str; 2] = ["string-a", "reserve"];
/// A leak out of one string, from the fourth day on.
const LEAK: &str =
    "[[event]]\nat = \"4 days\"\nkind = \"leak\"\nvessel = \"STRING-A\"\nrate = \"2 kg/day\"\n";

fn day(days: i64) -> Timestamp {
    start() + Span::from_millis(days * Span::DAY.millis())
}

/// Thirty-four days on record; what has leaked out of each section by the end of each day, kg.
fn recorded(directory: &Path) -> Vec<[f64; 2]> {
    let site = Site::new(PLANT, "score.toml");
    let settings = StoreSettings {
        disk_budget_bytes: 1 << 40,
        commit_every: Span::DAY,
    };
    let (mut store, _) = Store::open(directory, &settings).unwrap();
    let texts = files(PLANT);
    let kept: Vec<(String, String)> = texts.into_iter().map(|f| (f.name, f.text)).collect();
    store.keep_description(site.plant.hash, &kept).unwrap();
    let mut engine = Engine::new(std::sync::Arc::clone(&site.plant));
    store.provenance(&engine.provenance()).unwrap();
    let mut twin = site.twin(3, start(), LEAK);
    let mut leaked = vec![[0.0; 2]];
    let mut outcomes = Vec::new();
    let mut events =
        past::events_every(&mut twin, (start(), day(34)), Span::from_millis(60_000), 1);
    let mut seq = 0;
    let mut apply = |stamp, kind| {
        seq += 1;
        let event = Event { seq, stamp, kind };
        outcomes.clear();
        engine.apply(&event, &mut outcomes).unwrap();
        store.append(&event, &outcomes).unwrap();
        if store.commit_due() {
            store.commit().unwrap();
        }
    };
    let hash = site.plant.hash;
    let mut first = true;
    while let Some((stamp, kind)) = events.next() {
        if std::mem::take(&mut first) {
            apply(stamp, EventKind::DescriptionInForce { hash });
        }
        apply(stamp, kind);
        let twin = events.plant();
        if twin.now() >= day(i64::try_from(leaked.len()).unwrap()) {
            let of = |section: &str| {
                let of_vessel = site.plant.all.vessel.iter().zip(&twin.model().leaked_kg);
                let inside = of_vessel.filter(|(vessel, _)| {
                    let within = site.plant.section(vessel.section);
                    within.is_some_and(|within| *within.id == *section)
                });
                inside.map(|(_, kg)| kg).sum::<f64>()
            };
            leaked.push(SECTIONS.map(of));
        }
    }
    let (header, bytes) = engine.snapshot().unwrap();
    store.commit().unwrap();
    store.save_snapshot(&header, &bytes).unwrap();
    store.close().unwrap();
    leaked
}

#[test]
fn a_sections_balance_over_more_than_thirty_days_holds_its_truth() {
    let directory = tempfile::tempdir().unwrap();
    let leaked = recorded(directory.path());
    assert!(
        leaked[33][0] > 55.0 && leaked[33][1] == 0.0,
        "{:?}",
        leaked[33]
    );
    for (at, section) in SECTIONS.iter().enumerate() {
        let mut stds = Vec::new();
        for (from, to) in [(10, 33), (1, 33), (1, 32)] {
            let args = LossesArgs {
                data: directory.path().to_owned(),
                from: Some(day(from).to_string()),
                to: Some(day(to).to_string()),
                section: Some((*section).to_owned()),
                json: true,
                ..LossesArgs::default()
            };
            let mut out = Vec::new();
            run(&args, &mut out).unwrap();
            let said = String::from_utf8(out).unwrap();
            let found: serde_json::Value = serde_json::from_str(&said).unwrap();
            let figure = &found["between"]["unaccounted"];
            let kg = figure["value"].as_f64().unwrap();
            let std = figure["std_uncertainty"].as_f64().unwrap();
            let index = |day: i64| usize::try_from(day).unwrap();
            let truth = leaked[index(to)][at] - leaked[index(from)][at];
            println!("{section}, day {from} to {to}: {kg:.2} +- {std:.2} kg, truth {truth:.2}");
            assert!(
                (kg - truth).abs() < 3.0 * std,
                "{section}: {kg} +- {std}, truth {truth}"
            );
            assert_eq!(said.contains("end to end"), to - from > 30, "{said}");
            stds.push(std);
        }
        // Uncertainties that are added up are wider than one balance has, and not out of all
        // proportion to it.
        assert!(
            stds[1] > stds[0] && stds[1] < 6.0 * stds[0],
            "{section}: {stds:?}"
        );
    }
}
