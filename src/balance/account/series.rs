//! An area's mass, or a comparison, on the ten-minute grid: what a rate is fitted to.

use super::{Accounts, Step, seen};
use crate::balance::area::Area;
use crate::balance::books::Books;
use crate::balance::ledger::Ledger;
use crate::balance::tally::{Cause, constant_kg2, slow_kg2_s};
use crate::balance::window::{GRID, KEPT};
use crate::plant::{End, LineIx, Plant, SectionIx};
use crate::time::{Monotonic, Span, Timestamp};

/// No calibration is surer than this, nor is that of a meter which has passed nothing yet.
const LEAST_RELATIVE_STD: f64 = 1e-3;

/// Jumps that one series may hold; a busier one begins after the last but so many.
const MOST_JUMPS: usize = 8;

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
    /// What its meters let in, what they let out, and what stayed; empty without meters.
    pub metered: Vec<Metered>,
    /// Largest relative standard uncertainty of a meter's calibration: a change of the flow is known
    /// no better.
    pub meter_gain: f64,
    /// Noise of its meters that is new at every reading: summed up it wanders, by this much squared
    /// a second, kg2/s.
    pub walk_kg2_per_s: f64,
    /// What its instruments are stated to add to slow noise, kg2 s (see [`slow_kg2_s`]).
    pub slow_kg2_s: f64,
    /// Last step by both clocks.
    pub last: (Monotonic, Timestamp),
}

/// What the meters of an area let pass: what their calibrations are wrong by follows it. What stayed is
/// held against the contents, whose own calibration shows in it.
#[derive(Debug, Clone, PartialEq)]
pub struct Metered {
    /// On the grid, from any beginning, kg.
    pub passed_kg: Vec<f64>,
    /// Relative standard uncertainty of that from calibrations.
    pub relative_std: f64,
}

impl Metered {
    fn new(course: impl Iterator<Item = f64>, relative_std: f64) -> Self {
        Self {
            passed_kg: course.collect(),
            relative_std: relative_std.max(LEAST_RELATIVE_STD),
        }
    }
}

