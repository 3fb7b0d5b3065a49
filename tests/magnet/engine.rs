//! From registers to figures and alarms: a small plant, tick by tick.

use std::collections::BTreeMap;
use std::sync::Arc;

use coldledger::console::facts::{Scene, magnet_facts};
use coldledger::console::words::SiteTime;
use coldledger::engine::event::{Event, EventKind, Poll, PollFault};
use coldledger::engine::magnets::{HeatSource, JointMethod, LeadWord, MarginState, Until};
use coldledger::engine::{AlarmState, Engine, View};
use coldledger::helium::saturation_at_pressure;
use coldledger::magnet::{self, BathState, Figure, Margin, MarginInput};
use coldledger::plant::{Plant, SourceFile, load, poll_plan};
use coldledger::quantity::AbsolutePressure;
use coldledger::time::{Monotonic, Stamp, Timestamp};

const PLANT: &str = include_str!("plant.toml");
const TICK: i64 = 10_000;

struct Rig {
    plant: Arc<Plant>,
    engine: Engine,
    seq: u64,
    now: i64,
    values: BTreeMap<&'static str, f64>,
    silent: bool,
}

impl Rig {
    fn new() -> Self {
        let file = SourceFile {
            name: "plant.toml".into(),
            text: PLANT.into(),
        };
        let plant = Arc::new(load(&[file]).unwrap_or_else(|problems| panic!("{problems}")));
        Self {
            engine: Engine::new(Arc::clone(&plant)),
            plant,
            seq: 0,
            now: 0,
            values: BTreeMap::from([
                ("IT-1", 4800.0),
                ("TT-1", 4.48),
                ("TT-2", 4.52),
                ("TT-3", 295.0),
                ("PT-1", 1.22e5),
                ("LT-1", 0.500),
                ("FT-1", 1.2e-3),
                ("FT-2", 0.30e-3),
                ("ET-1", 9.2e-6),
                ("ZT-1", 0.0),
            ]),
            silent: false,
        }
    }

    fn give(&mut self, kind: EventKind) {
        self.seq += 1;
        let event = Event {
            seq: self.seq,
            stamp: Stamp {
                utc: Some(Timestamp::from_millis(1_795_590_000_000 + self.now)),
                monotonic: Monotonic(self.now),
                boot: 0,
                epoch: 0,
            },
            kind,
        };
        self.engine.apply(&event, &mut Vec::new()).unwrap();
    }

    fn tick(&mut self) {
        self.now += TICK;
        let plant = Arc::clone(&self.plant);
        for block in poll_plan(&plant) {
            let mut words = vec![0; usize::from(block.key.words)];
            for (ix, offset) in &block.channels {
                let channel = plant.channel(*ix).unwrap();
                let value = self.values[&*channel.id];
                let raw = channel.chain.raw_for(value).unwrap();
                let from = usize::from(*offset);
                words[from..from + raw.as_slice().len()].copy_from_slice(raw.as_slice());
            }
            let words = if self.silent {
                Err(PollFault::TimedOut)
            } else {
                Ok(words)
            };
            self.give(EventKind::Poll(Poll {
                block: Arc::clone(&block.key),
                words,
            }));
        }
        self.give(EventKind::Tick);
    }

