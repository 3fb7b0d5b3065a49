//! Hand-made pictures: blank, calm, and in every kind of trouble.

use std::sync::Arc;

use coldledger::console::{BoxHealth, DestinationHealth, DeviceHealth};
use coldledger::engine::view::{
    AlarmView, BudgetShare, ChannelView, DeviceView, LedgerView, LineView, MagnetReport,
    VesselView, View,
};
use coldledger::engine::{
    AlarmState, ExcessLoss, Explanation, Hypothesis, HypothesisGroup, HypothesisKind,
    InventoryReport, IsolationTest, Kilograms, LossRate, LossReport, MassFigure, ReconciledArea,
    ReconciledLine, Reconciliation, SuspectKind, SuspectMember, SuspectSet, WindowBalance,
};
use coldledger::plant::{Passage, Plant};
use coldledger::quantity::{Quality, Reason};
use coldledger::time::{Span, Timestamp};

use super::{KG_PER_DAY, NAME, NOW, ago, minutes};

fn mass(mass_kg: f64, std_kg: f64) -> MassFigure {
    MassFigure {
        mass_kg,
        std_kg,
        quality: Quality::Good,
        reason: Reason::None,
    }
}

/// The picture before the first event.
pub fn blank(_: &Plant) -> View {
    View::default()
}

