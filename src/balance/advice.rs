//! What would tell hypotheses apart: another reading, a meter, or valves that a person closes.
//!
//! Coldledger closes nothing. A test by isolation is named only where no bath is cut off: cold helium
//! without a way out bursts what holds it.

use super::account::Accounts;
use super::area::Area;
use super::inventory::VesselMass;
use super::isolation::{HOURS, Proof};
use super::leak;
use super::noise::NoiseModel;
use super::report::{Explanation, HypothesisGroup, HypothesisKind, IsolationTest};
use super::series::{LossSeries, LossSettings};
use super::tally::correlated_part;
use super::whiten::NoiseParameters;
use super::window::GRID;
use crate::instrument::vacuum::leak_throughput_mbar_l_per_s;
use crate::plant::{Contents, End, Id, Line, Plant, Vessel, VesselIx};
use crate::quantity::Quality;
use crate::time::Span;

/// Lines that one sentence names.
const MOST_NAMED: usize = 6;
const PA_PER_MBAR: f64 = 100.0;
/// Above this an insulation vacuum no longer insulates, mbar.
const SPOILT_MBAR: f64 = 1e-3;
const GAUGE_READS_LOW: f64 = 7.0;
/// What pumps and cold walls may hold at that pressure, mbar L/s.
const HELD_BY_PUMPS: f64 = 10.0;
/// No inhabited place has air of less pressure, Pa (4,800 m: ISO 2533, from memory).
const LEAST_AIR_PA: f64 = 55_000.0;
/// Ticks that one mean of the grid rests on.
const TICKS: f64 = 60.0;

/// Says for each group what would tell its hypotheses apart; `made` are the tests by isolation that have
/// been.
pub(super) fn add(
    explanation: &mut Explanation,
    plant: &Plant,
    accounts: &Accounts,
    made: &[Proof],
) {
    for group in &mut explanation.groups {
        group.separate = separate(plant, group);
        group.isolation_tests = isolation_tests(plant, group, accounts, made);
    }
}

/// Says which insulation vacua the loss is not going into: while one stands, a leak that the balance
/// can see is not there. One that does not stand is the first place to look.
///
/// **Source** q = V dp/dt with helium at 20 °C by the ideal gas law (textbook). That an ion gauge
/// reads helium up to seven times low, and that no pump of an insulation vacuum holds against ten
/// mbar L/s: common practice, no source.
pub(super) fn exclude(
    explanation: &mut Explanation,
    plant: &Plant,
    vacuum: &dyn Fn(VesselIx) -> Option<f64>,
) {
    let leak = explanation
        .groups
        .iter()
        .flat_map(|group| &group.hypotheses)
        .filter(|one| matches!(one.kind, HypothesisKind::Leak { .. }))
        .max_by(|a, b| a.weight.total_cmp(&b.weight));
    let Some(size_kg_per_s) = leak.map(|leak| leak.size).filter(|size| *size > 0.0) else {
        return;
    };
    let mbar_l_per_s = leak_throughput_mbar_l_per_s(size_kg_per_s);
    if mbar_l_per_s < HELD_BY_PUMPS {
        return;
    }
    let mut standing: Vec<String> = Vec::new();
    let mut longest_s = 0.0_f64;
    for (number, vessel) in (0u32..).zip(&plant.all.vessel) {
        let (Some(space), Some(pa)) = (&vessel.insulation_vacuum, vacuum(VesselIx(number))) else {
            continue;
        };
        let Some(gauge) = plant.channel(space.channel) else {
            continue;
        };
        let mbar = pa / PA_PER_MBAR;
        let litres = space.volume.value.si() * 1e3;
        if GAUGE_READS_LOW * mbar < SPOILT_MBAR {
            longest_s = longest_s.max(litres * SPOILT_MBAR / mbar_l_per_s);
            standing.push(format!(
                "{} ({} reads {mbar:.1e} mbar)",
                vessel.name, gauge.id
            ));
        } else if let Some(first) = explanation.groups.first_mut() {
            first.separate.push(format!(
                "the insulation vacuum of {} stands at {mbar:.1e} mbar by {}: look there first",
                vessel.name, gauge.id
            ));
        }
    }
    if standing.is_empty() {
        return;
    }
    explanation.excluded.push(format!(
        "not into an insulation vacuum: {:.1} kg/day would be {mbar_l_per_s:.0} mbar L/s there and raise it to 1e-3 mbar {}, but these stand, even if their gauges read helium seven times low: {}",
        size_kg_per_s * 86_400.0,
        within(longest_s),
        standing.join(", ")
    ));
}

