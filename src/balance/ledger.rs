//! The ledger: helium that crossed the plant boundary, in two times.
//!
//! Every entry has a time when the helium moved (`effective_at`) and a place in the one order where
//! it was entered. Entries are never edited: a correction supersedes, and balances *as known* at
//! some event use the entries entered by then.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::actor::Actor;
use crate::plant::{Booking, BookingKind, Id};
use crate::time::{Span, Timestamp};

/// A ledger entry with its two times: when the helium moved, and (the event's `seq`) when it was entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LedgerEntry {
    /// Text id, unique in the ledger.
    pub id: Id,
    /// What is booked.
    pub booking: Booking,
    /// The entry that this one replaces; entries are never edited in place.
    pub supersedes: Option<Id>,
    /// Who entered it, and where.
    pub actor: Actor,
}

impl LedgerEntry {
    /// Whether it can stand in a ledger by itself: mass, time, author. What else the ledger holds
    /// (ids, entries to replace) is for [`Ledger::book`].
    ///
    /// # Errors
    /// [`LedgerRefusal`] with what is wrong.
    pub fn check(&self, now: Option<Timestamp>) -> Result<(), LedgerRefusal> {
        let booking = &self.booking;
        let mass = booking.mass.value.si();
        let correction = booking.kind == BookingKind::Correction;
        // Nothing at all is booked only to withdraw an entry.
        if !mass.is_finite()
            || mass.abs() > LARGEST_KG
            || (mass == 0.0 && self.supersedes.is_none())
            || (mass < 0.0 && !correction)
            || !(0.0..=LARGEST_KG).contains(&booking.mass.std)
        {
            return Err(LedgerRefusal::Mass);
        }
        if now.is_some_and(|now| booking.effective_at - now > Span::DAY) {
            return Err(LedgerRefusal::Future);
        }
        if booking.over < Span::ZERO || booking.over.days() > 366.0 {
            return Err(LedgerRefusal::Duration);
        }
        if booking.author.trim().is_empty() {
            return Err(LedgerRefusal::NoAuthor);
        }
        Ok(())
    }
}

/// An entry in the books.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entered {
    /// What was entered.
    pub entry: LedgerEntry,
    /// Place in the one order; 0 for an entry of the description.
    pub seq: u64,
    /// When it was entered, when known.
    pub entered_at: Option<Timestamp>,
    /// The entry that replaced it.
    pub superseded_by: Option<Id>,
}

/// Why an entry was not booked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LedgerRefusal {
    /// The id is taken.
    #[error(
        "there is already a ledger entry {0:?}; entries are never edited: enter a new one that supersedes it"
    )]
    IdTaken(Id),
    /// The entry to replace does not exist.
    #[error("there is no ledger entry {0:?} to supersede")]
    NothingToSupersede(Id),
    /// The entry to replace was replaced before.
    #[error("entry {old:?} is already superseded by {by:?}; supersede that one")]
    AlreadySuperseded {
        /// The entry.
        old: Id,
        /// What replaced it.
        by: Id,
    },
    /// A mass or uncertainty that cannot be.
    #[error(
        "the mass must be a positive number of kg up to 1000 t (of either sign for a correction; zero only to withdraw the entry it replaces) and its standard uncertainty zero or more"
    )]
    Mass,
    /// Helium that has not moved yet.
    #[error("the entry is dated more than a day ahead of the clock; book helium once it moves")]
    Future,
    /// A duration that cannot be.
    #[error("the entry must take between no time and 366 days")]
    Duration,
    /// Nobody stands for it.
    #[error("an entry needs an author")]
    NoAuthor,
}

/// Longest note of an entry, characters.
pub const LONGEST_NOTE: usize = 400;

/// Whether a text can be the id of an entry: it stands in pages, addresses and messages.
#[must_use]
pub fn is_entry_id(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b'_'))
}

/// Largest mass of one entry, kg: more helium than any plant holds.
const LARGEST_KG: f64 = 1.0e6;

/// What was booked between two times.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Booked {
    /// Came in, kg.
    pub received_kg: f64,
    /// Went out, kg.
    pub dispatched_kg: f64,
    /// Variance of the difference, kg2.
    pub variance_kg2: f64,
}

impl Booked {
    /// Received less dispatched, kg.
    #[must_use]
    pub fn net_kg(&self) -> f64 {
        self.received_kg - self.dispatched_kg
    }

