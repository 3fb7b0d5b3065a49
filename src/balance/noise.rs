//! The noise of a loss series, found from the series itself.
//!
//! Sizes and times of the noise (see [`whiten`](super::whiten)) maximise the restricted likelihood:
//! the likelihood of what is left of the data once level, rate, wave, regressors and steps are
//! fitted, so that the fit of those does not make the noise look smaller than it is. Weak priors
//! keep what the data do not decide (the correlation time of a noise that is hardly there) within
//! what plants show. The curvature at the maximum is kept: a rate's standard uncertainty computed
//! with this noise carries the degrees of freedom that follow from it.
//!
//! Where it fails: a loss that begins inside the window looks like correlated noise; give its time
//! as a bend, or fit on days known quiet.
//!
//! **Source** Harville 1977 (restricted likelihood); Nelder and Mead 1965 (maximisation);
//! Satterthwaite 1946, Fai and Cornelius 1996 (degrees of freedom); priors: common practice, no
//! source.

#![expect(
    clippy::indexing_slicing,
    reason = "indices run over arrays of fixed length, or over lengths set by the design"
)]

use std::ops::Range;

use serde::{Deserialize, Serialize};

use super::least_squares::{Prior, Solved, Whitened, count, spikes_in};
use super::linear::{Cholesky, dot};
use super::series::{Design, LossError, LossSeries, WAVES, check_free, check_numbers};
use super::whiten::{
    DAY_S, HALF_DAY_SHARE, NoiseParameters, WAVE_MEMORY_S, correlation_form, transposed,
};

/// What a fit of the noise may assume.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseSettings {
    /// Whether the series has a daily wave (two days of data are needed to fit one).
    pub daily_wave: bool,
    /// Slow noise that instruments are stated to have, as variance times correlation time, kg2 s; zero
    /// where nothing is stated. What is found is as near to it as the data allow.
    pub stated_slow_kg2_s: f64,
}

impl Default for NoiseSettings {
    fn default() -> Self {
        Self {
            daily_wave: true,
            stated_slow_kg2_s: 0.0,
        }
    }
}

/// Noise of a series with what is known of its wave, reusable for later windows of the same plant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Sizes and times.
    pub parameters: NoiseParameters,
    /// Step of the grid it was found on, s.
    pub step_s: f64,
    /// Usable samples it was found from.
    pub samples: usize,
    /// Whether a mean daily wave belongs to the series.
    pub daily_wave: bool,
    /// Samples set aside as spikes.
    pub spikes: usize,
    /// Mean wave and regressor coefficients, and their covariance row by row: what a window too
    /// short to find its own wave starts from. Empty when not known.
    pub(crate) nuisance_mean: Vec<f64>,
    pub(crate) nuisance_covariance: Vec<f64>,
    /// Covariance of (log variance, logit share, log time, log wave ratio), row by row; zero when
    /// the noise is known.
    pub(crate) covariance: [f64; 16],
}

impl NoiseModel {
    /// A noise that is known beforehand, without uncertainty.
    ///
    /// # Errors
    /// [`LossError::BadNumber`] for a size or time that cannot be.
    pub fn known(
        parameters: NoiseParameters,
        step_s: f64,
        daily_wave: bool,
    ) -> Result<Self, LossError> {
        let p = &parameters;
        check_numbers(&[
            ("white noise in kg", p.white_std_kg, p.white_std_kg >= 0.0),
            (
                "correlated noise in kg",
                p.correlated_std_kg,
                p.correlated_std_kg >= 0.0,
            ),
            (
                "correlation time in s",
                p.correlation_time_s,
                p.correlation_time_s > 0.0,
            ),
            ("wave noise in kg", p.wave_std_kg, p.wave_std_kg >= 0.0),
            (
                "all noise together in kg",
                p.white_std_kg + p.correlated_std_kg,
                p.white_std_kg + p.correlated_std_kg > 0.0,
            ),
            ("step of the grid in s", step_s, step_s > 0.0),
        ])?;
        Ok(Self {
            parameters,
            step_s,
            samples: 0,
            daily_wave,
            spikes: 0,
            nuisance_mean: Vec::new(),
            nuisance_covariance: Vec::new(),
            covariance: [0.0; 16],
        })
    }

