//! Turns correlated noise into independent noise, sample by sample.
//!
//! Model of the noise of an inventory series, sampled every `step_s`:
//!
//! ```text
//! noise_t = white_t + correlated_t + wave24_t + wave12_t
//! white        independent, standard deviation w
//! correlated   first-order autoregressive, standard deviation c, correlation time tau
//! wave24       a daily wave whose two quadratures wander about zero with standard deviation s and
//!              the memory of weather (two days)
//! wave12       the same with half the period and a fixed fraction of s
//! ```
//!
//! A Kalman filter of that model gives innovations; divided by their standard deviation they are
//! independent with unit variance. The filter is linear, so the same recursion whitens the columns
//! of a design matrix, and least squares on whitened columns is generalised least squares in a time
//! proportional to the number of samples. A missing sample is a prediction without correction.
//! The gain is held once it has settled (change below 1e-11 of the variance), until a sample misses.
//!
//! The mean daily wave is no part of this: it is a pair of columns (see `series`).
//!
//! **Source** Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989, 2.3
//! (cycles), 3.4 (generalised least squares through the filter).

#![expect(
    clippy::indexing_slicing,
    reason = "indices run over arrays of fixed length, or over lengths set by the constructor"
)]

use serde::{Deserialize, Serialize};

/// Number of states: correlated noise, two quadratures of 24 h, two of 12 h.
pub(crate) const STATES: usize = 5;
/// Correlation time of the day-to-day change of the daily wave, s (weather; common practice, no
/// source).
pub const WAVE_MEMORY_S: f64 = 2.0 * 86_400.0;
/// Standard deviation of the 12 h part over that of the 24 h part (common practice, no source).
pub const HALF_DAY_SHARE: f64 = 0.35;
/// One day, s.
pub(crate) const DAY_S: f64 = 86_400.0;

/// Sizes of the noise of a series.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseParameters {
    /// Standard deviation of the part that is independent from sample to sample, kg.
    pub white_std_kg: f64,
    /// Standard deviation of the correlated part, kg.
    pub correlated_std_kg: f64,
    /// Time over which the correlated part forgets, s.
    pub correlation_time_s: f64,
    /// Standard deviation of each quadrature of the daily wave about its mean wave, kg.
    pub wave_std_kg: f64,
}

/// What one step of time does to the states.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Transition {
    phi: f64,
    rotate: [(f64, f64); 2],
    pub(crate) initial: [f64; STATES],
    pub(crate) added: [f64; STATES],
    pub(crate) white_variance: f64,
    /// 1 or 5: states that are really there.
    pub(crate) states: usize,
}

/// States that a sample shows: their sum is its correlated part.
pub(crate) const SHOWN: [f64; STATES] = [1.0, 1.0, 0.0, 1.0, 0.0];

impl Transition {
    pub(crate) fn new(noise: &NoiseParameters, step_s: f64) -> Self {
        let phi = libm::exp(-step_s / noise.correlation_time_s);
        let rho = libm::exp(-step_s / WAVE_MEMORY_S);
        let turn = std::f64::consts::TAU * step_s / DAY_S;
        let c2 = noise.correlated_std_kg * noise.correlated_std_kg;
        let w2 = noise.wave_std_kg * noise.wave_std_kg;
        let h2 = w2 * HALF_DAY_SHARE * HALF_DAY_SHARE;
        // expm1 keeps the digits of 1 - phi^2 when the step is short against the memory.
        let lost = |time: f64| -libm::expm1(-2.0 * step_s / time);
        let (a, b) = (lost(noise.correlation_time_s), lost(WAVE_MEMORY_S));
        Self {
            phi,
            rotate: [
                (rho * libm::cos(turn), rho * libm::sin(turn)),
                (rho * libm::cos(2.0 * turn), rho * libm::sin(2.0 * turn)),
            ],
            initial: [c2, w2, w2, h2, h2],
            added: [a * c2, b * w2, b * w2, b * h2, b * h2],
            white_variance: noise.white_std_kg * noise.white_std_kg,
            states: if w2 > 0.0 { STATES } else { 1 },
        }
    }

    pub(crate) fn advance(&self, u: &mut [f64; STATES]) {
        u[0] *= self.phi;
        for (m, (c, s)) in self.rotate.iter().enumerate() {
            let (x, y) = (u[1 + 2 * m], u[2 + 2 * m]);
            u[1 + 2 * m] = c * x + s * y;
            u[2 + 2 * m] = c * y - s * x;
        }
    }

