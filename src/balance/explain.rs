//! What could be behind a loss: hypotheses held side by side against every trace at once.
//!
//! A leak, a drifting transmitter and a meter that reads wrong leave different marks: a leak shows
//! in the plant's mass and in its own area's; a drift shows there too, but the instrument also
//! leaves its peers; a meter's error shows in two areas with opposite signs and not in the plant. So
//! each hypothesis is a direction in the space of the traces' changes, its size is fitted by
//! generalised least squares, and what it takes away of the chi-square of "nothing happened" is its
//! evidence. Bends (something goes on) and jumps (something happened once) are tried in the same way
//! and compared by the same figure, since both are one column on top of the same fit.
//!
//! A hypothesis with a larger possible size must explain more to be as credible: its evidence is
//! the marginal likelihood under a normal prior of the size. Hypotheses within a likelihood ratio of
//! twenty of the leading one are not told apart by the measurements and stand in one group.
//!
//! The traces' covariance: each one is whitened by its own noise, and what is left is correlated from
//! trace to trace as it was before the onset. A change is a column in every trace, whitened alike, so
//! all of them together are one generalised least-squares fit. Where even the best hypothesis leaves more than chance
//! would, all uncertainties are enlarged (Birge 1932).
//!
//! **Source** generalised likelihood ratio for leaks and biases: Narasimhan and Mah 1987; signatures
//! and equivalent sets: Narasimhan and Jordache 2000; marginal likelihood: Jeffreys 1939.

use super::area::Area;
use super::forms::{Form, likeliest, try_changes};
use super::hole::{self, Hole, HoleFit};
use super::inventory::VesselMass;
use super::isolation::Proof;
use super::least_squares::count;
use super::linear::{Cholesky, dot};
use super::report::{Explanation, Hypothesis, HypothesisGroup, HypothesisKind};
use super::series::LossSettings;
use super::suppose::{Place, Supposed};
use super::trace::{Based, Change, Trace, TraceOf, common, correlations};
use super::unlike::Comparison;
use super::whiten::DAY_S;
use crate::plant::{Plant, VesselIx};
use crate::time::Timestamp;

/// Half of the difference of explained chi-square below which two hypotheses are not told apart: a
/// likelihood ratio of twenty.
pub(super) const TOLD_APART: f64 = 3.0;
/// A hypothesis of less weight is not worth naming.
const LEAST_WEIGHT: f64 = 0.01;
/// Groups that a report names.
const MOST_GROUPS: usize = 5;
/// A hole is looked for so long before a steady loss would have begun, s.
const HOLE_BEFORE_S: f64 = 3.0 * DAY_S;

/// What an explanation rests on.
pub(super) struct Evidence<'a> {
    pub plant: &'a Plant,
    /// The plant first; then all areas but the least certain, and the comparisons.
    pub traces: Vec<Trace<'a>>,
    pub areas: &'a [Area],
    pub comparisons: &'a [Comparison],
    pub masses: &'a [VesselMass],
    /// Holes in sections whose pressure moved since the loss began.
    pub holes: &'a [Hole],
    /// When the loss began, s, with its band.
    pub onset_s: (f64, f64, f64),
    /// The trace that the onset was found in.
    pub leading: TraceOf,
    /// Changes of mode on record: when, s, and of which vessel.
    pub modes: &'a [(f64, VesselIx)],
    /// What areas lost by themselves since the loss began.
    pub proofs: &'a [Proof],
    /// Mean flow of each metered line, kg/s.
    pub flows: &'a [Option<f64>],
    /// Turns the continuous time into wall time.
    pub utc_at: &'a dyn Fn(f64) -> Option<Timestamp>,
}

/// What is tried in every trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Tried {
    /// From then on something is lost steadily.
    Bend,
    /// Something was lost at once.
    Jump,
    /// From then on thermometers lag.
    Lag,
    /// From then on something is lost through a hole, by its number.
    Through(usize),
}

/// The changes of all traces in one form at one time.
pub(super) struct Changes {
    pub tried: Tried,
    pub at_s: f64,
    /// Products of the traces' changes, row by row: information of sizes, and agreement with the data.
    /// Sizes are kg/day of a bend, kg of a jump; positive where helium seems lost.
    information: Vec<f64>,
    agreement: Vec<f64>,
}

/// A fitted hypothesis.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fitting {
    pub size: f64,
    pub std: f64,
    pub explained: f64,
}

