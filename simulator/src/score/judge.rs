//! What a run said, held against the truth.

use coldledger::engine::outcome::{Explanation, HypothesisKind};
use coldledger::plant::Id;

use super::run::{Sample, Shown};
use super::scenarios::{Happened, Right, Scenario, What};

const DAY_S: f64 = 86_400.0;

/// Standard uncertainties to each side of a 95 % band.
const BAND_95: f64 = 1.959_963_984_540_054;

/// How many bands held the truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Coverage {
    /// Bands that held it.
    pub held: u64,
    /// Bands.
    pub all: u64,
}

impl Coverage {
    pub(super) fn add(&mut self, held: bool) {
        self.held += u64::from(held);
        self.all += 1;
    }

    pub(super) fn merge(&mut self, other: Self) {
        self.held += other.held;
        self.all += other.all;
    }

    fn band(&mut self, shown: f64, std: f64, truth: f64) {
        self.add((shown - truth).abs() <= BAND_95 * std);
    }

    /// Per cent.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a count of runs")]
    pub fn percent(self) -> f64 {
        100.0 * self.held as f64 / self.all as f64
    }
}

/// Coverages by what the band is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Coverages {
    /// Masses of the plant and of each section.
    pub inventory: Coverage,
    /// Unaccounted losses of the plant's windows.
    pub windows: Coverage,
    /// And of the areas'.
    pub area_windows: Coverage,
    /// The plant's rate while it was constant.
    pub rate: Coverage,
    /// And the areas'.
    pub area_rates: Coverage,
    /// Size of a loss that was raised.
    pub excess: Coverage,
    /// When it began.
    pub onset: Coverage,
    /// What it took.
    pub lost: Coverage,
}

impl Coverages {
    pub(super) fn merge(&mut self, other: &Self) {
        self.inventory.merge(other.inventory);
        self.windows.merge(other.windows);
        self.area_windows.merge(other.area_windows);
        self.rate.merge(other.rate);
        self.area_rates.merge(other.area_rates);
        self.excess.merge(other.excess);
        self.onset.merge(other.onset);
        self.lost.merge(other.lost);
    }

    /// Each with its name.
    #[must_use]
    pub fn named(&self) -> [(&'static str, Coverage); 8] {
        [
            ("inventory", self.inventory),
            ("windows, plant", self.windows),
            ("windows, areas", self.area_windows),
            ("rate, plant", self.rate),
            ("rate, areas", self.area_rates),
            ("size of a loss", self.excess),
            ("onset", self.onset),
            ("lost mass", self.lost),
        ]
    }

    /// Those of samples; `constant` when nothing but the accepted loss went on before them.
    pub(super) fn sampled(&mut self, samples: &[Sample], constant: bool) {
        for sample in samples {
            for &(shown, std, truth) in &sample.inventory {
                self.inventory.band(shown, std, truth);
            }
            for (scope, _, shown, std, truth) in &sample.windows {
                match scope {
                    None => self.windows.band(*shown, *std, *truth),
                    Some(_) => self.area_windows.band(*shown, *std, *truth),
                }
            }
            for (scope, shown, std, truth) in sample.rates.iter().filter(|_| constant) {
                match scope {
                    None => self.rate.band(*shown, *std, *truth),
                    Some(_) => self.area_rates.band(*shown, *std, *truth),
                }
            }
        }
    }
}

/// What the loss was called: the kinds in the group of largest weight.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Called {
    /// Nothing stood, or nothing explained it.
    Nothing,
    /// Helium that leaves or left, and no instrument, meter or holdup.
    Lost,
    /// Instruments, meters or holdups, and no helium that leaves.
    Instrument,
    /// Both: the measurements do not tell them apart.
    Either,
}

/// One run, judged.
#[derive(Debug, Clone)]
pub struct Verdict {
    /// The scenario's name.
    pub scenario: &'static str,
    /// The seed.
    pub seed: u64,
    /// Days after the onset.
    pub days: f64,
    /// Hours from the onset to the first alert of the plant's test.
    pub plant_alert_h: Option<f64>,
    /// And of any test.
    pub alert_h: Option<f64>,
    /// Alerts of the plant's test, and of all areas' tests together.
    pub alerts: (u64, u64),
    /// True rate, kg/day; of leaks that go on.
    pub true_kg_per_day: Option<f64>,
    /// Error of the size over the true one; of leaks that go on and are raised.
    pub size_error: Option<f64>,
    /// What is said to have been lost beyond the accepted loss, and what was, kg.
    pub lost_kg: (f64, f64),
    /// Hours that the stated onset is late.
    pub onset_error_h: Option<f64>,
    /// What it was called.
    pub called: Called,
    /// The group of largest weight holds the right answer.
    pub right_group: bool,
    /// Its first hypothesis is the right answer.
    pub right_first: bool,
    /// Hypotheses in that group.
    pub group: usize,
    /// The explanation in words.
    pub words: String,
    /// Bands that held the truth.
    pub coverage: Coverages,
}

