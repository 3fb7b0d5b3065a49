//! Magnets of Tarn Hollow over a day of the simulated plant.

use std::sync::Arc;

use coldledger::engine::event::Event;
use coldledger::engine::magnets::{HeatSource, JointMethod, LeadWord, MarginState, Until};
use coldledger::engine::{AlarmState, Engine, View};
use coldledger::time::Span;
use coldledger_simulator::past;

use crate::support::{Site, start};

const MAGNET_ALARMS: [&str; 3] = ["margin-low", "level-will-be-low", "gradient-high"];

/// The picture at the end of a stretch, and each alarm of magnets that was raised on the way, with
/// the hours since the beginning.
fn over(events: &str, time: Span) -> (View, Vec<(String, f64, String)>) {
    let site = Site::tarn_hollow();
    let mut twin = site.twin(7, start(), events);
    let mut engine = Engine::new(Arc::clone(twin.plant()));
    let mut raised = Vec::new();
    let mut outcomes = Vec::new();
    for (seq, (stamp, kind)) in (1..).zip(past::events(&mut twin, start() + time, 1)) {
        let event = Event { seq, stamp, kind };
        outcomes.clear();
        engine.apply(&event, &mut outcomes).unwrap();
        for outcome in &outcomes {
            if let coldledger::engine::OutcomeKind::Alarm(transition) = &outcome.kind
                && transition.to == AlarmState::Unacknowledged
            {
                let hours = (outcome.stamp.utc.unwrap() - start()).seconds() / 3600.0;
                raised.push((
                    transition.alarm.to_string(),
                    hours,
                    transition.detail.clone(),
                ));
            }
        }
    }
    (engine.view(), raised)
}

#[test]
fn a_calm_day_shows_margins_and_raises_nothing() {
    let (view, raised) = over("", Span::from_millis(8 * 3_600_000));
    let report = &view.magnets;
    assert_eq!((report.magnets.len(), report.baths.len()), (8, 6));
    for magnet in &report.magnets {
        assert_eq!(magnet.state, MarginState::Standing, "{magnet:?}");
        let (margin, line) = (magnet.margin_k.unwrap(), magnet.load_line.unwrap());
        println!(
            "{}: {:.3} K ± {:.3} K, {:.1} %",
            magnet.id,
            margin.value,
            margin.std,
            100.0 * line.value
        );
        assert!(
            (1.0..2.0).contains(&margin.value) && margin.std < 0.15,
            "{magnet:?}"
        );
        assert!((0.4..0.8).contains(&line.value), "{magnet:?}");
    }
    for bath in &report.baths {
        println!(
            "{}: {:?} {:?} {:?} {}",
            bath.id, bath.heat_w, bath.until_low, bath.until_low_without_supply, bath.why
        );
        assert!(bath.above_low_kg.unwrap().value > 1.0, "{bath:?}");
    }
    let string = report
        .baths
        .iter()
        .find(|bath| &*bath.id == "S1-bath")
        .unwrap();
    assert_eq!(string.heat_from, HeatSource::Stated);
    assert!(
        matches!(string.until_low_without_supply, Until::After { .. }),
        "{string:?}"
    );
    for joint in &report.joints {
        assert_eq!(joint.method, JointMethod::OnePair, "{joint:?}");
        let found = joint.resistance_ohm.unwrap();
        // 7.2 uV and 6.1 uV at 4800 A are set in the simulator.
        assert!((1.2e-9..1.6e-9).contains(&found.value), "{joint:?}");
    }
    assert!(
        report
            .leads
            .iter()
            .all(|lead| lead.temperature == LeadWord::Well)
    );
    for mass in &report.cool_downs {
        assert_eq!(mass.until_target, Until::Reached, "{mass:?}");
        assert!(mass.difference_k.unwrap().value < 0.5);
    }
    let of_magnets: Vec<_> = raised
        .iter()
        .filter(|(id, ..)| MAGNET_ALARMS.iter().any(|end| id.ends_with(end)))
        .collect();
    assert!(of_magnets.is_empty(), "{of_magnets:?}");
}

/// Without supply the level falls, and people hear of it before it is low.
#[test]
fn a_string_without_supply_is_told_before_its_level_is_low() {
    // The supply valve sticks where it is, and 25 W come on top: 40 litres an hour.
    let trouble = r#"
[[event]]
at = "2 h"
kind = "stuck-valve"
vessel = "S1-bath"

[[event]]
at = "2 h"
kind = "quench"
vessel = "S1-bath"
energy = "0.27 MJ"
over = "3 h"
"#;
    let (view, raised) = over(trouble, Span::from_millis(5 * 3_600_000));
    println!("{raised:#?}\n{:#?}", view.magnets.baths[0]);
    let at = |id: &str| {
        raised
            .iter()
            .find(|(name, ..)| name == id)
            .map(|(_, hours, _)| *hours)
    };
    let soon = at("S1-level-will-be-low").expect("it is told");
    let low = at("S1-level-low").unwrap_or(f64::INFINITY);
    assert!(soon < low && soon > 2.0, "{soon} {low}");
}
