//! How much room released helium takes.

use super::error::{AirError, within};
use super::hall::{FLOW_M3_PER_S, HallAir};
use crate::helium;
use crate::quantity::{Duration, Mass, MassFlow, VolumeFlow};

/// A release of helium, as a mass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum HeliumRelease {
    /// At a steady rate.
    Rate(MassFlow),
    /// A mass, evenly over a time.
    Amount {
        /// How much.
        mass: Mass,
        /// Over which time.
        over: Duration,
    },
}

const RATE_KG_PER_S: (f64, f64) = (0.0, 1e6);
const MASS_KG: (f64, f64) = (0.0, 1e9);
const OVER_S: (f64, f64) = (1e-3, 1e9);

impl HeliumRelease {
    /// The volume per second that it takes once it has the temperature of the hall.
    ///
    /// **Range**: to 1e6 kg/s, 1e9 kg, 1e9 s. **Source**: the equation of state of [`crate::helium`].
    ///
    /// # Errors
    /// [`AirError`].
    pub fn volume_flow(self, air: &HallAir) -> Result<VolumeFlow, AirError> {
        let kg_per_s = match self {
            Self::Rate(rate) => within("release", rate.si(), "kg/s", RATE_KG_PER_S)?,
            Self::Amount { mass, over } => {
                let mass = within("released mass", mass.si(), "kg", MASS_KG)?;
                if over.si() == 0.0 {
                    return Err(AirError::NoReleaseTime);
                }
                mass / within("time of the release", over.si(), "s", OVER_S)?
            }
        };
        let density = helium::density(air.temperature(), air.pressure())?;
        let flow = kg_per_s / density.si();
        within("release as a gas", flow, "m3/s", FLOW_M3_PER_S).map(VolumeFlow::new)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{AbsolutePressure, Temperature};

    fn air() -> HallAir {
        HallAir::new(Temperature::new(273.15), AbsolutePressure::new(101_325.0)).unwrap()
    }

    /// 1 g/s is 20.2 normal cubic metres an hour (`rules_of_thumb.csv`, computed).
    #[test]
    fn a_gram_a_second_is_twenty_normal_cubic_metres_an_hour() {
        let flow = HeliumRelease::Rate(MassFlow::new(1e-3))
            .volume_flow(&air())
            .unwrap();
        assert!((flow.si() * 3600.0 - 20.17).abs() < 0.01, "{flow:?}");
        let same = HeliumRelease::Amount {
            mass: Mass::new(0.06),
            over: Duration::new(60.0),
        };
        assert!((same.volume_flow(&air()).unwrap().si() / flow.si() - 1.0).abs() < 1e-14);
    }

    #[test]
    fn refuses_what_is_no_release() {
        for release in [
            HeliumRelease::Rate(MassFlow::new(-1e-3)),
            HeliumRelease::Rate(MassFlow::new(f64::NAN)),
            HeliumRelease::Rate(MassFlow::new(1e6)),
            HeliumRelease::Amount {
                mass: Mass::new(1.0),
                over: Duration::new(0.0),
            },
            HeliumRelease::Amount {
                mass: Mass::new(f64::INFINITY),
                over: Duration::new(1.0),
            },
            HeliumRelease::Amount {
                mass: Mass::new(1.0),
                over: Duration::new(f64::NAN),
            },
        ] {
            assert!(release.volume_flow(&air()).is_err(), "{release:?}");
        }
    }
}
