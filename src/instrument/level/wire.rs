//! Superconducting wire level probe.
//!
//! A current heats the wire above its transition; the part under liquid stays superconducting, and
//! the voltage tells the dry part. To spare the bath the current is pulsed, minutes to hours apart,
//! and the reading held in between: a held reading is the normal state of this instrument and stays
//! good until its own hold limit. In superfluid helium a film climbs the wire and the probe reads
//! high by an amount that belongs to the installation; it is configured, not guessed.
//!
//! **Source**: common practice, no source.

use crate::quantity::{Length, Measured, Quality, Reason, Si};
use crate::time::Span;

/// How a probe is mounted and pulsed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WireProbe {
    /// Height of the wire's lower end above the lowest inside point, m.
    pub lower_end_m: f64,
    /// Length of wire between 0 and 100 %, measured along the height, m.
    pub active_length_m: f64,
    /// How much it reads high in superfluid helium, m.
    pub superfluid_bias_m: f64,
    /// Up to this age a reading is a fresh one.
    pub fresh_for: Span,
    /// Beyond this age a held reading is stale.
    pub hold_limit: Span,
}

/// What the probe last read.
#[derive(Debug, Clone, PartialEq)]
pub struct WireReading {
    /// Part of the active length that is covered, 0 to 1.
    pub value: Measured<Si>,
    /// Time since the pulse.
    pub age: Span,
}

/// What the bath is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BathPhase {
    /// Above the lambda line.
    Normal,
    /// Below it.
    Superfluid,
}

/// A part covered beyond 0 or 1 by up to this is zero shift, not a fault.
const BEYOND_WIRE: f64 = 0.02;

/// The level above the lowest inside point of the vessel.
#[must_use]
pub fn wire_level(probe: &WireProbe, reading: &WireReading, phase: BathPhase) -> Measured<Length> {
    let WireReading { value, age } = reading;
    if !value.is_usable() {
        return Measured::bad(value.reason);
    }
    let part = value.value.0;
    let length = probe.active_length_m;
    let bias = match phase {
        BathPhase::Normal => 0.0,
        BathPhase::Superfluid => probe.superfluid_bias_m,
    };
    let height = probe.lower_end_m + part.clamp(0.0, 1.0) * length - bias;
    if !(part.is_finite() && height.is_finite()) {
        return Measured::bad(Reason::NotANumber);
    }
    if !(-BEYOND_WIRE..=1.0 + BEYOND_WIRE).contains(&part) {
        return Measured::bad(Reason::OutOfRange);
    }
    if *age > probe.hold_limit {
        return Measured::bad(Reason::Stale);
    }
    let (quality, reason) = match value.quality {
        Quality::Good if *age > probe.fresh_for => (Quality::Good, Reason::Held),
        quality => (quality, value.reason),
    };
    Measured {
        value: Length::new(height),
        independent_std: value.independent_std * length.abs(),
        shared: value
            .shared
            .iter()
            .map(|&(group, u)| (group, u * length))
            .collect(),
        quality,
        reason,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{GroupIx, SharedParts};

    const PROBE: WireProbe = WireProbe {
        lower_end_m: 0.1,
        active_length_m: 0.5,
        superfluid_bias_m: 0.004,
        fresh_for: Span::from_millis(30_000),
        hold_limit: Span::HOUR,
    };

    fn reading(part: f64, age_s: i64) -> WireReading {
        WireReading {
            value: Measured::good(
                Si(part),
                0.004,
                SharedParts::from_iter([(GroupIx(1), 0.01)]),
            ),
            age: Span::from_millis(age_s * 1000),
        }
    }

    #[test]
    fn reads_a_height_with_its_uncertainty() {
        let level = wire_level(&PROBE, &reading(0.6, 0), BathPhase::Normal);
        assert!((level.value.si() - 0.4).abs() < 1e-12);
        assert!((level.independent_std - 0.002).abs() < 1e-12);
        assert_eq!(level.shared.as_slice(), &[(GroupIx(1), 0.005)]);
        assert_eq!(level.reason, Reason::None);
        let cold = wire_level(&PROBE, &reading(0.6, 0), BathPhase::Superfluid);
        assert!((cold.value.si() - 0.396).abs() < 1e-12);
    }

    #[test]
    fn a_held_reading_is_good_until_its_limit() {
        let at = |age_s| {
            let level = wire_level(&PROBE, &reading(0.6, age_s), BathPhase::Normal);
            (level.quality, level.reason)
        };
        assert_eq!(at(30), (Quality::Good, Reason::None));
        assert_eq!(at(31), (Quality::Good, Reason::Held));
        assert_eq!(at(3_600), (Quality::Good, Reason::Held));
        assert_eq!(at(3_601), (Quality::Bad, Reason::Stale));
    }

    #[test]
    fn passes_faults_on_and_refuses_what_no_wire_reads() {
        let reason = |part| wire_level(&PROBE, &reading(part, 0), BathPhase::Normal).reason;
        assert_eq!(reason(1.01), Reason::None);
        assert_eq!(reason(1.03), Reason::OutOfRange);
        assert_eq!(reason(-0.03), Reason::OutOfRange);
        assert_eq!(reason(f64::NAN), Reason::NotANumber);
        let mut lost = reading(0.5, 0);
        lost.value = Measured::bad(Reason::LoopLow);
        assert_eq!(
            wire_level(&PROBE, &lost, BathPhase::Normal).reason,
            Reason::LoopLow
        );
    }
}
