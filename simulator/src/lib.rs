//! A simulated helium plant that serves the registers of any Coldledger plant description.
//!
//! ```text
//!  main.rs, command/     the command line
//!  server.rs             Modbus TCP, one listener per device
//!  demo.rs start.rs      the demonstration plant; a plant from files
//!  past.rs truth_file.rs days of past in virtual time; the truth beside
//!  score/                many plants whose truth is known, and how often what is said is right
//!  virtual_plant.rs      model, sensors and scenario together
//!  sensors/              truth to registers: noise, drift, faults
//!  scenario/ settings/   what happens and when; what drives the plant
//!  model/                the plant as it truly is; conserves helium
//! ```

pub mod command;
pub mod demo;
pub mod model;
pub mod past;
pub mod scenario;
pub mod score;
pub mod sensors;
pub mod server;
pub mod settings;
pub mod start;
pub mod truth_file;
pub mod virtual_plant;

pub use model::{Climate, ModelParams};
pub use scenario::Scenario;
pub use sensors::Imperfections;
pub use settings::{Problems, SimulatorSettings};
pub use virtual_plant::{Beginning, Truth, VesselTruth, VirtualPlant};