    /// Amplitude of the mean daily (24 h) wave, kg; zero when not known.
    #[must_use]
    pub fn wave_amplitude_kg(&self) -> f64 {
        match self.nuisance_mean.as_slice() {
            [s, c, ..] if self.daily_wave => libm::sqrt(s * s + c * c),
            _ => 0.0,
        }
    }

    /// Refuses a grid on which, or a time from which, samples cannot be taken one by one, and more
    /// regressors than fit beside.
    pub(crate) fn check_stream(&self, origin_s: f64, regressors: usize) -> Result<(), LossError> {
        check_numbers(&[
            (
                "step of the grid in s",
                self.step_s,
                (1.0..=7200.0).contains(&self.step_s),
            ),
            ("origin in s", origin_s, true),
        ])?;
        check_free(regressors)
    }

    /// Columns of the mean daily wave.
    pub(crate) fn waves(&self) -> usize {
        if self.daily_wave { WAVES } else { 0 }
    }

    pub(crate) fn check_grid(&self, series_s: f64) -> Result<(), LossError> {
        if (self.step_s - series_s).abs() > 1e-6 * series_s {
            return Err(LossError::OtherGrid {
                noise_s: self.step_s,
                series_s,
            });
        }
        Ok(())
    }
}

/// Finds the noise of a series. `previous` is where the search starts (an earlier fit on the same
/// plant): it saves time and hardly changes the answer.
///
/// # Errors
/// [`LossError`] when the series cannot be used or has fewer than 48 usable samples.
pub fn fit(
    series: &LossSeries<'_>,
    settings: &NoiseSettings,
    previous: Option<&NoiseModel>,
) -> Result<NoiseModel, LossError> {
    const FEWEST: usize = 48;
    series.check()?;
    let waves = settings.daily_wave && series.span_s() > 1.9 * DAY_S;
    let mut design = Design::new(series, waves, 0.0);
    let mut spikes = design.set_spikes_aside();
    let usable = design.usable();
    if usable < FEWEST + design.columns {
        return Err(LossError::TooShort {
            usable,
            needed: FEWEST + design.columns,
        });
    }
    let start = previous.map_or_else(
        || Point::guess(&design),
        |p| Point::from_parameters(&p.parameters),
    );
    let centre_log_time = libm::log((2.0 * 3600.0_f64).max(3.0 * series.step_s));
    let mut problem = Problem {
        design: &design,
        waves,
        centre_log_time,
        centre_log_wave: Point::WAVE_CENTRE,
    };
    problem.centre_log_wave = problem.expected_wave(start);
    let centre_log_wave = problem.centre_log_wave;
    let start = match previous {
        Some(_) => start,
        None => Point([start.0[0], start.0[1], centre_log_wave]),
    };
    let mut best = maximise(&problem, start, if previous.is_some() { 0.3 } else { 0.8 });
    // Spikes that only show against the fitted noise.
    let whitened = Whitened::new(&design, &best.parameters(&problem), true);
    let more = spikes_in(&whitened, &whitened.solve(&[]));
    spikes += design.set_aside(&more);
    let problem = Problem {
        design: &design,
        waves,
        centre_log_time,
        centre_log_wave,
    };
    if !more.is_empty() {
        best = maximise(&problem, best, 0.3);
    }
    let found = best.parameters(&problem);
    let parameters = as_slow_as_stated(&problem, found, settings.stated_slow_kg2_s);
    let (_, solved) = problem.solved(&parameters);
    let nuisance: Vec<usize> = design.nuisance.clone().collect();
    let nuisance_covariance = nuisance
        .iter()
        .flat_map(|i| {
            let column = solved.factor.inverse_column(*i);
            let aliased = solved.factor.is_aliased(*i);
            nuisance
                .iter()
                .map(|j| match (aliased, i == j) {
                    // A coefficient that the window cannot tell: as good as unknown.
                    (true, true) => 1e12,
                    (true, false) => 0.0,
                    _ => column[*j],
                })
                .collect::<Vec<_>>()
        })
        .collect();
    Ok(NoiseModel {
        parameters,
        step_s: series.step_s,
        samples: design.usable(),
        daily_wave: waves,
        spikes,
        nuisance_mean: nuisance.iter().map(|i| solved.coefficients[*i]).collect(),
        nuisance_covariance,
        covariance: best.covariance(&problem),
    })
}