    /// So many minutes, with a change of the values before each tick.
    fn minutes(
        &mut self,
        minutes: i64,
        mut change: impl FnMut(&mut BTreeMap<&'static str, f64>, f64),
    ) -> View {
        let begin = self.now;
        for _ in 0..minutes * 6 {
            change(&mut self.values, (self.now - begin) as f64 / 1e3);
            self.tick();
        }
        self.engine.view()
    }
}

fn alarm(view: &View, id: &str) -> (AlarmState, String) {
    let found = view.alarms.iter().find(|alarm| &*alarm.id == id).expect(id);
    (found.state, found.detail.clone())
}

#[test]
fn margin_of_the_warmest_end_and_its_alarm() {
    let mut rig = Rig::new();
    let view = rig.minutes(2, |_, _| {});
    let now = &view.magnets.magnets[0];
    assert_eq!(now.state, MarginState::Standing);
    assert_eq!(now.temperature_from.as_deref(), Some("TT-2"));
    let conductor = &rig.plant.magnets.conductors[0];
    let input = MarginInput {
        temperature_k: now.temperature_k.unwrap(),
        current_a: now.current_a.unwrap(),
        load_line_t_per_a: Figure::new(4.6 / 5000.0, 0.046 / 5000.0),
        strand_share: 1.0 / 18.0,
        critical_current_std: 0.05,
    };
    assert!(
        (input.temperature_k.value - 4.52).abs() < 1e-3
            && (input.temperature_k.std - 0.0224).abs() < 1e-3
    );
    let Margin::Standing(expected) =
        magnet::margin(&conductor.surface, &conductor.strand, &input).unwrap()
    else {
        panic!("it stands")
    };
    assert_eq!(now.margin_k, Some(expected.margin_k));
    assert_eq!(now.load_line, Some(expected.load_line));
    assert!(expected.margin_k.value > 1.0);
    assert_eq!(alarm(&view, "margin").0, AlarmState::Normal);

    let warmer = 4.52 + expected.margin_k.value - 0.6;
    let view = rig.minutes(3, |values, _| {
        values.insert("TT-1", warmer);
    });
    let (state, detail) = alarm(&view, "margin");
    assert_ne!(state, AlarmState::Normal);
    assert!(
        detail.starts_with("0.60 K ±") && detail.contains("below 0.80 K"),
        "{detail}"
    );

    let view = rig.minutes(2, |values, _| {
        values.insert("TT-1", 7.0);
    });
    assert_eq!(view.magnets.magnets[0].state, MarginState::Lost);
    assert!(view.magnets.magnets[0].margin_k.is_none());
    assert_ne!(alarm(&view, "margin").0, AlarmState::Normal);
    let facts = magnet_facts(Scene {
        plant: &rig.plant,
        view: &view,
        now: view.at,
        time: &SiteTime::of(&rig.plant),
    });
    assert!(facts.described && facts.magnets[0].lost && facts.magnets[0].state == "margin lost");
    assert!(facts.cautions[0].contains("no quench protection"));
}

#[test]
fn what_cannot_be_read_is_said_and_not_reckoned() {
    let mut rig = Rig::new();
    rig.minutes(30, |_, _| {});
    rig.silent = true;
    let view = rig.minutes(5, |_, _| {});
    let report = &view.magnets;
    assert_eq!(report.magnets[0].state, MarginState::NotKnown);
    assert!(
        report.magnets[0]
            .why
            .contains("IT-1: device does not answer"),
        "{}",
        report.magnets[0].why
    );
    assert_eq!(report.baths[0].heat_from, HeatSource::NotKnown);
    assert!(
        report.baths[0].why.contains("no usable level or pressure"),
        "{}",
        report.baths[0].why
    );
    assert_eq!(report.baths[0].until_low, Until::NotKnown);
    assert_eq!(report.joints[0].method, JointMethod::NotKnown);
    assert_eq!(report.leads[0].temperature, LeadWord::NotKnown);
    assert_eq!(report.cool_downs[0].until_target, Until::NotKnown);
    // One thermometer alone: the other counts.
    let mut rig = Rig::new();
    let view = rig.minutes(2, |values, _| {
        values.insert("TT-2", 500.0);
    });
    assert_eq!(
        view.magnets.magnets[0].temperature_from.as_deref(),
        Some("TT-1")
    );
    assert!(
        view.magnets.magnets[0]
            .why
            .contains("TT-2: outside the channel's range")
    );
}

#[test]
fn heat_load_by_the_vent_and_time_to_the_low_level() {
    let mut rig = Rig::new();
    // 10 mm an hour from 500 mm; the low level is 300 mm: 20 hours less the hour gone by.
    let view = rig.minutes(60, |values, t| {
        values.insert("LT-1", 0.5 - 0.010 * t / 3600.0);
    });
    let bath = &view.magnets.baths[0];
    assert_eq!(bath.heat_from, HeatSource::VentFlow);
    let still = BathState {
        pressure_pa: Figure::new(1.22e5, 0.0),
        pressure_rate_pa_per_s: Figure::default(),
        liquid_kg: Figure::default(),
        vapour_m3: Figure::default(),
    };
    let expected = magnet::from_vent_flow(&still, Figure::new(1.2e-3, 0.0)).unwrap();
    let heat = bath.heat_w.unwrap();
    assert!(
        (heat.value / expected.heat_w.value - 1.0).abs() < 2e-3,
        "{heat:?}"
    );
    assert!(heat.std > 0.01 * heat.value, "the meter's 1.5 % are in it");
    let Until::After {
        after_s,
        earliest_s,
        latest_s,
    } = bath.until_low
    else {
        panic!("{bath:?}")
    };
    assert!((after_s / 3600.0 - 19.0).abs() < 0.3, "{after_s}");
    assert!(earliest_s < 19.0 * 3600.0 && 19.0 * 3600.0 < latest_s);
    // Without supply: the liquid above 300 mm over what that heat evaporates.
    let saturation = saturation_at_pressure(AbsolutePressure::new(1.22e5)).unwrap();
    let area = std::f64::consts::PI * 0.25;
    let above = saturation.liquid.si() * area * 0.190;
    assert!((bath.above_low_kg.unwrap().value / above - 1.0).abs() < 2e-3);
    let Until::After { after_s, .. } = bath.until_low_without_supply else {
        panic!("{bath:?}")
    };
    assert!((after_s / (above * saturation.latent_heat_j_per_kg / heat.value) - 1.0).abs() < 2e-3);
    assert_eq!(alarm(&view, "soon-low").0, AlarmState::Normal);

    // 150 mm an hour: an hour and a bit is left, and the alarm says so.
    let view = rig.minutes(50, |values, t| {
        values.insert("LT-1", 0.49 - 0.150 * t / 3600.0);
    });
    let (state, detail) = alarm(&view, "soon-low");
    assert_ne!(state, AlarmState::Normal, "{:?}", view.magnets.baths[0]);
    assert!(detail.contains("to the low level"), "{detail}");
    // Held at one level it never gets there.
    let view = rig.minutes(70, |values, _| {
        values.insert("LT-1", 0.365);
    });
    assert_eq!(view.magnets.baths[0].until_low, Until::Never);
}

#[test]
fn heat_load_by_the_fall_only_while_nothing_is_filled_in() {
    let mut rig = Rig::new();
    let fall = |values: &mut BTreeMap<&'static str, f64>, t: f64| {
        values.insert("LT-1", 0.5 - 0.020 * t / 3600.0);
    };
    let view = rig.minutes(40, fall);
    let bath = &view.magnets.baths[1];
    assert_eq!(bath.heat_from, HeatSource::LevelFall, "{bath:?}");
    // e = rho A dh/dt, Q = e L at a pressure that stands.
    let saturation = saturation_at_pressure(AbsolutePressure::new(1.22e5)).unwrap();
    let evaporation = saturation.liquid.si() * std::f64::consts::PI * 0.25 * 0.020 / 3600.0;
    // What is measured is the liquid's mass, which falls by that.
    let heat = evaporation * saturation.latent_heat_j_per_kg;
    assert!(
        (bath.heat_w.unwrap().value / heat - 1.0).abs() < 0.02,
        "{bath:?} {heat}"
    );
    let view = rig.minutes(2, |values, t| {
        fall(values, 2400.0 + t);
        values.insert("ZT-1", 0.5);
    });
    let bath = &view.magnets.baths[1];
    assert_eq!(bath.heat_from, HeatSource::Stated);
    assert_eq!(bath.heat_w, Some(Figure::new(25.0, 4.0)));
}

