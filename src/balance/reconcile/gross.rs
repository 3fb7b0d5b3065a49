//! The search for gross errors: which meter is biased, which section loses, which shared cause is
//! off, one after another until what is left fits.
//!
//! In units of their own scatter the residuals of the balances are `w`, independent, of unit
//! variance, and a gross error of size `d` adds `d g` to them. The likelihood ratio of one error
//! against none is `(g w)^2 / (g g)`, its size `(g w) / (g g)`. When the error with the greatest
//! ratio has been taken, what it can explain is taken out of `w` and of all other `g`, and the rest
//! is searched; in the end the sizes are estimated together (collective compensation).
//!
//! Two errors with parallel `g` are one statement: no reading of this network can tell them apart.
//! They are reported as one group, each with the size it would have.
//!
//! **Source** Narasimhan and Mah 1987, AIChE J. 33, 1514 (generalised likelihood ratio); Ripps 1965
//! (serial elimination, from memory); Keller, Darouach and Krzakala 1994 (collective compensation,
//! from memory); Bagajewicz and Jiang 1998 (equivalent sets, from memory).

use super::network::{BalanceIx, CauseIx, Network, VariableIx};
use super::result::{Estimate, GlobalTest, LikelihoodRatio, Reconciled};
use super::solve::{individual_limit, length};
use crate::balance::distribution::chi_square_limit;
use crate::balance::linear::{Cholesky, dot};

/// Part of a squared length below which a direction lies in others, and squared sine of the angle
/// below which two are one.
const PARALLEL: f64 = 1e-9;
/// Ratios nearer than this are equal, and the first one in the order of the network is taken.
const TIE: f64 = 1e-9;
/// Probability with which the true one of two explanations fits this much worse than the other.
const CLOSE: f64 = 0.05;

/// One gross error.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hypothesis {
    /// A variable reads too much, in its unit.
    Bias(VariableIx),
    /// A balance loses something, in its unit.
    Leak(BalanceIx),
    /// A shared cause of error is off, in its standard uncertainties.
    Cause(CauseIx),
}

impl Hypothesis {
    /// In words, such as `leak of string 2`.
    #[must_use]
    pub fn words(self, network: &Network) -> String {
        match self {
            Self::Bias(variable) => format!("bias of {}", network.variable_name(variable)),
            Self::Leak(balance) => format!("leak of {}", network.balance_name(balance)),
            Self::Cause(cause) => format!("error of {}", network.cause_name(cause)),
        }
    }
}

/// What one gross error of size 1 does to the whitened residuals.
#[derive(Debug, Clone)]
pub(super) struct Signature {
    pub hypothesis: Hypothesis,
    pub direction: Vec<f64>,
}

impl Signature {
    pub(super) fn new(hypothesis: Hypothesis, direction: Vec<f64>) -> Self {
        Self {
            hypothesis,
            direction,
        }
    }

    /// Whether any balance sees it.
    pub(super) fn seen(&self) -> bool {
        self.direction.iter().any(|x| *x != 0.0)
    }

    pub(super) fn ratio(&self, whitened: &[f64]) -> Option<LikelihoodRatio> {
        let std = 1.0 / length(&self.direction);
        std.is_finite().then(|| {
            let statistic = dot(&self.direction, whitened) * std;
            LikelihoodRatio {
                size: Estimate {
                    value: statistic * std,
                    std,
                },
                statistic,
            }
        })
    }
}

/// Another explanation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alternative {
    /// What.
    pub hypothesis: Hypothesis,
    /// The size it would have, the other suspects as they are.
    pub size: Estimate,
}

/// A gross error that was found, and what else it may be.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspect {
    /// The first of its group, in the order of the network.
    pub hypothesis: Hypothesis,
    /// Its size, estimated together with all suspects.
    pub size: Estimate,
    /// Square root of the likelihood ratio when it was taken, with the sign of the size.
    pub statistic: f64,
    /// Its equivalents: no reading of this network tells them apart. Only another meter, or a
    /// section divided, does.
    pub equivalent: Vec<Alternative>,
    /// What fits nearly as well: told apart by the readings, but not at 95 %.
    pub close: Vec<Alternative>,
}

