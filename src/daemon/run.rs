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
use crate::acquisition::{DeviceHealth, poll_device};
use crate::clock::Clock;
use crate::console::{self, Clocks, Office, Operators, Progress};
use crate::engine::{Provenance, View};
use crate::history::{StorageError, StoreSettings};
use crate::plant::{Id, Plant, PollBlock, poll_plan};
use crate::publish::{LinkHealth, Topics, deliver_mqtt, deliver_series};

/// Readings that may wait for the engine; beyond them the pollers wait, up to a minute.
const QUEUE: usize = 4_096;

/// Requests of people that may wait.
const REQUESTS: usize = 32;

/// How often the health of the box is read.
const HEALTH_EVERY: Duration = Duration::from_secs(2);

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
    let plant = Arc::clone(&described.plant);
    let directory = settings.data_directory.clone();
    let started = clock.now();

    // The pages come first: while the past is read or computed they show how far it has come.
    let (view_out, view) = watch::channel(Arc::new(empty_view()));
    let (health_out, health) = watch::channel(Arc::new(console::BoxHealth::default()));
    let (progress_out, progress) = watch::channel(Progress {
        phase: "Opening the record".to_owned(),
        fraction: 0.0,
        ready: false,
    });
    let (plant_out, plant_in) = watch::channel(Arc::clone(&plant));
    let (desk_in, requests) = mpsc::channel(REQUESTS);
    let wall = Arc::clone(&clock);
    let monotonic = Arc::clone(&clock);
    let office = Office {
        plant: plant_in.clone(),
        view: view.clone(),
        health,
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
    if let Ok(address) = listener.local_addr() {
        tracing::info!("pages at http://{address}/");
    }
    let pages_stop = CancellationToken::new();
    let mut pages = JoinSet::new();
    pages.spawn(console::serve(listener, office, pages_stop.clone()));

    // The engine's thread: opening the record, the preparation, then the desk.
    let (polls_out, polls) = mpsc::channel(QUEUE);
    let devices: BTreeMap<Id, Arc<DeviceHealth>> = plant
        .all
        .device
        .iter()
        .map(|device| (Id::clone(&device.id), Arc::new(DeviceHealth::default())))
        .collect();
    let (record_out, record) = watch::channel(RecordState {
        seq: 0,
        durable_seq: 0,
        committed: None,
        not_recording_because: None,
        description: plant.hash.to_string(),
    });
    let engine_stop = CancellationToken::new();
    let desk = Desk {
        clock: Arc::clone(&clock),
        polls,
        requests,
        view: view_out,
        record: record_out,
        devices: devices.clone(),
        stop: engine_stop.clone(),
    };
    let (ready_out, ready) = oneshot::channel();
    let (ended_out, mut ended) = oneshot::channel();
    let work = EngineThread {
        directory: directory.clone(),
        store: store.clone(),
        described: described.clone(),
        prepare,
        clock: Arc::clone(&clock),
        progress: progress_out,
        ready: ready_out,
        desk,
        stop: stop.clone(),
    };
    std::thread::Builder::new()
        .name("engine".to_owned())
        .spawn(move || {
            let result = work.run();
            // The main task is gone only when the process is ending.
            drop(ended_out.send(result));
        })
        .map_err(DaemonError::Thread)?;

    let mut outcome = Ok(());
    let opened = tokio::select! {
        opened = ready => opened.ok(),
        Some(page) = pages.join_next() => {
            outcome = Err(ended_page(page));
            stop.cancel();
            None
        }
    };

    let mut polling = JoinSet::new();
    let mut delivering = JoinSet::new();
    let poll_stop = CancellationToken::new();
    let delivery_stop = CancellationToken::new();
    if let Some(opened) = opened {
        let mut blocks: BTreeMap<u32, Vec<PollBlock>> = BTreeMap::new();
        for block in poll_plan(&plant) {
            blocks.entry(block.device.0).or_default().push(block);
        }
        for (number, device) in (0u32..).zip(&plant.all.device) {
            let Some(health) = devices.get(&device.id) else {
                continue;
            };
            polling.spawn(poll_device(
                device.clone(),
                addresses.get(&device.id).copied(),
                blocks.remove(&number).unwrap_or_default(),
                Arc::clone(&clock),
                polls_out.clone(),
                Arc::clone(health),
                poll_stop.clone(),
            ));
        }
        let queue = polls_out.clone();
        drop(polls_out);
        let destinations = start_deliveries(
            &mut delivering,
            &settings,
            &described,
            &directory,
            &opened.provenance,
            &view,
            &clock,
            &delivery_stop,
        )?;
        let gauges = Gauges {
            clock: Arc::clone(&clock),
            started,
            directory: directory.clone(),
            disk_budget_bytes: store.disk_budget_bytes,
            devices: devices.clone(),
            destinations,
            notes: opened.notes,
        };
        let health_stop = delivery_stop.clone();
        delivering.spawn(async move {
            let mut every = tokio::time::interval(HEALTH_EVERY);
            loop {
                tokio::select! {
                    () = health_stop.cancelled() => return,
                    _ = every.tick() => {}
                }
                let depth = queue.max_capacity() - queue.capacity();
                let now = gauges.read(&record.borrow().clone(), (depth, QUEUE));
                health_out.send_replace(Arc::new(now));
            }
        });
        tracing::info!(
            plant = %plant.site.name, devices = plant.all.device.len(),
            channels = plant.all.channel.len(), replayed = opened.replayed, "running"
        );
        tell_service_manager(&[sd_notify::NotifyState::Ready]);

        tokio::select! {
            () = stop.cancelled() => {}
            _ = polling.join_next(), if !polling.is_empty() => {
                outcome = Err(DaemonError::TaskEnded("polling"));
            }
            _ = delivering.join_next() => outcome = Err(DaemonError::TaskEnded("delivery")),
            Some(page) = pages.join_next() => outcome = Err(ended_page(page)),
            result = &mut ended => {
                outcome = Err(engine_end(result).err().unwrap_or(DaemonError::TaskEnded("engine")));
                engine_stop.cancel();
            }
        }
    }

    tell_service_manager(&[sd_notify::NotifyState::Stopping]);
    stop.cancel();
    poll_stop.cancel();
    join_all(&mut polling).await;
    engine_stop.cancel();
    if !ended.is_terminated() {
        match tokio::time::timeout(LONGEST_STOP, &mut ended).await {
            Ok(result) => {
                let result = engine_end(result);
                if outcome.is_ok() {
                    outcome = result;
                }
            }
            Err(_) => tracing::error!("the engine did not stop in time"),
        }
    }
    delivery_stop.cancel();
    join_all(&mut delivering).await;
    pages_stop.cancel();
    join_all(&mut pages).await;
    drop(plant_out);
    outcome
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
    notes: Vec<String>,
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
        let (mut recorder, opened) = Recorder::open(
            &self.directory,
            &self.store,
            self.described,
            self.clock.now(),
        )?;
        for note in &opened.notes {
            tracing::warn!("{note}");
        }
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
            notes: opened.notes,
            replayed: opened.replayed,
            provenance: recorder.engine().provenance(),
        };
        if self.ready.send(ready).is_ok() {
            runtime.block_on(self.desk.run(&mut recorder));
        }
        recorder.close(self.clock.now())?;
        Ok(())
    }
}

