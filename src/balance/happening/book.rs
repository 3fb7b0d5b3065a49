//! The book of happenings: kept tick by tick.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::account::{self, Done, FRESH_GAS_DOUBT, Jump, Moved, PART_OF_BATH};
use super::track::{Change, STEP, Step, Track};
use crate::balance::inventory::{Readings, VesselMass};
use crate::balance::ledger::Ledger;
use crate::balance::report::{CERTAIN_CHANGE, Happening, HappeningKind};
use crate::balance::tally::Tally;
use crate::plant::{Contents, Id, Mode, Plant, VesselIx};
use crate::quantity::Quality;
use crate::time::{Monotonic, Span, Timestamp};

/// Happenings kept; older ones are forgotten.
const KEPT: usize = 64;
/// One that goes on is told after this time.
const LONGEST: Span = Span::from_millis(12 * 3_600_000);
/// A fall of the plant that goes on longer is a leak.
const LONGEST_VENT: Span = Span::from_millis(2 * 3_600_000);
/// Fresh gas has taken the temperature of its vessel by then.
const GAS_SETTLES: Span = Span::from_millis(8 * 3_600_000);
/// Steps of an hour.
const HOUR: usize = 12;
/// Steps over which all has stood still when a happening is over.
const QUIET_STEPS: usize = 4;
/// Mode of a purifier or adsorber that gives back what it held.
const REGENERATING: &str = "regenerating";

/// What a tick tells.
pub struct MassTick<'a> {
    /// Continuous monotonic time.
    pub now: Monotonic,
    /// Wall time.
    pub utc: Option<Timestamp>,
    /// Each vessel's mass, in the order of the description.
    pub masses: &'a [VesselMass],
    /// Each vessel's mode.
    pub modes: &'a [u32],
    /// The readings they rest on.
    pub readings: &'a dyn Readings,
}

/// Happenings of a plant.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct HappeningBook {
    /// Number of the open step.
    step: Option<i64>,
    plant: Track,
    vessels: Vec<Track>,
    modes: Vec<u32>,
    /// Vessels whose mass does not rest on readings, as of the last tick.
    carried: Vec<VesselIx>,
    open: Option<Open>,
    regenerating: Vec<Regenerating>,
    /// Gas that came in lately, until when it is in doubt.
    fresh: Option<(Monotonic, f64)>,
    done: VecDeque<Done>,
    /// Length of the ledger that they were settled with.
    entries: usize,
}

/// A happening under way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Open {
    /// End of the last quiet step.
    since: Monotonic,
    plant: Option<Step>,
    vessels: Vec<Option<Step>>,
    movers: Vec<Mover>,
}

/// What moved by itself: a bath, or the plant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Mover {
    vessel: Option<VesselIx>,
    /// Mass after each step from the last quiet one.
    path: Vec<(Monotonic, f64)>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Regenerating {
    vessel: VesselIx,
    gave_kg: f64,
    opening: Option<Step>,
}

impl HappeningBook {
    /// Takes a tick; what is over, or known better, is added to `out`.
    pub fn tick(
        &mut self,
        plant: &Plant,
        ledger: &Ledger,
        tick: &MassTick<'_>,
        out: &mut Vec<Happening>,
    ) {
        if self.vessels.len() != tick.masses.len() {
            self.interrupt();
            self.vessels = vec![Track::default(); tick.masses.len()];
            self.modes = tick.modes.to_vec();
        }
        if self.entries != ledger.entries().len() {
            self.entries = ledger.entries().len();
            for done in &mut self.done {
                if done.settle(ledger) {
                    out.push(done.happening.clone());
                }
            }
        }
        let number = tick.now.0.div_euclid(STEP.millis());
        if let Some(step) = self.step.replace(number)
            && step != number
        {
            self.complete(plant, step, tick);
            if number == step + 1 {
                self.judge(plant, ledger, out);
            } else {
                // Nothing is known of the time between.
                self.interrupt();
            }
        }
        self.follow_modes(plant, ledger, tick, out);
        self.take(tick);
    }

    /// The reckoning changed without helium moving: what came before is no reference any more.
    pub fn interrupt(&mut self) {
        self.open = None;
        self.step = None;
        self.plant.interrupt();
        self.vessels.iter_mut().for_each(Track::interrupt);
    }

    /// Another description holds: vessels may be others.
    pub fn forget(&mut self) {
        self.interrupt();
        self.vessels = Vec::new();
        self.modes = Vec::new();
        self.regenerating = Vec::new();
        self.carried = Vec::new();
        self.fresh = None;
        self.plant = Track::default();
    }

