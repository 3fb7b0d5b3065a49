//! Channels as a description says them: conversions, corrections, and their uncertainty by Monte
//! Carlo.

use coldledger::instrument::curve::{ThermocoupleCurve, ThermocoupleType};
use coldledger::instrument::{SharedKind, Transform};
use coldledger::plant::{Channel, Plant};
use coldledger::quantity::{Measured, Quality, Reason, SharedParts, Si};

use super::described::plant;
use super::montecarlo::{Random, Scatter, TRIALS, assert_close};

/// A plant with one channel of an instrument with these keys.
fn with(keys: &str) -> Plant {
    plant(
        &[("X", "tested"), ("TJ", "warm")],
        &format!("[instrument.tested]\n{keys}"),
    )
}

fn channel(plant: &Plant) -> &Channel {
    plant.channel_by_id("X").unwrap().1
}

fn group<'p>(plant: &'p Plant, read: &Measured<Si>, id: &str) -> Option<(&'p str, f64)> {
    read.shared.iter().find_map(|&(ix, u)| {
        let known = &*plant.groups[usize::from(ix.0)].id;
        (known == id).then_some((known, u))
    })
}

fn part(plant: &Plant, read: &Measured<Si>, id: &str) -> f64 {
    group(plant, read, id).map_or(0.0, |(_, u)| u)
}

fn read(plant: &Plant, signal: f64) -> Measured<Si> {
    let channel = channel(plant);
    let words = channel.chain.raw_for_signal(signal).unwrap();
    channel
        .chain
        .convert(&words, channel.range, &channel.uncertainty)
}

/// The scatter of a device that errs in its signal as `err` says, read by a description that knows
/// the mean, against what is stated.
fn check(what: &str, stated: f64, mut read: impl FnMut(&mut Random) -> f64) {
    let mut random = Random(what.len() as u64 * 3_571);
    let mut scatter = Scatter::default();
    for _ in 0..TRIALS {
        scatter.see(read(&mut random));
    }
    assert_close(what, scatter.std(), stated);
}

const THERMAL: &str = r#"
is = "thermal mass flow meter"
quantity = "mass-flow"
unit = "g/s"
format = "u16"
scale = "1 uA"
current-loop = { at-4-ma = "0 SL/min at 0 degC", at-20-ma = "1000 SL/min at 0 degC" }
range = ["-1 g/s", "5 g/s"]
noise = "0.002 g/s"
calibration = "0.5 % of span + 1 % of reading"
"#;

/// Helium's factor against nitrogen is one of amounts: 1000 SL/min of nitrogen's reading are 1450
/// SL/min of helium, 4.315 g/s at 22.414 L/mol.
#[test]
fn a_thermal_meter_for_nitrogen_reads_helium() {
    let plant = with(&format!(
        "{THERMAL}gas-correction = {{ calibrated-for = \"nitrogen\", factor = \"1.45 ± 0.03\" }}\ncut-off = \"0.1 g/s\"\n"
    ));
    let full = read(&plant, 20e-3);
    let expected = 1.45 * 1000.0 / 60.0 / 22.413_969_54 * 4.002602e-3;
    assert!((full.value.0 / expected - 1.0).abs() < 1e-8, "{full:?}");
    assert!((part(&plant, &full, "X/gas-factor") / full.value.0 - 0.03 / 1.45).abs() < 1e-9);
    // The first part named is the span's, the second the reading's.
    assert!((part(&plant, &full, "X") / expected - 0.005).abs() < 1e-9);
    let half = read(&plant, 12e-3);
    assert!((part(&plant, &half, "X") / expected - 0.005).abs() < 1e-9);
    assert!((part(&plant, &half, "X/calibration 2") / half.value.0 - 0.01).abs() < 1e-9);
    // Under the cut-off: nothing, uncertain by what may be there.
    let low = read(&plant, 4.3e-3);
    assert_eq!((low.value.0, low.quality), (0.0, Quality::Good));
    assert!((low.combined_std() - 1e-4 / libm::sqrt(3.0)).abs() < 1e-12);

    let truth: f64 = 0.6 * expected;
    let u = &channel(&plant).uncertainty;
    let stated = {
        let words = channel(&plant).chain.raw_for(truth).unwrap();
        let chain = &channel(&plant).chain;
        chain
            .convert(&words, channel(&plant).range, u)
            .combined_std()
    };
    check("thermal meter", stated, |random| {
        // The meter's error in its own gas, its span, its noise, and a factor that is not 1.45.
        let factor = 1.45 + 0.03 * random.normal();
        let seen = truth * 1.45 / factor * (1.0 + 0.01 * random.normal())
            + 0.005 * expected * random.normal()
            + 2e-6 * random.normal();
        let words = channel(&plant).chain.raw_for(seen).unwrap();
        let read = channel(&plant)
            .chain
            .convert(&words, channel(&plant).range, u);
        read.value.0 - truth
    });
}

