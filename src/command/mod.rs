//! The subcommands: one file each. The only place that prints.

pub mod helium;
