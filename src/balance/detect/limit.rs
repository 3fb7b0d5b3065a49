//! How far a loss must stand out, by the age of its onset, for as many false alarms as are put up with.

#![expect(
    clippy::indexing_slicing,
    reason = "layouts are fixed by the constructor and kept by every method"
)]

use super::{Detector, OCTAVES, YOUNGEST_S, count64};
use crate::balance::distribution::student_from_normal;
use crate::balance::least_squares::{Whitened, count};
use crate::balance::noise::{NoiseModel, rate_variance};
use crate::balance::series::{Design, LossSeries};
use crate::balance::whiten::DAY_S;

impl Detector {
    pub(super) fn limit_at(&self, age: u64) -> f64 {
        let octave = age.max(1).ilog2();
        let octave = usize::try_from(octave).unwrap_or(OCTAVES - 1);
        self.limits[octave.min(OCTAVES - 1)]
    }

    /// The limit of each doubling of age: lower for old onsets, of which far fewer independent ones
    /// pass in a year, and raised by how uncertain the noise is there.
    ///
    /// **Source** a limit that depends on the scale: Duembgen and Spokoiny 2001; here its square
    /// falls by the logarithm of the age, half of what equal shares for all ages would give.
    pub(super) fn set_limits(&mut self) {
        let oldest = self.steps(self.settings.oldest_onset_s);
        let youngest = self.steps(YOUNGEST_S).max(2);
        let mut limit = self.normal_limit;
        for (octave, out) in self.limits.iter_mut().enumerate() {
            let age = (3_u64 << octave) / 2;
            if (1_u64 << octave) <= oldest {
                let older = libm::log(count64(age) / count64(youngest)).max(0.0);
                let square = self.normal_limit * self.normal_limit - older;
                let normal = libm::sqrt(square.max(0.25 * self.normal_limit * self.normal_limit));
                let nu = degrees_of_freedom(&self.noise, age);
                limit = student_from_normal(normal, nu);
            }
            *out = limit;
        }
    }
}

/// Degrees of freedom of the noise that a ramp of `age` steps after a day of level is held against.
fn degrees_of_freedom(noise: &NoiseModel, age: u64) -> f64 {
    if noise.samples == 0 {
        return 1e6;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a day in steps of at least a second"
    )]
    let before = libm::ceil(DAY_S / noise.step_s) as usize;
    let length = before + usize::try_from(age).unwrap_or(before);
    let mass = vec![0.0; length];
    let bend = count(before) * noise.step_s;
    let series = LossSeries {
        start_s: 0.0,
        step_s: noise.step_s,
        mass_kg: &mass,
        bends_s: &[bend - noise.step_s],
        ..LossSeries::default()
    };
    let mut design = Design::new(&series, false, 0.0);
    design.fix_rate();
    let whitened = Whitened::new(&design, &noise.parameters, true);
    let solved = whitened.solve(&[]);
    rate_variance(&whitened, &solved, design.first_bend, noise).degrees_of_freedom
}

/// Limit of the significance for a rate of false alarms, the noise being known.
///
/// False alarms per year at a limit h (for the youngest onset; older ones as in `set_limits`) are
/// `A(step) h exp(-h^2/2)` with `A = 20,800 (60 s/step)^0.356`.
///
/// **Source** form: upcrossings of a stationary Gaussian process (Rice 1944). A: own calibration with
/// the noise known (`tests/bench/loss_limits.rs`): 250 alarms in 12 simulated years at h = 4.08 and
/// 60 s, 1,590 in 60 years at h = 3.79 and 600 s. The form held within its counting error from 12 a
/// year to one in four years (limits 4.08 to 4.98, 100 years, the same limit for all ages). Between
/// and outside the two steps the power law is assumed.
pub(super) fn limit_for(false_alarms_per_year: f64, step_s: f64) -> f64 {
    const FACTOR_AT_A_MINUTE: f64 = 20_800.0;
    const POWER: f64 = 0.356;
    let factor = FACTOR_AT_A_MINUTE * libm::pow(60.0 / step_s, POWER);
    let rate = |h: f64| factor * h * libm::exp(-0.5 * h * h);
    let (mut low, mut high) = (1.0, 9.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if rate(middle) > false_alarms_per_year {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
