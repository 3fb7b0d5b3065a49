//! Wires the floors together: settings, the recorder, tasks, shutdown.

pub mod desk;
pub mod health;
pub mod outbox;
pub mod past;
pub mod recorder;
pub mod run;
pub mod settings;

pub use recorder::{Described, Opened, Recorder};
pub use run::{DaemonError, Preparation, Preparing, RunOptions, run};
pub use settings::Settings;
