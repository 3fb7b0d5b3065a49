//! Joint resistance: known circuits, Monte Carlo coverage, refusals.

use coldledger::magnet::{JointPair, JointRefusal, Resolution, joint_resistance};
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::random::{Random, Scatter, assert_close};

const FINE: Resolution = Resolution {
    voltage_v: 1e-9,
    wanted_ohm: 1e-10,
};

fn pair(time: f64, current: f64, voltage: f64) -> JointPair {
    JointPair {
        time_s: Some(time),
        current_a: current,
        voltage_v: voltage,
        voltage_std_v: None,
        reversed: false,
    }
}

/// Steps of current up and down, a minute each.
fn staircase() -> Vec<(f64, f64)> {
    let steps = [
        0.0, 1000.0, 2000.0, 3000.0, 4000.0, 5000.0, 4000.0, 3000.0, 2000.0, 1000.0, 0.0,
    ];
    (0..)
        .zip(steps)
        .map(|(n, current)| (60.0 * f64::from(n), current))
        .collect()
}

#[test]
fn offset_and_drift_are_taken_out_exactly() {
    let pairs: Vec<_> = staircase()
        .into_iter()
        .map(|(t, i)| pair(t, i, 1.5e-9 * i + 3e-6 + 2e-9 * t))
        .collect();
    let found = joint_resistance(&pairs, FINE).unwrap();
    assert!((found.resistance_ohm.value - 1.5e-9).abs() < 1e-18);
    assert!((found.drift_v_per_s.unwrap().value - 2e-9).abs() < 1e-15);
    // The drift is counted from the mean time, 300 s.
    assert!((found.offset_v.value - (3e-6 + 2e-9 * 300.0)).abs() < 1e-13);
    assert_eq!(found.degrees_of_freedom, 11 - 3);
    // A straight line that ignored the drift would be wrong on a ramp that only rises: so is a
    // result that does not know its times.
    let rising: Vec<_> = (0..8)
        .map(|n| pair(100.0 * f64::from(n), 700.0 * f64::from(n), 0.0))
        .collect();
    assert_eq!(joint_resistance(&rising, FINE), Err(JointRefusal::NotApart));
}