#[expect(
    clippy::too_many_arguments,
    reason = "called once, from the place that has all of it"
)]
fn start_deliveries(
    tasks: &mut JoinSet<()>,
    settings: &Settings,
    described: &Described,
    directory: &std::path::Path,
    provenance: &Provenance,
    view: &watch::Receiver<Arc<View>>,
    clock: &Arc<dyn Clock>,
    stop: &CancellationToken,
) -> Result<Vec<(&'static str, Arc<LinkHealth>)>, DaemonError> {
    let plant: &Plant = &described.plant;
    let mut started = Vec::new();
    let open = |name, what: &crate::plant::Delivery| {
        StoredOutbox::open(
            directory,
            name,
            described.clone(),
            what.clone(),
            provenance.clone(),
        )
    };
    if let Some(mqtt) = &settings.mqtt {
        let health = Arc::new(LinkHealth::default());
        tasks.spawn(deliver_mqtt(
            mqtt.clone(),
            Topics::new(&plant.deliveries.topic_root, &plant.site.id),
            Box::new(open("mqtt", &plant.deliveries.mqtt)?),
            Some(view.clone()),
            Arc::clone(clock),
            Arc::clone(&health),
            stop.clone(),
        ));
        started.push(("mqtt", health));
    }
    if let Some(series) = &settings.series {
        let health = Arc::new(LinkHealth::default());
        tasks.spawn(deliver_series(
            series.clone(),
            Id::clone(&plant.site.id),
            Box::new(open("series", &plant.deliveries.series)?),
            Arc::clone(clock),
            Arc::clone(&health),
            stop.clone(),
        ));
        started.push(("series", health));
    }
    Ok(started)
}

/// The picture before the first event.
fn empty_view() -> View {
    View {
        seq: 0,
        at: None,
        epoch: 0,
        provenance: None,
        channels: Vec::new(),
        inventory: None,
        vessels: Vec::new(),
        lines: Vec::new(),
        losses: Vec::new(),
        alarms: Vec::new(),
        ledger: Vec::new(),
        budget: Vec::new(),
        devices: Vec::new(),
        events: 0,
    }
}