impl Evidence<'_> {
    /// Weighs the hypotheses; none when the traces cannot be fitted.
    pub fn explain(&self) -> Option<Explanation> {
        let bases: Vec<Based> = self
            .traces
            .iter()
            .map(|trace| Based::new(trace, self.onset_s.0))
            .collect::<Option<_>>()?;
        let correlation = Cholesky::new(&correlations(&bases), bases.len())?;
        let mut changes = vec![self.changes(&bases, &correlation, Tried::Bend, self.onset_s.0)];
        let leading = bases
            .iter()
            .find(|base| base.trace.of == self.leading)
            .or(bases.first())?;
        if let Some(jump) = self.best_jump(&bases, leading) {
            changes.push(self.changes(&bases, &correlation, Tried::Jump, jump));
        }
        for &(at_s, _) in self.modes {
            changes.push(self.changes(&bases, &correlation, Tried::Jump, at_s));
        }
        if bases
            .iter()
            .any(|base| base.trace.series.warming().is_some())
        {
            let at_s = self.onset_s.0;
            changes.push(self.changes(&bases, &correlation, Tried::Lag, at_s));
        }
        for (number, hole) in self.holes.iter().enumerate() {
            let at_s = self.best_onset(leading, hole);
            let through = Tried::Through(number);
            changes.push(self.changes(&bases, &correlation, through, at_s));
        }
        let mut supposed = self.supposed(&changes);
        let mut fitted: Vec<Fitting> = supposed
            .iter()
            .filter_map(|one| Some(changes.get(one.form)?.fit(&one.direction)))
            .collect();
        enlarge(&changes, &supposed, &mut fitted);
        // What stood is over, or taken out of the series: whatever is named now would be chance.
        let most = fitted.iter().fold(0.0_f64, |m, fit| m.max(fit.explained));
        if most < 2.0 * TOLD_APART {
            return None;
        }
        let mut logs: Vec<f64> = supposed
            .iter()
            .zip(&fitted)
            .map(|(one, fit)| libm::log(one.prior) + fit.log_evidence(one.likely))
            .collect();
        let mut excluded = self.judge_holes(&mut supposed, &fitted, &mut logs);
        excluded.extend(self.judge_isolations(&changes, &mut supposed, &mut fitted, &mut logs));
        let groups = self.weigh(&changes, &supposed, &fitted, &logs);
        Some(Explanation { groups, excluded })
    }

    /// The time at which a jump explains a trace best: the leading one's at any time since the loss, the
    /// others' near its beginning, since the leading one may not know of it (what came or went at once
    /// is taken out of the plant's mass). Every step is tried, and then parts of one: a jump that is off by
    /// little explains little, since it shows in one or two innovations.
    fn best_jump(&self, bases: &[Based], leading: &Based) -> Option<f64> {
        let (_, from, to) = self.onset_s;
        let best = |base: &Based, times: &[f64]| {
            likeliest(&try_changes(
                &base.series(),
                &base.fitted,
                Form::Jump,
                times,
            ))
        };
        let found = bases.iter().filter_map(|base| {
            let window = base.series();
            let leads = base.trace.of == leading.trace.of;
            let latest = if leads {
                f64::INFINITY
            } else {
                to + DAY_S / 2.0
            };
            let all: Vec<f64> = (1..window.mass_kg.len().saturating_sub(1))
                .map(|at| window.time_s(at))
                .filter(|at_s| (from - DAY_S / 2.0..=latest).contains(at_s))
                .collect();
            Some((base, best(base, &all)?))
        });
        let (base, near) = found.max_by(|a, b| a.1.gain.total_cmp(&b.1.gain))?;
        let window = base.series();
        let around: Vec<f64> = (-7..=7)
            .map(|eighths| near.at_s + f64::from(eighths) / 8.0 * window.step_s)
            .filter(|at_s| *at_s >= window.time_s(1))
            .collect();
        best(base, &around).map(|best| best.at_s)
    }

    /// The time at which the leading trace has a leak through a hole begin. The onset known is that of a
    /// steady loss, and of one that grew it comes late.
    fn best_onset(&self, leading: &Based, hole: &Hole) -> f64 {
        let (at, from, to) = self.onset_s;
        let (from, to) = (from - HOLE_BEFORE_S, to + DAY_S / 2.0);
        likeliest(&leading.begun_between(hole, (from, to))).map_or(at, |best| best.at_s)
    }

    fn changes(&self, bases: &[Based], correlation: &Cholesky, tried: Tried, at_s: f64) -> Changes {
        let change = |base: &Based| match tried {
            Tried::Bend => base.change(Form::Bend, at_s),
            Tried::Jump => base.change(Form::Jump, at_s),
            Tried::Lag => base.lag(at_s),
            Tried::Through(number) => base.through(self.holes.get(number), at_s),
        };
        let found: Vec<(&Based, Change)> = bases.iter().map(|base| (base, change(base))).collect();
        let mut information = Vec::with_capacity(found.len() * found.len());
        let mut agreement = vec![0.0; found.len()];
        for (i, ((_, one), agrees)) in found.iter().zip(&mut agreement).enumerate() {
            let weights = correlation.inverse_column(i);
            for (j, ((base, other), weight)) in found.iter().zip(weights).enumerate() {
                // With itself the fit knows them exactly, what was known beforehand included.
                let (with_other, with_data) = if i == j {
                    let information = one.fitted.variance.recip();
                    (information, one.fitted.change / one.fitted.variance)
                } else {
                    let with = |values| common(&one.left, values);
                    (with(&other.left), with(&base.residuals))
                };
                information.push(weight * with_other);
                *agrees += weight * with_data;
            }
        }
        Changes {
            tried,
            at_s,
            information,
            agreement,
        }
    }

    /// Holds the holes in an area against a steady loss from it. Together they are one hypothesis, a leak
    /// there, told by the form that explains it best; one section by itself once the loss went with its
    /// pressure. Gives what the pressures rule out where a leak is credible.
    fn judge_holes(
        &self,
        supposed: &mut [Supposed],
        fitted: &[Fitting],
        logs: &mut [f64],
    ) -> Vec<String> {
        let mut said = Vec::new();
        for area in self.areas {
            let leak = HypothesisKind::Leak {
                sections: self.sections(area),
            };
            let of_area: Vec<usize> = (0..supposed.len())
                .filter(|ix| supposed.get(*ix).is_some_and(|one| one.kind == leak))
                .collect();
            let steady = of_area
                .iter()
                .copied()
                .find(|ix| supposed.get(*ix).is_some_and(|one| one.hole.is_none()));
            let Some(steady) = steady.filter(|_| of_area.len() > 1) else {
                continue;
            };
            let half = |ix: usize| fitted.get(ix).map_or(0.0, |fit| 0.5 * fit.explained);
            let fits: Vec<HoleFit> = of_area
                .iter()
                .filter_map(|ix| {
                    let hole = self.holes.get(supposed.get(*ix)?.hole?)?;
                    Some(HoleFit {
                        hole,
                        explains: half(*ix),
                        steady_explains: half(steady),
                    })
                })
                .collect();
            let words = hole::words(self.plant, area, &fits);
            let log = |ix: usize| logs.get(ix).copied().unwrap_or(f64::NEG_INFINITY);
            let Some(best) = of_area
                .iter()
                .copied()
                .max_by(|a, b| log(*a).total_cmp(&log(*b)))
            else {
                continue;
            };
            let total: f64 = of_area
                .iter()
                .map(|ix| libm::exp(log(*ix) - log(best)))
                .sum();
            let together = log(best) + libm::log(total);
            for &ix in &of_area {
                if let Some(log) = logs.get_mut(ix) {
                    *log = if ix == best {
                        together
                    } else {
                        f64::NEG_INFINITY
                    };
                }
            }
            said.push((best, words));
            let went = fits
                .iter()
                .filter(|fit| fit.goes_with())
                .max_by(|a, b| a.explains.total_cmp(&b.explains));
            if let Some(one) = supposed.get_mut(best)
                && let Some(section) = went.map(|fit| fit.hole.section)
                && let Some(kind) = hole::leak_of(self.plant, section)
                && one.hole.is_some()
            {
                one.kind = kind;
                one.place = Place::Sections(vec![section]);
            }
        }
        let log = |ix: usize| logs.get(ix).copied().unwrap_or(f64::NEG_INFINITY);
        let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        said.retain(|(best, _)| log(*best) > most - TOLD_APART);
        said.into_iter().flat_map(|(_, words)| words).collect()
    }

    fn weigh(
        &self,
        changes: &[Changes],
        supposed: &[Supposed],
        fitted: &[Fitting],
        logs: &[f64],
    ) -> Vec<HypothesisGroup> {
        let most = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = logs.iter().map(|log| libm::exp(log - most)).sum();
        let mut order: Vec<usize> = (0..logs.len()).collect();
        let log = |ix: usize| logs.get(ix).copied().unwrap_or(f64::NEG_INFINITY);
        order.sort_by(|a, b| log(*b).total_cmp(&log(*a)));
        let explained = |ix: usize| fitted.get(ix).map_or(0.0, |fit| fit.explained);
        let mut groups: Vec<(usize, HypothesisGroup)> = Vec::new();
        for ix in order {
            let (Some(one), Some(fit)) = (supposed.get(ix), fitted.get(ix)) else {
                continue;
            };
            let weight = libm::exp(log(ix) - most) / total;
            // A meter may read too little or too much.
            let either = matches!(one.kind, HypothesisKind::Meter { .. });
            if weight < LEAST_WEIGHT || (fit.size <= 0.0 && !either) {
                continue;
            }
            let Some(change) = changes.get(one.form) else {
                continue;
            };
            let per = match change.tried {
                Tried::Bend | Tried::Through(_) => DAY_S,
                Tried::Jump | Tried::Lag => 1.0,
            };
            let hypothesis = Hypothesis {
                kind: one.kind.clone(),
                weight,
                explained: fit.explained,
                size: fit.size / per,
                std: fit.std / per,
                since: (self.utc_at)(change.at_s),
            };
            let near = |leader: usize| (explained(leader) - fit.explained).abs() / 2.0 < TOLD_APART;
            if let Some((_, group)) = groups.iter_mut().find(|(leader, _)| near(*leader)) {
                group.weight += weight;
                group.hypotheses.push(hypothesis);
            } else if groups.len() < MOST_GROUPS {
                let group = HypothesisGroup {
                    weight,
                    hypotheses: vec![hypothesis],
                    separate: Vec::new(),
                    isolation_tests: Vec::new(),
                };
                groups.push((ix, group));
            }
        }
        groups.sort_by(|a, b| b.1.weight.total_cmp(&a.1.weight));
        groups.into_iter().map(|(_, group)| group).collect()
    }
}

