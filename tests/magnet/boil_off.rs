//! Heat load from boil-off: `tests/reference/boil_off.csv` (CoolProp 8.0.0 and an energy balance),
//! moving pressure against a vessel integrated with CoolProp, Monte Carlo.

use coldledger::magnet::{
    Arrival, BathState, BoilOffError, Figure, LevelFall, from_level_fall, from_vent_flow,
    time_until_by_heat, time_until_by_trend, trend,
};

use crate::random::{Random, Scatter, assert_close};
use crate::reference::{Worst, rows};

const NOTHING: Figure = Figure::new(0.0, 0.0);

fn still(pressure_pa: f64) -> BathState {
    BathState {
        pressure_pa: Figure::new(pressure_pa, 0.0),
        pressure_rate_pa_per_s: NOTHING,
        liquid_kg: NOTHING,
        vapour_m3: NOTHING,
    }
}

fn exact(value: f64) -> Figure {
    Figure::new(value, 0.0)
}

#[test]
fn reference_file() {
    let mut heat = Worst::new("boil_off.csv, heat from the vent, relative");
    let mut fall = Worst::new("boil_off.csv, heat from the level, relative");
    let mut others = Worst::new("boil_off.csv, evaporation, L/h, Nm3/h, vent, relative");
    for row in rows("boil_off.csv") {
        let bath = still(row.number("p_Pa"));
        let place = format!("{} Pa, {} W", row.text("p_Pa"), row.text("heat_W"));
        let by_vent = from_vent_flow(&bath, exact(row.number("vent_kg_s"))).unwrap();
        heat.relative(by_vent.heat_w.value, row.number("heat_W"), &place);
        let litres_per_hour = row.number("liquid_L_h");
        let by_level =
            from_level_fall(&bath, LevelFall::Volume(exact(litres_per_hour / 3.6e6))).unwrap();
        fall.relative(by_level.heat_w.value, row.number("heat_W"), &place);
        let by_mass = from_level_fall(
            &bath,
            LevelFall::Mass(exact(row.number("evaporation_kg_s"))),
        )
        .unwrap();
        fall.relative(by_mass.heat_w.value, row.number("heat_W"), &place);
        for (got, column) in [
            (by_vent.evaporation_kg_per_s, "evaporation_kg_s"),
            (by_vent.liquid_l_per_h, "liquid_L_h"),
            (by_vent.vent_nm3_per_h, "vent_Nm3_h"),
            (by_mass.vent_kg_per_s, "vent_kg_s"),
        ] {
            others.relative(got.value, row.number(column), &format!("{column} {place}"));
        }
        assert_eq!(by_vent.stored_w, 0.0);
    }
    heat.within(5e-3);
    fall.within(5e-3);
    others.within(5e-3);
}

/// Common practice, no source: 1 mbar/h on 360 kg is 0.56 W. That is the rise of enthalpy (CoolProp
/// 8.0.0: 0.5532 W at 1 atm, 0.5588 W at 1.2 bar, 0.5624 W at 1.25 bar). What the wall must bring is
/// m T ds/dp (CoolProp: 0.4729 W, 0.4760 W, 0.4788 W): less by the work V dp/dt of the vapour.
#[test]
fn a_millibar_an_hour_on_360_kg() {
    for (pressure, enthalpy, stored) in [
        (101_325.0, 0.553_160, 0.472_948),
        (120_000.0, 0.558_820, 0.475_979),
        (125_000.0, 0.562_428, 0.478_829),
    ] {
        let bath = BathState {
            pressure_rate_pa_per_s: exact(100.0 / 3600.0),
            liquid_kg: exact(360.0),
            ..still(pressure)
        };
        let found = from_level_fall(&bath, LevelFall::Mass(exact(0.0))).unwrap();
        println!(
            "1 mbar/h on 360 kg: {:.4} W, stored {:.4} W",
            found.enthalpy_rise_w, found.stored_w
        );
        assert!(
            (found.enthalpy_rise_w - 0.56).abs() < 0.01,
            "the trade's figure"
        );
        assert!((found.enthalpy_rise_w / enthalpy - 1.0).abs() < 1e-3);
        assert!((found.heat_w.value / stored - 1.0).abs() < 1e-3);
        assert_eq!(found.heat_w.value, found.stored_w);
    }
}