/// A picture in which everything is well.
#[expect(clippy::too_many_lines, reason = "one picture, written out")]
pub fn calm(plant: &Plant) -> View {
    let values: &[(&str, f64, f64, Quality, Reason)] = &[
        ("PDT-101", 17.482, 0.11, Quality::Good, Reason::None),
        ("PT-102", 1.2513, 0.0011, Quality::Good, Reason::None),
        ("PT-900", 1003.42, 0.5, Quality::Good, Reason::None),
        ("S1-LT-110", 618.3, 3.7, Quality::Good, Reason::Held),
        ("S1-PT-111", 1.2984, 0.0011, Quality::Good, Reason::None),
        ("S1-FT-112", 18.72, 0.29, Quality::Good, Reason::None),
        ("T1-PT-201", 7.613, 0.0116, Quality::Good, Reason::None),
        ("T1-TT-202", 6.4, 1.5, Quality::Good, Reason::None),
        ("T2-PT-211", 12.207, 0.0116, Quality::Good, Reason::None),
        ("T2-TT-212", 6.9, 1.5, Quality::Good, Reason::None),
    ];
    let channel = |(id, value, std, quality, reason): &(&str, f64, f64, Quality, Reason)| {
        let (_, described) = plant.channel_by_id(id).expect("a channel of the plant");
        ChannelView {
            id: (*id).into(),
            value: Some(*value),
            std: Some(*std),
            unit: described.unit.symbol.into(),
            quality: *quality,
            reason: *reason,
            read_at: Some(ago(Span::from_millis(4_000))),
            age: Some(Span::from_millis(4_000)),
        }
    };
    let vessel = |id: &str, mass_kg: f64, std_kg: f64| VesselView {
        id: id.into(),
        mode: "in-use".into(),
        mass_kg: Some(mass_kg),
        std_kg: Some(std_kg),
        liquid_kg: None,
        level_m: None,
        pressure_pa: Some(1.25e5),
        temperature_k: Some(4.46),
        density_kg_m3: Some(121.6),
        quality: Quality::Good,
        reason: Reason::None,
    };
    View {
        seq: 864_201,
        at: Some(Timestamp::from_millis(NOW)),
        epoch: 0,
        provenance: None,
        channels: values.iter().map(channel).collect(),
        inventory: Some(InventoryReport {
            plant: mass(1204.31, 12.4),
            constant_std_kg: 11.9,
            sections: vec![
                ("liquid".into(), mass(506.2, 5.1)),
                ("string-1".into(), mass(72.4, 0.8)),
                ("tanks".into(), mass(625.7, 9.6)),
            ],
            vessels: vec![
                ("D1".into(), mass(506.2, 5.1)),
                ("B1".into(), mass(72.4, 0.8)),
                ("T1".into(), mass(246.1, 5.2)),
                ("T2".into(), mass(379.6, 7.1)),
            ],
        }),
        vessels: vec![
            VesselView {
                level_m: Some(1.712),
                liquid_kg: Some(498.8),
                ..vessel("D1", 506.2, 5.1)
            },
            VesselView {
                level_m: Some(0.6183),
                liquid_kg: Some(48.1),
                pressure_pa: Some(1.2984e5),
                ..vessel("B1", 72.4, 0.8)
            },
            VesselView {
                pressure_pa: Some(8.6164e5),
                temperature_k: Some(279.55),
                density_kg_m3: Some(4.922),
                ..vessel("T1", 246.1, 5.2)
            },
            VesselView {
                pressure_pa: Some(13.21e5),
                temperature_k: Some(280.05),
                density_kg_m3: Some(7.592),
                ..vessel("T2", 379.6, 7.1)
            },
        ],
        lines: vec![
            LineView {
                id: "boil-off".into(),
                passage: Passage::Open,
                flow_kg_per_s: None,
                flow_std_kg_per_s: None,
            },
            LineView {
                id: "return".into(),
                passage: Passage::Open,
                flow_kg_per_s: Some(0.01872),
                flow_std_kg_per_s: Some(0.00021),
            },
            LineView {
                id: "vent-1".into(),
                passage: Passage::Shut,
                flow_kg_per_s: None,
                flow_std_kg_per_s: None,
            },
        ],
        losses: vec![quiet_losses()],
        magnets: MagnetReport::default(),
        alarms: plant
            .alarms
            .iter()
            .map(|rule| AlarmView {
                id: Arc::clone(&rule.id),
                class: rule.class,
                priority: rule.priority,
                state: AlarmState::Normal,
                since: None,
                age: None,
                detail: String::new(),
                actor: None,
                shelved_until: None,
            })
            .collect(),
        ledger: vec![
            LedgerView {
                id: "opening".into(),
                entered_seq: 0,
                entered_at: None,
                effective_at: ago(Span::from_millis(10 * 86_400_000)),
                over: Span::ZERO,
                kind: "correction".into(),
                mass_kg: 3.0,
                std_kg: 0.4,
                author: "P. Reed".into(),
                note: "carried over from the paper books".into(),
                section: None,
                superseded_by: Some("L-7QK2MWXA".into()),
            },
            LedgerView {
                id: "L-7QK2MWXA".into(),
                entered_seq: 310_022,
                entered_at: Some(ago(Span::from_millis(6 * 86_400_000))),
                effective_at: ago(Span::from_millis(10 * 86_400_000)),
                over: Span::ZERO,
                kind: "correction".into(),
                mass_kg: 3.6,
                std_kg: 0.4,
                author: NAME.into(),
                note: "paper books added up again".into(),
                section: None,
                superseded_by: None,
            },
            LedgerView {
                id: "L-B4TTZP3C".into(),
                entered_seq: 512_871,
                entered_at: Some(ago(Span::from_millis(3 * 86_400_000))),
                effective_at: ago(Span::from_millis(3 * 86_400_000 + 5_400_000)),
                over: Span::from_millis(5_400_000),
                kind: "delivery".into(),
                mass_kg: 118.4,
                std_kg: 0.6,
                author: NAME.into(),
                note: "portable dewar, weighed before and after".into(),
                section: None,
                superseded_by: None,
            },
        ],
        budget: vec![
            BudgetShare {
                source: "T2-PT-211".into(),
                std_kg: 6.2,
                share: 0.25,
            },
            BudgetShare {
                source: "tank wall temperature".into(),
                std_kg: 8.0,
                share: 0.416,
            },
            BudgetShare {
                source: "PDT-101".into(),
                std_kg: 2.5,
                share: 0.0406,
            },
        ],
        devices: ["IO-1", "IO-2", "IO-3"]
            .iter()
            .map(|id| DeviceView {
                id: (*id).into(),
                answers: true,
                fault: String::new(),
                good_polls: 86_390,
                failed_polls: 2,
                last_answer: Some(ago(Span::from_millis(4_000))),
            })
            .collect(),
        events: 864_201,
        ..View::default()
    }
}

