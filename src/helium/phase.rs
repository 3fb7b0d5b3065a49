//! Which phase helium is in, and which one to assume.

use std::fmt;

/// Phase of helium.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Phase {
    /// Superfluid liquid, below the lambda line.
    HeliumIi,
    /// Normal liquid below the critical temperature.
    Liquid,
    /// Vapour below the critical temperature.
    Vapour,
    /// Above the critical temperature, below the critical pressure.
    Gas,
    /// Above the critical temperature and pressure.
    Supercritical,
}

impl Phase {
    /// In plain words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::HeliumIi => "helium II",
            Self::Liquid => "liquid",
            Self::Vapour => "vapour",
            Self::Gas => "gas",
            Self::Supercritical => "supercritical",
        }
    }
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.words())
    }
}

/// Which phase to take below the critical temperature.
///
/// Near saturation the vessel's description knows the phase; temperature and pressure with their
/// noise do not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum PhaseHint {
    /// The one that is stable at this temperature and pressure.
    #[default]
    Stable,
    /// Liquid, also a little below its saturation pressure.
    Liquid,
    /// Vapour, also a little above its saturation pressure.
    Vapour,
}
