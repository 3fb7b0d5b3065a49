//! The command line: one file per subcommand; the only floor that prints.

pub mod air;
mod answer;
pub mod batch;
pub mod check;
pub mod client;
pub mod convert;
pub mod helium;
pub mod ledger;
pub mod ledger_import;
pub mod ledger_table;
pub mod losses;
pub mod magnet;
pub mod operator;
pub mod run;
pub mod status;
pub mod vacuum_rise;
pub mod verify;

use std::io::Write;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use self::answer::answer;

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
struct CommandLine {
    /// What to do.
    #[command(subcommand)]
    command: Command,
}

/// The subcommands.
#[derive(Debug, Subcommand)]
enum Command {
    Run(run::RunArgs),
    Check(check::Args),
    Helium(helium::HeliumArgs),
    Air(air::AirArgs),
    Convert(convert::ConvertArgs),
    Losses(losses::LossesArgs),
    Magnet(magnet::MagnetArgs),
    Ledger(Box<ledger::LedgerArgs>),
    Status(status::StatusArgs),
    VacuumRise(vacuum_rise::VacuumRiseArgs),
    Operator(operator::OperatorArgs),
    Verify(verify::VerifyArgs),
}

/// Does what the command line says.
#[must_use]
pub fn main() -> ExitCode {
    let code = match CommandLine::parse().command {
        Command::Run(args) => run::run(&args),
        Command::Check(args) => check::run(&args, answer()),
        Command::Helium(args) => helium::main(&args),
        Command::Air(args) => air::main(&args),
        Command::Convert(args) => convert::main(&args),
        Command::Losses(args) => losses::main(&args),
        Command::Magnet(args) => magnet::main(&args),
        Command::Ledger(args) => ledger::main(&args),
        Command::Status(args) => status::main(&args),
        Command::VacuumRise(args) => vacuum_rise::main(&args),
        Command::Operator(args) => operator::main(&args),
        Command::Verify(args) => verify::main(&args),
    };
    ExitCode::from(code)
}

/// The last word of a command that did not do what was asked. Nobody is left to tell when standard
/// error is closed.
fn complain(problem: &dyn std::fmt::Display) {
    let told = writeln!(std::io::stderr(), "coldledger: {problem}");
    drop(told);
}
