//! 300 cubic metres of gas, sealed, behind gauge transmitters, while the weather changes.

use std::sync::Arc;

use coldledger::engine::event::{Event, EventKind, Poll, PollFault};
use coldledger::engine::outcome::{InventoryReport, LossReport, OutcomeKind};
use coldledger::engine::{Engine, Outcome};
use coldledger::plant::{Plant, PollBlock, poll_plan};
use coldledger::quantity::{Quality, Reason};
use coldledger::time::{Monotonic, Span, Stamp};

use crate::support::{files, load, start};

const TANKS_PA: f64 = 10e5;
const TANKS_K: f64 = 288.15;
const AIR_PA: f64 = 101_000.0;
const FALL_PA: f64 = 3_000.0;

/// What the barometer's device says.
#[derive(Clone, Copy, PartialEq)]
enum Barometer {
    Well,
    Silent,
    BeyondItsRange,
}

struct Sealed {
    plant: Arc<Plant>,
    blocks: Vec<PollBlock>,
    engine: Engine,
    seq: u64,
    ticks: i64,
    inventory: Option<InventoryReport>,
    losses: Option<LossReport>,
    outcomes: Vec<Outcome>,
}

impl Sealed {
    fn new() -> Self {
        let plant = load(&files("tests/plants/sealed"));
        Self {
            blocks: poll_plan(&plant),
            engine: Engine::new(Arc::clone(&plant)),
            plant,
            seq: 0,
            ticks: 0,
            inventory: None,
            losses: None,
            outcomes: Vec::new(),
        }
    }

    fn words(&self, block: &PollBlock, air_pa: f64) -> Vec<u16> {
        let mut words = vec![0; usize::from(block.key.words)];
        for (ix, at) in &block.channels {
            let channel = self.plant.channel(*ix).unwrap();
            let value = match &*channel.id {
                "PT-900" => air_pa,
                id if id.starts_with("PT") => TANKS_PA - air_pa,
                _ => TANKS_K,
            };
            let raw = channel.chain.raw_for(value).unwrap();
            let at = usize::from(*at);
            words[at..at + raw.len()].copy_from_slice(&raw);
        }
        words
    }

    /// Time passes while the air pressure goes evenly from one value to another.
    fn pass(&mut self, span: Span, air_pa: (f64, f64), barometer: Barometer) {
        let ticks = span.millis() / 10_000;
        for n in 1..=ticks {
            self.ticks += 1;
            let now = air_pa.0 + (air_pa.1 - air_pa.0) * n as f64 / ticks as f64;
            for block in self.blocks.clone() {
                let words = match barometer {
                    Barometer::Silent if &*block.key.device == "IO-AIR" => Err(PollFault::TimedOut),
                    Barometer::BeyondItsRange if &*block.key.device == "IO-AIR" => {
                        Ok(vec![u16::MAX; usize::from(block.key.words)])
                    }
                    _ => Ok(self.words(&block, now)),
                };
                let block = Arc::clone(&block.key);
                self.apply(EventKind::Poll(Poll { block, words }));
            }
            self.apply(EventKind::Tick);
        }
    }

    fn apply(&mut self, kind: EventKind) {
        self.seq += 1;
        let since = Span::from_millis(self.ticks * 10_000);
        let stamp = Stamp {
            utc: Some(start() + since),
            monotonic: Monotonic::default() + since,
            boot: 1,
            epoch: 0,
        };
        self.outcomes.clear();
        let event = Event {
            seq: self.seq,
            stamp,
            kind,
        };
        self.engine.apply(&event, &mut self.outcomes).unwrap();
        for outcome in self.outcomes.drain(..) {
            match outcome.kind {
                OutcomeKind::Inventory(report) => self.inventory = Some(report),
                OutcomeKind::Losses(report) if report.section.is_none() => {
                    self.losses = Some(report);
                }
                _ => {}
            }
        }
    }

    fn inventory(&self) -> &InventoryReport {
        self.inventory.as_ref().unwrap()
    }
}

#[test]
fn a_falling_barometer_moves_no_helium() {
    let mut sealed = Sealed::new();
    sealed.pass(Span::HOUR, (AIR_PA, AIR_PA), Barometer::Well);
    let before = sealed.inventory().clone();
    sealed.pass(
        Span::from_millis(8 * 3_600_000),
        (AIR_PA, AIR_PA - FALL_PA),
        Barometer::Well,
    );
    let after = sealed.inventory();
    let change = after.plant.mass_kg - before.plant.mass_kg;
    println!(
        "{:.1} kg; change while 30 mbar fall: {change:.4} kg",
        before.plant.mass_kg
    );
    assert!(change.abs() < 0.1, "{change}");
    assert_eq!(after.plant.quality, Quality::Good);
    let window = &sealed.losses.as_ref().unwrap().windows[1];
    assert!(window.unaccounted_kg.abs() < 0.1, "{window:?}");
}

