//! The book of happenings on masses made up here, tick by tick.
#![expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    reason = "counts of ticks and random bits"
)]

use std::collections::BTreeMap;

use smallvec::{SmallVec, smallvec};

use super::{HappeningBook, MassTick};
use crate::actor::Actor;
use crate::balance::inventory::{Readings, VesselMass};
use crate::balance::ledger::{Ledger, LedgerEntry};
use crate::balance::report::{Happening, HappeningKind};
use crate::plant::files::SourceFile;
use crate::plant::{self, Booking, BookingKind, ChannelIx, Plant, Stated};
use crate::quantity::{GroupIx, Mass, Measured, Quality, Reason, Si};
use crate::time::{Monotonic, Span, Timestamp};

/// Thermometers of the tanks, whose errors last two hours as the description states.
struct Thermometers(BTreeMap<ChannelIx, Measured<Si>>);

impl Readings for Thermometers {
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>> {
        self.0.get(&channel)
    }
}

fn thermometers(plant: &Plant) -> Thermometers {
    let of_tank = |n: u32| {
        let id = format!("TT-T{n}");
        let (ix, _) = plant.channel_by_id(&id).unwrap();
        let group = plant
            .groups
            .iter()
            .position(|group| *group.id == *format!("{id}/slow"));
        let group = GroupIx(u16::try_from(group.unwrap()).unwrap());
        let measured = Measured::good(Si(280.0), 0.0, smallvec![(group, 1.0)]);
        (ix, measured)
    };
    Thermometers((1..=4).map(of_tank).collect())
}

/// Slope of a tank's mass to its temperature, kg/K.
const TANK_KG_PER_K: f64 = 80.0 / 280.0;

const TICK_S: f64 = 10.0;
const WARM_UP_H: f64 = 6.0;

/// A plant whose masses are what the test says, with noise.
struct Bench {
    plant: Plant,
    ledger: Ledger,
    book: HappeningBook,
    tick: i64,
    kg: Vec<f64>,
    kelvin: Vec<f64>,
    modes: Vec<u32>,
    reason: Vec<Reason>,
    random: u64,
    told: Vec<(f64, Happening)>,
    readings: Thermometers,
}

impl Bench {
    fn new() -> Self {
        let mut bench = Self::cold();
        bench.run(WARM_UP_H, |_, _| {});
        bench
    }

    /// One that has seen nothing.
    fn cold() -> Self {
        let text = include_str!("../../../tests/plants/transfer/plant.toml");
        let file = SourceFile {
            name: "plant.toml".into(),
            text: text.into(),
        };
        let plant = plant::load(&[file]).unwrap_or_else(|problems| panic!("{problems:?}"));
        let vessels = plant.all.vessel.len();
        let mut bench = Self {
            ledger: Ledger::default(),
            book: HappeningBook::default(),
            tick: 0,
            kg: vec![80.0; vessels],
            kelvin: vec![4.4; vessels],
            modes: vec![0; vessels],
            reason: vec![Reason::None; vessels],
            random: 0x9e37_79b9_7f4a_7c15,
            told: Vec::new(),
            readings: thermometers(&plant),
            plant,
        };
        *bench.vessel("DEWAR-1") = 400.0;
        *bench.vessel("DEWAR-2") = 200.0;
        *bench.vessel("PUMPED") = 30.0;
        *bench.vessel("BAG") = 5.0;
        *bench.vessel("PURIFIER") = 1.5;
        bench
    }

    fn at(&self, id: &str) -> usize {
        self.plant.vessel_by_id(id).unwrap().0.index()
    }

    fn vessel(&mut self, id: &str) -> &mut f64 {
        let at = self.at(id);
        &mut self.kg[at]
    }

    fn slope(&self, vessel: usize) -> SmallVec<[(ChannelIx, f64); 6]> {
        let tank = self.plant.all.vessel[vessel].id.strip_prefix("TANK-");
        tank.map(|n| format!("TT-T{n}"))
            .and_then(|id| self.plant.channel_by_id(&id))
            .map(|(ix, _)| (ix, -TANK_KG_PER_K))
            .into_iter()
            .collect()
    }

    fn hours(&self) -> f64 {
        self.tick as f64 * TICK_S / 3600.0
    }

