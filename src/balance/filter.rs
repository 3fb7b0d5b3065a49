//! The loss rate as it is known at each sample: a state-space filter.
//!
//! ```text
//! states   correlated noise, wandering daily wave (two quadratures of 24 h, two of 12 h),
//!          level, mean daily wave (four), one coefficient per regressor, loss rate
//! step     the noise forgets and turns as in `whiten`; level falls by the rate;
//!          the rate may wander; all else stays
//! sample   level + mean wave + regressors + noise states + white noise
//! ```
//!
//! What is known is kept as a square root of the information: `R x = z` with errors of unit
//! variance, R triangular. Nothing known of a state is a row of zeros, so that a start without any
//! knowledge needs no large number in place of infinity, and no rounding can make a variance
//! negative. With a rate that does not wander the answer after any number of samples is that of
//! generalised least squares over them ([`leak::estimate`](super::leak::estimate)).
//!
//! A missing sample is a step without a sample. A lone sample far from what is expected is a spike
//! and left out. A restatement, a booking of uncertain mass, an unbooked jump is a jump of the level
//! ([`LossFilter::jump`]) by something known, roughly known or unknown.
//!
//! Work per step is bounded: n states, m of them noisy, m n squared operations (n at most 8 without
//! regressors and wandering wave, 13 with two regressors and both).
//!
//! **Source** Bierman, Factorization Methods for Discrete Sequential Estimation, 1977, chapters V
//! and VI (square-root information filter); Kaminski, Bryson and Schmidt 1971.

#![expect(
    clippy::indexing_slicing,
    reason = "layouts are fixed by the constructor and kept by every method"
)]

use serde::{Deserialize, Serialize};

use super::least_squares::{LONGEST_SPIKE, SPIKE};
use super::linear::Cholesky;
use super::noise::{NoiseModel, prior_for};
use super::series::{LossError, check_numbers, from_first, wave_row};
use super::whiten::{DAY_S, SHOWN, STATES, Transition};

/// What the filter may assume.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct FilterSettings {
    /// By how much (one standard deviation) the loss rate may change in a day, kg/s; 0 for a rate
    /// that stays, which is then known ever better.
    pub rate_change_a_day_kg_per_s: f64,
    /// Number of samples that the filter is to see, when that is less than half of those that the
    /// noise was found from: it then starts from the wave and the regressors as they are known, as
    /// an estimate over such a window does. None to start from nothing.
    pub window_samples: Option<usize>,
}

/// What the filter knows after a sample.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FilterState {
    /// Loss rate, kg/s; positive when helium is lost.
    pub rate_kg_per_s: f64,
    /// Its standard uncertainty, kg/s.
    pub std_uncertainty_kg_per_s: f64,
    /// Book-corrected mass without noise and wave, kg.
    pub level_kg: f64,
    /// Its standard uncertainty, kg.
    pub level_std_kg: f64,
    /// Correlated noise at this moment, kg.
    pub correlated_kg: f64,
    /// Daily wave (mean and wandering) at this moment, kg.
    pub wave_kg: f64,
}

/// The streaming estimator; its whole state can be stored and restored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossFilter {
    noise: NoiseModel,
    transition: Transition,
    rate_change_kg_per_day: f64,
    regressors: usize,
    /// The first sample's regressors: they are counted from there.
    regressor_reference: Option<Vec<f64>>,
    origin_s: f64,
    reference_kg: Option<f64>,
    /// Grid index of the next sample.
    next: u64,
    root: Root,
    /// Mean wave of the last sample's time, to show it.
    shown_wave: Vec<f64>,
    spike_run: usize,
    spikes: u64,
    /// Sum of squares of the normalised innovations.
    chi_square: f64,
    samples: u64,
}

impl LossFilter {
    /// A filter that knows the plant's noise. `origin_s` is the time of its first sample; the grid
    /// is that of the noise.
    ///
    /// # Errors
    /// [`LossError`] for a setting outside its range or too many regressors.
    pub fn new(
        settings: FilterSettings,
        noise: NoiseModel,
        regressors: usize,
        origin_s: f64,
    ) -> Result<Self, LossError> {
        let change = settings.rate_change_a_day_kg_per_s;
        check_numbers(&[("change of the loss rate in kg/s", change, change >= 0.0)])?;
        noise.check_stream(origin_s, regressors)?;
        let transition = transition(&noise);
        let waves = noise.waves();
        let states = transition.states + 2 + waves + regressors;
        let mut root = Root::new(states);
        for (i, variance) in transition
            .initial
            .iter()
            .enumerate()
            .take(transition.states)
        {
            let mut row = vec![0.0; states + 1];
            row[i] = 1.0 / libm::sqrt(*variance);
            root.add(row);
        }
        let nuisance = transition.states + 1..states - 1;
        if let Some(prior) = settings
            .window_samples
            .and_then(|n| prior_for(&noise, &nuisance, n))
        {
            root.add_precision(prior.first, &prior.mean, &prior.precision);
        }
        Ok(Self {
            noise,
            transition,
            rate_change_kg_per_day: change * DAY_S,
            regressors,
            regressor_reference: None,
            origin_s,
            reference_kg: None,
            next: 0,
            root,
            shown_wave: Vec::new(),
            spike_run: 0,
            spikes: 0,
            chi_square: 0.0,
            samples: 0,
        })
    }

