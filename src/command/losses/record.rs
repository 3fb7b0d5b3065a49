//! The record of a data directory.

use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

use super::{Gathered, LossesArgs, LossesError, Stretch};
use crate::console::facts::statement::Course;
use crate::daemon::recorder::{RecorderError, described_as};
use crate::engine::{Engine, EventKind, View};
use crate::history::Reader;
use crate::plant::Plant;
use crate::replay;
use crate::time::Timestamp;

/// What the record says of a stretch.
pub(super) fn gather(args: &LossesArgs, stretch: Stretch) -> Result<Gathered, LossesError> {
    let reader = Reader::open(&args.data)?;
    let engine = replayed(&reader, &args.data, stretch.to)?;
    let view = engine.view();
    Ok(Gathered {
        plant: Arc::clone(engine.plant()),
        course: Course::default(),
        between: None,
        area: None,
        view,
    })
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
    let engine = replayed(&reader, directory, until)?;
    Ok((Arc::clone(engine.plant()), engine.view()))
}

/// The engine as it was after the last event, or at a time.
fn replayed(
    reader: &Reader,
    directory: &Path,
    until: Option<Timestamp>,
) -> Result<Engine, LossesError> {
    let mut engine: Option<Engine> = None;
    // The newest snapshot saves the replay of what lies before it, unless it lies after the time
    // asked for.
    if until.is_none()
        && let Some((header, bytes)) = reader.latest_snapshot()?
        && let Some(plant) = described_as(reader, None, header.description)?
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
        let mut describe = |hash| described_as(reader, None, hash).ok().flatten();
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
    engine.ok_or_else(|| LossesError::Nothing(directory.to_owned()))
}
