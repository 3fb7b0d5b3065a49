//! Room left: how long until gas must be vented if the compressors stop now.
//!
//! Without compressors gas goes only where the pressure of the baths drives it: into the bag, which
//! stands a few mbar above the air, and into a tank whose pressure lies below that of every bath
//! that boils, up to that pressure. A tank at several bar or a cylinder bank at 200 bar is out of
//! reach however empty it is; it is listed apart, as room that a compressor which still runs could
//! fill. A pumped bath lies below the air: its gas reaches the bag only while its pump runs, so it
//! sets no pressure here, but its boil-off is counted, which is on the safe side.
//!
//! Room is what a store holds when full (`full-at` of the description) less what it holds:
//! - bag: (V_full - V) rho;
//! - tank: V (rho(T, p) - rho(T, p_now)) with p the lower of `full-at` and what drives the gas.
//!
//! What boils off, bath by bath, from the first of these that is to be had:
//! 1. its mass over the last hour, while every supply to its section was shut for all of it;
//! 2. the meters on lines that leave its section, when it is the only bath there and every line that
//!    leaves and is not shut has one;
//! 3. what the description states for it (`boil-off`).
//!
//! A site's own stated `boil-off` stands for the total when one of its baths has none of these.
//!
//! The hours are room over boil-off. Their standard uncertainty follows from both by the law of
//! propagation (JCGM 100:2008, 5.1.2; relative variances add in a quotient); the 95 % band is 1.96 of
//! it to either side, not below zero.

use serde::{Deserialize, Serialize};

use super::inventory::{Readings, VesselMass};
use super::meter::meter_flow;
use super::report::{BoilOffFrom, RoomLeft};
use super::tally::Tally;
use crate::helium::{self, PhaseHint};
use crate::plant::{
    Contents, End, FullAt, Id, Line, LineIx, LiquidState, Passage, Plant, PressureSource, Vessel,
    VesselIx,
};
use crate::quantity::{AbsolutePressure, Quality, Temperature};
use crate::time::{Monotonic, Span};

/// Half-width of a 95 % band, in standard uncertainties.
const BAND_95: f64 = 1.96;
/// A trend counts when it is this many of its standard uncertainties.
const CERTAIN: f64 = 2.0;

/// Whether the supply of each bath has been shut for long enough to see what boils off.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SupplyWatch {
    shut_since: Vec<Option<Monotonic>>,
}

impl SupplyWatch {
    /// Takes the state of the lines at a tick.
    pub fn tick(&mut self, plant: &Plant, passages: &[Passage], now: Monotonic) {
        self.shut_since.resize(plant.all.vessel.len(), None);
        for (vessel, since) in plant.all.vessel.iter().zip(&mut self.shut_since) {
            *since = if supply_is_shut(plant, passages, vessel) {
                Some(since.unwrap_or(now))
            } else {
                None
            };
        }
    }

    fn shut_for_an_hour(&self, vessel: VesselIx, now: Monotonic) -> bool {
        let since = self.shut_since.get(vessel.index()).copied().flatten();
        since.is_some_and(|since| now - since >= Span::HOUR)
    }
}

/// Every line that leads into its section is known to be shut, and there is one.
fn supply_is_shut(plant: &Plant, passages: &[Passage], vessel: &Vessel) -> bool {
    let into = End::Section(vessel.section);
    let mut supplies = plant
        .all
        .line
        .iter()
        .zip(passages)
        .filter(|(line, _)| line.to == into && line.from != into)
        .peekable();
    matches!(vessel.contents, Contents::Bath { .. })
        && supplies.peek().is_some()
        && supplies.all(|(_, passage)| *passage == Passage::Shut)
}

/// What the room is reckoned from.
pub struct RoomNow<'a> {
    /// Continuous monotonic time.
    pub now: Monotonic,
    /// Each vessel's mass.
    pub masses: &'a [VesselMass],
    /// The readings they rest on.
    pub readings: &'a dyn Readings,
    /// State of each line.
    pub passages: &'a [Passage],
    /// Supplies.
    pub supply: &'a SupplyWatch,
    /// Change of a vessel over the last hour, kg with standard uncertainty.
    pub change_over_hour: &'a dyn Fn(VesselIx) -> Option<(f64, f64)>,
}

