//! What a run said, held against the truth.

use coldledger::engine::outcome::{
    ExcessLoss, Explanation, Happening, HappeningKind, HypothesisKind,
};
use coldledger::plant::Id;
use coldledger::time::{Span, Timestamp};

use super::run::{Sample, ScopeId, Shown};
use super::scenarios::{Happened, Right, Scenario, What};

const DAY_S: f64 = 86_400.0;

/// Standard uncertainties to each side of a 95 % band.
const BAND_95: f64 = 1.959_963_984_540_054;

/// What a band is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum BandOf {
    /// Masses of the plant and of each section, kg.
    Inventory,
    /// Unaccounted losses of the plant's windows, kg.
    Windows,
    /// And of the areas', kg.
    AreaWindows,
    /// The plant's rate while it was constant, kg/day.
    Rate,
    /// And the areas', kg/day.
    AreaRates,
    /// Size of a loss that was raised, kg/day.
    Excess,
    /// When it began, days after the start.
    Onset,
    /// What it took, kg.
    Lost,
}

impl BandOf {
    /// All of them, in the order of the table.
    pub const ALL: [Self; 8] = [
        Self::Inventory,
        Self::Windows,
        Self::AreaWindows,
        Self::Rate,
        Self::AreaRates,
        Self::Excess,
        Self::Onset,
        Self::Lost,
    ];

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Inventory => "inventory",
            Self::Windows => "windows, plant",
            Self::AreaWindows => "windows, areas",
            Self::Rate => "rate, plant",
            Self::AreaRates => "rate, areas",
            Self::Excess => "size of a loss",
            Self::Onset => "onset",
            Self::Lost => "lost mass",
        }
    }
}

/// A 95 % band with the truth.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// What it is of.
    pub of: BandOf,
    /// Plant, section or area.
    pub scope: String,
    /// When it was shown, days after the start.
    pub at_days: f64,
    /// Its lower and its upper end, in the unit of [`BandOf`].
    pub ends: (f64, f64),
    /// The truth.
    pub truth: f64,
}

impl Band {
    fn new(of: BandOf, scope: &str, at_days: f64, (shown, std): (f64, f64), truth: f64) -> Self {
        let half = BAND_95 * std;
        Self::between(of, scope, at_days, (shown - half, shown + half), truth)
    }

    fn between(of: BandOf, scope: &str, at_days: f64, ends: (f64, f64), truth: f64) -> Self {
        Self {
            of,
            scope: scope.to_owned(),
            at_days,
            ends,
            truth,
        }
    }

    /// Whether it holds the truth.
    #[must_use]
    pub fn held(&self) -> bool {
        (self.ends.0..=self.ends.1).contains(&self.truth)
    }
}

/// How many bands held the truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Coverage {
    /// Bands that held it.
    pub held: u64,
    /// Bands.
    pub all: u64,
}

impl Coverage {
    pub(super) fn of<'a>(bands: impl Iterator<Item = &'a Band>) -> Self {
        bands.fold(Self::default(), |sum, band| Self {
            held: sum.held + u64::from(band.held()),
            all: sum.all + 1,
        })
    }

    /// Per cent.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a count of runs")]
    pub fn percent(self) -> f64 {
        100.0 * self.held as f64 / self.all as f64
    }
}

