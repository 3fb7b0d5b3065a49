//! What a channel's reading is uncertain by, split by where the error comes from.
//!
//! Noise and resolution are new with every reading; a calibration, a zero, a barometer or a
//! representativeness error is one for many readings or many channels, and cancels or adds
//! accordingly. All are standard uncertainties (k = 1), taken through the local slope of the
//! conversion (JCGM 100:2008, clause 5.1.2, first order).

use smallvec::SmallVec;

use crate::quantity::{GroupIx, SharedParts};

/// Standard uncertainties of one channel.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChannelUncertainty {
    /// Noise of the converted value, SI; new with every reading.
    pub noise_std: f64,
    /// Noise of the signal before curve or loop (A, ohm, V), SI; new with every reading.
    pub signal_noise_std: f64,
    /// One code, in units of the decoded number before scaling (1 for integers, 0 for floats whose
    /// device digitises finely). A rectangular distribution: q/sqrt(12) (JCGM 100:2008, F.2.2.1).
    pub resolution: f64,
    /// Calibration of the curve, in its output unit.
    pub curve_std: f64,
    /// The shared source that `curve_std` belongs to. Without one it counts as independent, which
    /// is right for a single value but makes a difference of two readings look too uncertain.
    pub curve_group: Option<GroupIx>,
    /// What other values share.
    pub shared: SmallVec<[SharedTerm; 4]>,
}

/// One standard uncertainty that other values share. Its behaviour in time belongs to the group.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharedTerm {
    /// The common source.
    pub group: GroupIx,
    /// How large.
    pub kind: SharedKind,
}

/// How large a shared standard uncertainty is. Signed: a source that raises one channel and lowers
/// another has two signs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SharedKind {
    /// Of the converted value, SI.
    Absolute(f64),
    /// Times the converted value.
    RelativeToReading(f64),
    /// Of the signal before curve or loop, SI; taken through the slope.
    SignalAbsolute(f64),
    /// Times the signal before curve or loop; taken through the slope.
    SignalRelative(f64),
}

/// The operating point that uncertainties are taken at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OperatingPoint {
    /// Converted value, SI.
    pub value: f64,
    /// Signal before curve or loop, SI.
    pub signal: f64,
    /// Change of the value per change of the signal.
    pub value_per_signal: f64,
    /// Change of the signal per code.
    pub signal_per_code: f64,
}

/// Variance of a rectangular distribution of unit width.
const RECTANGULAR_VARIANCE: f64 = 1.0 / 12.0;

impl ChannelUncertainty {
    /// Independent standard uncertainty and shared parts at an operating point.
    #[must_use]
    pub fn at(&self, point: &OperatingPoint) -> (f64, SharedParts) {
        let signal_noise = self.signal_noise_std * point.value_per_signal;
        let code = self.resolution * point.signal_per_code * point.value_per_signal;
        let mut variance = self.noise_std * self.noise_std
            + signal_noise * signal_noise
            + code * code * RECTANGULAR_VARIANCE;
        let mut shared = SharedParts::new();
        match self.curve_group {
            Some(group) if self.curve_std != 0.0 => add_part(&mut shared, group, self.curve_std),
            Some(_) => {}
            None => variance += self.curve_std * self.curve_std,
        }
        for term in &self.shared {
            let u = match term.kind {
                SharedKind::Absolute(u) => u,
                SharedKind::RelativeToReading(r) => r * point.value,
                SharedKind::SignalAbsolute(u) => u * point.value_per_signal,
                SharedKind::SignalRelative(r) => r * point.signal * point.value_per_signal,
            };
            add_part(&mut shared, term.group, u);
        }
        (libm::sqrt(variance), shared)
    }
}

/// Keeps the parts sorted by group, each group once: one source has one sign and one size.
fn add_part(shared: &mut SharedParts, group: GroupIx, u: f64) {
    // Terms come sorted by group in all but odd descriptions, so the end is the usual place.
    match shared.last_mut() {
        None => shared.push((group, u)),
        Some(last) if last.0 < group => shared.push((group, u)),
        Some(last) if last.0 == group => last.1 += u,
        Some(_) => match shared.binary_search_by_key(&group, |&(g, _)| g) {
            Ok(at) => {
                if let Some(part) = shared.get_mut(at) {
                    part.1 += u;
                }
            }
            Err(at) => shared.insert(at, (group, u)),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const POINT: OperatingPoint = OperatingPoint {
        value: 200.0,
        signal: 50.0,
        value_per_signal: -4.0,
        signal_per_code: 0.5,
    };

    #[test]
    fn parts_go_through_the_slope() {
        let u = ChannelUncertainty {
            noise_std: 3.0,
            signal_noise_std: 1.0,
            resolution: libm::sqrt(12.0),
            curve_std: 0.0,
            curve_group: None,
            shared: SmallVec::new(),
        };
        // 3^2 + (1*4)^2 + (sqrt(12)*0.5*4)^2/12 = 9 + 16 + 4
        let (std, shared) = u.at(&POINT);
        assert!((std - libm::sqrt(29.0)).abs() < 1e-12);
        assert!(shared.is_empty());
    }

    #[test]
    fn shared_parts_are_signed_sorted_and_once_per_group() {
        let term = |group, kind| SharedTerm {
            group: GroupIx(group),
            kind,
        };
        let u = ChannelUncertainty {
            curve_std: 0.25,
            curve_group: Some(GroupIx(5)),
            shared: SmallVec::from_vec(vec![
                term(9, SharedKind::RelativeToReading(0.01)),
                term(2, SharedKind::SignalAbsolute(0.5)),
                term(9, SharedKind::Absolute(-0.5)),
                term(5, SharedKind::SignalRelative(0.001)),
            ]),
            ..ChannelUncertainty::default()
        };
        let (std, shared) = u.at(&POINT);
        assert_eq!(std, 0.0);
        let expected = [(2, -2.0), (5, 0.25 - 0.2), (9, 1.5)];
        assert_eq!(shared.len(), expected.len());
        for (part, (group, value)) in shared.iter().zip(expected) {
            assert_eq!(part.0, GroupIx(group));
            assert!((part.1 - value).abs() < 1e-12);
        }
    }

    #[test]
    fn a_curve_without_group_counts_as_independent() {
        let u = ChannelUncertainty {
            curve_std: 0.005,
            ..ChannelUncertainty::default()
        };
        assert_eq!(u.at(&POINT), (0.005, SharedParts::new()));
    }
}
