//! The meters and the inventories of a plant held against each other over the last day.
//!
//! One balance for each area that metered or shut lines part from the rest (see [`super::area`]):
//! what its meters brought in, less what they took out, plus what was booked, less the growth of its
//! inventory, less its part of the accepted loss, is nothing. How these are made to close is in
//! [`super::reconcile`].
//!
//! **What is measured.** What passed each metered line between two areas or over the boundary, with
//! the noise and the calibration of its meter; the growth of each area's inventory, in which lasting
//! errors cancel as far as they last, and which two areas share as far as they share a cause; what
//! the books say. A boundary meter that was dead, or was not looked at, for part of the time is left
//! open.
//!
//! **The accepted loss** is known of the whole plant only. That all of it may be any one area's is
//! the least that can be said of its parts: each has the mean `L / n`, and they have the covariance
//! `(L^2 + s^2) d - L^2 / n^2`, with `d = 1 / n` for a part with itself and 0 otherwise, so that they
//! add up to `L ± s`. Whichever area has all of it, that alone brings the weighted sum of squares to
//! `n - 1` at the most, which is below its mean.
//!
//! **A leak is no variable**: the balances are not forced to close on one. It stays as a residual of
//! its area, beyond the accepted loss, and shows in the area's own test and as a suspect. A suspect
//! is what alone would explain the most. What has the same effect on every balance is told as one
//! set: a loss from an area and an error of its inventory always are.
//!
//! **Where it fails.** A meter's error and a leak smaller than the meters' calibration; errors of
//! instruments that several areas share, beyond what is stated of them, show as suspects of one or
//! several areas.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::account::{Accounts, SectionErrors, Step};
use super::area::{Area, areas};
use super::books::Books;
use super::ledger::Ledger;
use super::reconcile::{
    Alternative, BalanceIx, Classification, Estimate, Hypothesis, Network, NetworkError,
    Reconciled, Settings, Suspect, VariableIx,
};
use super::tally::{lasting_covariance_kg2, lasting_difference_kg2};
use super::window::GRID;
use crate::plant::{End, Id, LineIx, Plant};
use crate::time::{Span, Timestamp};

/// Meters and inventories are held against each other over this time.
pub const RECONCILED_OVER: Span = Span::DAY;

/// One day in a hundred is called inconsistent by chance; at the 5 % of VDI 2048 it would be one in
/// twenty, too often for what is looked at every day.
pub const RECONCILED_LEVEL: f64 = 0.01;

/// Meters and areas of a plant, reconciled over one stretch of time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reconciliation {
    /// From.
    pub from: Timestamp,
    /// To.
    pub to: Timestamp,
    /// Metered lines between areas or over the boundary, in the order of the description, without
    /// those that were shut all the time.
    pub lines: Vec<ReconciledLine>,
    /// The areas.
    pub areas: Vec<ReconciledArea>,
    /// Weighted sum of squares of all corrections.
    pub chi_square: f64,
    /// Balances among what was measured.
    pub degrees_of_freedom: u32,
    /// What the sum exceeds at the level's rate when nothing is wrong.
    pub limit: f64,
    /// Probability of such a sum or a greater one when nothing is wrong.
    pub p_value: f64,
    /// What a single test may reach, in standard deviations.
    pub single_limit: f64,
    /// Probability that the test of all speaks though nothing is wrong, and that one of the single
    /// tests does.
    pub level: f64,
    /// What does not fit, the plainest first.
    pub suspects: Vec<SuspectSet>,
}

/// A mass with its standard uncertainty, kg.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Kilograms {
    /// kg.
    pub kg: f64,
    /// kg.
    pub std_kg: f64,
}

/// What passed a metered line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReconciledLine {
    /// The line.
    pub line: Id,
    /// As metered, positive in the line's direction; none when its meter did not see all.
    pub measured: Option<Kilograms>,
    /// As reconciled; none when the balances do not determine it.
    pub reconciled: Option<Kilograms>,
    /// Reconciled less measured, kg.
    pub correction_kg: f64,
    /// Correction in its own standard deviations; none where no balance checks the meter.
    pub test: Option<f64>,
    /// Whether its meter is a suspect.
    pub suspect: bool,
}

/// An area's balance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReconciledArea {
    /// Ids of its sections.
    pub sections: Vec<Id>,
    /// Growth of its inventory as measured; none when a vessel has no mass.
    pub growth: Option<Kilograms>,
    /// The same as reconciled.
    pub reconciled_growth: Option<Kilograms>,
    /// Received less dispatched by the books, kg.
    pub booked_kg: f64,
    /// What is missing beyond its part of the accepted loss; none when something of it was not
    /// measured.
    pub residual: Option<Kilograms>,
    /// Residual in its own standard uncertainties.
    pub test: Option<f64>,
    /// Whether it is a suspect.
    pub suspect: bool,
}