/// A comparison has no loss to accept; it may wander by this much of itself.
pub(super) fn alike() -> LossSettings {
    LossSettings {
        accepted_std_kg_per_s: 0.05 / DAY_S,
        ..LossSettings::default()
    }
}

pub(super) fn share(of: f64, among: usize) -> f64 {
    of / count(among.max(1))
}

impl Fitting {
    /// Logarithm of the marginal likelihood over that of "nothing happened", for a size that is
    /// normal around zero with that standard deviation beforehand.
    fn log_evidence(&self, likely: f64) -> f64 {
        let (own, prior) = (self.std * self.std, likely * likely);
        0.5 * self.explained * prior / (prior + own) - 0.5 * libm::log1p(prior / own)
    }
}

impl Changes {
    fn fit(&self, direction: &[f64]) -> Fitting {
        let information: f64 = self
            .information
            .chunks_exact(self.agreement.len())
            .zip(direction)
            .map(|(row, share)| share * dot(row, direction))
            .sum();
        let score = dot(&self.agreement, direction);
        if !(information > 0.0 && score.is_finite()) {
            return Fitting {
                size: 0.0,
                std: f64::INFINITY,
                explained: 0.0,
            };
        }
        Fitting {
            size: score / information,
            std: 1.0 / libm::sqrt(information),
            explained: score * score / information,
        }
    }

    /// Chi-square that a change of its own size in each trace explains.
    fn chi_square(&self) -> f64 {
        Cholesky::new(&self.information, self.agreement.len()).map_or(0.0, |factor| {
            dot(&factor.solve(&self.agreement), &self.agreement)
        })
    }
}

/// Enlarges the uncertainties when even the best hypothesis leaves more than chance would of what changes
/// of its form, of any size in each trace, explain.
fn enlarge(changes: &[Changes], supposed: &[Supposed], fitted: &mut [Fitting]) {
    let left = supposed
        .iter()
        .zip(fitted.iter())
        .max_by(|a, b| a.1.explained.total_cmp(&b.1.explained))
        .and_then(|(best, fit)| Some((changes.get(best.form)?, fit.explained)))
        .map(|(form, best)| {
            let free = form.agreement.len().saturating_sub(1);
            (form.chi_square() - best, free)
        })
        .filter(|(_, free)| *free > 0);
    let Some((left, free)) = left else {
        return;
    };
    let factor = left * share(1.0, free);
    if factor > 1.0 {
        for fit in fitted {
            fit.explained /= factor;
            fit.std *= libm::sqrt(factor);
        }
    }
}