#[test]
fn a_dead_barometer_widens_the_band_and_names_the_tanks() {
    for barometer in [Barometer::Silent, Barometer::BeyondItsRange] {
        let mut sealed = Sealed::new();
        sealed.pass(Span::HOUR, (AIR_PA, AIR_PA), Barometer::Well);
        let before = sealed.inventory().clone();
        let truth = before.plant.mass_kg;
        let mut last = before.plant.std_kg;
        for hour in 0..24 {
            let at = |hours: f64| AIR_PA - FALL_PA * hours / 24.0;
            let hour = f64::from(hour);
            sealed.pass(Span::HOUR, (at(hour), at(hour + 1.0)), barometer);
            let now = sealed.inventory().plant;
            let off = now.mass_kg - truth;
            // The change since the barometer died must be covered by the growth of the band alone.
            let grown =
                libm::sqrt(now.std_kg * now.std_kg - before.plant.std_kg * before.plant.std_kg);
            assert!(off.abs() <= 1.96 * grown, "{hour}: {off} {grown}");
            assert!(now.std_kg > last);
            assert_eq!(now.quality, Quality::Uncertain);
            last = now.std_kg;
        }
        let after = sealed.inventory();
        let off = after.plant.mass_kg - truth;
        println!(
            "a day without barometer: off by {off:.2} kg, 95 % band +- {:.2} kg, before +- {:.2} kg",
            1.96 * after.plant.std_kg,
            1.96 * before.plant.std_kg
        );
        assert!((1.3..1.7).contains(&off.abs()), "{off}");
        assert!(1.96 * after.plant.std_kg >= 1.5);
        // What its loss costs stands in the budget, in kilograms and in words.
        let budget = sealed.engine.view().budget;
        let share = budget
            .iter()
            .find(|share| share.source.starts_with("barometer "))
            .unwrap();
        assert!(share.source.contains("lost"), "{}", share.source);
        assert!((0.7..2.5).contains(&share.std_kg), "{}", share.std_kg);
        for (vessel, figure) in &after.vessels {
            assert_eq!(
                (figure.quality, figure.reason),
                (Quality::Uncertain, Reason::CarriedForward),
                "{vessel}"
            );
        }
        let losses = sealed.losses.as_ref().unwrap();
        for window in &losses.windows {
            let named: Vec<&str> = window.doubtful_vessels.iter().map(|id| &**id).collect();
            assert_eq!(named, ["TANK-1", "TANK-2", "TANK-3"]);
            // The window that ends with the dead barometer must allow for it.
            assert!(
                window.unaccounted_kg.abs() <= 1.96 * window.std_kg,
                "{window:?}"
            );
        }
    }
}

#[test]
fn a_barometer_that_was_never_there_is_stood_in_for_by_the_stated_air() {
    let mut sealed = Sealed::new();
    sealed.pass(Span::HOUR, (AIR_PA, AIR_PA), Barometer::Silent);
    let plant = sealed.inventory().plant;
    assert_eq!(
        (plant.quality, plant.reason),
        (Quality::Uncertain, Reason::Substituted)
    );
    // 20 mbar on 300 m3 at 15 degC are 1.0 kg; the true air is 3 mbar below the stated one.
    let site = &sealed.plant.site;
    let per_pa = 300.0 / (2077.3 * TANKS_K);
    let mut well = Sealed::new();
    well.pass(Span::HOUR, (AIR_PA, AIR_PA), Barometer::Well);
    let truth = well.inventory().plant;
    let off = plant.mass_kg - truth.mass_kg;
    let expected = per_pa * (site.air_pressure.value.si() - AIR_PA);
    assert!((off - expected).abs() < 0.1, "{off} {expected}");
    let grown = libm::sqrt(plant.std_kg * plant.std_kg - truth.std_kg * truth.std_kg);
    let stated = per_pa * site.air_pressure.std;
    assert!((grown / stated - 1.0).abs() < 0.1, "{grown} {stated}");
    let budget = sealed.engine.view().budget;
    let share = budget
        .iter()
        .find(|share| share.source.starts_with("stated air pressure"))
        .unwrap();
    assert!(
        (share.std_kg / stated - 1.0).abs() < 0.01,
        "{}",
        share.std_kg
    );
}
