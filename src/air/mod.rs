//! Oxygen in a ventilated hall into which helium escapes.
//!
//! The air of the hall is taken as well mixed, at constant pressure and temperature; released helium
//! has the temperature of the hall. Then the oxygen fraction x obeys `V dx/dt = inflow - outflow`,
//! and while fan and release are steady it goes exponentially towards a steady value:
//!
//! | fan | steady x | rate |
//! |---|---|---|
//! | exhaust, flow Q above the release R | `xs (1 - R/Q)` | `Q/V` |
//! | exhaust, Q not above R, or off | 0 | `R/V` |
//! | supply, flow Q | `xs Q / (Q + R)` | `(Q + R)/V` |
//! | any, after the release | `xs` | `Q/V` |
//!
//! **Where it fails**: helium rises. Under the ceiling there is less oxygen than the well-mixed
//! value, so this is *not* on the safe side there; cold helium and the fog it makes first lie low
//! and then rise, which no mixed volume shows. An opening besides the fan, and the pressure of a
//! fast release, are left out.
//!
//! [`NOT_FOR_SAFETY_DESIGN`] goes with every figure made here.
//!
//! **Source**: mass balance; the cases as in the oxygen-deficiency standards of laboratories (from
//! memory), after E. Miller and P. O. Mazur, Am. Ind. Hyg. Assoc. J. 45 (1984) 293.

mod error;
mod fatality_factor;
mod hall;
mod oxygen;
mod release;
mod scenario;

pub use error::AirError;
pub use fatality_factor::{FATALITY_FREE_ABOVE_MMHG, fatality_factor_not_for_safety_design};
pub use hall::{Fan, Hall, HallAir, OUTSIDE_OXYGEN};
pub use oxygen::{PA_PER_MMHG, mmhg, oxygen_partial_pressure};
pub use release::HeliumRelease;
pub use scenario::{Lowest, Reaches, Scenario};

/// The mark that every figure of this floor carries.
pub const NOT_FOR_SAFETY_DESIGN: &str = "Not for safety design: what counts is the site's \
oxygen-deficiency assessment, the local codes and the judgement of licensed practice.";

/// What the well-mixed model does not cover, for whoever reads its figures.
pub const WELL_MIXED_CAUTION: &str = "The hall is taken as well mixed. Helium rises: under the \
ceiling and in pockets there is less oxygen than this, so the figures are not on the safe side there.";

/// Oxygen below which many rules call for action. **Source**: 29 CFR 1910.146, the limit of an
/// oxygen-deficient atmosphere.
pub const DEFICIENT_OXYGEN: crate::quantity::Fraction = crate::quantity::Fraction::new(0.195);

/// Oxygen below which people leave: 135 mmHg at sea level. **Source**: the limit of the ACGIH as
/// public laboratory pages quote it.
pub const LEAVE_OXYGEN: crate::quantity::Fraction = crate::quantity::Fraction::new(0.18);
