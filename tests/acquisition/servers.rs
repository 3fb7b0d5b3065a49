//! Servers that are not ours: pymodbus and libmodbus, read value by value.

use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use coldledger::engine::PollFault;
use coldledger::plant::RegisterTable;

use crate::support::{Polling, block, device, scripted_value};

/// A server in a process of its own; ended when dropped.
struct Server {
    child: Child,
    address: SocketAddr,
}

impl Server {
    /// Starts it and reads its port from the first line it prints.
    fn start(mut command: Command, advice: &str) -> Self {
        let mut child = command
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("{command:?} does not start ({error}). {advice}"));
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap())
            .read_line(&mut line)
            .unwrap();
        let port: u16 = line
            .trim()
            .parse()
            .unwrap_or_else(|_| panic!("{command:?} told no port. {advice}"));
        Self {
            child,
            address: ([127, 0, 0, 1], port).into(),
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

fn source(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/acquisition")
        .join(name)
}

/// Both tables, 1 and 125 registers, compared; and one block that the server does not have.
async fn reads_every_value(server: &Server, beyond: PollFault) {
    let blocks = vec![
        block(RegisterTable::Holding, 0, 125, 20),
        block(RegisterTable::Input, 17, 1, 20),
        block(RegisterTable::Input, 875, 125, 20),
        block(RegisterTable::Holding, 990, 20, 20),
    ];
    let mut polling = Polling::start(device("IO-1", 2_000), server.address, blocks);
    for _ in 0..4 * 25 {
        let poll = polling.next().await.poll;
        let key = &poll.block;
        if key.address == 990 {
            assert_eq!(poll.words, Err(beyond));
            continue;
        }
        let expected: Vec<u16> = (key.address..key.address + key.words)
            .map(|a| scripted_value(key.table.function(), a))
            .collect();
        assert_eq!(poll.words, Ok(expected), "{key:?}");
    }
    let report = polling.health.report();
    assert_eq!((report.connects, report.resyncs), (1, 0), "{report:?}");
}

#[tokio::test]
async fn reads_every_value_of_a_pymodbus_server() {
    #[expect(
        clippy::disallowed_methods,
        reason = "tests are told their interpreter"
    )]
    let python = std::env::var("COLDLEDGER_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let mut command = Command::new(&python);
    command.arg(source("server_pymodbus.py"));
    let server = Server::start(
        command,
        "This test needs Python with pymodbus 3.16: create an environment \
         (python3 -m venv DIR; DIR/bin/pip install pymodbus==3.16.1) and name its interpreter \
         in COLDLEDGER_PYTHON.",
    );
    reads_every_value(&server, PollFault::Exception(2)).await;
}

#[tokio::test]
async fn reads_every_value_of_a_libmodbus_server() {
    let advice = "This test needs a C compiler and libmodbus: apt-get install gcc libmodbus-dev.";
    let folder = tempfile::tempdir().unwrap();
    let program = folder.path().join("server");
    let built = Command::new("cc")
        .arg(source("server_libmodbus.c"))
        .args(["-I/usr/include/modbus", "-o"])
        .arg(&program)
        .arg("-lmodbus")
        .output()
        .unwrap_or_else(|error| panic!("cc does not start ({error}). {advice}"));
    assert!(
        built.status.success(),
        "{advice}\n{}",
        String::from_utf8_lossy(&built.stderr)
    );
    let server = Server::start(Command::new(program), advice);
    reads_every_value(&server, PollFault::Exception(2)).await;
}
