//! Oxygen monitors: what their scale in per cent means while the air pressure changes.
//!
//! A galvanic cell gives a current by the partial pressure of oxygen, and its scale is that partial
//! pressure as a part of the air pressure on the day it was set: 30 mbar of weather moves it by 0.6 %
//! oxygen. The partial pressure it tells is right all the same, and with a barometer so is the
//! fraction.
//!
//! **Source**: Dalton's law; that galvanic cells read partial pressure, and the figure for the weather:
//! common practice, no source.

use serde::{Deserialize, Serialize};

use crate::quantity::{AbsolutePressure, Fraction, Measured, Quality, SharedParts, add_shared};

/// What an oxygen monitor responds to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OxygenScale {
    /// The fraction itself, whatever the air pressure.
    Fraction,
    /// The partial pressure, as a part of the air pressure at which the scale was set.
    PartialPressure {
        /// The air pressure at which the scale was set.
        calibrated_at: AbsolutePressure,
    },
}

/// Oxygen as fraction and as partial pressure.
#[derive(Debug, Clone, PartialEq)]
pub struct Oxygen {
    /// Mole fraction.
    pub fraction: Measured<Fraction>,
    /// Partial pressure.
    pub partial_pressure: Measured<AbsolutePressure>,
}

impl OxygenScale {
    /// Oxygen of an indicated fraction in air at `air`.
    ///
    /// What does not need the barometer does not lose by it: a galvanic cell's partial pressure and
    /// another monitor's fraction keep their own quality and uncertainty. The other of the two takes
    /// the worse quality, and the errors of both, first order.
    #[must_use]
    pub fn oxygen(
        self,
        indicated: &Measured<Fraction>,
        air: &Measured<AbsolutePressure>,
    ) -> Oxygen {
        if !indicated.is_usable() {
            return Oxygen {
                fraction: Measured::bad(indicated.reason),
                partial_pressure: Measured::bad(indicated.reason),
            };
        }
        let x = indicated.value.si();
        let p = air.value.si();
        let known = air.is_usable() && p > 0.0;
        match self {
            Self::Fraction => Oxygen {
                fraction: indicated.clone(),
                partial_pressure: if known {
                    both(AbsolutePressure::new(x * p), (indicated, p), (air, x))
                } else {
                    Measured::bad(air.reason)
                },
            },
            Self::PartialPressure { calibrated_at } => {
                let set = calibrated_at.si();
                let own = scaled(indicated, set);
                Oxygen {
                    fraction: if known {
                        let value = Fraction::new(x * set / p);
                        both(value, (indicated, set / p), (air, -x * set / (p * p)))
                    } else {
                        Measured::bad(air.reason)
                    },
                    partial_pressure: own.map(AbsolutePressure::new),
                }
            }
        }
    }
}

fn scaled(of: &Measured<Fraction>, by: f64) -> Measured<f64> {
    let mut shared = SharedParts::new();
    add_shared(&mut shared, &of.shared, by);
    Measured::good(of.value.si() * by, of.independent_std * by.abs(), shared)
        .with_quality(of.quality, of.reason)
}

/// A value of two measured ones, each with the value's slope in it.
fn both<Q>(
    value: Q,
    (a, slope_a): (&Measured<Fraction>, f64),
    (b, slope_b): (&Measured<AbsolutePressure>, f64),
) -> Measured<Q> {
    let mut shared = SharedParts::new();
    add_shared(&mut shared, &a.shared, slope_a);
    add_shared(&mut shared, &b.shared, slope_b);
    let independent = libm::hypot(a.independent_std * slope_a, b.independent_std * slope_b);
    let worse = if b.quality > a.quality {
        (b.quality, b.reason)
    } else {
        (a.quality, a.reason)
    };
    let found = Measured::good(value, independent, shared);
    match worse {
        (Quality::Good, _) => found,
        (quality, reason) => found.with_quality(quality, reason),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{GroupIx, Reason};

    const GALVANIC: OxygenScale = OxygenScale::PartialPressure {
        calibrated_at: AbsolutePressure::new(101_300.0),
    };

    fn air(mbar: f64) -> Measured<AbsolutePressure> {
        Measured::good(
            AbsolutePressure::new(mbar * 100.0),
            20.0,
            SharedParts::from_iter([(GroupIx(2), 30.0)]),
        )
    }

    fn reads(percent: f64) -> Measured<Fraction> {
        Measured::good(
            Fraction::new(percent / 100.0),
            5e-4,
            SharedParts::from_iter([(GroupIx(7), 3e-3)]),
        )
    }

    /// 30 mbar of weather is 0.6 % oxygen on the scale (common practice, no source).
    #[test]
    fn weather_moves_the_scale_and_the_barometer_takes_it_back() {
        let true_percent = 20.9;
        let indicated = |mbar: f64| true_percent * mbar / 1013.0;
        let shift = indicated(1013.0) - indicated(983.0);
        assert!((shift - 0.6).abs() < 0.03, "{shift}");
        for mbar in [983.0, 1013.0, 1043.0] {
            let found = GALVANIC.oxygen(&reads(indicated(mbar)), &air(mbar));
            assert!((found.fraction.value.si() - 0.209).abs() < 1e-12);
            assert!((found.partial_pressure.value.si() - 20.9 * mbar).abs() < 1e-9);
        }
    }

    #[test]
    fn the_slopes_are_those_of_differences() {
        for scale in [GALVANIC, OxygenScale::Fraction] {
            let at = |percent: f64, mbar: f64| {
                let found = scale.oxygen(&reads(percent), &air(mbar));
                [found.fraction.value.si(), found.partial_pressure.value.si()]
            };
            let found = scale.oxygen(&reads(20.0), &air(980.0));
            let stds = [
                found.fraction.combined_std(),
                found.partial_pressure.combined_std(),
            ];
            for (which, std) in stds.into_iter().enumerate() {
                let by_reading = (at(20.01, 980.0)[which] - at(19.99, 980.0)[which]) / 2e-4;
                let by_air = (at(20.0, 980.1)[which] - at(20.0, 979.9)[which]) / 20.0;
                let expected = libm::sqrt(
                    by_reading * by_reading * (5e-4 * 5e-4 + 3e-3 * 3e-3)
                        + by_air * by_air * (20.0 * 20.0 + 30.0 * 30.0),
                );
                assert!((std / expected - 1.0).abs() < 1e-6, "{scale:?} {which}");
            }
        }
    }

    #[test]
    fn without_a_barometer_what_needs_none_stands() {
        let lost = Measured::bad(Reason::NoAnswer);
        let found = GALVANIC.oxygen(&reads(20.9), &lost);
        assert!(found.partial_pressure.is_usable());
        assert!(!found.fraction.is_usable());
        let found = OxygenScale::Fraction.oxygen(&reads(20.9), &lost);
        assert!(found.fraction.is_usable());
        assert!(!found.partial_pressure.is_usable());
        let substitute = air(1013.0).with_quality(Quality::Uncertain, Reason::Substituted);
        let found = GALVANIC.oxygen(&reads(20.9), &substitute);
        assert_eq!(found.fraction.reason, Reason::Substituted);
        assert_eq!(found.partial_pressure.quality, Quality::Good);
        let found = GALVANIC.oxygen(&Measured::bad(Reason::LoopLow), &air(1013.0));
        assert_eq!(found.partial_pressure.reason, Reason::LoopLow);
    }
}
