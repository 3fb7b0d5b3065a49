//! The command line: reads arguments, makes one call, returns an exit code.

fn main() {}
