//! What each section held and what each meter passed, ten minutes by ten minutes.
//!
//! From it every area (see [`super::area`]) gets its own balance and its own series: the masses of
//! its sections, less what meters brought in, plus what they took out, corrected by the books. Areas
//! can be made from it after the fact, since lines and sections are kept apart.
//!
//! A line that stood open unmetered for a short while does not join its two sections for the whole
//! week: what passed then is an unknown jump at that time, and the rate is found around it.
//!
//! The errors by cause are kept every hour for a day and every six hours before that: they change
//! slowly, while masses do not.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::area::{Area, areas};
use super::books::Books;
use super::ledger::Ledger;
use super::losses::may_be_accepted;
use super::report::WindowBalance;
use super::tally::{Cause, Tally, lasting_difference_kg2};
use super::window::{GRID, KEPT, ONE_SIDED_95};
use crate::plant::{End, Id, LineIx, Passage, Plant, SectionIx, VesselIx};
use crate::time::{Monotonic, Span, Timestamp};

/// A tick later than this after the one before leaves what flowed in between unknown.
const LONGEST_HOLD: Span = Span::from_millis(120_000);

/// Errors by cause are kept this often for a day, and this often after it.
const TALLY_EVERY: Span = Span::HOUR;
const OLD_TALLY_EVERY: Span = Span::from_millis(6 * 3_600_000);
const OLDEST_TALLY: Span = Span::from_millis(30 * 86_400_000);

/// Jumps that one series may hold; a busier one begins after the last but so many.
const MOST_JUMPS: usize = 8;

/// A line that was open for less of a stretch than this is a jump in it, not a joint.
const BRIEFLY: f64 = 0.05;

/// A mass flow as metered at a tick.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flow {
    /// kg/s, positive from the line's upstream end to its downstream end.
    pub kg_per_s: f64,
    /// Standard deviation of the noise that is new at every reading, kg/s.
    pub independent_std: f64,
    /// Standard uncertainty of what lasts (the meter's calibration), kg/s.
    pub lasting_std: f64,
    /// How often the meter is read.
    pub every: Span,
}

/// One tick of the plant as the accounts take it.
pub struct AccountTick<'a> {
    /// Continuous monotonic time.
    pub now: Monotonic,
    /// Wall time.
    pub utc: Option<Timestamp>,
    /// Mass of each section, kg; none when one of its vessels has none at all.
    pub sections: &'a [Option<f64>],
    /// Metered flow of each line; none where there is no meter or it is not usable.
    pub flows: &'a [Option<Flow>],
    /// State of each line.
    pub passages: &'a [Passage],
    /// How far each compared instrument reads from its peers, kg of its vessel.
    pub unlike: &'a [Option<f64>],
    /// Mean temperature of outdoor gas, K.
    pub outdoor_kelvin: Option<f64>,
    /// Vessels carried forward or substituted.
    pub doubtful: &'a [VesselIx],
    /// Vessels carried forward: of them nothing is measured.
    pub carried: &'a [VesselIx],
}

/// Ten minutes of the plant, section by section and line by line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// Its end, by the engine's continuous monotonic time.
    pub at: Monotonic,
    /// Its end by the wall clock.
    pub utc: Option<Timestamp>,
    /// Mean mass of each section, kg; NaN where there is none.
    pub mass_kg: Vec<f64>,
    /// What passed each metered line, kg; NaN where there is no meter or not all of it was seen.
    pub passed_kg: Vec<f64>,
    /// What of it had passed at the mean time that the masses stand for, kg.
    pub passed_by_mean_kg: Vec<f64>,
    /// Standard uncertainty of that from what lasts, and variance of what is new, kg and kg2.
    pub passed_std: Vec<(f32, f32)>,
    /// Ticks at which each line was not shut.
    pub not_shut: Vec<u16>,
    /// Mean of each comparison, kg.
    pub unlike_kg: Vec<f32>,
    /// Mean temperature of the outdoor gas, K.
    pub outdoor_kelvin: f64,
    /// Ticks in it.
    pub ticks: u16,
    /// Vessels carried forward or substituted in it.
    pub doubtful: Vec<VesselIx>,
    /// Vessels carried forward in it.
    pub carried: Vec<VesselIx>,
    /// The reckoning changed in it without helium moving.
    pub restated: bool,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
