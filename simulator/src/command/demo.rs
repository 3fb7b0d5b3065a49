//! `demo`: Tarn Hollow with ten days of past, then live, in one process with the daemon.

use std::collections::BTreeMap;
use std::fs;
use std::io::{self, BufWriter, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use clap::Args;
use coldledger::clock::SystemClock;
use coldledger::command::run::{RunError, describe, listen, start_log, stop_on_signal};
use coldledger::console::{Operators, hash_password};
use coldledger::daemon::recorder::RecorderError;
use coldledger::daemon::{self, Described, Preparing, Recorder, RunOptions, Settings};
use coldledger::engine::EventKind;
use coldledger::history::StoreSettings;
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};
use serde::{Deserialize, Serialize};
use tokio::sync::oneshot;
use tokio_util::sync::CancellationToken;

use super::CommandError;
use crate::demo;
use crate::past;
use crate::server::{Ports, SharedPlant, run_in_real_time, serve};
use crate::truth_file::TruthFile;
use crate::virtual_plant::VirtualPlant;

/// Where the pages are served unless that port is taken.
const LISTEN: &str = "127.0.0.1:8470";

/// The person who may act in the demonstration.
const OPERATOR: (&str, &str) = ("Robin Demo", "tarn-hollow");

/// Events handed over at once from the plant to the engine.
const BATCH: usize = 2_000;

/// Batches that may wait.
const BATCHES: usize = 8;

/// A row of truth is written this often.
const TRUTH_EVERY: Span = Span::from_millis(600_000);

/// A demonstration that was left for longer than this begins afresh: its plant would take too long
/// to catch up.
const LONGEST_ABSENCE: Span = Span::from_millis(20 * 86_400_000);

