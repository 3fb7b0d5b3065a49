//! A whole channel: registers, number, signal, value, uncertainty, quality.

use std::sync::Arc;

use super::current_loop::CurrentLoop;
use super::curve::{Curve, CurveError, RANGE_END_TOLERANCE, ThermocoupleCurve};
use super::decode::{EncodeError, Format, WordOrder, Words, decode, encode};
use super::uncertainty::{ChannelUncertainty, OperatingPoint};
use crate::quantity::{Measured, Quality, Reason, SharedParts, Si, add_shared};

/// How the registers of one channel become its value.
///
/// `signal = number * scale + offset` is in SI of the signal: A of a loop, ohm of a resistance, V of
/// a diode, or already the quantity itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Chain {
    /// How the registers hold the number.
    pub format: Format,
    /// Their order.
    pub order: WordOrder,
    /// Signal per code.
    pub scale: f64,
    /// Signal at code zero.
    pub offset: f64,
    /// From the signal to the value.
    pub transform: Transform,
}

/// From a signal to a value.
#[derive(Debug, Clone, PartialEq)]
pub enum Transform {
    /// The signal is the value.
    Direct,
    /// A 4-20 mA loop.
    CurrentLoop(CurrentLoop),
    /// A sensor with a calibration curve.
    Curve(Arc<Curve>),
    /// A sensor with a calibration curve behind a transmitter with a 4-20 mA loop.
    CurrentLoopThenCurve {
        /// From current to the signal of the sensor.
        current_loop: CurrentLoop,
        /// From that signal to the value.
        curve: Arc<Curve>,
    },
    /// A thermocouple: the signal is the emf against its reference junction.
    Thermocouple {
        /// Its curve.
        curve: Arc<ThermocoupleCurve>,
        /// Temperature of the reference junction where no channel measures it, K.
        junction_k: f64,
    },
}

/// Why a value has no registers.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum InverseError {
    /// The registers cannot hold the number.
    #[error(transparent)]
    Encode(#[from] EncodeError),
    /// The curve does not reach the value.
    #[error(transparent)]
    Curve(#[from] CurveError),
}

/// What is wrong with a chain as configured.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ChainProblem {
    /// Every code would give the same signal.
    #[error("the scale is {0}; it must be a number other than zero")]
    Scale(f64),
    /// The signal at code zero is no number.
    #[error("the offset is {0}; it must be a number")]
    Offset(f64),
    /// Both ends of a loop's span mean the same.
    #[error(
        "the loop means {at_4_ma} at 4 mA and {at_20_ma} at 20 mA; the two must be different numbers"
    )]
    Loop {
        /// Value at 4 mA, SI.
        at_4_ma: f64,
        /// Value at 20 mA, SI.
        at_20_ma: f64,
    },
    /// No code gives a value in the channel's range.
    #[error("no code gives a value between {low} and {high}; check scale, offset and range")]
    RangeOutOfReach {
        /// Lower end of the range, SI.
        low: f64,
        /// Upper end of the range, SI.
        high: f64,
    },
}

impl Chain {
    /// Everything wrong with the chain, given the range (SI) that the channel is to read. Problems
    /// of the curve are the curve's own ([`Curve::check`]).
    #[must_use]
    pub fn check(&self, range: (f64, f64)) -> Vec<ChainProblem> {
        let mut problems = Vec::new();
        if !(self.scale.is_finite() && self.scale != 0.0) {
            problems.push(ChainProblem::Scale(self.scale));
        }
        if !self.offset.is_finite() {
            problems.push(ChainProblem::Offset(self.offset));
        }
        if let Transform::CurrentLoop(current_loop)
        | Transform::CurrentLoopThenCurve { current_loop, .. } = &self.transform
        {
            let slope = current_loop.slope();
            if !(slope.is_finite() && slope != 0.0) {
                problems.push(ChainProblem::Loop {
                    at_4_ma: current_loop.at_4_ma,
                    at_20_ma: current_loop.at_20_ma,
                });
            }
        }
        if problems.is_empty() {
            let (low, high) = range;
            let steps = 64;
            let spread =
                (0..=steps).map(|at| low + (high - low) * f64::from(at) / f64::from(steps));
            // A curve may cover less of the range than lies between two of those.
            let ends = self.transform.curve().and_then(|c| c.output_range().ok());
            let ends = ends.into_iter().flat_map(|(a, b)| [a, b]);
            let reachable = spread
                .chain(ends.filter(|end| is_within(*end, range)))
                .any(|value| self.raw_for(value).is_ok());
            if !reachable {
                problems.push(ChainProblem::RangeOutOfReach { low, high });
            }
        }
        problems
    }