/// What a search found.
#[derive(Debug, Clone, PartialEq)]
pub struct Search {
    /// In the order they were taken; none when all fits.
    pub suspects: Vec<Suspect>,
    /// What a likelihood ratio's root had to exceed; the serial elimination goes by the global
    /// test instead.
    pub limit: f64,
    /// The global test of what the suspects leave; none when they use up all redundancy.
    pub rest: Option<GlobalTest>,
}

impl Reconciled {
    /// Leaves out one measurement after another, each time the one whose removal lowers the
    /// weighted sum of squares most, until the global test accepts the rest or nothing is left to
    /// test.
    #[must_use]
    pub fn serial_elimination(&self) -> Search {
        self.search(
            |hypothesis| matches!(hypothesis, Hypothesis::Bias(_)),
            |search, _| search.rest.is_none_or(|rest| rest.accepted()),
        )
    }

    /// Takes one bias, leak or shared cause after another, each time the one with the greatest
    /// likelihood ratio, until none exceeds its limit.
    #[must_use]
    pub fn likelihood_ratio_search(&self) -> Search {
        self.search(|_| true, |search, statistic| statistic <= search.limit)
    }

    fn search(
        &self,
        admitted: impl Fn(Hypothesis) -> bool,
        enough: impl Fn(&Search, f64) -> bool,
    ) -> Search {
        let candidates: Vec<&Signature> = self
            .signatures
            .iter()
            .filter(|s| s.seen() && admitted(s.hypothesis))
            .collect();
        let mut left: Vec<Vec<f64>> = candidates.iter().map(|s| s.direction.clone()).collect();
        let mut residual = self.whitened.clone();
        let mut search = Search {
            suspects: Vec::new(),
            limit: individual_limit(
                self.level,
                groups(
                    &candidates
                        .iter()
                        .map(|s| &s.direction[..])
                        .collect::<Vec<_>>(),
                ),
            ),
            rest: self.global,
        };
        let mut taken: Vec<usize> = Vec::new();
        let margin = chi_square_limit(CLOSE, 1.0);
        while taken.len() < self.whitened.len() {
            let ratios: Vec<f64> = candidates
                .iter()
                .zip(&left)
                .map(|(s, left)| statistic(s, left, &residual))
                .collect();
            let mut best: Option<(usize, f64)> = None;
            for (at, ratio) in ratios.iter().enumerate() {
                if ratio.abs() > best.map_or(0.0, |(_, b)| b.abs() * (1.0 + TIE)) {
                    best = Some((at, *ratio));
                }
            }
            let Some((best, found)) = best else { break };
            if enough(&search, found.abs()) {
                break;
            }
            let (Some(signature), Some(direction)) =
                (candidates.get(best), left.get(best).cloned())
            else {
                break;
            };
            let close = ratios
                .iter()
                .enumerate()
                .filter(|&(at, ratio)| {
                    let other = left.get(at).map_or(&[][..], Vec::as_slice);
                    at != best
                        && *ratio != 0.0
                        && found * found - ratio * ratio < margin
                        && !parallel(&direction, other)
                })
                .filter_map(|(at, ratio)| {
                    let std = 1.0 / length(left.get(at)?);
                    Some(Alternative {
                        hypothesis: candidates.get(at)?.hypothesis,
                        size: Estimate {
                            value: ratio * std,
                            std,
                        },
                    })
                })
                .collect();
            search.suspects.push(Suspect {
                hypothesis: signature.hypothesis,
                size: Estimate {
                    value: 0.0,
                    std: 0.0,
                },
                statistic: found,
                equivalent: Vec::new(),
                close,
            });
            taken.push(best);
            take_out(&direction, &mut residual);
            for other in &mut left {
                take_out(&direction, other);
            }
            search.rest = GlobalTest::new(
                dot(&residual, &residual),
                self.whitened.len() - taken.len(),
                self.level,
            );
        }
        self.size_up(&candidates, &taken, &mut search.suspects);
        search
    }