    /// Transposed of `advance`.
    fn retreat(&self, u: &mut [f64; STATES]) {
        u[0] *= self.phi;
        for (m, (c, s)) in self.rotate.iter().enumerate() {
            let (x, y) = (u[1 + 2 * m], u[2 + 2 * m]);
            u[1 + 2 * m] = c * x - s * y;
            u[2 + 2 * m] = c * y + s * x;
        }
    }
}

/// How one sample corrects the states, and the spread of its innovation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Gain {
    gain: [f64; STATES],
    pub(crate) inverse_std: f64,
}

/// The covariance side of the filter: the same for every column.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Whitener {
    pub(crate) transition: Transition,
    covariance: [[f64; STATES]; STATES],
    held: Option<Gain>,
}

impl Whitener {
    pub(crate) fn new(noise: &NoiseParameters, step_s: f64) -> Self {
        let transition = Transition::new(noise, step_s);
        let mut covariance = [[0.0; STATES]; STATES];
        for (i, row) in covariance.iter_mut().enumerate() {
            row[i] = transition.initial[i];
        }
        Self {
            transition,
            covariance,
            held: None,
        }
    }

    /// The gain for a sample that is there; time then moves one step on.
    pub(crate) fn observe(&mut self) -> Gain {
        if let Some(held) = self.held {
            return held;
        }
        let p = &self.covariance;
        let mut gain = [0.0; STATES];
        for (g, row) in gain.iter_mut().zip(p) {
            *g = row[0] + row[1] + row[3];
        }
        let variance = gain[0] + gain[1] + gain[3] + self.transition.white_variance;
        // Without any noise at all the innovation has no spread; unit variance keeps it finite.
        let variance = if variance > 0.0 { variance } else { 1.0 };
        let mut updated = *p;
        for (i, row) in updated.iter_mut().enumerate() {
            for (j, x) in row.iter_mut().enumerate() {
                *x -= gain[i] * gain[j] / variance;
            }
        }
        for g in &mut gain {
            *g /= variance;
        }
        let found = Gain {
            gain,
            inverse_std: 1.0 / libm::sqrt(variance),
        };
        let before = self.covariance;
        self.predict(updated);
        let change = before
            .iter()
            .flatten()
            .zip(self.covariance.iter().flatten())
            .fold(0.0_f64, |m, (a, b)| m.max((a - b).abs()));
        if change <= 1e-11 * variance {
            self.held = Some(found);
        }
        found
    }

    /// Inverse standard deviation of the next innovation.
    pub(crate) fn inverse_std(&self) -> f64 {
        if let Some(held) = self.held {
            return held.inverse_std;
        }
        let p = &self.covariance;
        let observed = |row: &[f64; STATES]| row[0] + row[1] + row[3];
        let variance =
            observed(&p[0]) + observed(&p[1]) + observed(&p[3]) + self.transition.white_variance;
        if variance > 0.0 {
            1.0 / libm::sqrt(variance)
        } else {
            1.0
        }
    }

    /// Goes on with another noise.
    pub(crate) fn retune(&mut self, noise: &NoiseParameters, step_s: f64) {
        self.transition = Transition::new(noise, step_s);
        self.held = None;
    }

    /// Time moves one step on without a sample.
    pub(crate) fn skip(&mut self) {
        self.held = None;
        self.predict(self.covariance);
    }

    fn predict(&mut self, mut p: [[f64; STATES]; STATES]) {
        for row in &mut p {
            self.transition.advance(row);
        }
        for j in 0..STATES {
            let mut column = [p[0][j], p[1][j], p[2][j], p[3][j], p[4][j]];
            self.transition.advance(&mut column);
            for (row, x) in p.iter_mut().zip(column) {
                row[j] = x;
            }
        }
        for (i, row) in p.iter_mut().enumerate() {
            row[i] += self.transition.added[i];
        }
        self.covariance = p;
    }
}

/// The state side of the filter for a number of columns at once.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Columns {
    state: [Vec<f64>; STATES],
}

impl Columns {
    pub(crate) fn new(count: usize) -> Self {
        Self {
            state: std::array::from_fn(|_| vec![0.0; count]),
        }
    }

