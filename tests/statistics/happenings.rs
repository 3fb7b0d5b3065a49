//! Happenings: recognised with the right mass over plants whose errors are drawn anew, none on
//! quiet days.

use coldledger::alarm::AlarmState;
use coldledger::engine::outcome::{Happening, HappeningKind, OutcomeKind};
use coldledger::time::Span;
use coldledger_simulator::{Beginning, Imperfections, Scenario, VirtualPlant};

use crate::support::{Site, over_seeds, run, start};

/// What a plant said.
struct Told {
    happenings: Vec<Happening>,
    alerts: Vec<f64>,
}

fn follow(twin: VirtualPlant, hours: i64, name: &str) -> Told {
    let mut told = Told {
        happenings: Vec::new(),
        alerts: Vec::new(),
    };
    let until = start() + Span::from_millis(hours * 3_600_000);
    run(twin, until, |_, event, outcomes| {
        let at = (event.stamp.utc.unwrap() - start()).days() * 24.0;
        for outcome in outcomes {
            match &outcome.kind {
                OutcomeKind::Happening(happening) => {
                    println!("{name}, {at:.2} h: {}", words(happening));
                    told.happenings.push(happening.clone());
                }
                OutcomeKind::Alarm(alarm) if alarm.to == AlarmState::Unacknowledged => {
                    println!("{name}, {at:.2} h: {}", alarm.alarm);
                    told.alerts.push(at);
                }
                _ => {}
            }
        }
    });
    told
}

fn hour(at: Option<coldledger::time::Timestamp>) -> f64 {
    (at.unwrap() - start()).days() * 24.0
}

fn words(happening: &Happening) -> String {
    format!(
        "{:.2} to {:.2} h {}",
        hour(happening.from),
        hour(happening.to),
        happening.words()
    )
}

fn transfer() -> Site {
    Site::new("tests/plants/transfer", "transfer.toml")
}

/// At 30 h, over seeds.
fn at_30_h(site: &Site, seeds: std::ops::Range<u64>, event: &str) -> Vec<Told> {
    let events = format!("[[event]]\nat = \"30 h\"\n{event}\n");
    over_seeds(seeds, |seed| {
        let name = format!("seed {seed}");
        follow(site.twin(seed, start(), &events), 44, &name)
    })
}

fn kg(side: &[(coldledger::plant::Id, f64)], id: &str) -> f64 {
    side.iter()
        .filter(|(known, _)| **known == *id)
        .map(|(_, kg)| kg)
        .sum()
}

/// Exactly one happening, of that kind, of that net mass within three of its standard
/// uncertainties, at its time: it may seem to begin up to half an hour early, since the last step
/// before it must be surely quiet, and it ends within a quarter of an hour.
fn only(told: &Told, kind: HappeningKind, net_kg: f64, ends_h: f64) -> Happening {
    assert_eq!(told.happenings.len(), 1, "{:#?}", told.happenings);
    let happening = told.happenings[0].clone();
    assert_eq!(happening.kind, kind);
    let off = happening.net_kg - net_kg;
    assert!(
        off.abs() <= 3.0 * happening.net_std_kg,
        "{off} {happening:?}"
    );
    let early = 30.0 - hour(happening.from);
    assert!((-0.25..0.51).contains(&early), "{happening:?}");
    assert!((hour(happening.to) - ends_h).abs() <= 0.25, "{happening:?}");
    happening
}

#[test]
fn ten_quiet_days_give_none() {
    let site = Site::thirty();
    for told in over_seeds(1..5, |seed| {
        follow(site.twin(seed, start(), ""), 240, "quiet")
    }) {
        assert_eq!(told.happenings, vec![]);
    }
}

#[test]
fn an_unbooked_vent_of_20_kg_is_recognised() {
    let event = "kind=\"vent\"\nvessel=\"TANK-1\"\nmass=\"20 kg\"\nover=\"10 min\"\nbooked=false";
    for told in at_30_h(&Site::thirty(), 1..7, event) {
        let vent = only(&told, HappeningKind::Vent, -20.0, 30.17);
        assert_eq!(vent.booked, None);
        assert!(vent.net_std_kg < 1.5, "{vent:?}");
    }
}

#[test]
fn an_unbooked_delivery_of_300_kg_is_recognised() {
    let event = "kind=\"delivery\"\nvessel=\"header\"\nmass=\"300 kg\"\nover=\"3 h\"\nbooked=false";
    for told in at_30_h(&Site::thirty(), 1..5, event) {
        let delivery = only(&told, HappeningKind::Delivery, 300.0, 33.0);
        assert_eq!(delivery.booked, None);
        assert!(delivery.net_std_kg < 12.0, "{delivery:?}");
    }
}

