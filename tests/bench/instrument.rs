//! Speed of the instrument floor, against a plain loop measured in the same run.
//!
//! The plain loop is what one would write by hand for one sensor: `log10` of the standard library
//! and Clenshaw's recurrence, value only. Project and plain loop take turns; a round in which the
//! plain loop was more than 10 % off its median is dropped, and the medians of the rest are shown.
//! One argument sets the number of rounds (25 by default; 1 only shows that it runs).

#![expect(
    clippy::cast_precision_loss,
    clippy::disallowed_methods,
    clippy::expect_used,
    clippy::print_stdout,
    reason = "a bench reads the clock, prints, and stops where it cannot go on"
)]

use std::hint::black_box;
use std::sync::Arc;
use std::time::Instant;

use coldledger::instrument::chain::{Chain, Transform};
use coldledger::instrument::curve::{
    ChebyshevCurve, ChebyshevRange, Curve, Interpolation, PlatinumCurve, TableCurve,
    ThermocoupleCurve, ThermocoupleType, Variable,
};
use coldledger::instrument::{
    ChannelUncertainty, CurrentLoop, Format, SharedKind, SharedTerm, WordOrder,
};
use coldledger::quantity::GroupIx;
use smallvec::SmallVec;

/// Twelve invented terms over 1.4 to 100 K or so.
const TERMS: [f64; 12] = [
    5.924355,
    -6.407296,
    2.049457,
    -0.439955,
    0.1163814,
    -0.05959501,
    0.01186039,
    0.007375406,
    -0.00201,
    0.00113,
    -0.00041,
    0.00012,
];
const LOW: f64 = 2.569058;
const HIGH: f64 = 3.924874;
const POINTS: usize = 20_000;
/// A plant of this many channels, each with a calibration of its own, polled over and over.
const CHANNELS: usize = 200;
const POLLS: usize = 20;

fn main() {
    let rounds = std::env::args()
        .skip(1)
        .find_map(|argument| argument.parse().ok())
        .unwrap_or(25);
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let mut uniform = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let ohms: Vec<f64> = (0..POINTS)
        .map(|_| libm::pow(10.0, LOW + (HIGH - LOW) * uniform()))
        .collect();
    let terms = black_box(TERMS.to_vec());
    let plain = || {
        let mut sum = 0.0;
        for ohm in &ohms {
            let z = ohm.log10();
            let k = ((z - LOW) - (HIGH - z)) / (HIGH - LOW);
            sum += clenshaw(k, &terms);
        }
        sum
    };
    let curve = black_box(Arc::new(series()));
    let value_and_slope = || {
        let mut sum = 0.0;
        for ohm in &ohms {
            let (value, slope) = curve.value_and_slope(*ohm).expect("in range");
            sum += value + slope;
        }
        sum
    };
    compare(
        rounds,
        "Chebyshev, 12 terms, value and slope",
        POINTS,
        value_and_slope,
        plain,
    );

    for (name, chain, range) in chains() {
        let chains: Vec<Chain> = (0..CHANNELS).map(|at| retuned(&chain, at as f64)).collect();
        let u = uncertainty();
        let words: Vec<_> = (0..CHANNELS)
            .map(|_| {
                let value = range.0.max(3.0) + 6.0 * uniform();
                chain.raw_for(value).expect("a code")
            })
            .collect();
        let convert = || {
            let mut sum = 0.0;
            for _ in 0..POLLS {
                for (chain, words) in chains.iter().zip(&words) {
                    let measured = chain.convert(black_box(words), range, black_box(&u));
                    sum += measured.value.0 + measured.independent_std;
                    black_box(&measured);
                }
            }
            sum
        };
        compare(rounds, name, CHANNELS * POLLS, convert, plain);
    }
}

fn clenshaw(k: f64, terms: &[f64]) -> f64 {
    let (mut b1, mut b2) = (0.0, 0.0);
    let k2 = 2.0 * k;
    let (first, rest) = terms.split_first().expect("terms");
    for c in rest.iter().rev() {
        (b1, b2) = (k2 * b1 - b2 + c, b1);
    }
    k * b1 - b2 + first
}