    /// Whitens one row of samples into `out`; columns beyond the shorter of the two are left alone.
    pub(crate) fn observe(&mut self, t: &Transition, g: &Gain, row: &[f64], out: &mut [f64]) {
        let [a, b, c, d, e] = &mut self.state;
        if t.states == 1 {
            for ((x, y), a) in row.iter().zip(out).zip(a.iter_mut()) {
                let innovation = x - *a;
                *y = innovation * g.inverse_std;
                *a = t.phi * (*a + g.gain[0] * innovation);
            }
            return;
        }
        let [(c1, s1), (c2, s2)] = t.rotate;
        for ((((((x, y), a), b), c), d), e) in row
            .iter()
            .zip(out)
            .zip(a.iter_mut())
            .zip(b.iter_mut())
            .zip(c.iter_mut())
            .zip(d.iter_mut())
            .zip(e.iter_mut())
        {
            let innovation = x - (*a + *b + *d);
            *y = innovation * g.inverse_std;
            let ub = *b + g.gain[1] * innovation;
            let uc = *c + g.gain[2] * innovation;
            let ud = *d + g.gain[3] * innovation;
            let ue = *e + g.gain[4] * innovation;
            *a = t.phi * (*a + g.gain[0] * innovation);
            *b = c1 * ub + s1 * uc;
            *c = c1 * uc - s1 * ub;
            *d = c2 * ud + s2 * ue;
            *e = c2 * ue - s2 * ud;
        }
    }

    /// Moves the first `count` columns one step on without a sample.
    pub(crate) fn skip(&mut self, t: &Transition, count: usize) {
        for j in 0..count.min(self.state[0].len()) {
            let mut u = std::array::from_fn(|i| self.state[i][j]);
            t.advance(&mut u);
            for (s, x) in self.state.iter_mut().zip(u) {
                s[j] = x;
            }
        }
    }

    /// Empties column `j`, as if it had been zero for ever.
    pub(crate) fn clear(&mut self, j: usize) {
        for s in &mut self.state {
            if let Some(x) = s.get_mut(j) {
                *x = 0.0;
            }
        }
    }

    /// Adds `factor` times column `from` to column `to`.
    pub(crate) fn add(&mut self, to: usize, from: usize, factor: f64) {
        for s in &mut self.state {
            let x = s.get(from).copied().unwrap_or(0.0);
            if let Some(y) = s.get_mut(to) {
                *y += factor * x;
            }
        }
    }

    /// What a sample `x` of column `j` would differ by from its prediction.
    pub(crate) fn innovation(&self, j: usize, x: f64) -> f64 {
        let [a, b, _, d, _] = &self.state;
        let at = |s: &[f64]| s.get(j).copied().unwrap_or(0.0);
        x - (at(a) + at(b) + at(d))
    }
}

/// Whitened values back through the transposed filter: with `whitened = L^-1 x` this is
/// `L^-T whitened`, so that a product with any series is a product in the inverse covariance.
/// `gains` has one entry per sample of the grid (`None` where the sample misses), `whitened` too.
pub(crate) fn transposed(t: &Transition, gains: &[Option<Gain>], whitened: &[f64]) -> Vec<f64> {
    let mut state = [0.0; STATES];
    let mut out = vec![0.0; gains.len()];
    for ((gain, v), out) in gains.iter().zip(whitened).zip(&mut out).rev() {
        t.retreat(&mut state);
        if let Some(g) = gain {
            let mut e = v * g.inverse_std;
            for (k, s) in g.gain.iter().zip(&state) {
                e += k * s;
            }
            state[0] -= e;
            state[1] -= e;
            state[3] -= e;
            *out = e;
        }
    }
    out
}

/// Quadratic form of `weights` in the correlation `exp(-|i-j| step / memory) cos(omega |i-j| step)`.
pub(crate) fn correlation_form(weights: &[f64], step_s: f64, memory_s: f64, omega: f64) -> f64 {
    let rho = libm::exp(-step_s / memory_s);
    let (c, s) = (
        rho * libm::cos(omega * step_s),
        rho * libm::sin(omega * step_s),
    );
    let (mut re, mut im, mut sum) = (0.0, 0.0, 0.0);
    for w in weights {
        sum += w * (w + 2.0 * re);
        let (x, y) = (re + w, im);
        re = c * x - s * y;
        im = c * y + s * x;
    }
    sum
}
