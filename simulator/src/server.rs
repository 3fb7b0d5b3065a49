//! The plant's registers over Modbus TCP: one listener per device, as in a real plant.
//!
//! A device answers its own unit identifier only, reads holding registers (function 3) and input
//! registers (function 4), and refuses everything else with exception 1: nothing can be written.

use std::collections::BTreeMap;
use std::future::{Ready, ready};
use std::io;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use coldledger::engine::event::PollFault;
use coldledger::plant::{DeviceIx, Id, RegisterTable};
use coldledger::time::Span;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;
use tokio::time::MissedTickBehavior;
use tokio_modbus::server::Service;
use tokio_modbus::server::tcp::{Server, accept_tcp_connection};
use tokio_modbus::{ExceptionCode, Request, Response, SlaveRequest};
use tokio_util::sync::CancellationToken;

use crate::virtual_plant::VirtualPlant;

/// A plant that its servers, its clock and the person at the controls share. The lock is held for
/// one read or one step, never across an await.
#[derive(Debug, Clone)]
pub struct SharedPlant(Arc<Mutex<VirtualPlant>>);

impl SharedPlant {
    /// Shares a plant.
    #[must_use]
    pub fn new(plant: VirtualPlant) -> Self {
        Self(Arc::new(Mutex::new(plant)))
    }

    /// The plant, for as long as the guard lives.
    pub fn lock(&self) -> MutexGuard<'_, VirtualPlant> {
        // A task that died in a step leaves a plant that can still be read.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Which TCP ports the devices get.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ports {
    /// Any free ones.
    Free,
    /// This and the following, in the order of the description's devices.
    From(u16),
}

/// Servers that run.
#[derive(Debug)]
pub struct Served {
    /// Where each device answers, by its id.
    pub addresses: BTreeMap<Id, SocketAddr>,
    tasks: JoinSet<io::Result<()>>,
}

impl Served {
    /// Waits until the servers have stopped, which they do when they are cancelled.
    ///
    /// # Errors
    /// The first [`io::Error`] that stopped one of them.
    pub async fn stopped(mut self) -> io::Result<()> {
        while let Some(ended) = self.tasks.join_next().await {
            ended.map_err(io::Error::other)??;
        }
        Ok(())
    }
}

/// Serves every device of the plant on the loopback address until cancelled.
///
/// # Errors
/// [`io::Error`] when a port cannot be opened.
pub async fn serve(
    plant: SharedPlant,
    ports: Ports,
    cancel: CancellationToken,
) -> io::Result<Served> {
    let devices: Vec<(Id, u8)> = {
        let plant = plant.lock();
        let devices = plant.plant().all.device.iter();
        devices
            .map(|device| (Arc::clone(&device.id), device.unit_id))
            .collect()
    };
    let mut addresses = BTreeMap::new();
    let mut tasks = JoinSet::new();
    for (n, (id, unit)) in (0u16..).zip(devices) {
        let port = match ports {
            Ports::Free => 0,
            Ports::From(first) => first.saturating_add(n),
        };
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await?;
        addresses.insert(id, listener.local_addr()?);
        let device = DeviceService {
            plant: plant.clone(),
            device: DeviceIx(u32::from(n)),
            unit,
        };
        tasks.spawn(serve_device(listener, device, cancel.clone()));
    }
    Ok(Served { addresses, tasks })
}

/// Lets the plant's time pass with real time until cancelled.
pub async fn run_in_real_time(plant: SharedPlant, cancel: CancellationToken) {
    const STEP: Duration = Duration::from_secs(1);
    let mut ticks = tokio::time::interval(STEP);
    // Missed ticks are made up, so that the plant's time keeps to real time on a busy machine.
    ticks.set_missed_tick_behavior(MissedTickBehavior::Burst);
    // The first tick is due at once.
    ticks.tick().await;
    loop {
        tokio::select! {
            () = cancel.cancelled() => return,
            _ = ticks.tick() => plant.lock().advance(Span::from_millis(1_000)),
        }
    }
}

async fn serve_device(
    listener: TcpListener,
    device: DeviceService,
    cancel: CancellationToken,
) -> io::Result<()> {
    let service = |_: SocketAddr| Ok(Some(device.clone()));
    let on_connected = |stream: TcpStream, from: SocketAddr| async move {
        // A peer that is gone already must not stop the listener.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "a Modbus connection is gone already");
        }
        accept_tcp_connection(stream, from, service)
    };
    let on_error = |error: io::Error| tracing::debug!(%error, "a Modbus connection ended");
    Server::new(listener)
        .serve_until(&on_connected, on_error, cancel.cancelled_owned())
        .await
        .map(|_| ())
}

#[derive(Debug, Clone)]
struct DeviceService {
    plant: SharedPlant,
    device: DeviceIx,
    unit: u8,
}

impl DeviceService {
    fn answer(&self, request: &SlaveRequest<'_>) -> Result<Option<Response>, ExceptionCode> {
        // Another unit on the line would answer for itself; this one is silent.
        if request.slave != self.unit {
            return Ok(None);
        }
        let (table, address, words) = match request.request {
            Request::ReadHoldingRegisters(address, words) => {
                (RegisterTable::Holding, address, words)
            }
            Request::ReadInputRegisters(address, words) => (RegisterTable::Input, address, words),
            _ => return Err(ExceptionCode::IllegalFunction),
        };
        let read = self
            .plant
            .lock()
            .read_device(self.device, table, address, words);
        match (read, table) {
            (Ok(words), RegisterTable::Holding) => Ok(Some(Response::ReadHoldingRegisters(words))),
            (Ok(words), RegisterTable::Input) => Ok(Some(Response::ReadInputRegisters(words))),
            (Err(PollFault::Exception(code)), _) => Err(ExceptionCode::new(code)),
            // A device that is lost keeps its connection and says nothing.
            (Err(_), _) => Ok(None),
        }
    }
}

impl Service for DeviceService {
    type Request = SlaveRequest<'static>;
    type Response = Option<Response>;
    type Exception = ExceptionCode;
    type Future = Ready<Result<Self::Response, Self::Exception>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        ready(self.answer(&request))
    }
}
