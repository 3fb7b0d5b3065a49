//! Which areas there were, and the balance of each.

use super::{Accounts, Passed, SectionErrors, Step};
use crate::balance::area::{Area, areas};
use crate::balance::books::Books;
use crate::balance::judgement::difference_kg2;
use crate::balance::ledger::Ledger;
use crate::balance::losses::may_be_accepted;
use crate::balance::noise::NoiseModel;
use crate::balance::report::WindowBalance;
use crate::balance::tally::{lasting_difference_kg2, merge};
use crate::balance::window::{GRID, ONE_SIDED_95, grid_steps};
use crate::plant::{Id, LineIx, Plant, VesselIx};
use crate::time::{Span, Timestamp};

/// A line that was open for less of a stretch than this is a jump in it, not a joint.
const BRIEFLY: f64 = 0.05;

/// Metered lines over the edge of an area, with +1 where they bring helium in and -1 where they take it out.
fn metered_across(plant: &Plant, area: &Area) -> impl Iterator<Item = (LineIx, f64)> {
    let lines = (0u32..).map(LineIx).zip(&plant.all.line);
    lines
        .filter(|(_, line)| line.meter.is_some())
        .filter_map(|(ix, line)| Some((ix, area.sign_of(line.from, line.to)?)))
}

impl Accounts {
    /// Whether helium may have passed a line unseen between two steps, and for what part of them.
    pub(in crate::balance) fn open_share(
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

    /// The ends of the last `over`; none when there is not so much history.
    pub(in crate::balance) fn ends_of(&self, over: Span) -> Option<(Timestamp, Timestamp)> {
        let (first, last) = (self.steps.get(self.first_of(over))?, self.steps.back()?);
        let apart = last.at - first.at >= over - GRID;
        first.utc.zip(last.utc).filter(|_| apart)
    }

    /// What passed the metered lines across an area's edge between two times on record, kg.
    pub(in crate::balance) fn passed_between(
        &self,
        plant: &Plant,
        area: &Area,
        from: Timestamp,
        to: Timestamp,
    ) -> Vec<(LineIx, f64)> {
        let steps = self.steps_between(from, to);
        let ends = (steps.start, steps.end.saturating_sub(1));
        metered_across(plant, area)
            .map(|(line, _)| (line, self.passed(line, ends).kg))
            .collect()
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
    /// helium passed its edge unseen. `noise` is what was found in its data, if anything was.
    #[must_use]
    pub fn balance(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        over: Span,
        noise: Option<&NoiseModel>,
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
        self.between(plant, ledger, area, (opening, closing), over, noise)
    }

    /// The balance of an area between two times on record; none when one of them is not.
    #[must_use]
    pub fn balance_between(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        (from, to): (Timestamp, Timestamp),
        noise: Option<&NoiseModel>,
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
            .then(|| self.between(plant, ledger, area, (opening, closing), to - from, noise))
            .flatten()
    }

    fn between(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        area: &Area,
        (opening_ix, closing_ix): (usize, usize),
        over: Span,
        noise: Option<&NoiseModel>,
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
        let mut propagated = 0.0;
        for (line, sign) in metered_across(plant, area) {
            let passed = self.passed(line, (opening_ix, closing_ix));
            let signed = sign * passed.kg;
            if signed >= 0.0 {
                received_kg += signed;
            } else {
                dispatched_kg -= signed;
            }
            variance += passed.lasting_kg * passed.lasting_kg;
            propagated += passed.independent_kg2;
        }
        let [before, after] = [opening, closing].map(|step| self.errors(plant, area, step));
        let ticks = |step: &Step| f64::from(step.ticks.max(1));
        propagated += before.independent_kg2 / ticks(opening)
            + after.independent_kg2 / ticks(closing)
            + lasting_difference_kg2(plant, &before.by_cause, &after.by_cause, apart);
        // As for the plant: what is stated of the instruments or what their data show, the larger.
        let shown = noise.map_or(0.0, |noise| difference_kg2(noise, apart));
        variance += propagated.max(shown);
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
    /// rest and over the day before stands in, with all of itself as uncertainty, and as much as it went
    /// up and down: a meter that happened to show nothing is no proof that nothing passed.
    pub(in crate::balance) fn passed(
        &self,
        line: LineIx,
        (opening, closing): (usize, usize),
    ) -> Passed {
        let mut sum = Passed::default();
        let mut unseen = 0_u32;
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
        if unseen > 0 {
            // Nobody knows where the meter saw nothing for a day before either.
            let from = opening.saturating_sub(grid_steps(Span::DAY));
            let usual = self.usual(line, from..closing + 1);
            let (mean, mean_square) = usual.unwrap_or((0.0, f64::INFINITY));
            let unseen = f64::from(unseen);
            sum.kg += mean * unseen;
            sum.independent_kg2 += mean_square * unseen * unseen;
        }
        sum
    }

    /// What passes a metered line in a step: the mean and the mean square over some steps, kg and kg2;
    /// none where the meter saw nothing in all of them.
    pub(super) fn usual(&self, line: LineIx, steps: std::ops::Range<usize>) -> Option<(f64, f64)> {
        let (mut kg, mut kg2, mut seen) = (0.0, 0.0, 0.0);
        for step in self.steps.range(steps) {
            let passed = step.passed_kg.get(line.index()).copied();
            if let Some(passed) = passed.filter(|kg| kg.is_finite()) {
                kg += passed;
                kg2 += passed * passed;
                seen += 1.0;
            }
        }
        (seen > 0.0).then(|| (kg / seen, kg2 / seen))
    }

    pub(in crate::balance) fn mass(step: &Step, area: &Area) -> f64 {
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

    /// The errors of an area at a step: those kept nearest to it, of a time when the same vessels were
    /// carried forward if there was one.
    pub(in crate::balance) fn errors(
        &self,
        plant: &Plant,
        area: &Area,
        step: &Step,
    ) -> SectionErrors {
        let here = |ix: &&VesselIx| {
            let vessel = plant.vessel(**ix);
            vessel.is_some_and(|vessel| area.holds(vessel.section))
        };
        let alike = |kept: &[VesselIx]| {
            kept.iter().filter(here).all(|ix| step.carried.contains(ix))
                && step.carried.iter().filter(here).all(|ix| kept.contains(ix))
        };
        let nearest = self.tallies.iter().min_by_key(|kept| {
            let unlike = !alike(&kept.carried);
            (unlike, (kept.at - step.at).millis().abs())
        });
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
        merge(&mut found.by_cause);
        found
    }
}