/// Demonstration: the plant Tarn Hollow, simulated
///
/// Computes ten days of past in virtual time, then polls the simulated plant live over Modbus on
/// loopback and serves the pages. Ctrl-C stops everything; a second start finds its data again.
#[derive(Debug, Args)]
pub(super) struct DemoArgs {
    /// Where the demonstration keeps its data.
    #[arg(long, value_name = "DIR", default_value = "demo-data")]
    data: PathBuf,
    /// Begin afresh: throw away what an earlier demonstration left.
    #[arg(long)]
    fresh: bool,
    /// Where the pages are served; a free port when that one is taken.
    #[arg(long, value_name = "ADDRESS", default_value = LISTEN)]
    listen: String,
    /// Weather, noise and calibration errors follow from this number.
    #[arg(long, default_value_t = demo::SEED)]
    seed: u64,
    /// Settings of the daemon, for a broker or a store; its data directory and address do not count.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

/// What a second start must know of the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
struct Begun {
    /// When the plant began.
    start_ms: i64,
    seed: u64,
}

pub(super) fn run(args: &DemoArgs) -> Result<(), CommandError> {
    start_log(false);
    let described = describe(&description_directory())?;
    let now = super::now();
    let history = args.data.join("history");
    let begun_file = args.data.join("begun.json");
    if args.fresh {
        clear(&args.data, &history, &begun_file)?;
    }
    let begun = earlier(&begun_file).filter(|begun| {
        let absence = newest(&history).map_or(LONGEST_ABSENCE, |newest| now - newest);
        let kept = history.exists() && absence < LONGEST_ABSENCE;
        kept && begun.start_ms < now.millis()
    });
    let is_new = begun.is_none();
    if is_new {
        clear(&args.data, &history, &begun_file)?;
    }
    let begun = begun.unwrap_or(Begun {
        start_ms: demo::beginning(now, args.seed).start.millis(),
        seed: args.seed,
    });
    let plant = demo::plant(
        Arc::clone(&described.plant),
        Timestamp::from_millis(begun.start_ms) + past::DEMO_PAST,
        begun.seed,
    )?;
    let mut settings = Settings::layered(args.settings.as_deref()).map_err(RunError::from)?;
    settings.data_directory = history;
    settings.listen.clone_from(&args.listen);
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(CommandError::Serve)?;
    let begin = is_new.then_some((begun_file, begun));
    runtime.block_on(all(args, settings, described, plant, begin))
}

async fn all(
    args: &DemoArgs,
    settings: Settings,
    described: Described,
    plant: VirtualPlant,
    begin: Option<(PathBuf, Begun)>,
) -> Result<(), CommandError> {
    let listener = match listen(&args.listen).await {
        Err(_) if args.listen == LISTEN => listen("127.0.0.1:0").await?,
        listener => listener?,
    };
    let address = listener.local_addr().map_err(CommandError::Serve)?;
    greet(address).map_err(CommandError::Serve)?;

    let stop = CancellationToken::new();
    stop_on_signal(&stop).map_err(CommandError::Serve)?;
    let plant_stop = CancellationToken::new();
    let shared = SharedPlant::new(plant);
    let served = serve(shared.clone(), Ports::Free, plant_stop.clone())
        .await
        .map_err(CommandError::Serve)?;
    let addresses: BTreeMap<_, SocketAddr> = served.addresses.clone();

    let (caught_up, live) = oneshot::channel();
    let mut tasks = tokio::task::JoinSet::new();
    let in_real_time = shared.clone();
    let real_stop = plant_stop.clone();
    tasks.spawn(async move {
        if live.await.is_ok() {
            run_in_real_time(in_real_time, real_stop).await;
        }
    });
    let truth = args.data.join("truth.csv");
    let options = RunOptions {
        settings,
        described,
        operators: operators()?,
        clock: Arc::new(SystemClock::new()),
        addresses,
        prepare: Some(Box::new(move |preparing| {
            match &begin {
                Some((file, begun)) => {
                    compute_past(preparing, &shared, &truth)?;
                    // Only a whole past is worth going on from.
                    if !preparing.stop.is_cancelled() {
                        remember(file, begun);
                    }
                }
                None => catch_up(preparing, &shared),
            }
            if caught_up.send(()).is_err() {
                tracing::debug!("stopped before the plant went live");
            }
            Ok(())
        })),
    };
    let ended = daemon::run(listener, options, stop).await;
    plant_stop.cancel();
    tasks.shutdown().await;
    served.stopped().await.map_err(CommandError::Serve)?;
    ended.map_err(RunError::from)?;
    Ok(())
}

#[expect(
    clippy::print_stdout,
    reason = "a command tells the person at the terminal"
)]
fn greet(address: SocketAddr) -> io::Result<()> {
    let (name, password) = OPERATOR;
    println!(
        "\nColdledger demonstration: Tarn Hollow, a simulated ion-therapy synchrotron.\n\
         \n    Open     http://{address}/\
         \n    Sign in  {name} / {password}   (to acknowledge alarms and enter deliveries)\
         \n    Stop     Ctrl-C\n\
         \nTen days of past are computed first; the pages show how far that has come.\n\
         Nothing here is a real plant, and Coldledger is no safety system.\n"
    );
    io::stdout().flush()
}

fn operators() -> Result<Operators, CommandError> {
    let (name, password) = OPERATOR;
    hash_password(password)
        .and_then(|hash| {
            let text = format!("[[operator]]\nname = \"{name}\"\npassword-hash = \"{hash}\"\n");
            Operators::parse(&text).map_err(|error| error.to_string())
        })
        .map_err(|problem| CommandError::Run(RunError::Operators(problem)))
}

/// The description beside this source, or below the current folder when the sources have moved.
fn description_directory() -> PathBuf {
    let here = Path::new("config/tarn-hollow");
    if here.is_dir() {
        return here.to_owned();
    }
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../config/tarn-hollow")
}

/// Feeds ten days of plant through the recorder, the plant on one core and the engine on another.
fn compute_past(
    preparing: &Preparing<'_>,
    shared: &SharedPlant,
    truth: &Path,
) -> Result<(), RecorderError> {
    let start = shared.lock().start();
    let first = Stamp {
        utc: Some(start),
        monotonic: Monotonic(0),
        boot: 1,
        epoch: 0,
    };
    // In virtual time five seconds pass in microseconds: commit by the hour instead.
    let store = StoreSettings {
        commit_every: Span::from_millis(3_600_000),
        ..preparing.store.clone()
    };
    let described = preparing.described.clone();
    let mut recorder = Recorder::open(preparing.directory, &store, described, first)?;
    let (out, batches) = sync_channel(BATCHES);
    std::thread::scope(|scope| {
        let plant = shared.clone();
        let stop = preparing.stop;
        scope.spawn(move || simulate(&plant, truth, &out, stop));
        feed(preparing, &mut recorder, start, &batches);
    });
    // One statement must not lock twice: the first guard would live until its end.
    let reached = shared.lock().now();
    let last = Stamp {
        utc: Some(reached),
        monotonic: Monotonic((reached - start).millis()),
        ..first
    };
    recorder.close(last).map_err(RecorderError::from)
}

