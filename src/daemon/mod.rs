//! Wires the floors together: settings, the recorder, tasks, shutdown.

pub mod outbox;
pub mod past;
pub mod recorder;
pub mod settings;