    /// The value of these registers.
    ///
    /// Values beyond `range` (SI, ends accepted) or beyond the curve, loop currents in a failure
    /// band and registers without a number are of quality bad, each with its reason.
    #[must_use]
    pub fn convert(
        &self,
        words: &[u16],
        range: (f64, f64),
        u: &ChannelUncertainty,
    ) -> Measured<Si> {
        let Some(signal) = self.signal(words) else {
            return Measured::bad(Reason::NotANumber);
        };
        match self.transform.value(signal) {
            Ok(at) => self.judged(signal, at, range, u),
            Err(reason) => Measured::bad(reason),
        }
    }

    /// As [`Self::convert`], with the reference junction of a thermocouple as another channel reads
    /// it: its uncertainty comes through with the ratio of the sensitivities.
    #[must_use]
    pub fn convert_at_junction(
        &self,
        words: &[u16],
        range: (f64, f64),
        u: &ChannelUncertainty,
        junction: &Measured<Si>,
    ) -> Measured<Si> {
        let Transform::Thermocouple { curve, .. } = &self.transform else {
            return self.convert(words, range, u);
        };
        if !junction.is_usable() {
            return Measured::bad(Reason::InputBad);
        }
        let Some(signal) = self.signal(words) else {
            return Measured::bad(Reason::NotANumber);
        };
        let found = match curve.compensated(signal, junction.value.0) {
            Ok(found) => found,
            Err(error) => return Measured::bad(reason_of(error)),
        };
        let at = At {
            value: found.temperature_k,
            slope: found.per_volt,
            quality: junction.quality,
            reason: junction.reason,
        };
        let mut measured = self.judged(signal, at, range, u);
        if measured.is_usable() {
            let through = found.per_junction_k * junction.independent_std;
            measured.independent_std = libm::hypot(measured.independent_std, through);
            add_shared(&mut measured.shared, &junction.shared, found.per_junction_k);
        }
        measured
    }

    #[inline]
    fn signal(&self, words: &[u16]) -> Option<f64> {
        let number = decode(words, self.format, self.order).ok()?;
        Some(number * self.scale + self.offset)
    }

    /// A value against its range, with its uncertainty.
    #[inline]
    fn judged(
        &self,
        signal: f64,
        at: At,
        range: (f64, f64),
        u: &ChannelUncertainty,
    ) -> Measured<Si> {
        if !at.value.is_finite() || !at.slope.is_finite() {
            return Measured::bad(Reason::NotANumber);
        }
        if !is_within(at.value, range) {
            // A transmitter at its stop is the nearer cause than the range it thereby leaves.
            let reason = match at.reason {
                Reason::None => Reason::OutOfRange,
                nearer => nearer,
            };
            // The number is not believed, but on which side of the range it lies is of use.
            return Measured {
                value: Si(at.value),
                ..Measured::bad(reason)
            };
        }
        if let Some(cut_off) = u.cut_off.filter(|cut_off| at.value.abs() < cut_off.below) {
            let part = cut_off.below / libm::sqrt(3.0);
            return Measured {
                value: Si(0.0),
                independent_std: 0.0,
                shared: SharedParts::from_iter([(cut_off.group, part)]),
                quality: at.quality,
                reason: at.reason,
            };
        }
        let (independent_std, shared) = u.at(&OperatingPoint {
            value: at.value,
            signal,
            value_per_signal: at.slope,
            signal_per_code: self.scale,
        });
        Measured {
            value: Si(at.value),
            independent_std,
            shared,
            quality: at.quality,
            reason: at.reason,
        }
    }

    /// The registers of a value: what a device would hold that reads it without error.
    ///
    /// # Errors
    /// [`InverseError`] when the curve does not reach the value or the registers cannot hold it.
    pub fn raw_for(&self, value_si: f64) -> Result<Words, InverseError> {
        let signal = match &self.transform {
            Transform::Direct => value_si,
            Transform::CurrentLoop(current_loop) => current_loop.current_a(value_si),
            Transform::Curve(curve) => curve.inverse(value_si)?,
            Transform::CurrentLoopThenCurve {
                current_loop,
                curve,
            } => current_loop.current_a(curve.inverse(value_si)?),
            Transform::Thermocouple { curve, junction_k } => {
                curve.emf(value_si)? - curve.emf(*junction_k)?
            }
        };
        self.raw_for_signal(signal)
    }

    /// The registers of a signal, such as a loop current in a failure band.
    ///
    /// # Errors
    /// [`InverseError::Encode`] when the registers cannot hold it.
    pub fn raw_for_signal(&self, signal: f64) -> Result<Words, InverseError> {
        let number = (signal - self.offset) / self.scale;
        Ok(encode(number, self.format, self.order)?)
    }
}

