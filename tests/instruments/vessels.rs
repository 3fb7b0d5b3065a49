//! Vessels as a description says them: mass, and its uncertainty by Monte Carlo.

use coldledger::balance::inventory::StatedSource;
use coldledger::helium::{self, PhaseHint};
use coldledger::instrument::level::{STANDARD_GRAVITY_M_PER_S2, helium_permittivity};
use coldledger::plant::{Contents, LevelSource, LiquidState, Plant, VesselIx};
use coldledger::quantity::{AbsolutePressure, Measured, Quality, Reason, Temperature};

use super::described::{Numbers, mass, numbers, plant, stated, std_of_readings};
use super::montecarlo::{Random, Scatter, TRIALS, assert_close};

const V: VesselIx = VesselIx(0);

/// A vessel with what it holds, and channels for every way to look at it.
fn vessel(contents: &str) -> Plant {
    plant(
        &[
            ("PA", "absolute"),
            ("PG", "gauge"),
            ("PD", "difference"),
            ("LT", "level"),
            ("CL", "capacitance"),
            ("T1", "cold"),
            ("T2", "cold"),
            ("TW", "warm"),
            ("VB", "size"),
        ],
        &format!("[[vessel]]\nid = \"V\"\nname = \"V\"\nsection = \"gas\"\n{contents}"),
    )
}

fn bath(level: &str, more: &str) -> Plant {
    bath_in(
        "{ form = \"vertical-cylinder\", diameter = \"1 m\", length = \"1.5 m\", heads = \"ellipsoidal-2-1\" }",
        level,
        more,
    )
}

fn bath_in(shape: &str, level: &str, more: &str) -> Plant {
    vessel(&format!(
        "[vessel.bath]\nshape = {shape}\nvolume-std = \"5 L\"\nlevel = {level}\npressure = \"PA\"\n{more}"
    ))
}

const HEIGHT: &str = "{ height = \"LT\", bottom = \"50 mm\" }";
const COLUMN: &str =
    "{ pressure-difference = \"PD\", bottom-tap = \"100 mm\", top-tap = \"1.9 m\" }";

/// Scatter of the mass with erring channels against what is stated of them.
fn check(what: &str, plant: &Plant, shown: &Numbers) {
    let at = mass(plant, shown);
    assert_ne!(at.quality, Quality::Bad, "{what}: {:?}", at.reason);
    let mut random = Random(what.len() as u64 * 977);
    let mut scatter = Scatter::default();
    for _ in 0..TRIALS / 4 {
        let erring = shown.err(&mut || random.normal());
        scatter.see(mass(plant, &erring).mass_kg);
    }
    assert_close(what, scatter.std(), std_of_readings(&at, shown));
}

/// Scatter of the mass with an erring description against what is stated of it.
fn check_stated(
    what: &str,
    source: StatedSource,
    plant: &Plant,
    shown: &Numbers,
    erring: impl Fn(&mut LevelSource, &mut LiquidState, &mut dyn FnMut() -> f64),
) {
    let at = mass(plant, shown);
    let mut random = Random(what.len() as u64 * 1_009);
    let mut scatter = Scatter::default();
    for _ in 0..TRIALS / 4 {
        let mut wrong = plant.clone();
        let Contents::Bath { level, liquid, .. } = &mut wrong.all.vessel[0].contents else {
            panic!("a bath")
        };
        erring(level, liquid, &mut || random.normal());
        scatter.see(mass(&wrong, shown).mass_kg);
    }
    assert_close(what, scatter.std(), stated(&at, source).abs());
}

#[test]
fn a_boiling_bath_by_height_by_weight_and_by_capacitance() {
    let saturation = helium::saturation_at_pressure(AbsolutePressure::new(1.2e5)).unwrap();
    let (liquid, vapour) = (saturation.liquid.si(), saturation.vapour.si());
    // 0.8 m of liquid above the lower tap at 0.1 m, 1 m of vapour.
    let dp = STANDARD_GRAVITY_M_PER_S2 * (0.8 * liquid + 1.0 * vapour);
    let part = (0.9 - 0.2) / 1.2;
    let mixed = part * helium_permittivity(liquid).0 + (1.0 - part) * helium_permittivity(vapour).0;
    let probe = "{ capacitance = \"CL\", bottom = \"200 mm\", length = \"1.2 m\", empty = \"150 pF ± 0.05 pF\", stray = \"20 pF ± 0.03 pF\" }";
    let shown = [
        ("PA", 1.2e5),
        ("LT", 0.85),
        ("PD", dp),
        ("CL", 20e-12 + 150e-12 * mixed),
    ];
    let mut masses = Vec::new();
    for (what, level) in [
        ("height", HEIGHT),
        ("weight", COLUMN),
        ("capacitance", probe),
    ] {
        let plant = bath(level, "");
        let readings = numbers(&plant, &shown);
        let at = mass(&plant, &readings);
        assert!((at.level_m.unwrap() - 0.9).abs() < 1e-6, "{what}: {at:?}");
        masses.push(at.mass_kg);
        check(what, &plant, &readings);
        if what == "capacitance" {
            check_stated(
                "a probe's own capacitances",
                StatedSource::LevelProbe(V),
                &plant,
                &readings,
                |level, _, normal| {
                    if let LevelSource::Capacitance {
                        probe,
                        empty_std_f,
                        stray_std_f,
                        ..
                    } = level
                    {
                        probe.empty_f += *empty_std_f * normal();
                        probe.stray_f += *stray_std_f * normal();
                    }
                },
            );
        }
    }
    assert!(masses.iter().all(|kg| (kg / masses[0] - 1.0).abs() < 1e-6));
}

