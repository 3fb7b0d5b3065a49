//! What would tell hypotheses apart: another reading, a meter, or valves that a person closes.
//!
//! Coldledger closes nothing. A test by isolation is named only where no bath is cut off: cold helium
//! without a way out bursts what holds it.

use super::account::Accounts;
use super::area::Area;
use super::inventory::VesselMass;
use super::leak;
use super::noise::NoiseModel;
use super::report::{Explanation, HypothesisGroup, HypothesisKind, IsolationTest};
use super::series::{LossSeries, LossSettings};
use super::tally::correlated_part;
use super::whiten::NoiseParameters;
use super::window::GRID;
use crate::plant::{Contents, End, Id, Line, Plant, SectionIx};

/// Lengths of an isolation that are proposed, h.
const HOURS: [u16; 7] = [2, 4, 8, 12, 24, 48, 72];
/// Lines that one sentence names.
const MOST_NAMED: usize = 6;
/// Ticks that one mean of the grid rests on.
const TICKS: f64 = 60.0;

/// Says for each group what would tell its hypotheses apart.
pub(super) fn add(
    explanation: &mut Explanation,
    plant: &Plant,
    accounts: &Accounts,
    masses: &[VesselMass],
) {
    for group in &mut explanation.groups {
        group.separate = separate(plant, group, masses);
        group.isolation_tests = isolation_tests(plant, group, accounts);
    }
}

fn separate(plant: &Plant, group: &HypothesisGroup, masses: &[VesselMass]) -> Vec<String> {
    let mut words = Vec::new();
    let mut leaks = false;
    let mut jumps = false;
    for hypothesis in &group.hypotheses {
        match &hypothesis.kind {
            HypothesisKind::Leak { sections } => {
                leaks = true;
                let lines = joints(plant, sections);
                if !lines.is_empty() {
                    words.push(format!(
                        "a flow meter on {} would part {}",
                        listed(&lines),
                        listed(sections)
                    ));
                }
            }
            HypothesisKind::UnbookedVent { .. } | HypothesisKind::Step { .. } => jumps = true,
            HypothesisKind::Drift { .. }
            | HypothesisKind::Meter { .. }
            | HypothesisKind::UnbookedDelivery { .. }
            | HypothesisKind::ThermometerLag { .. }
            | HypothesisKind::Holdup { .. } => {}
        }
    }
    let others = group.hypotheses.len() > 1;
    let mut instruments: Vec<Id> = Vec::new();
    for hypothesis in group.hypotheses.iter().filter(|_| others) {
        match &hypothesis.kind {
            HypothesisKind::Drift { channels, .. } | HypothesisKind::Step { channels, .. } => {
                for channel in channels {
                    if !instruments.contains(channel) && counts(plant, masses, channel) {
                        instruments.push(Id::clone(channel));
                    }
                }
            }
            HypothesisKind::Meter { line } => words.push(format!(
                "a known mass through {line}, held against its meter, would show or clear the meter"
            )),
            _ => {}
        }
    }
    if !instruments.is_empty() {
        words.push(format!(
            "a second reading beside {} would show or clear the instrument",
            listed(&instruments)
        ));
    }
    if leaks && jumps {
        words.push("the next hours will tell: a leak goes on, what happened once does not".into());
    }
    words
}

/// Whether a channel's reading matters to any mass by more than a gram per its own resolution.
fn counts(plant: &Plant, masses: &[VesselMass], id: &Id) -> bool {
    plant.channel_by_id(id).is_some_and(|(ix, _)| {
        masses
            .iter()
            .any(|mass| mass.by_channel.iter().any(|(known, _)| *known == ix))
    })
}

fn listed(ids: &[Id]) -> String {
    let named = ids.get(..MOST_NAMED).unwrap_or(ids).join(", ");
    if ids.len() > MOST_NAMED {
        format!("{named} and {} more", ids.len() - MOST_NAMED)
    } else {
        named
    }
}

