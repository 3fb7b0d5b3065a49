//! The simulator command line.

fn main() {}
