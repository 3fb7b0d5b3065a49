//! Events do what they say.

use coldledger::engine::event::{EventKind, PollFault};
use coldledger::plant::{BookingKind, RegisterTable};
use coldledger::time::Span;
use coldledger_simulator::{Imperfections, Scenario, past};

use crate::support::{load, start, thirty, vessel};

#[test]
fn a_constant_leak_takes_exactly_rate_times_time() {
    let mut plant = thirty(
        4,
        Imperfections::AS_STATED,
        r#"
        [[event]]
        at = "1234567 ms"
        kind = "leak"
        vessel = "STRING-A"
        rate = "4 kg/day"
        "#,
    );
    let before = plant.truth().total_kg;
    plant.advance(Span::DAY);
    let truth = plant.truth();
    let lost = 4.0 * (1.0 - 1_234.567 / 86_400.0);
    assert!((before - truth.total_kg - lost).abs() < 1e-9);
    assert!((truth.leak_kg_per_s * 86_400.0 - 4.0).abs() < 1e-9);
}

#[test]
fn a_leak_grows_with_the_pressure_behind_it() {
    let mut plant = thirty(
        4,
        Imperfections::NONE,
        r#"
        [[event]]
        at = "0 s"
        kind = "leak"
        vessel = "TANK-1"
        rate = "1 kg/day"
        at-pressure = "2 bar(a)"
        "#,
    );
    plant.advance(Span::from_millis(10_000));
    let truth = plant.truth();
    let tank = &truth.vessels[vessel(&plant, "TANK-1")];
    let expected = tank.pressure_pa.unwrap() / 2e5;
    let rate = truth.leak_kg_per_s * 86_400.0;
    assert!((rate / expected - 1.0).abs() < 1e-3, "{rate} {expected}");
}

#[test]
fn a_held_level_hides_the_leak_and_the_tanks_fall() {
    let leak = r#"
        [[event]]
        at = "1 day"
        kind = "leak"
        vessel = "STRING-A"
        rate = "20 kg/day"
        "#;
    let run = |events: &str| {
        let mut plant = thirty(8, Imperfections::AS_STATED, events);
        plant.advance(Span::from_millis(5 * 86_400_000));
        plant.truth()
    };
    let (tight, leaking) = (run(""), run(leak));
    let plant = thirty(8, Imperfections::AS_STATED, "");
    let string = vessel(&plant, "STRING-A");
    let tanks = |truth: &coldledger_simulator::Truth| -> f64 {
        truth
            .vessels
            .iter()
            .filter(|v| v.id.starts_with("TANK"))
            .map(|v| v.mass_kg)
            .sum()
    };
    // The same seed has the same weather, so the difference of the two plants is the leak alone.
    let in_string = tight.vessels[string].mass_kg - leaking.vessels[string].mass_kg;
    let in_tanks = tanks(&tight) - tanks(&leaking);
    assert!(in_string.abs() < 0.2, "{in_string}");
    assert!(in_tanks > 60.0, "{in_tanks}");
    assert!((tight.total_kg - leaking.total_kg - 80.0).abs() < 1e-6);
}

#[test]
fn open_tanks_stand_at_one_pressure_and_an_isolated_one_keeps_its_mass() {
    let mut plant = thirty(
        2,
        Imperfections::AS_STATED,
        r#"
        [[event]]
        at = "6 h"
        kind = "isolate"
        vessel = "TANK-4"
        "#,
    );
    let tank = |plant: &coldledger_simulator::VirtualPlant, n: u32| {
        let id = format!("TANK-{n}");
        plant.truth().vessels[vessel(plant, &id)].clone()
    };
    plant.advance(Span::HOUR);
    let open: Vec<_> = (1..=4)
        .map(|n| tank(&plant, n).pressure_pa.unwrap())
        .collect();
    assert!(open.iter().all(|p| *p == open[0]), "{open:?}");
    plant.advance(Span::from_millis(6 * 3_600_000));
    let before = tank(&plant, 4);
    plant.advance(Span::from_millis(6 * 3_600_000));
    let after = tank(&plant, 4);
    assert_eq!(before.mass_kg, after.mass_kg);
    assert_ne!(after.pressure_pa, tank(&plant, 1).pressure_pa);
    assert_eq!(tank(&plant, 2).pressure_pa, tank(&plant, 3).pressure_pa);
}

