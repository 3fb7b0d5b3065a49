//! Helium by property: what must hold whatever the numbers are.

use coldledger::helium::{
    self, HeliumError, PhaseHint, liquid_bath_density, liquid_bath_density_at_pressure,
};
use coldledger::quantity::{AbsolutePressure, Density, Temperature};
use proptest::prelude::*;

fn kelvin(t: f64) -> Temperature {
    Temperature::new(t)
}

fn pascal(p: f64) -> AbsolutePressure {
    AbsolutePressure::new(p)
}

/// Log-uniform over the range of the equation of state.
fn states() -> impl Strategy<Value = (f64, f64)> {
    (libm::log(2.1768)..libm::log(1500.0), 0.0..libm::log(1.0e8))
        .prop_map(|(t, p)| (libm::exp(t).clamp(2.1768, 1500.0), libm::exp(p).min(1e8)))
        .prop_filter("solid", |&(t, p)| p < 0.98 * helium::melting_pressure_pa(t))
}

fn near_critical(t: f64, p: f64) -> bool {
    (t - helium::CRITICAL_TEMPERATURE).abs() < 0.1
        && (p / helium::CRITICAL_PRESSURE_PA - 1.0).abs() < 0.1
}

/// The peak of the heat capacity above the critical point, where Newton's steps in temperature go
/// to and fro: five states at which they once did not settle.
#[test]
fn enthalpy_leads_back_along_the_peak_of_the_heat_capacity() {
    for (t, p) in [
        (5.382_215_946_076_474_5, 273_841.963_426_436_1),
        (5.446_802_537_429_392, 281_838.293_126_445_5),
        (5.512_164_167_878_544, 266_072.505_979_880_87),
        (5.512_164_167_878_544, 290_068.119_869_315_3),
        (5.543_512_095_627_948, 281_933.146_522_300_7),
    ] {
        let here = helium::state(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        let found = helium::at_enthalpy(pascal(p), here.enthalpy_j_per_kg).unwrap();
        assert!(
            (found.temperature_k / t - 1.0).abs() < 1e-13,
            "{}",
            found.temperature_k
        );
    }
}

/// Whether `p` and `p * (1 + h)` lie on two sides of saturation.
fn straddles_saturation(t: f64, low: f64, high: f64) -> bool {
    helium::saturation_at_temperature(kelvin(t))
        .is_ok_and(|s| (low..=high).contains(&s.pressure.si()))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(3000))]

    #[test]
    fn density_rises_with_pressure((t, p) in states()) {
        let low = helium::density(kelvin(t), pascal(p)).unwrap();
        let high = helium::density(kelvin(t), pascal(p * 1.01)).unwrap_or(low);
        prop_assert!(high >= low);
    }

    #[test]
    fn density_falls_with_temperature_at_fixed_phase((t, p) in states()) {
        // Just above the lambda line liquid helium still expands on cooling; from 2.3 K on it is
        // like any other fluid.
        prop_assume!(t > 2.3 && t * 1.001 <= 1500.0);
        let here = helium::state(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        let warmer = helium::state(kelvin(t * 1.001), pascal(p), PhaseHint::Stable).unwrap();
        prop_assume!(here.phase == warmer.phase);
        prop_assert!(warmer.density_kg_per_m3 < here.density_kg_per_m3);
    }

    #[test]
    fn pressure_of_the_density_is_the_pressure((t, p) in states()) {
        // Inverse of inverse: integrate the slope back from a state a little denser.
        let here = helium::state(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        prop_assert!(here.density_kg_per_m3 > 0.0 && here.speed_of_sound_m_per_s > 0.0);
        prop_assume!(!near_critical(t, p) && p * 1.0001 < 1e8);
        prop_assume!(!straddles_saturation(t, p, p * 1.0001));
        let up = helium::state(kelvin(t), pascal(p * 1.0001), PhaseHint::Stable).unwrap();
        let rise = 0.5 * (here.dp_drho + up.dp_drho)
            * (up.density_kg_per_m3 - here.density_kg_per_m3);
        prop_assert!((rise / (p * 1e-4) - 1.0).abs() < 1e-4, "{} {}", rise, p * 1e-4);
    }

    #[test]
    fn a_start_does_not_change_the_answer((t, p) in states(), scale in -3.0..3.0_f64) {
        let exact = helium::density(kelvin(t), pascal(p)).unwrap();
        let tolerance = if near_critical(t, p) { 1e-7 } else { 1e-10 };
        for start in [exact.si(), exact.si() * (1.0 + 1e-4), exact.si() * libm::exp(scale)] {
            let from = helium::density_from(
                kelvin(t), pascal(p), PhaseHint::Stable, Density::new(start),
            ).unwrap();
            prop_assert!((from.si() / exact.si() - 1.0).abs() < tolerance, "from {start}");
        }
    }

    #[test]
    fn slopes_agree_with_differences((t, p) in states()) {
        let h = 1e-5;
        prop_assume!(!near_critical(t, p) && t * (1.0 - h) > 2.1768 && t * (1.0 + h) < 1500.0);
        prop_assume!(p * (1.0 + h) < 1e8 && !straddles_saturation(t, p * 0.9, p * 1.1));
        let at = |t: f64, p: f64| {
            helium::density(kelvin(t), pascal(p)).unwrap().si()
        };
        let found = helium::density_with_slopes(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        let d_dt = (at(t * (1.0 + h), p) - at(t * (1.0 - h), p)) / (2.0 * h * t);
        let d_dp = (at(t, p * (1.0 + h)) - at(t, p * (1.0 - h))) / (2.0 * h * p);
        let rho = found.density.si();
        prop_assert!((found.d_dt - d_dt).abs() < 1e-4 * found.d_dt.abs() + 1e-7 * rho / t);
        prop_assert!((found.d_dp - d_dp).abs() < 1e-4 * found.d_dp.abs() + 1e-7 * rho / p);
    }

    #[test]
    fn heat_capacity_and_sound_agree_with_differences((t, p) in states()) {
        let h = 1e-4;
        prop_assume!(!near_critical(t, p) && t * (1.0 - h) > 2.1768 && t * (1.0 + h) < 1500.0);
        prop_assume!(p * (1.0 + h) < 1e8 && !straddles_saturation(t, p * 0.95, p * 1.05));
        let at = |t: f64, p: f64| helium::state(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        let here = at(t, p);
        let (cold, warm) = (at(t * (1.0 - h), p), at(t * (1.0 + h), p));
        let (low, high) = (at(t, p * (1.0 - h)), at(t, p * (1.0 + h)));
        let cp = (warm.enthalpy_j_per_kg - cold.enthalpy_j_per_kg) / (2.0 * h * t);
        prop_assert!((cp / here.cp_j_per_kg_k - 1.0).abs() < 1e-4, "cp {} {}", cp, here.cp_j_per_kg_k);
        let by_entropy = t * (warm.entropy_j_per_kg_k - cold.entropy_j_per_kg_k) / (2.0 * h * t);
        prop_assert!((by_entropy / here.cp_j_per_kg_k - 1.0).abs() < 1e-4);
        // Maxwell: (ds/dp)_T = -(dv/dT)_p = (drho/dT)_p / rho^2.
        let ds_dp = (high.entropy_j_per_kg_k - low.entropy_j_per_kg_k) / (2.0 * h * p);
        let rho = here.density_kg_per_m3;
        let scale = 8.3144598 / 4.002602e-3 / p;
        prop_assert!((ds_dp - here.drho_dt / (rho * rho)).abs() < 1e-4 * scale.max(ds_dp.abs()));
        // u = h - p v.
        let u = here.enthalpy_j_per_kg - p / rho - here.internal_energy_j_per_kg;
        let zero = -helium::REFERENCE_PRESSURE_PA
            / helium::density(kelvin(300.0), pascal(helium::REFERENCE_PRESSURE_PA)).unwrap().si();
        prop_assert!((u - zero).abs() < 1e-6 * here.enthalpy_j_per_kg.abs().max(1e5));
        // w^2 = (dp/drho)_s, with (dp/drho)_s = (dp/drho)_T cp / cv.
        let w2 = here.dp_drho * here.cp_j_per_kg_k / here.cv_j_per_kg_k;
        prop_assert!((w2 / (here.speed_of_sound_m_per_s * here.speed_of_sound_m_per_s) - 1.0).abs() < 1e-12);
        let cv = here.cp_j_per_kg_k - t * here.dp_dt * here.dp_dt / (rho * rho * here.dp_drho);
        prop_assert!((cv / here.cv_j_per_kg_k - 1.0).abs() < 1e-9);
    }

    #[test]
    fn saturation_is_its_own_inverse(t in 0.8..5.195_f64) {
        let by_t = helium::saturation_at_temperature(kelvin(t)).unwrap();
        let by_p = helium::saturation_at_pressure(by_t.pressure).unwrap();
        // The two models leave 0.2 mK between them at the lambda point.
        let tolerance = if (t - 2.1768).abs() < 5e-4 { 3e-4 } else { 2e-5 };
        prop_assert!((by_p.temperature.si() - t).abs() < tolerance, "{t} {:?}", by_p);
        prop_assert!(by_t.liquid.si() > by_t.vapour.si());
        prop_assert!(by_t.latent_heat_j_per_kg > 0.0);
    }

    #[test]
    fn saturation_slopes_agree_with_differences(t in 2.2..5.15_f64) {
        let h = 1e-5;
        let at = |t: f64| helium::saturation_at_temperature(kelvin(t)).unwrap();
        let (low, here, high) = (at(t - h), at(t), at(t + h));
        let dp = high.pressure.si() - low.pressure.si();
        let liquid = (high.liquid.si() - low.liquid.si()) / dp;
        let vapour = (high.vapour.si() - low.vapour.si()) / dp;
        prop_assert!((liquid - here.d_liquid_dp).abs() < 1e-5 * here.d_liquid_dp.abs() + 1e-9);
        prop_assert!((vapour - here.d_vapour_dp).abs() < 1e-5 * here.d_vapour_dp.abs() + 1e-9);
        prop_assert!((dp / (2.0 * h) / here.dp_dt - 1.0).abs() < 1e-5);
    }

    #[test]
    fn saturated_phases_are_the_ends_of_the_single_phases(t in 2.18..5.19_f64) {
        let s = helium::saturation_at_temperature(kelvin(t)).unwrap();
        let liquid = helium::state(kelvin(t), s.pressure, PhaseHint::Liquid).unwrap();
        let vapour = helium::state(kelvin(t), s.pressure, PhaseHint::Vapour).unwrap();
        let tolerance = 1e-11 / (1.0 - t / helium::CRITICAL_TEMPERATURE);
        prop_assert!((liquid.density_kg_per_m3 / s.liquid.si() - 1.0).abs() < tolerance.max(1e-9));
        prop_assert!((vapour.density_kg_per_m3 / s.vapour.si() - 1.0).abs() < tolerance.max(1e-9));
        let latent = vapour.enthalpy_j_per_kg - liquid.enthalpy_j_per_kg;
        prop_assert!((latent / s.latent_heat_j_per_kg - 1.0).abs() < 1e-6);
    }

    #[test]
    fn enthalpy_leads_back_to_the_state((t, p) in states()) {
        prop_assume!(!near_critical(t, p));
        let here = helium::state(kelvin(t), pascal(p), PhaseHint::Stable).unwrap();
        let found = helium::at_enthalpy(pascal(p), here.enthalpy_j_per_kg).unwrap();
        // Rounding of the enthalpy through cp, and through the density's slope.
        let dt = 1e-15 * here.enthalpy_j_per_kg.abs().max(1.5e6) / here.cp_j_per_kg_k;
        prop_assert!((found.temperature_k - t).abs() < 50.0 * dt + 1e-13 * t, "{} {}", found.temperature_k, t);
        prop_assert_eq!(found.quality, None);
        let drho = here.drho_dt.abs() * (50.0 * dt + 1e-13 * t);
        prop_assert!((found.density_kg_per_m3 - here.density_kg_per_m3).abs() < drho + 1e-11 * here.density_kg_per_m3);
    }

    #[test]
    fn quality_and_enthalpy_are_inverse(p in 5100.0..227_000.0_f64, quality in 0.0..=1.0_f64) {
        let mixture = helium::at_quality(pascal(p), quality).unwrap();
        let back = helium::at_enthalpy(pascal(p), mixture.enthalpy_j_per_kg.unwrap()).unwrap();
        prop_assert!((back.quality.unwrap_or(quality) - quality).abs() < 1e-8);
        prop_assert!((back.density_kg_per_m3 / mixture.density_kg_per_m3 - 1.0).abs() < 1e-8);
        prop_assert!((back.temperature_k - mixture.temperature_k).abs() < 1e-9);
    }

    #[test]
    fn metastable_phases_join_the_stable_ones(t in 2.3..5.0_f64) {
        let ps = helium::saturation_at_temperature(kelvin(t)).unwrap().pressure.si();
        for (hint, inside, outside) in [
            (PhaseHint::Liquid, 1.0 + 1e-6, 1.0 - 1e-6),
            (PhaseHint::Vapour, 1.0 - 1e-6, 1.0 + 1e-6),
        ] {
            let stable = helium::density_with_slopes(kelvin(t), pascal(ps * inside), hint).unwrap();
            let beyond = helium::density_with_slopes(kelvin(t), pascal(ps * outside), hint).unwrap();
            prop_assert!((stable.density.si() / beyond.density.si() - 1.0).abs() < 1e-4);
            let decided = helium::density(kelvin(t), pascal(ps * inside)).unwrap();
            prop_assert!((decided.si() / stable.density.si() - 1.0).abs() < 1e-10);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_float_makes_it_panic(t in any::<f64>(), p in any::<f64>(), start in any::<f64>()) {
        let edges = [
            t, p, 0.0, -0.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MIN_POSITIVE, 5e-324,
            2.1768, 5.1953, 5.195_300_013_635_951, 1500.0, 0.8, 1e8, 228_322.8, 5_039.33,
        ];
        for &a in &edges {
            for &b in &edges {
                answer_everything(a, b, start);
            }
        }
    }
}

/// Calls every function and asks that each answer is a finite number or an error.
fn answer_everything(a: f64, b: f64, start: f64) {
    let (t, p) = (kelvin(a), pascal(b));
    for hint in [PhaseHint::Stable, PhaseHint::Liquid, PhaseHint::Vapour] {
        if let Ok(found) = helium::density_with_slopes_from(t, p, hint, Density::new(start)) {
            assert!(
                found.density.si().is_finite() && found.density.si() >= 0.0,
                "{a} {b}"
            );
        }
        if let Ok(state) = helium::state(t, p, hint) {
            assert!(state.density_kg_per_m3.is_finite(), "{a} {b}");
        }
    }
    if let Ok(found) = helium::density(t, p) {
        assert!(found.si().is_finite() && found.si() >= 0.0, "{a} {b}");
    }
    if let Ok(s) = helium::saturation_at_temperature(t) {
        assert!(s.pressure.si().is_finite() && s.liquid.si().is_finite());
    }
    if let Ok(s) = helium::saturation_at_pressure(p) {
        assert!(s.temperature.si().is_finite() && s.liquid.si().is_finite());
    }
    if let Ok(bath) = liquid_bath_density(t) {
        assert!(bath.density.si().is_finite() && bath.d_dt.is_finite());
    }
    if let Ok(bath) = liquid_bath_density_at_pressure(p) {
        assert!(bath.density.si().is_finite() && bath.d_dp.is_finite());
    }
    helium::vapour_pressure_temperature(p).ok();
    helium::vapour_pressure(t).ok();
    helium::lambda_temperature(p).ok();
    for found in [helium::at_enthalpy(p, a), helium::at_quality(p, a)]
        .into_iter()
        .flatten()
    {
        assert!(found.density_kg_per_m3.is_finite() && found.temperature_k.is_finite());
    }
    helium::viscosity_pa_s(t, Density::new(b)).ok();
    let _phase_free = helium::density_std_uncertainty(t, Density::new(b), helium::Phase::Gas);
}

/// Between the spinodals the equation has a stretch of positive slope that no fluid has. A start in it
/// once ended in it: 67.7 kg/m3 for a vapour of 17.2.
#[test]
fn a_start_between_the_phases_ends_in_neither_by_mistake() {
    for step in 0..300 {
        let t = 2.1768 + 0.01 * f64::from(step);
        let ps = helium::saturation_at_temperature(kelvin(t))
            .unwrap()
            .pressure
            .si();
        for (p, hint) in [
            (0.97 * ps, PhaseHint::Vapour),
            (ps, PhaseHint::Vapour),
            (ps, PhaseHint::Liquid),
            (1.3 * ps, PhaseHint::Liquid),
        ] {
            let exact =
                helium::density_from(kelvin(t), pascal(p), hint, Density::new(-1.0)).unwrap();
            for start in 1..=60 {
                let start = Density::new(2.5 * f64::from(start));
                let found = helium::density_from(kelvin(t), pascal(p), hint, start).unwrap();
                let gap = (found.si() / exact.si() - 1.0).abs();
                assert!(
                    gap < 1e-8,
                    "{t} K {p} Pa from {start:?}: {found:?} not {exact:?}"
                );
            }
        }
    }
}

/// Around the critical point, where slopes vanish, the solver still settles, and one density above
/// another belongs to one pressure above another.
#[test]
fn settles_around_the_critical_point() {
    let (tc, pc) = (helium::CRITICAL_TEMPERATURE, helium::CRITICAL_PRESSURE_PA);
    for decade in 1..=14 {
        let small = libm::exp(f64::from(-decade) * std::f64::consts::LN_10);
        for t in [tc * (1.0 - small), tc, tc * (1.0 + small)] {
            let mut last = 0.0;
            for step in -40..=40 {
                let p = pc * (1.0 + f64::from(step) * small * 0.1);
                let rho = helium::density(kelvin(t), pascal(p))
                    .unwrap_or_else(|error| panic!("{t} K {p} Pa: {error}"))
                    .si();
                assert!(
                    rho >= last * (1.0 - 1e-6),
                    "{t} K {p} Pa: {last} then {rho}"
                );
                last = rho;
                let wide = pc * (1.0 + f64::from(step) * 0.02);
                helium::density(kelvin(t), pascal(wide))
                    .unwrap_or_else(|error| panic!("{t} K {wide} Pa: {error}"));
            }
        }
    }
}

#[test]
fn refuses_what_lies_outside() {
    let density = |t: f64, p: f64| helium::density(kelvin(t), pascal(p)).unwrap_err();
    assert!(matches!(
        density(0.79, 1e5),
        HeliumError::TemperatureOutOfRange { .. }
    ));
    assert!(matches!(
        density(1500.1, 1e5),
        HeliumError::TemperatureOutOfRange { .. }
    ));
    assert!(matches!(
        density(300.0, 0.0),
        HeliumError::PressureOutOfRange { .. }
    ));
    assert!(matches!(
        density(300.0, 1.001e8),
        HeliumError::PressureOutOfRange { .. }
    ));
    assert!(matches!(density(4.2, 1.5e7), HeliumError::Solid { .. }));
    assert!(matches!(
        density(1.9, 1.0e6),
        HeliumError::PressureOutOfRange { .. }
    ));
    assert_eq!(
        density(f64::NAN, 1e5),
        HeliumError::NotFinite {
            quantity: "temperature"
        }
    );
    assert_eq!(
        density(4.2, f64::INFINITY),
        HeliumError::NotFinite {
            quantity: "pressure"
        }
    );
    assert!(helium::density(kelvin(4.2), pascal(1.4e7)).is_ok());
    assert!(helium::density(kelvin(1500.0), pascal(1.0e8)).is_ok());
}

#[test]
fn refuses_a_phase_that_does_not_exist() {
    let vapour = helium::state(kelvin(4.2), pascal(3e5), PhaseHint::Vapour);
    assert!(
        matches!(
            vapour,
            Err(HeliumError::NoSuchPhase {
                phase: "vapour",
                ..
            })
        ),
        "{vapour:?}"
    );
    let liquid = helium::state(kelvin(5.0), pascal(5e4), PhaseHint::Liquid);
    assert!(
        matches!(
            liquid,
            Err(HeliumError::NoSuchPhase {
                phase: "liquid",
                ..
            })
        ),
        "{liquid:?}"
    );
    let near = helium::saturation_at_temperature(kelvin(5.195_29));
    assert!(
        matches!(near, Err(HeliumError::TooCloseToCritical { .. })),
        "{near:?}"
    );
}

#[test]
fn below_the_lambda_line_only_the_density_is_given() {
    let state = helium::state(kelvin(1.9), pascal(1e5), PhaseHint::Stable);
    assert!(matches!(state, Err(HeliumError::OnlyDensity { .. })));
    let found = helium::density_with_slopes(kelvin(1.9), pascal(1e5), PhaseHint::Stable).unwrap();
    assert_eq!(found.phase, helium::Phase::HeliumIi);
    // Density rises with temperature there, and 1/(rho w^2) with w = 230 m/s is 1.3 % per bar.
    assert!(found.d_dt > 0.0);
    let per_bar = found.d_dp * 1e5 / found.density.si();
    assert!((per_bar - 0.0127).abs() < 0.002, "{per_bar}");
}

/// A bath of 250 litres pumped from 4.22 K to 1.9 K in steps of 0.1 mK near the lambda point: the
/// change of mass from step to step has no jump, and so no crossing reads as helium lost.
#[test]
fn pumping_a_bath_through_the_lambda_point_loses_nothing() {
    let litres_250 = 0.25;
    let mass = |t: f64| litres_250 * liquid_bath_density(kelvin(t)).unwrap().density.si();
    let jump = mass(2.1768 + 1e-9) - mass(2.1768 - 1e-9);
    println!("step of 250 L at the lambda point: {jump:.2e} kg");
    assert!(jump.abs() < 1e-6, "{jump}");
    let mut t = 4.22;
    let mut last = mass(t);
    let mut worst = 0.0_f64;
    while t > 1.9 {
        t -= 1e-3;
        let now = mass(t);
        // The steepest true change is at the warm end: 18 kg/m3/K, 4.5 g per mK in 250 litres.
        worst = worst.max((now - last).abs());
        last = now;
    }
    println!("largest change per mK: {worst:.2e} kg");
    assert!(worst < 6e-3);
}

#[test]
fn pumping_by_pressure_has_no_step_either() {
    let mut last: Option<f64> = None;
    for i in 0..=2000 {
        let p = 5_300.0 - 0.25 * f64::from(i);
        let now = 0.25
            * liquid_bath_density_at_pressure(pascal(p))
                .unwrap()
                .density
                .si();
        if let Some(last) = last {
            assert!((now - last).abs() < 1e-3, "{p} Pa: {last} to {now} kg");
        }
        last = Some(now);
    }
}

#[test]
fn a_pressurised_bath_crosses_without_a_step() {
    for p in [2.0e4, 1.0e5, 1.3e5, 2.5e5, 5.0e5] {
        let rho = |t: f64| helium::density(kelvin(t), pascal(p)).unwrap().si();
        let jump = rho(2.1768) - rho(2.1768 - 1e-9);
        assert!(jump.abs() < 1e-4, "{p} Pa: {jump}");
        let jump = rho(2.05 + 1e-9) - rho(2.05 - 1e-9);
        assert!(jump.abs() < 1e-4, "{p} Pa: {jump}");
        // No step of more than a true change between neighbours.
        let mut last = rho(1.8);
        for i in 1..=500 {
            let now = rho(1.8 + 1e-3 * f64::from(i));
            assert!((now - last).abs() < 0.01, "{p} Pa, step {i}: {last} {now}");
            last = now;
        }
    }
}

#[test]
fn the_join_stays_within_the_uncertainty_of_the_equation() {
    let mut t = 2.1768;
    while t < 5.19 {
        let bath = liquid_bath_density(kelvin(t)).unwrap();
        let equation = helium::saturation_by_equation(kelvin(t)).unwrap();
        let std = helium::bath_density_std_uncertainty(kelvin(t), equation.liquid).si();
        let moved = (bath.density.si() - equation.liquid.si()).abs();
        assert!(moved < std, "{t} K: {moved} against {std}");
        if t > 2.4 {
            assert_eq!(bath.density, equation.liquid);
        }
        let h = 1e-5;
        let numeric =
            (liquid_bath_density(kelvin(t + h)).unwrap().density.si() - bath.density.si()) / h;
        assert!(
            (numeric - bath.d_dt).abs() < 1e-2 * numeric.abs() + 2e-2,
            "{t} {numeric}"
        );
        t += 0.01;
    }
}

/// Check values of the trade (common practice, no source), each within 0.2 %.
#[test]
fn a_large_store_weighs_what_the_trade_says() {
    let litres_700_000 = 700.0;
    let normal = litres_700_000
        * helium::density(kelvin(4.2), pascal(101_325.0))
            .unwrap()
            .si();
    assert!((normal / 87_700.0 - 1.0).abs() < 2e-3, "{normal} kg");
    let superfluid = litres_700_000 * helium::density(kelvin(1.9), pascal(1e5)).unwrap().si();
    assert!(
        (superfluid / 103_100.0 - 1.0).abs() < 2e-3,
        "{superfluid} kg"
    );
}

/// Common practice, no source: 1 litre of liquid gives 750 litres of gas at 20 degC.
#[test]
fn a_litre_of_liquid_gives_750_litres_of_gas() {
    let liquid = helium::saturation_at_pressure(pascal(101_325.0))
        .unwrap()
        .liquid;
    let gas = helium::density(kelvin(293.15), pascal(101_325.0)).unwrap();
    assert!((liquid.si() / gas.si() / 750.0 - 1.0).abs() < 2e-3);
}

#[test]
fn viscosity_agrees_with_the_published_correlation() {
    // CoolProp 8.0.0 (Arp, McCarty and Friend 1998) at its own density: T, p, viscosity.
    for (t, p, expected) in [
        (2.5, 1e5, 3.922203365692946e-06),
        (4.2, 3e5, 3.6306483477915207e-06),
        (6.0, 3e5, 1.9841520590532253e-06),
        (80.0, 2e6, 8.774262669481563e-06),
        (300.0, 1e5, 1.992967343192526e-05),
        (300.0, 2e7, 2.0549034368998173e-05),
        (1400.0, 1e7, 5.8673395007415515e-05),
    ] {
        let rho = helium::density(kelvin(t), pascal(p)).unwrap();
        let found = helium::viscosity_pa_s(kelvin(t), rho).unwrap();
        assert!((found / expected - 1.0).abs() < 1e-8, "{t} K: {found:e}");
    }
}
