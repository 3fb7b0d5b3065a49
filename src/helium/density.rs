//! Density from temperature and pressure: the solver.
//!
//! Halley's iteration on p(rho) within a bracket that holds one phase. The start comes from a
//! coarse table that is worked out from the equation on first use, or from the caller's last
//! answer. Below the critical temperature liquid and vapour each have their own branch, and a
//! metastable state is found as far as its branch reaches; beyond, [`HeliumError::NoSuchPhase`].

use super::CRITICAL_TEMPERATURE;
use super::equation_of_state::{Isotherm, REDUCING_DENSITY, Residual};
use super::error::HeliumError;
use super::saturation::CRITICAL_DELTA;
use super::start;

/// Highest reduced density looked at: beyond the melting curve over the whole range.
const MAX_DELTA: f64 = 5.0;
/// What the last step is estimated to leave, relative.
const SETTLED: f64 = 1e-11;

/// Where vapour ends and where liquid begins at the latest, as reduced densities.
///
/// Between its spinodals the equation has, below 5.15 K, a stretch of positive slope that no fluid
/// has: reduced densities 0.72 to 1.27 up to 5.0 K and 0.89 to 1.10 above, while the spinodals stay
/// below 0.65 and above 1.35, then below 0.81 and above 1.19 (looked at in steps of 17 mK). A start in
/// it would end in it.
fn branch_ends(temperature: f64) -> (f64, f64) {
    if temperature < 5.0 {
        (0.70, 1.28)
    } else if temperature < 5.15 {
        (0.88, 1.11)
    } else {
        (CRITICAL_DELTA, CRITICAL_DELTA)
    }
}

/// The reduced densities that a branch is searched in.
fn bracket(branch: Branch, temperature: f64) -> (f64, f64) {
    let (vapour, liquid) = branch_ends(temperature);
    match branch {
        Branch::Single => (0.0, MAX_DELTA),
        Branch::Liquid => (liquid, MAX_DELTA),
        Branch::Vapour => (0.0, vapour),
    }
}

/// Which stretch of the isotherm to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Branch {
    /// The whole isotherm, above the critical temperature.
    Single,
    /// Denser than critical.
    Liquid,
    /// Thinner than critical.
    Vapour,
}

/// Reduced density at a pressure on one branch.
///
/// `warm` is a density in kg/m3 to start from, such as the last answer.
pub(super) fn solve(
    isotherm: &Isotherm,
    pressure: f64,
    branch: Branch,
    warm: Option<f64>,
) -> Result<f64, HeliumError> {
    let (low, high) = bracket(branch, isotherm.temperature);
    let start = warm
        .map(|rho| rho / REDUCING_DENSITY)
        .filter(|delta| *delta > low && *delta < high)
        .unwrap_or_else(|| start::delta(isotherm, pressure, branch));
    solve_from(isotherm, pressure, branch, start)
}

pub(super) fn solve_from(
    isotherm: &Isotherm,
    pressure: f64,
    branch: Branch,
    start: f64,
) -> Result<f64, HeliumError> {
    let target = pressure / (REDUCING_DENSITY * isotherm.rt);
    let (mut low, mut high) = bracket(branch, isotherm.temperature);
    let mut delta = if start > low && start < high {
        start
    } else {
        0.5 * (low + high)
    };
    for _ in 0..100 {
        let Residual {
            a_d, a_dd, a_ddd, ..
        } = isotherm.residual(delta);
        let gap = delta * (1.0 + a_d) - target;
        let slope = 1.0 + 2.0 * a_d + a_dd;
        // delta times the second derivative.
        let curvature = 2.0 * a_d + 4.0 * a_dd + a_ddd;
        if slope > 0.0 {
            if gap < 0.0 {
                low = delta;
            } else {
                high = delta;
            }
        } else if branch == Branch::Vapour {
            high = delta;
        } else {
            // Unstable: the liquid branch lies above.
            low = delta;
        }
        let newton = -gap / slope;
        if slope > 0.0 && newton.abs() <= 4e-16 * delta {
            return Ok(delta);
        }
        let relative = newton / delta;
        let bend = curvature / slope;
        let step = newton / (1.0 + 0.5 * relative * bend).max(0.4);
        let next = delta + step;
        let inside = slope > 0.0 && next > low && next < high;
        if inside {
            let size = (step / delta).abs();
            // Halley leaves the cube of the step times a constant of this size.
            let left = size * size * size * (1.0 + bend * bend + 3.0 / slope);
            if left < SETTLED {
                return Ok(next);
            }
            delta = next;
        } else {
            if high - low <= 1e-14 * high {
                break;
            }
            delta = 0.5 * (low + high);
        }
    }
    // The bracket shut on a point where no pressure of this branch is the one asked for.
    let settled = isotherm.residual(delta);
    let rest = (delta * settled.z() - target).abs();
    if rest <= 1e-10 * target.max(1e-300) && settled.slope() > -1e-9 {
        return Ok(delta);
    }
    if branch == Branch::Single || isotherm.temperature >= CRITICAL_TEMPERATURE {
        return Err(HeliumError::NotSettled {
            temperature_k: isotherm.temperature,
            pressure_pa: pressure,
        });
    }
    Err(HeliumError::NoSuchPhase {
        phase: if branch == Branch::Liquid {
            "liquid"
        } else {
            "vapour"
        },
        temperature_k: isotherm.temperature,
        pressure_pa: pressure,
    })
}