    /// The happenings known, oldest first.
    pub fn known(&self) -> impl DoubleEndedIterator<Item = &Happening> {
        self.done.iter().map(|done| &done.happening)
    }

    /// Change of a vessel over the last hour, kg with standard uncertainty, while nothing much
    /// happens.
    #[must_use]
    pub fn change_over_hour(&self, plant: &Plant, vessel: VesselIx) -> Option<(f64, f64)> {
        if self.open.is_some() {
            return None;
        }
        let change = self.vessels.get(vessel.index())?.change_over(plant, HOUR)?;
        Some((change.kg, change.std_kg))
    }

    /// Changes of the plant's helium that the series of losses must know of as steps at known
    /// times, so that they are neither smeared into the loss rate nor hide a leak.
    #[must_use]
    pub fn jumps(&self, ledger: &Ledger) -> Vec<Jump> {
        let mut jumps = Vec::new();
        for done in &self.done {
            done.jumps(ledger, &mut jumps);
        }
        jumps
    }

    fn take(&mut self, tick: &MassTick<'_>) {
        let mut carried = Vec::new();
        let mut sum = Some(0.0);
        for ((number, mass), track) in (0u32..).zip(tick.masses).zip(&mut self.vessels) {
            let rests = mass.rests_on_readings();
            track.tick(rests.then_some(mass.mass_kg));
            if !rests {
                carried.push(VesselIx(number));
            }
            sum = sum
                .zip((mass.quality != Quality::Bad).then_some(mass.mass_kg))
                .map(|(sum, kg)| sum + kg);
        }
        // A vessel that is carried forward stands still in the sum; when that begins or ends the
        // sum may jump.
        if carried != self.carried {
            self.plant.interrupt();
            self.close_for_good();
            self.carried = carried;
        }
        self.plant.tick(sum);
    }

    /// The plant can no longer be compared with what it was: a happening under way goes on with
    /// its vessels alone.
    fn close_for_good(&mut self) {
        if let Some(open) = &mut self.open {
            open.plant = None;
            open.movers.retain(|mover| mover.vessel.is_some());
            if open.movers.is_empty() {
                self.open = None;
            }
        }
    }

    fn complete(&mut self, plant: &Plant, step: i64, tick: &MassTick<'_>) {
        let at = Monotonic((step + 1).saturating_mul(STEP.millis()));
        let utc = tick.utc.map(|utc| utc - (tick.now - at));
        for (track, mass) in self.vessels.iter_mut().zip(tick.masses) {
            let tally = || Tally::of([mass], tick.readings);
            track.complete(at, utc, mass.temperature_k, tally);
        }
        let tally = || Tally::of(tick.masses, tick.readings);
        self.plant.complete(at, utc, None, tally);
        self.plant.leaking &= !self.plant.leak_is_over(plant);
    }

    fn judge(&mut self, plant: &Plant, ledger: &Ledger, out: &mut Vec<Happening>) {
        let now = self.plant.last().or_else(|| {
            let tracks = self.vessels.iter();
            tracks.filter_map(Track::last).max_by_key(|step| step.at)
        });
        let Some(now) = now.map(|step| step.at) else {
            return;
        };
        let unrest_kg = match self.fresh {
            Some((until, kg)) if now < until => kg,
            _ => 0.0,
        };
        let mut moving: Vec<(Option<VesselIx>, Monotonic)> = Vec::new();
        let began = self.plant.moves(plant, CERTAIN_CHANGE, unrest_kg, 0.0);
        moving.extend(began.map(|at| (None, at)));
        for ((number, vessel), track) in (0u32..).zip(&plant.all.vessel).zip(&self.vessels) {
            if matches!(vessel.contents, Contents::Bath { .. }) {
                let began = track.moves(plant, CERTAIN_CHANGE, 0.0, PART_OF_BATH);
                moving.extend(began.map(|at| (Some(VesselIx(number)), at)));
            }
        }
        if self.open.is_none() && moving.is_empty() {
            if !self.plant.leaking {
                self.plant.learn(plant);
            }
            for track in &mut self.vessels {
                track.learn(plant);
            }
            return;
        }
        let began = moving.iter().map(|(_, at)| *at).min().unwrap_or(now);
        self.open.get_or_insert_with(|| Open {
            since: began,
            plant: self.plant.at(began).cloned(),
            vessels: self
                .vessels
                .iter()
                .map(|track| track.at(began).cloned())
                .collect(),
            movers: Vec::new(),
        });
        self.follow(&moving, now);
        self.end(plant, ledger, now, out);
    }