    /// Sum of twelve uniform numbers: near enough to normal.
    fn normal(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.random ^= self.random << 13;
            self.random ^= self.random >> 7;
            self.random ^= self.random << 17;
            sum += (self.random >> 11) as f64 / (1u64 << 53) as f64;
        }
        sum
    }

    /// Runs for some hours; `each` sees the hours since the call, before each tick.
    fn run(&mut self, hours: f64, mut each: impl FnMut(&mut Self, f64)) {
        let ticks = (hours * 3600.0 / TICK_S).round() as i64;
        for n in 0..ticks {
            each(self, n as f64 * TICK_S / 3600.0);
            self.one_tick();
        }
    }

    fn one_tick(&mut self) {
        self.tick += 1;
        let masses: Vec<VesselMass> = (0..self.kg.len())
            .map(|at| VesselMass {
                mass_kg: self.kg[at] + 0.2 * self.normal(),
                liquid_kg: None,
                level_m: None,
                pressure_pa: None,
                temperature_k: Some(self.kelvin[at]),
                density_kg_m3: None,
                by_channel: self.slope(at),
                by_stated: SmallVec::new(),
                quality: match self.reason[at] {
                    Reason::None => Quality::Good,
                    _ => Quality::Uncertain,
                },
                reason: self.reason[at],
            })
            .collect();
        let tick = MassTick {
            now: Monotonic(self.tick * 10_000),
            utc: Some(Timestamp::from_millis(self.tick * 10_000)),
            masses: &masses,
            modes: &self.modes,
            readings: &self.readings,
        };
        let mut out = Vec::new();
        self.book.tick(&self.plant, &self.ledger, &tick, &mut out);
        let hours = self.hours();
        self.told.extend(out.into_iter().map(|h| (hours, h)));
    }

    /// Evenly over `hours`, kg by vessel; then an hour of rest.
    fn move_over(&mut self, hours: f64, kg: &[(&str, f64)]) {
        let before = self.kg.clone();
        self.run(hours, |bench, h| {
            for (id, moved) in kg {
                let at = bench.at(id);
                bench.kg[at] = before[at] + moved * (h + TICK_S / 3600.0) / hours;
            }
        });
        self.run(1.0, |_, _| {});
    }

    fn book_entry(&mut self, id: &str, at_h: f64, over_h: f64, kg: f64, supersedes: Option<&str>) {
        let span = |h: f64| Span::from_seconds(h * 3600.0);
        let entry = LedgerEntry {
            id: id.into(),
            booking: Booking {
                effective_at: Timestamp::from_millis(0) + span(at_h),
                over: span(over_h),
                kind: BookingKind::Delivery,
                mass: Stated {
                    value: Mass::new(kg),
                    std: 0.5,
                },
                author: "store keeper".into(),
                note: String::new(),
                section: None,
            },
            supersedes: supersedes.map(Into::into),
            actor: Actor {
                name: "store keeper".into(),
                place: "test".into(),
            },
        };
        self.ledger.book(entry, 1, None).unwrap();
    }

    fn kinds(&self) -> Vec<HappeningKind> {
        self.told.iter().map(|(_, h)| h.kind).collect()
    }
}

fn sum(side: &[(plant::Id, f64)]) -> f64 {
    side.iter().map(|(_, kg)| kg).sum()
}

#[test]
fn quiet_masses_give_none() {
    let mut bench = Bench::new();
    bench.run(72.0, |_, _| {});
    assert_eq!(bench.told, vec![]);
}

fn ripple(bench: &mut Bench, hours: f64) {
    bench.run(hours, |bench, h| {
        // Thirty minutes and 8 % of the bath.
        let swing = 1.2 * libm::sin(std::f64::consts::TAU * 2.0 * h);
        *bench.vessel("PUMPED") = 30.0 + swing;
        *bench.vessel("DEWAR-1") = 400.0 - swing;
    });
}

#[test]
fn the_ripple_of_a_level_control_gives_none() {
    let mut bench = Bench::cold();
    ripple(&mut bench, 72.0);
    assert_eq!(bench.told, vec![]);
}

#[test]
fn a_ripple_that_begins_anew_becomes_usual() {
    let mut bench = Bench::new();
    ripple(&mut bench, 72.0);
    bench.told.clear();
    ripple(&mut bench, 72.0);
    assert_eq!(bench.told, vec![]);
}