#[test]
fn joints_by_regression_once_the_current_has_moved() {
    let mut rig = Rig::new();
    // 1.5 nanoohm with 2 microvolt of offset.
    let view = rig.minutes(10, |values, _| {
        values.insert("IT-1", 4800.0);
        values.insert("ET-1", 1.5e-9 * 4800.0 + 2e-6);
    });
    let joint = &view.magnets.joints[0];
    // The stated zero, 2 uV ± 0.3 uV, gives it at once, less surely.
    assert_eq!(joint.method, JointMethod::OnePair, "{joint:?}");
    let found = joint.resistance_ohm.unwrap();
    assert!((found.value - 1.5e-9).abs() < 1e-12 && found.std > 0.3e-6 / 4800.0);
    assert!(joint.why.contains("no regression"), "{}", joint.why);
    for current in [3600.0, 2400.0, 1200.0, 0.0, 1200.0, 2400.0, 3600.0] {
        rig.minutes(12, |values, _| {
            values.insert("IT-1", current);
            values.insert("ET-1", 1.5e-9 * current + 2e-6);
        });
    }
    let view = rig.engine.view();
    let joint = &view.magnets.joints[0];
    assert_eq!(joint.method, JointMethod::Regression, "{joint:?}");
    assert!((joint.resistance_ohm.unwrap().value - 1.5e-9).abs() < 2e-12);
}