#[test]
fn a_level_is_held_and_a_mover_empties_the_bag() {
    let mut plant = thirty(6, Imperfections::AS_STATED, "");
    let string = vessel(&plant, "STRING-A");
    let bag = vessel(&plant, "BAG");
    let first = plant.model().stores[string].state.fill;
    let mut volumes = Vec::new();
    for _ in 0..48 {
        plant.advance(Span::HOUR);
        let fill = plant.model().stores[string].state.fill;
        assert!((fill - first).abs() < 0.01, "{fill}");
        volumes.push(plant.model().stores[bag].state.volume_m3);
    }
    let most = volumes.iter().copied().fold(f64::MIN, f64::max);
    let least = volumes.iter().copied().fold(f64::MAX, f64::min);
    assert!(most < 75.0 && least > 15.0, "{least} to {most}");
    assert!(most - least > 15.0, "{least} to {most}");
}

#[test]
fn a_drifting_transmitter_moves_only_itself() {
    let drift = r#"
        [[event]]
        at = "1 h"
        kind = "drift"
        channel = "PT-T1"
        rate = "15 mbar/day"
        "#;
    let shown = |events: &str, id: &str| {
        let mut plant = thirty(9, Imperfections::NONE, events);
        plant.advance(Span::DAY);
        let description = std::sync::Arc::clone(plant.plant());
        let (_, channel) = description.channel_by_id(id).unwrap();
        let words = plant
            .read_device(
                channel.device,
                channel.table,
                channel.address,
                channel.words(),
            )
            .unwrap();
        let measured = channel
            .chain
            .convert(&words, channel.range, &channel.uncertainty);
        measured.value.0
    };
    let off = shown(drift, "PT-T1") - shown("", "PT-T1");
    // 15 mbar/day over 23 h, read with a resolution of 0.6 mbar.
    assert!((off - 1437.5).abs() < 130.0, "{off}");
    assert_eq!(shown(drift, "PT-T2"), shown("", "PT-T2"));
}

#[test]
fn a_delivery_is_booked_when_it_has_arrived_unless_told_not_to() {
    let events = |booked: bool| {
        format!(
            r#"
            [[event]]
            at = "30 min"
            kind = "delivery"
            vessel = "TANK-1"
            mass = "20 kg"
            over = "15 min"
            booked = {booked}
            "#
        )
    };
    for booked in [true, false] {
        let mut plant = thirty(1, Imperfections::AS_STATED, &events(booked));
        let before = plant.truth().total_kg;
        let entries: Vec<_> = past::events(&mut plant, start() + Span::HOUR, 1)
            .filter_map(|(stamp, kind)| match kind {
                EventKind::Ledger(entry) => Some((stamp, entry)),
                _ => None,
            })
            .collect();
        assert!((plant.truth().total_kg - before - 20.0).abs() < 1e-9);
        assert_eq!(entries.len(), usize::from(booked));
        for (stamp, entry) in entries {
            assert_eq!(entry.booking.kind, BookingKind::Delivery);
            assert!((entry.booking.mass.value.si() - 20.0).abs() < 0.5);
            assert_eq!((stamp.utc.unwrap() - start()).seconds(), 2700.0);
            assert_eq!(entry.booking.section.as_deref(), Some("gas"));
        }
    }
}

#[test]
fn a_lost_device_does_not_answer_and_comes_back() {
    let mut plant = thirty(
        1,
        Imperfections::AS_STATED,
        r#"
        [[event]]
        at = "1 h"
        kind = "lost-device"
        device = "IO-GAS"
        lasts = "1 h"
        "#,
    );
    let (gas, _) = plant.plant().device_by_id("IO-GAS").unwrap();
    let (cold, _) = plant.plant().device_by_id("IO-COLD").unwrap();
    let mut answers = Vec::new();
    for _ in 0..3 {
        plant.advance(Span::from_millis(2_700_000));
        answers.push(plant.read_device(gas, RegisterTable::Holding, 0, 4).err());
        assert!(
            plant
                .read_device(cold, RegisterTable::Holding, 0, 4)
                .is_ok()
        );
    }
    assert_eq!(answers, [None, Some(PollFault::TimedOut), None]);
}

#[test]
fn a_quench_boils_what_its_energy_can() {
    let events = r#"
        [[event]]
        at = "1 h"
        kind = "quench"
        vessel = "STRING-B"
        energy = "0.2 MJ"
        over = "60 s"
        "#;
    let run = |events: &str| {
        let mut plant = thirty(3, Imperfections::AS_STATED, events);
        plant.advance(Span::from_millis(3_600_000 + 60_000));
        let string = vessel(&plant, "STRING-B");
        plant.truth().vessels[string].mass_kg
    };
    let boiled = run("") - run(events);
    // About 50 kg per MJ evaporate; a seventh stays as vapour in the emptied room.
    assert!((7.5..11.0).contains(&boiled), "{boiled}");
}