#[test]
fn the_daily_wave_of_outdoor_tanks_gives_none() {
    let mut bench = Bench::new();
    bench.run(240.0, |bench, h| {
        // As large as a lagging thermometer makes it, and never the same: 1 to 2 kg a tank.
        let day = (h / 24.0).floor();
        let size = 1.5 + 0.5 * libm::sin(7.0 * day);
        for id in ["TANK-1", "TANK-2", "TANK-3", "TANK-4"] {
            *bench.vessel(id) = 80.0 + size * libm::sin(std::f64::consts::TAU * h / 24.0);
        }
    });
    assert_eq!(bench.told, vec![]);
}

#[test]
fn spikes_and_excursions_of_an_instrument_give_none() {
    let mut bench = Bench::new();
    bench.run(24.0, |bench, h| {
        let minute = (h * 60.0) % 180.0;
        // A spike of 100 kg for 20 s, an excursion of 60 kg for 12 min; of a bath and of a tank.
        let off = |from: f64| {
            if (from..from + 0.4).contains(&minute) {
                100.0
            } else if (from + 30.0..from + 42.0).contains(&minute) {
                -60.0
            } else {
                0.0
            }
        };
        *bench.vessel("DEWAR-1") = 400.0 + off(0.0);
        *bench.vessel("TANK-2") = 80.0 + off(90.0);
    });
    assert_eq!(bench.told, vec![]);
}

#[test]
fn a_restatement_gives_none() {
    let mut bench = Bench::new();
    *bench.vessel("DEWAR-1") += 50.0;
    bench.book.interrupt();
    bench.run(6.0, |_, _| {});
    assert_eq!(bench.told, vec![]);
}

#[test]
fn a_vessel_carried_forward_gives_none_and_hides_no_other() {
    let mut bench = Bench::new();
    let at = bench.at("DEWAR-1");
    bench.reason[at] = Reason::CarriedForward;
    bench.run(3.0, |_, _| {});
    bench.reason[at] = Reason::None;
    bench.kg[at] -= 40.0;
    bench.run(6.0, |_, _| {});
    assert_eq!(bench.told, vec![]);

    bench.reason[at] = Reason::CarriedForward;
    bench.run(3.0, |_, _| {});
    bench.move_over(0.5, &[("TANK-1", -15.0)]);
    assert_eq!(bench.kinds(), [HappeningKind::Vent]);
    assert!((bench.told[0].1.net_kg + 15.0).abs() < 0.5);
}

#[test]
fn a_transfer_is_accounted_for() {
    let mut bench = Bench::new();
    let began = bench.hours();
    bench.move_over(
        1.0,
        &[
            ("DEWAR-1", -117.0),
            ("DEWAR-2", 91.3),
            ("TANK-1", 12.0),
            ("TANK-2", 13.7),
        ],
    );
    assert_eq!(bench.kinds(), [HappeningKind::Transfer]);
    let (_, transfer) = &bench.told[0];
    assert!((sum(&transfer.gave) - 117.0).abs() < 0.5, "{transfer:?}");
    assert!((sum(&transfer.took) - 117.0).abs() < 0.8, "{transfer:?}");
    assert!(transfer.net_kg.abs() < 3.0 * transfer.net_std_kg);
    assert!((sum(&transfer.took) - sum(&transfer.gave) - transfer.net_kg).abs() < 1.0);
    let hour = |t: Option<Timestamp>| t.unwrap().millis() as f64 / 3.6e6;
    assert!((hour(transfer.from) - began).abs() < 0.26, "{transfer:?}");
    assert!(
        (hour(transfer.to) - began - 1.0).abs() < 0.26,
        "{transfer:?}"
    );
    assert_eq!(bench.book.jumps(&bench.ledger), vec![]);
}

#[test]
fn a_bath_filled_from_the_liquefier_is_a_fill() {
    let mut bench = Bench::new();
    bench.move_over(
        2.0,
        &[("DEWAR-2", 60.0), ("TANK-1", -30.0), ("TANK-2", -30.0)],
    );
    assert_eq!(bench.kinds(), [HappeningKind::Fill]);
}

#[test]
fn a_quench_is_told_though_the_level_control_fills_up_again() {
    let mut bench = Bench::new();
    let before = bench.kg.clone();
    let (bath, tank) = (bench.at("DEWAR-2"), bench.at("TANK-1"));
    let dewar = bench.at("DEWAR-1");
    bench.run(2.0, |bench, h| {
        let refilled = (40.0 * h).min(40.0);
        bench.kg[bath] = before[bath] - 40.0 + refilled;
        bench.kg[dewar] = before[dewar] - refilled;
        bench.kg[tank] = before[tank] + 40.0;
    });
    bench.run(1.0, |_, _| {});
    let kinds = bench.kinds();
    assert_eq!(kinds[0], HappeningKind::Quench, "{:#?}", bench.told);
    let (at, quench) = &bench.told[0];
    assert!(at - WARM_UP_H < 0.4, "told after {at}");
    assert!((25.0..42.0).contains(&sum(&quench.gave)), "{quench:?}");
    assert!(quench.net_kg.abs() < 3.0 * quench.net_std_kg, "{quench:?}");
    // What filled it up again came from the other dewar.
    assert_eq!(kinds[1..], [HappeningKind::Transfer]);
}