#[test]
fn a_booked_delivery_is_matched_and_leaves_nothing_over() {
    let event = "kind=\"delivery\"\nvessel=\"header\"\nmass=\"100 kg\"\nover=\"2 h\"";
    for told in at_30_h(&Site::thirty(), 1..5, event) {
        let delivery = only(&told, HappeningKind::Delivery, 0.0, 32.0);
        assert_eq!(delivery.booked.as_deref(), Some("simulated-1"));
    }
}

#[test]
fn fresh_gas_that_cools_is_followed_by_no_vent() {
    // Let into one tank: it is tens of kelvin warmer than the air when it is in.
    let event =
        "kind=\"delivery\"\nvessel=\"TANK-1\"\nmass=\"18 kg\"\nover=\"90 min\"\nbooked=false";
    for told in at_30_h(&Site::thirty(), 1..5, event) {
        only(&told, HappeningKind::Delivery, 18.0, 31.5);
    }
}

#[test]
fn a_quench_is_recognised_and_accounted_for() {
    let event = "kind=\"quench\"\nvessel=\"STRING-A\"\nenergy=\"0.3 MJ\"\nover=\"60 s\"";
    for told in at_30_h(&Site::thirty(), 1..5, event) {
        let quench = &told.happenings[0];
        assert_eq!(quench.kind, HappeningKind::Quench, "{:?}", told.happenings);
        // About 50 kg per MJ, less what the level control has fed meanwhile.
        let boiled = kg(&quench.gave, "STRING-A");
        assert!((9.0..16.0).contains(&boiled), "{boiled}");
        assert!(quench.net_kg.abs() <= 3.0 * quench.net_std_kg, "{quench:?}");
        assert!(quench.net_std_kg < 1.5);
        // What fills the string up again may be told too, but nothing came in or went out.
        for later in &told.happenings[1..] {
            let inside = [HappeningKind::Fill, HappeningKind::Transfer];
            assert!(inside.contains(&later.kind), "{later:?}");
        }
    }
}

/// 1 m3 of liquid at 1.4 bar, of which 22 % return as gas.
const TRANSFER: &str = "kind=\"transfer\"\nvessel=\"DEWAR-1\"\ninto=\"DEWAR-2\"\nmass=\"116.5 kg\"\nflash=\"22 %\"\nover=\"1 h\"";

#[test]
fn a_transfer_of_a_cubic_metre_changes_the_plant_by_less_than_a_kilogram() {
    let site = transfer();
    let events = format!("[[event]]\nat = \"30 h\"\n{TRANSFER}\n");
    let scenario = Scenario::parse(&site.plant, "scenario.toml", &events).unwrap();
    let beginning = Beginning {
        seed: 1,
        start: start(),
        imperfections: Imperfections::NONE,
    };
    let plant = std::sync::Arc::clone(&site.plant);
    let twin = VirtualPlant::new(plant, &site.settings, scenario, beginning).unwrap();
    let told = follow(twin, 44, "without errors of instruments");
    let happening = only(&told, HappeningKind::Transfer, 0.0, 31.0);
    assert!(happening.net_kg.abs() < 1.0, "{happening:?}");
    assert!((kg(&happening.gave, "DEWAR-1") - 116.5).abs() < 2.0);
    assert!((kg(&happening.took, "DEWAR-2") - 0.78 * 116.5).abs() < 2.0);
}

#[test]
fn a_transfer_is_accounted_for_and_nothing_is_accused() {
    let site = transfer();
    for told in at_30_h(&site, 1..7, TRANSFER) {
        let happening = only(&told, HappeningKind::Transfer, 0.0, 31.0);
        assert!(happening.net_std_kg < 2.0, "{happening:?}");
        assert_eq!(told.alerts, Vec::<f64>::new());
    }
}

#[test]
fn a_pump_down_through_the_lambda_line_loses_nothing() {
    let event = "kind=\"pump-down\"\nvessel=\"PUMPED\"\nto=\"1.9 K\"\nover=\"4 h\"";
    for told in at_30_h(&transfer(), 1..5, event) {
        let pumped = only(&told, HappeningKind::PumpDown, 0.0, 34.0);
        let gone = kg(&pumped.gave, "PUMPED");
        assert!((7.0..11.0).contains(&gone), "{pumped:?}");
        assert_eq!(told.alerts, Vec::<f64>::new());
    }
}

#[test]
fn at_tarn_hollow_the_booked_delivery_is_all_that_happens() {
    let site = Site::tarn_hollow();
    let path = crate::support::root().join("simulator/scenarios/tarn-hollow-demo.toml");
    let events = std::fs::read_to_string(path).unwrap();
    let told = follow(site.twin(1, start(), &events), 120, "Tarn Hollow");
    assert_eq!(told.happenings.len(), 1, "{:#?}", told.happenings);
    let delivery = &told.happenings[0];
    assert_eq!(delivery.kind, HappeningKind::Delivery);
    assert!(delivery.booked.is_some(), "{delivery:?}");
    assert!(
        delivery.net_kg.abs() <= 3.0 * delivery.net_std_kg,
        "{delivery:?}"
    );
}