/// Room for gas; none when no store of the description says where it is full.
#[must_use]
pub fn room_left(plant: &Plant, now: &RoomNow<'_>) -> Option<RoomLeft> {
    if plant
        .all
        .vessel
        .iter()
        .all(|vessel| vessel.full_at.is_none())
    {
        return None;
    }
    let driving_pa = driving_pressure(plant, now);
    let (mut by_vessel, mut by_compressor) = (Vec::new(), Vec::new());
    let (mut free_kg, mut free_kg2) = (0.0, 0.0);
    for (vessel, mass) in plant.all.vessel.iter().zip(now.masses) {
        let Some(space) = space(vessel, mass, driving_pa) else {
            continue;
        };
        if let Some(kg) = space.reachable_kg {
            let std = libm::sqrt(Tally::of([mass], now.readings).variance_kg2());
            free_kg += kg;
            free_kg2 += std * std;
            by_vessel.push((Id::clone(&vessel.id), kg));
        }
        if space.by_compressor_kg > 0.0 {
            by_compressor.push((Id::clone(&vessel.id), space.by_compressor_kg));
        }
    }
    let boil_off = boil_off(plant, now);
    let free_std_kg = libm::sqrt(free_kg2);
    let hours = boil_off
        .total
        .filter(|(rate, _)| *rate > 0.0)
        .map(|(rate, std)| hours(free_kg, free_std_kg, rate, std));
    let (rate, std) = boil_off.total.unwrap_or((0.0, 0.0));
    Some(RoomLeft {
        hours: hours.map(|(hours, _)| hours),
        hours_band: hours.map(|(_, band)| band),
        free_kg,
        free_std_kg,
        by_vessel,
        boil_off_kg_per_s: rate,
        boil_off_std_kg_per_s: std,
        boil_off_from: boil_off.from,
        by_compressor,
    })
}

fn hours(free_kg: f64, free_std_kg: f64, rate: f64, rate_std: f64) -> (f64, (f64, f64)) {
    let per_hour = 3600.0 * rate;
    let hours = free_kg / per_hour;
    let std = libm::hypot(free_std_kg / per_hour, hours * rate_std / rate);
    let band = ((hours - BAND_95 * std).max(0.0), hours + BAND_95 * std);
    (hours, band)
}

/// The lowest pressure of the baths that boil into the plant by themselves, Pa.
fn driving_pressure(plant: &Plant, now: &RoomNow<'_>) -> Option<f64> {
    plant
        .all
        .vessel
        .iter()
        .zip(now.masses)
        .filter(|(vessel, mass)| {
            let pumped = matches!(
                vessel.contents,
                Contents::Bath {
                    liquid: LiquidState::Pumped(_),
                    ..
                }
            );
            matches!(vessel.contents, Contents::Bath { .. })
                && !pumped
                && mass.liquid_kg.is_some_and(|kg| kg > 0.0)
        })
        .filter_map(|(_, mass)| mass.pressure_pa)
        .min_by(f64::total_cmp)
}

struct Space {
    /// None where gas cannot go without a compressor.
    reachable_kg: Option<f64>,
    by_compressor_kg: f64,
}

fn space(vessel: &Vessel, mass: &VesselMass, driving_pa: Option<f64>) -> Option<Space> {
    if mass.quality == Quality::Bad {
        return None;
    }
    match (vessel.full_at?, &vessel.contents) {
        (FullAt::Volume(full), Contents::Bag { .. }) => {
            let density = mass.density_kg_m3.filter(|density| *density > 0.0)?;
            Some(Space {
                reachable_kg: Some((full.si() * density - mass.mass_kg).max(0.0)),
                by_compressor_kg: 0.0,
            })
        }
        (
            FullAt::Pressure(full),
            Contents::Fluid {
                volume, pressure, ..
            },
        ) => {
            // One that is open to the air is no store.
            if matches!(pressure, PressureSource::Air { .. }) {
                return None;
            }
            let (now_pa, kelvin) = (mass.pressure_pa?, mass.temperature_k?);
            let density = mass.density_kg_m3.filter(|density| *density > 0.0)?;
            // The helium fraction stays as it is.
            let per_m3 = density / density_at(kelvin, now_pa)?;
            let room = |to_pa: f64| -> Option<f64> {
                let dense = per_m3 * density_at(kelvin, to_pa)?;
                Some((volume.value.si() * (dense - density)).max(0.0))
            };
            let full_kg = room(full.si())?;
            let reachable_kg = match driving_pa {
                Some(driving_pa) if now_pa < driving_pa => Some(room(driving_pa.min(full.si()))?),
                _ => None,
            };
            Some(Space {
                reachable_kg,
                by_compressor_kg: full_kg - reachable_kg.unwrap_or(0.0),
            })
        }
        _ => None,
    }
}

