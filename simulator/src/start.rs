//! Beginning a virtual plant from files.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use coldledger::helium::HeliumError;
use coldledger::plant::{self, Plant};

use crate::scenario::Scenario;
use crate::settings::{Problems, SimulatorSettings};
use crate::virtual_plant::{Beginning, VirtualPlant};

/// Why a virtual plant cannot begin.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The description cannot be read.
    #[error(transparent)]
    Unreadable(#[from] plant::files::ReadError),
    /// The description is not sound.
    #[error("the plant description is not sound; `coldledger check` tells more\n{0}")]
    Description(plant::Problems),
    /// A file of the simulator cannot be read.
    #[error("cannot read {}: {source}; check that it exists and may be read by this user", path.display())]
    File {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Settings or scenario are wrong.
    #[error(transparent)]
    Problems(#[from] Problems),
    /// The helium model refused.
    #[error("the helium tables cannot be made: {0}")]
    Helium(#[from] HeliumError),
}

/// Reads a description.
///
/// # Errors
/// [`StartError`] when it cannot be read or is not sound.
pub fn description(directory: &Path) -> Result<Arc<Plant>, StartError> {
    let files = plant::files::read(directory)?;
    let plant = plant::load(&files).map_err(StartError::Description)?;
    Ok(Arc::new(plant))
}

/// The virtual plant of a description, with settings and scenario from files where they are given.
///
/// # Errors
/// [`StartError`] when a file cannot be read or is wrong.
pub fn virtual_plant(
    plant: Arc<Plant>,
    settings: Option<&Path>,
    scenario: Option<&Path>,
    beginning: Beginning,
) -> Result<VirtualPlant, StartError> {
    let settings = match settings {
        Some(path) => SimulatorSettings::parse(&plant, &name(path), &text(path)?)?,
        None => SimulatorSettings::bundled_or_quiet(&plant)?,
    };
    let scenario = match scenario {
        Some(path) => Scenario::parse(&plant, &name(path), &text(path)?)?,
        None => Scenario::default(),
    };
    Ok(VirtualPlant::new(plant, &settings, scenario, beginning)?)
}

fn name(path: &Path) -> String {
    path.display().to_string()
}

fn text(path: &Path) -> Result<String, StartError> {
    std::fs::read_to_string(path).map_err(|source| StartError::File {
        path: path.to_owned(),
        source,
    })
}