/// The variance of a rate taken apart: what each part of the noise gives.
pub(crate) struct RateVariance {
    pub(crate) white: f64,
    pub(crate) correlated: f64,
    pub(crate) wave: f64,
    pub(crate) degrees_of_freedom: f64,
}

/// Takes the variance of coefficient `which` apart and says how well it is known.
pub(crate) fn rate_variance(
    whitened: &Whitened,
    solved: &Solved,
    which: usize,
    noise: &NoiseModel,
) -> RateVariance {
    let p = &noise.parameters;
    let column = solved.factor.inverse_column(which);
    let z: Vec<f64> = whitened
        .rows
        .chunks_exact(whitened.columns + 1)
        .map(|row| dot(&column, row))
        .collect();
    let weights = transposed(&whitened.filter.transition, &whitened.gains, &z);
    let (step, time) = (noise.step_s, p.correlation_time_s);
    let square = |x: f64| x * x;
    let white = square(p.white_std_kg) * dot(&weights, &weights);
    let correlated_at =
        |time: f64| square(p.correlated_std_kg) * correlation_form(&weights, step, time, 0.0);
    let correlated = correlated_at(time);
    let omega = std::f64::consts::TAU / DAY_S;
    let wave = if p.wave_std_kg > 0.0 {
        square(p.wave_std_kg)
            * (correlation_form(&weights, step, WAVE_MEMORY_S, omega)
                + square(HALF_DAY_SHARE)
                    * correlation_form(&weights, step, WAVE_MEMORY_S, 2.0 * omega))
    } else {
        0.0
    };
    let total = white + correlated + wave;
    let share =
        square(p.correlated_std_kg) / (square(p.correlated_std_kg) + square(p.white_std_kg));
    let h = 0.05;
    let slope_time =
        (correlated_at(time * libm::exp(h)) - correlated_at(time * libm::exp(-h))) / (2.0 * h);
    // d(share)/d(logit) = share (1 - share), so each part changes in proportion to the other share.
    let gradient = [
        total,
        (1.0 - share) * correlated - share * white,
        slope_time,
        2.0 * wave,
    ];
    let mut variance = 0.0;
    for (i, a) in gradient.iter().enumerate() {
        for (j, b) in gradient.iter().enumerate() {
            variance += a * b * noise.covariance[4 * i + j];
        }
    }
    let most = if noise.samples == 0 {
        1e6
    } else {
        count(noise.samples)
    };
    let degrees_of_freedom = if variance > 0.0 {
        (2.0 * total * total / variance).clamp(4.0, most.max(4.0))
    } else {
        most
    };
    RateVariance {
        white,
        correlated,
        wave,
        degrees_of_freedom,
    }
}

/// The restricted likelihood of a design.
struct Problem<'a> {
    design: &'a Design,
    waves: bool,
    centre_log_time: f64,
    centre_log_wave: f64,
}

/// (logit of the correlated share, log of the correlation time in s, log of wave over total): the
/// total variance is profiled out.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Point([f64; 3]);

/// Terms of minus twice the restricted likelihood at a point, for unit total variance.
#[derive(Debug, Clone, Copy)]
struct Terms {
    sum_of_squares: f64,
    /// Log determinants, and the priors.
    rest: f64,
    degrees_of_freedom: f64,
}

impl Terms {
    fn profiled(&self) -> f64 {
        let scale = self.sum_of_squares.max(1e-300) / self.degrees_of_freedom;
        self.degrees_of_freedom * libm::log(scale) + self.rest
    }
}