/// Says out of which vessels of a supposed leak helium cannot flow into the air: those below the air's
/// pressure. A hole there lets air in.
pub(super) fn exclude_by_pressure(
    explanation: &mut Explanation,
    plant: &Plant,
    masses: &[VesselMass],
) {
    let leaks = explanation
        .groups
        .iter()
        .flat_map(|group| &group.hypotheses);
    let sections: Vec<&Id> = leaks
        .filter_map(|one| match &one.kind {
            HypothesisKind::Leak { sections } => Some(sections),
            _ => None,
        })
        .flatten()
        .collect();
    let below: Vec<String> = plant
        .all
        .vessel
        .iter()
        .zip(masses)
        .filter(|(vessel, mass)| {
            let section = plant.section(vessel.section);
            mass.quality == Quality::Good
                && section.is_some_and(|section| sections.contains(&&section.id))
        })
        .filter_map(|(vessel, mass)| {
            let pa = mass.pressure_pa.filter(|pa| *pa < LEAST_AIR_PA)?;
            Some(format!("{} ({:.0} mbar)", vessel.name, pa / PA_PER_MBAR))
        })
        .collect();
    if !below.is_empty() {
        explanation.excluded.push(format!(
            "not into the air out of what stands below its pressure, where a hole would let air in: {}",
            below.join(", ")
        ));
    }
}

fn within(seconds: f64) -> String {
    if seconds < 1.0 {
        "in less than a second".into()
    } else {
        format!("in {}", Span::from_seconds(seconds))
    }
}

fn separate(plant: &Plant, group: &HypothesisGroup) -> Vec<String> {
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
                    if !instruments.contains(channel) {
                        instruments.push(Id::clone(channel));
                    }
                }
            }
            HypothesisKind::ThermometerLag { .. } => words.push(
                "the next days will tell: what a lagging thermometer feigns comes and goes with the \
                 day, what is lost does not come back"
                    .into(),
            ),
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
    words.extend(group.hypotheses.iter().filter_map(|one| match &one.kind {
        HypothesisKind::Drift { vessel, .. } if leaks => filled_or_emptied(plant, group, vessel),
        _ => None,
    }));
    if leaks && jumps {
        words.push("the next hours will tell: a leak goes on, what happened once does not".into());
    }
    words
}