struct OpenStep {
    number: i64,
    ticks: u16,
    masses: Vec<(f64, u16)>,
    passed: Vec<Passed>,
    not_shut: Vec<u16>,
    unlike: Vec<(f64, u16)>,
    outdoor: (f64, u16),
    doubtful: Vec<VesselIx>,
    carried: Vec<VesselIx>,
    restated: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Passed {
    pub kg: f64,
    /// Sum over the ticks of what had passed by then.
    sum_kg: f64,
    pub lasting_kg: f64,
    pub independent_kg2: f64,
    /// Some of it was not seen.
    unseen: bool,
}

/// Errors of each section by cause at one time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Tallies {
    at: Monotonic,
    by_section: Vec<SectionErrors>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct SectionErrors {
    pub independent_kg2: f64,
    pub by_cause: Vec<(Cause, f64)>,
}

/// The accounts of the last thirty days.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Accounts {
    steps: VecDeque<Step>,
    open: Option<OpenStep>,
    last_tick: Option<Monotonic>,
    tallies: VecDeque<Tallies>,
    /// Flow of each line at the last tick, kg/s; NaN where there was none.
    last_flows: Vec<f64>,
    /// Metered over the boundary since the beginning: in and out, kg.
    boundary_kg: (f64, f64),
}

/// The book-corrected mass of an area on the ten-minute grid, ready for a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct AreaSeries {
    /// End of the first step, s of continuous time.
    pub start_s: f64,
    /// kg; NaN where there is none.
    pub mass_kg: Vec<f64>,
    /// Outdoor gas temperature, K; NaN where there is none. None for an area without outdoor gas.
    pub outdoor_kelvin: Option<Vec<f64>>,
    /// Times at which an unknown amount came or went, s.
    pub jumps_s: Vec<f64>,
    /// Standard uncertainty of the rate from its meters' calibration, kg/s.
    pub meter_std_kg_per_s: f64,
    /// Noise of its meters that is new at every reading: summed up it wanders, by this much squared
    /// a second, kg2/s.
    pub walk_kg2_per_s: f64,
    /// Last step by both clocks.
    pub last: (Monotonic, Timestamp),
}

impl Accounts {
    /// Takes a tick; true when it completed a step of the grid. `tally` gives the errors of a section.
    pub fn tick(
        &mut self,
        plant: &Plant,
        tick: &AccountTick,
        tally: impl Fn(SectionIx) -> Tally,
    ) -> bool {
        let number = tick.now.0.div_euclid(GRID.millis());
        let ended = self.open.take_if(|open| open.number != number);
        let held = self
            .last_tick
            .map(|last| tick.now - last)
            .filter(|held| *held > Span::ZERO);
        self.last_tick = Some(tick.now);
        self.take(plant, tick, number, held);
        let Some(step) = ended else {
            return false;
        };
        let at = Monotonic((step.number + 1).saturating_mul(GRID.millis()));
        if self
            .tallies
            .back()
            .is_none_or(|last| at - last.at >= TALLY_EVERY)
        {
            self.keep_tallies(plant, at, tally);
        }
        self.close(step, at, tick.utc.map(|utc| utc - (tick.now - at)));
        true
    }

    fn take(&mut self, plant: &Plant, tick: &AccountTick, number: i64, held: Option<Span>) {
        let open = self.open.get_or_insert_with(|| OpenStep {
            number,
            masses: vec![(0.0, 0); tick.sections.len()],
            passed: vec![Passed::default(); plant.all.line.len()],
            not_shut: vec![0; plant.all.line.len()],
            unlike: vec![(0.0, 0); tick.unlike.len()],
            ..OpenStep::default()
        });
        open.ticks = open.ticks.saturating_add(1);
        for (sum, mass) in open.masses.iter_mut().zip(tick.sections) {
            add_to(sum, *mass);
        }
        for (sum, unlike) in open.unlike.iter_mut().zip(tick.unlike) {
            add_to(sum, *unlike);
        }
        add_to(&mut open.outdoor, tick.outdoor_kelvin);
        add_all(&mut open.doubtful, tick.doubtful);
        add_all(&mut open.carried, tick.carried);
        let seconds = held.filter(|held| *held <= LONGEST_HOLD).map(Span::seconds);
        self.last_flows.resize(plant.all.line.len(), f64::NAN);
        for (((((line, passed), not_shut), last), flow), passage) in plant
            .all
            .line
            .iter()
            .zip(&mut open.passed)
            .zip(&mut open.not_shut)
            .zip(&mut self.last_flows)
            .zip(tick.flows)
            .zip(tick.passages)
        {
            if *passage != Passage::Shut {
                *not_shut = not_shut.saturating_add(1);
            }
            if line.meter.is_none() {
                continue;
            }
            match (flow, seconds) {
                // Nothing passes a shut line, whatever its meter says.
                _ if *passage == Passage::Shut => {}
                (Some(flow), Some(seconds)) => {
                    let before = if last.is_finite() {
                        *last
                    } else {
                        flow.kg_per_s
                    };
                    let kg = 0.5 * (before + flow.kg_per_s) * seconds;
                    passed.kg += kg;
                    passed.lasting_kg += flow.lasting_std * seconds;
                    // A reading stands for the time between two of them, and when the flow changed
                    // in between nobody has seen.
                    let stands_s = flow.every.seconds().max(seconds);
                    let changed = flow.kg_per_s - before;
                    passed.independent_kg2 +=
                        flow.independent_std * flow.independent_std * seconds * stands_s
                            + changed * changed * stands_s * stands_s / 12.0;
                    let inwards = match (line.from, line.to) {
                        (End::Outside, End::Section(_)) => kg,
                        (End::Section(_), End::Outside) => -kg,
                        _ => 0.0,
                    };
                    if inwards >= 0.0 {
                        self.boundary_kg.0 += inwards;
                    } else {
                        self.boundary_kg.1 -= inwards;
                    }
                }
                _ => passed.unseen = true,
            }
            passed.sum_kg += passed.kg;
            *last = flow.map_or(f64::NAN, |flow| flow.kg_per_s);
        }
    }

