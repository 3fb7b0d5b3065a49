//! Metered lines as a description says them: their flow, their uncertainty, by Monte Carlo.

use coldledger::balance::meter::{meter_channels, meter_flow};
use coldledger::helium::{self, PhaseHint};
use coldledger::instrument::flow::{Constriction, Device, GasState, Taps, VenturiKind};
use coldledger::plant::{LineIx, MeterForm, Plant};
use coldledger::quantity::{
    AbsolutePressure, Density, MassFlow, Measured, Quality, Reason, Temperature,
};

use coldledger::balance::inventory::Readings;
use coldledger::engine::channels::Channels;
use coldledger::plant::ChannelIx;
use coldledger::quantity::Si;
use coldledger::time::Monotonic;

use super::described::{Numbers, numbers, plant};
use super::montecarlo::{Random, Scatter, TRIALS, assert_close};

const CHANNELS: [(&str, &str); 5] = [
    ("PD", "difference"),
    ("PG", "gauge"),
    ("TW", "warm"),
    ("TC", "cold"),
    ("FT", "flow"),
];

fn line(keys: &str) -> String {
    format!(
        "[[line]]\nid = \"vent\"\nname = \"Vent\"\nfrom = \"gas\"\nto = \"outside\"\nstate = \"open\"\n{keys}"
    )
}

fn orifice(bore: f64, pipe: f64) -> Plant {
    plant(
        &CHANNELS,
        &line(&format!(
            "[line.orifice]\npressure-difference = \"PD\"\npressure = \"PG\"\ntemperature = \"TW\"\npipe = \"{pipe} mm ± 0.4 mm\"\nbore = \"{bore} mm ± 0.1 mm\"\ntaps = \"flange\"\ncut-off = \"0.3 mbar\"\n"
        )),
    )
}

fn flow(plant: &Plant, readings: &Numbers) -> Measured<MassFlow> {
    meter_flow(plant, readings, LineIx(0)).unwrap()
}

const SHOWN: [(&str, f64); 4] = [("PB", 99_000.0), ("PG", 5e3), ("PD", 800.0), ("TW", 293.0)];

#[test]
fn an_orifice_is_read_with_helium_as_it_is_before_it() {
    let plant = orifice(48.0, 80.0);
    let read = flow(&plant, &numbers(&plant, &SHOWN));
    let (t, p) = (Temperature::new(293.0), AbsolutePressure::new(104_000.0));
    let state = helium::state(t, p, PhaseHint::Vapour).unwrap();
    let density = state.density_kg_per_m3;
    let expected = Constriction {
        pipe_diameter_m: 0.08,
        throat_diameter_m: 0.048,
        device: Device::Orifice(Taps::Flange),
        cut_off_dp_pa: 30.0,
    }
    .flow(
        800.0,
        &GasState {
            pressure_pa: 104_000.0,
            density,
            viscosity_pa_s: helium::viscosity_pa_s(t, Density::new(density)).unwrap(),
            isentropic_exponent: state.isentropic_exponent(),
        },
    )
    .unwrap();
    assert_eq!(read.quality, Quality::Good);
    assert!((read.value.si() / expected.mass_flow_kg_per_s - 1.0).abs() < 1e-12);
    assert_eq!(meter_channels(&plant.all.line[0]).len(), 3);
}

/// Scatter of an erring meter against what is stated of the same parts.
#[test]
fn the_uncertainty_of_an_orifice_by_monte_carlo() {
    let exact = orifice(48.0, 80.0);
    let shown = numbers(&exact, &SHOWN);
    let read = flow(&exact, &shown);
    let meter = exact.all.line[0].meter.as_ref().unwrap();
    let part = |group| {
        let found = read.shared.iter().find(|(g, _)| *g == group);
        found.map_or(0.0, |(_, u)| *u)
    };
    // The coefficient's and the gas's own uncertainty are not drawn here.
    let kept = [meter.groups.device, meter.groups.model].map(part);
    let total = read.combined_std();
    let stated = libm::sqrt(total * total - kept.iter().map(|u| u * u).sum::<f64>());
    let (mut random, mut scatter) = (Random(23), Scatter::default());
    for _ in 0..TRIALS {
        let mut erring = exact.clone();
        let line = &mut erring.all.line[0];
        let Some(MeterForm::Constriction(meter)) = line.meter.as_mut().map(|m| &mut m.form) else {
            panic!("an orifice")
        };
        meter.device.throat_diameter_m += meter.throat_std_m * random.normal();
        meter.device.pipe_diameter_m += meter.pipe_std_m * random.normal();
        let readings = shown.err(&mut || random.normal());
        scatter.see(flow(&erring, &readings).value.si());
    }
    assert_close("orifice with its channels", scatter.std(), stated);
    // Device: C at k = 2 is 0.5 % for this bore.
    assert!((kept[0] / read.value.si() - 0.0025).abs() < 2e-4);
}

