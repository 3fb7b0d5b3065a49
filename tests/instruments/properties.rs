//! Properties: nothing panics on junk, what comes out is a number or says why not, and the inverse
//! of the inverse is where it began.

use std::sync::Arc;

use coldledger::instrument::chain::{Chain, Transform};
use coldledger::instrument::curve::{
    ChebyshevCurve, ChebyshevRange, Curve, Interpolation, LinearCurve, PlatinumCurve, TableCurve,
    Variable, parse_chebyshev, parse_table,
};
use coldledger::instrument::decode::{decode, encode};
use coldledger::instrument::flow::{Constriction, Device, GasState, Taps, Totaliser, VenturiKind};
use coldledger::instrument::level::{
    BathPhase, ColumnState, DpColumn, Head, Shape, Strapping, WireProbe, WireReading, dp_bath,
    wire_level,
};
use coldledger::instrument::vacuum::{RisePoint, RiseVolume, rate_of_rise};
use coldledger::instrument::{
    ChannelUncertainty, CurrentLoop, Format, SharedKind, SharedTerm, WordOrder,
};
use coldledger::quantity::{GroupIx, Measured, Quality, SharedParts, Si};
use coldledger::time::Span;
use proptest::prelude::*;
use smallvec::SmallVec;

fn format() -> impl Strategy<Value = Format> {
    proptest::sample::select(Format::ALL.to_vec())
}

fn order() -> impl Strategy<Value = WordOrder> {
    proptest::sample::select(vec![WordOrder::HighFirst, WordOrder::LowFirst])
}

/// Any bits at all, and often a plain number.
fn any_float() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<u64>().prop_map(f64::from_bits),
        -1e6..1e6,
        proptest::sample::select(vec![
            0.0,
            -0.0,
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            f64::MIN_POSITIVE,
            5e-324,
            f64::MAX,
        ]),
    ]
}

fn any_interpolation() -> impl Strategy<Value = Interpolation> {
    proptest::sample::select(vec![
        Interpolation::MonotoneCubic,
        Interpolation::LogLogMonotoneCubic,
    ])
}

fn any_curve() -> impl Strategy<Value = Curve> {
    let table = (
        proptest::collection::vec((any_float(), any_float()), 0..6),
        any_interpolation(),
    )
        .prop_filter_map("unsound", |(points, how)| {
            TableCurve::new(&points, how).ok().map(Curve::Table)
        });
    let series = (
        any_float(),
        any_float(),
        proptest::collection::vec(any_float(), 0..6),
    )
        .prop_filter_map("unsound", |(low, high, coefficients)| {
            let range = ChebyshevRange {
                low,
                high,
                coefficients,
            };
            let curve = ChebyshevCurve::new(Variable::Log10, vec![range]);
            curve.ok().map(Curve::Chebyshev)
        });
    let line = [any_float(), any_float(), any_float(), any_float()].prop_map(
        |[slope, intercept, low, high]| {
            Curve::Linear(LinearCurve {
                slope,
                intercept,
                low,
                high,
            })
        },
    );
    let platinum = any_float().prop_map(|r0_ohm| Curve::Platinum(PlatinumCurve { r0_ohm }));
    prop_oneof![
        sound_table().prop_map(Curve::Table),
        line,
        platinum,
        table,
        series
    ]
}

/// A falling table over several decades, as a resistance thermometer's.
fn sound_table() -> impl Strategy<Value = TableCurve> {
    let steps = proptest::collection::vec((1.01..2.0_f64, 1.01..2.0_f64), 1..20);
    (steps, any_interpolation()).prop_map(|(steps, how)| {
        let mut at = (10.0, 400.0);
        let mut points = vec![at];
        for (up, down) in steps {
            at = (at.0 * up, at.1 / down);
            points.push(at);
        }
        TableCurve::new(&points, how).expect("a sound table")
    })
}