fn window(over: Span, unaccounted_kg: f64, std_kg: f64, received_kg: f64) -> WindowBalance {
    let accepted_kg = 0.4 * over.days();
    WindowBalance {
        over,
        from: Some(ago(over)),
        opening_kg: 1204.31 + unaccounted_kg - received_kg,
        received_kg,
        dispatched_kg: 0.0,
        closing_kg: 1204.31,
        unaccounted_kg,
        std_kg,
        accepted_kg,
        excess_kg: unaccounted_kg - accepted_kg,
        excess_std_kg: std_kg,
        decision_threshold_kg: 1.645 * std_kg,
        detection_limit_kg: 3.29 * std_kg,
        coverage: 0.998,
        doubtful_vessels: Vec::new(),
    }
}

fn quiet_losses() -> LossReport {
    LossReport {
        section: None,
        windows: vec![
            window(Span::HOUR, 0.4, 1.1, 0.0),
            window(Span::from_millis(8 * 3_600_000), -0.6, 2.6, 0.0),
            window(Span::DAY, 0.9, 1.4, 0.0),
            window(Span::from_millis(7 * 86_400_000), 3.3, 1.9, 118.4),
        ],
        rate: Some(LossRate {
            over: Span::from_millis(4 * 86_400_000),
            rate_kg_per_s: 0.55 * KG_PER_DAY,
            std_kg_per_s: 0.31 * KG_PER_DAY,
            decision_threshold_kg_per_s: 0.51 * KG_PER_DAY,
            detection_limit_kg_per_s: 1.02 * KG_PER_DAY,
            white_std_kg: 0.9,
            correlated_std_kg: 1.4,
            correlation_time_s: 5400.0,
            daily_wave_kg: 3.1,
        }),
        excess: None,
        accepted_kg_per_s: (0.4 * KG_PER_DAY, 0.1 * KG_PER_DAY),
    }
}

