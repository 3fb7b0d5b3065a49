//! The measured value: uncertainty by source, quality, and why it is not plainly good.

use std::fmt;

use serde::{Deserialize, Serialize};
use smallvec::SmallVec;

use super::Quantity;

/// How far a value can be used; the words of OPC UA (IEC 62541-8).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quality {
    /// Usable as it stands.
    Good,
    /// Usable with care: the reason says why.
    Uncertain,
    /// Not usable.
    Bad,
}

impl fmt::Display for Quality {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Good => "good",
            Self::Uncertain => "uncertain",
            Self::Bad => "bad",
        })
    }
}

/// Why a value is not plainly good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// Nothing to say.
    None,
    /// Nothing has been read yet.
    NeverRead,
    /// The device did not answer or answered with a fault.
    NoAnswer,
    /// The last good value is older than its stale limit.
    Stale,
    /// Outside the channel's stated range.
    OutOfRange,
    /// Outside the range of its calibration curve.
    OutsideCurve,
    /// A 4-20 mA loop below the NE 43 failure limit: broken wire or dead transmitter.
    LoopLow,
    /// A 4-20 mA loop above the NE 43 failure limit: short circuit or signalled failure.
    LoopHigh,
    /// A 4-20 mA loop between measuring range and failure limit.
    LoopSaturated,
    /// The registers hold no number (a NaN or an infinity).
    NotANumber,
    /// A pulsed measurement held since its last pulse.
    Held,
    /// The last known value, carried forward.
    CarriedForward,
    /// An instrument that this value needs is bad; a stated substitute stands in.
    Substituted,
    /// An instrument that this value needs is bad, and nothing stands in.
    InputBad,
    /// The state lies outside the range of the helium property model.
    OutsideModel,
    /// Taken out of service by a person.
    OutOfService,
    /// Its calibration is past the date it was valid to.
    CalibrationExpired,
    /// Disagrees with the other instruments of its group.
    Disagrees,
    /// The device is not recorded or polled at the moment.
    NotPolled,
    /// A flow outside the Reynolds numbers or pressure ratios that the standard of its device covers.
    OutsideStandard,
    /// A counter went back or too far: it was reset or exchanged.
    CounterReset,
    /// The level stands at a tap; what lies beyond it is not seen.
    AtTap,
}

impl Reason {
    /// In words, for a screen.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::None => "",
            Self::NeverRead => "never read",
            Self::NoAnswer => "device does not answer",
            Self::Stale => "stale: too old",
            Self::OutOfRange => "outside the channel's range",
            Self::OutsideCurve => "outside the calibration curve",
            Self::LoopLow => "loop current too low: broken wire or dead transmitter",
            Self::LoopHigh => "loop current too high: short circuit or signalled failure",
            Self::LoopSaturated => "loop current beyond the measuring range",
            Self::NotANumber => "the registers hold no number",
            Self::Held => "held since the last pulse",
            Self::CarriedForward => "last known value, carried forward",
            Self::Substituted => "an instrument is out; a stated substitute stands in",
            Self::InputBad => "an instrument it needs is bad",
            Self::OutsideModel => "outside the helium model",
            Self::OutOfService => "out of service",
            Self::CalibrationExpired => "calibration past its date",
            Self::Disagrees => "disagrees with its neighbours",
            Self::NotPolled => "not polled",
            Self::OutsideStandard => "outside the limits of the device's standard",
            Self::CounterReset => "the counter was reset or exchanged",
            Self::AtTap => "level at a tap: what lies beyond is not seen",
        }
    }
}

/// A source of error that several values share: one calibration, one barometer, one meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct GroupIx(pub u16);

/// Signed standard uncertainties by shared group, sorted by group, each group once.
pub type SharedParts = SmallVec<[(GroupIx, f64); 4]>;

/// A value with its standard uncertainty and quality.
///
/// `independent_std` is noise of this value alone; each shared part is *signed*, the change of the
/// value when the shared source is high by one standard uncertainty, so that a common error cancels
/// or adds as it does in the plant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measured<Q> {
    /// The value; not to be believed when `quality` is [`Quality::Bad`].
    pub value: Q,
    /// Standard uncertainty of the independent part, SI.
    pub independent_std: f64,
    /// Signed standard uncertainty by shared source, SI.
    pub shared: SharedParts,
    /// How far it can be used.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
}

impl<Q> Measured<Q> {
    /// A good value.
    #[must_use]
    pub fn good(value: Q, independent_std: f64, shared: SharedParts) -> Self {
        Self {
            value,
            independent_std,
            shared,
            quality: Quality::Good,
            reason: Reason::None,
        }
    }

    /// A value of that quality and reason.
    #[must_use]
    pub fn with_quality(mut self, quality: Quality, reason: Reason) -> Self {
        self.quality = quality;
        self.reason = reason;
        self
    }

    /// Combined standard uncertainty of the value alone, SI.
    #[must_use]
    pub fn combined_std(&self) -> f64 {
        let shared: f64 = self.shared.iter().map(|(_, u)| u * u).sum();
        libm::sqrt(self.independent_std * self.independent_std + shared)
    }

    /// Usable, perhaps with care.
    #[must_use]
    pub fn is_usable(&self) -> bool {
        self.quality != Quality::Bad
    }

    /// The same uncertainty and quality around another representation of the value.
    pub fn map<R>(self, f: impl FnOnce(Q) -> R) -> Measured<R> {
        Measured {
            value: f(self.value),
            independent_std: self.independent_std,
            shared: self.shared,
            quality: self.quality,
            reason: self.reason,
        }
    }
}

impl<Q: Quantity> Measured<Q> {
    /// No usable value.
    #[must_use]
    pub fn bad(reason: Reason) -> Self {
        Self {
            value: Q::from_si(f64::NAN),
            independent_std: f64::INFINITY,
            shared: SharedParts::new(),
            quality: Quality::Bad,
            reason,
        }
    }
}

/// Adds `weight` times the shared parts `from` to `into`, keeping it sorted by group.
pub fn add_shared(into: &mut SharedParts, from: &SharedParts, weight: f64) {
    for &(group, u) in from {
        match into.binary_search_by_key(&group, |&(g, _)| g) {
            Ok(at) => {
                if let Some(part) = into.get_mut(at) {
                    part.1 += weight * u;
                }
            }
            Err(at) => into.insert(at, (group, weight * u)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shared_error_cancels_in_a_difference() {
        let part: SharedParts = SharedParts::from_iter([(GroupIx(3), 0.5)]);
        let mut difference = part.clone();
        add_shared(&mut difference, &part, -1.0);
        assert_eq!(difference.as_slice(), &[(GroupIx(3), 0.0)]);
    }
}
