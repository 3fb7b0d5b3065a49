//! Stated uncertainties are right: the scatter of simulated devices against the propagated value.
//!
//! Each device errs as its description says, its registers are rounded as a real one's are, and the
//! chain reads them. 20,000 trials give the scatter within 0.5 %; the limit is 5 %.

use std::sync::Arc;

use coldledger::instrument::chain::{Chain, Transform};
use coldledger::instrument::curve::{Curve, PlatinumCurve, parse_chebyshev, parse_table};
use coldledger::instrument::flow::{Constriction, Device, GasState, Taps};
use coldledger::instrument::level::{
    BathPhase, ColumnState, DpColumn, Head, STANDARD_GRAVITY_M_PER_S2, Shape, Strapping, WireProbe,
    WireReading, dp_bath, wire_level,
};
use coldledger::instrument::vacuum::{RisePoint, RiseVolume, rate_of_rise};
use coldledger::instrument::{
    ChannelUncertainty, CurrentLoop, Format, SharedKind, SharedTerm, WordOrder,
};
use coldledger::quantity::{GroupIx, Measured, Quality, Si, add_shared};
use coldledger::time::Span;
use smallvec::SmallVec;

pub const TRIALS: u32 = 20_000;
const LIMIT: f64 = 0.05;

/// SplitMix64 with Box-Muller; the seed is part of each test.
pub struct Random(pub u64);

impl Random {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        f64::from(u32::try_from(z >> 32).unwrap()) / 4_294_967_296.0
    }

    pub fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        radius * libm::cos(std::f64::consts::TAU * self.uniform())
    }
}

#[derive(Default)]
pub struct Scatter {
    sum: f64,
    squares: f64,
    count: f64,
}

impl Scatter {
    pub fn see(&mut self, x: f64) {
        self.sum += x;
        self.squares += x * x;
        self.count += 1.0;
    }

    pub fn std(&self) -> f64 {
        let mean = self.sum / self.count;
        libm::sqrt(self.squares / self.count - mean * mean)
    }
}

pub fn assert_close(what: &str, scatter: f64, stated: f64) {
    let ratio = scatter / stated;
    println!("{what}: scatter / stated = {ratio:.4}");
    assert!((ratio - 1.0).abs() < LIMIT, "{what}: {ratio}");
}

fn term(group: u16, kind: SharedKind) -> SharedTerm {
    SharedTerm {
        group: GroupIx(group),
        kind,
    }
}

/// One standard normal number per shared source, then the registers of the erring device.
fn device(
    chain: &Chain,
    u: &ChannelUncertainty,
    truth: f64,
    sources: &[f64],
    random: &mut Random,
) -> Measured<Si> {
    let source = |group: GroupIx| sources[usize::from(group.0)];
    let mut value = truth + u.noise_std * random.normal();
    value += u.curve_std * u.curve_group.map_or_else(|| random.normal(), source);
    for t in &u.shared {
        value += match t.kind {
            SharedKind::Absolute(size) => size * source(t.group),
            SharedKind::RelativeToReading(size) => size * truth * source(t.group),
            _ => 0.0,
        };
    }
    let mut signal = match &chain.transform {
        Transform::Direct => value,
        Transform::CurrentLoop(l) => l.current_a(value),
        Transform::Curve(curve) => curve.inverse(value).unwrap(),
        Transform::CurrentLoopThenCurve {
            current_loop,
            curve,
        } => current_loop.current_a(curve.inverse(value).unwrap()),
        Transform::Thermocouple { curve, junction_k } => {
            curve.emf(value).unwrap() - curve.emf(*junction_k).unwrap()
        }
    };
    let clean = signal;
    signal += u.signal_noise_std * random.normal();
    for t in &u.shared {
        signal += match t.kind {
            SharedKind::SignalAbsolute(size) => size * source(t.group),
            SharedKind::SignalRelative(size) => size * clean * source(t.group),
            _ => 0.0,
        };
    }
    let words = chain.raw_for_signal(signal).unwrap();
    chain.convert(&words, (0.0, 1e9), u)
}