/// A picture with every alarm state, every quality, a loss, and values that are no numbers.
#[expect(clippy::too_many_lines, reason = "one picture, written out")]
pub fn troubled(plant: &Plant) -> View {
    let mut view = calm(plant);
    view.reconciliation = Some(reconciliation());
    let mut raise = |id: &str, state: AlarmState, age: Span, detail: &str, actor: Option<&str>| {
        let alarm = view
            .alarms
            .iter_mut()
            .find(|alarm| &*alarm.id == id)
            .expect("an alarm of the plant");
        alarm.state = state;
        alarm.since = Some(ago(age));
        alarm.age = Some(age);
        alarm.detail = detail.into();
        alarm.actor = actor.map(Into::into);
        if state == AlarmState::Shelved {
            alarm.shelved_until = Some(ago(Span::from_millis(-5_400_000)));
        }
    };
    raise(
        "dewar-pressure-high",
        AlarmState::Unacknowledged,
        minutes(4),
        "PT-102 is 1.467 bar(a), above 1.45 bar(a)",
        None,
    );
    raise(
        "string-1-level-low",
        AlarmState::Acknowledged,
        minutes(52),
        "S1-LT-110 is 231 mm, below 250 mm",
        Some(NAME),
    );
    raise(
        "tank-2-pressure-high",
        AlarmState::ReturnedUnacknowledged,
        minutes(200),
        "T2-PT-211 was 15.6 bar(g), above 15.5 bar(g)",
        None,
    );
    raise(
        "string-flow-high",
        AlarmState::Shelved,
        minutes(30),
        "S1-FT-112 is 36 g/s, above 35 g/s",
        Some("P. Reed"),
    );
    raise(
        "helium-lost",
        AlarmState::Unacknowledged,
        minutes(3 * 1440),
        "4.1 ± 0.6 kg/day beyond the accepted loss",
        None,
    );
    raise(
        "io-3-lost",
        AlarmState::OutOfService,
        minutes(1000),
        "",
        Some("P. Reed"),
    );
    let mut set = |at: usize, value: Option<f64>, quality: Quality, reason: Reason| {
        let channel = &mut view.channels[at];
        channel.value = value;
        channel.quality = quality;
        channel.reason = reason;
    };
    set(1, Some(1.467), Quality::Good, Reason::None);
    set(3, Some(231.0), Quality::Uncertain, Reason::Held);
    set(6, Some(f64::NAN), Quality::Bad, Reason::NotANumber);
    set(7, None, Quality::Bad, Reason::LoopLow);
    set(8, Some(12.207), Quality::Uncertain, Reason::Disagrees);
    set(9, Some(f64::INFINITY), Quality::Bad, Reason::OutOfService);
    view.channels[7].std = None;
    view.vessels[2].quality = Quality::Uncertain;
    view.vessels[2].reason = Reason::CarriedForward;
    view.vessels[3].mass_kg = Some(f64::NAN);
    view.vessels[3].std_kg = Some(f64::NAN);
    view.vessels[3].quality = Quality::Bad;
    view.vessels[3].reason = Reason::InputBad;
    view.lines[2].passage = Passage::Unknown;
    view.devices[2].answers = false;
    view.devices[2].fault = "no answer in time".into();
    let losses = &mut view.losses[0];
    losses.windows[2] = WindowBalance {
        doubtful_vessels: vec!["T1".into()],
        coverage: 0.93,
        ..window(Span::DAY, 4.6, 1.2, 0.0)
    };
    losses.windows[3] = window(Span::from_millis(7 * 86_400_000), 19.8, 1.9, 118.4);
    losses.excess = Some(ExcessLoss {
        raised: true,
        since: Some(ago(Span::from_millis(4 * 86_400_000 + 1_930_000))),
        since_band: Some((
            ago(Span::from_millis(4 * 86_400_000 + 30_000_000)),
            ago(Span::from_millis(4 * 86_400_000 - 20_000_000)),
        )),
        excess_kg_per_s: 4.1 * KG_PER_DAY,
        std_kg_per_s: 0.6 * KG_PER_DAY,
        lost_kg: 17.0,
        lost_std_kg: 2.1,
    });
    losses.rate.as_mut().expect("a rate").rate_kg_per_s = 4.5 * KG_PER_DAY;
    view.losses.extend(areas(&view.losses[0]));
    view.explanation = Some(explanation());
    view
}

/// The string loses; the rest of the plant is one area and quiet.
fn areas(plant: &LossReport) -> [LossReport; 2] {
    let quiet = LossReport {
        section: Some("liquid+tanks".into()),
        windows: vec![WindowBalance {
            accepted_kg: 0.0,
            ..window(Span::DAY, 0.3, 1.9, 0.0)
        }],
        excess: None,
        accepted_kg_per_s: (0.0, 0.41 * KG_PER_DAY),
        ..quiet_losses()
    };
    let losing = LossReport {
        section: Some("string-1".into()),
        excess: plant.excess.clone(),
        ..quiet.clone()
    };
    [quiet, losing]
}

/// The meter of the string's return against both areas.
fn reconciliation() -> Reconciliation {
    let kilograms = |kg, std_kg| Some(Kilograms { kg, std_kg });
    let area = |sections: &[&str], kg: f64, suspect| ReconciledArea {
        sections: sections.iter().map(|id| (*id).into()).collect(),
        growth: kilograms(-kg, 0.4),
        reconciled_growth: kilograms(-kg, 0.3),
        booked_kg: 0.0,
        residual: kilograms(kg, 0.5),
        test: Some(kg / 0.5),
        suspect,
    };
    let member = |what, kg| SuspectMember {
        what,
        size: Kilograms { kg, std_kg: 0.5 },
    };
    Reconciliation {
        from: ago(Span::DAY),
        to: ago(minutes(3)),
        lines: vec![ReconciledLine {
            line: "return".into(),
            measured: kilograms(172.8, 1.7),
            reconciled: kilograms(173.1, 0.5),
            correction_kg: 0.3,
            test: Some(0.2),
            suspect: false,
        }],
        areas: vec![
            area(&["liquid", "tanks"], 0.1, false),
            area(&["string-1"], 4.0, true),
        ],
        chi_square: 64.2,
        degrees_of_freedom: 2,
        limit: 9.21,
        p_value: 1e-14,
        single_limit: 2.9,
        level: 0.01,
        suspects: vec![SuspectSet {
            members: vec![
                member(SuspectKind::Loss(1), 4.0),
                member(SuspectKind::Inventory(1), -4.0),
            ],
            statistic: 8.0,
            close: Vec::new(),
        }],
    }
}