type Batch = Vec<(Stamp, EventKind)>;

fn simulate(shared: &SharedPlant, truth: &Path, out: &SyncSender<Batch>, stop: &CancellationToken) {
    let mut plant = shared.lock();
    let mut rows = fs::File::create(truth)
        .ok()
        .and_then(|file| TruthFile::new(plant.plant(), BufWriter::new(file)).ok());
    let mut next_row = plant.now();
    // The present moves on while the past is computed; go on until it is reached.
    while !stop.is_cancelled() {
        let until = super::now();
        if until - plant.now() < coldledger::engine::TICK {
            break;
        }
        let mut events = past::events(&mut plant, until, 1);
        loop {
            let batch: Batch = events.by_ref().take(BATCH).collect();
            if batch.is_empty() || stop.is_cancelled() {
                break;
            }
            if out.send(batch).is_err() {
                return;
            }
            if events.plant().now() >= next_row
                && let Some(file) = &mut rows
            {
                next_row = events.plant().now() + TRUTH_EVERY;
                if file.write(&events.plant().truth()).is_err() {
                    rows = None;
                }
            }
        }
    }
    if let Some(Err(error)) = rows.map(|mut file| file.flush()) {
        tracing::warn!(%error, "the truth beside is not whole");
    }
}

fn feed(
    preparing: &Preparing<'_>,
    recorder: &mut Recorder,
    start: Timestamp,
    batches: &Receiver<Batch>,
) {
    let whole = past::DEMO_PAST.seconds();
    for batch in batches {
        if preparing.stop.is_cancelled() {
            return;
        }
        let reached = batch.last().and_then(|(stamp, _)| stamp.utc);
        for (stamp, kind) in batch {
            recorder.feed(stamp, kind);
        }
        if let Some(reached) = reached {
            let done = (reached - start).seconds() / whole;
            (preparing.progress)(
                &format!("Computing ten days of past at Tarn Hollow: {reached}"),
                done.min(1.0),
            );
        }
    }
}

/// Brings the plant of an earlier demonstration to the present; nobody polled it meanwhile.
fn catch_up(preparing: &Preparing<'_>, shared: &SharedPlant) {
    let mut plant = shared.lock();
    let start = plant.start();
    let now = super::now();
    while plant.now() < now && !preparing.stop.is_cancelled() {
        let left = now - plant.now();
        plant.advance(Span::HOUR.min(left));
        let done = (plant.now() - start).seconds() / (now - start).seconds();
        (preparing.progress)("Bringing the simulated plant to the present", done);
    }
    // Deliveries of the time nobody watched were booked in the first run or are lost to it.
    drop(plant.take_bookings());
}

fn earlier(file: &Path) -> Option<Begun> {
    serde_json::from_str(&fs::read_to_string(file).ok()?).ok()
}

/// Wall time of the newest reading on record.
fn newest(history: &Path) -> Option<Timestamp> {
    let reader = coldledger::history::Reader::open(history).ok()?;
    reader.statistics().ok()?.newest
}

/// Notes what a second start must know; without the note it begins afresh.
fn remember(file: &Path, begun: &Begun) {
    let text = serde_json::to_string(begun).unwrap_or_default();
    if let Err(error) = fs::write(file, text) {
        tracing::warn!(%error, file = %file.display(), "the next demonstration will begin afresh");
    }
}

/// Throws an earlier demonstration away; only what this command itself has made.
fn clear(data: &Path, history: &Path, begun: &Path) -> Result<(), CommandError> {
    let fault = |path: &Path| {
        let path = path.to_owned();
        move |source| CommandError::Write { path, source }
    };
    if begun.exists() {
        fs::remove_file(begun).map_err(fault(begun))?;
    }
    if history.exists() {
        fs::remove_dir_all(history).map_err(fault(history))?;
    }
    fs::create_dir_all(data).map_err(fault(data))
}
