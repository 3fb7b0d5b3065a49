//! What moved much helium, tick by tick, and the room left for gas.

use super::core::{Carried, Engine};
use super::outcome::{Happening, OutcomeKind};
use crate::balance::happening::{Jump, MassTick};
use crate::balance::room::{RoomNow, room_left};
use crate::plant::Plant;
use crate::time::Monotonic;

/// Happenings shown.
const SHOWN: usize = 48;

impl Engine {
    /// Takes the masses of a tick; `settled` is false while a restatement waits for readings.
    pub(super) fn follow_happenings(
        &mut self,
        plant: &Plant,
        now: Monotonic,
        settled: bool,
    ) -> impl Iterator<Item = OutcomeKind> + use<> {
        let mut found = Vec::new();
        if settled {
            let tick = MassTick {
                now,
                utc: self.state.time.utc(),
                masses: &self.masses,
                modes: &self.state.modes,
                readings: &Carried(&self.state.channels),
            };
            let book = &mut self.state.happenings;
            book.tick(plant, &self.state.ledger, &tick, &mut found);
        } else {
            self.state.happenings.interrupt();
        }
        found.into_iter().map(OutcomeKind::Happening)
    }

    /// Reckons the room left for gas.
    pub(super) fn find_room(&mut self, plant: &Plant, now: Monotonic) {
        let state = &mut self.state;
        state.supply.tick(plant, &state.passages, now);
        let room = RoomNow {
            now,
            masses: &self.masses,
            readings: &Carried(&state.channels),
            passages: &state.passages,
            supply: &state.supply,
            change_over_hour: &|vessel| state.happenings.change_over_hour(plant, vessel),
        };
        state.room = room_left(plant, &room);
    }

    /// The last few dozen, newest last.
    pub(super) fn happenings_shown(&self) -> Vec<Happening> {
        let known = self.state.happenings.known();
        let mut shown: Vec<Happening> = known.rev().take(SHOWN).cloned().collect();
        shown.reverse();
        shown
    }

    /// Changes of the plant's helium at known times (see [`Jump`]).
    #[must_use]
    pub fn jumps(&self) -> Vec<Jump> {
        self.state.happenings.jumps(&self.state.ledger)
    }
}
