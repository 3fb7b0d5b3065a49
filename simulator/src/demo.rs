//! The demonstration plant: Tarn Hollow with its scenario, begun ten days ago.

use std::sync::Arc;

use coldledger::plant::Plant;
use coldledger::time::Timestamp;

use crate::past::DEMO_PAST;
use crate::scenario::Scenario;
use crate::sensors::Imperfections;
use crate::settings::SimulatorSettings;
use crate::start::StartError;
use crate::virtual_plant::{Beginning, VirtualPlant};

/// What happens in the demonstration.
pub const SCENARIO: (&str, &str) = (
    "simulator/scenarios/tarn-hollow-demo.toml",
    include_str!("../scenarios/tarn-hollow-demo.toml"),
);

/// The seed that the demonstration uses unless told otherwise.
pub const SEED: u64 = 1;

/// How long before `now` the demonstration begins: ten days, down to the 10 s grid.
#[must_use]
pub fn beginning(now: Timestamp, seed: u64) -> Beginning {
    let grid = coldledger::engine::event::TICK.millis();
    let start = (now - DEMO_PAST).millis();
    Beginning {
        seed,
        start: Timestamp::from_millis(start - start.rem_euclid(grid)),
        imperfections: Imperfections::AS_STATED,
    }
}

/// The demonstration plant at its beginning, ten days before `now`; [`crate::past::events`] then
/// brings it to the present.
///
/// # Errors
/// [`StartError`] when the description is not that of Tarn Hollow.
pub fn plant(plant: Arc<Plant>, now: Timestamp, seed: u64) -> Result<VirtualPlant, StartError> {
    let settings = SimulatorSettings::bundled_or_quiet(&plant)?;
    let (file, text) = SCENARIO;
    let scenario = Scenario::parse(&plant, file, text)?;
    Ok(VirtualPlant::new(
        plant,
        &settings,
        scenario,
        beginning(now, seed),
    )?)
}