/// What does not fit: one of its members, which nothing measured tells apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SuspectSet {
    /// A loss first, then meters, books and inventories.
    pub members: Vec<SuspectMember>,
    /// How plain it is, in standard deviations.
    pub statistic: f64,
    /// What would fit less well, but not so much that it is ruled out at 95 %.
    pub close: Vec<SuspectMember>,
}

/// One thing that may be wrong.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SuspectMember {
    /// What.
    pub what: SuspectKind,
    /// How much it would be; see [`SuspectKind`] for the sign.
    pub size: Kilograms,
}

/// What may be wrong. Areas are positions in [`Reconciliation::areas`].
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum SuspectKind {
    /// The area lost helium that was neither metered, booked nor accepted; below zero it gained.
    Loss(u32),
    /// The meter of the line passed less than it says.
    Meter(Id),
    /// Less came into the area than is booked.
    Books(u32),
    /// The area's inventory grew less than it reads.
    Inventory(u32),
}

impl Reconciliation {
    /// Reconciles the last `over`. None when the plant is one area all that time, when there is not
    /// that much history, when the reckoning changed in it, or when nothing can be checked.
    #[must_use]
    pub fn of(
        plant: &Plant,
        ledger: &Ledger,
        accounts: &Accounts,
        over: Span,
        settings: &Settings,
    ) -> Option<Self> {
        let stretch = Stretch::of(plant, accounts, over)?;
        let drawn = stretch.draw(ledger).ok()?;
        let found = drawn.network.reconcile(settings).ok()?;
        stretch.report(&drawn, &found)
    }

    /// Whether everything fits within its uncertainty.
    #[must_use]
    pub fn agrees(&self) -> bool {
        self.chi_square <= self.limit
    }
}

/// The time looked at, and its areas.
struct Stretch<'a> {
    plant: &'a Plant,
    accounts: &'a Accounts,
    /// Positions of the steps at its ends.
    ends: (usize, usize),
    opening: &'a Step,
    closing: &'a Step,
    from: Timestamp,
    to: Timestamp,
    /// Some of it was not recorded at all.
    holes: bool,
    areas: Vec<Area>,
}

/// What stands for what in the network.
#[derive(Default)]
struct Drawn {
    network: Network,
    balances: Vec<BalanceIx>,
    lines: Vec<(Id, VariableIx)>,
    growths: Vec<VariableIx>,
    booked_kg: Vec<f64>,
    kinds: BTreeMap<Hypothesis, SuspectKind>,
}

/// Errors of an area's inventory at both ends.
type EndErrors = (SectionErrors, SectionErrors);

impl<'a> Stretch<'a> {
    fn of(plant: &'a Plant, accounts: &'a Accounts, over: Span) -> Option<Self> {
        let ends = ends(accounts, over)?;
        let (first, last) = ends;
        let (opening, closing) = (accounts.steps().get(first)?, accounts.steps().get(last)?);
        let all = first..last + 1;
        if accounts
            .steps()
            .range(all.clone())
            .any(|step| step.restated)
        {
            return None;
        }
        let areas = areas(plant, |line| {
            accounts.open_share(plant, line, all.clone()) > 0.0
        });
        let steps = (closing.at - opening.at).millis() / GRID.millis();
        (areas.len() > 1).then_some(Self {
            plant,
            accounts,
            ends,
            opening,
            closing,
            from: opening.utc?,
            to: closing.utc?,
            holes: i64::try_from(last - first) != Ok(steps),
            areas,
        })
    }

    fn apart(&self) -> Span {
        self.closing.at - self.opening.at
    }

    fn draw(&self, ledger: &Ledger) -> Result<Drawn, NetworkError> {
        let mut drawn = Drawn::default();
        for (number, area) in (0u32..).zip(&self.areas) {
            let balance = drawn.network.balance(&area.id(self.plant), 0.0)?;
            drawn.balances.push(balance);
            let leak = Hypothesis::Leak(balance);
            drawn.kinds.insert(leak, SuspectKind::Loss(number));
        }
        self.draw_lines(&mut drawn)?;
        self.draw_growths(&mut drawn)?;
        self.draw_books(&mut drawn, ledger)?;
        self.draw_accepted(&mut drawn)?;
        Ok(drawn)
    }

