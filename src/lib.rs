//! Coldledger: where every kilogram of helium in a superconducting-magnet plant is.
//!
//! A pure engine turns recorded events into conclusions; everything that touches the world is a
//! thin shell around it. Each floor knows only the floors below it (a test holds us to that):
//!
//! ```text
//!  main.rs, command/            the command line
//!  daemon.rs, clock.rs          tasks, shutdown, time
//!  publish/     console/        MQTT and time-series deliveries | pages and HTTP API
//!  acquisition/ history/        Modbus polling (reads only)     | embedded store
//!  ---- above: shell.  below: pure, no clock, no disk, no network ----
//!  engine/      replay.rs       event in, outcomes out
//!  alarm/       balance/        alarm states | inventory, ledger, loss
//!  plant/                       the plant description
//!  instrument/                  raw register to physical quantity
//!  helium/       magnet/         helium properties | margin, joints, boil-off
//!  helium/ air/                 helium properties | oxygen in a ventilated hall
//!  quantity/  time.rs          measured values, units, timestamps
//! ```

pub mod acquisition;
pub mod actor;
pub mod air;
pub mod alarm;
pub mod backoff;
pub mod balance;
pub mod clock;
pub mod command;
pub mod console;
pub mod daemon;
pub mod engine;
pub mod helium;
pub mod history;
pub mod instrument;
pub mod magnet;
pub mod plant;
pub mod publish;
pub mod quantity;
pub mod replay;
pub mod time;
