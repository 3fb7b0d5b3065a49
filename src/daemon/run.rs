//! Starts every task, watches over them, and stops them in order.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::desk::{Desk, record_state};
use super::health::{Gauges, RecordState};
use super::outbox::StoredOutbox;
use super::past::StoredPast;
use super::recorder::{Described, Recorder, RecorderError};
use super::settings::{Settings, SettingsError};
use crate::acquisition::{DeviceHealth, Polled, poll_device};
use crate::clock::Clock;
use crate::console::{self, Clocks, Office, Operators, Progress};
use crate::engine::{Provenance, View};
use crate::history::{StorageError, StoreSettings};
use crate::plant::{Delivery, DeviceIx, Id, Plant, PollBlock, poll_plan};
use crate::publish::{LinkHealth, Topics, deliver_mqtt, deliver_series};
use crate::time::Stamp;

/// Readings that may wait for the engine; beyond them the pollers wait, up to a minute.
const QUEUE: usize = 4_096;

/// Requests of people that may wait.
const REQUESTS: usize = 32;

/// How often the health of the box is read.
const HEALTH_EVERY: Duration = Duration::from_secs(2);

/// An outbox that the disk lets nobody open is tried again after so long.
const OUTBOX_AGAIN: Duration = Duration::from_secs(10);

/// Longest that stopping may take; below the unit's `TimeoutStopSec`.
const LONGEST_STOP: Duration = Duration::from_secs(20);

/// Work on the recorder before it goes live, such as computing a past; it is shown on every page
/// meanwhile.
pub type Preparation =
    Box<dyn FnOnce(&Preparing<'_>) -> Result<(), RecorderError> + Send + 'static>;

/// What a preparation is given.
pub struct Preparing<'a> {
    /// The data directory; its store is not open yet.
    pub directory: &'a std::path::Path,
    /// Settings of the store.
    pub store: &'a StoreSettings,
    /// The description.
    pub described: &'a Described,
    /// Tells how far it has come: what is being done, and the part of it done, 0 to 1.
    pub progress: &'a dyn Fn(&str, f64),
    /// Set when the daemon is asked to stop meanwhile.
    pub stop: &'a CancellationToken,
}

/// Everything that a run needs.
pub struct RunOptions {
    /// Settings.
    pub settings: Settings,
    /// The plant.
    pub described: Described,
    /// Who may act.
    pub operators: Operators,
    /// Time.
    pub clock: Arc<dyn Clock>,
    /// Addresses that stand in for the links of the description.
    pub addresses: BTreeMap<Id, SocketAddr>,
    /// Work before going live.
    pub prepare: Option<Preparation>,
}

