//! Whatever is asked, nothing panics; and margins move the way they must.

use coldledger::magnet::{
    BathState, Figure, JointPair, LevelFall, Margin, MarginInput, Resolution, Strand, Target,
    Trend, end_to_end, forecast, from_level_fall, from_vent_flow, joint_resistance, lead_end,
    lead_flow, margin, time_until_by_heat, time_until_by_trend, trend,
};
use proptest::prelude::*;

use crate::critical_surface::surfaces;

/// Any float there is: NaN, infinities, denormals, zeros, and numbers of every size.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => prop::num::f64::ANY,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(f64::NEG_INFINITY),
        1 => Just(f64::MIN_POSITIVE / 4.0),
        1 => Just(0.0),
        1 => Just(-0.0),
        4 => -1e4..1e4,
        4 => 0.0..10.0,
    ]
}

fn figure() -> impl Strategy<Value = Figure> {
    (number(), number()).prop_map(|(value, std)| Figure::new(value, std))
}

fn sensible() -> impl Strategy<Value = MarginInput> {
    (0.5..8.0, 1.0..900.0, 0.001..0.02).prop_map(|(t, i, k)| MarginInput {
        temperature_k: Figure::new(t, 0.01),
        current_a: Figure::new(i, 0.1),
        load_line_t_per_a: Figure::new(k, 1e-5),
        strand_share: 1.0,
        critical_current_std: 0.02,
    })
}

/// Margin and way gone; a lost margin is below every other.
fn standing(set: &str, input: &MarginInput) -> (f64, f64) {
    let strand = Strand::from_filaments(9000, 6e-6).unwrap();
    match margin(&surfaces()[set], &strand, input).unwrap() {
        Margin::Standing(figures) => {
            assert!(figures.margin_k.value > 0.0 && figures.margin_k.is_sound());
            assert!((0.0..=1.0).contains(&figures.load_line.value) && figures.load_line.is_sound());
            (figures.margin_k.value, figures.load_line.value)
        }
        Margin::Lost { .. } => (f64::NEG_INFINITY, f64::INFINITY),
    }
}

proptest! {
    #[test]
    fn margin_falls_with_temperature_field_and_current(
        input in sensible(), set in prop_oneof![Just("A"), Just("B"), Just("C")], by in 1.0001..1.5,
    ) {
        let (kelvin, line) = standing(set, &input);
        let raise = |figure: Figure| Figure::new(figure.value * by, figure.std);
        let changes = [
            MarginInput { temperature_k: raise(input.temperature_k), ..input },
            MarginInput { load_line_t_per_a: raise(input.load_line_t_per_a), ..input },
            MarginInput { current_a: raise(input.current_a), ..input },
        ];
        for changed in changes {
            let (less, further) = standing(set, &changed);
            // A field below 0.1 T counts as 0.1 T: there the margin stands still with the field.
            let low = changed.load_line_t_per_a.value * changed.current_a.value < 0.1;
            prop_assert!(less < kelvin || (less <= kelvin && low) || kelvin == f64::NEG_INFINITY);
            prop_assert!(further >= line);
        }
    }

    #[test]
    fn no_number_makes_the_margin_panic(t in figure(), i in figure(), k in figure(), share in number(), std in number()) {
        let input = MarginInput {
            temperature_k: t, current_a: i, load_line_t_per_a: k, strand_share: share, critical_current_std: std,
        };
        let strand = Strand::from_filaments(9000, 6e-6).unwrap();
        for surface in surfaces().values() {
            if let Ok(Margin::Standing(figures)) = margin(surface, &strand, &input) {
                prop_assert!(figures.margin_k.value > 0.0);
                prop_assert!(!figures.load_line.value.is_nan());
            }
        }
    }

    #[test]
    fn no_number_makes_a_surface_or_strand_panic(numbers in prop::array::uniform7(number()), state in prop::array::uniform3(number())) {
        use coldledger::magnet::{CriticalSurface, CriticalSurfaceParameters};
        let [reference_a_per_m2, c0_t, bc20_t, tc0_k, alpha, beta, gamma] = numbers;
        let parameters = CriticalSurfaceParameters { reference_a_per_m2, c0_t, bc20_t, tc0_k, alpha, beta, gamma };
        if let Ok(surface) = CriticalSurface::new(parameters) {
            let _ = surface.critical_current_density_a_per_m2(state[0], state[1]);
            let _ = surface.current_sharing(state[0], state[2]);
            let _ = surface.critical_temperature_k(state[0]);
            let _ = surface.upper_critical_field_t(state[1]);
        }
        let _ = Strand::from_ratio(state[0], state[1]);
        let _ = Strand::from_filaments(7, state[2]);
    }

    #[test]
    fn no_pairs_make_the_regression_panic(
        pairs in prop::collection::vec((number(), number(), number(), number(), any::<bool>(), any::<bool>()), 0..12),
        step in number(), wanted in number(),
    ) {
        let pairs: Vec<JointPair> = pairs
            .into_iter()
            .map(|(t, i, v, u, reversed, timed)| JointPair {
                time_s: timed.then_some(t), current_a: i, voltage_v: v,
                voltage_std_v: timed.then_some(u), reversed,
            })
            .collect();
        for resolution in [Resolution { voltage_v: step, wanted_ohm: wanted }, Resolution { voltage_v: 1e-9, wanted_ohm: 1e-9 }] {
            if let Ok(found) = joint_resistance(&pairs, resolution) {
                prop_assert!(found.resistance_ohm.is_sound());
            }
        }
    }

    #[test]
    fn no_number_makes_the_others_panic(
        a in figure(), b in figure(), c in figure(), d in figure(), e in figure(), x in number(), y in number(), z in number(),
        points in prop::collection::vec((number(), number()), 0..10), freedom in 0..50_usize,
    ) {
        let bath = BathState { pressure_pa: a, pressure_rate_pa_per_s: b, liquid_kg: c, vapour_m3: d };
        let _ = from_vent_flow(&bath, e);
        let _ = from_level_fall(&bath, LevelFall::Mass(e));
        let near = BathState { pressure_pa: Figure::new(1.2e5, 100.0), ..bath };
        let _ = from_level_fall(&near, LevelFall::Volume(e));
        let _ = time_until_by_heat(a, b, x, y);
        let _ = lead_flow(a, b, x, y);
        let _ = lead_end(x, y, z);
        let _ = end_to_end(a, b, x);
        let line = Trend { value: a, rate_per_s: b, degrees_of_freedom: freedom, span_s: x };
        let _ = time_until_by_trend(&line, y, z);
        for debye_k in [None, Some(x), Some(400.0)] {
            let _ = forecast(&line, Target { temperature_k: y, within_k: z, debye_k }, 2.0);
        }
        if let Some(found) = trend(points, x) {
            prop_assert!(found.value.is_sound());
        }
    }
}