    fn draw_lines(&self, drawn: &mut Drawn) -> Result<(), NetworkError> {
        let (first, last) = self.ends;
        for (number, line) in (0u32..).zip(&self.plant.all.line) {
            let [from, to] = [line.from, line.to].map(|end| self.area_at(end));
            if line.meter.is_none() || from == to {
                continue;
            }
            let ix = LineIx(number);
            let passed = self.accounts.passed(ix, self.ends);
            let variance = passed.lasting_kg * passed.lasting_kg + passed.independent_kg2;
            let unseen = self.accounts.open_share(self.plant, ix, first..last + 1) > 0.0;
            let name = format!("line {}", line.id);
            let variable = if (unseen && self.holes) || !variance.is_finite() {
                drawn.network.unmeasured(&name)?
            } else if variance == 0.0 && passed.kg == 0.0 {
                continue;
            } else {
                let std = libm::sqrt(variance);
                drawn.network.measured(&name, passed.kg, std)?
            };
            let balance = |at: Option<usize>| at.and_then(|at| drawn.balances.get(at)).copied();
            let (from, to) = (balance(from), balance(to));
            drawn.network.flow(variable, from, to)?;
            drawn.lines.push((Id::clone(&line.id), variable));
            drawn.kinds.insert(
                Hypothesis::Bias(variable),
                SuspectKind::Meter(Id::clone(&line.id)),
            );
        }
        Ok(())
    }

    fn area_at(&self, end: End) -> Option<usize> {
        let End::Section(section) = end else {
            return None;
        };
        self.areas.iter().position(|area| area.holds(section))
    }

    fn draw_growths(&self, drawn: &mut Drawn) -> Result<(), NetworkError> {
        let apart = self.apart();
        let ticks = |step: &Step| f64::from(step.ticks.max(1));
        let mut measured: Vec<(VariableIx, EndErrors)> = Vec::new();
        for ((number, area), balance) in (0u32..).zip(&self.areas).zip(&drawn.balances) {
            let errors = (
                self.accounts.errors(self.plant, area, self.opening),
                self.accounts.errors(self.plant, area, self.closing),
            );
            let (before, after) = (&errors.0, &errors.1);
            let variance = before.independent_kg2 / ticks(self.opening)
                + after.independent_kg2 / ticks(self.closing)
                + lasting_difference_kg2(self.plant, &before.by_cause, &after.by_cause, apart);
            let growth = Accounts::mass(self.closing, area) - Accounts::mass(self.opening, area);
            let name = format!("growth of {}", area.id(self.plant));
            let variable = if growth.is_finite() && variance.is_finite() {
                let std = libm::sqrt(variance);
                let variable = drawn.network.measured(&name, growth, std)?;
                measured.push((variable, errors));
                variable
            } else {
                drawn.network.unmeasured(&name)?
            };
            drawn.network.change(variable, *balance)?;
            drawn.growths.push(variable);
            drawn
                .kinds
                .insert(Hypothesis::Bias(variable), SuspectKind::Inventory(number));
        }
        for (at, (a, errors)) in measured.iter().enumerate() {
            for (b, others) in measured.iter().skip(at + 1) {
                let shared = lasting_covariance_kg2(
                    self.plant,
                    (&errors.0.by_cause, &errors.1.by_cause),
                    (&others.0.by_cause, &others.1.by_cause),
                    apart,
                );
                if shared != 0.0 {
                    drawn.network.covariance(*a, *b, shared)?;
                }
            }
        }
        Ok(())
    }

    fn draw_books(&self, drawn: &mut Drawn, ledger: &Ledger) -> Result<(), NetworkError> {
        let half = Span::from_millis(GRID.millis() / 2);
        let (from, to) = (self.from - half, self.to - half);
        for ((number, area), balance) in (0u32..).zip(&self.areas).zip(&drawn.balances) {
            let booked = Books::of(ledger, self.plant, area, Some(from)).between(from, to);
            let net = booked.net_kg();
            drawn.booked_kg.push(net);
            if net == 0.0 && booked.variance_kg2 == 0.0 {
                continue;
            }
            let name = format!("booked into {}", area.id(self.plant));
            let std = libm::sqrt(booked.variance_kg2);
            let variable = drawn.network.measured(&name, net, std)?;
            drawn.network.flow(variable, None, Some(*balance))?;
            drawn
                .kinds
                .insert(Hypothesis::Bias(variable), SuspectKind::Books(number));
        }
        Ok(())
    }

    fn draw_accepted(&self, drawn: &mut Drawn) -> Result<(), NetworkError> {
        let accepted = self.plant.site.accepted_loss;
        let seconds = self.apart().seconds();
        let (whole, std) = (accepted.value.si() * seconds, accepted.std * seconds);
        let squares = whole * whole + std * std;
        if squares == 0.0 {
            return Ok(());
        }
        #[expect(clippy::cast_precision_loss, reason = "areas are few")]
        let count = self.areas.len() as f64;
        let shared = whole * whole / (count * count);
        let own = libm::sqrt((squares / count - shared).max(0.0));
        let mut parts: Vec<VariableIx> = Vec::new();
        for (area, balance) in self.areas.iter().zip(&drawn.balances) {
            let name = format!("accepted loss of {}", area.id(self.plant));
            let part = drawn.network.measured(&name, whole / count, own)?;
            drawn.network.flow(part, Some(*balance), None)?;
            for other in parts.iter().filter(|_| shared > 0.0) {
                drawn.network.covariance(*other, part, -shared)?;
            }
            parts.push(part);
        }
        Ok(())
    }