/// A vessel of fixed volume with known heat and vent flow: its pressure and liquid 20 s before and
/// after, by total mass and energy with CoolProp 8.0.0 (own integration, scipy's brentq), give the
/// rates that go in here. Columns: p, vessel, liquid volume, vent, heat; liquid kg, vapour m3, dp/dt,
/// fall of the liquid in kg/s.
const MOVING: [[f64; 9]; 4] = [
    [
        101325.0,
        0.6,
        0.4,
        0.001,
        25.0,
        49.86770715,
        0.2,
        0.4477189774,
        0.001169137845,
    ],
    [
        122000.0,
        0.6,
        0.42,
        0.0,
        25.0,
        50.516327,
        0.18,
        9.600748292,
        0.0002166809531,
    ],
    [
        122000.0,
        5.0,
        3.5,
        0.0002,
        4.0,
        420.9693917,
        1.5,
        -0.02926597332,
        0.0002360230428,
    ],
    [
        150000.0,
        1.0,
        0.3,
        0.005,
        10.0,
        34.1397566,
        0.7,
        -27.84105496,
        0.001376621857,
    ],
];

#[test]
fn heat_with_a_moving_pressure() {
    let mut by_vent = Worst::new("heat with moving pressure from the vent, W relative");
    let mut by_fall = Worst::new("heat with moving pressure from the level, W relative");
    for [p, _, _, vent, heat, liquid, vapour, rate, fall] in MOVING {
        let bath = BathState {
            pressure_rate_pa_per_s: exact(rate),
            liquid_kg: exact(liquid),
            vapour_m3: exact(vapour),
            ..still(p)
        };
        let place = format!("{p} Pa, {heat} W, {vent} kg/s");
        let found = from_vent_flow(&bath, exact(vent)).unwrap();
        by_vent.relative(found.heat_w.value, heat, &place);
        let found = from_level_fall(&bath, LevelFall::Mass(exact(fall))).unwrap();
        by_fall.relative(found.heat_w.value, heat, &place);
        assert!(
            (found.vent_kg_per_s.value - vent).abs() < 1e-3 * (vent + 1e-4),
            "{place}"
        );
    }
    by_vent.within(5e-3);
    by_fall.within(5e-3);
}

#[test]
fn stated_uncertainty() {
    let bath = BathState {
        pressure_pa: Figure::new(122_000.0, 300.0),
        pressure_rate_pa_per_s: Figure::new(0.02, 0.01),
        liquid_kg: Figure::new(50.0, 1.0),
        vapour_m3: Figure::new(0.2, 0.01),
    };
    let vent = Figure::new(1.1e-3, 0.02e-3);
    let fall = Figure::new(1.3e-3, 0.03e-3);
    let stated_vent = from_vent_flow(&bath, vent).unwrap();
    let stated_fall = from_level_fall(&bath, LevelFall::Mass(fall)).unwrap();
    let mut random = Random(31);
    let mut draw = |figure: Figure| exact(figure.value + figure.std * random.normal());
    let mut scatters: [Scatter; 6] = Default::default();
    for _ in 0..20_000 {
        let drawn = BathState {
            pressure_pa: draw(bath.pressure_pa),
            pressure_rate_pa_per_s: draw(bath.pressure_rate_pa_per_s),
            liquid_kg: draw(bath.liquid_kg),
            vapour_m3: draw(bath.vapour_m3),
        };
        let latent = 0.005 * draw(Figure::new(0.0, 1.0)).value;
        let by_vent = from_vent_flow(&drawn, draw(vent)).unwrap();
        let by_fall = from_level_fall(&drawn, LevelFall::Mass(draw(fall))).unwrap();
        for (scatter, (found, evaporation)) in scatters.iter_mut().zip([
            (by_vent.heat_w.value, by_vent.evaporation_kg_per_s.value),
            (by_fall.heat_w.value, by_fall.evaporation_kg_per_s.value),
        ]) {
            scatter.see(found + latent * evaporation * stated_vent.latent_heat_j_per_kg);
        }
        for (scatter, found) in scatters[2..].iter_mut().zip([
            by_vent.evaporation_kg_per_s,
            by_vent.liquid_l_per_h,
            by_fall.vent_kg_per_s,
            by_fall.vent_nm3_per_h,
        ]) {
            scatter.see(found.value);
        }
    }
    let stated = [
        stated_vent.heat_w,
        stated_fall.heat_w,
        stated_vent.evaporation_kg_per_s,
        stated_vent.liquid_l_per_h,
        stated_fall.vent_kg_per_s,
        stated_fall.vent_nm3_per_h,
    ];
    for (at, (scatter, stated)) in scatters.iter().zip(stated).enumerate() {
        assert_close(&format!("boil-off {at}"), scatter.std(), stated.std);
    }
}

