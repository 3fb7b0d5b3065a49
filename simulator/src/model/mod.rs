//! The plant as it truly is: lumped stores of helium and the flows between them.
//!
//! Helium is neither made nor lost here: every flow takes from one store exactly what it gives to
//! another (or to the outside account), so that the sum over all stores and the outside account
//! stays what it was to rounding. Temperatures, pressures and levels then follow from the masses.
//!
//! The model holds what an estimator does not see: gas that lags the weather and is stratified,
//! thermometers that lag the gas, liquid that is colder than saturation after a rise of pressure,
//! vapour warmer than saturation, holdup that wanders. It never looks at the code that is to be
//! judged by it.

pub mod fluid;
pub mod network;
pub mod params;
pub mod random;
pub mod store;
pub mod weather;

pub use fluid::Fluid;
pub use network::{Controls, Leak, PlantModel};
pub use params::{ModelParams, Place, VesselParams};
pub use store::{Store, StoreState};
pub use weather::{Climate, Weather};