#[test]
fn wrong_scenarios_are_refused_with_their_line() {
    let plant = load("tests/plants/thirty");
    let cases = [
        (
            "[[event]]\nat = \"1 h\"\nkind = \"explode\"",
            3,
            "no event is called \"explode\"",
        ),
        (
            "\n[[event]]\nat = \"1 h\"\nkind = \"leak\"\nvessel = \"TANK-9\"\nrate = \"1 kg/day\"",
            5,
            "no vessel \"TANK-9\"",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkind = \"leak\"\nvessel = \"TANK-1\"\nrate = \"1 kg\"",
            5,
            "is not a unit of mass flow",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkind = \"leak\"\nvessel = \"TANK-1\"",
            3,
            "needs rate",
        ),
        (
            "[[event]]\nat = \"soon\"\nkind = \"hold-still\"",
            2,
            "does not begin with a number",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkind = \"drift\"\nchannel = \"PT-T1\"\nrate = \"15 mbar\"",
            5,
            "is not a rate",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkind = \"drift\"\nchannel = \"PT-T1\"\nrate = \"15 mbar/day\"\nmass = \"1 kg\"",
            6,
            "has no mass",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkind = \"quench\"\nvessel = \"STRING-A\"\nover = \"1 min\"\nenergy = \"5\"",
            6,
            "is not an energy",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkind = \"transfer\"\nvessel = \"DEWAR\"\ninto = \"TANK-1\"\nmass = \"5 kg\"\nflash = \"22 %\"\nover = \"1 h\"",
            5,
            "liquid cannot go there",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkind = \"pump-down\"\nvessel = \"STRING-A\"\nto = \"1.9 K\"\nover = \"4 h\"",
            4,
            "is no pumped bath",
        ),
        (
            "[[event]]\nat = \"1 h\"\nkynd = \"leak\"",
            3,
            "unknown field",
        ),
    ];
    for (text, line, words) in cases {
        let problems = Scenario::parse(&plant, "s.toml", text).unwrap_err();
        let first = &problems.0[0];
        assert_eq!(first.line, line, "{problems}");
        assert!(first.text.contains(words), "{problems}");
        assert!(problems.to_string().starts_with("s.toml:"));
    }
}

#[test]
fn a_transfer_moves_its_mass_and_returns_its_flash() {
    let events = r#"
        [[event]]
        at = "1 h"
        kind = "transfer"
        vessel = "DEWAR"
        into = "STRING-B"
        mass = "5 kg"
        flash = "22 %"
        over = "60 s"
        "#;
    let run = |events: &str| {
        let mut plant = thirty(3, Imperfections::AS_STATED, events);
        plant.advance(Span::from_millis(3_600_000 + 60_000));
        let ids = ["DEWAR", "STRING-B"].map(|id| vessel(&plant, id));
        let truth = plant.truth();
        (ids.map(|ix| truth.vessels[ix].mass_kg), truth.total_kg)
    };
    let ((quiet, quiet_kg), (moved, moved_kg)) = (run(""), run(events));
    assert!((quiet[0] - moved[0] - 5.0).abs() < 0.05);
    // The level control takes a little back within the minute.
    assert!((moved[1] - quiet[1] - 0.78 * 5.0).abs() < 0.1);
    assert!((moved_kg - quiet_kg).abs() < 1e-9);
}

#[test]
fn a_pump_down_boils_a_third_of_the_bath_away_and_loses_nothing() {
    let description = load("tests/plants/transfer");
    let path = crate::support::root().join("simulator/plants/transfer.toml");
    let text = std::fs::read_to_string(path).unwrap();
    let settings =
        coldledger_simulator::SimulatorSettings::parse(&description, "s.toml", &text).unwrap();
    let events = "[[event]]\nat = \"1 h\"\nkind = \"pump-down\"\nvessel = \"PUMPED\"\nto = \"1.9 K\"\nover = \"4 h\"";
    let scenario = Scenario::parse(&description, "s.toml", events).unwrap();
    let beginning = coldledger_simulator::Beginning {
        seed: 1,
        start: start(),
        imperfections: Imperfections::NONE,
    };
    let mut plant =
        coldledger_simulator::VirtualPlant::new(description, &settings, scenario, beginning)
            .unwrap();
    let bath = vessel(&plant, "PUMPED");
    plant.advance(Span::HOUR);
    let before = plant.truth();
    plant.advance(Span::from_millis(4 * 3_600_000));
    let after = plant.truth();
    assert!((after.vessels[bath].temperature_k.unwrap() - 1.9).abs() < 0.02);
    let gone = before.vessels[bath].mass_kg - after.vessels[bath].mass_kg;
    // 29 % from 4.2 K to 1.9 K is common practice; the heat capacities here are from memory.
    let part = gone / before.vessels[bath].mass_kg;
    assert!((0.25..0.35).contains(&part), "{part}");
    assert!((before.total_kg - after.total_kg).abs() < 1e-9);
}
