//! A device under poll, and a Modbus TCP server that follows a script.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use coldledger::acquisition::{DeviceHealth, Polled, poll_device};
use coldledger::clock::{Clock, SystemClock};
use coldledger::plant::{BlockKey, Device, DeviceIx, Link, PollBlock, RegisterTable};
use coldledger::time::Span;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// What our scripted servers hold in a register: it tells addresses and tables apart.
pub fn scripted_value(function: u8, address: u16) -> u16 {
    address
        .wrapping_mul(31)
        .wrapping_add(7)
        .wrapping_add(if function == 4 { 1000 } else { 0 })
}

pub fn device(id: &str, timeout_ms: i64) -> Device {
    Device {
        id: id.into(),
        name: id.to_owned(),
        link: Link::Tcp {
            host: "device.invalid".to_owned(),
            port: 502,
        },
        unit_id: 1,
        timeout: Span::from_millis(timeout_ms),
        gap_limit: 0,
    }
}

pub fn block(table: RegisterTable, address: u16, words: u16, interval_ms: i64) -> PollBlock {
    PollBlock {
        key: Arc::new(BlockKey {
            device: "IO-1".into(),
            table,
            address,
            words,
        }),
        device: DeviceIx(0),
        interval: Span::from_millis(interval_ms),
        channels: Vec::new(),
    }
}

/// A poller at work; stopped when dropped.
pub struct Polling {
    pub polls: mpsc::Receiver<Polled>,
    pub health: Arc<DeviceHealth>,
    pub stop: CancellationToken,
    pub tasks: JoinSet<()>,
}

impl Polling {
    pub fn start(device: Device, address: SocketAddr, blocks: Vec<PollBlock>) -> Self {
        Self::start_with(device, address, blocks, Arc::new(SystemClock::new()), 256)
    }

    pub fn start_with(
        device: Device,
        address: SocketAddr,
        blocks: Vec<PollBlock>,
        clock: Arc<dyn Clock>,
        capacity: usize,
    ) -> Self {
        let (out, polls) = mpsc::channel(capacity);
        let health = Arc::new(DeviceHealth::default());
        let stop = CancellationToken::new();
        let mut tasks = JoinSet::new();
        tasks.spawn(poll_device(
            device,
            Some(address),
            blocks,
            clock,
            out,
            Arc::clone(&health),
            stop.clone(),
        ));
        Self {
            polls,
            health,
            stop,
            tasks,
        }
    }

    /// The next poll, or a failed test when none comes.
    pub async fn next(&mut self) -> Polled {
        tokio::time::timeout(Duration::from_secs(10), self.polls.recv())
            .await
            .expect("no poll within 10 s: the poller hangs")
            .expect("the poller ended by itself")
    }
}

/// A request as the server saw it.
#[derive(Debug, Clone)]
pub struct Asked {
    /// Counted over all connections, from 0.
    pub number: usize,
    pub transaction: [u8; 2],
    pub unit: u8,
    pub function: u8,
    pub address: u16,
    pub count: u16,
}

impl Asked {
    /// The right answer.
    pub fn reply(&self) -> Vec<u8> {
        self.reply_of(self.count)
    }

    /// An answer that is right but for its number of registers.
    pub fn reply_of(&self, count: u16) -> Vec<u8> {
        let data = (0..count).flat_map(|k| {
            scripted_value(self.function, self.address.wrapping_add(k)).to_be_bytes()
        });
        let mut pdu = vec![self.function, u8::try_from(2 * count).unwrap()];
        pdu.extend(data);
        self.frame(&pdu)
    }

    pub fn exception(&self, code: u8) -> Vec<u8> {
        self.frame(&[self.function | 0x80, code])
    }

    pub fn frame(&self, pdu: &[u8]) -> Vec<u8> {
        let mut frame = self.transaction.to_vec();
        frame.extend([0, 0]);
        frame.extend(u16::try_from(pdu.len() + 1).unwrap().to_be_bytes());
        frame.push(self.unit);
        frame.extend(pdu);
        frame
    }
}

/// What a scripted server does about a request.
#[derive(Debug, Clone)]
pub enum Step {
    Send(Vec<u8>),
    Pause(Duration),
    /// Orderly end of the connection.
    Close,
    /// The connection is reset.
    Reset,
}

/// Serves on a free port until the set is dropped; `script` decides about each request.
pub async fn serve(
    tasks: &mut JoinSet<()>,
    script: impl Fn(&Asked) -> Vec<Step> + Send + Sync + 'static,
) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tasks.spawn(async move {
        let number = Arc::new(std::sync::atomic::AtomicUsize::new(0));
        let script = Arc::new(script);
        let mut connections = JoinSet::new();
        loop {
            let (stream, _) = listener.accept().await.unwrap();
            let (number, script) = (Arc::clone(&number), Arc::clone(&script));
            connections.spawn(async move {
                // An error is the poller dropping the connection, as it should.
                drop(converse(stream, &number, &*script).await);
            });
        }
    });
    address
}

async fn converse(
    mut stream: TcpStream,
    number: &std::sync::atomic::AtomicUsize,
    script: &(dyn Fn(&Asked) -> Vec<Step> + Send + Sync),
) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    loop {
        let mut request = [0_u8; 12];
        stream.read_exact(&mut request).await?;
        let [t0, t1, p0, p1, l0, l1, unit, function, a0, a1, c0, c1] = request;
        assert_eq!([p0, p1, l0, l1], [0, 0, 0, 6], "not a Modbus request");
        assert!(
            function == 3 || function == 4,
            "function {function} is not a read"
        );
        let asked = Asked {
            number: number.fetch_add(1, std::sync::atomic::Ordering::SeqCst),
            transaction: [t0, t1],
            unit,
            function,
            address: u16::from_be_bytes([a0, a1]),
            count: u16::from_be_bytes([c0, c1]),
        };
        for step in script(&asked) {
            match step {
                Step::Send(bytes) => stream.write_all(&bytes).await?,
                Step::Pause(time) => tokio::time::sleep(time).await,
                Step::Close => return Ok(()),
                Step::Reset => {
                    stream.set_zero_linger()?;
                    return Ok(());
                }
            }
        }
    }
}