#[test]
fn leads_against_flow_and_limits() {
    let mut rig = Rig::new();
    let view = rig.minutes(2, |_, _| {});
    let lead = &view.magnets.leads[0];
    // 0.06 g/s per kA at 4.8 kA is 0.288 g/s; there are 0.30 g/s.
    assert!((lead.flow_ratio.unwrap().value - 0.30 / 0.288).abs() < 1e-3);
    assert_eq!(
        (lead.flow, lead.temperature),
        (LeadWord::Well, LeadWord::Well)
    );
    let view = rig.minutes(2, |values, _| {
        values.insert("FT-2", 0.1e-3);
        values.insert("TT-3", 330.0);
    });
    let lead = &view.magnets.leads[0];
    assert_eq!(
        (lead.flow, lead.temperature),
        (LeadWord::UnderCooled, LeadWord::TooWarm)
    );
}

#[test]
fn cool_down_is_forecast_and_its_gradient_alarms() {
    let mut rig = Rig::new();
    let view = rig.minutes(90, |values, t| {
        values.insert("TT-1", 200.0 - 4.0 * t / 3600.0);
        values.insert("TT-2", 230.0 - 5.0 * t / 3600.0);
    });
    let mass = &view.magnets.cool_downs[0];
    // The far end is 150 K and more from 80 K and falls by 5 K/h.
    assert!((mass.rate_k_per_s.unwrap().value * 3600.0 + 5.0).abs() < 0.05);
    let Until::After {
        after_s,
        earliest_s,
        latest_s,
    } = mass.until_target
    else {
        panic!("{mass:?}")
    };
    let line = (230.0 - 7.5 - 80.0) / 5.0 * 3600.0;
    assert!(
        after_s < line && earliest_s < after_s && latest_s > line * 0.999,
        "{after_s} {line} {latest_s}"
    );
    assert_eq!(alarm(&view, "gradient").0, AlarmState::Normal);
    let view = rig.minutes(3, |values, _| {
        values.insert("TT-1", 150.0);
    });
    let (state, detail) = alarm(&view, "gradient");
    assert_ne!(state, AlarmState::Normal);
    assert!(detail.contains("above 50.0 K"), "{detail}");
}

/// What is remembered goes with a snapshot, and does not grow.
#[test]
fn memory_survives_a_snapshot_and_is_bounded() {
    let mut rig = Rig::new();
    let drive = |values: &mut BTreeMap<&'static str, f64>, t: f64| {
        values.insert("LT-1", 0.5 - 0.001 * t / 3600.0);
        values.insert("IT-1", 500.0 * ((t / 1200.0) % 11.0).floor());
    };
    rig.minutes(26 * 60, drive);
    let (header, day) = rig.engine.snapshot().unwrap();
    let mut restored = Engine::restore(Arc::clone(&rig.plant), &header, &day).unwrap();
    assert_eq!(restored.view().magnets, rig.engine.view().magnets);
    std::mem::swap(&mut restored, &mut rig.engine);
    let seq = rig.seq;
    let first = rig.minutes(5, drive);
    std::mem::swap(&mut restored, &mut rig.engine);
    rig.seq = seq;
    rig.now -= 5 * 60_000;
    let second = rig.minutes(5, drive);
    assert_eq!(first.magnets, second.magnets);
    rig.minutes(24 * 60, drive);
    let (_, later) = rig.engine.snapshot().unwrap();
    assert!(
        later.len() < day.len() + day.len() / 3 + 20_000,
        "{} {}",
        later.len(),
        day.len()
    );
}