    /// Adds the `share` of a booking, 0 to 1.
    pub(super) fn add(&mut self, booking: &Booking, share: f64) {
        if share == 0.0 {
            return;
        }
        let signed = booking.signed_kg() * share;
        if signed >= 0.0 {
            self.received_kg += signed;
        } else {
            self.dispatched_kg -= signed;
        }
        let std = booking.mass.std * share;
        self.variance_kg2 += std * std;
    }
}

/// The books: entries in the order they were entered.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Ledger {
    entries: Vec<Entered>,
    position: BTreeMap<Id, usize>,
}

impl Ledger {
    /// Takes the description's seed entries that are not yet in the books.
    pub fn adopt_seed(&mut self, site: &str, seed: &[Booking]) {
        for booking in seed {
            let id = seed_id(site, booking);
            if !self.position.contains_key(&id) {
                let actor = Actor {
                    name: booking.author.clone(),
                    place: "plant description".into(),
                };
                self.push(Entered {
                    entry: LedgerEntry {
                        id,
                        booking: booking.clone(),
                        supersedes: None,
                        actor,
                    },
                    seq: 0,
                    entered_at: None,
                    superseded_by: None,
                });
            }
        }
    }

    /// Books an entry.
    ///
    /// # Errors
    /// [`LedgerRefusal`]; the books are then unchanged.
    pub fn book(
        &mut self,
        entry: LedgerEntry,
        seq: u64,
        entered_at: Option<Timestamp>,
    ) -> Result<(), LedgerRefusal> {
        entry.check(entered_at)?;
        if self.position.contains_key(&entry.id) {
            return Err(LedgerRefusal::IdTaken(entry.id));
        }
        if let Some(old) = &entry.supersedes {
            let replaced = self
                .position
                .get(old)
                .and_then(|&at| self.entries.get_mut(at))
                .ok_or_else(|| LedgerRefusal::NothingToSupersede(Id::clone(old)))?;
            if let Some(by) = &replaced.superseded_by {
                return Err(LedgerRefusal::AlreadySuperseded {
                    old: Id::clone(old),
                    by: Id::clone(by),
                });
            }
            replaced.superseded_by = Some(Id::clone(&entry.id));
        }
        self.push(Entered {
            entry,
            seq,
            entered_at,
            superseded_by: None,
        });
        Ok(())
    }

    fn push(&mut self, entered: Entered) {
        self.position
            .insert(Id::clone(&entered.entry.id), self.entries.len());
        self.entries.push(entered);
    }

    /// The ledger as it stood after the event of that number.
    #[must_use]
    pub fn as_of(&self, seq: u64) -> Self {
        let mut then = Self::default();
        for entered in self.entries.iter().filter(|entered| entered.seq <= seq) {
            let later = |by: &Id| self.entry(by).is_none_or(|replaced| replaced.seq > seq);
            let mut entered = entered.clone();
            if entered.superseded_by.as_ref().is_some_and(later) {
                entered.superseded_by = None;
            }
            then.push(entered);
        }
        then
    }

    fn entry(&self, id: &Id) -> Option<&Entered> {
        self.entries.get(*self.position.get(id)?)
    }

    /// Every entry ever made, superseded ones too.
    #[must_use]
    pub fn entries(&self) -> &[Entered] {
        &self.entries
    }

    /// The running sum of the entries now in force.
    #[must_use]
    pub fn net_booked(&self) -> NetBooked<'_> {
        NetBooked::of(self.in_force())
    }

    /// What the entries now in force book between two times; a mass is spread evenly over the
    /// time that its entry took, so a window may hold part of one.
    #[must_use]
    pub fn booked_between(&self, from: Timestamp, to: Timestamp) -> Booked {
        let mut booked = Booked::default();
        for booking in self.in_force() {
            booked.add(booking, booking.done_by(to) - booking.done_by(from));
        }
        booked
    }

    /// The bookings now in force, in the order they were entered.
    pub fn in_force(&self) -> impl Iterator<Item = &Booking> {
        self.entries
            .iter()
            .filter(|entered| entered.superseded_by.is_none())
            .map(|entered| &entered.entry.booking)
    }
}

