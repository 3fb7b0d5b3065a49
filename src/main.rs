//! The command line: reads arguments, makes one call, returns an exit code.

use std::process::ExitCode;

fn main() -> ExitCode {
    coldledger::command::main()
}
