//! The command line: one file per subcommand; the only floor that prints.

pub mod check;

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
    /// Check a plant description and name every problem with file, line and remedy
    Check(check::Args),
}

/// Does what the command line says.
#[must_use]
pub fn main() -> ExitCode {
    let code = match CommandLine::parse().command {
        Command::Check(args) => check::run(&args, std::io::stdout().lock()),
    };
    ExitCode::from(code)
}
