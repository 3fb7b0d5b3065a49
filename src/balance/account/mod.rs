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

mod balance;
mod series;

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

pub use self::series::AreaSeries;
use super::tally::{Cause, Tally};
use super::window::{GRID, KEPT};
use crate::plant::{End, Passage, Plant, SectionIx, VesselIx};
use crate::time::{Monotonic, Span, Timestamp};

/// A tick later than this after the one before leaves what flowed in between unknown.
const LONGEST_HOLD: Span = Span::from_millis(120_000);

/// Errors by cause are kept this often for a day, and this often after it.
const TALLY_EVERY: Span = Span::HOUR;
const OLD_TALLY_EVERY: Span = Span::from_millis(6 * 3_600_000);
const OLDEST_TALLY: Span = Span::from_millis(30 * 86_400_000);

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
    /// Highest pressure measured in each section, Pa; none where none is.
    pub pressures: &'a [Option<f64>],
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

/// A meter's reading that differs from the one before by more than so many of its standard
/// deviations counts once the next one has confirmed it: a wrong reading is alone.
const DOUBTED_FROM: f64 = 8.0;

/// A change of flow that another reading has yet to confirm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Doubted {
    first_kg_per_s: f64,
    /// What it would add to what is counted since, kg.
    withheld_kg: f64,
    /// How long the same reading has been seen.
    held_s: f64,
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
    /// Mean of the highest pressure measured in each section, Pa; NaN where there is none.
    pub pressure_pa: Vec<f32>,
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
    pressures: Vec<(f64, u16)>,
    passed: Vec<Passed>,
    not_shut: Vec<u16>,
    unlike: Vec<(f64, u16)>,
    outdoor: (f64, u16),
    doubtful: Vec<VesselIx>,
    carried: Vec<VesselIx>,
    restated: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(in crate::balance) struct Passed {
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
    /// Vessels that were carried forward then.
    carried: Vec<VesselIx>,
    by_section: Vec<SectionErrors>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(in crate::balance) struct SectionErrors {
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
    meters: Vec<Meter>,
    /// Metered over the boundary since the beginning: in and out, kg.
    boundary_kg: (f64, f64),
}

/// A line's meter from tick to tick.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Meter {
    /// Flow at the last tick, kg/s; NaN where there was none.
    last_kg_per_s: f64,
    /// A change that the next reading has yet to confirm.
    doubted: Option<Doubted>,
    /// What it passed in the steps that are no longer kept, as far as it was seen, kg.
    gone_kg: f64,
}

