//! A straight line through recent values: level and rate now, with uncertainty.

use super::Figure;

/// A straight line by least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Value at the time of the last point.
    pub value: Figure,
    /// Change per second.
    pub rate_per_s: Figure,
    /// Points less the two that the line takes.
    pub degrees_of_freedom: usize,
    /// Time from the first to the last point, s.
    pub span_s: f64,
}

/// When a value that moves will be at a target.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Arrival {
    /// It is there.
    Reached,
    /// It is not seen to approach: it stands, goes away, or moves by less than its rate is known.
    NotApproaching,
    /// It will be there, at this rate.
    After {
        /// From now, s.
        after_s: f64,
        /// Lower end of the band, s.
        earliest_s: f64,
        /// Upper end of the band, s.
        latest_s: f64,
    },
}

/// Time in which `rate_per_s` covers `distance`, both positive towards the target. `coverage` is the
/// factor of the band (Student's for the rate's degrees of freedom, or 2).
pub(super) fn arrival(distance: Figure, rate_per_s: Figure, coverage: f64) -> Arrival {
    let (slow, fast) = (
        rate_per_s.value - coverage * rate_per_s.std,
        rate_per_s.value + coverage * rate_per_s.std,
    );
    let after_s = distance.value / rate_per_s.value;
    let earliest_s = (distance.value - coverage * distance.std).max(0.0) / fast;
    let latest_s = (distance.value + coverage * distance.std) / slow;
    let sound = [after_s, earliest_s, latest_s]
        .iter()
        .all(|t| t.is_finite());
    if !(sound && slow > 0.0) {
        return Arrival::NotApproaching;
    }
    Arrival::After {
        after_s,
        earliest_s,
        latest_s,
    }
}

/// The line through points (time in s, value), each with the same standard uncertainty `std`.
///
/// The scatter about the line is taken from the points themselves, but not below `std`: few points
/// may lie on a line by chance. None with fewer than four points, with no span in time, or with a
/// number that is none. The mean of the scatter is assumed to be zero from point to point: points
/// must be spaced wider than what the sensor holds or lags.
#[must_use]
pub fn trend(points: impl IntoIterator<Item = (f64, f64)> + Clone, std: f64) -> Option<Trend> {
    let (mut n, mut t_sum, mut y_sum) = (0_usize, 0.0, 0.0);
    let (mut first, mut last) = (f64::INFINITY, f64::NEG_INFINITY);
    for (t, y) in points.clone() {
        n += 1;
        t_sum += t;
        y_sum += y;
        first = first.min(t);
        last = last.max(t);
    }
    if n < 4 || !(t_sum.is_finite() && y_sum.is_finite() && std.is_finite()) {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "a count of kept points")]
    let count = n as f64;
    let (t_mean, y_mean) = (t_sum / count, y_sum / count);
    let (mut tt, mut ty) = (0.0, 0.0);
    for (t, y) in points.clone() {
        tt += (t - t_mean) * (t - t_mean);
        ty += (t - t_mean) * (y - y_mean);
    }
    if !(tt.is_normal() && ty.is_finite()) {
        return None;
    }
    let slope = ty / tt;
    let rest: f64 = points
        .into_iter()
        .map(|(t, y)| y - y_mean - slope * (t - t_mean))
        .map(|r| r * r)
        .sum();
    let scatter = libm::sqrt(rest / (count - 2.0)).max(std.abs());
    let ahead = last - t_mean;
    let value = y_mean + slope * ahead;
    let sound = scatter.is_finite() && value.is_finite();
    sound.then(|| Trend {
        value: Figure::new(
            value,
            scatter * libm::sqrt(1.0 / count + ahead * ahead / tt),
        ),
        rate_per_s: Figure::new(slope, scatter / libm::sqrt(tt)),
        degrees_of_freedom: n - 2,
        span_s: last - first,
    })
}