#[test]
fn a_scale_in_mass_of_nitrogen_is_an_amount_first() {
    let text = THERMAL
        .replace("\"1000 SL/min at 0 degC\"", "\"20 g/s\"")
        .replace("\"0 SL/min at 0 degC\"", "\"0 g/s\"");
    let plant = with(&format!(
        "{text}gas-correction = {{ calibrated-for = \"nitrogen\", factor = \"1.45 ± 2 %\" }}\n"
    ));
    let full = read(&plant, 20e-3);
    let expected = 0.02 / 28.0134 * 1.45 * 4.002602;
    assert!((full.value.0 / expected - 1.0).abs() < 1e-8, "{full:?}");
}

#[test]
fn a_logarithmic_gauge_reads_helium_with_its_factor() {
    let plant = with(
        r#"
quantity = "absolute-pressure"
unit = "mbar(a)"
format = "i16"
scale = "1 mV"
log-gauge = { at = "1e-3 mbar(a)", signal = "4 V", per-decade = "1 V" }
gas-correction = { calibrated-for = "nitrogen", factor = "5.9 ± 10 %" }
range = ["1e-6 mbar(a)", "10 mbar(a)"]
signal-noise = "5 mV"
calibration = "5 % of reading"
"#,
    );
    let read_at = read(&plant, 6.0);
    // Two decades above, times the factor.
    assert!((read_at.value.0 / (0.1 * 5.9 * 100.0) - 1.0).abs() < 1e-9);
    assert!((part(&plant, &read_at, "X/gas-factor") / read_at.value.0 - 0.1).abs() < 1e-9);
    assert_eq!(read(&plant, 9.0).reason, Reason::OutsideCurve);
    let signal_only = channel(&plant).uncertainty.signal_noise_std;
    assert!((signal_only - 5e-3).abs() < 1e-15);
    check("log gauge", read_at.independent_std, |random| {
        read(
            &plant,
            6.0 + 0.3 * (random.uniform() - 0.5) * 1e-3 + 5e-3 * random.normal(),
        )
        .value
        .0
    });
}

const PLATINUM: &str = r#"
quantity = "temperature"
format = "u32"
scale = "0.001 ohm"
curve = "pt100"
range = ["80 K", "400 K"]
signal-noise = "2 mohm"
calibration = "50 mK"
leads = "0.8 ohm ± 0.05 ohm"
self-heating = { current = "2 mA", thermal-resistance = "400 K/W ± 30 %" }
"#;

#[test]
fn leads_and_self_heating_come_off() {
    let plant = with(PLATINUM);
    let read_at = read(&plant, 100.8);
    // IEC 60751: 100 ohm at 0 degrees Celsius, 0.39083 ohm/K there; 0.4 mW through 400 K/W.
    assert!((read_at.value.0 - (273.15 - 0.16)).abs() < 1e-6);
    assert!((part(&plant, &read_at, "X/leads") / (0.05 / 0.39083) - 1.0).abs() < 1e-3);
    assert!((part(&plant, &read_at, "X/self-heating") - 0.16 * 0.3).abs() < 1e-9);
    let total = read_at.combined_std();
    check("platinum with leads and self-heating", total, |random| {
        let truth = 273.0 + 0.1 * (random.uniform() - 0.5);
        // The sensor is warmer than its surroundings by a rise that is not quite the stated one.
        let thermal = 400.0 * (1.0 + 0.3 * random.normal());
        let lead = 0.8 + 0.05 * random.normal();
        let near = 273.15 - truth;
        let ohm = 100.0 - 0.39083 * near;
        let warmed = ohm + 0.39083 * 4e-6 * ohm * thermal + 0.39083 * 0.05 * random.normal();
        read(&plant, warmed + lead + 2e-3 * random.normal()).value.0 - truth
    });
}