    /// With what is known of the regressors' coefficients beforehand: a standard uncertainty around
    /// zero each, infinite where nothing is known.
    #[must_use]
    pub fn with_regressor_stds(mut self, stds: &[f64]) -> Self {
        let first = self.root.states - 1 - self.regressors;
        for (at, std) in (first..self.root.states - 1).zip(stds) {
            if std.is_finite() {
                let mut row = vec![0.0; self.root.states + 1];
                row[at] = 1.0 / std;
                self.root.add(row);
            }
        }
        self
    }

    /// Takes a newly found noise into use; what is known of all states stays.
    ///
    /// # Errors
    /// [`LossError::OtherGrid`] when it was found on another grid or has another wave.
    pub fn set_noise(&mut self, noise: NoiseModel) -> Result<(), LossError> {
        noise.check_grid(self.noise.step_s)?;
        let new = transition(&noise);
        if noise.daily_wave != self.noise.daily_wave || new.states != self.transition.states {
            return Err(LossError::OtherGrid {
                noise_s: noise.step_s,
                series_s: self.noise.step_s,
            });
        }
        self.transition = new;
        self.noise = noise;
        Ok(())
    }

    /// The level jumped at this point of the grid, after the last sample: by `mean_kg` with the
    /// standard uncertainty `std_kg`, or by something unknown (None).
    pub fn jump(&mut self, mean_kg: f64, std_kg: Option<f64>) {
        let level = self.level();
        match std_kg.map(|std| std.max(1e-9)) {
            Some(std) if std.is_finite() && mean_kg.is_finite() => self.root.advance(
                &[Noisy {
                    state: level,
                    from: vec![(0, 1.0)],
                    std,
                    shift: mean_kg,
                }],
                &[],
            ),
            _ => self.root.forget(level),
        }
    }