/// Without their own numbers, warm lines take off what they weigh: 0.1 % of a full column.
#[test]
fn gas_in_the_lines_has_weight() {
    let with = COLUMN.replace(" }", ", line-temperature = \"295 K ± 20 K\" }");
    let (bare, lines) = (bath(COLUMN, ""), bath(&with, ""));
    let shown = [("PA", 1.2e5), ("PD", 1_100.0)];
    let (without, with) = (
        mass(&bare, &numbers(&bare, &shown)),
        mass(&lines, &numbers(&lines, &shown)),
    );
    let density = helium::density(Temperature::new(295.0), AbsolutePressure::new(1.2e5))
        .unwrap()
        .si();
    let area = std::f64::consts::PI / 4.0;
    let expected = area * 1.8 * density;
    let more = with.mass_kg - without.mass_kg;
    assert!((more / expected - 1.0).abs() < 1e-3, "{more} {expected}");
    check("lines", &lines, &numbers(&lines, &shown));
    check_stated(
        "temperature of the lines",
        StatedSource::Lines(V),
        &lines,
        &numbers(&lines, &shown),
        |level, _, normal| {
            if let LevelSource::DifferentialPressure {
                lines: Some(lines), ..
            } = level
            {
                let std = lines.std;
                lines.value = Temperature::new(lines.value.si() + std * normal());
            }
        },
    );
}

#[test]
fn a_wire_reads_high_in_superfluid_only() {
    let level = HEIGHT.replace(" }", ", superfluid-bias = \"12 mm ± 3 mm\" }");
    let more = "liquid = \"pumped\"\nliquid-temperature = \"T1\"\n";
    let (plain, biased) = (bath(HEIGHT, more), bath(&level, more));
    for (kelvin, pressure, bias) in [(1.9, 2_299.0, 0.012), (2.5, 10_227.0, 0.0)] {
        let shown = [("PA", pressure), ("LT", 0.7), ("T1", kelvin)];
        let readings = numbers(&biased, &shown);
        let level = |plant: &Plant| mass(plant, &numbers(plant, &shown)).level_m.unwrap();
        assert!(
            (level(&plain) - level(&biased) - bias).abs() < 1e-9,
            "{kelvin}"
        );
        let std = stated(&mass(&biased, &readings), StatedSource::LevelProbe(V));
        assert_eq!(std != 0.0, bias > 0.0);
        if bias > 0.0 {
            check("wire in superfluid", &biased, &readings);
            check_stated(
                "bias of a wire",
                StatedSource::LevelProbe(V),
                &biased,
                &readings,
                |level, _, normal| {
                    if let LevelSource::Height {
                        superfluid_bias: Some(bias),
                        ..
                    } = level
                    {
                        let std = bias.std;
                        bias.value =
                            coldledger::quantity::Length::new(bias.value.si() + std * normal());
                    }
                },
            );
        }
    }
}

