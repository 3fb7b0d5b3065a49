//! Transactions per second of the Modbus polling, against libmodbus with one thread per device.
//!
//! Both clients read 125 holding registers per transaction from the same server on loopback, one
//! request in flight per device, 32 devices, in turns; each runs in a process of its own, so that
//! its processor time is its alone. Shown are the medians, and the median of the paired ratios.
//! Ours goes through the guard layer: a time limit on every request and the exact length checked.
//! One argument sets the number of rounds (5 by default; 1 only shows that it runs). Needs a C
//! compiler and libmodbus: `apt-get install gcc libmodbus-dev`.

#![expect(
    clippy::cast_precision_loss,
    clippy::disallowed_methods,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a bench reads the clock, prints, and stops where it cannot go on"
)]

use std::io::{BufRead, BufReader, Read};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use coldledger::acquisition::transport::{Connection, Place, ReadRequest};
use coldledger::plant::{BlockKey, RegisterTable};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio::task::JoinSet;

const DEVICES: usize = 32;
const WORDS: u16 = 125;
const SECONDS: u64 = 2;

/// What a client prints: transactions, microseconds of the wall, microseconds of the processor.
struct Run {
    per_second: f64,
    cpu_us: f64,
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["serve"] => runtime().block_on(serve()),
        ["poll", port] => runtime().block_on(poll(port.parse().expect("a port"))),
        _ => compare(words.iter().find_map(|word| word.parse().ok()).unwrap_or(5)),
    }
}

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .expect("a runtime")
}

/// Answers every read with registers; the requests are known to be whole and right.
async fn serve() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    println!("{}", listener.local_addr().expect("an address").port());
    let mut connections = JoinSet::new();
    loop {
        let (mut stream, _) = listener.accept().await.expect("a client");
        stream.set_nodelay(true).expect("an option");
        connections.spawn(async move {
            let mut request = [0_u8; 12];
            let mut reply = [7_u8; 9 + 2 * WORDS as usize];
            while stream.read_exact(&mut request).await.is_ok() {
                let [t0, t1, .., unit, function, _, _, _, _] = request;
                reply[..9].copy_from_slice(&[t0, t1, 0, 0, 0, 253, unit, function, 250]);
                if stream.write_all(&reply).await.is_err() {
                    return;
                }
            }
        });
    }
}

/// Reads as fast as the answers come, one request in flight per connection.
async fn poll(port: u16) {
    let place = Place::Address(SocketAddr::from(([127, 0, 0, 1], port)));
    let started = Instant::now();
    let mut tasks = JoinSet::new();
    for _ in 0..DEVICES {
        let place = place.clone();
        tasks.spawn(async move {
            let request = ReadRequest::new(&BlockKey {
                device: "IO".into(),
                table: RegisterTable::Holding,
                address: 0,
                words: WORDS,
            })
            .expect("a request");
            let limit = Duration::from_secs(2);
            let mut connection = Connection::open(&place, 1, limit).await.expect("a server");
            let mut transactions = 0_u64;
            while started.elapsed() < Duration::from_secs(SECONDS) {
                let (back, words) = connection.read(request, limit).await.expect("an answer");
                assert_eq!(words.len(), usize::from(WORDS));
                connection = back;
                transactions += 1;
            }
            transactions
        });
    }
    let transactions: u64 = tasks.join_all().await.iter().sum();
    println!(
        "{transactions} {} {}",
        started.elapsed().as_micros(),
        processor_us()
    );
}

/// Processor time of this process: user and system ticks of 10 ms in /proc.
fn processor_us() -> u64 {
    let stat = std::fs::read_to_string("/proc/self/stat").expect("a Linux machine");
    let fields = stat.rsplit(')').next().expect("fields").split_whitespace();
    let ticks: u64 = fields
        .skip(11)
        .take(2)
        .map(|ticks| ticks.parse::<u64>().expect("a number"))
        .sum();
    ticks * 10_000
}

fn compare(rounds: usize) {
    let folder = tempfile::tempdir().expect("a folder");
    let rival = folder.path().join("threads");
    build(&rival);
    let this = std::env::current_exe().expect("a path");
    let mut server = Command::new(&this)
        .arg("serve")
        .stdout(Stdio::piped())
        .spawn()
        .expect("a server");
    let port = first_line(&mut server);
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for _ in 0..rounds {
        ours.push(measure(Command::new(&this).args(["poll", &port])));
        theirs.push(measure(Command::new(&rival).args([
            port.as_str(),
            &SECONDS.to_string(),
            &DEVICES.to_string(),
        ])));
    }
    server.kill().expect("to end the server");
    server.wait().expect("to end the server");
    let median = |values: Vec<f64>| {
        let mut values = values;
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
    };
    for (name, runs) in [("ours", &ours), ("libmodbus, 32 threads", &theirs)] {
        println!(
            "{name}: {:.0} transactions/s, {:.1} us of processor each",
            median(runs.iter().map(|run| run.per_second).collect()),
            median(runs.iter().map(|run| run.cpu_us).collect()),
        );
    }
    let ratio = |of: fn(&Run) -> f64| {
        median(
            ours.iter()
                .zip(&theirs)
                .map(|(a, b)| of(a) / of(b))
                .collect(),
        )
    };
    println!(
        "ratio: {:.2} in transactions/s, {:.2} in processor time",
        ratio(|run| run.per_second),
        ratio(|run| run.cpu_us)
    );
}

fn measure(command: &mut Command) -> Run {
    let output = command.output().expect("to run");
    assert!(output.status.success(), "{output:?}");
    let text = String::from_utf8(output.stdout).expect("text");
    let mut numbers = text
        .split_whitespace()
        .map(|word| word.parse::<u64>().expect("a number") as f64);
    let mut next = || numbers.next().expect("three numbers");
    let (transactions, wall_us, cpu_us) = (next(), next(), next());
    Run {
        per_second: transactions / wall_us * 1e6,
        cpu_us: cpu_us / transactions,
    }
}

fn first_line(child: &mut Child) -> String {
    let mut line = String::new();
    BufReader::new(child.stdout.as_mut().expect("output").by_ref())
        .read_line(&mut line)
        .expect("a port");
    line.trim().to_owned()
}

fn build(program: &Path) {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bench/modbus_threads.c");
    let built = Command::new("cc")
        .arg("-O2")
        .arg(source)
        .args(["-I/usr/include/modbus", "-o"])
        .arg(program)
        .args(["-lmodbus", "-lpthread"])
        .status()
        .expect("this bench needs a C compiler: apt-get install gcc libmodbus-dev");
    assert!(built.success(), "apt-get install gcc libmodbus-dev");
}