    /// Adds what moves now to what moved before, and the newest step to all their paths.
    fn follow(&mut self, moving: &[(Option<VesselIx>, Monotonic)], now: Monotonic) {
        let Some(open) = &mut self.open else {
            return;
        };
        for mover in &mut open.movers {
            if let Some(step) =
                track(&self.plant, &self.vessels, mover.vessel).and_then(Track::last)
                && step.at == now
            {
                mover.path.push((step.at, step.mass_kg));
            }
        }
        for &(vessel, _) in moving {
            if open.movers.iter().all(|mover| mover.vessel != vessel)
                && let Some(track) = track(&self.plant, &self.vessels, vessel)
            {
                let path = track.path_from(open.since);
                open.movers.push(Mover { vessel, path });
            }
        }
    }

    /// Ends the happening under way, if it is over or has lasted too long.
    fn end(&mut self, plant: &Plant, ledger: &Ledger, now: Monotonic, out: &mut Vec<Happening>) {
        let Some(open) = &self.open else {
            return;
        };
        let quenched = self.has_quenched(plant, open, now);
        let still = open.movers.iter().all(|mover| {
            track(&self.plant, &self.vessels, mover.vessel)
                .is_some_and(|track| track.stands(plant, mover.moved_kg().abs()))
        });
        let lasted = now - open.since;
        let whole_moves = |mover: &&Mover| mover.vessel.is_none();
        let only_falls = open.movers.len() == 1
            && open
                .movers
                .iter()
                .find(whole_moves)
                .is_some_and(|mover| mover.moved_kg() < 0.0);
        if !still && only_falls && lasted >= LONGEST_VENT {
            self.plant.leaking = true;
            self.open = None;
            self.begin_anew(1);
            return;
        }
        let goes_on = !still && !quenched;
        if goes_on && lasted < LONGEST {
            return;
        }
        let Some(mut open) = self.open.take() else {
            return;
        };
        if goes_on {
            open.movers.retain(|mover| {
                let to_and_fro = mover.goes_to_and_fro();
                if to_and_fro && let Some(track) = self.track_mut(mover.vessel) {
                    track.take_as_usual();
                }
                !to_and_fro
            });
        }
        if !open.movers.is_empty()
            && let Some(mut done) = self.account(plant, &open, now)
        {
            done.settle(ledger);
            out.push(done.happening.clone());
            self.keep(done);
        }
        self.begin_anew(if still && !quenched { QUIET_STEPS } else { 1 });
        if goes_on && !open.movers.is_empty() {
            self.open = Some(self.continued(&open, now));
        }
    }

    fn track_mut(&mut self, vessel: Option<VesselIx>) -> Option<&mut Track> {
        match vessel {
            None => Some(&mut self.plant),
            Some(ix) => self.vessels.get_mut(ix.index()),
        }
    }

    /// What goes on begins again where it stands.
    fn continued(&self, open: &Open, now: Monotonic) -> Open {
        let mover = |mover: &Mover| Mover {
            vessel: mover.vessel,
            path: track(&self.plant, &self.vessels, mover.vessel)
                .map_or_else(Vec::new, |track| track.path_from(now)),
        };
        Open {
            since: now,
            plant: self.plant.at(now).cloned(),
            vessels: self
                .vessels
                .iter()
                .map(|track| track.at(now).cloned())
                .collect(),
            movers: open.movers.iter().map(mover).collect(),
        }
    }

    /// A bath that boiled away within minutes falls no further, and its gas is found elsewhere (a
    /// level probe that jumps sends no gas). It is told at once: a level control that fills the bath
    /// again would else hide it. The filling is then a happening of its own.
    fn has_quenched(&self, plant: &Plant, open: &Open, now: Monotonic) -> bool {
        let fell = |mover: &&Mover| mover.vessel.is_some() && mover.fell_at_once();
        if !open.movers.iter().any(|mover| fell(&mover)) {
            return false;
        }
        let moved = self.moved(plant, open, now);
        let whole = self.whole(plant, open, now);
        account::kind(plant, &moved, whole) == Some(HappeningKind::Quench)
            && account::is_found_elsewhere(&moved)
    }

    /// What moved must not be seen again: only the newest steps stay as reference.
    fn begin_anew(&mut self, steps: usize) {
        let tracks = std::iter::once(&mut self.plant).chain(&mut self.vessels);
        tracks.for_each(|track| track.keep_last(steps));
    }