/// Scatter around the truth, for truths spread over some codes about `around`.
fn check(what: &str, chain: &Chain, u: &ChannelUncertainty, around: f64, spread: f64) {
    let mut random = Random(around.to_bits());
    let mut scatter = Scatter::default();
    let mut stated = 0.0;
    for _ in 0..TRIALS {
        let truth = around + spread * (random.uniform() - 0.5);
        let sources: Vec<f64> = (0..8).map(|_| random.normal()).collect();
        let read = device(chain, u, truth, &sources, &mut random);
        assert_eq!(read.quality, Quality::Good, "{what}");
        scatter.see(read.value.0 - truth);
        stated += read.combined_std() / f64::from(TRIALS);
    }
    assert_close(what, scatter.std(), stated);
}

fn integer(format: Format, scale: f64, transform: Transform) -> Chain {
    Chain {
        format,
        order: WordOrder::HighFirst,
        scale,
        offset: 0.0,
        transform,
    }
}

fn shipped(name: &str) -> Arc<Curve> {
    let root = env!("CARGO_MANIFEST_DIR");
    let text = std::fs::read_to_string(format!("{root}/config/tarn-hollow/curves/{name}")).unwrap();
    let spec = if name.ends_with("csv") {
        parse_table(&text)
    } else {
        parse_chebyshev(&text)
    };
    spec.unwrap().curve
}

#[test]
fn a_pressure_loop() {
    let chain = integer(
        Format::U16,
        1e-6,
        Transform::CurrentLoop(CurrentLoop {
            at_4_ma: 0.0,
            at_20_ma: 20e5,
        }),
    );
    let coarse = ChannelUncertainty {
        noise_std: 20.0,
        resolution: 1.0,
        ..ChannelUncertainty::default()
    };
    // One code is 125 Pa: here resolution decides.
    check("loop, resolution", &chain, &coarse, 12e5, 5_000.0);
    let full = ChannelUncertainty {
        noise_std: 100.0,
        signal_noise_std: 0.5e-6,
        resolution: 1.0,
        shared: SmallVec::from_vec(vec![
            term(1, SharedKind::Absolute(400.0)),
            term(2, SharedKind::RelativeToReading(3e-4)),
            term(3, SharedKind::SignalAbsolute(2e-6)),
            term(1, SharedKind::RelativeToReading(-1e-4)),
        ]),
        ..ChannelUncertainty::default()
    };
    check("loop, all terms", &chain, &full, 12e5, 5_000.0);
}

#[test]
fn low_temperature_sensors() {
    let u = ChannelUncertainty {
        noise_std: 1e-3,
        signal_noise_std: 0.4,
        resolution: 1.0,
        curve_std: 5e-3,
        curve_group: Some(GroupIx(4)),
        shared: SmallVec::from_vec(vec![term(5, SharedKind::SignalRelative(5e-4))]),
        ..ChannelUncertainty::default()
    };
    for name in ["thin-film-bath.csv", "thin-film-leads.toml"] {
        let chain = integer(Format::U32, 0.5, Transform::Curve(shipped(name)));
        check(name, &chain, &u, 4.5, 0.1);
        check(name, &chain, &u, 1.95, 0.02);
    }
    let diode = ChannelUncertainty {
        signal_noise_std: 100e-6,
        resolution: 1.0,
        curve_std: 0.1,
        ..ChannelUncertainty::default()
    };
    let chain = integer(
        Format::U16,
        1e-4,
        Transform::Curve(shipped("diode-shield.csv")),
    );
    check("diode", &chain, &diode, 60.0, 2.0);
    let platinum = ChannelUncertainty {
        signal_noise_std: 5e-3,
        resolution: 1.0,
        shared: SmallVec::from_vec(vec![term(6, SharedKind::SignalAbsolute(0.02))]),
        ..ChannelUncertainty::default()
    };
    let transform = Transform::CurrentLoopThenCurve {
        current_loop: CurrentLoop {
            at_4_ma: 18.6,
            at_20_ma: 130.0,
        },
        curve: Arc::new(Curve::Platinum(PlatinumCurve { r0_ohm: 100.0 })),
    };
    let behind_loop = ChannelUncertainty {
        signal_noise_std: 2e-6,
        shared: SmallVec::from_vec(vec![term(6, SharedKind::SignalAbsolute(3e-6))]),
        ..platinum.clone()
    };
    let chain = integer(Format::U16, 1e-6, transform);
    check("platinum behind a loop", &chain, &behind_loop, 150.0, 2.0);
    let plain = integer(
        Format::U16,
        1e-2,
        Transform::Curve(Arc::new(Curve::Platinum(PlatinumCurve { r0_ohm: 100.0 }))),
    );
    check("platinum", &plain, &platinum, 90.0, 2.0);
}