fn any_transform() -> impl Strategy<Value = Transform> {
    let current_loop = || {
        (any_float(), any_float()).prop_map(|(at_4_ma, at_20_ma)| CurrentLoop { at_4_ma, at_20_ma })
    };
    prop_oneof![
        Just(Transform::Direct),
        current_loop().prop_map(Transform::CurrentLoop),
        any_curve().prop_map(|curve| Transform::Curve(Arc::new(curve))),
        (current_loop(), any_curve()).prop_map(|(current_loop, curve)| {
            Transform::CurrentLoopThenCurve {
                current_loop,
                curve: Arc::new(curve),
            }
        }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn words_come_back_from_their_number(
        words in proptest::collection::vec(any::<u16>(), 4),
        format in format(),
        order in order(),
    ) {
        let words = &words[..usize::from(format.words())];
        if let Ok(number) = decode(words, format, order) {
            let exact = !matches!(format, Format::U64 | Format::I64) || number.abs() <= 9e15;
            if exact {
                let back = encode(number, format, order).unwrap();
                prop_assert_eq!(back.as_slice(), words);
            }
        }
    }

    #[test]
    fn an_integer_code_is_the_nearest(value in -40_000.0..70_000.0_f64, format in format(), order in order()) {
        if let Ok(words) = encode(value, format, order) {
            let back = decode(&words, format, order).unwrap();
            let step = if format.is_integer() { 0.5 } else { value.abs() * 6e-8 };
            prop_assert!((back - value).abs() <= step);
        } else {
            prop_assert!(matches!(format, Format::U16 | Format::I16 | Format::U32 | Format::U64));
        }
    }

    #[test]
    fn a_channel_never_panics_and_is_finite_or_bad(
        words in proptest::collection::vec(any::<u16>(), 0..6),
        format in format(),
        order in order(),
        scale in any_float(),
        offset in any_float(),
        transform in any_transform(),
        range in (any_float(), any_float()),
        u in [any_float(), any_float(), any_float(), any_float()],
    ) {
        let chain = Chain { format, order, scale, offset, transform };
        let u = ChannelUncertainty {
            noise_std: u[0],
            resolution: u[1],
            shared: SmallVec::from_vec(vec![
                SharedTerm { group: GroupIx(3), kind: SharedKind::Absolute(u[2]) },
                SharedTerm { group: GroupIx(1), kind: SharedKind::SignalRelative(u[3]) },
            ]),
            ..ChannelUncertainty::default()
        };
        let measured = chain.convert(&words, range, &u);
        if measured.quality != Quality::Bad {
            prop_assert!(measured.value.0.is_finite());
            prop_assert!(measured.value.0 >= range.0 - 1e-6 * (range.1 - range.0));
        }
        let _ = chain.raw_for(scale).is_ok();
        if let Transform::Curve(curve) = &chain.transform {
            let _ = (curve.check(0.0), curve.inverse(offset), curve.output_range());
        }
    }

    #[test]
    fn a_sound_table_is_monotone_and_inverts(table in sound_table(), parts in proptest::collection::vec(0.0..=1.0_f64, 20)) {
        let curve = Curve::Table(table);
        prop_assert!(curve.check(0.0).is_empty());
        let (low, high) = curve.range();
        let mut inputs: Vec<f64> = parts.iter().map(|p| low + (high - low) * p).collect();
        inputs.sort_by(f64::total_cmp);
        let mut before = f64::INFINITY;
        for input in inputs {
            let (output, slope) = curve.value_and_slope(input).unwrap();
            prop_assert!(output <= before * (1.0 + 1e-12) && slope <= 1e-12);
            before = output;
            let back = curve.inverse(output).unwrap();
            // Where the curve is nearly level, the output is what must come back.
            let again = curve.value_and_slope(back).unwrap().0;
            prop_assert!((again / output - 1.0).abs() < 1e-9, "{} {}", output, again);
        }
    }

    #[test]
    fn curve_files_never_panic(text in "\\PC*") {
        let _ = (parse_table(&text), parse_chebyshev(&text));
    }

    #[test]
    fn a_mangled_curve_file_never_panics(at in 0..400_usize, with in "\\PC{0,3}") {
        let text = include_str!("../../config/tarn-hollow/curves/thin-film-bath.csv");
        let mut mangled: Vec<char> = text.chars().take(700).collect();
        mangled.splice(at..=at, with.chars());
        let mangled: String = mangled.into_iter().collect();
        if let Ok(spec) = parse_table(&mangled) {
            let _ = spec.check();
        }
    }

    #[test]
    fn vessels_never_panic_and_invert(
        dimensions in [any_float(), any_float(), any_float(), any_float()],
        sane in (0.1..10.0_f64, 0.1..20.0_f64, 0.51..2.0_f64, 0.01..0.49_f64),
        parts in proptest::collection::vec(0.0..=1.0_f64, 8),
    ) {
        let shapes = |d: f64, l: f64, dish: f64, knuckle: f64| {
            let torus = Head::Torispherical {
                dish_radius_per_diameter: dish,
                knuckle_radius_per_diameter: knuckle,
            };
            [
                Shape::Sphere { diameter_m: d },
                Shape::HorizontalCylinder { diameter_m: d, length_m: l, heads: torus },
                Shape::VerticalCylinder { diameter_m: d, length_m: l, bottom: torus, top: Head::Ellipsoidal2To1 },
            ]
        };
        let [d, l, dish, knuckle] = dimensions;
        for shape in shapes(d, l, dish, knuckle) {
            if let Ok(strapping) = Strapping::from_shape(&shape) {
                let _ = (strapping.volume_at(d), strapping.height_at(l));
            }
        }
        let (d, l, dish, knuckle) = sane;
        for shape in shapes(d, l, dish, knuckle) {
            let strapping = Strapping::from_shape(&shape).unwrap();
            let (low, high) = strapping.heights();
            for part in &parts {
                let h = low + (high - low) * part;
                let (volume, surface) = strapping.volume_at(h).unwrap();
                prop_assert!(volume >= 0.0 && volume <= strapping.total() * (1.0 + 1e-9) && surface >= 0.0);
                let back = strapping.height_at(volume).unwrap();
                let again = strapping.volume_at(back).unwrap().0;
                prop_assert!((again - volume).abs() <= 1e-9 * strapping.total());
            }
        }
    }

    #[test]
    fn levels_never_panic(
        column in [any_float(), any_float(), any_float()],
        state in [any_float(), any_float(), any_float(), any_float()],
        age in any::<i64>(),
    ) {
        let strapping = Strapping::from_shape(&Shape::Sphere { diameter_m: 2.0 }).unwrap();
        let column = DpColumn {
            lower_tap_m: column[0],
            tap_distance_m: column[1],
            gravity_m_per_s2: column[2],
        };
        let reading = WireReading {
            value: Measured::good(Si(state[0]), state[1], SharedParts::new()),
            age: Span::from_millis(age),
        };
        let probe = WireProbe {
            lower_end_m: state[1],
            active_length_m: state[2],
            superfluid_bias_m: state[3],
            fresh_for: Span::ZERO,
            hold_limit: Span::HOUR,
        };
        let level = wire_level(&probe, &reading, BathPhase::Superfluid);
        prop_assert!(level.quality == Quality::Bad || level.value.si().is_finite());
        let state = ColumnState {
            dp_pa: state[0],
            liquid_density: state[1],
            vapour_density: state[2],
            reference_density: state[3],
        };
        if let Ok(content) = dp_bath(&column, &strapping, &state) {
            prop_assert!(content.level_m.is_finite());
        }
    }

    #[test]
    fn flows_never_panic_and_rise_with_the_pressure(
        junk in [any_float(), any_float(), any_float(), any_float(), any_float(), any_float()],
        pipe in 0.05..1.0_f64,
        beta in 0.3..0.75_f64,
        kelvin in 4.0..320.0_f64,
        bar in 1.0..20.0_f64,
        part in 0.01..0.2_f64,
        device in proptest::sample::select(vec![
            Device::Orifice(Taps::Corner),
            Device::Orifice(Taps::Flange),
            Device::Orifice(Taps::DiameterAndHalf),
            Device::Venturi(VenturiKind::Machined),
        ]),
    ) {
        let odd = Constriction {
            pipe_diameter_m: pipe,
            throat_diameter_m: pipe * beta,
            device,
            cut_off_dp_pa: junk[0],
        };
        let odd_gas = GasState {
            pressure_pa: junk[1],
            density: junk[2],
            viscosity_pa_s: junk[3],
            isentropic_exponent: junk[4],
        };
        let _ = odd.flow(junk[5], &odd_gas);
        let meter = Constriction { cut_off_dp_pa: 0.0, ..odd };
        let gas = GasState {
            pressure_pa: bar * 1e5,
            density: bar * 1e5 * 4.0026e-3 / (8.314462618 * kelvin),
            viscosity_pa_s: 2e-5 * libm::pow(kelvin / 300.0, 0.65),
            isentropic_exponent: 1.667,
        };
        let dp = part * gas.pressure_pa;
        let flow = meter.flow(dp, &gas).unwrap();
        let more = meter.flow(dp * 1.01, &gas).unwrap();
        prop_assert!(more.mass_flow_kg_per_s > flow.mass_flow_kg_per_s);
        prop_assert!(flow.d_flow_d_dp > 0.0 && flow.d_flow_d_density > 0.0);
    }

    #[test]
    fn counters_and_rises_never_panic(junk in [any_float(), any_float(), any_float(), any_float(), any_float()]) {
        let counter = Totaliser {
            per_count: junk[0],
            rollover_counts: junk[1],
            largest_step_counts: junk[2],
        };
        let _ = counter.increment(junk[3], junk[4]);
        let point = |time_s, pressure_pa| RisePoint { time_s, pressure_pa };
        let points = [point(junk[0], junk[1]), point(junk[2], junk[3]), point(0.0, 1.0)];
        let volume = RiseVolume {
            volume_m3: junk[4],
            volume_relative_std: 0.1,
            pressure_relative_std: 0.1,
            cold_walls: true,
        };
        if let Ok(rise) = rate_of_rise(&points, &volume) {
            prop_assert!(rise.throughput.is_finite() && rise.std_uncertainty.is_finite());
        }
    }
}
