//! The Modbus server as an independent client sees it (mbpoll, built on libmodbus).

use std::process::Command;
use std::time::Duration;

use coldledger::plant::RegisterTable;
use coldledger::time::Span;
use coldledger_simulator::Imperfections;
use coldledger_simulator::server::{Ports, Served, SharedPlant, serve};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_util::sync::CancellationToken;

use crate::support::thirty;

struct Running {
    plant: SharedPlant,
    served: Served,
    cancel: CancellationToken,
}

async fn running(events: &str) -> Running {
    let mut plant = thirty(5, Imperfections::AS_STATED, events);
    plant.advance(Span::HOUR);
    let plant = SharedPlant::new(plant);
    let cancel = CancellationToken::new();
    let served = serve(plant.clone(), Ports::Free, cancel.clone())
        .await
        .unwrap();
    Running {
        plant,
        served,
        cancel,
    }
}

impl Running {
    fn port(&self, device: &str) -> u16 {
        self.served.addresses[device].port()
    }

    fn image(&self, device: &str) -> Vec<u16> {
        let mut plant = self.plant.lock();
        let (ix, _) = plant.plant().device_by_id(device).unwrap();
        plant.registers(ix, RegisterTable::Holding).unwrap()
    }

    async fn stop(self) {
        self.cancel.cancel();
        self.served.stopped().await.unwrap();
    }
}

/// Runs mbpoll; gives its exit code and what it printed.
async fn mbpoll(port: u16, arguments: &[&str]) -> (Option<i32>, String) {
    let mut command = Command::new("mbpoll");
    command
        .args([
            "-m",
            "tcp",
            "-p",
            &port.to_string(),
            "-1",
            "-0",
            "-o",
            "0.5",
        ])
        .args(arguments);
    let output = tokio::task::spawn_blocking(move || command.output())
        .await
        .unwrap()
        .expect("mbpoll is installed");
    let text = String::from_utf8_lossy(&output.stdout).into_owned()
        + &String::from_utf8_lossy(&output.stderr);
    (output.status.code(), text)
}

/// The words in mbpoll's listing, one line each: its reference in brackets, then the number.
fn listed(text: &str) -> Vec<u16> {
    text.lines()
        .filter_map(|line| line.strip_prefix('['))
        .filter_map(|line| line.split_once("]:"))
        .filter_map(|(_, value)| value.split_whitespace().next())
        .filter_map(|value| value.parse().ok())
        .collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 1)]
async fn an_independent_client_reads_the_image() {
    let running = running("").await;
    for (device, unit) in [("IO-COLD", "1"), ("IO-GAS", "2")] {
        let image = running.image(device);
        let count = image.len().to_string();
        let arguments = ["-a", unit, "-t", "4", "-r", "0", "-c", &count, "127.0.0.1"];
        let (code, text) = mbpoll(running.port(device), &arguments).await;
        assert_eq!(code, Some(0), "{text}");
        assert_eq!(listed(&text), image, "{text}");
    }
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 1)]
async fn another_unit_is_not_answered() {
    let running = running("").await;
    let arguments = ["-a", "7", "-t", "4", "-r", "0", "-c", "1", "127.0.0.1"];
    let (_, text) = mbpoll(running.port("IO-COLD"), &arguments).await;
    assert!(text.contains("timed out"), "{text}");
    assert!(listed(&text).is_empty());
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 1)]
async fn registers_beyond_the_image_and_writes_are_refused() {
    let running = running("").await;
    let port = running.port("IO-COLD");
    let beyond = running.image("IO-COLD").len().to_string();
    let arguments = ["-a", "1", "-t", "4", "-r", &beyond, "-c", "1", "127.0.0.1"];
    let (_, text) = mbpoll(port, &arguments).await;
    assert!(text.contains("Illegal data address"), "{text}");
    let before = running.image("IO-COLD");
    let arguments = ["-a", "1", "-t", "4", "-r", "0", "127.0.0.1", "4711"];
    let (_, text) = mbpoll(port, &arguments).await;
    assert!(text.contains("Illegal function"), "{text}");
    assert_eq!(running.image("IO-COLD"), before);
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 1)]
async fn every_writing_function_is_refused_with_exception_1() {
    let running = running("").await;
    let address = running.served.addresses["IO-COLD"];
    // Write coil, write register, write coils, write registers, mask write, read/write, as bytes.
    let requests: &[&[u8]] = &[
        &[5, 0, 0, 0xFF, 0],
        &[6, 0, 0, 0x12, 0x34],
        &[15, 0, 0, 0, 8, 1, 0xFF],
        &[16, 0, 0, 0, 1, 2, 0x12, 0x34],
        &[22, 0, 0, 0, 1, 0, 2],
        &[23, 0, 0, 0, 1, 0, 0, 0, 1, 2, 0x12, 0x34],
    ];
    let mut stream = TcpStream::connect(address).await.unwrap();
    for (n, pdu) in (1u8..).zip(requests) {
        let length = u8::try_from(pdu.len() + 1).unwrap();
        let mut frame = vec![0, n, 0, 0, 0, length, 1];
        frame.extend_from_slice(pdu);
        stream.write_all(&frame).await.unwrap();
        let mut answer = [0; 9];
        let read = stream.read_exact(&mut answer);
        tokio::time::timeout(Duration::from_secs(5), read)
            .await
            .expect("an answer")
            .unwrap();
        assert_eq!(answer, [0, n, 0, 0, 0, 3, 1, pdu[0] | 0x80, 1]);
    }
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 1)]
async fn a_lost_device_keeps_silent() {
    let lost = r#"
        [[event]]
        at = "30 min"
        kind = "lost-device"
        device = "IO-COLD"
        "#;
    let running = running(lost).await;
    let arguments = ["-a", "1", "-t", "4", "-r", "0", "-c", "1", "127.0.0.1"];
    let (_, text) = mbpoll(running.port("IO-COLD"), &arguments).await;
    assert!(text.contains("timed out"), "{text}");
    let arguments = ["-a", "2", "-t", "4", "-r", "0", "-c", "1", "127.0.0.1"];
    let (_, text) = mbpoll(running.port("IO-GAS"), &arguments).await;
    assert_eq!(listed(&text).len(), 1, "{text}");
    running.stop().await;
}
