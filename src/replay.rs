//! The same function over a stored stretch of events.
//!
//! A replay *as known* applies the events in their one order with the descriptions that held at
//! the time; for one version of the engine it gives, bit for bit, the outcomes that were shown.

use std::sync::Arc;

use crate::engine::{ApplyError, Engine, Event, EventKind, Outcome};
use crate::plant::{DescriptionHash, Plant};

/// Applies one recorded event. `describe` finds a description by its hash when the event puts one
/// in force; `outcomes` is emptied first.
///
/// # Errors
/// [`ApplyError`] when the event does not follow the last one or its description is not to be had.
pub fn step(
    engine: &mut Engine,
    event: &Event,
    describe: &mut dyn FnMut(DescriptionHash) -> Option<Arc<Plant>>,
    outcomes: &mut Vec<Outcome>,
) -> Result<(), ApplyError> {
    outcomes.clear();
    if let EventKind::DescriptionInForce { hash } = event.kind
        && let Some(plant) = describe(hash)
    {
        engine.offer(plant);
    }
    engine.apply(event, outcomes)
}