/// One barometer, one bridge: what two channels share cancels in their difference as stated.
#[test]
fn a_difference_of_two_channels_that_share_a_source() {
    let chain = integer(
        Format::U32,
        0.01,
        Transform::Curve(shipped("thin-film-bath.csv")),
    );
    let u = ChannelUncertainty {
        signal_noise_std: 0.05,
        resolution: 1.0,
        shared: SmallVec::from_vec(vec![
            term(1, SharedKind::SignalRelative(1e-3)),
            term(2, SharedKind::Absolute(2e-3)),
        ]),
        ..ChannelUncertainty::default()
    };
    let mut random = Random(7);
    let mut scatter = Scatter::default();
    let mut stated = 0.0;
    for _ in 0..TRIALS {
        let sources: Vec<f64> = (0..8).map(|_| random.normal()).collect();
        let warm = device(&chain, &u, 4.6, &sources, &mut random);
        let cold = device(&chain, &u, 4.3, &sources, &mut random);
        scatter.see(warm.value.0 - cold.value.0);
        let mut shared = warm.shared.clone();
        add_shared(&mut shared, &cold.shared, -1.0);
        let independent = warm.independent_std * warm.independent_std
            + cold.independent_std * cold.independent_std;
        let common: f64 = shared.iter().map(|(_, part)| part * part).sum();
        stated += libm::sqrt(independent + common) / f64::from(TRIALS);
    }
    assert_close("difference", scatter.std(), stated);
}

#[test]
fn the_weight_of_a_column() {
    let strapping = Strapping::from_shape(&Shape::VerticalCylinder {
        diameter_m: 1.6,
        length_m: 2.0,
        bottom: Head::Ellipsoidal2To1,
        top: Head::Ellipsoidal2To1,
    })
    .unwrap();
    let column = DpColumn {
        lower_tap_m: 0.1,
        tap_distance_m: 2.5,
        gravity_m_per_s2: STANDARD_GRAVITY_M_PER_S2,
    };
    let truth = ColumnState {
        dp_pa: 1_500.0,
        liquid_density: 122.0,
        vapour_density: 19.0,
        reference_density: 0.3,
    };
    let (u_dp, u_liquid, u_vapour, u_reference) = (10.0, 1.0, 0.7, 0.05);
    let content = dp_bath(&column, &strapping, &truth).unwrap();
    let combined = |parts: [f64; 4]| libm::sqrt(parts.iter().map(|p| p * p).sum());
    let stated_mass = combined([
        content.d_mass_d_dp * u_dp,
        content.d_mass_d_liquid_density * u_liquid,
        content.d_mass_d_vapour_density * u_vapour,
        content.d_mass_d_reference_density * u_reference,
    ]);
    let stated_level = combined([
        content.d_level_d_dp * u_dp,
        content.d_level_d_liquid_density * u_liquid,
        content.d_level_d_vapour_density * u_vapour,
        content.d_level_d_reference_density * u_reference,
    ]);
    let mut random = Random(11);
    let (mut mass, mut level) = (Scatter::default(), Scatter::default());
    for _ in 0..TRIALS {
        let state = ColumnState {
            dp_pa: truth.dp_pa + u_dp * random.normal(),
            liquid_density: truth.liquid_density + u_liquid * random.normal(),
            vapour_density: truth.vapour_density + u_vapour * random.normal(),
            reference_density: truth.reference_density + u_reference * random.normal(),
        };
        let read = dp_bath(&column, &strapping, &state).unwrap();
        mass.see(read.mass_kg);
        level.see(read.level_m);
    }
    assert_close("column, mass", mass.std(), stated_mass);
    assert_close("column, level", level.std(), stated_level);
}