#[test]
fn polarity_tells_thermal_voltage_from_offset() {
    let mut pairs = Vec::new();
    for (n, (t, i)) in staircase().into_iter().enumerate() {
        let sign = if n % 2 == 0 { 1.0 } else { -1.0 };
        let voltage = sign * (2e-9 * i + 0.7e-6 + 1e-10 * (t - 300.0)) + 5e-6;
        pairs.push(JointPair {
            reversed: sign < 0.0,
            ..pair(t, i, voltage)
        });
    }
    let found = joint_resistance(&pairs, FINE).unwrap();
    assert!((found.resistance_ohm.value - 2e-9).abs() < 1e-18);
    assert!((found.offset_v.value - 5e-6).abs() < 1e-14);
    assert!((found.thermal_v.unwrap().value - 0.7e-6).abs() < 1e-14);
    // Reversing the current does the same.
    let reversed: Vec<_> = [-5000.0, 5000.0, -2500.0, 2500.0, 5000.0, -5000.0]
        .into_iter()
        .zip([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
        .map(|(i, t)| pair(t, i, 1e-9 * i + 4e-6))
        .collect();
    let found = joint_resistance(&reversed, FINE).unwrap();
    assert!((found.resistance_ohm.value - 1e-9).abs() < 1e-18);
}

/// Weights: the standard uncertainty that is stated is the scatter that is seen, and 95 % of the
/// intervals hold the truth.
#[test]
fn stated_uncertainty_and_coverage() {
    let mut random = Random(23);
    let truth = 1.2e-9;
    let (mut scatter, mut stated_std) = (Scatter::default(), 0.0);
    let (mut inside, mut inside_unstated) = (0, 0);
    let trials = 10_000;
    for _ in 0..trials {
        let drawn: Vec<_> = staircase()
            .into_iter()
            .enumerate()
            .map(|(n, (t, i))| {
                let std = if n % 3 == 0 { 50e-9 } else { 20e-9 };
                let voltage = truth * i + 3e-6 + 1e-10 * t + std * random.normal();
                JointPair {
                    voltage_std_v: Some(std),
                    ..pair(t, i, voltage)
                }
            })
            .collect();
        let found = joint_resistance(&drawn, FINE).unwrap();
        scatter.see(found.resistance_ohm.value);
        stated_std = f64::max(stated_std, 0.0);
        // The scatter of one trial only ever raises what is stated; the least is what is stated.
        stated_std = if stated_std == 0.0 {
            found.resistance_ohm.std
        } else {
            stated_std.min(found.resistance_ohm.std)
        };
        let far = (found.resistance_ohm.value - truth).abs();
        if far < 1.96 * found.resistance_ohm.std {
            inside += 1;
        }
        let unstated: Vec<_> = staircase()
            .into_iter()
            .map(|(t, i)| pair(t, i, truth * i + 3e-6 + 1e-10 * t + 30e-9 * random.normal()))
            .collect();
        let found = joint_resistance(&unstated, FINE).unwrap();
        let factor = StudentsT::new(0.0, 1.0, 8.0).unwrap().inverse_cdf(0.975);
        assert_eq!(found.degrees_of_freedom, 8);
        if (found.resistance_ohm.value - truth).abs() < factor * found.resistance_ohm.std {
            inside_unstated += 1;
        }
    }
    assert_close("joint, stated voltages", scatter.std(), stated_std);
    let percent = |n: i32| 100.0 * f64::from(n) / f64::from(trials);
    println!(
        "joint coverage: {:.1} % stated, {:.1} % from scatter",
        percent(inside),
        percent(inside_unstated)
    );
    // Stated voltages are never believed more than the scatter, so a little above 95 %.
    assert!((94.5..98.5).contains(&percent(inside)));
    assert!((94.3..95.7).contains(&percent(inside_unstated)));
}

/// 1 nanoohm at 5 kA is 5 microvolt.
#[test]
fn a_converter_that_cannot_see_it_is_refused_with_what_is_needed() {
    let pairs: Vec<_> = staircase()
        .into_iter()
        .map(|(t, i)| pair(t, i, 0.0))
        .collect();
    let coarse = Resolution {
        voltage_v: 100e-6,
        wanted_ohm: 1e-9,
    };
    let refusal = joint_resistance(&pairs, coarse).unwrap_err();
    let JointRefusal::TooCoarse {
        needed_v, span_a, ..
    } = refusal
    else {
        panic!("{refusal}")
    };
    assert!((needed_v - 5e-6).abs() < 1e-18 && span_a == 5000.0);
    assert!(
        refusal.to_string().contains("5e-6 V or finer is needed"),
        "{refusal}"
    );
    let enough = Resolution {
        voltage_v: 5e-6,
        wanted_ohm: 1e-9,
    };
    // A coarse converter that is just enough still states the rounding in its uncertainty.
    let found = joint_resistance(&pairs, enough).unwrap();
    assert!(found.resistance_ohm.std > 1e-10);
}

#[test]
fn what_is_too_little_is_refused() {
    let at = |current: f64| pair(0.0, current, 0.0);
    let few = [at(0.0), at(1000.0), at(2000.0)];
    assert!(matches!(
        joint_resistance(&few, FINE),
        Err(JointRefusal::TooFew { pairs: 3, least: 5 })
    ));
    assert!(matches!(
        joint_resistance(&[], FINE),
        Err(JointRefusal::TooFew { .. })
    ));
    let steady: Vec<_> = (0..10)
        .map(|n| pair(f64::from(n), 4800.0 + f64::from(n), 7e-6))
        .collect();
    assert!(matches!(
        joint_resistance(&steady, FINE),
        Err(JointRefusal::SpanTooSmall { span_a, .. }) if span_a == 9.0
    ));
    let mut broken: Vec<_> = staircase()
        .into_iter()
        .map(|(t, i)| pair(t, i, 0.0))
        .collect();
    broken[4].voltage_v = f64::NAN;
    assert_eq!(
        joint_resistance(&broken, FINE),
        Err(JointRefusal::NotFinite { pair: 5 })
    );
    broken[4].voltage_v = 0.0;
    broken[2].voltage_std_v = Some(1e-9);
    assert_eq!(
        joint_resistance(&broken, FINE),
        Err(JointRefusal::MixedUncertainties)
    );
    broken[2].voltage_std_v = None;
    broken[7].time_s = None;
    assert_eq!(
        joint_resistance(&broken, FINE),
        Err(JointRefusal::MixedTimes)
    );
}
