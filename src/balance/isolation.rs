//! Tests by isolation: while valves part an area from its neighbours, what it loses is its own.
//!
//! What was found so since a loss began is held against every hypothesis, and parts a leak in an area
//! into leaks in its parts. A valve that is called shut may pass, so no test is believed altogether.
//!
//! **Source** likelihood of a normal error and of a mixture: textbook. How often a test tells nothing:
//! common practice, no source.

use serde::{Deserialize, Serialize};

use super::account::Accounts;
use super::area::Area;
use super::explain::{Changes, Evidence, Fitting, Tried, share};
use super::ledger::Ledger;
use super::report::HypothesisKind;
use super::suppose::{Place, Supposed};
use super::whiten::DAY_S;
use crate::plant::{Plant, SectionIx};
use crate::time::{Span, Timestamp};

/// Lengths of an isolation that are proposed, and looked back over, h.
pub(super) const HOURS: [u16; 7] = [2, 4, 8, 12, 24, 48, 72];

/// Isolations that are remembered.
const MOST: usize = 16;

/// One test in so many tells nothing: a valve passed, or an instrument was wrong.
const TELLS_NOTHING: f64 = 0.02;

/// Uncertainties beyond which a loss is said to be there, or not to be.
const CLEAR: f64 = 3.0;

/// A stretch of time in which an area was by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Isolation {
    area: Area,
    from: Timestamp,
    to: Timestamp,
}

/// What was by itself, and when.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Isolations {
    known: Vec<Isolation>,
}

/// What an area lost by itself.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Proof {
    pub area: Area,
    pub over: Span,
    lost_kg: f64,
    std_kg: f64,
}

impl Isolations {
    /// Notes that an area is by itself, which it is not for good.
    pub fn note(&mut self, plant: &Plant, accounts: &Accounts, area: &Area) {
        let parted = |hours: &u16| {
            let over = Span::from_seconds(3600.0 * f64::from(*hours));
            accounts.parted(plant, area, over)
        };
        let Some((from, to)) = HOURS.iter().map_while(parted).last() else {
            return;
        };
        let same = |known: &&mut Isolation| known.area == *area && known.to >= from;
        if let Some(known) = self.known.iter_mut().find(same) {
            known.from = known.from.min(from);
            known.to = to;
            return;
        }
        if self.known.len() == MOST {
            self.known.remove(0);
        }
        self.known.push(Isolation {
            area: area.clone(),
            from,
            to,
        });
    }

    /// Forgets all, since sections may have become others.
    pub fn clear(&mut self) {
        self.known.clear();
    }

    /// What was found since a time, as the ledger has it now.
    pub fn since(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        accounts: &Accounts,
        since: Timestamp,
    ) -> Vec<Proof> {
        let proof = |one: &Isolation| {
            let ends = (one.from, one.to);
            let balance = accounts.balance_between(plant, ledger, &one.area, ends, None)?;
            (balance.excess_std_kg > 0.0).then(|| Proof {
                area: one.area.clone(),
                over: balance.over,
                lost_kg: balance.excess_kg,
                std_kg: balance.excess_std_kg,
            })
        };
        let after = self.known.iter().filter(|one| one.from >= since);
        after.filter_map(proof).collect()
    }
}

impl Proof {
    /// Logarithm of the likelihood of what was lost over that if nothing were, when so much is expected.
    fn speaks(&self, (expected_kg, std_kg): (f64, f64)) -> f64 {
        let own = self.std_kg * self.std_kg;
        let variance = own + std_kg * std_kg;
        let off = self.lost_kg - expected_kg;
        0.5 * (self.lost_kg * self.lost_kg / own - off * off / variance - libm::log(variance / own))
    }
}

