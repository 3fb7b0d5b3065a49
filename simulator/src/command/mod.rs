//! The command line, one file per subcommand; the only place that prints.

mod demo;
mod past;
mod score;
mod serve;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};
use coldledger::command::run::RunError;
use coldledger::time::Timestamp;

use crate::score::ScoreError;
use crate::sensors::Imperfections;
use crate::start::{self, StartError};
use crate::virtual_plant::{Beginning, VirtualPlant};

/// Exit code of sysexits.h for what is wrong in a configuration.
const CONFIGURATION: u8 = 78;
/// And for what is wrong in the machine or in us.
const SOFTWARE: u8 = 70;

/// A simulated helium plant that serves the registers of any plant description.
#[derive(Debug, Parser)]
#[command(version, about)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Show the whole of it: the simulated plant, ten days of past, and the daemon with its pages.
    Demo(demo::DemoArgs),
    /// Serve the registers over Modbus TCP, one port per device, in real time.
    Serve(serve::ServeArgs),
    /// Compute days of plant in virtual time and write the truth.
    Past(past::PastArgs),
    /// Tell how often what Coldledger says of a loss is right.
    Score(score::ScoreArgs),
}

/// Which plant, and what happens in it.
#[derive(Debug, Args)]
struct PlantArgs {
    /// Directory of the plant description.
    #[arg(long, value_name = "DIR")]
    plant: PathBuf,
    /// What drives it; without it, the settings that come with the simulator for that site, or a
    /// quiet plant.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// What happens, and when.
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Weather, noise and calibration errors follow from this number.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Sensors that show the truth to the last code.
    #[arg(long)]
    perfect_sensors: bool,
}

impl PlantArgs {
    fn begin(&self, start: Timestamp) -> Result<VirtualPlant, StartError> {
        let plant = start::description(&self.plant)?;
        let beginning = Beginning {
            seed: self.seed,
            start,
            imperfections: if self.perfect_sensors {
                Imperfections::NONE
            } else {
                Imperfections::AS_STATED
            },
        };
        start::virtual_plant(
            plant,
            self.settings.as_deref(),
            self.scenario.as_deref(),
            beginning,
        )
    }
}

/// Why a command ended badly.
#[derive(Debug, thiserror::Error)]
enum CommandError {
    #[error(transparent)]
    Start(#[from] StartError),
    #[error(transparent)]
    Run(#[from] RunError),
    #[error(transparent)]
    Score(#[from] ScoreError),
    #[error("cannot open a port or serve it: {0}; is another simulator running on it?")]
    Serve(std::io::Error),
    #[error("cannot write {}: {source}", path.display())]
    Write {
        path: PathBuf,
        source: std::io::Error,
    },
}

/// Reads the command line and does what it says.
#[must_use]
pub fn run() -> ExitCode {
    let done = match Cli::parse().command {
        Command::Demo(args) => demo::run(&args),
        Command::Serve(args) => serve::run(&args),
        Command::Past(args) => past::run(&args),
        Command::Score(args) => score::run(&args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&error);
            ExitCode::from(match error {
                CommandError::Start(_) => CONFIGURATION,
                CommandError::Run(error) => error.code(),
                CommandError::Score(_) | CommandError::Serve(_) | CommandError::Write { .. } => {
                    SOFTWARE
                }
            })
        }
    }
}

#[expect(
    clippy::print_stderr,
    reason = "a command tells the person at the terminal"
)]
fn complain(error: &CommandError) {
    eprintln!("coldledger-simulator: {error}");
}

/// What the wall clock says.
#[expect(
    clippy::disallowed_methods,
    reason = "the one place where the simulator reads the wall clock, to begin in the present"
)]
fn now() -> Timestamp {
    let since_1970 = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .unwrap_or_default();
    Timestamp::from_millis(i64::try_from(since_1970.as_millis()).unwrap_or(0))
}