impl Point {
    const LOW: [f64; 3] = [-7.0, 3.0, -6.0];
    const HIGH: [f64; 3] = [7.0, 12.5, 2.0];
    const WAVE_CENTRE: f64 = -1.6;

    fn guess(design: &Design) -> Self {
        Self([0.0, libm::log((3600.0_f64).max(3.0 * design.step_s)), -1.6])
    }

    fn from_parameters(p: &NoiseParameters) -> Self {
        let (w2, c2) = (
            (p.white_std_kg * p.white_std_kg).max(1e-300),
            (p.correlated_std_kg * p.correlated_std_kg).max(1e-300),
        );
        Self([
            libm::log(c2 / w2),
            libm::log(p.correlation_time_s),
            0.5 * libm::log((p.wave_std_kg * p.wave_std_kg).max(1e-12 * (w2 + c2)) / (w2 + c2)),
        ])
        .bounded()
    }

    fn bounded(mut self) -> Self {
        for (x, (low, high)) in self.0.iter_mut().zip(Self::LOW.iter().zip(Self::HIGH)) {
            *x = x.clamp(*low, high);
        }
        self
    }

    /// The noise at this point with total variance one.
    fn unit(&self, waves: bool) -> NoiseParameters {
        let [logit, log_time, log_wave] = self.0;
        let share = 1.0 / (1.0 + libm::exp(-logit));
        NoiseParameters {
            white_std_kg: libm::sqrt(1.0 - share),
            correlated_std_kg: libm::sqrt(share),
            correlation_time_s: libm::exp(log_time),
            wave_std_kg: if waves { libm::exp(log_wave) } else { 0.0 },
        }
    }

    fn parameters(&self, problem: &Problem<'_>) -> NoiseParameters {
        let terms = problem.terms(*self);
        let scale = libm::sqrt((terms.sum_of_squares / terms.degrees_of_freedom).max(1e-24));
        let unit = self.unit(problem.waves);
        NoiseParameters {
            white_std_kg: scale * unit.white_std_kg,
            correlated_std_kg: scale * unit.correlated_std_kg,
            correlation_time_s: unit.correlation_time_s,
            wave_std_kg: scale * unit.wave_std_kg,
        }
    }

    /// Covariance of (log total variance, this point) from the curvature of the likelihood.
    fn covariance(&self, problem: &Problem<'_>) -> [f64; 16] {
        const H: f64 = 0.1;
        let at = |i: usize, di: f64, j: usize, dj: f64| {
            let mut p = *self;
            p.0[i] += di;
            p.0[j] += dj;
            problem.terms(p)
        };
        let free = if problem.waves { 3 } else { 2 };
        let centre = problem.terms(*self);
        let scale = centre.sum_of_squares.max(1e-300) / centre.degrees_of_freedom;
        // Half of the second derivative of minus twice the log-likelihood.
        let value = |t: Terms| 0.5 * (t.sum_of_squares / scale + t.rest);
        let order = free + 1;
        let mut information = vec![0.0; order * order];
        information[0] = 0.5 * centre.degrees_of_freedom;
        let sides: Vec<(f64, f64)> = (0..free)
            .map(|i| {
                let (up, down) = (at(i, H, i, 0.0), at(i, -H, i, 0.0));
                let cross = -0.5 * (up.sum_of_squares - down.sum_of_squares) / (2.0 * H * scale);
                information[(i + 1) * order] = cross;
                (value(up), value(down))
            })
            .collect();
        let middle = value(centre);
        for (i, (up, down)) in sides.iter().enumerate() {
            let second = (up - 2.0 * middle + down) / (H * H);
            // Where the likelihood is flat the prior's own curvature is the least there is.
            information[(i + 1) * order + i + 1] = second.max(0.5 * Problem::PRIOR_PRECISION[i]);
            for (j, (other_up, other_down)) in sides.iter().enumerate().take(i) {
                let both = value(at(i, H, j, H)) + value(at(i, -H, j, -H));
                let mixed =
                    (both + 2.0 * middle - up - down - other_up - other_down) / (2.0 * H * H);
                information[(i + 1) * order + j + 1] = mixed;
            }
        }
        let mut covariance = [0.0; 16];
        let Some(factor) = Cholesky::new(&information, order) else {
            return covariance;
        };
        for i in 0..order {
            let column = factor.inverse_column(i);
            for (j, x) in column.iter().enumerate() {
                covariance[4 * i + j] = *x;
            }
            if factor.is_aliased(i) {
                // Not positive definite: fall back on the diagonal, which is.
                covariance[4 * i + i] = 1.0 / information[i * order + i];
            }
        }
        covariance
    }
}