    fn report(&self, drawn: &Drawn, found: &Reconciled) -> Option<Reconciliation> {
        let global = found.global?;
        let suspects: Vec<SuspectSet> = found
            .likelihood_ratio_search()
            .suspects
            .iter()
            .map(|suspect| set(drawn, suspect))
            .collect();
        let suspected = |ask: &dyn Fn(&SuspectKind) -> bool| {
            suspects
                .iter()
                .flat_map(|set| &set.members)
                .any(|member| ask(&member.what))
        };
        let lines = drawn
            .lines
            .iter()
            .filter_map(|(line, variable)| {
                let result = found.variable(*variable)?;
                let checked = result.classification == Classification::Redundant;
                Some(ReconciledLine {
                    line: Id::clone(line),
                    measured: result.measured.map(kilograms),
                    reconciled: result.reconciled.map(kilograms),
                    correction_kg: result.correction,
                    test: result.test.filter(|_| checked),
                    suspect: suspected(
                        &|what| matches!(what, SuspectKind::Meter(id) if id == line),
                    ),
                })
            })
            .collect();
        let areas = (0u32..)
            .zip(&self.areas)
            .zip(&drawn.balances)
            .zip(drawn.growths.iter().zip(&drawn.booked_kg))
            .filter_map(|(((number, area), balance), (growth, booked_kg))| {
                let (balance, growth) = (found.balance(*balance)?, found.variable(*growth)?);
                Some(ReconciledArea {
                    sections: area.section_ids(self.plant).map(Id::from).collect(),
                    growth: growth.measured.map(kilograms),
                    reconciled_growth: growth.reconciled.map(kilograms),
                    booked_kg: *booked_kg,
                    residual: balance.residual.map(kilograms),
                    test: balance.test,
                    suspect: suspected(&|what| match what {
                        SuspectKind::Loss(at)
                        | SuspectKind::Books(at)
                        | SuspectKind::Inventory(at) => *at == number,
                        SuspectKind::Meter(_) => false,
                    }),
                })
            })
            .collect();
        Some(Reconciliation {
            from: self.from,
            to: self.to,
            lines,
            areas,
            chi_square: global.statistic,
            degrees_of_freedom: u32::try_from(global.degrees_of_freedom).ok()?,
            limit: global.limit,
            p_value: global.p_value,
            single_limit: found.individual_limit,
            level: found.level,
            suspects,
        })
    }
}

/// The steps at the ends: those at which every section has a mass, else any with a time.
fn ends(accounts: &Accounts, over: Span) -> Option<(usize, usize)> {
    let steps = accounts.steps();
    let last = steps.back()?.at;
    let slack = (over.millis() / 7).max(GRID.millis());
    let nearest = |usable: &dyn Fn(&Step) -> bool| {
        let closing = steps.iter().rposition(usable)?;
        let closing_at = steps.get(closing)?.at;
        if (last - closing_at).millis() > slack {
            return None;
        }
        let off = |step: &Step| (closing_at - step.at - over).millis().abs();
        let (opening, off) = (0..closing)
            .filter_map(|ix| steps.get(ix).map(|step| (ix, step)))
            .filter(|(_, step)| usable(step))
            .map(|(ix, step)| (ix, off(step)))
            .min_by_key(|(_, off)| *off)?;
        (off <= slack).then_some((opening, closing))
    };
    let dated = |step: &Step| step.utc.is_some();
    nearest(&|step| dated(step) && step.mass_kg.iter().all(|kg| kg.is_finite()))
        .or_else(|| nearest(&dated))
}

/// A suspect with all that has the same effect. A part of the accepted loss is none of its own: that
/// an area loses more is said by its loss.
fn set(drawn: &Drawn, suspect: &Suspect) -> SuspectSet {
    let named = |one: &Alternative| {
        let what = drawn.kinds.get(&one.hypothesis)?.clone();
        let size = kilograms(one.size);
        Some(SuspectMember { what, size })
    };
    let own = Alternative {
        hypothesis: suspect.hypothesis,
        size: suspect.size,
    };
    let sorted = |list: &mut dyn Iterator<Item = &Alternative>| {
        let mut members: Vec<SuspectMember> = list.filter_map(named).collect();
        members.sort_by(|a, b| a.what.cmp(&b.what));
        members
    };
    SuspectSet {
        members: sorted(&mut std::iter::once(&own).chain(&suspect.equivalent)),
        statistic: suspect.statistic,
        close: sorted(&mut suspect.close.iter()),
    }
}

fn kilograms(estimate: Estimate) -> Kilograms {
    Kilograms {
        kg: estimate.value,
        std_kg: estimate.std,
    }
}