    fn close(&mut self, step: OpenStep, at: Monotonic, utc: Option<Timestamp>) {
        if self.steps.len() == KEPT {
            self.steps.pop_front();
        }
        #[expect(
            clippy::cast_possible_truncation,
            reason = "uncertainties need no more digits"
        )]
        let passed_std = step
            .passed
            .iter()
            .map(|passed| (passed.lasting_kg as f32, passed.independent_kg2 as f32))
            .collect();
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a comparison needs no more digits"
        )]
        let unlike_kg = step.unlike.iter().map(|sum| mean(*sum) as f32).collect();
        self.steps.push_back(Step {
            at,
            utc,
            mass_kg: step.masses.iter().map(|sum| mean(*sum)).collect(),
            passed_kg: step
                .passed
                .iter()
                .map(|passed| if passed.unseen { f64::NAN } else { passed.kg })
                .collect(),
            passed_by_mean_kg: step
                .passed
                .iter()
                .map(|passed| passed.sum_kg / f64::from(step.ticks.max(1)))
                .collect(),
            passed_std,
            not_shut: step.not_shut,
            unlike_kg,
            outdoor_kelvin: mean(step.outdoor),
            ticks: step.ticks,
            doubtful: step.doubtful,
            carried: step.carried,
            restated: step.restated,
        });
    }

    fn keep_tallies(&mut self, plant: &Plant, at: Monotonic, tally: impl Fn(SectionIx) -> Tally) {
        let by_section = (0u32..)
            .zip(&plant.all.section)
            .map(|(number, _)| {
                let tally = tally(SectionIx(number));
                SectionErrors {
                    independent_kg2: tally.independent_kg2,
                    by_cause: tally.by_cause,
                }
            })
            .collect();
        self.tallies.push_back(Tallies { at, by_section });
        while self
            .tallies
            .front()
            .is_some_and(|first| at - first.at > OLDEST_TALLY)
        {
            self.tallies.pop_front();
        }
        // Thin out the one that has just become older than a day.
        let old = self
            .tallies
            .iter()
            .rposition(|kept| at - kept.at > Span::DAY);
        if let Some(here) = old
            && let (Some(before), Some(kept)) = (
                here.checked_sub(1).and_then(|ix| self.tallies.get(ix)),
                self.tallies.get(here),
            )
            && kept.at - before.at < OLD_TALLY_EVERY
        {
            self.tallies.remove(here);
        }
    }

    /// The reckoning changed without helium moving, and what has been summed of the running step
    /// does not agree.
    pub fn restate(&mut self) {
        if let Some(open) = &mut self.open {
            open.restated = true;
        }
    }

    /// Carries the accounts over to another description: what has the same id goes on.
    pub fn adopt(&mut self, plant: &Plant, before: &Plant) {
        let sections: Vec<Option<usize>> = plant
            .all
            .section
            .iter()
            .map(|section| before.section_by_id(&section.id).map(|(ix, _)| ix.index()))
            .collect();
        let lines: Vec<Option<usize>> = plant
            .all
            .line
            .iter()
            .map(|line| {
                let (ix, old) = before.line_by_id(&line.id)?;
                (old.meter.is_some() == line.meter.is_some()).then_some(ix.index())
            })
            .collect();
        for step in &mut self.steps {
            step.mass_kg = moved(&sections, &step.mass_kg, f64::NAN);
            step.passed_kg = moved(&lines, &step.passed_kg, f64::NAN);
            step.passed_by_mean_kg = moved(&lines, &step.passed_by_mean_kg, f64::NAN);
            step.passed_std = moved(&lines, &step.passed_std, (0.0, 0.0));
            step.not_shut = moved(&lines, &step.not_shut, step.ticks);
            step.unlike_kg = Vec::new();
            step.doubtful = Vec::new();
            step.carried = Vec::new();
        }
        self.tallies.clear();
        self.last_flows.clear();
        self.open = None;
        if let Some(last) = self.steps.back_mut() {
            last.restated = true;
        }
    }

    /// The steps, oldest first.
    #[must_use]
    pub fn steps(&self) -> &VecDeque<Step> {
        &self.steps
    }

    /// Metered over the boundary since the beginning: in and out, kg.
    #[must_use]
    pub fn boundary_kg(&self) -> (f64, f64) {
        self.boundary_kg
    }

    /// Position of the first step of the last `over`.
    fn first_of(&self, over: Span) -> usize {
        let Some(last) = self.steps.back() else {
            return 0;
        };
        self.steps.partition_point(|step| last.at - step.at >= over)
    }

    /// Whether helium may have passed a line unseen between two steps, and for what part of them.
    pub(super) fn open_share(
        &self,
        plant: &Plant,
        line: LineIx,
        steps: std::ops::Range<usize>,
    ) -> f64 {
        let metered = plant
            .line(line)
            .is_some_and(|described| described.meter.is_some());
        let (mut open, mut all) = (0.0, 0.0);
        for step in self.steps.range(steps) {
            let not_shut = step.not_shut.get(line.index()).copied().unwrap_or(0);
            all += f64::from(step.ticks);
            let unseen = !metered
                || step
                    .passed_kg
                    .get(line.index())
                    .is_none_or(|kg| kg.is_nan());
            if unseen {
                open += f64::from(not_shut);
            }
        }
        if all > 0.0 { open / all } else { 0.0 }
    }

    /// The areas of the last `over`; `strictly` joins the ends of every unmetered line that was open
    /// at all, otherwise one that was open only briefly is left to be a jump.
    #[must_use]
    pub fn areas(&self, plant: &Plant, over: Span, strictly: bool) -> Vec<Area> {
        let all = self.first_of(over)..self.steps.len();
        areas(plant, |line| self.joins(plant, line, all.clone(), strictly))
    }

    /// Whether a line joins its ends. A meter that was blind for a short while does not: its mean
    /// stands in for that, with all of itself as uncertainty.
    fn joins(
        &self,
        plant: &Plant,
        line: LineIx,
        steps: std::ops::Range<usize>,
        strictly: bool,
    ) -> bool {
        let metered = plant.line(line).is_some_and(|line| line.meter.is_some());
        let most = if strictly && !metered { 0.0 } else { BRIEFLY };
        self.open_share(plant, line, steps) > most
    }

    /// The areas between two times on record, joined by every line that was open unmetered at all.
    #[must_use]
    pub fn areas_between(&self, plant: &Plant, from: Timestamp, to: Timestamp) -> Vec<Area> {
        let steps = self.steps_between(from, to);
        areas(plant, |line| self.joins(plant, line, steps.clone(), true))
    }

    /// Lines through which helium may have passed unseen between two times on record, and for what
    /// part of the time.
    #[must_use]
    pub fn unseen_between(
        &self,
        plant: &Plant,
        from: Timestamp,
        to: Timestamp,
    ) -> Vec<(LineIx, f64)> {
        let steps = self.steps_between(from, to);
        (0u32..)
            .take(plant.all.line.len())
            .map(LineIx)
            .map(|line| (line, self.open_share(plant, line, steps.clone())))
            .filter(|(_, share)| *share > 0.0)
            .collect()
    }

    fn steps_between(&self, from: Timestamp, to: Timestamp) -> std::ops::Range<usize> {
        let within = |step: &Step| step.utc.is_some_and(|utc| utc > from && utc <= to + GRID);
        let first = self.steps.iter().position(within).unwrap_or(0);
        let end = self.steps.iter().rposition(within).map_or(0, |ix| ix + 1);
        first.min(end)..end
    }

    /// The balance of an area over the last `over`; none until there is that much history, or when
    /// helium passed its edge unseen.
    #[must_use]
    pub fn balance(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        over: Span,
    ) -> Option<WindowBalance> {
        let usable = |step: &Step| step.utc.is_some() && Self::mass(step, area).is_finite();
        let closing = self.steps.iter().rposition(usable)?;
        let closing_at = self.steps.get(closing)?.at;
        let off = |step: &Step| (closing_at - step.at - over).millis().abs();
        let slack = (over.millis() / 7).max(GRID.millis());
        let opening = (0..closing)
            .filter(|&ix| self.steps.get(ix).is_some_and(usable))
            .min_by_key(|&ix| self.steps.get(ix).map_or(i64::MAX, off))
            .filter(|&ix| self.steps.get(ix).is_some_and(|step| off(step) <= slack))?;
        self.between(plant, ledger, area, (opening, closing), over)
    }

    /// The balance of an area between two times on record; none when one of them is not.
    #[must_use]
    pub fn balance_between(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        from: Timestamp,
        to: Timestamp,
    ) -> Option<WindowBalance> {
        let nearest = |wanted: Timestamp| {
            (0..self.steps.len())
                .filter(|&ix| {
                    self.steps.get(ix).is_some_and(|step| {
                        step.utc.is_some() && Self::mass(step, area).is_finite()
                    })
                })
                .min_by_key(|&ix| {
                    self.steps
                        .get(ix)
                        .and_then(|step| step.utc)
                        .map_or(i64::MAX, |utc| (utc - wanted).millis().abs())
                })
        };
        let (opening, closing) = (nearest(from)?, nearest(to)?);
        (opening < closing)
            .then(|| self.between(plant, ledger, area, (opening, closing), to - from))
            .flatten()
    }

    fn between(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        (opening_ix, closing_ix): (usize, usize),
        over: Span,
    ) -> Option<WindowBalance> {
        let opening = self.steps.get(opening_ix)?;
        let closing = self.steps.get(closing_ix)?;
        let apart = closing.at - opening.at;
        let (from, to) = (opening.utc?, closing.utc?);
        let half = Span::from_millis(GRID.millis() / 2);
        let booked =
            Books::of(ledger, plant, area, Some(from - half)).between(from - half, to - half);
        let mut received_kg = booked.received_kg;
        let mut dispatched_kg = booked.dispatched_kg;
        let mut variance = booked.variance_kg2;
        for (number, line) in (0u32..).zip(&plant.all.line) {
            let (Some(sign), Some(_)) = (area.sign_of(line.from, line.to), line.meter.as_ref())
            else {
                continue;
            };
            let passed = self.passed(LineIx(number), (opening_ix, closing_ix));
            let signed = sign * passed.kg;
            if signed >= 0.0 {
                received_kg += signed;
            } else {
                dispatched_kg -= signed;
            }
            variance += passed.lasting_kg * passed.lasting_kg + passed.independent_kg2;
        }
        let (before, after) = (self.errors(area, opening.at), self.errors(area, closing.at));
        let ticks = |step: &Step| f64::from(step.ticks.max(1));
        variance += before.independent_kg2 / ticks(opening)
            + after.independent_kg2 / ticks(closing)
            + lasting_difference_kg2(plant, &before.by_cause, &after.by_cause, apart);
        let (opening_kg, closing_kg) = (Self::mass(opening, area), Self::mass(closing, area));
        let restated = self
            .steps
            .range(opening_ix..=closing_ix)
            .any(|step| step.restated);
        if restated || !variance.is_finite() {
            return None;
        }
        let unaccounted_kg = opening_kg + received_kg - dispatched_kg - closing_kg;
        let may_be = may_be_accepted(plant) * apart.seconds();
        let excess_std_kg = libm::sqrt(variance + may_be * may_be);
        let decision_threshold_kg = ONE_SIDED_95 * excess_std_kg;
        let inside = self.steps.range(opening_ix + 1..=closing_ix);
        let present = inside
            .clone()
            .filter(|step| Self::mass(step, area).is_finite())
            .count();
        let steps = (apart.millis() / GRID.millis()).max(1);
        #[expect(clippy::cast_precision_loss, reason = "at most a few thousand steps")]
        let coverage = (present as f64 / steps as f64).min(1.0);
        let mut doubtful: Vec<VesselIx> = self
            .steps
            .range(opening_ix..=closing_ix)
            .flat_map(|step| step.doubtful.iter().copied())
            .filter(|ix| {
                plant
                    .vessel(*ix)
                    .is_some_and(|vessel| area.holds(vessel.section))
            })
            .collect();
        doubtful.sort_unstable();
        doubtful.dedup();
        Some(WindowBalance {
            over,
            from: Some(from),
            opening_kg,
            received_kg,
            dispatched_kg,
            closing_kg,
            unaccounted_kg,
            std_kg: libm::sqrt(variance),
            accepted_kg: 0.0,
            excess_kg: unaccounted_kg,
            excess_std_kg,
            decision_threshold_kg,
            detection_limit_kg: 2.0 * decision_threshold_kg,
            coverage,
            doubtful_vessels: doubtful
                .into_iter()
                .filter_map(|ix| plant.vessel(ix).map(|vessel| Id::clone(&vessel.id)))
                .collect(),
        })
    }

    /// What passed a metered line between two steps. Where the meter did not see, its mean over the
    /// rest stands in, with all of itself as uncertainty.
    pub(super) fn passed(&self, line: LineIx, (opening, closing): (usize, usize)) -> Passed {
        let mut sum = Passed::default();
        let (mut seen, mut unseen) = (0_u32, 0_u32);
        for (at, step) in (opening..=closing).zip(self.steps.range(opening..=closing)) {
            let kg = step.passed_kg.get(line.index()).copied();
            let by_mean = step.passed_by_mean_kg.get(line.index()).copied();
            let (lasting, new) = step
                .passed_std
                .get(line.index())
                .copied()
                .unwrap_or((0.0, 0.0));
            match kg.filter(|kg| kg.is_finite()) {
                Some(kg) => {
                    seen += 1;
                    // From the mean time of the first step to that of the last.
                    let part = match by_mean.filter(|by_mean| by_mean.is_finite()) {
                        Some(by_mean) if at == opening => kg - by_mean,
                        Some(by_mean) if at == closing => by_mean,
                        _ => kg,
                    };
                    let share = if at == opening || at == closing {
                        0.5
                    } else {
                        1.0
                    };
                    sum.kg += part;
                    sum.lasting_kg += share * f64::from(lasting);
                    sum.independent_kg2 += share * f64::from(new);
                }
                None => unseen += 1,
            }
        }
        // Steps of which nothing is on record were not seen either.
        if let (Some(first), Some(last)) = (self.steps.get(opening), self.steps.get(closing)) {
            let steps = (last.at - first.at).millis() / GRID.millis() + 1;
            let missing = usize::try_from(steps)
                .unwrap_or(0)
                .saturating_sub(closing + 1 - opening);
            unseen += u32::try_from(missing).unwrap_or(u32::MAX);
        }
        if unseen > 0 && seen > 0 {
            let guess = sum.kg / f64::from(seen) * f64::from(unseen);
            sum.kg += guess;
            sum.independent_kg2 += guess * guess;
        } else if unseen > 0 {
            sum.independent_kg2 = f64::INFINITY;
        }
        sum
    }

    pub(super) fn mass(step: &Step, area: &Area) -> f64 {
        area.sections
            .iter()
            .map(|section| {
                step.mass_kg
                    .get(section.index())
                    .copied()
                    .unwrap_or(f64::NAN)
            })
            .sum()
    }

    pub(super) fn errors(&self, area: &Area, at: Monotonic) -> SectionErrors {
        let nearest = self
            .tallies
            .iter()
            .min_by_key(|kept| (kept.at - at).millis().abs());
        let mut found = SectionErrors {
            independent_kg2: 0.0,
            by_cause: Vec::new(),
        };
        for section in &area.sections {
            if let Some(errors) = nearest.and_then(|kept| kept.by_section.get(section.index())) {
                found.independent_kg2 += errors.independent_kg2;
                found.by_cause.extend_from_slice(&errors.by_cause);
            }
        }
        super::tally::merge(&mut found.by_cause);
        found
    }

    /// How fast errors grow that are constant but for the contents which they are a part of: the mean
    /// square of their changes over six hours of the last day, kg2/s. A calibration tells a change of
    /// contents from the same helium in a meter only within its uncertainty.
    #[must_use]
    pub fn swing_kg2_per_s(&self, plant: &Plant, area: &Area) -> f64 {
        let Some(last) = self.tallies.back() else {
            return 0.0;
        };
        let (mut sum, mut count) = (0.0, 0.0);
        let recent = self
            .tallies
            .iter()
            .filter(|kept| last.at - kept.at <= Span::DAY);
        for after in recent {
            let earlier = |kept: &&Tallies| after.at - kept.at == OLD_TALLY_EVERY;
            let Some(before) = self.tallies.iter().find(earlier) else {
                continue;
            };
            let (before, after) = (self.errors(area, before.at), self.errors(area, after.at));
            // Nothing is forgotten at once: only what follows the contents remains.
            sum += lasting_difference_kg2(plant, &before.by_cause, &after.by_cause, Span::ZERO);
            count += 1.0;
        }
        if count > 0.0 {
            sum / count / OLD_TALLY_EVERY.seconds()
        } else {
            0.0
        }
    }

    /// How far each comparison's channel stood from its peers, over the last `over`.
    #[must_use]
    pub fn unlike(&self, number: usize, over: Span) -> Option<AreaSeries> {
        let first_ix = self.first_of(over);
        let first = self.steps.get(first_ix)?;
        let last = self.steps.back()?;
        let step_of = |at: Monotonic| at.0.div_euclid(GRID.millis());
        let count = usize::try_from(step_of(last.at) - step_of(first.at)).ok()? + 1;
        if count > KEPT {
            return None;
        }
        let mut mass_kg = vec![f64::NAN; count];
        for step in self.steps.iter().skip(first_ix) {
            let at = usize::try_from(step_of(step.at) - step_of(first.at)).ok();
            if let (Some(slot), Some(kg)) = (
                at.and_then(|at| mass_kg.get_mut(at)),
                step.unlike_kg.get(number),
            ) {
                *slot = f64::from(*kg);
            }
        }
        Some(AreaSeries {
            start_s: Span::from_millis(first.at.0).seconds(),
            mass_kg,
            outdoor_kelvin: None,
            jumps_s: Vec::new(),
            meter_std_kg_per_s: 0.0,
            walk_kg2_per_s: 0.0,
            last: (last.at, last.utc?),
        })
    }

    /// Mean flow of each metered line over the last `over`, kg/s.
    #[must_use]
    pub fn mean_flows(&self, plant: &Plant, over: Span) -> Vec<Option<f64>> {
        let from = self.first_of(over);
        (0..plant.all.line.len())
            .map(|line| {
                let (mut kg, mut steps) = (0.0, 0_u32);
                for step in self.steps.iter().skip(from) {
                    if let Some(passed) = step.passed_kg.get(line).filter(|kg| kg.is_finite()) {
                        kg += passed;
                        steps += 1;
                    }
                }
                let metered = plant.all.line.get(line)?.meter.is_some();
                (metered && steps > 0).then(|| kg / (f64::from(steps) * GRID.seconds()))
            })
            .collect()
    }

    /// What an area's errors are now: independent variance in kg2, and each lasting cause in kg.
    #[must_use]
    pub fn errors_now(&self, area: &Area) -> (f64, Vec<(Cause, f64)>) {
        let errors = self
            .steps
            .back()
            .map(|last| self.errors(area, last.at))
            .map(|errors| (errors.independent_kg2, errors.by_cause));
        errors.unwrap_or_default()
    }

    /// The book-corrected mass of an area over the last `over`; none while no step has wall time.
    #[must_use]
    #[expect(
        clippy::too_many_lines,
        reason = "one pass over the steps; what is known of each decides the next"
    )]
    pub fn series(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        over: Span,
    ) -> Option<AreaSeries> {
        let first_ix = self.first_of(over);
        let first = self.steps.get(first_ix)?;
        let last = self.steps.back()?;
        let number = |at: Monotonic| at.0.div_euclid(GRID.millis());
        let count = usize::try_from(number(last.at) - number(first.at)).ok()? + 1;
        if count > KEPT {
            return None;
        }
        let mut mass_kg = vec![f64::NAN; count];
        let mut outdoor = vec![f64::NAN; count];
        let mut jumps: Vec<usize> = Vec::new();
        let crossing = crossing(plant, area);
        // Without the entries that were over by then: they only move the whole series.
        let books = Books::of(ledger, plant, area, first.utc.map(|utc| utc - GRID));
        let half = Span::from_millis(GRID.millis() / 2);
        let (mut metered_kg, mut lasting_kg) = (0.0, vec![0.0; crossing.len()]);
        let mut walk_kg2 = 0.0;
        let mut expected = number(first.at);
        for step in self.steps.iter().skip(first_ix) {
            let Ok(at) = usize::try_from(number(step.at) - number(first.at)) else {
                continue;
            };
            let mut jumped = step.restated;
            // What flowed while nothing was recorded is not known.
            let hole = number(step.at) > expected && !crossing.is_empty();
            expected = number(step.at) + 1;
            jumped |= hole;
            // What had passed by the mean time of the step, and what passed in all of it.
            let (mut by_mean, mut in_step) = (0.0, 0.0);
            for (crossed, lasting) in crossing.iter().zip(&mut lasting_kg) {
                let ix = crossed.line.index();
                let not_shut = step.not_shut.get(ix).copied().unwrap_or(0) > 0;
                if !crossed.metered {
                    jumped |= not_shut;
                    continue;
                }
                let kg = step.passed_kg.get(ix).copied().unwrap_or(f64::NAN);
                if kg.is_finite() {
                    in_step += crossed.sign * kg;
                    by_mean +=
                        crossed.sign * step.passed_by_mean_kg.get(ix).copied().unwrap_or(kg / 2.0);
                    let (lasts, new) = step.passed_std.get(ix).copied().unwrap_or((0.0, 0.0));
                    *lasting += f64::from(lasts);
                    walk_kg2 += f64::from(new);
                } else {
                    jumped = true;
                }
            }
            jumped |= step
                .utc
                .is_some_and(|utc| books.doubtful_between(utc - GRID, utc));
            if jumped {
                jumps.push(at);
            }
            let (Some(utc), false) = (step.utc, jumped) else {
                metered_kg += in_step;
                continue;
            };
            let booked = books.net_until(utc - half);
            // What is carried forward is no measurement of a loss.
            let carried = step
                .carried
                .iter()
                .any(|ix| plant.vessel(*ix).is_some_and(|v| area.holds(v.section)));
            if let Some(slot) = mass_kg.get_mut(at).filter(|_| !carried) {
                *slot = Self::mass(step, area) - (metered_kg + by_mean) - booked;
            }
            if let Some(slot) = outdoor.get_mut(at) {
                *slot = step.outdoor_kelvin;
            }
            metered_kg += in_step;
        }
        let mut begins = 0;
        // One jump where several steps in a row are not known.
        let mut ends: Vec<usize> = Vec::new();
        for jump in jumps {
            match ends.last_mut() {
                Some(end) if jump <= *end + 1 => *end = jump,
                _ => ends.push(jump),
            }
        }
        if ends.len() > MOST_JUMPS {
            let drop = ends.len() - MOST_JUMPS;
            begins = ends.get(drop - 1).map_or(0, |end| end + 1);
            ends.drain(..drop);
        }
        let outdoors = area.sections.iter().any(|section| {
            plant.section(*section).is_some_and(|section| {
                section
                    .vessels
                    .iter()
                    .any(|ix| plant.vessel(*ix).is_some_and(|vessel| vessel.outdoors))
            })
        });
        let seconds = (last.at - first.at).seconds().max(1.0);
        let meters: f64 = lasting_kg.iter().map(|kg| kg * kg).sum();
        let time_s = |ix: usize| {
            #[expect(clippy::cast_precision_loss, reason = "at most a few thousand steps")]
            let steps = ix as f64;
            Span::from_millis(first.at.0).seconds() + steps * GRID.seconds()
        };
        Some(AreaSeries {
            start_s: time_s(begins),
            mass_kg: mass_kg.split_off(begins.min(count)),
            outdoor_kelvin: outdoors.then(|| outdoor.split_off(begins.min(count))),
            jumps_s: ends.into_iter().map(|end| time_s(end) + 1.0).collect(),
            meter_std_kg_per_s: libm::sqrt(meters) / seconds,
            walk_kg2_per_s: walk_kg2 / seconds,
            last: (last.at, last.utc?),
        })
    }
}