impl Problem<'_> {
    /// Inverse variances of the weak normal priors on the three coordinates.
    const PRIOR_PRECISION: [f64; 3] = [1.0 / 9.0, 1.0 / 1.44, 1.0 / 1.44];

    /// Where the wave's day-to-day change is expected: at 15 % of the mean wave, since it is the
    /// same weather that makes both (common practice, no source).
    fn expected_wave(&self, point: Point) -> f64 {
        const SHARE: f64 = 0.15;
        let (whitened, solved) = self.solved(&point.bounded().unit(self.waves));
        let used = count(whitened.used).max(1.0);
        let scale = libm::sqrt(solved.sum_of_squares.max(1e-300) / used);
        match solved.coefficients.get(self.design.nuisance.clone()) {
            Some([s, c, ..]) if self.waves => {
                let wave = libm::sqrt((s * s + c * c).max(1e-300));
                libm::log(SHARE * wave / scale).clamp(Point::LOW[2] + 1.0, Point::HIGH[2] - 1.0)
            }
            _ => Point::WAVE_CENTRE,
        }
    }

    /// The design whitened by a noise, and solved.
    fn solved(&self, noise: &NoiseParameters) -> (Whitened, Solved) {
        let whitened = Whitened::new(self.design, noise, false);
        let solved = whitened.solve(&[]);
        (whitened, solved)
    }

    /// Minus twice the restricted log-likelihood of a noise, without what is known of its shape.
    fn value(&self, noise: &NoiseParameters) -> f64 {
        let (whitened, solved) = self.solved(noise);
        solved.sum_of_squares + whitened.log_determinant + solved.factor.log_determinant()
    }

    fn terms(&self, point: Point) -> Terms {
        let (whitened, solved) = self.solved(&point.bounded().unit(self.waves));
        let centre = [0.0, self.centre_log_time, self.centre_log_wave];
        let mut prior = 0.0;
        for (((x, bounded), centre), precision) in point
            .0
            .iter()
            .zip(point.bounded().0)
            .zip(centre)
            .zip(Self::PRIOR_PRECISION)
            .take(if self.waves { 3 } else { 2 })
        {
            let (d, out) = (x - centre, x - bounded);
            // Outside the bounds the likelihood stands still; this leads back.
            prior += precision * d * d + 10.0 * out * out;
        }
        Terms {
            sum_of_squares: solved.sum_of_squares,
            rest: whitened.log_determinant + solved.factor.log_determinant() + prior,
            degrees_of_freedom: count(whitened.used.saturating_sub(solved.factor.rank())).max(1.0),
        }
    }
}

