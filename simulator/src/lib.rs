//! A simulated helium plant that serves the registers of any Coldledger plant description.
//!
//! ```text
//!  main.rs, command/   the command line
//!  server.rs           Modbus TCP, one listener per device
//!  past.rs truth_csv   days of past in virtual time; the truth beside
//!  virtual_plant.rs    model, sensors and scenario together
//!  sensors/            truth to registers: noise, drift, faults
//!  scenario.rs         what happens when; settings/ what drives the plant
//!  model/              the plant as it truly is; conserves helium
//! ```

pub mod model;