/// A line over the edge of an area.
struct Crossing {
    line: LineIx,
    sign: f64,
    metered: bool,
}

/// Lines between an area and other sections, and metered ones to the outside. What leaves by an
/// unmetered line to the outside is a loss.
fn crossing(plant: &Plant, area: &Area) -> Vec<Crossing> {
    (0u32..)
        .zip(&plant.all.line)
        .filter_map(|(number, line)| {
            let sign = area.sign_of(line.from, line.to)?;
            let outside = line.from == End::Outside || line.to == End::Outside;
            let metered = line.meter.is_some();
            (metered || !outside).then_some(Crossing {
                line: LineIx(number),
                sign,
                metered,
            })
        })
        .collect()
}

fn add_all(list: &mut Vec<VesselIx>, more: &[VesselIx]) {
    for vessel in more {
        if !list.contains(vessel) {
            list.push(*vessel);
        }
    }
}

fn add_to(sum: &mut (f64, u16), value: Option<f64>) {
    if let Some(value) = value.filter(|value| value.is_finite()) {
        sum.0 += value;
        sum.1 = sum.1.saturating_add(1);
    }
}

fn mean((sum, count): (f64, u16)) -> f64 {
    if count == 0 {
        f64::NAN
    } else {
        sum / f64::from(count)
    }
}

fn moved<T: Copy>(from: &[Option<usize>], old: &[T], missing: T) -> Vec<T> {
    from.iter()
        .map(|ix| ix.and_then(|ix| old.get(ix)).copied().unwrap_or(missing))
        .collect()
}
