//! The 4-20 mA current loop with its failure bands.

use serde::{Deserialize, Serialize};

use crate::quantity::{Quality, Reason};

/// A current of this or less signals failure, A.
///
/// **Source** of the bands: NAMUR recommendation NE 43, from memory.
pub const FAILURE_LOW_A: f64 = 3.6e-3;
/// The measuring range of a transmitter begins here, A.
pub const MEASURING_LOW_A: f64 = 3.8e-3;
/// The measuring range of a transmitter ends here, A.
pub const MEASURING_HIGH_A: f64 = 20.5e-3;
/// A current of this or more signals failure, A.
pub const FAILURE_HIGH_A: f64 = 21.0e-3;

/// Band edges count within this, so that 3.6 mA read as a rounded number is 3.6 mA.
const EDGE_TOLERANCE_A: f64 = 1e-9;
const SPAN_A: f64 = 16e-3;
const ZERO_A: f64 = 4e-3;

/// What a transmitter sends at the ends of its span.
///
/// **Units**: those of the transmitted quantity, SI.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct CurrentLoop {
    /// Value at 4 mA.
    pub at_4_ma: f64,
    /// Value at 20 mA.
    pub at_20_ma: f64,
}

impl CurrentLoop {
    /// The value of a loop current in A, and how far it can be used.
    ///
    /// Between measuring range and failure limits the transmitter is at its stop: the value is the
    /// straight line's, its quality uncertain.
    #[must_use]
    pub fn value(&self, current_a: f64) -> (f64, Quality, Reason) {
        let value = self.at_4_ma + (current_a - ZERO_A) * self.slope();
        let (quality, reason) = if current_a.is_nan() {
            (Quality::Bad, Reason::NotANumber)
        } else if current_a <= FAILURE_LOW_A + EDGE_TOLERANCE_A {
            (Quality::Bad, Reason::LoopLow)
        } else if current_a >= FAILURE_HIGH_A - EDGE_TOLERANCE_A {
            (Quality::Bad, Reason::LoopHigh)
        } else if !(MEASURING_LOW_A - EDGE_TOLERANCE_A..=MEASURING_HIGH_A + EDGE_TOLERANCE_A)
            .contains(&current_a)
        {
            (Quality::Uncertain, Reason::LoopSaturated)
        } else {
            (Quality::Good, Reason::None)
        };
        (value, quality, reason)
    }

    /// Change of the value per ampere.
    #[must_use]
    pub fn slope(&self) -> f64 {
        (self.at_20_ma - self.at_4_ma) / SPAN_A
    }

    /// The current in A of a value, not limited: beyond the span it runs on, as far as asked.
    /// Not finite when both ends of the span are the same value.
    #[must_use]
    pub fn current_a(&self, value: f64) -> f64 {
        ZERO_A + (value - self.at_4_ma) / self.slope()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOOP: CurrentLoop = CurrentLoop {
        at_4_ma: 0.0,
        at_20_ma: 16.0e5,
    };

    #[test]
    fn bands_have_their_quality() {
        for (milliampere, quality, reason) in [
            (0.0, Quality::Bad, Reason::LoopLow),
            (3.6, Quality::Bad, Reason::LoopLow),
            (3.601, Quality::Uncertain, Reason::LoopSaturated),
            (3.799, Quality::Uncertain, Reason::LoopSaturated),
            (3.8, Quality::Good, Reason::None),
            (12.0, Quality::Good, Reason::None),
            (20.5, Quality::Good, Reason::None),
            (20.501, Quality::Uncertain, Reason::LoopSaturated),
            (20.999, Quality::Uncertain, Reason::LoopSaturated),
            (21.0, Quality::Bad, Reason::LoopHigh),
            (25.0, Quality::Bad, Reason::LoopHigh),
            (f64::NAN, Quality::Bad, Reason::NotANumber),
            (f64::INFINITY, Quality::Bad, Reason::LoopHigh),
        ] {
            let (_, got_quality, got_reason) = LOOP.value(milliampere * 1e-3);
            assert_eq!(
                (got_quality, got_reason),
                (quality, reason),
                "{milliampere}"
            );
        }
    }

    #[test]
    fn the_span_is_a_straight_line() {
        assert!((LOOP.value(4e-3).0).abs() < 1e-6);
        assert!((LOOP.value(12e-3).0 - 8.0e5).abs() < 1e-6);
        assert!((LOOP.value(20e-3).0 - 16.0e5).abs() < 1e-6);
        assert!((LOOP.current_a(LOOP.value(7.25e-3).0) - 7.25e-3).abs() < 1e-15);
    }

    #[test]
    fn a_falling_span_works_too() {
        let falling = CurrentLoop {
            at_4_ma: 300.0,
            at_20_ma: 4.0,
        };
        assert!((falling.value(20e-3).0 - 4.0).abs() < 1e-9);
        assert!(falling.slope() < 0.0);
    }
}
