//! `serve`: registers over Modbus TCP in real time.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use clap::Args;
use tokio::signal::unix::{SignalKind, signal};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::{CommandError, PlantArgs};
use crate::server::{Ports, Served, SharedPlant, run_in_real_time, serve};
use crate::truth_file::TruthFile;

/// What `serve` is told.
#[derive(Debug, Args)]
pub(super) struct ServeArgs {
    #[command(flatten)]
    plant: PlantArgs,
    /// Hold the plant still: every register keeps its words.
    #[arg(long)]
    hold_still: bool,
    /// Where the truth goes, as CSV, one row every ten seconds.
    #[arg(long, value_name = "FILE.csv")]
    truth: Option<PathBuf>,
    /// First port; the devices get this and the following in the order of the description. Without
    /// it, free ports.
    #[arg(long, value_name = "PORT")]
    ports: Option<u16>,
}

const ROW_EVERY: Duration = Duration::from_secs(10);

pub(super) fn run(args: &ServeArgs) -> Result<(), CommandError> {
    let mut plant = args.plant.begin(super::now())?;
    plant.hold_still(args.hold_still);
    let truth = match &args.truth {
        Some(path) => Some(create(&plant, path)?),
        None => None,
    };
    let plant = SharedPlant::new(plant);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(CommandError::Serve)?;
    let ports = args.ports.map_or(Ports::Free, Ports::From);
    runtime
        .block_on(all(plant, ports, truth))
        .map_err(CommandError::Serve)
}

type Rows = TruthFile<BufWriter<File>>;

fn create(plant: &crate::VirtualPlant, path: &PathBuf) -> Result<Rows, CommandError> {
    let unwritable = |source| CommandError::Write {
        path: path.clone(),
        source,
    };
    let file = File::create(path).map_err(unwritable)?;
    TruthFile::new(plant.plant(), BufWriter::new(file)).map_err(|error| unwritable(error.into()))
}

async fn all(plant: SharedPlant, ports: Ports, truth: Option<Rows>) -> io::Result<()> {
    let cancel = CancellationToken::new();
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let served = serve(plant.clone(), ports, cancel.clone()).await?;
    announce(&plant, &served)?;
    let mut tasks = JoinSet::new();
    let clock = run_in_real_time(plant.clone(), cancel.clone());
    tasks.spawn(async move {
        clock.await;
        Ok(())
    });
    if let Some(file) = truth {
        tasks.spawn(write_truth(plant, file, cancel.clone()));
    }
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
        ended = tasks.join_next() => {
            if let Some(ended) = ended {
                cancel.cancel();
                ended.map_err(io::Error::other)??;
            }
        }
    }
    cancel.cancel();
    while let Some(ended) = tasks.join_next().await {
        ended.map_err(io::Error::other)??;
    }
    served.stopped().await
}

/// One line per device: its id, where it answers, its unit identifier.
fn announce(plant: &SharedPlant, served: &Served) -> io::Result<()> {
    let description = Arc::clone(plant.lock().plant());
    let mut out = io::stdout().lock();
    for device in &description.all.device {
        if let Some(address) = served.addresses.get(&device.id) {
            writeln!(out, "{} {address} unit {}", device.id, device.unit_id)?;
        }
    }
    out.flush()
}

async fn write_truth(
    plant: SharedPlant,
    mut file: Rows,
    cancel: CancellationToken,
) -> io::Result<()> {
    let mut ticks = tokio::time::interval(ROW_EVERY);
    loop {
        tokio::select! {
            () = cancel.cancelled() => return file.flush(),
            _ = ticks.tick() => {
                let truth = plant.lock().truth();
                file.write(&truth)?;
                file.flush()?;
            }
        }
    }
}