/// Another pressure tells a hole in a vessel of gas from its instruments.
fn filled_or_emptied(plant: &Plant, group: &HypothesisGroup, vessel: &Id) -> Option<String> {
    let (_, described) = plant.vessel_by_id(vessel)?;
    let section = &plant.section(described.section)?.id;
    let leaks_there = group.hypotheses.iter().any(|one| match &one.kind {
        HypothesisKind::Leak { sections } => sections.contains(section),
        _ => false,
    });
    let of_gas = matches!(described.contents, Contents::Fluid { .. });
    (leaks_there && of_gas).then(|| {
        format!(
            "a day at another pressure of {} would tell: a hole there loses more while it is \
             higher, an instrument that drifts does not",
            described.name
        )
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
    made: &[Proof],
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
            let area = Area {
                sections: vec![section],
            };
            let shows = |proof: &Proof| proof.area == area && proof.would_show(hypothesis.size);
            if made.iter().any(shows) {
                continue;
            }
            let is_bath = |vessel: &Vessel| matches!(vessel.contents, Contents::Bath { .. });
            if area.vessels(plant).any(is_bath) {
                continue;
            }
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

/// The shortest proposed time after which a loss of that size would be seen with 95 %, with the loss
/// that would; the longest one when none is long enough.
fn shortest(
    plant: &Plant,
    accounts: &Accounts,
    area: &Area,
    size_kg_per_s: f64,
) -> Option<(f64, f64)> {
    let (independent_kg2, by_cause) = accounts.errors_now(plant, area);
    let (correlated_kg2, time_s) = correlated_part(plant, &by_cause);
    let outdoors = area.vessels(plant).any(|vessel| vessel.outdoors);
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

#[cfg(test)]
mod tests {
    use super::super::report::Hypothesis;
    use super::*;
    use crate::plant::{files, load};

    fn leak_of(kg_per_day: f64) -> Explanation {
        Explanation {
            groups: vec![HypothesisGroup {
                weight: 1.0,
                hypotheses: vec![Hypothesis {
                    kind: HypothesisKind::Leak {
                        sections: vec!["S1".into()],
                    },
                    weight: 1.0,
                    explained: 30.0,
                    size: kg_per_day / 86_400.0,
                    std: 0.0,
                    since: None,
                }],
                separate: Vec::new(),
                isolation_tests: Vec::new(),
            }],
            excluded: Vec::new(),
        }
    }

    /// tests/reference/leak_units.csv: 1 mbar L/s is 0.0141883556772 kg of helium a day at 20 °C.
    #[test]
    fn a_standing_vacuum_rules_itself_out_and_a_fallen_one_is_looked_at_first() {
        let directory = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/tarn-hollow");
        let plant = load(&files::read(&directory).unwrap()).unwrap();
        let mut vacua: Vec<Option<f64>> = plant
            .all
            .vessel
            .iter()
            .map(|vessel| vessel.insulation_vacuum.map(|_| 1e-4))
            .collect();
        assert_eq!(vacua.iter().flatten().count(), 4);

        let mut found = leak_of(4.0);
        exclude(&mut found, &plant, &|ix| vacua[ix.index()]);
        let said = &found.excluded[0];
        let expected = format!("{:.0} mbar L/s", 4.0 / 0.0141883556772);
        assert!(said.contains(&expected), "{said}");
        assert!(said.contains("less than a second"), "{said}");
        assert!(
            said.contains("String 4 bath (S4-PT-190 reads 1.0e-6 mbar)"),
            "{said}"
        );

        // A pumped bath lets air in; one above the air's pressure may lose helium into it.
        let section = &plant.section(plant.all.vessel[0].section).unwrap().id;
        let HypothesisKind::Leak { sections } = &mut found.groups[0].hypotheses[0].kind else {
            panic!("a leak");
        };
        *sections = vec![Id::clone(section)];
        for (pa, excluded) in [(1_600.0, true), (120_000.0, false)] {
            let mut masses = vec![VesselMass::new(); plant.all.vessel.len()];
            masses[0].pressure_pa = Some(pa);
            found.excluded.clear();
            exclude_by_pressure(&mut found, &plant, &masses);
            assert_eq!(!found.excluded.is_empty(), excluded);
            if let Some(said) = found.excluded.first() {
                assert!(said.contains("(16 mbar)"), "{said}");
            }
        }

        // What a pump could hold is not ruled out.
        let mut small = leak_of(0.1);
        exclude(&mut small, &plant, &|ix| vacua[ix.index()]);
        assert!(small.excluded.is_empty());

        // 0.02 Pa on an ion gauge may be 1.4e-3 mbar of helium.
        vacua[0] = Some(0.02);
        let mut found = leak_of(4.0);
        exclude(&mut found, &plant, &|ix| vacua[ix.index()]);
        assert!(
            !found.excluded[0].contains("String 1"),
            "{}",
            found.excluded[0]
        );
        assert!(found.groups[0].separate[0].contains("look there first"));
    }
}