/// Holds a run against the truth.
#[must_use]
pub fn judge(scenario: &Scenario, seed: u64, happened: &Happened, shown: &Shown) -> Verdict {
    let after = |scope: bool| {
        shown
            .alerts
            .iter()
            .filter(|(of, at)| *at >= happened.onset && (of.is_none() || scope))
            .map(|(_, at)| 24.0 * (*at - happened.onset).days())
            .next()
    };
    let count = |plant: bool| {
        let of = shown.alerts.iter().filter(|(of, _)| of.is_none() == plant);
        of.count() as u64
    };
    let excess = shown.plant().and_then(|report| report.excess.as_ref());
    let raised = excess.filter(|excess| excess.raised);
    let since = raised.and_then(|excess| excess.since.map(|at| at - super::Site::start()));
    let size_error = happened
        .steady_kg_per_s
        .zip(raised)
        .map(|(truth, excess)| excess.excess_kg_per_s / truth - 1.0);
    let top = shown
        .explanation
        .as_ref()
        .and_then(|found| found.groups.first());
    let right = |kind: &HypothesisKind| is_right(happened.right, kind);
    let mut verdict = Verdict {
        scenario: scenario.name,
        seed,
        days: scenario.days,
        plant_alert_h: after(false),
        alert_h: after(true),
        alerts: (count(true), count(false)),
        true_kg_per_day: happened.steady_kg_per_s.map(|rate| rate * DAY_S),
        size_error,
        lost_kg: (said_lost(shown), shown.lost_kg),
        onset_error_h: since.map(|since| 24.0 * (since - happened.onset).days()),
        called: called(shown.explanation.as_ref()),
        right_group: match happened.right {
            Right::DriftOrLeak(vessel, section) => top.is_some_and(|group| {
                let has = |right| {
                    group
                        .hypotheses
                        .iter()
                        .any(|one| is_right(right, &one.kind))
                };
                has(Right::Drift(vessel)) && has(Right::Leak(section))
            }),
            _ => top.is_some_and(|group| group.hypotheses.iter().any(|one| right(&one.kind))),
        },
        right_first: top
            .and_then(|group| group.hypotheses.first())
            .is_some_and(|one| right(&one.kind)),
        group: top.map_or(0, |group| group.hypotheses.len()),
        words: shown
            .explanation
            .as_ref()
            .map(Explanation::words)
            .unwrap_or_default(),
        coverage: Coverages::default(),
    };
    if as_stated(scenario) {
        let constant = matches!(scenario.what, What::Quiet);
        verdict.coverage.sampled(&shown.samples, constant);
        if let (Some(excess), false) = (raised, happened.right == Right::Nothing) {
            let coverage = &mut verdict.coverage;
            if let Some(truth) = happened.steady_kg_per_s {
                coverage
                    .excess
                    .band(excess.excess_kg_per_s, excess.std_kg_per_s, truth);
            }
            coverage
                .lost
                .band(excess.lost_kg, excess.lost_std_kg, shown.lost_kg);
            if let Some((from, to)) = excess.since_band {
                let onset = super::Site::start() + happened.onset;
                coverage.onset.add(from <= onset && onset <= to);
            }
        }
    }
    verdict
}

/// What is said to have been lost: what the standing loss took, or nothing.
fn said_lost(shown: &Shown) -> f64 {
    shown
        .plant()
        .and_then(|report| report.excess.as_ref())
        .filter(|excess| excess.raised)
        .map_or(0.0, |excess| excess.lost_kg)
}

/// Whether everything in it errs as the description states: what is said may then be held to its
/// bands.
fn as_stated(scenario: &Scenario) -> bool {
    match scenario.what {
        What::Quiet | What::Leak { .. } => true,
        What::Events { unbooked, .. } => unbooked || scenario.name.contains("booked"),
        What::Spikes => false,
    }
}

fn called(explanation: Option<&Explanation>) -> Called {
    let Some(group) = explanation.and_then(|found| found.groups.first()) else {
        return Called::Nothing;
    };
    let lost = |kind: &HypothesisKind| {
        kind.loses_helium() || matches!(kind, HypothesisKind::UnbookedDelivery { .. })
    };
    let losing = group.hypotheses.iter().any(|one| lost(&one.kind));
    let other = group.hypotheses.iter().any(|one| !lost(&one.kind));
    match (losing, other) {
        (true, true) => Called::Either,
        (true, false) => Called::Lost,
        (false, true) => Called::Instrument,
        (false, false) => Called::Nothing,
    }
}

fn is_right(right: Right, kind: &HypothesisKind) -> bool {
    let is = |id: &Id, wanted: &str| **id == *wanted;
    let among = |ids: &[Id], wanted: &str| ids.iter().any(|id| is(id, wanted));
    match (right, kind) {
        (
            Right::Leak(section) | Right::DriftOrLeak(_, section),
            HypothesisKind::Leak { sections },
        )
        | (Right::Vent(section), HypothesisKind::UnbookedVent { sections })
        | (Right::Delivery(section), HypothesisKind::UnbookedDelivery { sections }) => {
            among(sections, section)
        }
        (
            Right::Drift(wanted) | Right::DriftOrLeak(wanted, _),
            HypothesisKind::Drift { vessel, .. },
        )
        | (Right::Step(wanted), HypothesisKind::Step { vessel, .. })
        | (Right::Holdup(wanted), HypothesisKind::Holdup { vessel }) => is(vessel, wanted),
        (Right::Meter(wanted), HypothesisKind::Meter { line }) => is(line, wanted),
        _ => false,
    }
}