/// Why the daemon ended unasked.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The settings are wrong.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The record cannot be opened.
    #[error(transparent)]
    Recorder(#[from] RecorderError),
    /// The store failed at the end.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// The pages failed.
    #[error(transparent)]
    Console(#[from] console::ConsoleError),
    /// A task ended that should not have.
    #[error("the {0} task ended unasked; the service manager should start the daemon again")]
    TaskEnded(&'static str),
    /// The engine did not end when asked.
    #[error("the engine did not stop in time; what was committed is safe")]
    SlowStop,
    /// A thread could not be started.
    #[error("a thread could not be started: {0}")]
    Thread(std::io::Error),
}

/// Runs until `stop`, then stops everything in order: polling, engine, deliveries, pages.
///
/// # Errors
/// [`DaemonError`] when something needed cannot be opened, or a task ends unasked.
pub async fn run(
    listener: TcpListener,
    options: RunOptions,
    stop: CancellationToken,
) -> Result<(), DaemonError> {
    if let Ok(address) = listener.local_addr() {
        tracing::info!("pages at http://{address}/");
    }
    let mut house = House::open(listener, options, stop.clone())?;
    // The pages come first: while the past is read or computed they show how far it has come.
    let mut outcome = Ok(());
    let opened = tokio::select! {
        opened = &mut house.ready => opened.ok(),
        Some(page) = house.pages.join_next() => {
            outcome = Err(ended_page(page));
            stop.cancel();
            None
        }
    };
    if let Some(opened) = opened {
        outcome = match house.go_live(&opened) {
            Ok(()) => house.watch_over(&stop).await,
            Err(error) => Err(error),
        };
    }
    tell_service_manager(&[sd_notify::NotifyState::Stopping]);
    stop.cancel();
    let engine = house.close().await;
    outcome.and(engine)
}

/// Every task of the daemon, with what stops each kind.
struct House {
    settings: Settings,
    described: Described,
    clock: Arc<dyn Clock>,
    addresses: BTreeMap<Id, SocketAddr>,
    store: StoreSettings,
    started: Stamp,
    devices: BTreeMap<Id, Arc<DeviceHealth>>,
    view: watch::Receiver<Arc<View>>,
    record: watch::Receiver<RecordState>,
    health: watch::Sender<Arc<console::BoxHealth>>,
    polls: mpsc::Sender<Polled>,
    /// Kept so that the pages' side of it stays open.
    _plant: watch::Sender<Arc<Plant>>,
    ready: oneshot::Receiver<Ready>,
    ended: oneshot::Receiver<Result<(), DaemonError>>,
    /// Whether the engine's end has been taken.
    engine_gone: bool,
    pages: JoinSet<Result<(), console::ConsoleError>>,
    polling: JoinSet<()>,
    delivering: JoinSet<()>,
    pages_stop: CancellationToken,
    polling_stop: CancellationToken,
    delivering_stop: CancellationToken,
    engine_stop: CancellationToken,
}

impl House {
    /// Serves the pages and starts the engine's thread, which opens the record.
    fn open(
        listener: TcpListener,
        options: RunOptions,
        stop: CancellationToken,
    ) -> Result<Self, DaemonError> {
        let RunOptions {
            settings,
            described,
            operators,
            clock,
            addresses,
            prepare,
        } = options;
        let store = StoreSettings {
            disk_budget_bytes: settings.disk_budget_bytes()?,
            commit_every: settings.commit_span()?,
        };
        let directory = settings.data_directory.clone();
        let (view_out, view) = watch::channel(Arc::new(View::default()));
        let (health, health_in) = watch::channel(Arc::new(console::BoxHealth::default()));
        let (progress_out, progress) = watch::channel(Progress {
            phase: "Opening the record".to_owned(),
            fraction: 0.0,
            ready: false,
        });
        let (plant_out, plant_in) = watch::channel(Arc::clone(&described.plant));
        let (desk_in, requests) = mpsc::channel(REQUESTS);
        let (wall, monotonic) = (Arc::clone(&clock), Arc::clone(&clock));
        let office = Office {
            plant: plant_in.clone(),
            view: view.clone(),
            health: health_in,
            progress,
            past: Arc::new(StoredPast::new(directory.clone(), plant_in)),
            desk: desk_in,
            operators,
            host_names: settings.host_names.clone(),
            clocks: Clocks {
                wall: Arc::new(move || wall.now().utc),
                monotonic: Arc::new(move || monotonic.now().monotonic),
            },
            version: env!("CARGO_PKG_VERSION"),
        };
        let pages_stop = CancellationToken::new();
        let mut pages = JoinSet::new();
        pages.spawn(console::serve(listener, office, pages_stop.clone()));

        let (polls, polls_in) = mpsc::channel(QUEUE);
        let devices = counters(&described.plant);
        let (record_out, record) = watch::channel(RecordState::unopened(&described.plant));
        let engine_stop = CancellationToken::new();
        let (ready_out, ready) = oneshot::channel();
        let (ended_out, ended) = oneshot::channel();
        let work = EngineThread {
            directory,
            store: store.clone(),
            described: described.clone(),
            prepare,
            clock: Arc::clone(&clock),
            progress: progress_out,
            ready: ready_out,
            desk: Desk {
                clock: Arc::clone(&clock),
                polls: polls_in,
                requests,
                view: view_out,
                record: record_out,
                devices: devices.clone(),
                stop: engine_stop.clone(),
            },
            stop,
        };
        std::thread::Builder::new()
            .name("engine".to_owned())
            .spawn(move || {
                if ended_out.send(work.run()).is_err() {
                    tracing::debug!("the engine ended after everything else");
                }
            })
            .map_err(DaemonError::Thread)?;
        Ok(Self {
            started: clock.now(),
            settings,
            described,
            clock,
            addresses,
            store,
            devices,
            view,
            record,
            health,
            polls,
            _plant: plant_out,
            ready,
            ended,
            engine_gone: false,
            pages,
            polling: JoinSet::new(),
            delivering: JoinSet::new(),
            pages_stop,
            polling_stop: CancellationToken::new(),
            delivering_stop: CancellationToken::new(),
            engine_stop,
        })
    }

    /// Starts polling, deliveries and the gauges.
    fn go_live(&mut self, opened: &Ready) -> Result<(), DaemonError> {
        let plant = Arc::clone(&self.described.plant);
        self.start_polling(&plant);
        let destinations = self.start_deliveries(&plant, &opened.provenance)?;
        let gauges = Gauges {
            clock: Arc::clone(&self.clock),
            started: self.started,
            directory: self.settings.data_directory.clone(),
            disk_budget_bytes: self.store.disk_budget_bytes,
            devices: self.devices.clone(),
            destinations,
        };
        let (queue, record) = (self.polls.clone(), self.record.clone());
        let (health, stop) = (self.health.clone(), self.delivering_stop.clone());
        self.delivering.spawn(async move {
            let mut every = tokio::time::interval(HEALTH_EVERY);
            loop {
                tokio::select! {
                    () = stop.cancelled() => return,
                    _ = every.tick() => {}
                }
                let depth = queue.max_capacity() - queue.capacity();
                let now = gauges.read(&record.borrow().clone(), (depth, QUEUE));
                health.send_replace(Arc::new(now));
            }
        });
        tracing::info!(
            plant = %plant.site.name, devices = plant.all.device.len(),
            channels = plant.all.channel.len(), replayed = opened.replayed, "running"
        );
        tell_service_manager(&[sd_notify::NotifyState::Ready]);
        Ok(())
    }

    fn start_polling(&mut self, plant: &Plant) {
        let mut blocks: BTreeMap<DeviceIx, Vec<PollBlock>> = BTreeMap::new();
        for block in poll_plan(plant) {
            blocks.entry(block.device).or_default().push(block);
        }
        for (number, device) in (0u32..).zip(&plant.all.device) {
            let Some(health) = self.devices.get(&device.id) else {
                continue;
            };
            self.polling.spawn(poll_device(
                device.clone(),
                self.addresses.get(&device.id).copied(),
                blocks.remove(&DeviceIx(number)).unwrap_or_default(),
                Arc::clone(&self.clock),
                self.polls.clone(),
                Arc::clone(health),
                self.polling_stop.clone(),
            ));
        }
    }

    fn start_deliveries(
        &mut self,
        plant: &Plant,
        provenance: &Provenance,
    ) -> Result<Vec<(&'static str, Arc<LinkHealth>)>, DaemonError> {
        let mut started = Vec::new();
        if let Some(mqtt) = self.settings.mqtt.clone() {
            let health = Arc::new(LinkHealth::default());
            started.push(("mqtt", Arc::clone(&health)));
            let what = &plant.deliveries.mqtt;
            let outbox = self.outbox(("mqtt", &health), what, provenance)?;
            let topics = Topics::new(&plant.deliveries.topic_root, &plant.site.id);
            let (live, clock) = (self.view.clone(), Arc::clone(&self.clock));
            let stop = self.delivering_stop.clone();
            self.delivering.spawn(async move {
                if let Some(outbox) = outbox.await {
                    let outbox = Box::new(outbox);
                    deliver_mqtt(mqtt, topics, outbox, Some(live), clock, health, stop).await;
                }
            });
        }
        if let Some(series) = self.settings.series.clone() {
            let health = Arc::new(LinkHealth::default());
            started.push(("series", Arc::clone(&health)));
            let what = &plant.deliveries.series;
            let outbox = self.outbox(("series", &health), what, provenance)?;
            let (site, clock) = (Id::clone(&plant.site.id), Arc::clone(&self.clock));
            let stop = self.delivering_stop.clone();
            self.delivering.spawn(async move {
                if let Some(outbox) = outbox.await {
                    deliver_series(series, site, Box::new(outbox), clock, health, stop).await;
                }
            });
        }
        Ok(started)
    }

    /// What a destination has yet to be given: at once, or while nothing is recorded as soon as it can be
    /// read. None when asked to stop before.
    fn outbox(
        &self,
        (destination, health): (&'static str, &Arc<LinkHealth>),
        what: &Delivery,
        provenance: &Provenance,
    ) -> Result<impl Future<Output = Option<StoredOutbox>> + Send + use<>, StorageError> {
        let directory = self.settings.data_directory.clone();
        let (described, what) = (self.described.clone(), what.clone());
        let (provenance, stop) = (provenance.clone(), self.delivering_stop.clone());
        let health = Arc::clone(health);
        let recording = self.record.borrow().not_recording_because.is_none();
        let open = move || {
            StoredOutbox::open(
                &directory,
                destination,
                described.clone(),
                what.clone(),
                provenance.clone(),
            )
        };
        let mut opened = open();
        if recording && let Err(error) = opened {
            return Err(error);
        }
        Ok(async move {
            loop {
                match opened {
                    Ok(outbox) => return Some(outbox),
                    Err(error) => {
                        health.failed(format!("the record cannot be read: {error}"), false);
                    }
                }
                tokio::select! {
                    () = stop.cancelled() => return None,
                    () = tokio::time::sleep(OUTBOX_AGAIN) => {}
                }
                opened = tokio::task::spawn_blocking(open.clone()).await.ok()?;
            }
        })
    }

    /// Waits until asked to stop, or until a task ends that should not.
    async fn watch_over(&mut self, stop: &CancellationToken) -> Result<(), DaemonError> {
        tokio::select! {
            () = stop.cancelled() => Ok(()),
            Some(_) = self.polling.join_next() => Err(DaemonError::TaskEnded("polling")),
            Some(_) = self.delivering.join_next() => Err(DaemonError::TaskEnded("delivery")),
            Some(page) = self.pages.join_next() => Err(ended_page(page)),
            result = &mut self.ended => {
                self.engine_gone = true;
                engine_end(result)?;
                Err(DaemonError::TaskEnded("engine"))
            }
        }
    }

    /// Stops everything in order; what the engine's end was, if it had not ended before.
    async fn close(mut self) -> Result<(), DaemonError> {
        self.polling_stop.cancel();
        join_all(&mut self.polling).await;
        self.engine_stop.cancel();
        let mut engine = Ok(());
        if !self.engine_gone {
            let ended = tokio::time::timeout(LONGEST_STOP, &mut self.ended).await;
            engine = ended.map_or(Err(DaemonError::SlowStop), engine_end);
        }
        self.delivering_stop.cancel();
        join_all(&mut self.delivering).await;
        self.pages_stop.cancel();
        join_all(&mut self.pages).await;
        engine
    }
}

fn counters(plant: &Plant) -> BTreeMap<Id, Arc<DeviceHealth>> {
    let ids = plant.all.device.iter().map(|device| Id::clone(&device.id));
    ids.map(|id| (id, Arc::new(DeviceHealth::default())))
        .collect()
}

fn ended_page(
    page: Result<Result<(), console::ConsoleError>, tokio::task::JoinError>,
) -> DaemonError {
    match page {
        Ok(Err(error)) => error.into(),
        Ok(Ok(())) | Err(_) => DaemonError::TaskEnded("console"),
    }
}

fn engine_end(
    result: Result<Result<(), DaemonError>, oneshot::error::RecvError>,
) -> Result<(), DaemonError> {
    result.unwrap_or(Err(DaemonError::TaskEnded("engine")))
}

async fn join_all<T: 'static>(tasks: &mut JoinSet<T>) {
    let all = async { while tasks.join_next().await.is_some() {} };
    if tokio::time::timeout(LONGEST_STOP / 4, all).await.is_err() {
        tracing::warn!("some tasks did not stop in time and are dropped");
        tasks.abort_all();
    }
}

fn tell_service_manager(states: &[sd_notify::NotifyState]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!(%error, "the service manager was not told");
    }
}

/// What the engine's thread says once the record is open.
struct Ready {
    replayed: u64,
    provenance: Provenance,
}

struct EngineThread {
    directory: PathBuf,
    store: StoreSettings,
    described: Described,
    prepare: Option<Preparation>,
    clock: Arc<dyn Clock>,
    progress: watch::Sender<Progress>,
    ready: oneshot::Sender<Ready>,
    desk: Desk,
    stop: CancellationToken,
}

impl EngineThread {
    fn run(self) -> Result<(), DaemonError> {
        let tell = |phase: &str, fraction: f64| {
            self.progress.send_replace(Progress {
                phase: phase.to_owned(),
                fraction,
                ready: false,
            });
        };
        if let Some(prepare) = self.prepare {
            prepare(&Preparing {
                directory: &self.directory,
                store: &self.store,
                described: &self.described,
                progress: &tell,
                stop: &self.stop,
            })?;
        }
        if self.stop.is_cancelled() {
            return Ok(());
        }
        tell("Reading the record", 0.0);
        let mut recorder = Recorder::open(
            &self.directory,
            &self.store,
            self.described,
            self.clock.now(),
        )?;
        recorder.opened().log();
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()
            .map_err(DaemonError::Thread)?;
        self.desk
            .view
            .send_replace(Arc::new(recorder.engine().view()));
        self.desk.record.send_replace(record_state(&recorder));
        self.progress.send_replace(Progress {
            phase: String::new(),
            fraction: 1.0,
            ready: true,
        });
        let ready = Ready {
            replayed: recorder.opened().replayed,
            provenance: recorder.engine().provenance(),
        };
        if self.ready.send(ready).is_ok() {
            runtime.block_on(self.desk.run(&mut recorder));
        }
        recorder.close(self.clock.now())?;
        Ok(())
    }
}
