//! The task that owns one device.

use std::future::Future;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;

use super::health::DeviceHealth;
use super::schedule::Schedule;
use super::transport::{ConnectError, Connection, Place, ReadRequest};
use crate::backoff::{Backoff, seed_of};
use crate::clock::Clock;
use crate::engine::{Poll, PollFault};
use crate::plant::{BlockKey, Device, Link, PollBlock};
use crate::time::{Monotonic, Span, Stamp};

/// A poll with the time at which it was finished.
#[derive(Debug, Clone, PartialEq)]
pub struct Polled {
    /// What was read, or why nothing was.
    pub poll: Poll,
    /// When.
    pub stamp: Stamp,
}

/// How long a full queue is waited for before polls are left out.
pub const QUEUE_PATIENCE: Duration = Duration::from_mins(1);

/// Wait before the second attempt to connect, and the longest wait.
const RECONNECT: (Duration, Duration) = (Duration::from_millis(500), Duration::from_secs(30));

/// A connection unused for this long may have been closed by the server for that.
const REST: Span = Span::from_millis(1_000);

/// Shortest and longest time given to one attempt to connect.
const CONNECT_TIME: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(5));

/// Polls one device until stopped.
///
/// One request is in flight at a time. Every due block gives one [`Polled`]; while there is no
/// connection it says so. `out` is bounded: when it stays full for [`QUEUE_PATIENCE`], polls are
/// left out, counted, and reported by [`DeviceHealth::take_not_polled`] until there is room again.
/// `address` stands in for the link of the description when given.
pub async fn poll_device(
    device: Device,
    address: Option<SocketAddr>,
    blocks: Vec<PollBlock>,
    clock: Arc<dyn Clock>,
    out: mpsc::Sender<Polled>,
    health: Arc<DeviceHealth>,
    stop: CancellationToken,
) {
    let Link::Tcp { host, port } = device.link;
    let seed = seed_of(&device.id);
    let request_time = duration(device.timeout);
    let mut blocks_checked = Vec::with_capacity(blocks.len());
    for block in blocks {
        match ReadRequest::new(&block.key) {
            Ok(request) => blocks_checked.push(Block {
                key: block.key,
                interval: block.interval,
                request,
            }),
            // The plan makes no such block; one that came from elsewhere is not sent.
            Err(problem) => tracing::error!(device = %device.id, %problem, "block is not polled"),
        }
    }
    let mut poller = Poller {
        schedule: Schedule::new(
            blocks_checked.iter().map(|block| block.interval),
            clock.now().monotonic,
            seed,
        ),
        line: Line {
            state: LineState::Waiting(clock.now(), Duration::ZERO),
            place: address.map_or_else(|| Place::Host(host, port), Place::Address),
            unit: device.unit_id,
            connect_time: request_time.clamp(CONNECT_TIME.0, CONNECT_TIME.1),
            request_time,
            backoff: Backoff::new(RECONNECT.0, RECONNECT.1, seed),
            last_answer: clock.now().monotonic,
            failures: 0,
            blocks: blocks_checked.len(),
            health: Arc::clone(&health),
            clock: Arc::clone(&clock),
        },
        blocks: blocks_checked,
        clock,
        out,
        health: Arc::clone(&health),
        jammed: false,
    };
    // Stopping drops the request in flight together with its connection.
    stop.run_until_cancelled(poller.run()).await;
    health.disconnected();
}

struct Block {
    key: Arc<BlockKey>,
    interval: Span,
    request: ReadRequest,
}

struct Poller {
    schedule: Schedule,
    line: Line,
    blocks: Vec<Block>,
    clock: Arc<dyn Clock>,
    out: mpsc::Sender<Polled>,
    health: Arc<DeviceHealth>,
    /// The queue stayed full; polls are left out until there is room.
    jammed: bool,
}

impl Poller {
    /// Ends when nobody receives any more, or without blocks.
    async fn run(&mut self) {
        while let Some((index, due)) = self.schedule.next() {
            let wait = duration(due - self.clock.now().monotonic);
            tokio::select! {
                biased;
                () = sleep(wait) => {}
                () = self.line.work_on_connection() => continue,
            }
            let Some(block) = self.blocks.get(index) else {
                return;
            };
            if self.jammed && self.out.capacity() == 0 {
                let stamp = self.clock.now();
                let passed = self.schedule.done(index, stamp.monotonic);
                self.health.count_not_polled(1 + passed, stamp);
                continue;
            }
            let words = self.line.read(block.request).await;
            let polled = Polled {
                poll: Poll {
                    block: Arc::clone(&block.key),
                    words,
                },
                stamp: self.clock.now(),
            };
            let passed = self.schedule.done(index, polled.stamp.monotonic);
            self.health.count_overruns(passed);
            if !self.deliver(polled).await {
                return;
            }
        }
    }

