//! `coldledger losses`: what is being lost, from the record of a data directory.

use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::{CONFIGURATION, FAULT, WELL};
use crate::console::facts::{LossFact, Scene, loss_facts};
use crate::console::words::SiteTime;
use crate::daemon::recorder::{RecorderError, described_as};
use crate::engine::{Engine, EventKind, View};
use crate::history::{Reader, StorageError};
use crate::plant::{LossUnit, LossUnitError, Plant};
use crate::replay;
use crate::time::Timestamp;

/// What is being lost, how sure that is, and what would have gone unseen
///
/// Reads the record of a data directory; the daemon may run meanwhile. Losses are in the unit that
/// the plant description names; ± is one standard uncertainty (k = 1, JCGM 100).
#[derive(Debug, clap::Args)]
pub struct LossesArgs {
    /// Data directory
    #[arg(long, value_name = "DIR", default_value = "coldledger-data")]
    pub data: PathBuf,

    /// As known at this time (RFC 3339, such as 2026-11-25T07:00:00Z) instead of now
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,

    /// Unit of loss rates instead of the description's: kg/day, g/s, "L liquid/day" (saturated at
    /// 1 atm), Nm3/h (0 °C, 1 atm), "mbar L/s" (helium at 20 °C), money/year (at its price)
    #[arg(long, value_name = "UNIT")]
    pub unit: Option<String>,

    /// Write one JSON document, for programs
    #[arg(long)]
    pub json: bool,
}

/// Why there is nothing to say.
#[derive(Debug, thiserror::Error)]
pub enum LossesError {
    /// Not a time.
    #[error("--at {text:?} is no time: {problem}; write for example 2026-11-25T07:00:00Z")]
    Time {
        /// As written.
        text: String,
        /// The parser's words.
        problem: String,
    },
    /// Not a unit of loss.
    #[error("--unit: {0}")]
    Unit(#[from] LossUnitError),
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] RecorderError),
    /// Nothing is on record by then.
    #[error("nothing is on record by then in {}", .0.display())]
    Nothing(PathBuf),
    /// The answer could not be written.
    #[error("the answer could not be written: {0}")]
    Output(#[from] io::Error),
}

impl From<StorageError> for LossesError {
    fn from(error: StorageError) -> Self {
        Self::Record(error.into())
    }
}

/// Prints; the exit code.
#[must_use]
pub fn main(args: &LossesArgs) -> u8 {
    match run(args, io::stdout().lock()) {
        Ok(()) => WELL,
        Err(error) => {
            super::complain(&error);
            match error {
                LossesError::Time { .. } | LossesError::Unit(_) | LossesError::Nothing(_) => {
                    CONFIGURATION
                }
                _ => FAULT,
            }
        }
    }
}

/// Writes the losses on record.
///
/// # Errors
/// [`LossesError`].
pub fn run(args: &LossesArgs, mut out: impl Write) -> Result<(), LossesError> {
    let until = args
        .at
        .as_deref()
        .map(|text| {
            Timestamp::parse(text).map_err(|error| LossesError::Time {
                text: text.to_owned(),
                problem: error.to_string(),
            })
        })
        .transpose()?;
    let (mut plant, view) = on_record(&args.data, until)?;
    if let Some(unit) = &args.unit {
        let unit = LossUnit::parse(unit, plant.site.helium_price_per_kg.as_ref())?;
        unit.symbol()
            .clone_into(&mut Arc::make_mut(&mut plant).console.loss_unit);
    }
    let time = SiteTime::of(&plant);
    let facts = loss_facts(Scene {
        plant: &plant,
        view: &view,
        now: view.at,
        time: &time,
    });
    if args.json {
        serde_json::to_writer_pretty(&mut out, &facts).map_err(io::Error::from)?;
        writeln!(out)?;
        return Ok(());
    }
    writeln!(
        out,
        "{}, as known at {}",
        plant.site.name,
        time.moment(view.at).text
    )?;
    if !facts.unit_state.is_empty() {
        writeln!(out, "{} means {}", facts.unit, facts.unit_state)?;
    }
    for fact in &facts.losses {
        write_fact(&mut out, fact)?;
    }
    if facts.losses.is_empty() {
        writeln!(out, "Too little is on record for a statement.")?;
    }
    Ok(())
}

fn write_fact(out: &mut impl Write, fact: &LossFact) -> io::Result<()> {
    writeln!(out, "\n{}: {}", fact.name, fact.statement)?;
    writeln!(out, "{}", fact.reach)?;
    writeln!(
        out,
        "\n{:>8}  {:>9}  {:>9}  {:>10}  {:>9}  {:>13}  {:>13}  {:>10}",
        "kg over",
        "opening",
        "received",
        "dispatched",
        "closing",
        "unaccounted",
        "excess",
        "sure above"
    )?;
    for window in &fact.windows {
        writeln!(
            out,
            "{:>8}  {:>9}  {:>9}  {:>10}  {:>9}  {:>13}  {:>13}  {:>10}",
            window.over,
            window.opening.text,
            window.received.text,
            window.dispatched.text,
            window.closing.text,
            window.unaccounted.text,
            window.excess.text,
            window.detection_limit.text,
        )?;
    }
    Ok(())
}

/// Description and picture as the record has them, now or at a time.
///
/// # Errors
/// [`LossesError`] when the record cannot be read or is empty by then.
pub fn on_record(
    directory: &Path,
    until: Option<Timestamp>,
) -> Result<(Arc<Plant>, View), LossesError> {
    let reader = Reader::open(directory)?;
    let mut engine: Option<Engine> = None;
    // The newest snapshot saves the replay of what lies before it, unless it lies after the time
    // asked for.
    if until.is_none()
        && let Some((header, bytes)) = reader.latest_snapshot()?
        && let Some(plant) = described_as(&reader, None, header.description)?
    {
        engine = Engine::restore(plant, &header, &bytes).ok();
    }
    let from = engine.as_ref().map_or(1, |engine| engine.seq() + 1);
    let mut outcomes = Vec::new();
    let mut problem = None;
    let replayed = reader.replay(from, |event| {
        if until.is_some_and(|until| event.stamp.utc.is_some_and(|at| at > until)) {
            return ControlFlow::Break(());
        }
        let mut describe = |hash| described_as(&reader, None, hash).ok().flatten();
        if engine.is_none()
            && let EventKind::DescriptionInForce { hash } = event.kind
        {
            engine = describe(hash).map(Engine::new);
        }
        let stepped = engine
            .as_mut()
            .map(|engine| replay::step(engine, &event, &mut describe, &mut outcomes));
        if let Some(Err(error)) = stepped {
            problem = Some(RecorderError::Replay {
                seq: event.seq,
                problem: error.to_string(),
            });
            return ControlFlow::Break(());
        }
        ControlFlow::Continue(())
    })?;
    drop(replayed);
    if let Some(problem) = problem {
        return Err(problem.into());
    }
    let engine = engine.ok_or_else(|| LossesError::Nothing(directory.to_owned()))?;
    Ok((Arc::clone(engine.plant()), engine.view()))
}
