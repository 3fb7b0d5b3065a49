//! A hall: its volume, its fan, its air.

use super::error::{AirError, within};
use crate::quantity::{AbsolutePressure, Fraction, Temperature, Volume, VolumeFlow};

/// Oxygen of outside air, mole fraction. **Source**: common practice, no source; dry air has 20.95 %,
/// moist air a little less.
pub const OUTSIDE_OXYGEN: Fraction = Fraction::new(0.209);

const VOLUME_M3: (f64, f64) = (1e-3, 1e8);
pub(super) const FLOW_M3_PER_S: (f64, f64) = (0.0, 1e6);
const TEMPERATURE_K: (f64, f64) = (223.15, 343.15);
pub(super) const PRESSURE_PA: (f64, f64) = (3e4, 2e5);

/// What moves the air of a hall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fan {
    /// Nothing; what is released pushes as much mixed air out.
    Off,
    /// Draws mixed air out; outside air comes in for what the release does not make up.
    Exhaust(VolumeFlow),
    /// Blows outside air in; mixed air goes out for it and for the release.
    Supply(VolumeFlow),
}

impl Fan {
    /// What it moves.
    #[must_use]
    pub fn flow(self) -> VolumeFlow {
        match self {
            Self::Off => VolumeFlow::new(0.0),
            Self::Exhaust(flow) | Self::Supply(flow) => flow,
        }
    }
}

/// A hall of which every number is in range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hall {
    pub(super) volume_m3: f64,
    pub(super) fan: Fan,
    pub(super) outside: f64,
}

impl Hall {
    /// A hall by its free volume, its fan and the oxygen of the air outside.
    ///
    /// **Range**: volume 1 L to 1e8 m3, fan to 1e6 m3/s, oxygen 0 to 1.
    ///
    /// # Errors
    /// [`AirError::OutOfRange`].
    pub fn new(volume: Volume, fan: Fan, outside: Fraction) -> Result<Self, AirError> {
        within("fan flow", fan.flow().si(), "m3/s", FLOW_M3_PER_S)?;
        Ok(Self {
            volume_m3: within("volume of the hall", volume.si(), "m3", VOLUME_M3)?,
            fan,
            outside: within("oxygen outside", outside.si(), "", (0.0, 1.0))?,
        })
    }

    /// Its fan.
    #[must_use]
    pub fn fan(&self) -> Fan {
        self.fan
    }
}

/// Temperature and pressure of the air of a hall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HallAir {
    temperature: Temperature,
    pressure: AbsolutePressure,
}

impl HallAir {
    /// By temperature and absolute pressure.
    ///
    /// **Range**: -50 to 70 degrees Celsius, 30 to 200 kPa.
    ///
    /// # Errors
    /// [`AirError::OutOfRange`].
    pub fn new(temperature: Temperature, pressure: AbsolutePressure) -> Result<Self, AirError> {
        within(
            "temperature of the hall",
            temperature.si(),
            "K",
            TEMPERATURE_K,
        )?;
        within("air pressure", pressure.si(), "Pa(a)", PRESSURE_PA)?;
        Ok(Self {
            temperature,
            pressure,
        })
    }

    /// Temperature.
    #[must_use]
    pub fn temperature(&self) -> Temperature {
        self.temperature
    }

    /// Pressure.
    #[must_use]
    pub fn pressure(&self) -> AbsolutePressure {
        self.pressure
    }
}