fn series() -> Curve {
    let range = ChebyshevRange {
        low: LOW,
        high: HIGH,
        coefficients: TERMS.to_vec(),
    };
    Curve::Chebyshev(ChebyshevCurve::new(Variable::Log10, vec![range]).expect("a sound curve"))
}

fn table() -> Curve {
    let points: Vec<(f64, f64)> = (0..60)
        .map(|at| {
            let ohm = 60.0 * libm::pow(1.08, f64::from(at));
            (ohm, 1.8e4 / libm::pow(ohm, 1.1))
        })
        .collect();
    let how = Interpolation::LogLogMonotoneCubic;
    Curve::Table(TableCurve::new(&points, how).expect("a sound table"))
}

fn chains() -> Vec<(&'static str, Chain, (f64, f64))> {
    let chain = |format, scale, transform| Chain {
        format,
        order: WordOrder::HighFirst,
        scale,
        offset: 0.0,
        transform,
    };
    let current_loop = CurrentLoop {
        at_4_ma: 0.0,
        at_20_ma: 16.0,
    };
    let platinum = Curve::Platinum(PlatinumCurve { r0_ohm: 100.0 });
    let thermocouple = ThermocoupleCurve::new(ThermocoupleType::T).expect("a sound curve");
    let thermocouple = Curve::Thermocouple(thermocouple);
    vec![
        (
            "whole channel, 4-20 mA loop",
            chain(Format::U16, 1e-6, Transform::CurrentLoop(current_loop)),
            (0.0, 16.0),
        ),
        (
            "whole channel, Chebyshev, 12 terms",
            chain(Format::F32, 1.0, Transform::Curve(Arc::new(series()))),
            (1.4, 20.0),
        ),
        (
            "whole channel, log-log table, 60 points",
            chain(Format::U32, 0.01, Transform::Curve(Arc::new(table()))),
            (1.4, 325.0),
        ),
        (
            "whole channel, platinum below 0 degC",
            chain(Format::U16, 0.01, Transform::Curve(Arc::new(platinum))),
            (75.0, 400.0),
        ),
        (
            "whole channel, thermocouple T",
            chain(Format::I16, 1e-6, Transform::Curve(Arc::new(thermocouple))),
            (75.0, 400.0),
        ),
    ]
}

/// Each channel has a curve of its own in memory, as in a plant.
fn retuned(chain: &Chain, at: f64) -> Chain {
    let transform = match &chain.transform {
        Transform::Curve(curve) => Transform::Curve(Arc::new(curve.as_ref().clone())),
        other => other.clone(),
    };
    Chain {
        offset: at * 1e-12,
        transform,
        ..chain.clone()
    }
}

fn uncertainty() -> ChannelUncertainty {
    ChannelUncertainty {
        noise_std: 1e-3,
        resolution: 1.0,
        curve_std: 5e-3,
        curve_group: Some(GroupIx(2)),
        shared: SmallVec::from_slice(&[
            SharedTerm {
                group: GroupIx(3),
                kind: SharedKind::Absolute(0.01),
            },
            SharedTerm {
                group: GroupIx(7),
                kind: SharedKind::RelativeToReading(1e-3),
            },
        ]),
        ..ChannelUncertainty::default()
    }
}

fn nanoseconds(each: usize, f: &impl Fn() -> f64) -> f64 {
    let start = Instant::now();
    black_box(f());
    start.elapsed().as_secs_f64() * 1e9 / each as f64
}

fn compare(
    rounds: usize,
    name: &str,
    each: usize,
    ours: impl Fn() -> f64,
    plain: impl Fn() -> f64,
) {
    let pairs: Vec<(f64, f64)> = (0..rounds.max(1))
        .map(|_| (nanoseconds(each, &ours), nanoseconds(POINTS, &plain)))
        .collect();
    let usual = median(pairs.iter().map(|pair| pair.1));
    let steady = || {
        pairs
            .iter()
            .filter(|pair| (pair.1 / usual - 1.0).abs() <= 0.1)
    };
    println!(
        "{name:<42} {:7.1} ns   plain loop {:6.1} ns   ratio {:5.2}   ({} of {} rounds)",
        median(steady().map(|pair| pair.0)),
        median(steady().map(|pair| pair.1)),
        median(steady().map(|pair| pair.0 / pair.1)),
        steady().count(),
        pairs.len(),
    );
}

fn median(numbers: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = numbers.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}