#[test]
fn a_cold_venturi_moves_with_pressure_and_temperature() {
    let keys = |throat: f64| {
        format!(
            "[line.venturi]\npressure-difference = \"PD\"\npressure = \"PG\"\ntemperature = \"TC\"\npipe = \"50 mm ± 0.02 mm\"\nthroat = \"{throat} mm ± 0.01 mm\"\nconvergent = \"machined\"\ncut-off = \"0.3 mbar\"\n"
        )
    };
    let plant = plant(
        &[("PD", "difference"), ("PG", "gauge"), ("TC", "cold")],
        &line(&keys(25.0)),
    );
    let shown = numbers(
        &plant,
        &[("PB", 1e5), ("PG", 2e5), ("PD", 150.0), ("TC", 5.0)],
    );
    let read = flow(&plant, &shown);
    assert_eq!((read.quality, read.reason), (Quality::Good, Reason::None));
    let meter = plant.all.line[0].meter.as_ref().unwrap();
    assert!(matches!(
        meter.form,
        MeterForm::Constriction(ref c) if c.device.device == Device::Venturi(VenturiKind::Machined)
    ));
    let mut left = 0.0;
    for group in [
        meter.groups.device,
        meter.groups.throat,
        meter.groups.pipe,
        meter.groups.model,
    ] {
        left += read
            .shared
            .iter()
            .filter(|(g, _)| *g == group)
            .map(|(_, u)| u * u)
            .sum::<f64>();
    }
    let total = read.combined_std();
    let stated = libm::sqrt(total * total - left);
    let (mut random, mut scatter) = (Random(29), Scatter::default());
    for _ in 0..TRIALS {
        scatter.see(flow(&plant, &shown.err(&mut || random.normal())).value.si());
    }
    assert_close("cold venturi", scatter.std(), stated);
    // Machined venturi: 1 % at k = 2 (ISO 5167-4).
    let device: f64 = read
        .shared
        .iter()
        .filter(|(g, _)| *g == meter.groups.device)
        .map(|(_, u)| *u)
        .sum();
    assert!((device / read.value.si() - 0.005).abs() < 2e-4);
}

#[test]
fn below_the_cut_off_nothing_flows_but_that_is_uncertain() {
    let plant = orifice(48.0, 80.0);
    let shown = |dp| {
        let mut shown = SHOWN;
        shown[2].1 = dp;
        numbers(&plant, &shown)
    };
    let edge = flow(&plant, &shown(30.001)).value.si();
    let below = flow(&plant, &shown(10.0));
    assert_eq!((below.value.si(), below.quality), (0.0, Quality::Good));
    assert!((below.combined_std() * libm::sqrt(3.0) / edge - 1.0).abs() < 1e-3);
}

#[test]
fn a_lost_barometer_and_a_lost_transmitter() {
    let plant = orifice(48.0, 80.0);
    let whole = numbers(&plant, &SHOWN);
    let before = flow(&plant, &whole);
    let mut without = whole.clone();
    without.0.remove(&plant.channel_by_id("PB").unwrap().0);
    let after = flow(&plant, &without);
    assert_eq!(
        (after.quality, after.reason),
        (Quality::Uncertain, Reason::Substituted)
    );
    assert!(after.combined_std() > before.combined_std());
    let mut lost = whole;
    lost.0.insert(
        plant.channel_by_id("PD").unwrap().0,
        Measured::bad(Reason::LoopLow),
    );
    let none = flow(&plant, &lost);
    assert_eq!(
        (none.quality, none.reason),
        (Quality::Bad, Reason::InputBad)
    );
}

/// Outside the Reynolds numbers of its standard a device says so and is three times as uncertain.
#[test]
fn thin_flow_through_a_venturi_is_uncertain() {
    let plant = plant(
        &[("PD", "difference"), ("PG", "gauge"), ("TW", "warm")],
        &line(
            "[line.venturi]\npressure-difference = \"PD\"\npressure = \"PG\"\ntemperature = \"TW\"\npipe = \"80 mm ± 0 mm\"\nthroat = \"48 mm ± 0 mm\"\nconvergent = \"cast\"\ncut-off = \"1 mbar\"\n",
        ),
    );
    let read = flow(
        &plant,
        &numbers(
            &plant,
            &[("PB", 1e5), ("PG", 1e3), ("PD", 500.0), ("TW", 293.0)],
        ),
    );
    assert_eq!(
        (read.quality, read.reason),
        (Quality::Uncertain, Reason::OutsideStandard)
    );
    let group = plant.all.line[0].meter.as_ref().unwrap().groups.device;
    let device = read.shared.iter().find(|(g, _)| *g == group).unwrap().1;
    assert!((device / read.value.si() - 3.0 * 0.0035).abs() < 3e-4);
}

