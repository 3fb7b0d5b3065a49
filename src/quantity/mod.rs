//! Quantities: SI newtypes, units as text, and the measured value with its uncertainty and quality.
//!
//! SI inside (K, Pa, m, m3, kg, kg/s, A, V, ohm, W); a unit is attached to every number that
//! crosses the boundary of the program, and a bare number where a unit is due is an error.
//! Absolute and gauge pressure are two types, and so are a temperature and a temperature
//! difference, since mixing each pair is the classic way to be silently wrong:
//!
//! ```compile_fail
//! use coldledger::quantity::{AbsolutePressure, GaugePressure};
//! fn density_needs(p: AbsolutePressure) -> f64 { p.si() }
//! density_needs(GaugePressure::new(1.0e5)); // does not compile
//! ```
//! ```compile_fail
//! use coldledger::quantity::{Temperature, TemperatureDifference};
//! fn density_needs(t: Temperature) -> f64 { t.si() }
//! density_needs(TemperatureDifference::new(4.5)); // does not compile
//! ```
//!
//! Uncertainties are standard uncertainties (k = 1) in the sense of JCGM 100:2008.

mod measured;
mod units;

use serde::{Deserialize, Serialize};

pub use measured::{GroupIx, Measured, Quality, Reason, SharedParts, add_shared};
pub use units::{UNITS, Unit, UnitError, decimals_for, parse, parse_as, split_stated};

/// A physical quantity held as one SI number.
pub trait Quantity: Copy {
    /// Which kind of quantity this is; fixes the units that a text may use.
    const KIND: QuantityKind;
    /// The value in SI.
    fn si(self) -> f64;
    /// From a value in SI.
    fn from_si(value: f64) -> Self;
}

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// From a value in SI.
            #[must_use]
            pub const fn new(si: f64) -> Self {
                Self(si)
            }
            /// The value in SI.
            #[must_use]
            pub const fn si(self) -> f64 {
                self.0
            }
        }

        impl Quantity for $name {
            const KIND: QuantityKind = QuantityKind::$name;
            fn si(self) -> f64 {
                self.0
            }
            fn from_si(value: f64) -> Self {
                Self(value)
            }
        }
    )*

        /// The kind of a quantity: what its number means, and so which units it may be written in.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum QuantityKind {
            $($(#[$doc])* $name,)*
        }

        impl QuantityKind {
            /// Every kind, in the order of declaration.
            pub const ALL: &'static [Self] = &[$(Self::$name,)*];
        }
    };
}

quantities! {
    /// Thermodynamic temperature on ITS-90, K.
    Temperature;
    /// Difference of two temperatures, K.
    TemperatureDifference;
    /// Pressure above vacuum, Pa.
    AbsolutePressure;
    /// Pressure above the surrounding air, Pa.
    GaugePressure;
    /// Difference of two pressures, Pa.
    PressureDifference;
    /// Length or level, m.
    Length;
    /// Volume, m3.
    Volume;
    /// Mass, kg.
    Mass;
    /// Mass flow, kg/s.
    MassFlow;
    /// Density, kg/m3.
    Density;
    /// Area, m2.
    Area;
    /// Magnetic flux density, T.
    MagneticFluxDensity;
    /// Electric current per area, A/m2.
    CurrentDensity;
    /// Electric potential difference, V.
    Voltage;
    /// Electric current, A.
    Current;
    /// Electric resistance, ohm.
    Resistance;
    /// Heat flow or power, W.
    Power;
    /// Part of a whole, 1.
    Fraction;
    /// Duration, s.
    Duration;
    /// Rotation or repetition rate, Hz.
    Frequency;
    /// Gas throughput of a leak at a stated temperature, Pa m3/s.
    Throughput;
    /// A number without unit: a state, a count, a raw code.
    Plain;
    /// Electric capacitance, F.
    Capacitance;
    /// Temperature rise per power, K/W.
    ThermalResistance;
    /// Volume flow of a gas at the state it flows in, m3/s. A standard volume is a mass, see
    /// `instrument::flow`.
    VolumeFlow;
}

/// Sum of an absolute and a gauge reading: gauge plus the surrounding air is absolute.
impl GaugePressure {
    /// The absolute pressure of a gauge reading in air at `barometer`.
    #[must_use]
    pub fn absolute(self, barometer: AbsolutePressure) -> AbsolutePressure {
        AbsolutePressure(self.0 + barometer.0)
    }
}

impl AbsolutePressure {
    /// The gauge pressure of an absolute one in air at `barometer`.
    #[must_use]
    pub fn gauge(self, barometer: Self) -> GaugePressure {
        GaugePressure(self.0 - barometer.0)
    }
}

/// A number in SI whose kind is known from elsewhere (the channel, the vessel).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Si(pub f64);

impl Quantity for Si {
    const KIND: QuantityKind = QuantityKind::Plain;
    fn si(self) -> f64 {
        self.0
    }
    fn from_si(value: f64) -> Self {
        Self(value)
    }
}