    fn keep(&mut self, done: Done) {
        if self.done.len() == KEPT {
            self.done.pop_front();
        }
        self.done.push_back(done);
    }

    fn account(&mut self, plant: &Plant, open: &Open, now: Monotonic) -> Option<Done> {
        let moved = self.moved(plant, open, now);
        let fresh_kg = account::fresh_gas_kg(plant, &moved);
        let doubt_kg = FRESH_GAS_DOUBT * fresh_kg;
        let whole = self.whole(plant, open, now).map(|change| Change {
            std_kg: libm::hypot(change.std_kg, doubt_kg),
            ..change
        });
        if fresh_kg > 0.0 {
            self.fresh = Some((now + GAS_SETTLES, doubt_kg));
        }
        let kind = account::kind(plant, &moved, whole)?;
        let [gave, took] = account::sides(plant, &moved);
        let (begins, ends) = open.times(kind);
        let newest = now;
        let utc_now = self.utc_of(newest)?;
        let utc = |at: Monotonic| utc_now - (newest - at);
        Some(Done {
            happening: Happening {
                kind,
                from: Some(utc(begins)),
                to: Some(utc(ends)),
                gave,
                took,
                net_kg: whole.map_or(0.0, |change| change.kg),
                net_std_kg: whole.map_or(f64::INFINITY, |change| change.std_kg),
                booked: None,
            },
            window: Some((utc(open.since), utc_now)),
            whole: whole.map(|change| (change.kg, change.std_kg)),
            kind,
        })
    }

    /// Change of the plant, the books left aside.
    fn whole(&self, plant: &Plant, open: &Open, now: Monotonic) -> Option<Change> {
        let before = open.plant.as_ref()?;
        let after = self.plant.last().filter(|step| step.at == now)?;
        Some(self.plant.change(plant, before, after))
    }

    fn utc_of(&self, at: Monotonic) -> Option<Timestamp> {
        let tracks = std::iter::once(&self.plant).chain(&self.vessels);
        tracks
            .filter_map(Track::last)
            .find(|step| step.at == at)
            .and_then(|step| step.utc)
    }

    fn moved(&self, plant: &Plant, open: &Open, now: Monotonic) -> Vec<Moved> {
        (0u32..)
            .zip(&open.vessels)
            .zip(&self.vessels)
            .filter_map(|((number, before), track)| {
                let before = before.as_ref()?;
                let after = track.last().filter(|step| step.at == now)?;
                let vessel = VesselIx(number);
                let mover = open
                    .movers
                    .iter()
                    .find(|mover| mover.vessel == Some(vessel));
                Some(Moved {
                    vessel,
                    change: track.change(plant, before, after),
                    before_kg: before.mass_kg,
                    kelvin: (before.kelvin, after.kelvin),
                    suddenness: mover.map_or(0.0, Mover::suddenness),
                })
            })
            .collect()
    }

    /// What a change of mode means: helium given back by a regeneration, a stated holdup that is
    /// another, contents that count or not.
    fn follow_modes(
        &mut self,
        plant: &Plant,
        ledger: &Ledger,
        tick: &MassTick<'_>,
        out: &mut Vec<Happening>,
    ) {
        if self.modes == tick.modes {
            return;
        }
        let before = std::mem::replace(&mut self.modes, tick.modes.to_vec());
        let mut recounted = false;
        for (((number, vessel), from), to) in
            (0u32..).zip(&plant.all.vessel).zip(before).zip(tick.modes)
        {
            let mode = |at: u32| vessel.modes.get(at as usize);
            let (Some(from), Some(to)) = (mode(from), mode(*to)) else {
                continue;
            };
            if from.id == to.id {
                continue;
            }
            let ix = VesselIx(number);
            if let Some(track) = self.vessels.get_mut(ix.index()) {
                track.interrupt();
            }
            recounted |= from.counts_contents != to.counts_contents;
            self.plant.mode_changed(doubt_of_mode_kg2(from, to));
            if &*to.id == REGENERATING {
                self.regenerating.push(Regenerating {
                    vessel: ix,
                    gave_kg: from.holdup.value.si() - to.holdup.value.si(),
                    opening: self.plant.last().cloned(),
                });
            } else if &*from.id == REGENERATING {
                self.regenerated(plant, ledger, ix, out);
            }
        }
        if recounted {
            self.interrupt();
        }
    }

