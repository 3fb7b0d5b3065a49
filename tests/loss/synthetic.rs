//! Seeded series with known truth, and generalised least squares that is told the true noise.

use nalgebra::{DMatrix, DVector};
use rand_chacha::ChaCha12Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

pub const DAY: f64 = 86_400.0;

#[derive(Clone)]
pub struct Dice(ChaCha12Rng, Option<f64>);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha12Rng::seed_from_u64(seed), None)
    }

    pub fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Standard normal (Box and Muller 1958).
    pub fn normal(&mut self) -> f64 {
        if let Some(kept) = self.1.take() {
            return kept;
        }
        let r = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        let (s, c) = libm::sincos(std::f64::consts::TAU * self.uniform());
        self.1 = Some(r * s);
        r * c
    }
}

/// Truth of a synthetic plant series.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    pub step_s: f64,
    pub white_kg: f64,
    pub correlated_kg: f64,
    pub time_s: f64,
    /// Amplitude of the mean daily wave, and spread of each day's amplitude about it.
    pub wave_kg: f64,
    pub wave_spread_kg: f64,
    pub rate_kg_per_day: f64,
    /// Onset (days) and size of a loss on top.
    pub leak: Option<(f64, f64)>,
}

impl Truth {
    /// A series of `n` samples.
    pub fn series(&self, n: usize, seed: u64) -> Vec<f64> {
        let mut dice = Dice::new(seed);
        let phi = libm::exp(-self.step_s / self.time_s);
        let mut ar = dice.normal() * self.correlated_kg;
        // Weather: the wave's two quadratures wander with a memory of two days.
        let rho = libm::exp(-self.step_s / (2.0 * DAY));
        let mut wander = [dice.normal(), dice.normal()].map(|x| x * self.wave_spread_kg);
        let phase = dice.uniform() * std::f64::consts::TAU;
        (0..n)
            .map(|i| {
                let t = i as f64 * self.step_s;
                let omega = std::f64::consts::TAU * t / DAY;
                let wave = self.wave_kg * libm::sin(omega + phase)
                    + wander[0] * libm::sin(omega)
                    + wander[1] * libm::cos(omega);
                let days = t / DAY;
                let leak = self
                    .leak
                    .map_or(0.0, |(at, rate)| rate * (days - at).max(0.0));
                let s = 1000.0 - self.rate_kg_per_day * days - leak
                    + ar
                    + wave
                    + self.white_kg * dice.normal();
                ar = phi * ar + self.correlated_kg * (1.0 - phi * phi).sqrt() * dice.normal();
                for w in &mut wander {
                    *w = rho * *w + self.wave_spread_kg * (1.0 - rho * rho).sqrt() * dice.normal();
                }
                s
            })
            .collect()
    }

    /// Standard error of generalised least squares told the true covariance: the covariance of a
    /// regular grid depends on the lag only, and the recursion of Levinson and Durbin whitens it.
    /// `columns` gives the design at a time in days.
    pub fn gls_std(&self, n: usize, columns: &dyn Fn(f64) -> Vec<f64>, which: usize) -> f64 {
        let covariance: Vec<f64> = (0..n)
            .map(|lag| {
                let d = lag as f64 * self.step_s;
                let white = if lag == 0 { self.white_kg.powi(2) } else { 0.0 };
                white
                    + self.correlated_kg.powi(2) * libm::exp(-d / self.time_s)
                    + self.wave_spread_kg.powi(2)
                        * libm::exp(-d / (2.0 * DAY))
                        * libm::cos(std::f64::consts::TAU * d / DAY)
            })
            .collect();
        let rows: Vec<Vec<f64>> = (0..n)
            .map(|i| columns(i as f64 * self.step_s / DAY))
            .collect();
        let k = rows[0].len();
        let mut information = DMatrix::zeros(k, k);
        let mut variance = covariance[0];
        let mut predictor: Vec<f64> = Vec::new();
        for t in 0..n {
            let mut innovation = DVector::from_column_slice(&rows[t]);
            for (j, p) in predictor.iter().enumerate() {
                for (x, y) in innovation.iter_mut().zip(&rows[t - 1 - j]) {
                    *x -= p * y;
                }
            }
            information += &innovation * innovation.transpose() / variance;
            if t + 1 < n {
                let mut partial = covariance[t + 1];
                for (j, p) in predictor.iter().enumerate() {
                    partial -= p * covariance[t - j];
                }
                partial /= variance;
                let old = predictor.clone();
                for (p, q) in predictor.iter_mut().zip(old.iter().rev()) {
                    *p -= partial * q;
                }
                predictor.push(partial);
                variance *= 1.0 - partial * partial;
            }
        }
        let mut unit = DVector::zeros(k);
        unit[which] = 1.0;
        information.cholesky().unwrap().solve(&unit)[which].sqrt()
    }
}

/// Level, falling rate, daily wave.
pub fn constant_rate(days: f64) -> Vec<f64> {
    let w = std::f64::consts::TAU * days;
    vec![
        1.0,
        -days,
        libm::sin(w),
        libm::cos(w),
        libm::sin(2.0 * w),
        libm::cos(2.0 * w),
    ]
}