impl Accounts {
    /// The last `over` as a stretch of the grid; none without a step, or when it spans more than is
    /// kept.
    fn stretch(&self, over: Span) -> Option<Stretch<'_>> {
        let from = self.first_of(over);
        let (first, last) = (self.steps.get(from)?, self.steps.back()?);
        let stretch = Stretch {
            from,
            first,
            last,
            count: 0,
        };
        let count = stretch.position(last) + 1;
        (count <= KEPT).then_some(Stretch { count, ..stretch })
    }

    /// How far each comparison's channel stood from its peers, over the last `over`.
    #[must_use]
    pub fn unlike(&self, number: usize, over: Span) -> Option<AreaSeries> {
        let last = self.steps.back()?;
        let (start_s, mass_kg) = self.on_grid(over, |step| step.unlike_kg.get(number))?;
        Some(AreaSeries {
            start_s,
            mass_kg,
            outdoor_kelvin: None,
            jumps_s: Vec::new(),
            metered: Vec::new(),
            meter_gain: 0.0,
            walk_kg2_per_s: 0.0,
            slow_kg2_s: 0.0,
            last: (last.at, last.utc?),
        })
    }

    /// Pressures of a section over the last `over` on the grid, Pa, NaN where there is none, with the end
    /// of the first step, s of continuous time.
    #[must_use]
    pub fn pressures(&self, section: SectionIx, over: Span) -> Option<(f64, Vec<f64>)> {
        self.on_grid(over, |step| step.pressure_pa.get(section.index()))
    }

    /// Something of each step over the last `over` on the grid, NaN where there is none, with the end of
    /// the first step, s of continuous time.
    fn on_grid<'a>(
        &'a self,
        over: Span,
        of: impl Fn(&'a Step) -> Option<&'a f32>,
    ) -> Option<(f64, Vec<f64>)> {
        let stretch = self.stretch(over)?;
        let mut found = vec![f64::NAN; stretch.count];
        for step in self.steps.iter().skip(stretch.from) {
            if let (Some(slot), Some(value)) = (found.get_mut(stretch.position(step)), of(step)) {
                *slot = f64::from(*value);
            }
        }
        Some((Span::from_millis(stretch.first.at.0).seconds(), found))
    }

    /// Mean flow of each metered line over the last `over`, kg/s.
    #[must_use]
    pub fn mean_flows(&self, plant: &Plant, over: Span) -> Vec<Option<f64>> {
        let steps = self.first_of(over)..self.steps.len();
        (0u32..)
            .zip(&plant.all.line)
            .map(|(number, line)| {
                line.meter.as_ref()?;
                let (kg, _) = self.usual(LineIx(number), steps.clone())?;
                Some(kg / GRID.seconds())
            })
            .collect()
    }

    /// What an area's errors are now: independent variance in kg2, and each lasting cause in kg.
    #[must_use]
    pub fn errors_now(&self, plant: &Plant, area: &Area) -> (f64, Vec<(Cause, f64)>) {
        let errors = self
            .steps
            .back()
            .map(|last| self.errors(plant, area, last))
            .map(|errors| (errors.independent_kg2, errors.by_cause));
        errors.unwrap_or_default()
    }

    /// What had passed each crossing before a step, as far as it was seen, kg. The sum is the same
    /// however many steps are still kept.
    fn passed_before(&self, crossing: &[Crossing], step: usize) -> Vec<f64> {
        let of = |line: LineIx| {
            let gone_kg = self.meters.get(line.index()).map_or(0.0, |m| m.gone_kg);
            let kept = self.steps.iter().take(step);
            let kept = kept.filter_map(|step| step.passed_kg.get(line.index()));
            kept.fold(gone_kg, |sum, kg| sum + seen(*kg))
        };
        crossing.iter().map(|crossed| of(crossed.line)).collect()
    }

    /// The book-corrected mass of an area over the last `over`; none while no step has wall time.
    #[must_use]
    pub fn series(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        over: Span,
    ) -> Option<AreaSeries> {
        let stretch = self.stretch(over)?;
        let (first, last, count) = (stretch.first, stretch.last, stretch.count);
        let mut mass_kg = vec![f64::NAN; count];
        let mut outdoor = vec![f64::NAN; count];
        let mut jumps: Vec<usize> = Vec::new();
        let crossing = crossing(plant, area);
        let books = Books::of(ledger, plant, area, None);
        let mut net_booked = books.net();
        let half = Span::from_millis(GRID.millis() / 2);
        // Of each meter: what its calibration makes uncertain, and what passed either way, kg.
        let mut by_meter = vec![(0.0, 0.0); crossing.len()];
        let mut passed_kg = [vec![f64::NAN; count], vec![f64::NAN; count]];
        let mut walk_kg2 = 0.0;
        let mut expected = 0;
        let mut so_far = self.passed_before(&crossing, stretch.from);
        for step in self.steps.iter().skip(stretch.from) {
            let at = stretch.position(step);
            let mut jumped = step.restated;
            // What flowed while nothing was recorded is not known.
            let hole = at > expected && !crossing.is_empty();
            expected = at + 1;
            jumped |= hole;
            let crossed = Crossed::of(step, &crossing, &mut so_far, &mut by_meter);
            jumped |= crossed.unseen;
            walk_kg2 += crossed.walk_kg2;
            let by_mean = crossed.by_mean_kg;
            jumped |= step
                .utc
                .is_some_and(|utc| books.doubtful_between(utc - GRID, utc));
            if jumped {
                jumps.push(at);
            }
            let (Some(utc), false) = (step.utc, jumped) else {
                continue;
            };
            let booked = net_booked.up_to(utc - half);
            // What is carried forward is no measurement of a loss.
            let carried = step
                .carried
                .iter()
                .any(|ix| plant.vessel(*ix).is_some_and(|v| area.holds(v.section)));
            if let Some(slot) = mass_kg.get_mut(at).filter(|_| !carried) {
                let [inwards, outwards] = by_mean;
                *slot = Self::mass(step, area) - (inwards - outwards) - booked;
            }
            for (course, kg) in passed_kg.iter_mut().zip(by_mean) {
                if let Some(slot) = course.get_mut(at) {
                    *slot = kg;
                }
            }
            if let Some(slot) = outdoor.get_mut(at) {
                *slot = step.outdoor_kelvin;
            }
        }
        let (begins, ends) = ends_of(&jumps);
        let errors = self.errors(plant, area, last).by_cause;
        let outdoors = area.vessels(plant).any(|vessel| vessel.outdoors);
        let seconds = (last.at - first.at).seconds().max(1.0);
        let gains = by_meter.iter().filter(|(_, passed)| *passed > 0.0);
        let metered = if crossing.iter().any(|crossed| crossed.metered) {
            let [inwards, outwards] = passed_kg.map(|course| course.into_iter().skip(begins));
            let net = inwards.clone().zip(outwards.clone()).map(|(a, b)| a - b);
            let meters = |sign| relative_std(&crossing, &by_meter, sign);
            vec![
                Metered::new(inwards, meters(1.0)),
                Metered::new(outwards, meters(-1.0)),
                Metered::new(
                    net,
                    relative_to(Self::mass(last, area), constant_kg2(plant, &errors)),
                ),
            ]
        } else {
            Vec::new()
        };
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
            metered,
            meter_gain: gains
                .map(|(lasting, passed)| lasting / passed)
                .fold(0.0, f64::max),
            walk_kg2_per_s: walk_kg2 / seconds,
            slow_kg2_s: slow_kg2_s(plant, &errors),
            last: (last.at, last.utc?),
        })
    }
}

