//! Why oxygen in a hall cannot be told.

use crate::helium::HeliumError;

/// Why oxygen in a hall cannot be told.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum AirError {
    /// A number that is none, or lies outside what the model is for.
    #[error("the {what} is {value} {unit}; it must be a number from {low} to {high} {unit}")]
    OutOfRange {
        /// What it is.
        what: &'static str,
        /// As given, in `unit`.
        value: f64,
        /// Its unit.
        unit: &'static str,
        /// Least.
        low: f64,
        /// Greatest.
        high: f64,
    },
    /// A mass released without saying over which time.
    #[error("a released mass needs the time that the release takes, above zero")]
    NoReleaseTime,
    /// The density of helium at the state of the hall is not known.
    #[error("density of helium at the state of the hall: {0}")]
    Helium(#[from] HeliumError),
}

/// `value` when it is a number from `low` to `high`.
pub(super) fn within(
    what: &'static str,
    value: f64,
    unit: &'static str,
    (low, high): (f64, f64),
) -> Result<f64, AirError> {
    if value >= low && value <= high {
        Ok(value)
    } else {
        Err(AirError::OutOfRange {
            what,
            value,
            unit,
            low,
            high,
        })
    }
}
