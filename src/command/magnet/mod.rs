//! `coldledger magnet`: margin of a conductor, resistance of a joint, heat load of a bath.

mod boil_off;
mod joint;
mod margin;

use std::io::{self, Write};

use clap::{Args, Subcommand};
use serde::Serialize;

use crate::magnet::{BoilOffError, CriticalSurfaceError, Figure, JointRefusal, StrandError};
use crate::quantity::{QuantityKind, UnitError, parse, split_stated};

pub use boil_off::BoilOffArgs;
pub use joint::JointArgs;
pub use margin::MarginArgs;

/// Factor of the bands that are given as times.
const COVERAGE: f64 = 2.0;

/// Margin of a superconductor, resistance of a joint, heat load of a bath. For people to judge by;
/// it protects no magnet.
#[derive(Debug, Clone, Args)]
pub struct MagnetArgs {
    /// What to reckon.
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Clone, Subcommand)]
enum What {
    Margin(MarginArgs),
    Joint(JointArgs),
    BoilOff(BoilOffArgs),
}

/// Why the command could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum MagnetCommandError {
    /// A quantity on the command line that cannot be read.
    #[error("{option}: {source}")]
    Option {
        /// Which option.
        option: &'static str,
        /// Why.
        source: UnitError,
    },
    /// The strand's size is missing.
    #[error(
        "the strand has no size: give --strand-area and --copper-ratio, or --filaments and --filament-diameter"
    )]
    NoStrand,
    /// No strands share the current.
    #[error("--strands must be at least 1")]
    NoStrands,
    /// The current is nothing, so the field gives no load line.
    #[error(
        "--current is zero, so --field gives no load line; name a current that makes that field"
    )]
    NoLoadLine,
    /// Nothing says what boils off.
    #[error(
        "nothing says what boils off: give --vent, or --fall-mass or --fall-volume with --within"
    )]
    NoBoilOff,
    /// A time that is not above zero.
    #[error("--within must be above zero")]
    NoTime,
    /// Parameters that make no surface, or a state that is none.
    #[error(transparent)]
    Surface(#[from] CriticalSurfaceError),
    /// A strand that is none.
    #[error(transparent)]
    Strand(#[from] StrandError),
    /// No resistance can be given.
    #[error(transparent)]
    Joint(#[from] JointRefusal),
    /// No heat load can be given.
    #[error(transparent)]
    BoilOff(#[from] BoilOffError),
    /// The pairs cannot be read.
    #[error("{path}: {problem}")]
    Pairs {
        /// Which file.
        path: String,
        /// Why.
        problem: String,
    },
    /// Writing failed.
    #[error("writing the answer: {0}")]
    Write(#[from] io::Error),
    /// Writing JSON failed.
    #[error("writing the answer: {0}")]
    Json(#[from] serde_json::Error),
}

/// Reckons from the command line; the exit code.
#[must_use]
pub fn main(args: &MagnetArgs) -> u8 {
    match run(args, super::answer()) {
        Ok(()) => super::WELL,
        Err(error) => {
            super::complain(&error);
            super::CONFIGURATION
        }
    }
}

/// Runs the command on an output.
///
/// # Errors
/// [`MagnetCommandError`].
pub fn run(args: &MagnetArgs, mut output: impl Write) -> Result<(), MagnetCommandError> {
    match &args.what {
        What::Margin(args) => margin::reckon(args, &mut output),
        What::Joint(args) => joint::reckon(args, &mut output),
        What::BoilOff(args) => boil_off::reckon(args, &mut output),
    }
}

/// A quantity without uncertainty, in SI.
fn plain(option: &'static str, text: &str, kind: QuantityKind) -> Result<f64, MagnetCommandError> {
    parse(text, kind)
        .map(|(si, _)| si)
        .map_err(|source| MagnetCommandError::Option { option, source })
}

/// A quantity that may state its standard uncertainty behind ±, in its unit or in %.
fn figure(
    option: &'static str,
    text: &str,
    kind: QuantityKind,
) -> Result<Figure, MagnetCommandError> {
    let Some((value, std)) = split_stated(text) else {
        return plain(option, text, kind).map(|value| Figure::new(value, 0.0));
    };
    let value = plain(option, value, kind)?;
    let relative = kind != QuantityKind::Fraction && std.trim_end().ends_with('%');
    let std = if relative {
        plain(option, std, QuantityKind::Fraction)? * value.abs()
    } else {
        plain(option, std, kind.difference())?
    };
    Ok(Figure::new(value, std.abs()))
}

fn scaled(figure: Figure, by: f64) -> Figure {
    Figure::new(figure.value * by, figure.std * by)
}

fn text(figure: Figure, unit: &str) -> String {
    let digits = crate::quantity::decimals_for(figure.std, figure.value);
    if figure.std == 0.0 {
        return format!("{:.digits$} {unit}", figure.value);
    }
    format!("{:.digits$} ± {:.digits$} {unit}", figure.value, figure.std)
}

fn json(output: &mut impl Write, answer: &impl Serialize) -> Result<(), MagnetCommandError> {
    serde_json::to_writer_pretty(&mut *output, answer)?;
    writeln!(output)?;
    Ok(())
}

fn line(output: &mut impl Write, name: &str, value: &str) -> io::Result<()> {
    writeln!(output, "  {name:<22} {value}")
}

#[cfg(test)]
mod tests;
