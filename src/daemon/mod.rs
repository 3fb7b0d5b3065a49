//! Wires the floors together: settings, the recorder, tasks, shutdown.

pub mod settings;
