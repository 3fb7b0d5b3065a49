//! The whole of it, as processes that know nothing of each other: a simulated plant or a foreign
//! Modbus server, the daemon, and this test asking over HTTP.
//!
//! It needs `cargo build --workspace --bins` before it (the daemon lies beside the simulator), and
//! Python with pymodbus, CoolProp and numpy, named by `COLDLEDGER_PYTHON`; a C compiler with libmodbus;
//! `unshare` with user namespaces allowed (a disk of its own that fills up); `setpriv` when run by
//! the superuser.
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "a test may fail loudly; its helpers are not marked as tests"
)]

mod demonstration;
mod foreign_servers;
mod full_disk;
mod killed;
mod ledger_import;
mod refusals;
mod still_plant;
mod support;