impl Evidence<'_> {
    /// Holds what areas lost by themselves against every hypothesis. Gives in words where it is not.
    pub(super) fn judge_isolations(
        &self,
        changes: &[Changes],
        supposed: &mut Vec<Supposed>,
        fitted: &mut Vec<Fitting>,
        logs: &mut Vec<f64>,
    ) -> Vec<String> {
        if self.proofs.is_empty() {
            return Vec::new();
        }
        self.part_leaks(supposed, fitted, logs);
        for proof in self.proofs {
            let said: Vec<f64> = supposed
                .iter()
                .zip(fitted.iter())
                .map(|(one, fit)| proof.speaks(self.expected(changes, one, fit, proof)))
                .collect();
            let most = said.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            for ((said, fit), log) in said.iter().zip(fitted.iter_mut()).zip(logs.iter_mut()) {
                let tells = (1.0 - TELLS_NOTHING) * libm::exp(said - most) + TELLS_NOTHING;
                let gained = most + libm::log(tells);
                fit.explained += 2.0 * gained;
                *log += gained;
            }
        }
        let best = logs
            .iter()
            .zip(supposed.iter().zip(fitted.iter()))
            .max_by(|a, b| a.0.total_cmp(b.0));
        let Some((_, (best, fit))) = best else {
            return Vec::new();
        };
        let said = self.proofs.iter();
        said.filter_map(|proof| self.words(changes, best, fit, proof))
            .collect()
    }

    /// What an area parts in is supposed part by part, each with its share of the belief.
    fn part_leaks(
        &self,
        supposed: &mut Vec<Supposed>,
        fitted: &mut Vec<Fitting>,
        logs: &mut Vec<f64>,
    ) {
        for ix in 0..supposed.len() {
            let (Some(one), Some(fit), Some(log)) =
                (supposed.get_mut(ix), fitted.get(ix), logs.get_mut(ix))
            else {
                continue;
            };
            let (Place::Sections(sections), HypothesisKind::Leak { .. }) = (&one.place, &one.kind)
            else {
                continue;
            };
            let mut parts = self.parts(sections).into_iter();
            *log += libm::log(share(1.0, parts.len()));
            let (fit, log) = (*fit, *log);
            let Some(first) = parts.next() else {
                continue;
            };
            self.place_leak(one, first);
            let like = one.clone();
            for part in parts {
                let mut other = like.clone();
                self.place_leak(&mut other, part);
                supposed.push(other);
                fitted.push(fit);
                logs.push(log);
            }
        }
    }

    fn place_leak(&self, one: &mut Supposed, sections: Vec<SectionIx>) {
        let area = Area { sections };
        one.kind = HypothesisKind::Leak {
            sections: self.sections(&area),
        };
        one.place = Place::Sections(area.sections);
    }

    /// Sections that no isolation tells apart stand together.
    fn parts(&self, sections: &[SectionIx]) -> Vec<Vec<SectionIx>> {
        let mut parts: Vec<(Vec<bool>, Vec<SectionIx>)> = Vec::new();
        for &section in sections {
            let within = self.proofs.iter().map(|proof| proof.area.holds(section));
            let within: Vec<bool> = within.collect();
            match parts.iter_mut().find(|(known, _)| *known == within) {
                Some((_, part)) => part.push(section),
                None => parts.push((within, vec![section])),
            }
        }
        parts.into_iter().map(|(_, part)| part).collect()
    }

    /// What a hypothesis would have an area lose by itself, kg with standard uncertainty: nothing of what
    /// happened once, before the valves were shut, and nothing of what another area loses.
    fn expected(
        &self,
        changes: &[Changes],
        one: &Supposed,
        fit: &Fitting,
        proof: &Proof,
    ) -> (f64, f64) {
        let part = match &one.place {
            _ if !goes_on(changes, one) => 0.0,
            Place::Sections(sections) => {
                let there = sections
                    .iter()
                    .filter(|section| proof.area.holds(**section));
                share(1.0, sections.len()) * there.map(|_| 1.0).sum::<f64>()
            }
            Place::Line(line) => self
                .plant
                .line(*line)
                .and_then(|line| proof.area.sign_of(line.from, line.to))
                .map_or(0.0, |sign| -sign),
        };
        let days = proof.over.seconds() / DAY_S;
        (part * fit.size * days, part.abs() * fit.std * days)
    }

    /// Where the best explanation, if it is a loss that goes on, is shown not to be.
    fn words(
        &self,
        changes: &[Changes],
        best: &Supposed,
        fit: &Fitting,
        proof: &Proof,
    ) -> Option<String> {
        if !goes_on(changes, best) || matches!(best.place, Place::Line(_)) {
            return None;
        }
        let sections = proof.area.sections.iter();
        let names: Vec<&str> = sections
            .filter_map(|ix| self.plant.section(*ix).map(|section| &*section.name))
            .collect();
        let by_itself = format!(
            "by itself for {} it lost {:.1} ± {:.1} kg",
            proof.over, proof.lost_kg, proof.std_kg
        );
        let (here_kg, _) = self.expected(changes, best, fit, proof);
        let names = names.join(" and ");
        if here_kg > 0.0 && proof.lost_kg > CLEAR * proof.std_kg {
            return Some(format!("not outside {names}: {by_itself}"));
        }
        let elsewhere = fit.size * proof.over.seconds() / DAY_S;
        let missing = elsewhere - proof.lost_kg > CLEAR * proof.std_kg;
        (here_kg == 0.0 && missing).then(|| {
            format!("not in {names}: {by_itself}, where the loss would have been {elsewhere:.1} kg")
        })
    }
}

fn goes_on(changes: &[Changes], one: &Supposed) -> bool {
    changes
        .get(one.form)
        .is_some_and(|change| matches!(change.tried, Tried::Bend | Tried::Through(_)))
}