/// IEC 60751 class B: 0.3 K + 0.005 |t|, rectangular.
#[test]
fn a_tolerance_class_is_a_calibration() {
    let plant = with(&PLATINUM.replace("\"50 mK\"", "\"class B\""));
    let cold = channel(&plant).chain.raw_for(173.15).unwrap();
    let channel = channel(&plant);
    let read = channel
        .chain
        .convert(&cold, channel.range, &channel.uncertainty);
    let expected = 0.8 / libm::sqrt(3.0);
    assert!((part(&plant, &read, "X") / expected - 1.0).abs() < 1e-4);
}

const THERMOCOUPLE: &str = r#"
quantity = "temperature"
format = "i32"
scale = "0.1 uV"
thermocouple = "E"
cold-junction = "TJ"
range = ["5 K", "400 K"]
signal-noise = "1 uV"
calibration = "1 K"
"#;

#[test]
fn a_thermocouple_needs_its_junction() {
    let plant = with(THERMOCOUPLE);
    let channel = channel(&plant);
    let Transform::Thermocouple { curve, .. } = &channel.chain.transform else {
        panic!("a thermocouple")
    };
    let outside = ThermocoupleCurve::new(ThermocoupleType::E).unwrap();
    let at = |kelvin: f64, junction: &Measured<Si>| {
        let emf = outside.emf(kelvin).unwrap() - outside.emf(295.0).unwrap();
        let words = channel.chain.raw_for_signal(emf).unwrap();
        channel
            .chain
            .convert_at_junction(&words, channel.range, &channel.uncertainty, junction)
    };
    assert_eq!(curve.kind(), ThermocoupleType::E);
    let junction = Measured::good(
        Si(295.0),
        0.05,
        SharedParts::from_iter([(coldledger::quantity::GroupIx(900), 0.4)]),
    );
    let read = at(80.0, &junction);
    assert!((read.value.0 - 80.0).abs() < 0.01);
    // NIST Monograph 175, type E: 60.6 uV/K at 295 K against 28.5 uV/K at 80 K.
    let through = read.shared.last().unwrap().1 / 0.4;
    assert!((2.0..2.3).contains(&through), "{through}");
    let lost = at(80.0, &Measured::bad(Reason::NoAnswer));
    assert_eq!(
        (lost.quality, lost.reason),
        (Quality::Bad, Reason::InputBad)
    );
    check(
        "thermocouple with its junction",
        read.combined_std(),
        |random| {
            let own = 1.0 * random.normal();
            let emf = outside.emf(80.0 + own).unwrap() - outside.emf(295.0).unwrap()
                + 1e-6 * random.normal();
            let words = channel.chain.raw_for_signal(emf).unwrap();
            let seen = 295.0 + 0.05 * random.normal() + 0.4 * random.normal();
            let junction = Measured::good(Si(seen), 0.0, SharedParts::new());
            channel
                .chain
                .convert_at_junction(&words, channel.range, &channel.uncertainty, &junction)
                .value
                .0
        },
    );
}

/// One kelvin at -200 degrees Celsius is many near the end of the curve.
#[test]
fn a_thermocouple_is_uncertain_where_its_sensitivity_vanishes() {
    let plant = with(&THERMOCOUPLE.replace("\"TJ\"", "\"273.15 K ± 0.05 K\""));
    let channel = channel(&plant);
    let at = |kelvin: f64| {
        let words = channel.chain.raw_for(kelvin).unwrap();
        channel
            .chain
            .convert(&words, channel.range, &channel.uncertainty)
    };
    let kind = |id: &str| {
        let found = channel
            .uncertainty
            .shared
            .iter()
            .find(|term| *plant.groups[usize::from(term.group.0)].id == *id);
        found.unwrap().kind
    };
    assert!(matches!(kind("X"), SharedKind::AtLeastSignal { absolute, .. } if absolute == 1.0));
    assert!((part(&plant, &at(300.0), "X") - 1.0).abs() < 1e-12);
    assert!((part(&plant, &at(80.0), "X") - 1.0).abs() < 1e-12);
    let curve = ThermocoupleCurve::new(ThermocoupleType::E).unwrap();
    let slope = |kelvin: f64| curve.sensitivity(kelvin).unwrap();
    let cold = part(&plant, &at(10.0), "X");
    assert!((cold / (slope(73.15) / slope(10.0)) - 1.0).abs() < 1e-3);
    assert!(cold > 5.0, "{cold}");
    // A junction that is stated comes through as an emf.
    let junction = part(&plant, &at(80.0), "X/cold-junction");
    assert!((junction / (0.05 * slope(273.15) / slope(80.0)) - 1.0).abs() < 1e-3);
}