/// What was booked up to a time, for times asked in rising order: each entry is looked at when it
/// begins and when it ends, not at every time.
#[derive(Debug)]
pub struct NetBooked<'a> {
    /// Entries in force, by the time they begin, and how many of them have begun.
    entries: Vec<&'a Booking>,
    begun: usize,
    /// Sum of those that are over, kg, and those that are not.
    over_kg: f64,
    running: Vec<&'a Booking>,
    last: Timestamp,
}

impl<'a> NetBooked<'a> {
    /// The running sum of some bookings.
    pub(super) fn of(bookings: impl IntoIterator<Item = &'a Booking>) -> Self {
        let mut entries: Vec<&Booking> = bookings.into_iter().collect();
        // Stable: entries of the same time stay in the order they were entered.
        entries.sort_by_key(|booking| booking.effective_at);
        Self {
            entries,
            begun: 0,
            over_kg: 0.0,
            running: Vec::new(),
            last: Timestamp::from_millis(i64::MIN),
        }
    }

    /// Received less dispatched up to `to`, kg. A time before the last one asked for (a clock set
    /// back) begins anew.
    pub fn up_to(&mut self, to: Timestamp) -> f64 {
        if to < self.last {
            self.begun = 0;
            self.over_kg = 0.0;
            self.running.clear();
        }
        self.last = to;
        while let Some(booking) = self.entries.get(self.begun) {
            if booking.effective_at > to {
                break;
            }
            self.running.push(booking);
            self.begun += 1;
        }
        let mut partly_kg = 0.0;
        self.running.retain(|booking| {
            let share = booking.done_by(to);
            let kg = booking.signed_kg() * share;
            if share < 1.0 {
                partly_kg += kg;
            } else {
                self.over_kg += kg;
            }
            share < 1.0
        });
        self.over_kg + partly_kg
    }
}

/// The id of an entry of the description follows from what it says, so that entries may be added
/// before it or moved in the file. One that says something else is another entry.
fn seed_id(site: &str, booking: &Booking) -> Id {
    let said = format!(
        "{} {} {:?} {:?} {} {}",
        booking.effective_at,
        booking.over.millis(),
        booking.kind,
        booking.mass,
        booking.author,
        booking.note
    );
    // FNV-1a, 64 bits: short, and the same for ever.
    let hash = said.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    });
    format!("{site}-seed-{hash:016x}").into()
}

impl Booking {
    /// kg, positive when they came in.
    #[must_use]
    pub fn signed_kg(&self) -> f64 {
        self.kind.sign() * self.mass.value.si()
    }