/// A column of uniform walls in layers weighs what its parts weigh.
#[test]
fn layered_liquid_is_the_sum_of_its_layers() {
    let flat = "{ form = \"vertical-cylinder\", diameter = \"1 m\", length = \"2 m\" }";
    let temperatures =
        "liquid = \"stratified\"\nbottom-temperature = \"T1\"\nsurface-temperature = \"T2\"\n";
    let with_interface = format!("{temperatures}interface = \"400 mm ± 50 mm\"\n");
    let at = |kelvin: f64| {
        let (t, p) = (Temperature::new(kelvin), AbsolutePressure::new(1.25e5));
        let found = helium::density_from(t, p, PhaseHint::Liquid, helium_density());
        found.unwrap().si()
    };
    let saturation = helium::saturation_at_pressure(AbsolutePressure::new(1.25e5)).unwrap();
    let vapour = saturation.vapour.si();
    let area = std::f64::consts::PI / 4.0;
    let shown = [("PA", 1.25e5), ("LT", 0.95), ("T1", 4.25), ("T2", 4.4)];
    let two = bath_in(flat, HEIGHT, &with_interface);
    let found = mass(&two, &numbers(&two, &shown));
    let expected = area * (0.4 * at(4.25) + 0.6 * at(4.4) + 1.0 * vapour);
    assert!((found.mass_kg / expected - 1.0).abs() < 1e-9);
    // 50 mm of interface either way.
    let by_interface = stated(&found, StatedSource::Layers(V));
    let exact = area * 0.05 * (at(4.25) - at(4.4));
    assert!((by_interface / exact - 1.0).abs() < 1e-3);

    let even = bath_in(flat, HEIGHT, temperatures);
    let found = mass(&even, &numbers(&even, &shown));
    let slices = 2_000;
    let mean: f64 = (0..slices)
        .map(|n| at(4.25 + 0.15 * (f64::from(n) + 0.5) / f64::from(slices)))
        .sum::<f64>()
        / f64::from(slices);
    let expected = area * (mean + vapour);
    assert!((found.mass_kg / expected - 1.0).abs() < 1e-4);
    // A profile that is a guess: the layers' difference over the root of twelve.
    let guess = stated(&found, StatedSource::Layers(V)).abs();
    let exact = area * (at(4.25) - at(4.4)) / libm::sqrt(12.0);
    assert!((guess / exact - 1.0).abs() < 1e-3, "{guess} {exact}");
    // The bottom as warm as the surface is plain subcooled liquid.
    let same = [("PA", 1.25e5), ("LT", 0.95), ("T1", 4.3), ("T2", 4.3)];
    let subcooled = bath_in(
        flat,
        HEIGHT,
        "liquid = \"subcooled\"\nliquid-temperature = \"T1\"\n",
    );
    let plain = mass(&subcooled, &numbers(&subcooled, &same)).mass_kg;
    let layered = mass(&even, &numbers(&even, &same)).mass_kg;
    assert!((plain / layered - 1.0).abs() < 1e-12);
}

fn helium_density() -> coldledger::quantity::Density {
    coldledger::quantity::Density::new(122.0)
}

#[test]
fn layered_liquid_is_weighed_and_its_uncertainty_is_right() {
    let temperatures =
        "liquid = \"stratified\"\nbottom-temperature = \"T1\"\nsurface-temperature = \"T2\"\n";
    let shown = [
        ("PA", 1.25e5),
        ("LT", 0.95),
        ("PD", 1_150.0),
        ("T1", 4.25),
        ("T2", 4.4),
    ];
    for (what, level) in [("layers by height", HEIGHT), ("layers by weight", COLUMN)] {
        let plant = bath(level, temperatures);
        check(what, &plant, &numbers(&plant, &shown));
    }
    let plant = bath(
        &COLUMN.replace(" }", ", line-temperature = \"290 K ± 10 K\" }"),
        &format!("{temperatures}interface = \"500 mm ± 80 mm\"\n"),
    );
    let readings = numbers(&plant, &shown);
    check("two layers by weight", &plant, &readings);
    // Between upright walls the liquid is weighed wherever its layers meet.
    let weighed = stated(&mass(&plant, &readings), StatedSource::Layers(V)).abs();
    assert!(weighed < 1e-6, "{weighed}");
    let seen = bath(
        HEIGHT,
        &format!("{temperatures}interface = \"500 mm ± 80 mm\"\n"),
    );
    check_stated(
        "interface",
        StatedSource::Layers(V),
        &seen,
        &numbers(&seen, &shown),
        |_, liquid, normal| {
            if let LiquidState::Stratified(layers) = liquid
                && let Some(height) = &mut layers.interface
            {
                let std = height.std;
                height.value =
                    coldledger::quantity::Length::new(height.value.si() + std * normal());
            }
        },
    );
}