/// Bands of samples; `constant` when nothing but the accepted loss went on before them.
pub(super) fn sampled(samples: &[Sample], constant: bool) -> Vec<Band> {
    let mut bands = Vec::new();
    for sample in samples {
        let at = sample.at.days();
        for (scope, shown, std, truth) in &sample.inventory {
            let of = BandOf::Inventory;
            bands.push(Band::new(of, &name(scope), at, (*shown, *std), *truth));
        }
        for (scope, over, shown, std, truth) in &sample.windows {
            let of = match scope {
                None => BandOf::Windows,
                Some(_) => BandOf::AreaWindows,
            };
            let scope = format!("{} over {} h", name(scope), over.seconds() / 3600.0);
            bands.push(Band::new(of, &scope, at, (*shown, *std), *truth));
        }
        for (scope, shown, std, truth) in sample.rates.iter().filter(|_| constant) {
            let of = match scope {
                None => BandOf::Rate,
                Some(_) => BandOf::AreaRates,
            };
            let figure = (shown * DAY_S, std * DAY_S);
            bands.push(Band::new(of, &name(scope), at, figure, truth * DAY_S));
        }
    }
    bands
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
    /// When each test raised, in words.
    pub raised: String,
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
    /// Bands that are to hold the truth.
    pub bands: Vec<Band>,
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
    // What happened once no longer stands at the end: what was told of it counts.
    let explanation = match happened.right {
        Right::Leak(_) | Right::Drift(_) | Right::DriftOrLeak(..) | Right::Nothing
            if happened.goes_on =>
        {
            shown.explanation.as_ref()
        }
        _ => shown.explanation.as_ref().or(shown.told.as_ref()),
    };
    let top = explanation.and_then(|found| found.groups.first());
    let right = |kind: &HypothesisKind| is_right(happened.right, kind);
    let happening = shown
        .happenings
        .iter()
        .any(|happening| is_right_happening(happened.right, happening));
    let mut verdict = Verdict {
        scenario: scenario.name,
        seed,
        days: scenario.days,
        plant_alert_h: after(false),
        alert_h: after(true),
        alerts: (count(true), count(false)),
        raised: words_of(&shown.alerts),
        true_kg_per_day: happened.steady_kg_per_s.map(|rate| rate * DAY_S),
        size_error,
        lost_kg: (said_lost(shown), shown.lost_kg),
        onset_error_h: since.map(|since| 24.0 * (since - happened.onset).days()),
        called: called(explanation),
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
            _ => {
                happening
                    || top.is_some_and(|group| group.hypotheses.iter().any(|one| right(&one.kind)))
            }
        },
        right_first: happening
            || top
                .and_then(|group| group.hypotheses.first())
                .is_some_and(|one| right(&one.kind)),
        group: top.map_or(0, |group| group.hypotheses.len()),
        words: explanation
            .map(Explanation::words)
            .into_iter()
            .chain(shown.happenings.iter().map(Happening::words))
            .collect::<Vec<_>>()
            .join("; "),
        bands: Vec::new(),
    };
    if as_stated(scenario) {
        verdict.bands = sampled(&shown.samples, matches!(scenario.what, What::Quiet));
        if let (Some(excess), false) = (raised, happened.right == Right::Nothing) {
            verdict
                .bands
                .extend(of_excess(excess, happened, shown.lost_kg, shown.end.days()));
        }
    }
    verdict
}

/// Bands of a loss that stands: its size where it goes on, when it began, and what it took.
fn of_excess(
    excess: &ExcessLoss,
    happened: &Happened,
    lost_kg: f64,
    at_days: f64,
) -> impl Iterator<Item = Band> {
    let size = happened.steady_kg_per_s.map(|truth| {
        let (least, most) = excess.band_95_kg_per_s();
        let ends = (least * DAY_S, most * DAY_S);
        Band::between(BandOf::Excess, "plant", at_days, ends, truth * DAY_S)
    });
    let lost = (excess.lost_kg, excess.lost_std_kg);
    let lost = Band::new(BandOf::Lost, "plant", at_days, lost, lost_kg);
    let days = |at: Timestamp| (at - super::Site::start()).days();
    let band = excess.since_band.filter(|_| happened.goes_on);
    let onset = band.map(|(from, to)| {
        let ends = (days(from), days(to));
        Band::between(BandOf::Onset, "plant", at_days, ends, happened.onset.days())
    });
    size.into_iter().chain([lost]).chain(onset)
}

fn words_of(alerts: &[(ScopeId, Span)]) -> String {
    let words: Vec<String> = alerts
        .iter()
        .map(|(scope, at)| format!("{} after {:.2} days", name(scope), at.days()))
        .collect();
    words.join(", ")
}

fn name(scope: &ScopeId) -> String {
    scope
        .as_ref()
        .map_or_else(|| "plant".to_owned(), ToString::to_string)
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
        // Until a late entry is made, its helium is truly unaccounted for.
        What::Events { unbooked, text, .. } => {
            unbooked || (scenario.name.contains("booked") && !text.contains("booked-after"))
        }
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

/// Helium that came or went at once stands as a happening, with the kilograms that no book has.
fn is_right_happening(right: Right, happening: &Happening) -> bool {
    let kind = match right {
        Right::Vent(_) => HappeningKind::Vent,
        Right::Delivery(_) => HappeningKind::Delivery,
        _ => return false,
    };
    happening.kind == kind && happening.booked.is_none()
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
        | (
            Right::Step(wanted),
            HypothesisKind::Step { vessel, .. } | HypothesisKind::Drift { vessel, .. },
        )
        | (Right::Holdup(wanted), HypothesisKind::Holdup { vessel }) => is(vessel, wanted),
        (Right::Meter(wanted), HypothesisKind::Meter { line }) => is(line, wanted),
        _ => false,
    }
}
