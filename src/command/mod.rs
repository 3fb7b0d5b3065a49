//! The command line: one file per subcommand; the only floor that prints.

pub mod check;
pub mod client;
pub mod helium;
pub mod ledger;
pub mod losses;
pub mod operator;
pub mod run;
pub mod status;
pub mod verify;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// All is well.
pub const WELL: u8 = 0;
/// Our fault, or a fault of the machine.
pub const FAULT: u8 = 70;
/// Not permitted.
pub const NOT_PERMITTED: u8 = 77;
/// A configuration or an argument is wrong (the convention of `sysexits.h`).
pub const CONFIGURATION: u8 = 78;

/// Knows where every kilogram of helium in a superconducting-magnet plant is, and says when some
/// goes missing. It only reads: it cannot write to the plant, and it is no safety system.
#[derive(Debug, Parser)]
#[command(name = "coldledger", version, about, max_term_width = 100)]
pub struct CommandLine {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The subcommands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon: poll, reckon, record, publish, serve the pages
    Run(run::RunArgs),
    /// Check a plant description and name every problem with file, line and remedy
    Check(check::Args),
    /// Helium properties at a temperature and pressure, or along the saturation line
    Helium(helium::HeliumArgs),
    /// What is being lost, how sure that is, and what would have gone unseen
    Losses(losses::LossesArgs),
    /// The ledger of deliveries, dispatches and vents: list it, or enter something
    Ledger(ledger::LedgerArgs),
    /// How a running daemon is: alarms, losses, what is unwell
    Status(status::StatusArgs),
    /// Make an entry for the file of people who may act
    Operator(operator::OperatorArgs),
    /// Check a data directory: the journal's chain, and that a replay gives what was shown
    Verify(verify::VerifyArgs),
}

/// Does what the command line says.
#[must_use]
pub fn main() -> ExitCode {
    let code = match CommandLine::parse().command {
        Command::Run(args) => run::run(&args),
        Command::Check(args) => check::run(&args, std::io::stdout().lock()),
        Command::Helium(args) => helium::main(&args),
        Command::Losses(args) => losses::main(&args),
        Command::Ledger(args) => ledger::main(&args),
        Command::Status(args) => status::main(&args),
        Command::Operator(args) => operator::main(&args),
        Command::Verify(args) => verify::main(&args),
    };
    ExitCode::from(code)
}