#[test]
fn a_cold_vessel_is_smaller_and_what_is_in_it_takes_room() {
    let shape = |more: &str| {
        format!("{{ form = \"vertical-cylinder\", diameter = \"1 m\", length = \"2 m\"{more} }}")
    };
    let total = |plant: &Plant| {
        let Contents::Bath {
            strapping,
            volume_std,
            ..
        } = &plant.all.vessel[0].contents
        else {
            panic!("a bath")
        };
        (strapping.total(), *volume_std)
    };
    let warm = bath_in(&shape(""), HEIGHT, "");
    let cold = bath_in(&shape(", contraction = \"0.9 % ± 0.1 %\""), HEIGHT, "");
    let volume = std::f64::consts::PI / 2.0;
    assert!((total(&warm).0 - volume).abs() < 1e-12);
    assert!((total(&cold).0 / volume - 0.991).abs() < 1e-12);
    let expected = libm::hypot(5e-3, 1e-3 * 0.991 * volume);
    assert!((total(&cold).1 - expected).abs() < 1e-12);
    let full = bath_in(
        &shape(
            ", immersed = [{ from = \"0.2 m\", to = \"1.2 m\", volume = \"100 L\" }, { from = \"0.5 m\", to = \"0.6 m\", volume = \"10 L\" }]",
        ),
        HEIGHT,
        "",
    );
    assert!((total(&full).0 - (volume - 0.11)).abs() < 1e-12);
    let shown = [("PA", 1.2e5), ("LT", 0.65)];
    let liquid = |plant: &Plant| mass(plant, &numbers(plant, &shown)).liquid_kg.unwrap();
    let density = helium::saturation_at_pressure(AbsolutePressure::new(1.2e5))
        .unwrap()
        .liquid
        .si();
    // At 0.7 m half of the large part and all of the small one are under the surface.
    let displaced = (liquid(&warm) - liquid(&full)) / density;
    assert!((displaced - 0.06).abs() < 1e-9, "{displaced}");
}

/// Below its lower tap a bath holds what nobody sees.
#[test]
fn liquid_below_the_tap_is_not_seen_and_counts_as_uncertain() {
    let plant = bath(COLUMN, "");
    let at = |above_tap: f64| {
        let saturation = helium::saturation_at_pressure(AbsolutePressure::new(1.2e5)).unwrap();
        let (liquid, vapour) = (saturation.liquid.si(), saturation.vapour.si());
        let dp = STANDARD_GRAVITY_M_PER_S2 * (above_tap * liquid + (1.8 - above_tap) * vapour);
        mass(&plant, &numbers(&plant, &[("PA", 1.2e5), ("PD", dp)]))
    };
    let seen = at(0.05);
    assert_eq!((seen.quality, seen.reason), (Quality::Good, Reason::None));
    assert_eq!(stated(&seen, StatedSource::BeyondTap(V)), 0.0);
    let blind = at(-0.01);
    assert_eq!(
        (blind.quality, blind.reason),
        (Quality::Uncertain, Reason::AtTap)
    );
    let hidden = stated(&blind, StatedSource::BeyondTap(V));
    let below = blind.liquid_kg.unwrap();
    assert!(
        hidden > 0.4 * below && hidden < 0.6 * below,
        "{hidden} {below}"
    );
}

/// What a bag and a gauge tank cost when the barometer is lost, in kilograms.
#[test]
fn a_lost_barometer_costs_kilograms() {
    let bag = vessel(
        "[vessel.bag]\nvolume = \"VB\"\noverpressure = \"3 mbar\"\ntemperature = \"TW\"\npurity = \"98 % ± 0.5 %\"\n",
    );
    let tank = vessel(
        "[vessel.fluid]\nvolume = \"100 m3 ± 0.1 m3\"\npressure = \"PG\"\ntemperature = \"TW\"\n",
    );
    let shown = [("PB", 99_000.0), ("VB", 80.0), ("TW", 295.0), ("PG", 4e5)];
    for (what, plant, cubic_metres) in [("bag", &bag, 80.0 * 0.98), ("tank", &tank, 100.0)] {
        let readings = numbers(plant, &shown);
        check(what, plant, &readings);
        let before = mass(plant, &readings);
        assert_eq!(before.quality, Quality::Good);
        assert_eq!(stated(&before, StatedSource::Air), 0.0);
        let mut lost = readings;
        let barometer = plant.channel_by_id("PB").unwrap().0;
        lost.0.insert(barometer, Measured::bad(Reason::NoAnswer));
        let after = mass(plant, &lost);
        assert_eq!(
            (after.quality, after.reason),
            (Quality::Uncertain, Reason::Substituted)
        );
        let air = plant.site.air_pressure;
        // An ideal gas's kilograms for the stated air's pascals.
        let expected = cubic_metres * air.std * 4.002602e-3 / (8.314462618 * 295.0);
        let cost = stated(&after, StatedSource::Air);
        assert!(
            (cost / expected - 1.0).abs() < 5e-3,
            "{what}: {cost} {expected}"
        );
        let moved = (after.mass_kg - before.mass_kg) / cost;
        let by_air = (air.value.si() - 99_000.0) / air.std;
        assert!((moved - by_air).abs() < 0.01, "{what}: {moved} {by_air}");
    }
}
