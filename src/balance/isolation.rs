//! Tests by isolation: while valves part an area from its neighbours, what it loses is its own.
//!
//! What was found so since a loss began is held against every hypothesis, and parts a leak in an area
//! into leaks in its parts. A valve that is called shut may pass, in every test that rests on it: all
//! tests together are not believed altogether.
//!
//! **Source** likelihood of a normal error and of a mixture: textbook. How often tests tell nothing:
//! common practice, no source.

use serde::{Deserialize, Serialize};

use super::account::Accounts;
use super::area::Area;
use super::explain::{Changes, Evidence, Fitting, Tried, share};
use super::happening::Jump;
use super::least_squares::count;
use super::ledger::Ledger;
use super::report::HypothesisKind;
use super::suppose::{Place, Supposed};
use super::whiten::DAY_S;
use crate::plant::{LineIx, Plant, SectionIx};
use crate::quantity::decimals_for;
use crate::time::{Span, Timestamp};

/// Lengths of an isolation that are proposed, and looked back over, h.
pub(super) const HOURS: [u16; 7] = [2, 4, 8, 12, 24, 48, 72];

/// Shorter than this nothing is held against a hypothesis.
const LEAST: Span = Span::from_millis(2 * 3_600_000);

/// Stretches that are remembered, and of one area: then its shortest goes.
const MOST: usize = 64;
const MOST_OF_AREA: usize = 3;

/// In so many of all cases the tests tell nothing: a valve passed, or an instrument was wrong.
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

impl Isolation {
    fn over(&self) -> Span {
        self.to - self.from
    }

    /// Newer ends of the same stretch, which overlap it.
    fn is_newer_of(&self, known: &Self) -> bool {
        known.area == self.area && known.to >= self.from
    }
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
    from: Timestamp,
    to: Timestamp,
    lost_kg: f64,
    std_kg: f64,
    /// What its metered lines let pass meanwhile, kg.
    passed_kg: Vec<(LineIx, f64)>,
}

/// From what on, and beside what, areas by themselves tell of a loss.
pub(super) struct Since<'a> {
    /// When the loss had begun for certain.
    pub begun: Timestamp,
    /// Areas whose own series are held against the hypotheses anyway.
    pub judged: &'a [Area],
    /// What came or went at once.
    pub jumps: &'a [Jump],
}

impl Isolations {
    /// Notes which of these areas are by themselves, as they are not for good.
    pub fn note(&mut self, plant: &Plant, accounts: &Accounts, areas: &[Area]) {
        let mut parted = areas.to_vec();
        for hours in HOURS {
            let over = Span::from_seconds(3600.0 * f64::from(hours));
            let ends = accounts.ends_of(over).filter(|_| !parted.is_empty());
            let Some((from, to)) = ends else {
                return;
            };
            let found = accounts.areas(plant, over, true);
            parted.retain(|area| found.contains(area));
            for area in parted.iter().cloned() {
                self.take(Isolation { area, from, to });
            }
        }
    }

    /// Of one stretch only its ends grow.
    fn take(&mut self, new: Isolation) {
        let mut known = self.known.iter_mut();
        if let Some(known) = known.find(|known| new.is_newer_of(known)) {
            known.from = known.from.min(new.from);
            known.to = new.to;
            return;
        }
        let of_area = self.known.iter().filter(|one| one.area == new.area).count();
        let shortest = |(_, one): &(usize, &Isolation)| one.over();
        let goes = if of_area >= MOST_OF_AREA {
            let here = self.known.iter().enumerate();
            here.filter(|(_, one)| one.area == new.area)
                .min_by_key(shortest)
        } else if self.known.len() >= MOST {
            self.known.iter().enumerate().min_by_key(|(_, one)| one.to)
        } else {
            None
        };
        if let Some((at, _)) = goes {
            self.known.remove(at);
        }
        self.known.push(new);
    }

    /// Another description: what it still has stays known.
    pub fn adopt(&mut self, plant: &Plant, before: &Plant) {
        let known = std::mem::take(&mut self.known).into_iter();
        let kept = known.filter_map(|one| {
            let area = Area::of_id(plant, &one.area.id(before))?;
            Some(Isolation { area, ..one })
        });
        self.known = kept.collect();
    }