impl Meter {
    /// One that has shown nothing since, and had passed so much.
    fn blind(gone_kg: f64) -> Self {
        Self {
            last_kg_per_s: f64::NAN,
            doubted: None,
            gone_kg,
        }
    }
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
        // What is carried forward errs by far more: that has its own.
        if self
            .tallies
            .back()
            .is_none_or(|last| at - last.at >= TALLY_EVERY || last.carried != tick.carried)
        {
            self.keep_tallies(plant, at, tick.carried, tally);
        }
        self.close(step, at, tick.utc.map(|utc| utc - (tick.now - at)));
        true
    }

    fn take(&mut self, plant: &Plant, tick: &AccountTick, number: i64, held: Option<Span>) {
        let open = self.open.get_or_insert_with(|| OpenStep {
            number,
            masses: vec![(0.0, 0); tick.sections.len()],
            pressures: vec![(0.0, 0); tick.pressures.len()],
            passed: vec![Passed::default(); plant.all.line.len()],
            not_shut: vec![0; plant.all.line.len()],
            unlike: vec![(0.0, 0); tick.unlike.len()],
            ..OpenStep::default()
        });
        open.ticks = open.ticks.saturating_add(1);
        for (sum, mass) in open.masses.iter_mut().zip(tick.sections) {
            add_to(sum, *mass);
        }
        for (sum, pressure) in open.pressures.iter_mut().zip(tick.pressures) {
            add_to(sum, *pressure);
        }
        for (sum, unlike) in open.unlike.iter_mut().zip(tick.unlike) {
            add_to(sum, *unlike);
        }
        add_to(&mut open.outdoor, tick.outdoor_kelvin);
        add_all(&mut open.doubtful, tick.doubtful);
        add_all(&mut open.carried, tick.carried);
        let seconds = held.filter(|held| *held <= LONGEST_HOLD).map(Span::seconds);
        self.meters.resize(plant.all.line.len(), Meter::blind(0.0));
        for (((((line, passed), not_shut), meter), flow), passage) in plant
            .all
            .line
            .iter()
            .zip(&mut open.passed)
            .zip(&mut open.not_shut)
            .zip(&mut self.meters)
            .zip(tick.flows)
            .zip(tick.passages)
        {
            if *passage != Passage::Shut {
                *not_shut = not_shut.saturating_add(1);
            }
            if line.meter.is_none() {
                continue;
            }
            let doubt = meter.doubted.take();
            match (flow, seconds) {
                // Nothing passes a shut line, whatever its meter says.
                _ if *passage == Passage::Shut => {}
                (Some(flow), Some(seconds)) => {
                    let before = if meter.last_kg_per_s.is_finite() {
                        meter.last_kg_per_s
                    } else {
                        flow.kg_per_s
                    };
                    let changed = flow.kg_per_s - before;
                    let (kg, still) = confirmed(flow, before, seconds, doubt);
                    meter.doubted = still;
                    passed.kg += kg;
                    passed.lasting_kg += flow.lasting_std * seconds;
                    // A reading stands for the time between two of them, and when the flow changed
                    // in between nobody has seen.
                    let stands_s = flow.every.seconds().max(seconds);
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
            meter.last_kg_per_s = flow.map_or(f64::NAN, |flow| flow.kg_per_s);
        }
    }

    fn close(&mut self, step: OpenStep, at: Monotonic, utc: Option<Timestamp>) {
        if self.steps.len() == KEPT
            && let Some(gone) = self.steps.pop_front()
        {
            for (meter, kg) in self.meters.iter_mut().zip(&gone.passed_kg) {
                meter.gone_kg += seen(*kg);
            }
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
        let short = |sums: &[(f64, u16)]| {
            #[expect(clippy::cast_possible_truncation, reason = "it needs no more digits")]
            let means = sums.iter().map(|sum| mean(*sum) as f32).collect();
            means
        };
        self.steps.push_back(Step {
            at,
            utc,
            mass_kg: step.masses.iter().map(|sum| mean(*sum)).collect(),
            pressure_pa: short(&step.pressures),
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
            unlike_kg: short(&step.unlike),
            outdoor_kelvin: mean(step.outdoor),
            ticks: step.ticks,
            doubtful: step.doubtful,
            carried: step.carried,
            restated: step.restated,
        });
    }

    fn keep_tallies(
        &mut self,
        plant: &Plant,
        at: Monotonic,
        carried: &[VesselIx],
        tally: impl Fn(SectionIx) -> Tally,
    ) {
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
        self.tallies.push_back(Tallies {
            at,
            carried: carried.to_vec(),
            by_section,
        });
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
            step.pressure_pa = moved(&sections, &step.pressure_pa, f32::NAN);
            step.passed_kg = moved(&lines, &step.passed_kg, f64::NAN);
            step.passed_by_mean_kg = moved(&lines, &step.passed_by_mean_kg, f64::NAN);
            step.passed_std = moved(&lines, &step.passed_std, (0.0, 0.0));
            step.not_shut = moved(&lines, &step.not_shut, step.ticks);
            step.unlike_kg = Vec::new();
            step.doubtful = Vec::new();
            step.carried = Vec::new();
        }
        let gone: Vec<Meter> = self
            .meters
            .iter()
            .map(|old| Meter::blind(old.gone_kg))
            .collect();
        self.meters = moved(&lines, &gone, Meter::blind(0.0));
        self.tallies.clear();
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
}

/// What passed since the last tick as far as it is confirmed, kg, and what is still to be: a large
/// change counts once another reading agrees with it rather than with the flow before it.
fn confirmed(
    flow: &Flow,
    before: f64,
    seconds: f64,
    doubt: Option<Doubted>,
) -> (f64, Option<Doubted>) {
    let now = flow.kg_per_s;
    let mean = |from: f64| 0.5 * (from + now) * seconds;
    let Some(mut doubt) = doubt else {
        let large = (now - before).abs() > DOUBTED_FROM * flow.independent_std;
        let doubted = large.then(|| Doubted {
            first_kg_per_s: before,
            withheld_kg: mean(before) - before * seconds,
            held_s: 0.0,
        });
        return match doubted {
            Some(_) => (before * seconds, doubted),
            None => (mean(before), None),
        };
    };
    let first = doubt.first_kg_per_s;
    if (now - first).abs() < (now - before).abs() {
        // It went back: a wrong reading.
        return (mean(first), None);
    }
    doubt.held_s += seconds;
    doubt.withheld_kg += mean(before) - first * seconds;
    // Until the meter is read anew, a tick only sees the same reading again.
    let same = now.total_cmp(&before).is_eq() && doubt.held_s < flow.every.seconds();
    if same {
        (first * seconds, Some(doubt))
    } else {
        (first * seconds + doubt.withheld_kg, None)
    }
}

/// What of it counts: what was not seen is not known.
fn seen(kg: f64) -> f64 {
    if kg.is_finite() { kg } else { 0.0 }
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