    /// Takes the sample of `time_s`; grid points in between count as missing. Gives what is known
    /// then, None while the rate is not yet known or when the time cannot be used.
    ///
    /// `mass_kg` is the book-corrected mass as in [`LossSeries`](super::series::LossSeries), NaN
    /// when there is none.
    pub fn feed(&mut self, time_s: f64, mass_kg: f64, regressors: &[f64]) -> Option<FilterState> {
        /// Longest gap that is stepped through.
        const LONGEST_GAP_S: f64 = 60.0 * DAY_S;
        let position = libm::round((time_s - self.origin_s) / self.noise.step_s);
        if !(0.0..9e15).contains(&position) {
            return None;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "within 0..9e15"
        )]
        let index = position as u64;
        let gap = index.checked_sub(self.next)?;
        #[expect(clippy::cast_precision_loss, reason = "a count of grid steps")]
        if gap as f64 * self.noise.step_s > LONGEST_GAP_S {
            // What was known of the level says nothing any more.
            self.root.forget(self.level());
            self.next = index;
        }
        while self.next < index {
            self.step();
        }
        let since_start_s = position * self.noise.step_s;
        self.shown_wave = if self.noise.daily_wave {
            wave_row(self.origin_s + since_start_s).to_vec()
        } else {
            Vec::new()
        };
        let usable = mass_kg.is_finite()
            && regressors.len() == self.regressors
            && regressors.iter().all(|r| r.is_finite());
        if usable {
            self.observe(mass_kg, regressors);
        }
        let state = self.state();
        self.step();
        state
    }

    /// Samples left out as spikes so far.
    #[must_use]
    pub fn spikes(&self) -> u64 {
        self.spikes
    }

    /// Mean square of the normalised innovations: near 1 when the noise fits. None without samples.
    #[must_use]
    pub fn reduced_chi_square(&self) -> Option<f64> {
        #[expect(clippy::cast_precision_loss, reason = "a count of samples")]
        let free = self
            .samples
            .saturating_sub(2 + self.shown_wave.len() as u64) as f64;
        (free > 0.0).then(|| self.chi_square / free)
    }

    fn level(&self) -> usize {
        self.transition.states
    }

    fn observe(&mut self, mass_kg: f64, regressors: &[f64]) {
        let reference = *self.reference_kg.get_or_insert(mass_kg);
        let mut row = Vec::with_capacity(self.root.states + 1);
        row.extend_from_slice(&SHOWN[..self.transition.states]);
        row.push(1.0);
        row.extend_from_slice(&self.shown_wave);
        row.extend(from_first(&mut self.regressor_reference, regressors));
        row.push(0.0);
        row.push(mass_kg - reference);
        let white = self.transition.white_variance;
        if let Some((expected, variance)) = self.root.predict(&row[..self.root.states]) {
            let off = row[self.root.states] - expected;
            if off.abs() > SPIKE * libm::sqrt(variance + white) {
                if self.spike_run < LONGEST_SPIKE {
                    self.spike_run += 1;
                    self.spikes += 1;
                    return;
                }
            } else {
                self.spike_run = 0;
            }
        }
        let scale = 1.0 / libm::sqrt(white);
        for x in &mut row {
            *x *= scale;
        }
        let left = self.root.add(row);
        self.chi_square += left * left;
        self.samples += 1;
    }

    /// Time moves one step on.
    fn step(&mut self) {
        let t = &self.transition;
        let days = self.noise.step_s / DAY_S;
        let rate = self.root.states - 1;
        let mut noisy: Vec<Noisy> = (0..t.states)
            .map(|state| Noisy {
                state,
                from: Vec::new(),
                std: libm::sqrt(t.added[state]),
                shift: 0.0,
            })
            .collect();
        for old in 0..t.states {
            let mut unit = [0.0; STATES];
            unit[old] = 1.0;
            t.advance(&mut unit);
            for (noisy, share) in noisy.iter_mut().zip(unit) {
                if share != 0.0 {
                    noisy.from.push((old, share));
                }
            }
        }
        if self.rate_change_kg_per_day > 0.0 {
            noisy.push(Noisy {
                state: rate,
                from: vec![(noisy.len(), 1.0)],
                std: self.rate_change_kg_per_day * libm::sqrt(days),
                shift: 0.0,
            });
        }
        // The level before is the level now plus what was lost since.
        let level = self.level();
        self.root.advance(&noisy, &[(rate, level, days)]);
        self.next += 1;
    }

    fn state(&self) -> Option<FilterState> {
        let x = self.root.solve()?;
        let rate = self.root.states - 1;
        let level = self.level();
        let wandering = x[..level].iter().zip(SHOWN).skip(1).map(|(x, h)| x * h);
        let wandering: f64 = wandering.sum();
        let mean: f64 = self
            .shown_wave
            .iter()
            .zip(&x[level + 1..])
            .map(|(h, x)| h * x)
            .sum();
        Some(FilterState {
            rate_kg_per_s: x[rate] / DAY_S,
            std_uncertainty_kg_per_s: self.root.std(rate)? / DAY_S,
            level_kg: x[level] + self.reference_kg?,
            level_std_kg: self.root.std(level)?,
            correlated_kg: x[0],
            wave_kg: mean + wandering,
        })
    }
}

/// The noise's states; sizes of nothing are kept from dividing by it.
fn transition(noise: &NoiseModel) -> Transition {
    /// Share of the whole that counts as nothing.
    const NOTHING: f64 = 1e-12;
    let mut parameters = noise.parameters;
    let all = parameters.white_std_kg + parameters.correlated_std_kg;
    let least = libm::sqrt(NOTHING) * all;
    parameters.white_std_kg = parameters.white_std_kg.max(least);
    parameters.correlated_std_kg = parameters.correlated_std_kg.max(least);
    Transition::new(&parameters, noise.step_s)
}

/// How a state arises: from those before by `from` (place among the noisy states, share), a shift
/// and noise.
struct Noisy {
    state: usize,
    from: Vec<(usize, f64)>,
    std: f64,
    shift: f64,
}

/// `R x = z`, rows of unit variance, R upper triangular: row by row, z last in each.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Root {
    states: usize,
    rows: Vec<f64>,
}

impl Root {
    fn new(states: usize) -> Self {
        Self {
            states,
            rows: vec![0.0; states * (states + 1)],
        }
    }

    /// Adds a row of information; gives what of its right side no state explains.
    fn add(&mut self, mut row: Vec<f64>) -> f64 {
        let width = self.states + 1;
        for (i, own) in self.rows.chunks_exact_mut(width).enumerate() {
            rotate(&mut own[i..], &mut row[i..]);
        }
        row.last().copied().unwrap_or(0.0)
    }

    /// Adds what is known of states `first ..`: their mean, and the inverse of their covariance.
    fn add_precision(&mut self, first: usize, mean: &[f64], precision: &[f64]) {
        let m = mean.len();
        let Some(factor) = Cholesky::new(precision, m) else {
            return;
        };
        // The precision is L L', so the rows of L' say the same.
        for j in 0..m {
            let column = factor.lower_column(j);
            let mut row = vec![0.0; self.states + 1];
            row[first..first + m].copy_from_slice(&column);
            row[self.states] = column.iter().zip(mean).map(|(l, m)| l * m).sum();
            self.add(row);
        }
    }

