//! Air against outside values.

use coldledger::air::{
    Fan, Hall, HallAir, HeliumRelease, Scenario, fatality_factor_not_for_safety_design, mmhg,
    oxygen_partial_pressure,
};
use coldledger::quantity::{
    AbsolutePressure, Duration, Fraction, MassFlow, Temperature, Volume, VolumeFlow,
};

use crate::reference::{Worst, rows};

/// `odh_transient.csv`: the mass balance, checked there with an integrator of differential equations.
#[test]
fn oxygen_in_a_hall_agrees_with_the_balance() {
    let mut oxygen = Worst::new("odh_transient.csv, oxygen, mole fraction");
    let mut partial = Worst::new("odh_transient.csv, partial pressure, relative");
    let mut inverse = Worst::new("odh_transient.csv, time to an oxygen value, relative");
    for row in rows("odh_transient.csv") {
        let case = row.text("case");
        let place = format!("{case} {} s", row.text("t_s"));
        let flow = VolumeFlow::new(row.number("Q_m3_s"));
        let fan = match case {
            "supply_fan" => Fan::Supply(flow),
            "fan_off" => Fan::Off,
            _ => Fan::Exhaust(flow),
        };
        let outside = Fraction::new(row.number("x_outside"));
        let start = if case == "recovery_after_release" {
            Fraction::new(0.12)
        } else {
            outside
        };
        let hall = Hall::new(Volume::new(row.number("V_m3")), fan, outside).unwrap();
        let release = VolumeFlow::new(row.number("R_m3_s"));
        let scenario = Scenario::new(&hall, start, release, None).unwrap();
        let t = row.number("t_s");
        let x = scenario.oxygen_at(Duration::new(t)).unwrap();
        oxygen.note((x.si() - row.number("x_O2")).abs(), &place);
        let p = oxygen_partial_pressure(x, AbsolutePressure::new(101_325.0)).unwrap();
        partial.relative(p.si(), row.number("pO2_Pa"), &place);
        partial.relative(mmhg(p), row.number("pO2_mmHg"), &place);
        // Late, the oxygen hardly moves any more and its twelve digits no longer hold the time.
        if t > 0.0 && t <= 600.0 && case != "recovery_after_release" {
            let found = match scenario
                .falls_to(Fraction::new(row.number("x_O2")))
                .unwrap()
            {
                coldledger::air::Reaches::After(found) => found.si(),
                other => panic!("{place}: {other:?}"),
            };
            inverse.relative(found, t, &place);
        }
    }
    oxygen.within(1e-9);
    partial.within(1e-9);
    inverse.within(1e-9);
}

/// The same case in two pieces: a release, then the recovery of `odh_transient.csv` from 12 %.
#[test]
fn a_release_joins_its_recovery() {
    let fan = Fan::Exhaust(VolumeFlow::new(1.2));
    let hall = Hall::new(Volume::new(500.0), fan, Fraction::new(0.209)).unwrap();
    // With this release the hall is at 12 % when it ends.
    let lasting = 1800.0_f64;
    let part = (1.0 - 0.12 / 0.209) / (1.0 - libm::exp(-1.2 * lasting / 500.0));
    let release = VolumeFlow::new(1.2 * part);
    let scenario = Scenario::new(
        &hall,
        Fraction::new(0.209),
        release,
        Some(Duration::new(lasting)),
    )
    .unwrap();
    for row in rows("odh_transient.csv") {
        if row.text("case") == "recovery_after_release" {
            let t = Duration::new(lasting + row.number("t_s"));
            let x = scenario.oxygen_at(t).unwrap().si();
            assert!((x - row.number("x_O2")).abs() < 1e-9, "{t:?}");
        }
    }
}

/// `odh_fatality.csv`: Miller and Mazur 1984; not for safety design.
#[test]
fn the_fatality_factor_agrees_with_the_published_relation() {
    let mut factor = Worst::new("odh_fatality.csv, fatality factor, relative");
    for row in rows("odh_fatality.csv") {
        let p = oxygen_partial_pressure(
            Fraction::new(row.number("x_O2")),
            AbsolutePressure::new(row.number("p_total_Pa")),
        )
        .unwrap();
        let place = format!("{} mmHg", row.text("pO2_mmHg"));
        let found = fatality_factor_not_for_safety_design(p).unwrap();
        let expected = row.number("fatality_factor");
        if expected == 0.0 {
            assert_eq!(found, 0.0, "{place}");
        } else {
            factor.relative(found, expected, &place);
        }
    }
    factor.within(1e-9);
}

/// The release is a mass; its volume comes from the equation of state, as `gas_volume_conversions.csv`
/// has it.
#[test]
fn a_released_mass_is_a_volume_of_the_hall() {
    for row in rows("gas_volume_conversions.csv") {
        let (t, p) = (row.number("T_K"), row.number("p_Pa"));
        let air = HallAir::new(Temperature::new(t), AbsolutePressure::new(p)).unwrap();
        let flow = HeliumRelease::Rate(MassFlow::new(row.number("rho_real_kg_m3")))
            .volume_flow(&air)
            .unwrap();
        assert!((flow.si() - 1.0).abs() < 1e-9, "{t} K {p} Pa");
    }
}
