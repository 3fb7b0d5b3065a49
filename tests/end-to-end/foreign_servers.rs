//! Modbus servers that are not ours: what stands in their registers is what is shown.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::support::{Daemon, Process, copy_plant, folder, python, root, wait_for};

/// Holding registers of the single dewar: 12.5 mbar as single precision, 1.2 bar, 12 mA of 4-20 mA
/// for 20 bar, 107.79 ohm, 998.7 mbar.
fn registers() -> Vec<u16> {
    let level = 12.5_f32.to_bits();
    vec![
        (level >> 16) as u16,
        (level & 0xFFFF) as u16,
        12_000,
        12_000,
        10_779,
        9_987,
    ]
}

#[test]
fn a_pymodbus_server_is_read_as_it_stands() {
    let folder = folder();
    let mut command = python();
    command.arg(root().join("tests/end-to-end/server_pymodbus.py"));
    shows_what_stands_in_the_registers(command, folder.path());
}

#[test]
fn a_libmodbus_server_is_read_as_it_stands() {
    let folder = folder();
    let program = folder.path().join("server");
    let built = Command::new("cc")
        .arg(root().join("tests/end-to-end/server_libmodbus.c"))
        .args(["-I/usr/include/modbus", "-o"])
        .arg(&program)
        .arg("-lmodbus")
        .output()
        .expect("a C compiler: apt-get install gcc libmodbus-dev");
    assert!(
        built.status.success(),
        "this test needs a C compiler and libmodbus (apt-get install gcc libmodbus-dev)\n{}",
        String::from_utf8_lossy(&built.stderr)
    );
    shows_what_stands_in_the_registers(Command::new(program), folder.path());
}

fn shows_what_stands_in_the_registers(mut command: Command, folder: &Path) {
    command.args(registers().iter().map(u16::to_string));
    let server = Process::start(command, folder, "server");
    let port: u16 = wait_for("the server's port", 30, || {
        server.output().trim().parse().ok()
    });
    let address = ("127.0.0.1:15020".to_owned(), format!("127.0.0.1:{port}"));
    let plant = copy_plant("config/single-dewar", folder, &[address]);
    let mut daemon = Daemon::running(&plant, folder);

    // IEC 60751 above 0 degC: R/R0 = 1 + A t + B t^2, so t is the root of a quadratic.
    let (a, b, ratio) = (3.9083e-3, -5.775e-7, 1.0779);
    let celsius = (-a + f64::sqrt(a * a - 4.0 * b * (1.0 - ratio))) / (2.0 * b);
    for (channel, expected) in [
        ("PDT-101", 12.5),
        ("PT-102", 1.2),
        ("PT-201", 10.0),
        ("TT-202", celsius),
        ("PT-900", 998.7),
    ] {
        let shown = daemon.good_channel(channel);
        assert!(
            (shown / expected - 1.0).abs() < 1e-9,
            "{channel}: {shown} is shown, the registers say {expected}"
        );
    }
    let health = daemon.json("/api/v1/health");
    assert_eq!(health["devices"][0]["timeouts"], 0, "{health}");
    assert_eq!(health["devices"][0]["resyncs"], 0, "{health}");
    daemon.process.signal("TERM");
    assert_eq!(daemon.process.exit_code(20), 0);
    assert!(fs::exists(folder.join("data")).unwrap());
}
