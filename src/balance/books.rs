//! The books of an area: which ledger entries moved its helium.
//!
//! An entry names its section, or the plant has only one way by which such helium can come or go.
//! Of an entry that says neither, an area only knows that something may have moved.

use super::area::Area;
use super::ledger::{Booked, Ledger, NetBooked};
use crate::plant::{Booking, End, Plant, SectionIx};
use crate::time::Timestamp;

/// Entries that concern one area.
pub(super) struct Books<'a> {
    own: Vec<&'a Booking>,
    doubtful: Vec<&'a Booking>,
}

impl<'a> Books<'a> {
    /// The entries now in force that move helium after `since`.
    pub fn of(ledger: &'a Ledger, plant: &Plant, area: &Area, since: Option<Timestamp>) -> Self {
        let mut books = Self {
            own: Vec::new(),
            doubtful: Vec::new(),
        };
        for booking in ledger.in_force() {
            let over = since.is_some_and(|since| booking.effective_at + booking.over <= since);
            if over {
                continue;
            }
            match home(plant, booking) {
                Some(section) if area.holds(section) => books.own.push(booking),
                Some(_) => {}
                None => books.doubtful.push(booking),
            }
        }
        books
    }

    /// What they have brought in by a time, kg; negative when they took more out.
    pub fn net(&self) -> NetBooked<'a> {
        NetBooked::of(self.own.iter().copied())
    }

    /// Whether an entry of which the section is not known was under way between two times.
    pub fn doubtful_between(&self, from: Timestamp, to: Timestamp) -> bool {
        self.doubtful
            .iter()
            .any(|booking| booking.done_by(to) > booking.done_by(from))
    }

    /// What they book between two times; a doubtful one is all uncertainty.
    pub fn between(&self, from: Timestamp, to: Timestamp) -> Booked {
        let mut booked = Booked::default();
        let share = |booking: &Booking| booking.done_by(to) - booking.done_by(from);
        for booking in &self.own {
            booked.add(booking, share(booking));
        }
        for booking in &self.doubtful {
            let kg = booking.signed_kg() * share(booking);
            booked.variance_kg2 += kg * kg;
        }
        booked
    }
}

/// The section that an entry moved helium of: the one it names, or the only one that has a line to
/// the outside in its direction.
pub(super) fn home(plant: &Plant, booking: &Booking) -> Option<SectionIx> {
    if let Some(id) = &booking.section {
        return plant.section_by_id(id).map(|(ix, _)| ix);
    }
    if let [_] = plant.all.section.as_slice() {
        return Some(SectionIx(0));
    }
    let inwards = booking.signed_kg() >= 0.0;
    let mut found = None;
    for line in &plant.all.line {
        let section = match (line.from, line.to) {
            (End::Outside, End::Section(section)) if inwards => section,
            (End::Section(section), End::Outside) if !inwards => section,
            _ => continue,
        };
        match found {
            None => found = Some(section),
            Some(before) if before == section => {}
            Some(_) => return None,
        }
    }
    found
}