/// 2 % of air by amount are 13 % of the mass: an orifice weighs them, a thermal meter does not.
#[test]
fn impure_gas_is_not_all_helium() {
    let with = |purity: &str, keys: &str| {
        let plant = plant(&CHANNELS, &line(&format!("{purity}{keys}")));
        let mut shown = SHOWN.to_vec();
        shown.push(("FT", 0.02));
        (flow(&plant, &numbers(&plant, &shown)), plant)
    };
    let purity = "purity = \"98 % ± 0.5 %\"\n";
    let (read, plant) = with(purity, "meter = \"FT\"\n");
    assert!((read.value.si() - 0.0196).abs() < 1e-12);
    let group = plant.all.line[0].meter.as_ref().unwrap().groups.purity;
    let part = read.shared.iter().find(|(g, _)| *g == group).unwrap().1;
    assert!((part - 0.02 * 0.005).abs() < 1e-12);
    let keys = "[line.orifice]\npressure-difference = \"PD\"\npressure = \"PG\"\ntemperature = \"TW\"\npipe = \"80 mm ± 0.4 mm\"\nbore = \"48 mm ± 0.1 mm\"\ntaps = \"flange\"\ncut-off = \"0.3 mbar\"\n";
    let (pure, _) = with("", keys);
    let (impure, _) = with(purity, keys);
    // q goes with the root of the density, the helium in it with x M_He/M.
    let heavier = (0.98 * 4.002602 + 0.02 * 28.96442) / 4.002602;
    let expected = libm::sqrt(heavier) * 0.98 / heavier;
    let ratio = impure.value.si() / pure.value.si();
    assert!((ratio / expected - 1.0).abs() < 2e-3, "{ratio} {expected}");
}

/// As the engine looks at its channels.
struct Seen<'a>(&'a Channels);

impl Readings for Seen<'_> {
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>> {
        Some(self.0.get(channel)?.shown().0)
    }

    fn counted(&self, line: LineIx) -> Option<&Measured<MassFlow>> {
        self.0.totals().flow(line)
    }
}

/// A counter of 0.1 Nm3 whose true flow does not care where it stands between two counts.
#[test]
fn a_counter_meters_a_line_across_its_rollover() {
    let plant = plant(
        &[("FQ", "count")],
        &line(
            "[line.totaliser]\ncount = \"FQ\"\nper-count = \"0.1 Nm3 at 0 degC ± 1 %\"\nrollover = \"100000 count\"\nlargest-flow = \"100 g/s\"\n",
        ),
    );
    let per_count = 0.1 * 4.002602e-3 / 22.413_969_54e-3;
    let (ix, channel) = plant.channel_by_id("FQ").unwrap();
    let mut channels = Channels::default();
    channels.adopt(&plant, None);
    let mut random = Random(31);
    let (mut scatter, mut stated, mut passed) = (Scatter::default(), 0.0, 0.0);
    let mut true_count = 99_000.5;
    for at in 0..TRIALS {
        // Between 2 and 4 counts a minute: 0.6 g/s to 1.2 g/s.
        let step = 2.0 + 2.0 * random.uniform();
        true_count += step;
        let shown = libm::floor(true_count) % 100_000.0;
        let words = channel.chain.raw_for(shown).unwrap();
        let now = Monotonic(i64::from(at) * 60_000);
        channels.take(ix, channel, &words, now, None);
        channels.refresh(&plant, &|_| true, now, None, |_, _, _| {});
        let flow = meter_flow(&plant, &Seen(&channels), LineIx(0)).unwrap();
        if at == 0 {
            assert_eq!(
                (flow.quality, flow.reason),
                (Quality::Bad, Reason::NeverRead)
            );
            continue;
        }
        assert_eq!(flow.quality, Quality::Good);
        scatter.see(flow.value.si() - step * per_count / 60.0);
        stated += flow.independent_std / f64::from(TRIALS - 1);
        passed += flow.value.si() * 60.0;
        let part = flow.shared.first().map_or(0.0, |(_, u)| *u);
        assert!((part - 0.01 * flow.value.si()).abs() < 1e-12);
    }
    assert_close("counter", scatter.std(), stated);
    // What is reckoned over all readings is what was counted, to one count.
    let counted = (true_count - 99_003.5) * per_count;
    assert!(
        (passed - counted).abs() < 3.0 * per_count,
        "{passed} {counted}"
    );
}