fn density_at(kelvin: f64, pa: f64) -> Option<f64> {
    let (t, p) = (Temperature::new(kelvin), AbsolutePressure::new(pa));
    let slopes = helium::density_with_slopes(t, p, PhaseHint::Stable).ok()?;
    Some(slopes.density.si()).filter(|density| *density > 0.0)
}

struct BoilOff {
    /// kg/s with standard uncertainty; none while one bath's is not known.
    total: Option<(f64, f64)>,
    from: Vec<(Id, BoilOffFrom)>,
}

fn boil_off(plant: &Plant, now: &RoomNow<'_>) -> BoilOff {
    let (mut rate, mut variance, mut known) = (0.0, 0.0, true);
    let mut from = Vec::new();
    for ((number, vessel), mass) in (0u32..).zip(&plant.all.vessel).zip(now.masses) {
        if !matches!(vessel.contents, Contents::Bath { .. }) || is_empty(mass) {
            continue;
        }
        let found = of_bath(plant, now, VesselIx(number), vessel, mass);
        let source = found.map_or(BoilOffFrom::Unknown, |(_, source)| source);
        from.push((Id::clone(&vessel.id), source));
        if let Some(((kg_per_s, std), _)) = found {
            rate += kg_per_s;
            variance += std * std;
        }
        known &= found.is_some();
    }
    if !known && let Some(stated) = plant.site.boil_off {
        return BoilOff {
            total: Some((stated.value.si(), stated.std)),
            from: vec![(Id::clone(&plant.site.id), BoilOffFrom::Stated)],
        };
    }
    BoilOff {
        total: (known && !from.is_empty()).then(|| (rate, libm::sqrt(variance))),
        from,
    }
}

/// Warm, or without liquid: nothing boils there.
fn is_empty(mass: &VesselMass) -> bool {
    mass.quality != Quality::Bad && mass.liquid_kg.is_none_or(|kg| kg <= 0.0)
}

type Rate = ((f64, f64), BoilOffFrom);

fn of_bath(
    plant: &Plant,
    now: &RoomNow<'_>,
    ix: VesselIx,
    vessel: &Vessel,
    mass: &VesselMass,
) -> Option<Rate> {
    let trend = (now.supply.shut_for_an_hour(ix, now.now) && mass.quality == Quality::Good)
        .then(|| (now.change_over_hour)(ix))
        .flatten()
        .filter(|(kg, std)| -kg > CERTAIN * std)
        .map(|(kg, std)| (-kg / 3600.0, std / 3600.0));
    if let Some(rate) = trend {
        return Some((rate, BoilOffFrom::Trend));
    }
    if let Some(rate) = metered(plant, now, vessel) {
        return Some((rate, BoilOffFrom::Meters));
    }
    let stated = vessel.boil_off?;
    Some(((stated.value.si(), stated.std), BoilOffFrom::Stated))
}

fn metered(plant: &Plant, now: &RoomNow<'_>, vessel: &Vessel) -> Option<(f64, f64)> {
    let section = plant.section(vessel.section)?;
    let baths = section
        .vessels
        .iter()
        .filter_map(|ix| plant.vessel(*ix))
        .filter(|other| matches!(other.contents, Contents::Bath { .. }));
    if baths.count() != 1 {
        return None;
    }
    let out = End::Section(vessel.section);
    let leaves = |line: &&Line| line.from == out && line.to != out;
    let (mut rate, mut variance, mut meters) = (0.0, 0.0, 0);
    for ((number, line), passage) in (0u32..).zip(&plant.all.line).zip(now.passages) {
        if !leaves(&line) || *passage == Passage::Shut {
            continue;
        }
        let measured = meter_flow(plant, now.readings, LineIx(number))?;
        if !measured.is_usable() {
            return None;
        }
        let std = measured.combined_std();
        rate += measured.value.si();
        variance += std * std;
        meters += 1;
    }
    (meters > 0 && rate > 0.0).then(|| (rate, libm::sqrt(variance)))
}

#[cfg(test)]
mod tests {
    use smallvec::{SmallVec, smallvec};

    use super::*;
    use crate::balance::inventory::StatedSource;
    use crate::plant::{self, ChannelIx, SourceFile};
    use crate::quantity::{Measured, Reason, Si};

    struct NoReadings;

    impl Readings for NoReadings {
        fn measured(&self, _: ChannelIx) -> Option<&Measured<Si>> {
            None
        }
    }