    /// Sizes of all suspects together, and of what may stand in each one's place.
    fn size_up(&self, candidates: &[&Signature], taken: &[usize], suspects: &mut [Suspect]) {
        let directions = |places: &[usize]| -> Vec<&[f64]> {
            places
                .iter()
                .filter_map(|&at| Some(candidates.get(at)?.direction.as_slice()))
                .collect()
        };
        let together = collective(&directions(taken), &self.whitened);
        for (k, (suspect, size)) in suspects.iter_mut().zip(together).enumerate() {
            suspect.size = size;
            let mut own = candidates
                .iter()
                .map(|s| s.direction.clone())
                .collect::<Vec<_>>();
            for (other, &at) in taken.iter().enumerate() {
                let Some(direction) = own.get(at).cloned().filter(|_| other != k) else {
                    continue;
                };
                for (signature, left) in candidates.iter().zip(&mut own) {
                    take_out(&direction, left);
                    if dot(left, left) <= PARALLEL * dot(&signature.direction, &signature.direction)
                    {
                        left.fill(0.0);
                    }
                }
            }
            let Some(mine) = taken.get(k).and_then(|&at| own.get(at)) else {
                continue;
            };
            for (at, (signature, left)) in candidates.iter().zip(&own).enumerate() {
                if taken.contains(&at) || !parallel(mine, left) {
                    continue;
                }
                let mut places = taken.to_vec();
                if let Some(place) = places.get_mut(k) {
                    *place = at;
                }
                let sizes = collective(&directions(&places), &self.whitened);
                suspect
                    .equivalent
                    .extend(sizes.get(k).map(|&size| Alternative {
                        hypothesis: signature.hypothesis,
                        size,
                    }));
            }
        }
    }
}

/// Signed root of the likelihood ratio in what is left of a direction; nothing when it lies in
/// those taken before.
fn statistic(signature: &Signature, left: &[f64], residual: &[f64]) -> f64 {
    let squared = dot(left, left);
    if squared <= PARALLEL * dot(&signature.direction, &signature.direction) {
        return 0.0;
    }
    dot(left, residual) / libm::sqrt(squared)
}

/// Takes out of `x` what lies along `direction`; twice, against rounding.
fn take_out(direction: &[f64], x: &mut [f64]) {
    let squared = dot(direction, direction);
    if squared <= 0.0 {
        return;
    }
    for _ in 0..2 {
        let along = dot(direction, x) / squared;
        for (x, d) in x.iter_mut().zip(direction) {
            *x -= along * d;
        }
    }
}

/// Whether two directions are one, forth or back.
fn parallel(a: &[f64], b: &[f64]) -> bool {
    let squared = dot(b, b);
    if dot(a, a) <= 0.0 || squared <= 0.0 {
        return false;
    }
    let mut across = b.to_vec();
    take_out(a, &mut across);
    dot(&across, &across) <= PARALLEL * squared
}

/// How many different statements the directions are.
pub(super) fn groups(directions: &[&[f64]]) -> usize {
    let mut found: Vec<&[f64]> = Vec::new();
    for &direction in directions {
        if !found.iter().any(|known| parallel(known, direction)) {
            found.push(direction);
        }
    }
    found.len()
}

/// Sizes by least squares, all at once.
fn collective(directions: &[&[f64]], whitened: &[f64]) -> Vec<Estimate> {
    let n = directions.len();
    let mut gram = Vec::with_capacity(n * n);
    for a in directions {
        gram.extend(directions.iter().map(|b| dot(a, b)));
    }
    let right: Vec<f64> = directions.iter().map(|g| dot(g, whitened)).collect();
    let Some(cholesky) = Cholesky::new(&gram, n) else {
        return Vec::new();
    };
    cholesky
        .solve(&right)
        .into_iter()
        .enumerate()
        .map(|(i, value)| Estimate {
            value,
            std: libm::sqrt(cholesky.variance(i)),
        })
        .collect()
}
