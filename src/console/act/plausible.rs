//! Whether a ledger entry can be meant as it was written. A slip of the keyboard in the books looks like
//! a loss, or hides one; what is unlikely is asked again, never refused.

use axum::http::StatusCode;

use crate::console::http::Problem;
use crate::console::words::Figure;
use crate::engine::View;
use crate::plant::Booking;
use crate::quantity::Quality;
use crate::time::{Span, Timestamp};

/// Nothing that is one movement of helium takes longer (common practice, no source).
const LONGEST: Span = Span::from_millis(7 * 86_400_000);
/// The balances reach back so far.
const OLDEST: Span = Span::from_millis(30 * 86_400_000);
/// Room may be larger than is known by this factor.
const ROOM_MARGIN: f64 = 1.1;

/// What seems not to be meant; none when nothing does.
pub(super) fn doubt(view: &View, booking: &Booking, now: Option<Timestamp>) -> Option<Problem> {
    let kg = booking.signed_kg();
    let said = |kg: f64| Figure::two_digits(kg, "kg").with_unit();
    // Nothing is known before the plant has been read.
    let known = view.inventory.as_ref().map(|report| report.plant);
    let held = known
        .filter(|plant| plant.quality != Quality::Bad)
        .map(|plant| plant.mass_kg)
        .filter(|kg| *kg > 0.0);
    let free = held.and(view.room.as_ref()).map(|room| room.free_kg);
    let still_to_come = now.map_or(0.0, |now| kg * (1.0 - booking.done_by(now)));
    let words = match (held, free) {
        (Some(held), _) if kg < 0.0 && -kg > held => Some(format!(
            "{} left, and the plant holds {}",
            said(-kg),
            said(held)
        )),
        (Some(held), Some(free)) if kg > ROOM_MARGIN * (held + free) => Some(format!(
            "{} came, and the plant holds {} with room for {} more",
            said(kg),
            said(held),
            said(free)
        )),
        (Some(held), None) if kg > 2.0 * held => Some(format!(
            "{} came, and the plant holds {}",
            said(kg),
            said(held)
        )),
        (_, Some(free)) if still_to_come > ROOM_MARGIN * free => Some(format!(
            "{} are still to come, and there is room for {}",
            said(still_to_come),
            said(free)
        )),
        _ => None,
    };
    let words = words.or_else(|| {
        let ago = now.map(|now| now - booking.effective_at);
        if booking.over > LONGEST {
            Some(format!("It moved over {}", booking.over))
        } else {
            ago.filter(|ago| *ago > OLDEST).map(|ago| {
                format!(
                    "It moved {ago} ago, which no balance that is kept up to date reaches back to"
                )
            })
        }
    })?;
    Some(Problem::new(
        StatusCode::CONFLICT,
        &words,
        "Check mass, unit and times. If it is so, say that you are sure and book it again",
    ))
}