#[test]
fn hours_until_a_level() {
    // 20 kg above the limit at 1 atm and 25 W: 20 * 20564 / 25 s, by the reference file's latent heat.
    let Arrival::After {
        after_s,
        earliest_s,
        latest_s,
    } = time_until_by_heat(
        Figure::new(20.0, 0.5),
        Figure::new(25.0, 1.0),
        101_325.0,
        2.0,
    )
    .unwrap()
    else {
        panic!("it falls")
    };
    assert!((after_s / (20.0 * 20_564.394_566 / 25.0) - 1.0).abs() < 5e-3);
    assert!(earliest_s < 0.93 * after_s && latest_s > 1.07 * after_s);
    let none = time_until_by_heat(Figure::new(20.0, 0.5), exact(0.0), 101_325.0, 2.0).unwrap();
    assert_eq!(none, Arrival::NotApproaching);
    let gone = time_until_by_heat(Figure::new(-1.0, 0.5), exact(25.0), 101_325.0, 2.0).unwrap();
    assert_eq!(gone, Arrival::Reached);

    let line = |rate: f64| {
        let points: Vec<_> = (0..20)
            .map(f64::from)
            .map(|n| (300.0 * n, 50.0 + rate * 300.0 * n))
            .collect();
        trend(points, 0.01).unwrap()
    };
    let now = line(-1e-3);
    let Arrival::After { after_s, .. } = time_until_by_trend(&now, 30.0, 2.0) else {
        panic!()
    };
    assert!((after_s - (50.0 - 5.7 - 30.0) / 1e-3).abs() < 1.0);
    assert_eq!(
        time_until_by_trend(&line(1e-3), 30.0, 2.0),
        Arrival::NotApproaching
    );
    assert_eq!(
        time_until_by_trend(&line(0.0), 30.0, 2.0),
        Arrival::NotApproaching
    );
    assert_eq!(
        time_until_by_trend(&line(-1e-3), 60.0, 2.0),
        Arrival::Reached
    );
}

#[test]
fn helium_ii_is_answered_only_while_its_pressure_stands() {
    // 1.9 K: latent heat by Donnelly and Barenghi, about 23.3 J/g.
    let bath = still(2300.0);
    let found = from_level_fall(&bath, LevelFall::Mass(exact(1e-5))).unwrap();
    assert!(
        (found.heat_w.value / 0.233 - 1.0).abs() < 0.02,
        "{}",
        found.heat_w.value
    );
    let moving = BathState {
        pressure_rate_pa_per_s: exact(0.1),
        ..bath
    };
    assert!(matches!(
        from_vent_flow(&moving, exact(1e-5)),
        Err(BoilOffError::MovingHeliumIi { .. })
    ));
    assert!(matches!(
        from_vent_flow(&still(3e5), exact(1e-5)),
        Err(BoilOffError::Helium(_))
    ));
}