#[test]
fn a_wire_probe() {
    let chain = integer(Format::U16, 1e-3, Transform::Direct);
    let u = ChannelUncertainty {
        noise_std: 1e-3,
        resolution: 4.0,
        shared: SmallVec::from_vec(vec![term(1, SharedKind::Absolute(3e-3))]),
        ..ChannelUncertainty::default()
    };
    let probe = WireProbe {
        lower_end_m: 0.05,
        active_length_m: 0.6,
        superfluid_bias_m: 0.003,
        fresh_for: Span::from_millis(10_000),
        hold_limit: Span::HOUR,
    };
    // The device digitises to four codes, so its last two bits stand still.
    let coarse = Chain {
        scale: 4e-3,
        ..chain.clone()
    };
    let mut random = Random(13);
    let mut scatter = Scatter::default();
    let mut stated = 0.0;
    for _ in 0..TRIALS {
        let truth = 0.5 + 0.1 * (random.uniform() - 0.5);
        let sources = [0.0, random.normal()];
        let erring = ChannelUncertainty {
            resolution: 0.0,
            ..u.clone()
        };
        let seen = device(&coarse, &erring, truth, &sources, &mut random);
        let words = chain.raw_for(seen.value.0).unwrap();
        let reading = WireReading {
            value: chain.convert(&words, (0.0, 1.0), &u),
            age: Span::ZERO,
        };
        let level = wire_level(&probe, &reading, BathPhase::Superfluid);
        scatter.see(level.value.si() - (0.05 + 0.6 * truth - 0.003));
        stated += level.combined_std() / f64::from(TRIALS);
    }
    assert_close("wire", scatter.std(), stated);
}

#[test]
fn an_orifice() {
    let orifice = Constriction {
        pipe_diameter_m: 0.08,
        throat_diameter_m: 0.048,
        device: Device::Orifice(Taps::Flange),
        cut_off_dp_pa: 30.0,
    };
    let gas = GasState {
        pressure_pa: 1.05e5,
        density: 0.1723,
        viscosity_pa_s: 1.962e-5,
        isentropic_exponent: 1.667,
    };
    let (dp_pa, u_dp, u_density) = (800.0, 25.0, 0.002);
    let at = orifice.flow(dp_pa, &gas).unwrap();
    let stated = libm::sqrt(
        (at.d_flow_d_dp * u_dp) * (at.d_flow_d_dp * u_dp)
            + (at.d_flow_d_density * u_density) * (at.d_flow_d_density * u_density),
    );
    let mut random = Random(17);
    let mut scatter = Scatter::default();
    for _ in 0..TRIALS {
        let density = gas.density + u_density * random.normal();
        let state = GasState { density, ..gas };
        let read = orifice.flow(dp_pa + u_dp * random.normal(), &state);
        scatter.see(read.unwrap().mass_flow_kg_per_s);
    }
    assert_close("orifice", scatter.std(), stated);
}

#[test]
fn a_rate_of_rise() {
    let volume = RiseVolume {
        volume_m3: 0.4,
        volume_relative_std: 0.0,
        pressure_relative_std: 0.0,
        cold_walls: false,
    };
    let mut random = Random(19);
    let (mut scatter, mut stated) = (Scatter::default(), 0.0);
    for _ in 0..TRIALS {
        let points: Vec<RisePoint> = (0..30)
            .map(|at| {
                let time_s = f64::from(at) * 20.0;
                RisePoint {
                    time_s,
                    pressure_pa: 0.01 + 1e-5 * time_s + 4e-4 * random.normal(),
                }
            })
            .collect();
        let rise = rate_of_rise(&points, &volume).unwrap();
        scatter.see(rise.throughput);
        stated += rise.std_uncertainty * rise.std_uncertainty / f64::from(TRIALS);
    }
    assert_close("rate of rise", scatter.std(), libm::sqrt(stated));
}
