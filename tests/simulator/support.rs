//! Plants for the tests.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use coldledger::plant::{self, Plant};
use coldledger::time::Timestamp;
use coldledger_simulator::{Beginning, Imperfections, Scenario, SimulatorSettings, VirtualPlant};

pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

pub fn load(directory: &str) -> Arc<Plant> {
    let files = plant::files::read(&root().join(directory)).expect("the description is there");
    match plant::load(&files) {
        Ok(plant) => Arc::new(plant),
        Err(problems) => panic!("{problems:#?}"),
    }
}

pub fn settings(plant: &Plant, name: &str) -> SimulatorSettings {
    let path = root().join("simulator/plants").join(name);
    let text = std::fs::read_to_string(&path).expect("the settings are there");
    SimulatorSettings::parse(plant, name, &text).unwrap_or_else(|problems| panic!("{problems}"))
}

pub fn scenario(plant: &Plant, text: &str) -> Scenario {
    Scenario::parse(plant, "scenario.toml", text).unwrap_or_else(|problems| panic!("{problems}"))
}

pub fn start() -> Timestamp {
    Timestamp::parse("2026-05-04T00:00:00Z").unwrap()
}

pub fn beginning(seed: u64, imperfections: Imperfections) -> Beginning {
    Beginning {
        seed,
        start: start(),
        imperfections,
    }
}

/// The plant of thirty channels with a scenario.
pub fn thirty(seed: u64, imperfections: Imperfections, events: &str) -> VirtualPlant {
    let plant = load("tests/plants/thirty");
    let settings = settings(&plant, "thirty.toml");
    let scenario = scenario(&plant, events);
    VirtualPlant::new(plant, &settings, scenario, beginning(seed, imperfections)).unwrap()
}

pub fn vessel(plant: &VirtualPlant, id: &str) -> usize {
    plant
        .plant()
        .vessel_by_id(id)
        .map(|(ix, _)| ix.index())
        .expect(id)
}

/// Tarn Hollow as the demonstration runs it.
pub fn tarn_hollow(seed: u64, imperfections: Imperfections) -> VirtualPlant {
    let plant = load("config/tarn-hollow");
    let settings = settings(&plant, "tarn-hollow.toml");
    let path = root().join("simulator/scenarios/tarn-hollow-demo.toml");
    let text = std::fs::read_to_string(&path).expect("the scenario is there");
    let scenario = scenario(&plant, &text);
    VirtualPlant::new(plant, &settings, scenario, beginning(seed, imperfections)).unwrap()
}