    fn regenerated(
        &mut self,
        plant: &Plant,
        ledger: &Ledger,
        vessel: VesselIx,
        out: &mut Vec<Happening>,
    ) {
        let at = self.regenerating.iter().position(|r| r.vessel == vessel);
        let Some(ended) = at.map(|at| self.regenerating.swap_remove(at)) else {
            return;
        };
        let opening = ended.opening.as_ref();
        let closing = self.plant.last();
        let ends = opening.zip(closing);
        let whole = ends.map(|(opening, closing)| self.plant.change(plant, opening, closing));
        let window = ends.and_then(|(opening, closing)| opening.utc.zip(closing.utc));
        let gave = match plant.vessel(vessel) {
            Some(vessel) if ended.gave_kg > 0.0 => vec![(Id::clone(&vessel.id), ended.gave_kg)],
            _ => Vec::new(),
        };
        let kind = HappeningKind::Regeneration;
        let mut done = Done {
            happening: Happening {
                kind,
                from: window.map(|(from, _)| from),
                to: window.map(|(_, to)| to),
                gave,
                took: Vec::new(),
                net_kg: whole.map_or(0.0, |change| change.kg),
                net_std_kg: whole.map_or(f64::INFINITY, |change| change.std_kg),
                booked: None,
            },
            window,
            whole: whole.map(|change| (change.kg, change.std_kg)),
            kind,
        };
        done.settle(ledger);
        // Jumps within it are happenings of their own; this one is none.
        done.whole = None;
        out.push(done.happening.clone());
        self.keep(done);
    }
}

impl Mover {
    fn moved_kg(&self) -> f64 {
        match (self.path.first(), self.path.last()) {
            (Some((_, first)), Some((_, last))) => last - first,
            _ => 0.0,
        }
    }

    /// Ends nearer to where it began than to where it has been.
    fn goes_to_and_fro(&self) -> bool {
        let kg = || self.path.iter().map(|(_, kg)| *kg);
        let range = kg().fold(f64::MIN, f64::max) - kg().fold(f64::MAX, f64::min);
        self.moved_kg().abs() < 0.5 * range
    }

    /// Fell within two steps for the most part, and falls no further.
    fn fell_at_once(&self) -> bool {
        let fell = -self.moved_kg();
        let newest = self.path.iter().rev().map(|(_, kg)| *kg);
        let stopped = newest
            .clone()
            .zip(newest.skip(1))
            .next()
            .is_some_and(|(last, before)| before - last <= 0.05 * fell);
        fell > 0.0 && stopped && self.suddenness() >= account::SUDDEN
    }

    /// Largest part of the change that fell into two steps.
    fn suddenness(&self) -> f64 {
        let moved = self.moved_kg();
        let most = self
            .path
            .iter()
            .zip(self.path.iter().skip(2))
            .map(|((_, before), (_, after))| (after - before) / moved)
            .fold(0.0, f64::max);
        if moved == 0.0 { 0.0 } else { most }
    }

    /// First step from which it stays within 3 % of where it ended.
    fn ended(&self) -> Option<Monotonic> {
        let (_, last_kg) = *self.path.last()?;
        let near = 0.03 * self.moved_kg().abs();
        let stays = self
            .path
            .iter()
            .rev()
            .take_while(|(_, kg)| (kg - last_kg).abs() <= near)
            .last();
        stays.map(|(at, _)| *at)
    }
}

impl Open {
    /// When it began and ended.
    fn times(&self, kind: HappeningKind) -> (Monotonic, Monotonic) {
        let of_plant = matches!(kind, HappeningKind::Delivery | HappeningKind::Vent);
        let movers = self
            .movers
            .iter()
            .filter(|mover| mover.vessel.is_none() == of_plant);
        let ended = movers.clone().filter_map(Mover::ended).max();
        let any = self.movers.iter().filter_map(Mover::ended).max();
        (self.since, ended.or(any).unwrap_or(self.since))
    }
}

fn track<'a>(
    plant: &'a Track,
    vessels: &'a [Track],
    vessel: Option<VesselIx>,
) -> Option<&'a Track> {
    match vessel {
        None => Some(plant),
        Some(ix) => vessels.get(ix.index()),
    }
}

/// The stated holdup changes at once, the gas comes or goes over hours: until then all of the
/// difference is in doubt.
fn doubt_of_mode_kg2(from: &Mode, to: &Mode) -> f64 {
    let moved = from.holdup.value.si() - to.holdup.value.si();
    moved * moved + from.holdup.std * from.holdup.std + to.holdup.std * to.holdup.std
}
