//! Helium against published values.

use coldledger::helium::{
    self, HELIUM_3, HELIUM_4_NORMAL, HELIUM_4_SUPERFLUID, PhaseHint, saturation_by_equation,
    saturation_by_equation_at,
};
use coldledger::quantity::{AbsolutePressure, Density, Temperature};

use crate::reference::{Worst, rows};

fn kelvin(t: f64) -> Temperature {
    Temperature::new(t)
}

fn pascal(p: f64) -> AbsolutePressure {
    AbsolutePressure::new(p)
}

#[test]
fn single_phase_agrees_with_the_same_equation() {
    let mut rho = Worst::new("helium_single_phase.csv, density, relative");
    let mut energy = Worst::new("helium_single_phase.csv, enthalpy and internal energy, J/kg");
    let mut entropy = Worst::new("helium_single_phase.csv, entropy, J/(kg K)");
    let mut rest = Worst::new("helium_single_phase.csv, cp, cv, speed of sound, relative");
    for row in rows("helium_single_phase.csv") {
        let (t, p) = (row.number("T_K"), row.number("p_Pa"));
        let place = format!("{t} K {p} Pa");
        let state = helium::state(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        rho.relative(state.density_kg_per_m3, row.number("rho_kg_m3"), &place);
        let direct = helium::density(kelvin(t), pascal(p)).unwrap().si();
        rho.relative(direct, row.number("rho_kg_m3"), &place);
        energy.note(
            (state.enthalpy_j_per_kg - row.number("h_minus_h300K1atm_J_kg")).abs(),
            &place,
        );
        energy.note(
            (state.internal_energy_j_per_kg - row.number("u_minus_u300K1atm_J_kg")).abs(),
            &place,
        );
        entropy.note(
            (state.entropy_j_per_kg_k - row.number("s_minus_s300K1atm_J_kgK")).abs(),
            &place,
        );
        rest.relative(state.cp_j_per_kg_k, row.number("cp_J_kgK"), &place);
        rest.relative(state.cv_j_per_kg_k, row.number("cv_J_kgK"), &place);
        rest.relative(state.speed_of_sound_m_per_s, row.number("w_m_s"), &place);
    }
    rho.within(1e-9);
    energy.within(0.01);
    entropy.within(1e-4);
    rest.within(1e-8);
}

#[test]
fn dense_grid_agrees_with_the_same_equation() {
    let mut rho = Worst::new("helium_dense_grid.csv, density, relative");
    let mut near =
        Worst::new("helium_dense_grid.csv, density, relative, next to the critical point");
    let mut energy = Worst::new("helium_dense_grid.csv, enthalpy, J/kg");
    let mut entropy = Worst::new("helium_dense_grid.csv, entropy, J/(kg K)");
    let mut rest =
        Worst::new("helium_dense_grid.csv, cp, cv, speed of sound, slopes of density, relative");
    for row in rows("helium_dense_grid.csv") {
        let (t, p) = (row.number("T_K"), row.number("p_Pa"));
        let kind = row.text("kind");
        let place = format!("{kind} {t} K {p} Pa");
        let hint = match kind {
            "metastable liquid" => PhaseHint::Liquid,
            "metastable vapour" => PhaseHint::Vapour,
            _ => PhaseHint::Stable,
        };
        let state = helium::state(kelvin(t), pascal(p), hint)
            .unwrap_or_else(|error| panic!("{place}: {error}"));
        let critical = (t - helium::CRITICAL_TEMPERATURE).abs() < 0.05
            && (p / helium::CRITICAL_PRESSURE_PA - 1.0).abs() < 0.05;
        let expected = row.number("rho_kg_m3");
        if critical {
            near.relative(state.density_kg_per_m3, expected, &place);
            continue;
        }
        rho.relative(state.density_kg_per_m3, expected, &place);
        energy.note(
            (state.enthalpy_j_per_kg - row.number("h_J_kg")).abs(),
            &place,
        );
        entropy.note(
            (state.entropy_j_per_kg_k - row.number("s_J_kgK")).abs(),
            &place,
        );
        rest.relative(state.cp_j_per_kg_k, row.number("cp_J_kgK"), &place);
        rest.relative(state.cv_j_per_kg_k, row.number("cv_J_kgK"), &place);
        rest.relative(state.speed_of_sound_m_per_s, row.number("w_m_s"), &place);
        rest.relative(state.drho_dt, row.number("drho_dT"), &place);
        rest.relative(state.drho_dp, row.number("drho_dp"), &place);
        let slopes = helium::density_with_slopes(kelvin(t), pascal(p), hint).unwrap();
        rest.relative(slopes.d_dt, row.number("drho_dT"), &place);
        rest.relative(slopes.d_dp, row.number("drho_dp"), &place);
    }
    rho.within(1e-9);
    near.within(1e-9);
    energy.within(0.01);
    entropy.within(1e-4);
    rest.within(1e-6);
}

#[test]
fn saturation_agrees_with_the_same_equation() {
    let mut worst = Worst::new(
        "helium_saturation.csv, temperature, pressure, densities, latent heat, relative",
    );
    let mut its = Worst::new("helium_saturation.csv, pressure against ITS-90, relative");
    for row in rows("helium_saturation.csv") {
        let t = row.number("T_K");
        let place = format!("{t} K");
        let by_t = saturation_by_equation(kelvin(t)).unwrap();
        let by_p = saturation_by_equation_at(by_t.pressure).unwrap();
        worst.relative(by_p.temperature.si(), t, &place);
        for s in [by_t, by_p] {
            worst.relative(s.pressure.si(), row.number("p_sat_Pa"), &place);
            worst.relative(s.liquid.si(), row.number("rho_liquid_kg_m3"), &place);
            worst.relative(s.vapour.si(), row.number("rho_vapour_kg_m3"), &place);
            worst.relative(
                s.latent_heat_j_per_kg,
                row.number("latent_heat_J_kg"),
                &place,
            );
        }
        if t <= 5.0 {
            let thermometry = helium::vapour_pressure(kelvin(t)).unwrap();
            its.relative(by_t.pressure.si(), thermometry.si(), &place);
        }
    }
    worst.within(1e-6);
    its.within(3e-3);
}

#[test]
fn vapour_pressure_scale_agrees_with_its_90() {
    let mut temperature = Worst::new("its_90_vapour_pressure.csv, T(p), K");
    let mut pressure = Worst::new("its_90_vapour_pressure.csv, p(T), relative");
    let mut slope = Worst::new("its_90_vapour_pressure.csv, dT/dp, relative");
    for row in rows("its_90_vapour_pressure.csv") {
        let scale = match row.text("equation") {
            "3He" => HELIUM_3,
            "4He_superfluid" => HELIUM_4_SUPERFLUID,
            "4He_normal" => HELIUM_4_NORMAL,
            other => panic!("unknown equation {other}"),
        };
        let (t, p) = (row.number("T90_K"), row.number("p_Pa"));
        let place = format!("{} {t} K", row.text("equation"));
        let found = scale
            .temperature(pascal(p))
            .unwrap_or_else(|error| panic!("{place}: {error}"));
        temperature.note((found.si() - t).abs(), &place);
        let found = scale
            .pressure(kelvin(t))
            .unwrap_or_else(|error| panic!("{place}: {error}"));
        pressure.relative(found.si(), p, &place);
        // The boiling points in the file carry no slope.
        if !row.number("dTdp_K_per_Pa").is_nan() {
            slope.relative(
                scale.slope_k_per_pa(pascal(p)).unwrap(),
                row.number("dTdp_K_per_Pa"),
                &place,
            );
        }
    }
    temperature.within(1e-9);
    pressure.within(1e-8);
    slope.within(1e-8);
}

#[test]
fn saturated_helium_ii_agrees_with_the_tables() {
    let mut density = Worst::new("helium_ii_saturated.csv, density at table points, kg/m3");
    let mut between = Worst::new("helium_ii_saturated.csv, density between, kg/m3");
    let mut pressure = Worst::new("helium_ii_saturated.csv, pressure, relative");
    let mut latent = Worst::new("helium_ii_saturated.csv, latent heat, relative");
    for row in rows("helium_ii_saturated.csv") {
        let t = row.number("T_K");
        let place = format!("{t} K");
        let bath = helium::liquid_bath_density(kelvin(t)).unwrap();
        let saturation = helium::saturation_at_temperature(kelvin(t)).unwrap();
        assert_eq!(bath.density, saturation.liquid);
        let gap = (bath.density.si() - row.number("rho_liquid_kg_m3")).abs();
        if t <= 2.1 || t == 2.15 {
            density.note(gap, &place);
        } else {
            between.note(gap, &place);
        }
        pressure.relative(bath.pressure.si(), row.number("p_table_Pa"), &place);
        if t <= 2.1 {
            latent.relative(
                saturation.latent_heat_j_per_kg,
                row.number("latent_heat_J_kg"),
                &place,
            );
        }
    }
    density.within(0.01);
    between.within(0.03);
    pressure.within(5e-3);
    latent.within(1e-2);
}

#[test]
fn pressurised_helium_ii_agrees_with_the_isobars() {
    let mut worst = Worst::new("helium_ii_pressurised.csv, density against the parabola, kg/m3");
    for row in rows("helium_ii_pressurised.csv") {
        let (t, p) = (row.number("T_K"), row.number("p_Pa"));
        let rho = helium::density(kelvin(t), pascal(p)).unwrap().si();
        let gap = (rho - row.number("rho_quadratic_kg_m3")).abs();
        assert!(gap <= row.number("tol_kg_m3"));
        worst.note(gap, &format!("{t} K {p} Pa"));
    }
    worst.within(0.05);
}

#[test]
fn gas_volumes_convert() {
    let mut real = Worst::new("gas_volume_conversions.csv, real density and mass, relative");
    for row in rows("gas_volume_conversions.csv") {
        let rho = helium::density(kelvin(row.number("T_K")), pascal(row.number("p_Pa")))
            .unwrap()
            .si();
        let place = row.text("condition").to_owned();
        real.relative(rho, row.number("rho_real_kg_m3"), &place);
        real.relative(
            rho * row.number("volume_m3"),
            row.number("mass_real_kg"),
            &place,
        );
    }
    real.within(1e-9);
}

#[test]
fn liquid_gives_its_litres_of_gas() {
    let mut worst = Worst::new("liquid_gas_ratio.csv, ratio, relative");
    for row in rows("liquid_gas_ratio.csv") {
        let liquid_p = row.number("liquid_p_Pa");
        let liquid = if liquid_p.is_nan() {
            row.number("rho_liquid_kg_m3")
        } else {
            helium::saturation_at_pressure(pascal(liquid_p))
                .unwrap()
                .liquid
                .si()
        };
        let gas = helium::density(
            kelvin(row.number("gas_T_K")),
            pascal(row.number("gas_p_Pa")),
        )
        .unwrap()
        .si();
        worst.relative(liquid / gas, row.number("ratio"), row.text("gas_condition"));
    }
    worst.within(3e-3);
}

#[test]
fn mismatch_of_the_two_models_is_as_stated() {
    let mut worst = Worst::new("helium_eos_vs_table.csv, density by the equation, kg/m3");
    for row in rows("helium_eos_vs_table.csv") {
        let t = row.number("T_K");
        let equation = saturation_by_equation(kelvin(t)).unwrap();
        worst.note(
            (equation.liquid.si() - row.number("rho_eos")).abs(),
            &format!("{t} K"),
        );
    }
    worst.within(0.02);
}

/// `helium_random.csv`: states drawn at random, with energy and viscosity.
#[test]
fn random_states_agree_with_the_same_equation() {
    let mut rho = Worst::new("helium_random.csv, density, relative");
    let mut energy = Worst::new("helium_random.csv, enthalpy and internal energy, J/kg");
    let mut entropy = Worst::new("helium_random.csv, entropy, J/(kg K)");
    let mut rest = Worst::new("helium_random.csv, cp, cv, speed of sound, relative");
    let mut viscosity = Worst::new("helium_random.csv, viscosity, relative");
    let mut back = Worst::new("helium_random.csv, temperature by pressure and enthalpy, relative");
    for row in rows("helium_random.csv") {
        let (t, p) = (row.number("T_K"), row.number("p_Pa"));
        let place = format!("{t} K {p} Pa");
        let state = helium::state(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        rho.relative(state.density_kg_per_m3, row.number("rho_kg_m3"), &place);
        energy.note(
            (state.enthalpy_j_per_kg - row.number("h_J_kg")).abs(),
            &place,
        );
        energy.note(
            (state.internal_energy_j_per_kg - row.number("u_J_kg")).abs(),
            &place,
        );
        entropy.note(
            (state.entropy_j_per_kg_k - row.number("s_J_kgK")).abs(),
            &place,
        );
        rest.relative(state.cp_j_per_kg_k, row.number("cp_J_kgK"), &place);
        rest.relative(state.cv_j_per_kg_k, row.number("cv_J_kgK"), &place);
        rest.relative(state.speed_of_sound_m_per_s, row.number("w_m_s"), &place);
        let density = Density::new(row.number("rho_kg_m3"));
        let found = helium::viscosity_pa_s(kelvin(t), density).unwrap();
        viscosity.relative(found, row.number("mu_Pas"), &place);
        let found = helium::at_enthalpy(pascal(p), row.number("h_J_kg")).unwrap();
        back.relative(found.temperature_k, t, &place);
    }
    rho.within(1e-9);
    energy.within(0.01);
    entropy.within(1e-4);
    rest.within(1e-6);
    viscosity.within(1e-6);
    back.within(1e-8);
}

/// `helium_mixture.csv`: liquid and vapour together, by pressure and quality, and by pressure and
/// enthalpy.
#[test]
fn mixtures_agree_with_the_same_equation() {
    let mut rho = Worst::new("helium_mixture.csv, temperature and density, relative");
    let mut energy = Worst::new("helium_mixture.csv, enthalpy and internal energy, J/kg");
    let mut entropy = Worst::new("helium_mixture.csv, entropy, J/(kg K)");
    let mut quality = Worst::new("helium_mixture.csv, quality by enthalpy");
    for row in rows("helium_mixture.csv") {
        let (p, x) = (row.number("p_Pa"), row.number("quality"));
        let place = format!("{p} Pa {x}");
        let found = helium::at_quality(pascal(p), x).unwrap();
        rho.relative(found.temperature_k, row.number("T_K"), &place);
        rho.relative(found.density_kg_per_m3, row.number("rho_kg_m3"), &place);
        let h = row.number("h_J_kg");
        energy.note((found.enthalpy_j_per_kg.unwrap() - h).abs(), &place);
        let u = row.number("u_J_kg");
        energy.note((found.internal_energy_j_per_kg.unwrap() - u).abs(), &place);
        let s = row.number("s_J_kgK");
        entropy.note((found.entropy_j_per_kg_k.unwrap() - s).abs(), &place);
        let back = helium::at_enthalpy(pascal(p), h).unwrap();
        quality.note((back.quality.unwrap() - x).abs(), &place);
        rho.relative(back.density_kg_per_m3, row.number("rho_kg_m3"), &place);
    }
    rho.within(1e-6);
    energy.within(0.1);
    entropy.within(1e-2);
    quality.within(1e-5);
}

/// `rules_of_thumb.csv`: what of it is physics. The masses of the magnet plant are common practice,
/// no source.
#[test]
fn rules_of_thumb_hold() {
    let rules = rows("rules_of_thumb.csv");
    let mut worst = Worst::new("rules_of_thumb.csv, those that are physics, relative");
    let mut check = |rule: &str, quoted: f64, found: f64| {
        assert!(rules.iter().any(|row| row.text("rule") == rule), "{rule}");
        worst.relative(found, quoted, rule);
    };
    let liquid = helium::saturation_at_pressure(pascal(101_325.0)).unwrap();
    let gas = |celsius: f64| {
        helium::density(kelvin(celsius + 273.15), pascal(101_325.0))
            .unwrap()
            .si()
    };
    let per_litre = |celsius: f64| liquid.liquid.si() / gas(celsius);
    let rule = "gas from 1 L liquid (1 atm boiling)";
    check(rule, 737.0, per_litre(15.0));
    check(rule, 750.0, per_litre(20.0));
    check(rule, 699.0, per_litre(0.0));
    check("1 kg helium", 8.0, 1e3 / liquid.liquid.si());
    check("1 kg helium", 5.6, 1.0 / gas(0.0));
    check("1 g/s", 28.8, 3600.0 / liquid.liquid.si());
    check("1 g/s", 20.2, 3.6 / gas(0.0));
    let at_4_2 = helium::saturation_at_temperature(kelvin(4.2))
        .unwrap()
        .liquid
        .si();
    let rule = "pressure offset head helium";
    check(rule, 0.0122, at_4_2 * 9.80665 * 1e-3 / 100.0);
    let bath = helium::saturation_at_temperature(kelvin(1.9))
        .unwrap()
        .liquid
        .si();
    check("head of liquid in He II bath", 1.42, bath * 9.80665 / 1e3);
    let rule = "gas storage pressure swing with temperature";
    check(rule, 0.34, 100.0 * (1.0 - gas(20.5) / gas(19.5)));
    worst.within(7e-3);

    let mut mass = Worst::new("rules_of_thumb.csv, 700,000 L of liquid helium, relative");
    let tonnes = |t: f64, p: f64| 700.0 * helium::density(kelvin(t), pascal(p)).unwrap().si() / 1e3;
    mass.relative(tonnes(4.2, 101_325.0), 87.7, "4.2 K, 1 atm");
    mass.relative(tonnes(1.9, 1e5), 103.1, "1.9 K, 1 bar");
    mass.within(2e-3);
}

/// Every reference file has its rows in the table of worst deviations.
#[test]
fn every_reference_file_stands_in_the_table() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference");
    let table = std::fs::read_to_string(format!("{folder}/README.md")).unwrap();
    let mut missing = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let is_csv = path.extension().is_some_and(|extension| extension == "csv");
        if is_csv && !table.contains(&format!("\n| {name} | ")) {
            missing.push(name);
        }
    }
    assert!(missing.is_empty(), "no row for {missing:?}");
}