/// Unmetered lines between these sections.
fn joints(plant: &Plant, sections: &[Id]) -> Vec<Id> {
    let among = |end: End| match end {
        End::Section(ix) => plant
            .section(ix)
            .is_some_and(|section| sections.contains(&section.id)),
        End::Outside => false,
    };
    plant
        .all
        .line
        .iter()
        .filter(|line| line.meter.is_none() && line.from != line.to)
        .filter(|line| among(line.from) && among(line.to))
        .map(|line| Id::clone(&line.id))
        .collect()
}

fn isolation_tests(
    plant: &Plant,
    group: &HypothesisGroup,
    accounts: &Accounts,
) -> Vec<IsolationTest> {
    let mut tests: Vec<IsolationTest> = Vec::new();
    for hypothesis in &group.hypotheses {
        let HypothesisKind::Leak { sections } = &hypothesis.kind else {
            continue;
        };
        for id in sections {
            let Some((section, _)) = plant.section_by_id(id) else {
                continue;
            };
            if holds_a_bath(plant, section) {
                continue;
            }
            let area = Area {
                sections: vec![section],
            };
            let crosses = |line: &&Line| {
                let outside = line.from == End::Outside || line.to == End::Outside;
                !outside && area.sign_of(line.from, line.to).is_some()
            };
            let close: Vec<Id> = plant
                .all
                .line
                .iter()
                .filter(crosses)
                .map(|line| Id::clone(&line.id))
                .collect();
            if close.is_empty() || tests.iter().any(|test| test.close == close) {
                continue;
            }
            if let Some((hours, proves_kg_per_s)) =
                shortest(plant, accounts, &area, hypothesis.size)
            {
                tests.push(IsolationTest {
                    close,
                    sections: vec![Id::clone(id)],
                    hours,
                    proves_kg_per_s,
                });
            }
        }
    }
    tests
}

fn holds_a_bath(plant: &Plant, section: SectionIx) -> bool {
    plant.section(section).is_some_and(|section| {
        section.vessels.iter().any(|ix| {
            plant
                .vessel(*ix)
                .is_some_and(|vessel| matches!(vessel.contents, Contents::Bath { .. }))
        })
    })
}

/// The shortest proposed time after which a loss of that size would be seen with 95 %, with the loss
/// that would; the longest one when none is long enough.
fn shortest(
    plant: &Plant,
    accounts: &Accounts,
    area: &Area,
    size_kg_per_s: f64,
) -> Option<(f64, f64)> {
    let (independent_kg2, by_cause) = accounts.errors_now(area);
    let (correlated_kg2, time_s) = correlated_part(plant, &by_cause);
    let outdoors = area.sections.iter().any(|ix| {
        plant.section(*ix).is_some_and(|section| {
            section
                .vessels
                .iter()
                .any(|ix| plant.vessel(*ix).is_some_and(|vessel| vessel.outdoors))
        })
    });
    let noise = NoiseModel::known(
        NoiseParameters {
            white_std_kg: libm::sqrt(independent_kg2 / TICKS).max(1e-6),
            correlated_std_kg: libm::sqrt(correlated_kg2),
            correlation_time_s: time_s.max(GRID.seconds()),
            wave_std_kg: 0.0,
        },
        GRID.seconds(),
        outdoors,
    )
    .ok()?;
    let mut found = None;
    for hours in HOURS {
        let steps = usize::from(hours) * 6;
        let nothing = vec![0.0; steps];
        let series = LossSeries {
            step_s: GRID.seconds(),
            mass_kg: &nothing,
            ..LossSeries::default()
        };
        let Ok(estimate) = leak::estimate(&series, &noise, &LossSettings::default()) else {
            continue;
        };
        let limit = estimate.detection_limit_kg_per_s;
        found = Some((f64::from(hours), limit));
        if limit <= size_kg_per_s {
            break;
        }
    }
    found.filter(|(_, limit)| limit.is_finite())
}