/// The noise found, with its slow part (variance times time) as it is stated, or as near to that as the
/// likelihood allows: by two standard deviations where less was found, by one where more was. The columns
/// of waves and weather take some of the slow noise with them, and a week shows little of it: what is
/// left looks quicker than it is. The quick part (variance over time), which a week shows well, stays as
/// found.
///
/// **Source** allowed changes: likelihood ratio (Wilks 1938); that more is believed sooner than less:
/// common practice, no source.
fn as_slow_as_stated(
    problem: &Problem<'_>,
    found: NoiseParameters,
    stated_kg2_s: f64,
) -> NoiseParameters {
    const HALVINGS: u32 = 6;
    let slow = found.correlated_std_kg * found.correlated_std_kg * found.correlation_time_s;
    if !(slow > 0.0 && stated_kg2_s.is_finite() && stated_kg2_s > 0.0) {
        return found;
    }
    let most = if stated_kg2_s > slow { 4.0 } else { 1.0 };
    let longer = |share: f64| {
        let factor = libm::pow(stated_kg2_s / slow, 0.5 * share);
        NoiseParameters {
            correlation_time_s: found.correlation_time_s * factor,
            correlated_std_kg: found.correlated_std_kg * libm::sqrt(factor),
            ..found
        }
    };
    let best = problem.value(&found);
    let allowed = |share: f64| problem.value(&longer(share)) - best <= most;
    if allowed(1.0) {
        return longer(1.0);
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if allowed(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    longer(low)
}

/// Downhill simplex on minus twice the restricted likelihood; its first edges are `reach` long.
fn maximise(problem: &Problem<'_>, start: Point, reach: f64) -> Point {
    const TOLERANCE: f64 = 0.01;
    const MOST_STEPS: usize = 120;
    let free = if problem.waves { 3 } else { 2 };
    let value = |p: Point| {
        let v = problem.terms(p).profiled();
        if v.is_finite() { v } else { f64::MAX }
    };
    let mut simplex: Vec<(f64, Point)> = (0..=free)
        .map(|i| {
            let mut p = start;
            if i > 0 {
                p.0[i - 1] += reach;
            }
            (value(p), p)
        })
        .collect();
    for _ in 0..MOST_STEPS {
        simplex.sort_by(|a, b| a.0.total_cmp(&b.0));
        if simplex[free].0 - simplex[0].0 < TOLERANCE {
            break;
        }
        let mut centre = [0.0; 3];
        for (_, p) in &simplex[..free] {
            for (c, x) in centre.iter_mut().zip(p.0) {
                *c += x / count(free);
            }
        }
        let worst = simplex[free];
        let along = |factor: f64| {
            let mut p = Point(centre);
            for ((x, c), w) in p.0.iter_mut().zip(centre).zip(worst.1.0) {
                *x = c + factor * (c - w);
            }
            if free < 3 {
                p.0[2] = start.0[2];
            }
            (value(p), p)
        };
        let reflected = along(1.0);
        let better = if reflected.0 < simplex[0].0 {
            let expanded = along(2.0);
            if expanded.0 < reflected.0 {
                expanded
            } else {
                reflected
            }
        } else if reflected.0 < simplex[free - 1].0 {
            reflected
        } else if reflected.0 < worst.0 {
            along(0.5)
        } else {
            along(-0.5)
        };
        if better.0 < worst.0 {
            simplex[free] = better;
        } else {
            let best = simplex[0].1;
            for entry in &mut simplex[1..] {
                let mut p = best;
                for (x, y) in p.0.iter_mut().zip(entry.1.0) {
                    *x += 0.5 * (y - *x);
                }
                *entry = (value(p), p);
            }
        }
    }
    simplex.sort_by(|a, b| a.0.total_cmp(&b.0));
    simplex[0].1.bounded()
}

/// The prior that `noise` gives on waves and regressors, for a window much shorter than the one it
/// was found on. Its covariance is widened for the samples that both share.
pub(crate) fn nuisance_prior(noise: &NoiseModel, design: &Design) -> Option<Prior> {
    prior_for(noise, &design.nuisance, design.usable())
}

/// The same for coefficients `nuisance` of a window of `usable` samples.
pub(crate) fn prior_for(
    noise: &NoiseModel,
    nuisance: &Range<usize>,
    usable: usize,
) -> Option<Prior> {
    let m = nuisance.len();
    let (inside, all) = (count(usable), count(noise.samples));
    if m == 0 || noise.nuisance_mean.len() != m || 2.0 * inside > all {
        return None;
    }
    let widened = all / (all - inside);
    let covariance: Vec<f64> = noise
        .nuisance_covariance
        .iter()
        .map(|x| x * widened)
        .collect();
    let factor = Cholesky::new(&covariance, m)?;
    if factor.rank() < m {
        return None;
    }
    Some(Prior {
        first: nuisance.start,
        mean: noise.nuisance_mean.clone(),
        precision: (0..m).flat_map(|i| factor.inverse_column(i)).collect(),
    })
}