#[test]
fn a_leak_that_goes_on_is_no_vent_and_a_delivery_during_it_is_seen() {
    let mut bench = Bench::new();
    bench.run(24.0, |bench, _| {
        *bench.vessel("TANK-1") -= 60.0 / 8640.0;
        *bench.vessel("TANK-2") -= 60.0 / 8640.0;
    });
    assert_eq!(bench.told, vec![]);
    bench.run(2.0, |bench, h| {
        *bench.vessel("TANK-3") += if h < 1.0 { 100.0 / 360.0 } else { 0.0 };
    });
    assert_eq!(bench.kinds(), [HappeningKind::Delivery]);
}

#[test]
fn a_delivery_is_unbooked_until_its_entry_comes() {
    let mut bench = Bench::new();
    bench.move_over(1.0, &[("TANK-1", 150.0), ("TANK-2", 150.0)]);
    assert_eq!(bench.kinds(), [HappeningKind::Delivery]);
    let first = bench.told[0].1.clone();
    assert_eq!(first.booked, None);
    // The doubt about fresh gas is stated.
    assert!(
        (first.net_kg - 300.0).abs() < 1.0 && first.net_std_kg > 5.0,
        "{first:?}"
    );
    let jumps = bench.book.jumps(&bench.ledger);
    assert_eq!(jumps.len(), 1);
    assert!(!jumps[0].booked && (jumps[0].net_kg - 300.0).abs() < 1.0);
    assert!(jumps[0].from <= first.from.unwrap() && jumps[0].to >= first.to.unwrap());

    bench.book_entry("d1", WARM_UP_H, 1.0, 298.0, None);
    bench.one_tick();
    assert_eq!(bench.told.len(), 2);
    let second = &bench.told[1].1;
    assert_eq!(second.booked.as_deref(), Some("d1"));
    assert!((second.net_kg - 2.0).abs() < 1.0, "{second:?}");
    assert_eq!((second.from, second.kind), (first.from, first.kind));
    let jumps = bench.book.jumps(&bench.ledger);
    assert!(jumps.len() == 1 && jumps[0].booked && jumps[0].net_kg.abs() < 4.0);

    // Withdrawn by an entry of nothing.
    bench.book_entry("d2", WARM_UP_H, 1.0, 0.0, Some("d1"));
    bench.one_tick();
    assert_eq!(bench.told.len(), 3);
    assert_eq!(bench.told[2].1.booked, None);
    bench.run(1.0, |_, _| {});
    assert_eq!(bench.told.len(), 3);
    assert_eq!(bench.book.known().count(), 1);
}

#[test]
fn an_entry_that_began_before_the_happening_leaves_half_of_that_in_doubt() {
    let mut bench = Bench::new();
    bench.move_over(1.0, &[("TANK-1", 150.0), ("TANK-2", 150.0)]);
    let certain = bench.told[0].1.clone();
    // Two hours with 300 kg each, the first of them before anything moved.
    bench.book_entry("d1", WARM_UP_H - 1.0, 2.0, 600.0, None);
    bench.one_tick();
    let told = &bench.told[1].1;
    assert_eq!(told.booked.as_deref(), Some("d1"));
    // Between 300 - 600 and 300 - 300, but for the grid's steps.
    assert!((told.net_kg + 150.0).abs() < 30.0, "{told:?}");
    let doubt =
        libm::sqrt(told.net_std_kg * told.net_std_kg - certain.net_std_kg * certain.net_std_kg);
    assert!((doubt - 300.0 / libm::sqrt(12.0)).abs() < 15.0, "{told:?}");
}