    const GAS_CONSTANT: f64 = 2077.26;

    fn text() -> String {
        include_str!("../../tests/plants/transfer/plant.toml").to_owned()
    }

    fn load(text: String) -> Plant {
        let name = "plant.toml".into();
        plant::load(&[SourceFile { name, text }]).unwrap_or_else(|problems| panic!("{problems:?}"))
    }

    /// Dewars at 1.4 and 1.2 bar, tanks at 8 bar, 5 kg in the bag.
    fn masses(plant: &Plant) -> Vec<VesselMass> {
        let mass = |vessel: &Vessel| {
            let (kg, liquid, pa, kelvin, density) = match &*vessel.id {
                "DEWAR-1" => (400.0, Some(400.0), 1.4e5, 4.6, 117.0),
                "DEWAR-2" => (200.0, Some(200.0), 1.2e5, 4.4, 121.0),
                "PUMPED" => (30.0, Some(30.0), 2.3e3, 1.9, 145.0),
                "BAG" => (5.0, None, 1.0e5, 288.0, 0.166),
                "PURIFIER" => (1.5, None, 0.0, 0.0, 0.0),
                _ => (67.0, None, 8.0e5, 285.0, 8.0e5 / (GAS_CONSTANT * 285.0)),
            };
            let gas = liquid.is_none();
            VesselMass {
                mass_kg: kg,
                liquid_kg: liquid,
                level_m: None,
                pressure_pa: Some(pa),
                temperature_k: Some(kelvin),
                density_kg_m3: Some(density),
                by_channel: SmallVec::new(),
                by_stated: if gas {
                    smallvec![(StatedSource::Volume(VesselIx(0)), 0.3)]
                } else {
                    SmallVec::new()
                },
                quality: Quality::Good,
                reason: Reason::None,
            }
        };
        plant.all.vessel.iter().map(mass).collect()
    }

    struct Bench {
        plant: Plant,
        masses: Vec<VesselMass>,
        passages: Vec<Passage>,
        supply: SupplyWatch,
        now: Monotonic,
    }

    impl Bench {
        fn new(text: String) -> Self {
            let plant = load(text);
            Self {
                masses: masses(&plant),
                passages: vec![Passage::Open; plant.all.line.len()],
                supply: SupplyWatch::default(),
                now: Monotonic(0),
                plant,
            }
        }

        fn mass(&mut self, id: &str) -> &mut VesselMass {
            let at = self.plant.vessel_by_id(id).unwrap().0.index();
            &mut self.masses[at]
        }

        fn shut(&mut self, line: &str) {
            let at = self.plant.line_by_id(line).unwrap().0.index();
            self.passages[at] = Passage::Shut;
        }

        fn pass(&mut self, minutes: i64) {
            for _ in 0..minutes {
                self.supply.tick(&self.plant, &self.passages, self.now);
                self.now = self.now + Span::from_millis(60_000);
            }
        }

        /// Every vessel has changed by -1.8 kg ± 0.09 kg in the last hour.
        fn left(&self) -> RoomLeft {
            let room = RoomNow {
                now: self.now,
                masses: &self.masses,
                readings: &NoReadings,
                passages: &self.passages,
                supply: &self.supply,
                change_over_hour: &|_| Some((-1.8, 0.09)),
            };
            room_left(&self.plant, &room).unwrap()
        }
    }

    #[test]
    fn without_compressors_only_the_bag_takes_the_gas() {
        let mut bench = Bench::new(text());
        bench.pass(120);
        let room = bench.left();
        // Worked out by hand: 95 m3 of 0.166 kg/m3 less 5 kg; 0.2 + 0.2 + 0.02 g/s.
        assert!((room.free_kg - 10.77).abs() < 1e-9, "{room:?}");
        assert!((room.free_std_kg - 0.3).abs() < 1e-9);
        assert_eq!(room.by_vessel.len(), 1);
        assert!((room.boil_off_kg_per_s - 0.42e-3).abs() < 1e-12);
        assert!((room.boil_off_std_kg_per_s - 0.03e-3).abs() < 1e-9);
        assert!((room.hours.unwrap() - 7.123).abs() < 0.001);
        // Relative: 0.3 of 10.77 kg and 0.03 of 0.42 g/s, together 7.67 %.
        let (low, high) = room.hours_band.unwrap();
        assert!((high - low - 2.0 * 1.96 * 0.0767 * 7.123).abs() < 0.01);
        // What a running compressor could fill: 50 m3 from 8 to 16 bar, four times. Helium is 0.4 %
        // less compressible at 16 bar than at 8 bar.
        assert_eq!(room.by_compressor.len(), 4);
        let ideal = 50.0 * 8.0e5 / (GAS_CONSTANT * 285.0);
        let first = room.by_compressor[0].1;
        assert!((first / ideal - 1.0).abs() < 0.02, "{first} {ideal}");
        let stated = |(_, from): &(Id, BoilOffFrom)| *from == BoilOffFrom::Stated;
        assert!(room.boil_off_from.iter().all(stated));
    }