/// A value with its local slope and what the loop says of it.
#[derive(Clone, Copy)]
struct At {
    value: f64,
    slope: f64,
    quality: Quality,
    reason: Reason,
}

impl Transform {
    /// The calibration curve, where there is one.
    #[must_use]
    pub fn curve(&self) -> Option<&Curve> {
        match self {
            Self::Direct | Self::CurrentLoop(_) | Self::Thermocouple { .. } => None,
            Self::Curve(curve) | Self::CurrentLoopThenCurve { curve, .. } => Some(curve),
        }
    }

    #[inline]
    fn value(&self, signal: f64) -> Result<At, Reason> {
        let good = |(value, slope)| At {
            value,
            slope,
            quality: Quality::Good,
            reason: Reason::None,
        };
        match self {
            Self::Direct => Ok(good((signal, 1.0))),
            Self::CurrentLoop(current_loop) => through_loop(*current_loop, signal),
            Self::Curve(curve) => through_curve(curve, signal).map(good),
            Self::Thermocouple { curve, junction_k } => curve
                .compensated(signal, *junction_k)
                .map(|found| good((found.temperature_k, found.per_volt)))
                .map_err(reason_of),
            Self::CurrentLoopThenCurve {
                current_loop,
                curve,
            } => {
                let sensor = through_loop(*current_loop, signal)?;
                // At its stop a transmitter says nothing of the sensor, so the curve is not blamed.
                let (value, slope) =
                    through_curve(curve, sensor.value).map_err(|reason| match sensor.reason {
                        Reason::None => reason,
                        nearer => nearer,
                    })?;
                Ok(At {
                    value,
                    slope: slope * sensor.slope,
                    ..sensor
                })
            }
        }
    }
}

fn through_loop(current_loop: CurrentLoop, current_a: f64) -> Result<At, Reason> {
    let (value, quality, reason) = current_loop.value(current_a);
    if quality == Quality::Bad {
        return Err(reason);
    }
    Ok(At {
        value,
        slope: current_loop.slope(),
        quality,
        reason,
    })
}

#[inline]
fn through_curve(curve: &Curve, signal: f64) -> Result<(f64, f64), Reason> {
    curve.value_and_slope(signal).map_err(reason_of)
}

fn reason_of(error: CurveError) -> Reason {
    match error {
        CurveError::NotANumber => Reason::NotANumber,
        CurveError::Outside { .. } | CurveError::Unreachable { .. } => Reason::OutsideCurve,
    }
}

/// Ends are accepted, with room for the rounding of a single-precision register.
fn is_within(value: f64, (low, high): (f64, f64)) -> bool {
    if value >= low && value <= high {
        return true;
    }
    let tolerance = (high - low) * RANGE_END_TOLERANCE;
    value >= low - tolerance && value <= high + tolerance
}

#[cfg(test)]
mod tests {
    use smallvec::SmallVec;

    use super::super::curve::{Interpolation, TableCurve};
    use super::super::uncertainty::{SharedKind, SharedTerm};
    use super::*;
    use crate::quantity::GroupIx;

    fn pressure() -> Chain {
        Chain {
            format: Format::U16,
            order: WordOrder::HighFirst,
            scale: 1e-6,
            offset: 0.0,
            transform: Transform::CurrentLoop(CurrentLoop {
                at_4_ma: 0.0,
                at_20_ma: 20e5,
            }),
        }
    }

    fn diode() -> Arc<Curve> {
        let points = [(0.5, 300.0), (1.0, 70.0), (1.2, 20.0), (1.7, 1.5)];
        Arc::new(Curve::Table(
            TableCurve::new(&points, Interpolation::MonotoneCubic).unwrap(),
        ))
    }

    const RANGE: (f64, f64) = (0.0, 20e5);

    #[test]
    fn a_loop_channel_reads_its_pressure_with_uncertainty() {
        let u = ChannelUncertainty {
            noise_std: 100.0,
            resolution: 1.0,
            shared: SmallVec::from_slice(&[SharedTerm {
                group: GroupIx(1),
                kind: SharedKind::Absolute(2000.0),
            }]),
            ..ChannelUncertainty::default()
        };
        let measured = pressure().convert(&[12_000], RANGE, &u);
        assert!((measured.value.0 - 10e5).abs() < 1e-6);
        assert_eq!(
            (measured.quality, measured.reason),
            (Quality::Good, Reason::None)
        );
        // One code is 1 uA of 16 mA for 20 bar: 125 Pa.
        let expected = libm::sqrt(100.0 * 100.0 + 125.0 * 125.0 / 12.0);
        assert!((measured.independent_std / expected - 1.0).abs() < 1e-12);
        assert_eq!(measured.shared.as_slice(), &[(GroupIx(1), 2000.0)]);
    }