    /// What was found since a loss began, as the ledger has it now. A stretch in which something came or
    /// went at once tells nothing of what goes on.
    pub fn since(
        &self,
        plant: &Plant,
        ledger: &Ledger,
        accounts: &Accounts,
        since: &Since<'_>,
    ) -> Vec<Proof> {
        let proof = |one: &Isolation| {
            let (from, to) = (one.from.max(since.begun), one.to);
            let upset = |jump: &Jump| !jump.booked && jump.from < to && jump.to > from;
            let useless = since.judged.contains(&one.area) || since.jumps.iter().any(upset);
            if to - from < LEAST || useless {
                return None;
            }
            let balance = accounts.balance_between(plant, ledger, &one.area, (from, to), None)?;
            (balance.excess_std_kg > 0.0).then(|| Proof {
                area: one.area.clone(),
                from,
                to,
                lost_kg: balance.excess_kg,
                std_kg: balance.excess_std_kg,
                passed_kg: accounts.passed_between(plant, &one.area, from, to),
            })
        };
        self.known.iter().filter_map(proof).collect()
    }
}

impl Proof {
    fn days(&self) -> f64 {
        (self.to - self.from).seconds() / DAY_S
    }

    /// Whether a loss of that size, kg/s, would be clear in it.
    pub fn would_show(&self, kg_per_s: f64) -> bool {
        kg_per_s * (self.to - self.from).seconds() > CLEAR * self.std_kg
    }

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
        let said: Vec<f64> = supposed
            .iter()
            .zip(fitted.iter())
            .map(|(one, fit)| {
                let of_each = self.proofs.iter();
                of_each
                    .map(|proof| proof.speaks(self.expected(changes, one, fit, proof)))
                    .sum()
            })
            .collect();
        let most = said.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for ((said, fit), log) in said.iter().zip(fitted.iter_mut()).zip(logs.iter_mut()) {
            let tells = (1.0 - TELLS_NOTHING) * libm::exp(said - most) + TELLS_NOTHING;
            let gained = most + libm::log(tells);
            fit.explained += 2.0 * gained;
            *log += gained;
        }
        let best = logs
            .iter()
            .zip(supposed.iter().zip(fitted.iter()))
            .max_by(|a, b| a.0.total_cmp(b.0));
        let Some((_, (best, fit))) = best else {
            return Vec::new();
        };
        // One sentence for each area: of its longest stretch.
        let longest = |proof: &&Proof| {
            let longer = |other: &Proof| other.area == proof.area && other.days() > proof.days();
            !self.proofs.iter().any(longer)
        };
        let said = self.proofs.iter().filter(longest);
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
    /// happened once at another time, and nothing of what another area loses.
    fn expected(
        &self,
        changes: &[Changes],
        one: &Supposed,
        fit: &Fitting,
        proof: &Proof,
    ) -> (f64, f64) {
        // Of a size that no trace shows nothing can be expected.
        let Some(change) = changes.get(one.form).filter(|_| fit.std.is_finite()) else {
            return (0.0, 0.0);
        };
        let times = match change.tried {
            Tried::Bend | Tried::Through(_) => proof.days(),
            Tried::Jump => {
                let at = (self.utc_at)(change.at_s);
                let meanwhile = at.is_some_and(|at| proof.from < at && at < proof.to);
                f64::from(u8::from(meanwhile))
            }
            // It comes and goes with the day.
            Tried::Lag => 0.0,
        };
        let part = match &one.place {
            Place::Sections(sections) => {
                let there = sections.iter().filter(|ix| proof.area.holds(**ix));
                share(count(there.count()), sections.len())
            }
            Place::Line(line) => self.part_of_meter(*line, proof),
        };
        (part * fit.size * times, part.abs() * fit.std * times)
    }