    /// The part that has crossed the boundary by `at`, 0 to 1.
    #[must_use]
    pub fn done_by(&self, at: Timestamp) -> f64 {
        let elapsed = at - self.effective_at;
        if elapsed < Span::ZERO {
            0.0
        } else if elapsed >= self.over {
            1.0
        } else {
            elapsed.seconds() / self.over.seconds()
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::Stated;
    use crate::quantity::Mass;

    fn entry(id: &str, kind: BookingKind, kg: f64, supersedes: Option<&str>) -> LedgerEntry {
        LedgerEntry {
            id: id.into(),
            booking: Booking {
                effective_at: Timestamp::from_millis(3_600_000),
                over: Span::HOUR,
                kind,
                mass: Stated {
                    value: Mass::new(kg),
                    std: 0.5,
                },
                author: "store keeper".into(),
                note: String::new(),
                section: None,
            },
            supersedes: supersedes.map(Id::from),
            actor: Actor {
                name: "store keeper".into(),
                place: "test".into(),
            },
        }
    }

    fn hour(h: f64) -> Timestamp {
        Timestamp::from_millis(0) + Span::from_seconds(h * 3600.0)
    }

    #[test]
    fn a_window_holds_its_part_of_an_entry() {
        let mut ledger = Ledger::default();
        ledger
            .book(entry("d1", BookingKind::Delivery, 40.0, None), 5, None)
            .unwrap();
        let half = ledger.booked_between(hour(0.0), hour(1.5));
        assert!((half.received_kg - 20.0).abs() < 1e-12);
        assert!((half.variance_kg2 - 0.0625).abs() < 1e-12);
        assert_eq!(
            ledger.booked_between(hour(2.0), hour(9.0)),
            Booked::default()
        );
    }

    #[test]
    fn the_running_sum_is_what_each_time_alone_gives() {
        let mut ledger = Ledger::default();
        let mut add = |id: &str, kind, kg, at: f64, over: f64, old: Option<&str>| {
            let mut e = entry(id, kind, kg, old);
            e.booking.effective_at = hour(at);
            e.booking.over = Span::from_seconds(over * 3600.0);
            ledger.book(e, 1, None).unwrap();
        };
        add("a", BookingKind::Delivery, 40.0, 5.0, 3.0, None);
        add("b", BookingKind::Dispatch, 7.0, 1.0, 0.0, None);
        add("c", BookingKind::Delivery, 11.0, 5.5, 0.5, None);
        add("d", BookingKind::Delivery, 12.0, 6.0, 0.5, Some("c"));
        add("e", BookingKind::Correction, -3.0, 2.0, 48.0, None);
        let mut running = ledger.net_booked();
        // Forwards, with a clock that is set back twice.
        let times = (0..90)
            .chain(10..60)
            .chain(0..200)
            .map(|i| f64::from(i) / 7.0);
        for at in times.map(hour) {
            let alone = ledger.booked_between(hour(-1.0), at).net_kg();
            assert!((running.up_to(at) - alone).abs() < 1e-9, "{at}");
        }
    }

    #[test]
    fn supersedes_instead_of_editing() {
        let mut ledger = Ledger::default();
        ledger
            .book(entry("d1", BookingKind::Delivery, 40.0, None), 5, None)
            .unwrap();
        ledger
            .book(
                entry("d2", BookingKind::Delivery, 30.0, Some("d1")),
                9,
                None,
            )
            .unwrap();
        assert!((ledger.booked_between(hour(0.0), hour(9.0)).net_kg() - 30.0).abs() < 1e-12);
        assert_eq!(ledger.entries().len(), 2);
        assert!(matches!(
            ledger.book(
                entry("d3", BookingKind::Delivery, 1.0, Some("d1")),
                10,
                None
            ),
            Err(LedgerRefusal::AlreadySuperseded { .. })
        ));
        assert!(matches!(
            ledger.book(entry("d2", BookingKind::Delivery, 1.0, None), 10, None),
            Err(LedgerRefusal::IdTaken(_))
        ));
    }

    #[test]
    fn a_seed_is_known_by_what_it_says_not_by_its_place() {
        // Seeds were once numbered: one inserted in front booked its neighbours twice.
        let booking = |kg| entry("-", BookingKind::Delivery, kg, None).booking;
        let mut ledger = Ledger::default();
        ledger.adopt_seed("site", &[booking(10.0), booking(20.0)]);
        ledger.adopt_seed("site", &[booking(5.0), booking(10.0), booking(20.0)]);
        assert_eq!(ledger.booked_between(hour(0.0), hour(9.0)).net_kg(), 35.0);
    }

    #[test]
    fn a_replacing_entry_of_nothing_withdraws() {
        let mut ledger = Ledger::default();
        let book = |ledger: &mut Ledger, e| ledger.book(e, 1, Some(hour(2.0)));
        book(&mut ledger, entry("d1", BookingKind::Delivery, 40.0, None)).unwrap();
        book(
            &mut ledger,
            entry("d2", BookingKind::Delivery, 0.0, Some("d1")),
        )
        .unwrap();
        assert_eq!(ledger.booked_between(hour(0.0), hour(9.0)).net_kg(), 0.0);
    }

    #[test]
    fn refuses_helium_that_has_not_moved_yet() {
        let mut ledger = Ledger::default();
        let early = Some(hour(1.0) - Span::from_millis(2 * 86_400_000));
        let ahead = entry("d1", BookingKind::Delivery, 1.0, None);
        assert_eq!(ledger.book(ahead, 1, early), Err(LedgerRefusal::Future));
    }

    #[test]
    fn refuses_masses_that_cannot_be() {
        let mut ledger = Ledger::default();
        for kg in [f64::NAN, f64::INFINITY, 0.0, -3.0, 1.0e9] {
            assert_eq!(
                ledger.book(entry("x", BookingKind::Dispatch, kg, None), 1, None),
                Err(LedgerRefusal::Mass)
            );
        }
        assert!(
            ledger
                .book(entry("c", BookingKind::Correction, -3.0, None), 1, None)
                .is_ok()
        );
    }
}
