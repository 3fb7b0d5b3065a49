//! Flow and vacuum against independently computed values.

use coldledger::instrument::flow::{
    Constriction, Device, GasState, ReferenceCondition, Taps, ideal_helium_density,
};
use coldledger::instrument::vacuum::{
    LeakUnit, RisePoint, RiseVolume, helium_mass_flow, rate_of_rise,
};

use crate::reference::{Table, Worst};

const DAY_S: f64 = 86_400.0;

/// `orifice_iso5167.csv`: ISO 5167-2:2003 by an independent implementation.
#[test]
fn orifices_agree_with_iso_5167() {
    let table = Table::read("orifice_iso5167.csv");
    let mut flow = Worst::new("orifice_iso5167.csv, mass flow, relative", 1e-6);
    let mut coefficient = Worst::new("orifice_iso5167.csv, C", 1e-6);
    let mut expansibility = Worst::new("orifice_iso5167.csv, epsilon", 1e-6);
    for row in table.rows() {
        let pipe_diameter_m = row.number("D_m");
        let orifice = Constriction {
            pipe_diameter_m,
            throat_diameter_m: pipe_diameter_m * row.number("beta"),
            device: Device::Orifice(match row.text("taps") {
                "flange" => Taps::Flange,
                "corner" => Taps::Corner,
                "D and D/2" => Taps::DiameterAndHalf,
                other => panic!("unknown taps {other}"),
            }),
            cut_off_dp_pa: 10.0,
        };
        let gas = GasState {
            pressure_pa: row.number("p1_Pa"),
            density: row.number("rho_kg_m3"),
            viscosity_pa_s: row.number("mu_Pa_s"),
            isentropic_exponent: row.number("k"),
        };
        let got = orifice.flow(row.number("dp_Pa"), &gas).unwrap();
        flow.see(got.mass_flow_kg_per_s / row.number("qm_kg_s") - 1.0);
        coefficient.see(got.discharge_coefficient - row.number("C"));
        expansibility.see(got.expansibility - row.number("epsilon"));
        assert!((got.reynolds / row.number("Re_D") - 1.0).abs() < 1e-6);
        assert_eq!(got.within_limits, row.text("within_limits") == "yes");
    }
    let rows = table.rows().count();
    flow.report(rows);
    coefficient.report(rows);
    expansibility.report(rows);
}

/// `gas_volume_conversions.csv`, ideal columns.
#[test]
fn standard_volumes_are_masses() {
    let table = Table::read("gas_volume_conversions.csv");
    let mut mass = Worst::new("gas_volume_conversions.csv, ideal mass, relative", 1e-9);
    for row in table.rows() {
        let condition = ReferenceCondition::new(row.number("T_K"), row.number("p_Pa"));
        let got = condition.ideal_mass_kg(row.number("volume_m3"));
        mass.see(got / row.number("mass_ideal_kg") - 1.0);
        let density = ideal_helium_density(row.number("T_K"), row.number("p_Pa"));
        assert!((density / row.number("rho_ideal_kg_m3") - 1.0).abs() < 1e-9);
    }
    mass.report(table.rows().count());
}

/// `vacuum_rate_of_rise.csv`: q = V dp/dt.
#[test]
fn rates_of_rise_agree() {
    let table = Table::read("vacuum_rate_of_rise.csv");
    let mut throughput = Worst::new("vacuum_rate_of_rise.csv, q, relative", 1e-9);
    let mut helium = Worst::new("vacuum_rate_of_rise.csv, helium, relative", 1e-9);
    for row in table.rows() {
        let point = |time_s, column| RisePoint {
            time_s,
            pressure_pa: row.number(column) * 100.0,
        };
        let volume = RiseVolume {
            volume_m3: row.number("V_L") / 1e3,
            volume_relative_std: 0.05,
            pressure_relative_std: 0.0,
            cold_walls: false,
        };
        let points = [point(0.0, "p1_mbar"), point(row.number("t_s"), "p2_mbar")];
        let rise = rate_of_rise(&points, &volume).unwrap();
        throughput.see(rise.throughput / row.number("q_Pa_m3_s") - 1.0);
        let per_day = helium_mass_flow(rise.throughput, 293.15) * 1e3 * DAY_S;
        helium.see(per_day / row.number("helium_g_day") - 1.0);
        assert!((rise.std_uncertainty / rise.throughput - 0.05).abs() < 1e-9);
    }
    let rows = table.rows().count();
    throughput.report(rows);
    helium.report(rows);
}

/// `leak_units.csv`: SI definitions, helium at 20 degrees Celsius.
#[test]
fn leak_units_convert_by_definition() {
    let table = Table::read("leak_units.csv");
    let mut worst = Worst::new("leak_units.csv, all columns, relative", 1e-9);
    let columns = [
        ("Pa_m3_s", LeakUnit::PascalCubicMetre),
        ("mbar_L_s", LeakUnit::MillibarLitre),
        ("atm_cm3_s", LeakUnit::AtmosphereCubicCentimetre),
        ("torr_L_s", LeakUnit::TorrLitre),
    ];
    for row in table.rows() {
        let named = |name: &str| columns.iter().find(|c| c.0 == name).expect("a unit").1;
        let q = row.number("value_in") * named(row.text("unit_in")).pa_m3_per_s();
        for (column, unit) in columns {
            worst.see(q / unit.pa_m3_per_s() / row.number(column) - 1.0);
        }
        let kg_per_s = helium_mass_flow(q, 293.15);
        worst.see(kg_per_s / row.number("kg_s") - 1.0);
        worst.see(kg_per_s * DAY_S / row.number("kg_day") - 1.0);
    }
    worst.report(table.rows().count() * 6);
}
