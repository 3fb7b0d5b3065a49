//! Helium is conserved whatever happens.

use std::fmt::Write;

use coldledger::time::Span;
use coldledger_simulator::Imperfections;

use crate::support::{load, settings, thirty};

/// Everything at once: leaks of both kinds, booked and unbooked transfers, a quench, a stuck valve,
/// an isolated tank, weather.
const BUSY: &str = r#"
[[event]]
at = "3 h"
kind = "leak"
vessel = "STRING-A"
rate = "4 kg/day"
at-pressure = "1.22 bar(a)"

[[event]]
at = "5 h"
kind = "leak"
vessel = "TANK-2"
rate = "1.5 kg/day"

[[event]]
at = "8 h"
kind = "delivery"
vessel = "TANK-1"
mass = "40 kg"
over = "2 h"

[[event]]
at = "20 h"
kind = "vent"
vessel = "TANK-3"
mass = "12 kg"
over = "30 min"
booked = false

[[event]]
at = "26 h"
kind = "quench"
vessel = "STRING-B"
energy = "0.3 MJ"
over = "2 min"

[[event]]
at = "30 h"
kind = "stuck-valve"
vessel = "STRING-A"
lasts = "3 h"

[[event]]
at = "34 h"
kind = "isolate"
vessel = "TANK-4"
lasts = "20 h"

[[event]]
at = "40 h"
kind = "isolate"
vessel = "TANK-*"
lasts = "1 h"

[[event]]
at = "36 h"
kind = "barometer"
by = "-30 mbar"
over = "12 h"
"#;

#[test]
fn stores_and_outside_account_sum_to_what_was_there() {
    let busy = BUSY.replace("TANK-*", "TANK-1");
    for seed in [1, 20, 300] {
        let mut plant = thirty(seed, Imperfections::AS_STATED, &busy);
        let before = plant.truth().total_kg;
        assert!(before > 800.0, "{before}");
        for hour in 0..72 {
            plant.advance(Span::HOUR);
            let truth = plant.truth();
            let off = (truth.total_kg + truth.outside_kg - before).abs() / before;
            assert!(off < 1e-9, "seed {seed}, hour {hour}: {off:e}");
            let parts: f64 = truth.vessels.iter().map(|v| v.mass_kg).sum();
            // Nothing but rounding stays in the pipes while a tank is open.
            assert!((parts - truth.total_kg).abs() < 1e-6);
            for vessel in &truth.vessels {
                assert!(vessel.mass_kg >= 0.0, "{} at hour {hour}", vessel.id);
            }
        }
        let gone = plant.truth().outside_kg;
        // 12 kg vented, 40 kg delivered, 4 kg/day over 69 h and 1.5 kg/day over 67 h.
        let expected = 12.0 - 40.0 + 4.0 * 69.0 / 24.0 + 1.5 * 67.0 / 24.0;
        assert!((gone - expected).abs() < 0.02 * 12.0, "{gone} {expected}");
    }
}

#[test]
fn short_and_long_spans_pass_the_same_way() {
    let mut long = thirty(5, Imperfections::AS_STATED, "");
    let mut short = thirty(5, Imperfections::AS_STATED, "");
    long.advance(Span::HOUR);
    for _ in 0..360 {
        short.advance(Span::from_millis(10_000));
    }
    assert_eq!(long.truth(), short.truth());
}

#[test]
fn a_plant_without_settings_stands_quiet() {
    let plant = load("config/single-dewar");
    let quiet = coldledger_simulator::SimulatorSettings::quiet(&plant);
    let mut quiet = coldledger_simulator::VirtualPlant::new(
        plant,
        &quiet,
        coldledger_simulator::Scenario::default(),
        crate::support::beginning(1, Imperfections::NONE),
    )
    .unwrap();
    let before = quiet.truth();
    quiet.advance(Span::DAY);
    let after = quiet.truth();
    assert!(before.total_kg > 100.0);
    assert_eq!(before.total_kg, after.total_kg);
    assert_eq!(after.outside_kg, 0.0);
}

#[test]
fn the_single_dewar_boils_off_into_its_tank() {
    let plant = load("config/single-dewar");
    let settings = settings(&plant, "single-dewar.toml");
    let mut plant = coldledger_simulator::VirtualPlant::new(
        plant,
        &settings,
        coldledger_simulator::Scenario::default(),
        crate::support::beginning(1, Imperfections::AS_STATED),
    )
    .unwrap();
    let before = plant.truth();
    plant.advance(Span::DAY);
    let after = plant.truth();
    let boiled = before.vessels[0].mass_kg - after.vessels[0].mass_kg;
    // 1.5 W over a day at 19.5 kJ/kg is 6.6 kg; the vapour that stays in the dewar is an eighth.
    assert!((4.5..7.5).contains(&boiled), "{boiled}");
    assert!((after.total_kg / before.total_kg - 1.0).abs() < 1e-12);
}

/// Random leaks, vents, deliveries, quenches and isolations from a seed.
fn random_events(seed: u64) -> String {
    use rand::RngExt;
    let mut rng = coldledger_simulator::model::random::stream(seed, "events");
    let vessels = ["STRING-A", "STRING-B", "DEWAR", "TANK-1", "TANK-4", "BAG"];
    let mut text = String::new();
    for _ in 0..rng.random_range(1..12) {
        let hour = rng.random_range(0.0..40.0);
        let over = rng.random_range(0.01..20.0);
        let amount = rng.random_range(0.1..60.0);
        let vessel = vessels[rng.random_range(0..vessels.len())];
        let string = vessels[rng.random_range(0..2)];
        let body = match rng.random_range(0..5) {
            0 => format!("kind = \"leak\"\nvessel = {vessel:?}\nrate = \"{amount} kg/day\""),
            1 => format!(
                "kind = \"vent\"\nvessel = {vessel:?}\nmass = \"{amount} kg\"\nover = \"{over} h\""
            ),
            2 => format!(
                "kind = \"delivery\"\nvessel = \"TANK-2\"\nmass = \"{amount} kg\"\nover = \"{over} h\""
            ),
            3 => format!(
                "kind = \"quench\"\nvessel = {string:?}\nenergy = \"{} MJ\"\nover = \"2 min\"",
                amount / 60.0
            ),
            _ => format!("kind = \"isolate\"\nvessel = \"TANK-3\"\nlasts = \"{over} h\""),
        };
        text.push_str("[[event]]\n");
        writeln!(text, "at = \"{hour} h\"\n{body}\n").unwrap();
    }
    text
}

#[test]
fn random_events_conserve_helium() {
    for seed in 0..30 {
        let events = random_events(seed);
        let mut plant = thirty(seed, Imperfections::AS_STATED, &events);
        let before = plant.truth().total_kg;
        for _ in 0..8 {
            plant.advance(Span::from_millis(6 * 3_600_000));
            let truth = plant.truth();
            let off = (truth.total_kg + truth.outside_kg - before).abs() / before;
            assert!(off < 1e-9, "seed {seed}: {off:e}\n{events}");
            for vessel in &truth.vessels {
                let mass = vessel.mass_kg;
                assert!(
                    mass >= 0.0,
                    "seed {seed}: {} holds {mass}\n{events}",
                    vessel.id
                );
                let fit = |x: Option<f64>| x.is_none_or(|x| x >= 0.0);
                assert!(fit(vessel.pressure_pa) && fit(vessel.level_m), "{vessel:?}");
            }
        }
    }
}
