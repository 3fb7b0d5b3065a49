//! The simulator command line.

use std::process::ExitCode;

fn main() -> ExitCode {
    coldledger_simulator::command::run()
}