    /// Whether anyone still receives.
    async fn deliver(&mut self, polled: Polled) -> bool {
        let stamp = polled.stamp;
        match self.out.try_send(polled) {
            Ok(()) => {
                self.jammed = false;
                return true;
            }
            Err(mpsc::error::TrySendError::Closed(_)) => return false,
            Err(mpsc::error::TrySendError::Full(polled)) => {
                match timeout(QUEUE_PATIENCE, self.out.send(polled)).await {
                    Ok(Ok(())) => self.jammed = false,
                    Ok(Err(_)) => return false,
                    Err(_) => {
                        self.jammed = true;
                        self.health.count_not_polled(1, stamp);
                        tracing::error!(
                            "the queue to the history is full; polls are left out until it moves"
                        );
                    }
                }
            }
        }
        // Grid points that went by while waiting were left out because of the queue.
        let now = self.clock.now();
        let missed = self.schedule.pass_over(now.monotonic);
        if missed > 0 {
            self.health.count_not_polled(missed, stamp);
        }
        true
    }
}

/// The way to the device: a connection, or the making of one.
struct Line {
    state: LineState,
    place: Place,
    unit: u8,
    connect_time: Duration,
    request_time: Duration,
    backoff: Backoff,
    last_answer: Monotonic,
    /// Requests that failed since the last answer.
    failures: usize,
    /// Blocks of the device.
    blocks: usize,
    health: Arc<DeviceHealth>,
    clock: Arc<dyn Clock>,
}

type Opening = Pin<Box<dyn Future<Output = Result<Connection, ConnectError>> + Send>>;

enum LineState {
    /// Connected.
    Open(Connection),
    /// An attempt is under way.
    Opening(Opening),
    /// The next attempt starts this long after that instant.
    Waiting(Stamp, Duration),
}

impl Line {
    /// Moves the making of a connection on by one step; never ends while connected.
    ///
    /// Dropping the future loses nothing: attempt and wait live in `self`.
    async fn work_on_connection(&mut self) {
        match &mut self.state {
            LineState::Open(_) => std::future::pending().await,
            LineState::Waiting(since, wait) => {
                let gone = duration(self.clock.now().monotonic - since.monotonic);
                sleep(wait.saturating_sub(gone)).await;
                self.state = LineState::Opening(self.attempt());
            }
            LineState::Opening(attempt) => {
                let result = attempt.await;
                self.opened(result);
            }
        }
    }

    fn attempt(&self) -> Opening {
        let (place, unit, limit) = (self.place.clone(), self.unit, self.connect_time);
        Box::pin(async move { Connection::open(&place, unit, limit).await })
    }

    fn opened(&mut self, result: Result<Connection, ConnectError>) {
        self.state = match result {
            Ok(connection) => {
                self.health.count_connect();
                LineState::Open(connection)
            }
            Err(error) => {
                self.health.count_failed_connect(error.to_string());
                LineState::Waiting(self.clock.now(), self.backoff.failed())
            }
        };
    }

    /// Reads once; without a connection it says so at once.
    ///
    /// A server may close a connection that rests between two polls, which shows only at the next
    /// request: that one is asked again, once, on the new connection.
    async fn read(&mut self, request: ReadRequest) -> Result<Vec<u16>, PollFault> {
        let rested = self.clock.now().monotonic - self.last_answer > REST;
        match self.read_once(request).await {
            Err(PollFault::Broken) if rested => match self.read_once(request).await {
                Err(PollFault::NotConnected) => Err(PollFault::Broken),
                second => second,
            },
            first => first,
        }
    }

    async fn read_once(&mut self, request: ReadRequest) -> Result<Vec<u16>, PollFault> {
        let waiting = LineState::Waiting(self.clock.now(), Duration::ZERO);
        let connection = match std::mem::replace(&mut self.state, waiting) {
            LineState::Open(connection) => connection,
            other => {
                self.state = other;
                return Err(PollFault::NotConnected);
            }
        };
        self.health.count_request();
        let sent = self.clock.now().monotonic;
        match connection.read(request, self.request_time).await {
            Ok((connection, words)) => {
                self.in_step(connection);
                self.health.count_answer(self.last_answer - sent);
                Ok(words)
            }
            Err(failure) => {
                if let Some(connection) = failure.connection {
                    self.health.count_exception(failure.detail);
                    self.in_step(connection);
                } else {
                    let timed_out = failure.fault == PollFault::TimedOut;
                    self.health.count_resync(timed_out, failure.detail);
                    self.reopen().await;
                }
                Err(failure.fault)
            }
        }
    }

    fn in_step(&mut self, connection: Connection) {
        self.state = LineState::Open(connection);
        self.last_answer = self.clock.now().monotonic;
        self.failures = 0;
        self.backoff.worked();
    }

    /// After a failed request. The connection is replaced at once as long as not every block in
    /// turn has failed, so that unreadable blocks do not hide the others; then the wait grows.
    async fn reopen(&mut self) {
        self.failures = self.failures.saturating_add(1);
        if self.failures <= self.blocks {
            let attempt = self.attempt();
            let result = timeout(self.request_time, attempt).await;
            self.opened(result.unwrap_or(Err(ConnectError::TimedOut(self.request_time))));
        } else {
            self.state = LineState::Waiting(self.clock.now(), self.backoff.failed());
        }
    }
}

/// A span as the timer takes it; what lies in the past is due now.
fn duration(span: Span) -> Duration {
    Duration::from_millis(u64::try_from(span.millis()).unwrap_or(0))
}