#[test]
fn an_entry_dated_hours_beside_leaves_a_jump_where_it_is_dated() {
    let mut bench = Bench::new();
    bench.move_over(0.5, &[("TANK-1", 40.0)]);
    bench.book_entry("d1", WARM_UP_H - 5.0, 0.25, 41.0, None);
    bench.one_tick();
    assert_eq!(bench.told[1].1.booked.as_deref(), Some("d1"));
    let jumps = bench.book.jumps(&bench.ledger);
    assert_eq!(jumps.len(), 2);
    assert!((jumps[0].net_kg - 40.0).abs() < 1.0);
    assert!((jumps[1].net_kg + 41.0).abs() < 1e-9);
    let unrelated = jumps.iter().map(|jump| jump.net_kg).sum::<f64>();
    assert!((unrelated + 1.0).abs() < 1.0);
}

#[test]
fn an_entry_of_another_mass_hours_away_explains_nothing() {
    let mut bench = Bench::new();
    bench.move_over(0.5, &[("TANK-1", 40.0)]);
    bench.book_entry("d1", WARM_UP_H - 5.0, 0.25, 90.0, None);
    bench.one_tick();
    assert_eq!(bench.told.len(), 1);
    assert_eq!(bench.told[0].1.booked, None);
}

#[test]
fn a_happening_that_goes_on_is_told_in_parts() {
    let mut bench = Bench::new();
    bench.move_over(20.0, &[("TANK-1", 200.0), ("TANK-2", 200.0)]);
    assert_eq!(bench.kinds(), [HappeningKind::Delivery; 2]);
    assert!(
        (bench.told[0].0 - WARM_UP_H - 12.0).abs() < 0.6,
        "{:?}",
        bench.told[0]
    );
    let net: f64 = bench.told.iter().map(|(_, h)| h.net_kg).sum();
    // What comes in before the second part is recognised is the price of telling the first.
    assert!((net - 400.0).abs() < 3.0, "{net}");
}

#[test]
fn a_regeneration_is_told_by_its_mode_and_its_holdup_is_no_vent() {
    let mut bench = Bench::new();
    let purifier = bench.at("PURIFIER");
    bench.modes[purifier] = 1;
    *bench.vessel("PURIFIER") = 0.2;
    bench.move_over(1.0, &[("BAG", 1.3)]);
    bench.run(3.0, |_, _| {});
    bench.modes[purifier] = 0;
    *bench.vessel("PURIFIER") = 1.5;
    bench.run(2.0, |_, _| {});
    assert_eq!(bench.kinds(), [HappeningKind::Regeneration]);
    let regeneration = &bench.told[0].1;
    assert!((sum(&regeneration.gave) - 1.3).abs() < 1e-9);
    assert!(regeneration.net_std_kg > 1.0, "{regeneration:?}");
}

#[test]
fn a_mode_whose_contents_do_not_count_moves_nothing() {
    let mut bench = Bench::new();
    let bath = bench.at("PUMPED");
    bench.modes[bath] = 1;
    bench.kg[bath] = 0.05;
    bench.run(3.0, |_, _| {});
    assert_eq!(bench.told, vec![]);
}

#[test]
fn a_bath_pumped_through_the_lambda_line_is_a_pump_down() {
    let mut bench = Bench::new();
    let bath = bench.at("PUMPED");
    bench.run(4.0, |bench, h| {
        bench.kelvin[bath] = 4.2 - 2.3 * h / 4.0;
        bench.kg[bath] = 30.0 - 8.7 * h / 4.0;
        *bench.vessel("BAG") = 5.0 + 8.7 * h / 4.0;
    });
    bench.run(1.0, |_, _| {});
    assert_eq!(bench.kinds(), [HappeningKind::PumpDown]);
    let pumped = &bench.told[0].1;
    assert!((sum(&pumped.gave) - 8.7).abs() < 0.4, "{pumped:?}");
    assert!(pumped.net_kg.abs() < 3.0 * pumped.net_std_kg, "{pumped:?}");
}

#[test]
fn nothing_grows_without_bound_and_a_restart_in_between_changes_nothing() {
    let mut bench = Bench::new();
    for _ in 0..70 {
        bench.move_over(0.25, &[("TANK-1", 20.0)]);
        bench.move_over(0.25, &[("TANK-1", -20.0)]);
    }
    assert_eq!(bench.told.len(), 140);
    assert_eq!(bench.book.known().count(), 64);
    bench.run(0.2, |bench, _| *bench.vessel("TANK-1") += 0.3);
    let bytes = postcard::to_allocvec(&bench.book).unwrap();
    assert!(bytes.len() < 60_000, "{}", bytes.len());
    let restored: HappeningBook = postcard::from_bytes(&bytes).unwrap();
    assert_eq!(restored, bench.book);
}