/// A stretch of the ten-minute grid, on which steps may be missing.
struct Stretch<'a> {
    /// Position of its first step among all.
    from: usize,
    first: &'a Step,
    last: &'a Step,
    /// Steps of the grid in it, missing ones too.
    count: usize,
}

impl Stretch<'_> {
    /// Place of a step on the grid, from its first.
    fn position(&self, step: &Step) -> usize {
        let number = |at: Monotonic| at.0.div_euclid(GRID.millis());
        usize::try_from(number(step.at) - number(self.first.at)).unwrap_or(0)
    }
}

/// What passed an area's edge in a step.
#[derive(Default)]
struct Crossed {
    /// In and out, by the step's mean time, since the beginning, kg.
    by_mean_kg: [f64; 2],
    /// Some of it was not seen.
    unseen: bool,
    /// Variance of what is new in it, kg2.
    walk_kg2: f64,
}

impl Crossed {
    /// Of a step. What has passed so far, and what calibrations make uncertain and what passed either
    /// way, are added up by meter, kg.
    fn of(
        step: &Step,
        crossing: &[Crossing],
        so_far: &mut [f64],
        by_meter: &mut [(f64, f64)],
    ) -> Self {
        let mut found = Self::default();
        for ((crossed, so_far), (lasting, passed)) in crossing.iter().zip(so_far).zip(by_meter) {
            let ix = crossed.line.index();
            if !crossed.metered {
                found.unseen |= step.not_shut.get(ix).copied().unwrap_or(0) > 0;
                continue;
            }
            let kg = step.passed_kg.get(ix).copied().unwrap_or(f64::NAN);
            if !kg.is_finite() {
                found.unseen = true;
                continue;
            }
            let of_it = step.passed_by_mean_kg.get(ix).copied().unwrap_or(kg / 2.0);
            let [inwards, outwards] = &mut found.by_mean_kg;
            *if crossed.sign > 0.0 {
                inwards
            } else {
                outwards
            } += *so_far + of_it;
            *so_far += kg;
            let (lasts, new) = step.passed_std.get(ix).copied().unwrap_or((0.0, 0.0));
            *lasting += f64::from(lasts);
            *passed += kg.abs();
            found.walk_kg2 += f64::from(new);
        }
        found
    }
}

/// Relative standard uncertainty of a mass, from its variance.
fn relative_to(mass_kg: f64, variance_kg2: f64) -> f64 {
    let relative = libm::sqrt(variance_kg2) / mass_kg.abs().max(1.0);
    if relative.is_finite() { relative } else { 0.0 }
}

/// Relative standard uncertainty of what the meters of one direction let pass.
fn relative_std(crossing: &[Crossing], by_meter: &[(f64, f64)], sign: f64) -> f64 {
    let (mut variance, mut all_kg) = (0.0, 0.0);
    for (crossed, (lasting, passed)) in crossing.iter().zip(by_meter) {
        if crossed.sign * sign > 0.0 {
            variance += lasting * lasting;
            all_kg += passed;
        }
    }
    if all_kg > 0.0 {
        libm::sqrt(variance) / all_kg
    } else {
        0.0
    }
}

/// Where the series begins, and the ends of its jumps: one jump where several steps in a row are not
/// known.
fn ends_of(jumps: &[usize]) -> (usize, Vec<usize>) {
    let mut ends: Vec<usize> = Vec::new();
    for jump in jumps {
        match ends.last_mut() {
            Some(end) if *jump <= *end + 1 => *end = *jump,
            _ => ends.push(*jump),
        }
    }
    let drop = ends.len().saturating_sub(MOST_JUMPS);
    let begins = drop
        .checked_sub(1)
        .and_then(|last| ends.get(last))
        .map_or(0, |end| end + 1);
    ends.drain(..drop);
    (begins, ends)
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