    #[test]
    fn what_is_wrong_has_its_reason() {
        let u = ChannelUncertainty::default();
        let reason = |chain: &Chain, words: &[u16], range| {
            let measured = chain.convert(words, range, &u);
            (measured.quality, measured.reason)
        };
        let chain = pressure();
        for (code, expected) in [
            (3_600, (Quality::Bad, Reason::LoopLow)),
            (3_700, (Quality::Bad, Reason::LoopSaturated)),
            (3_900, (Quality::Bad, Reason::OutOfRange)),
            (4_000, (Quality::Good, Reason::None)),
            (20_000, (Quality::Good, Reason::None)),
            (20_100, (Quality::Bad, Reason::OutOfRange)),
            (21_000, (Quality::Bad, Reason::LoopHigh)),
        ] {
            assert_eq!(reason(&chain, &[code], RANGE), expected, "{code}");
        }
        let wide = (-1e9, 1e9);
        assert_eq!(
            reason(&chain, &[20_700], wide),
            (Quality::Uncertain, Reason::LoopSaturated)
        );
        assert_eq!(
            reason(&chain, &[1, 2], wide),
            (Quality::Bad, Reason::NotANumber)
        );
        let sensor = Chain {
            scale: 1e-4,
            transform: Transform::Curve(diode()),
            ..pressure()
        };
        assert_eq!(
            reason(&sensor, &[17_001], wide),
            (Quality::Bad, Reason::OutsideCurve)
        );
        let broken = Chain {
            scale: f64::NAN,
            transform: Transform::Direct,
            ..pressure()
        };
        assert_eq!(
            reason(&broken, &[1], wide),
            (Quality::Bad, Reason::NotANumber)
        );
    }

    #[test]
    fn check_names_what_is_wrong() {
        assert!(pressure().check(RANGE).is_empty());
        let still = Chain {
            scale: 0.0,
            offset: f64::NAN,
            ..pressure()
        };
        assert!(matches!(
            still.check(RANGE).as_slice(),
            [ChainProblem::Scale(0.0), ChainProblem::Offset(_)]
        ));
        let level = Chain {
            transform: Transform::CurrentLoop(CurrentLoop {
                at_4_ma: 1.0,
                at_20_ma: 1.0,
            }),
            ..pressure()
        };
        assert!(matches!(
            level.check(RANGE).as_slice(),
            [ChainProblem::Loop { .. }]
        ));
        // Milliampere taken for ampere: no 16-bit code is a current of the loop.
        let milli = Chain {
            scale: 1e-12,
            ..pressure()
        };
        assert!(matches!(
            milli.check(RANGE).as_slice(),
            [ChainProblem::RangeOutOfReach { .. }]
        ));
    }

    #[test]
    fn a_transmitter_at_its_stop_is_blamed_before_the_curve() {
        let chain = Chain {
            transform: Transform::CurrentLoopThenCurve {
                current_loop: CurrentLoop {
                    at_4_ma: 0.5,
                    at_20_ma: 1.7,
                },
                curve: diode(),
            },
            ..pressure()
        };
        let u = ChannelUncertainty::default();
        let wide = (0.0, 400.0);
        assert_eq!(
            chain.convert(&[3_700], wide, &u).reason,
            Reason::LoopSaturated
        );
        assert_eq!(
            chain.convert(&[3_900], wide, &u).reason,
            Reason::OutsideCurve
        );
        let there = chain.convert(&chain.raw_for(77.0).unwrap(), wide, &u);
        assert!((there.value.0 - 77.0).abs() < 0.05);
    }

    #[test]
    fn the_inverse_gives_the_nearest_code_and_never_saturates() {
        let chain = pressure();
        assert_eq!(chain.raw_for(10e5).unwrap().as_slice(), &[12_000]);
        assert_eq!(chain.raw_for_signal(3.5e-3).unwrap().as_slice(), &[3_500]);
        assert!(matches!(
            chain.raw_for(1e9),
            Err(InverseError::Encode(EncodeError::OutOfRange { .. }))
        ));
        let sensor = Chain {
            transform: Transform::Curve(diode()),
            ..pressure()
        };
        assert!(matches!(
            sensor.raw_for(400.0),
            Err(InverseError::Curve(CurveError::Unreachable { .. }))
        ));
    }
}