fn explanation() -> Explanation {
    let since = Some(ago(Span::from_millis(4 * 86_400_000 + 1_930_000)));
    let hypothesis = |kind, weight: f64, size: f64| Hypothesis {
        kind,
        weight,
        explained: 30.0 * weight,
        size,
        std: 0.15 * size,
        since,
    };
    Explanation {
        groups: vec![
            HypothesisGroup {
                weight: 0.86,
                hypotheses: vec![
                    hypothesis(
                        HypothesisKind::Leak {
                            sections: vec!["string-1".into()],
                        },
                        0.61,
                        4.1 * KG_PER_DAY,
                    ),
                    hypothesis(
                        HypothesisKind::Drift {
                            vessel: "B1".into(),
                            channels: vec!["S1-LT-110".into()],
                        },
                        0.25,
                        4.0 * KG_PER_DAY,
                    ),
                ],
                separate: vec![
                    "a second reading beside S1-LT-110 would show or clear the instrument".into(),
                ],
                isolation_tests: vec![IsolationTest {
                    close: vec!["boil-off".into()],
                    sections: vec!["tanks".into()],
                    hours: 8.0,
                    proves_kg_per_s: 3.6 * KG_PER_DAY,
                }],
            },
            HypothesisGroup {
                weight: 0.11,
                hypotheses: vec![hypothesis(
                    HypothesisKind::UnbookedVent {
                        sections: vec!["liquid".into(), "tanks".into()],
                    },
                    0.11,
                    16.2,
                )],
                separate: Vec::new(),
                isolation_tests: Vec::new(),
            },
        ],
        excluded: vec!["not into an insulation vacuum: these stand: String 1 bath".into()],
    }
}

pub fn healthy(plant: &Plant) -> BoxHealth {
    BoxHealth {
        version: "0.1.0".into(),
        started: Some(ago(Span::from_millis(3 * 86_400_000))),
        uptime_s: 3 * 86_400,
        seq: 864_201,
        committed_seq: 864_196,
        last_commit_age_s: Some(0.8),
        recording: true,
        not_recording_because: String::new(),
        data_bytes: 412_300_000,
        disk_budget_bytes: 8_000_000_000,
        disk_free_bytes: Some(31_200_000_000),
        memory_bytes: Some(38_400_000),
        queue_depth: 3,
        queue_limit: 4096,
        devices: ["IO-1", "IO-2", "IO-3"]
            .iter()
            .map(|id| DeviceHealth {
                id: (*id).into(),
                polls: 86_392,
                timeouts: 2,
                resyncs: 1,
                round_trip_ms: Some(3.4),
            })
            .collect(),
        destinations: vec![
            DestinationHealth {
                name: "mqtt".into(),
                state: "connected".into(),
                well: true,
                cursor_seq: 864_190,
                lag_events: 6,
                last_error: None,
            },
            DestinationHealth {
                name: "series".into(),
                state: "waiting 30 s to try again".into(),
                well: false,
                cursor_seq: 861_000,
                lag_events: 3196,
                last_error: Some("connection refused".into()),
            },
        ],
        clock_known: true,
        clock_epoch: 0,
        description: plant.hash.to_string(),
        notes: Vec::new(),
    }
}