    /// A meter that is wrong feigns as much as it lets pass: nothing while its line is shut.
    fn part_of_meter(&self, line: LineIx, proof: &Proof) -> f64 {
        let sign = self
            .plant
            .line(line)
            .and_then(|described| proof.area.sign_of(described.from, described.to));
        let passed = proof.passed_kg.iter().find(|(known, _)| *known == line);
        let usual = self.flows.get(line.index()).copied().flatten();
        match (sign, passed, usual.filter(|flow| *flow != 0.0)) {
            (Some(sign), Some((_, kg)), Some(flow)) => -sign * kg / (flow * DAY_S * proof.days()),
            _ => 0.0,
        }
    }

    /// Where the best explanation, if it is something that goes on in a vessel, is shown not to be.
    fn words(
        &self,
        changes: &[Changes],
        best: &Supposed,
        fit: &Fitting,
        proof: &Proof,
    ) -> Option<String> {
        let tried = changes.get(best.form)?.tried;
        let goes_on = matches!(tried, Tried::Bend | Tried::Through(_));
        if !goes_on || matches!(best.place, Place::Line(_)) {
            return None;
        }
        let sections = proof.area.sections.iter();
        let names: Vec<&str> = sections
            .filter_map(|ix| self.plant.section(*ix).map(|section| &*section.name))
            .collect();
        let names = names.join(" and ");
        let digits = decimals_for(proof.std_kg, proof.lost_kg);
        let by_itself = format!(
            "by itself for {} it seems to have lost {:.digits$} ± {:.digits$} kg",
            proof.to - proof.from,
            proof.lost_kg,
            proof.std_kg
        );
        let all_kg = fit.size * proof.days();
        let std_kg = libm::hypot(proof.std_kg, fit.std * proof.days());
        let (here_kg, _) = self.expected(changes, best, fit, proof);
        let there = (all_kg - proof.lost_kg).abs() < CLEAR * std_kg;
        if here_kg == all_kg && there && proof.lost_kg > CLEAR * proof.std_kg {
            return Some(format!("not outside {names}: {by_itself}"));
        }
        (here_kg == 0.0 && all_kg - proof.lost_kg > CLEAR * std_kg).then(|| {
            format!(
                "not in {names}: {by_itself}, where the loss would have been {all_kg:.digits$} kg"
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: i64) -> Timestamp {
        Timestamp::from_millis(hours * 3_600_000)
    }

    fn stretch(section: u32, from: i64, to: i64) -> Isolation {
        Isolation {
            area: Area {
                sections: vec![SectionIx(section)],
            },
            from: at(from),
            to: at(to),
        }
    }

    #[test]
    fn a_stretch_grows_and_of_many_the_long_ones_stay() {
        let mut known = Isolations::default();
        for hour in 10..60 {
            known.take(stretch(1, hour - 2, hour));
        }
        assert_eq!(known.known, [stretch(1, 8, 59)]);
        // A valve that shuts for some hours each day does not push out the test of two days.
        for day in 3..300 {
            known.take(stretch(1, 24 * day, 24 * day + 6));
        }
        assert_eq!(known.known.len(), MOST_OF_AREA);
        assert_eq!(known.known[0], stretch(1, 8, 59));
        for section in 2..200 {
            known.take(stretch(section, 8_000, 8_004));
        }
        assert_eq!(known.known.len(), MOST);
    }

    #[test]
    fn what_was_lost_speaks_for_what_expects_it() {
        let lost = |lost_kg| Proof {
            area: stretch(1, 0, 0).area,
            from: at(0),
            to: at(12),
            lost_kg,
            std_kg: 0.5,
            passed_kg: Vec::new(),
        };
        assert_eq!(lost(4.0).speaks((0.0, 0.0)), 0.0);
        assert!((lost(4.0).speaks((4.0, 0.0)) - 32.0).abs() < 1e-12);
        assert!((lost(0.0).speaks((4.0, 0.0)) + 32.0).abs() < 1e-12);
        // The less is known of what to expect, the less is told.
        assert!(lost(0.0).speaks((4.0, 4.0)) > -3.0);
        assert!(lost(0.0).would_show(9.0 / 86_400.0) && !lost(0.0).would_show(2.0 / 86_400.0));
    }
}
