//! `coldledger run`: the daemon.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

use super::{CONFIGURATION, FAULT, NOT_PERMITTED, WELL};
use crate::clock::SystemClock;
use crate::console::Operators;
use crate::daemon::recorder::RecorderError;
use crate::daemon::settings::SettingsError;
use crate::daemon::{self, DaemonError, Described, RunOptions, Settings};
use crate::plant::{files, load};

/// Run the daemon
///
/// Polls the devices of the plant description (it only ever reads), reckons the helium, records,
/// raises alarms, delivers to broker and store, and serves the pages. Stops on Ctrl-C or SIGTERM.
/// Defaults: pages on 127.0.0.1:8470, data in ./coldledger-data, 20 GB of disk. Every setting can
/// also be given in the environment, such as COLDLEDGER__LISTEN=127.0.0.1:8470.
#[derive(Debug, clap::Args)]
pub struct RunArgs {
    /// File with the daemon's settings; deploy/settings.toml is an example
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,

    /// Folder of the plant description, instead of the one in the settings
    #[arg(long, value_name = "DIR")]
    pub plant: Option<PathBuf>,

    /// Data directory, instead of the one in the settings
    #[arg(long, value_name = "DIR")]
    pub data: Option<PathBuf>,

    /// Log as JSON lines, for a log collector
    #[arg(long)]
    pub log_json: bool,
}

/// Why the daemon could not start or ended unasked.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The settings are wrong.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The plant description is wrong.
    #[error("{0}")]
    Plant(String),
    /// The file of people who may act is wrong.
    #[error("{0}")]
    Operators(String),
    /// The address cannot be listened on.
    #[error("cannot listen on {address}: {source}; choose another address with the setting listen")]
    Listen {
        /// The address.
        address: String,
        /// Why.
        source: std::io::Error,
    },
    /// The runtime cannot be made.
    #[error("the runtime cannot be started: {0}")]
    Runtime(std::io::Error),
    /// The daemon ended unasked.
    #[error(transparent)]
    Daemon(#[from] DaemonError),
}

impl RunError {
    /// The exit code that tells it.
    #[must_use]
    pub fn code(&self) -> u8 {
        match self {
            Self::Settings(_)
            | Self::Plant(_)
            | Self::Operators(_)
            | Self::Daemon(DaemonError::Settings(_)) => CONFIGURATION,
            Self::Listen { source, .. }
                if source.kind() == std::io::ErrorKind::PermissionDenied =>
            {
                NOT_PERMITTED
            }
            Self::Daemon(DaemonError::Recorder(RecorderError::Storage(error)))
                if error.is_permission() =>
            {
                NOT_PERMITTED
            }
            _ => FAULT,
        }
    }
}

/// Runs the daemon; the exit code.
#[must_use]
pub fn run(args: &RunArgs) -> u8 {
    start_log(args.log_json);
    match start(args) {
        Ok(()) => WELL,
        Err(error) => {
            super::complain(&error);
            error.code()
        }
    }
}

fn start(args: &RunArgs) -> Result<(), RunError> {
    let mut settings = Settings::layered(args.settings.as_deref())?;
    if let Some(plant) = &args.plant {
        settings.plant.clone_from(plant);
    }
    if let Some(data) = &args.data {
        settings.data_directory.clone_from(data);
    }
    if settings.plant.as_os_str().is_empty() {
        return Err(RunError::Plant(
            "no plant description is named; give its folder with --plant DIR or in the settings, \
             such as config/single-dewar"
                .to_owned(),
        ));
    }
    let described = describe(&settings.plant)?;
    let operators = match &settings.operators_file {
        None => Operators::default(),
        Some(file) => read_operators(file)?,
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(RunError::Runtime)?;
    runtime.block_on(async {
        let listener = listen(&settings.listen).await?;
        let stop = CancellationToken::new();
        stop_on_signal(&stop).map_err(RunError::Runtime)?;
        let options = RunOptions {
            settings,
            described,
            operators,
            clock: Arc::new(SystemClock::new()),
            addresses: BTreeMap::new(),
            prepare: None,
        };
        daemon::run(listener, options, stop)
            .await
            .map_err(RunError::from)
    })
}

/// Opens the pages' address.
///
/// # Errors
/// [`RunError::Listen`].
pub async fn listen(address: &str) -> Result<TcpListener, RunError> {
    TcpListener::bind(address)
        .await
        .map_err(|source| RunError::Listen {
            address: address.to_owned(),
            source,
        })
}

/// Loads a plant description with its texts.
///
/// # Errors
/// [`RunError::Plant`] with every problem, one a line.
pub fn describe(directory: &Path) -> Result<Described, RunError> {
    let files = files::read(directory).map_err(|error| RunError::Plant(error.to_string()))?;
    match load::load(&files) {
        Ok(plant) => Ok(Described {
            plant: Arc::new(plant),
            files: files.into(),
        }),
        Err(problems) => Err(RunError::Plant(format!(
            "the plant description in {} cannot be used:\n{problems}",
            directory.display()
        ))),
    }
}

fn read_operators(file: &Path) -> Result<Operators, RunError> {
    let text = std::fs::read_to_string(file).map_err(|error| {
        RunError::Operators(format!(
            "cannot read the operators' file {}: {error}",
            file.display()
        ))
    })?;
    Operators::parse(&text)
        .map_err(|error| RunError::Operators(format!("{}: {error}", file.display())))
}

/// Cancels `stop` at SIGINT (Ctrl-C) or SIGTERM; a second one ends the process at once.
///
/// # Errors
/// What the system refuses.
pub fn stop_on_signal(stop: &CancellationToken) -> std::io::Result<()> {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let stop = stop.clone();
    #[expect(
        clippy::disallowed_methods,
        reason = "outside the daemon: it lives as long as the process and holds nothing"
    )]
    tokio::task::spawn(async move {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
        tracing::info!("asked to stop");
        stop.cancel();
    });
    Ok(())
}

/// Sends the log to standard error; `RUST_LOG` chooses what, by default all from `info` up.
pub fn start_log(json: bool) {
    let filter = tracing_subscriber::EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info,rumqttc=warn,hyper=warn"));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr);
    let started = if json {
        log.json().try_init()
    } else {
        log.try_init()
    };
    // A second start within one process (a test) keeps the first log.
    drop(started);
}