    /// Time moves on: `noisy` states arise anew, those of `carried` (to, from, factor) enter others
    /// in going back, all else stays.
    fn advance(&mut self, noisy: &[Noisy], carried: &[(usize, usize, f64)]) {
        let (n, m) = (self.states, noisy.len());
        let width = n + 1;
        // Columns: the noisy states as they were, then all states as they are.
        let place = |state: usize| noisy.iter().position(|x| x.state == state);
        let mut wide = Root::new(m + n);
        for old in self.rows.chunks_exact(width) {
            let mut old = old.to_vec();
            for (to, from, factor) in carried {
                old[*to] += factor * old[*from];
            }
            let mut row = vec![0.0; m + width];
            for (state, x) in old.iter().enumerate() {
                row[place(state).unwrap_or(m + state)] = *x;
            }
            if row.iter().any(|x| *x != 0.0) {
                wide.add(row);
            }
        }
        for new in noisy {
            let mut row = vec![0.0; m + width];
            for (old, share) in &new.from {
                row[*old] = -share / new.std;
            }
            row[m + new.state] = 1.0 / new.std;
            row[m + n] = new.shift / new.std;
            wide.add(row);
        }
        for (own, wide) in self
            .rows
            .chunks_exact_mut(width)
            .zip(wide.rows.chunks_exact(m + width).skip(m))
        {
            own.copy_from_slice(&wide[m..]);
        }
    }

    /// Nothing is known of a state any more.
    fn forget(&mut self, state: usize) {
        let width = self.states + 1;
        let mut wide = Root::new(1 + self.states);
        for old in self.rows.chunks_exact(width) {
            let mut row = vec![0.0; 1 + width];
            row[1..].copy_from_slice(old);
            row[0] = std::mem::take(&mut row[1 + state]);
            wide.add(row);
        }
        for (own, wide) in self
            .rows
            .chunks_exact_mut(width)
            .zip(wide.rows.chunks_exact(1 + width).skip(1))
        {
            own.copy_from_slice(&wide[1..]);
        }
    }

    /// The states; None while one is unknown.
    fn solve(&self) -> Option<Vec<f64>> {
        let (n, width) = (self.states, self.states + 1);
        let mut x = vec![0.0; n];
        for i in (0..n).rev() {
            let row = &self.rows[i * width..(i + 1) * width];
            let known: f64 = row[i + 1..n]
                .iter()
                .zip(&x[i + 1..])
                .map(|(r, x)| r * x)
                .sum();
            x[i] = (row[n] - known) / self.pivot(i)?;
        }
        Some(x)
    }

    /// A pivot, unless it is nothing but rounding.
    fn pivot(&self, i: usize) -> Option<f64> {
        const ROUNDING: f64 = 1e-9;
        let row = &self.rows[i * (self.states + 1)..][..self.states];
        let largest = row.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
        let pivot = row[i];
        (pivot.abs() > ROUNDING * largest && pivot != 0.0).then_some(pivot)
    }

    /// Half of a variance: `u` with `R' u = h`.
    fn forward(&self, h: &[f64]) -> Option<Vec<f64>> {
        let (n, width) = (self.states, self.states + 1);
        let mut u: Vec<f64> = h.to_vec();
        for i in 0..n {
            u[i] /= self.pivot(i)?;
            let own = u[i];
            let row = &self.rows[i * width..][..n];
            for (x, r) in u[i + 1..].iter_mut().zip(&row[i + 1..]) {
                *x -= r * own;
            }
        }
        Some(u)
    }

    /// Expected value and variance of `h x`; None while it is unknown.
    fn predict(&self, h: &[f64]) -> Option<(f64, f64)> {
        let u = self.forward(h)?;
        let width = self.states + 1;
        let right = self.rows.chunks_exact(width).map(|row| row[self.states]);
        let expected = u.iter().zip(right).map(|(u, z)| u * z).sum();
        Some((expected, u.iter().map(|u| u * u).sum()))
    }

    /// Standard deviation of a state.
    fn std(&self, state: usize) -> Option<f64> {
        let mut unit = vec![0.0; self.states];
        unit[state] = 1.0;
        let u = self.forward(&unit)?;
        Some(libm::sqrt(u.iter().map(|u| u * u).sum()))
    }
}

/// Givens rotation that makes the first element of `row` zero.
fn rotate(own: &mut [f64], row: &mut [f64]) {
    let (a, b) = (own[0], row[0]);
    if b == 0.0 {
        return;
    }
    let r = libm::hypot(a, b);
    let (c, s) = (a / r, b / r);
    for (x, y) in own.iter_mut().zip(row.iter_mut()) {
        let (p, q) = (*x, *y);
        *x = c * p + s * q;
        *y = c * q - s * p;
    }
    row[0] = 0.0;
}
