//! Cool-down: trends, forecast, heat capacity.

use coldledger::magnet::{
    Arrival, CoolDownError, Figure, ForecastModel, Target, Trend, debye_energy_j_per_mol,
    debye_heat_capacity_j_per_mol_k, end_to_end, forecast, trend,
};

use crate::random::{Random, Scatter, assert_close};

const R: f64 = 8.314_462_618;

/// Abramowitz and Stegun 1964, table 27.1: the Debye function D3(x); energy is 3 R T D3(theta/T).
#[test]
fn energy_by_the_published_table() {
    for (x, d3) in [
        (0.1, 0.963_000),
        (1.0, 0.674_416),
        (2.0, 0.441_129),
        (5.0, 0.117_597),
        (10.0, 0.019_296),
    ] {
        let energy = debye_energy_j_per_mol(100.0, 100.0 * x);
        assert!(
            (energy / (3.0 * R * 100.0) - d3).abs() < 1e-6,
            "{x}: {}",
            energy / (3.0 * R * 100.0)
        );
    }
}

#[test]
fn heat_capacity_is_the_slope_of_energy_and_has_its_limits() {
    for t in [4.0, 20.0, 80.0, 150.0, 300.0] {
        let h = 1e-3 * t;
        let slope = (debye_energy_j_per_mol(t + h, 400.0) - debye_energy_j_per_mol(t - h, 400.0))
            / (2.0 * h);
        let c = debye_heat_capacity_j_per_mol_k(t, 400.0);
        assert!((c / slope - 1.0).abs() < 1e-5, "{t}");
    }
    // Dulong and Petit above, T^3 below (12 pi^4/5 R (T/theta)^3).
    assert!((debye_heat_capacity_j_per_mol_k(40_000.0, 400.0) / (3.0 * R) - 1.0).abs() < 1e-5);
    let cubic = 12.0 * std::f64::consts::PI.powi(4) / 5.0 * R * 1e-6;
    assert!((debye_heat_capacity_j_per_mol_k(4.0, 400.0) / cubic - 1.0).abs() < 1e-6);
    assert_eq!(debye_energy_j_per_mol(0.0, 400.0), 0.0);
    assert!(
        debye_energy_j_per_mol(-1.0, 400.0).is_nan() && debye_energy_j_per_mol(1.0, 0.0).is_nan()
    );
}

fn straight(value: f64, rate: f64, noise: f64, random: &mut Random) -> Trend {
    let points: Vec<_> = (0..41)
        .map(|n| 180.0 * f64::from(n))
        .map(|t| (t, value + rate * (t - 7200.0) + noise * random.normal()))
        .collect();
    trend(points, noise).unwrap()
}

#[test]
fn a_straight_line_arrives_when_it_should() {
    let mut random = Random(5);
    // 2 K/h from 100 K to 80 K: ten hours.
    let now = straight(100.0, -2.0 / 3600.0, 0.01, &mut random);
    let target = Target {
        temperature_k: 80.0,
        within_k: 0.5,
        debye_k: None,
    };
    let found = forecast(&now, target, 2.0).unwrap();
    let Arrival::After {
        after_s,
        earliest_s,
        latest_s,
    } = found.arrival
    else {
        panic!("{found:?}")
    };
    assert!((after_s / 36_000.0 - 1.0).abs() < 0.02, "{after_s}");
    assert!(earliest_s < 36_000.0 && latest_s > 36_000.0 && latest_s - earliest_s < 3000.0);
    assert_eq!(found.model, ForecastModel::StraightLine);
    // The same line does not approach 120 K, and is at 100.2 K.
    let warm = Target {
        temperature_k: 120.0,
        ..target
    };
    assert_eq!(
        forecast(&now, warm, 2.0).unwrap().arrival,
        Arrival::NotApproaching
    );
    let here = Target {
        temperature_k: 100.2,
        ..target
    };
    assert_eq!(forecast(&now, here, 2.0).unwrap().arrival, Arrival::Reached);
    // Warming up reaches it.
    let rising = straight(100.0, 2.0 / 3600.0, 0.01, &mut random);
    assert!(matches!(
        forecast(&rising, warm, 2.0).unwrap().arrival,
        Arrival::After { .. }
    ));
    // Noise alone does not approach anything.
    let still = straight(100.0, 0.0, 0.5, &mut random);
    assert_eq!(
        forecast(&still, target, 2.5).unwrap().arrival,
        Arrival::NotApproaching
    );
}

/// A mass that gives off constant heat, by the Debye capacity, integrated step by step.
#[test]
fn the_heat_capacity_model_follows_a_mass_of_constant_heat() {
    let (debye, start, target, rate) = (450.0, 200.0, 40.0, -5.0 / 3600.0);
    let power = -rate * debye_heat_capacity_j_per_mol_k(start, debye);
    let (mut t, mut seconds) = (start, 0.0);
    while t > target {
        t -= 20.0 * power / debye_heat_capacity_j_per_mol_k(t, debye);
        seconds += 20.0;
    }
    let mut random = Random(6);
    let now = straight(start, rate, 1e-6, &mut random);
    let found = forecast(
        &now,
        Target {
            temperature_k: target,
            within_k: 0.1,
            debye_k: Some(debye),
        },
        2.0,
    )
    .unwrap();
    let Arrival::After {
        after_s,
        earliest_s,
        latest_s,
    } = found.arrival
    else {
        panic!("{found:?}")
    };
    assert!(
        (after_s / seconds - 1.0).abs() < 0.01,
        "{after_s} {seconds}"
    );
    // The straight line, 32 h, lies in the band too, and is much later here.
    assert!(earliest_s <= after_s && latest_s > 32.0 * 3600.0 && after_s < 26.0 * 3600.0);
    assert_eq!(found.model, ForecastModel::HeatCapacity);
}

#[test]
fn stated_uncertainty_of_a_trend() {
    let mut random = Random(7);
    let (mut value, mut rate) = (Scatter::default(), Scatter::default());
    let mut stated = None;
    for _ in 0..10_000 {
        let found = straight(50.0, -1e-4, 0.02, &mut random);
        value.see(found.value.value);
        rate.see(found.rate_per_s.value);
        stated = Some(stated.map_or(found, |least: Trend| {
            if found.value.std < least.value.std {
                found
            } else {
                least
            }
        }));
    }
    let stated = stated.unwrap();
    assert_close("value of a trend", value.std(), stated.value.std);
    assert_close("rate of a trend", rate.std(), stated.rate_per_s.std);
}

#[test]
fn gradient_against_its_limit() {
    let warm = Figure::new(120.0, 0.3);
    let cold = Figure::new(85.0, 0.4);
    let found = end_to_end(warm, cold, 50.0).unwrap();
    assert!(
        (found.difference_k.value - 35.0).abs() < 1e-12
            && (found.difference_k.std - 0.5).abs() < 1e-12
    );
    assert!(!found.exceeded && (found.of_limit - 0.7).abs() < 1e-12);
    assert_eq!(
        end_to_end(cold, warm, 30.0).unwrap().difference_k.value,
        35.0
    );
    assert!(end_to_end(cold, warm, 30.0).unwrap().exceeded);
    assert_eq!(
        end_to_end(cold, warm, f64::NAN),
        Err(CoolDownError::NotANumber)
    );
}