    #[test]
    fn a_tank_below_the_baths_takes_gas_up_to_their_pressure() {
        let mut bench = Bench::new(text());
        let tank = bench.mass("TANK-1");
        tank.pressure_pa = Some(0.9e5);
        tank.density_kg_m3 = Some(0.9e5 / (GAS_CONSTANT * 285.0));
        tank.mass_kg = 7.6;
        let room = bench.left();
        // The lower of the two dewars drives it, 1.2 bar; the pumped bath does not count.
        let ideal = 50.0 * 0.3e5 / (GAS_CONSTANT * 285.0);
        let tank = &room.by_vessel[0];
        assert_eq!(&*tank.0, "TANK-1");
        assert!((tank.1 / ideal - 1.0).abs() < 0.01, "{tank:?}");
        assert!((room.free_kg - 10.77 - tank.1).abs() < 1e-9);
    }

    #[test]
    fn a_full_bag_leaves_no_time() {
        let mut bench = Bench::new(text());
        bench.mass("BAG").mass_kg = 16.0;
        let room = bench.left();
        assert_eq!((room.free_kg, room.hours), (0.0, Some(0.0)));
        assert_eq!(room.hours_band.unwrap().0, 0.0);
    }

    #[test]
    fn a_bath_whose_supply_is_shut_shows_what_it_boils_off() {
        let mut bench = Bench::new(text());
        bench.shut("siphon");
        bench.pass(59);
        assert!((bench.left().boil_off_kg_per_s - 0.42e-3).abs() < 1e-12);
        bench.pass(2);
        let room = bench.left();
        // 1.8 kg in an hour is 0.5 g/s, in place of the 0.2 g/s that are stated.
        assert!((room.boil_off_kg_per_s - 0.72e-3).abs() < 1e-12, "{room:?}");
        let from = |id: &str| {
            let found = room.boil_off_from.iter().find(|(known, _)| **known == *id);
            found.unwrap().1
        };
        assert_eq!(from("DEWAR-2"), BoilOffFrom::Trend);
        // Nothing is described that leads into these, so nothing is known to be shut.
        assert_eq!(from("DEWAR-1"), BoilOffFrom::Stated);
        assert_eq!(from("PUMPED"), BoilOffFrom::Stated);
    }

    #[test]
    fn without_a_boil_off_there_is_room_but_no_time() {
        let silent = text().replacen("boil-off = \"0.2 g/s ± 0.02 g/s\"\n", "", 1);
        let room = Bench::new(silent.clone()).left();
        assert_eq!((room.hours, room.hours_band), (None, None));
        assert!(room.free_kg > 10.0);
        // The site may state the total.
        let total = silent.replacen(
            "time-zone = \"UTC\"",
            "time-zone = \"UTC\"\nboil-off = \"1 g/s ± 0.1 g/s\"",
            1,
        );
        let room = Bench::new(total).left();
        assert!((room.hours.unwrap() - 10.77 / 3.6).abs() < 1e-9);
        assert_eq!(
            room.boil_off_from,
            [("transfer".into(), BoilOffFrom::Stated)]
        );
    }

    #[test]
    fn a_bath_without_liquid_boils_nothing_and_a_plant_without_limits_has_no_room() {
        let mut bench = Bench::new(text());
        for id in ["DEWAR-1", "DEWAR-2", "PUMPED"] {
            bench.mass(id).liquid_kg = Some(0.0);
        }
        assert_eq!(bench.left().hours, None);
        let lines = text();
        let bare: Vec<&str> = lines
            .lines()
            .filter(|line| !line.starts_with("full-at"))
            .collect();
        let bench = Bench::new(bare.join("\n"));
        let room = RoomNow {
            now: bench.now,
            masses: &bench.masses,
            readings: &NoReadings,
            passages: &bench.passages,
            supply: &bench.supply,
            change_over_hour: &|_| None,
        };
        assert_eq!(room_left(&bench.plant, &room), None);
    }
}
