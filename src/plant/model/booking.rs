//! Entries of the ledger as a description states them.

use serde::{Deserialize, Serialize};

use super::{Id, Stated};
use crate::quantity::Mass;
use crate::time::{Span, Timestamp};

/// What crossed the plant boundary.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BookingKind {
    /// Helium received.
    Delivery,
    /// Helium handed out for good.
    Dispatch,
    /// Helium vented and measured.
    MeteredVent,
    /// Helium used to purge.
    Purge,
    /// A portable vessel left with a user.
    LoanOut,
    /// A portable vessel came back.
    LoanBack,
    /// A correction of the books; its sign is that of the mass.
    Correction,
}

impl BookingKind {
    /// +1 when the mass entered the plant, -1 when it left.
    #[must_use]
    pub fn sign(self) -> f64 {
        match self {
            Self::Delivery | Self::LoanBack | Self::Correction => 1.0,
            Self::Dispatch | Self::MeteredVent | Self::Purge | Self::LoanOut => -1.0,
        }
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Delivery => "delivery",
            Self::Dispatch => "dispatch",
            Self::MeteredVent => "metered vent",
            Self::Purge => "purge",
            Self::LoanOut => "loan out",
            Self::LoanBack => "loan back",
            Self::Correction => "correction",
        }
    }

    /// All kinds, in the order of declaration.
    pub const ALL: [Self; 7] = [
        Self::Delivery,
        Self::Dispatch,
        Self::MeteredVent,
        Self::Purge,
        Self::LoanOut,
        Self::LoanBack,
        Self::Correction,
    ];
}

/// A dated entry of helium that crossed the plant boundary.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Booking {
    /// When the helium began to cross the boundary.
    pub effective_at: Timestamp,
    /// How long it took; the mass is spread evenly over it.
    pub over: Span,
    /// What it was.
    pub kind: BookingKind,
    /// How much, kg; positive but for a correction.
    pub mass: Stated<Mass>,
    /// Who says so.
    pub author: String,
    /// In words.
    pub note: String,
    /// The section concerned, when known.
    pub section: Option<Id>,
}
