//! Generalised least squares: a design seen through the whitening filter of its noise, and solved.
//!
//! **Source** Aitken 1936; the filter as in [`whiten`](super::whiten).

#![expect(
    clippy::indexing_slicing,
    reason = "indices run over lengths set by the design"
)]

use super::linear::{Cholesky, dot};
use super::series::Design;
use super::whiten::{Columns, Gain, NoiseParameters, Whitener};

/// Whitened residual beyond which a lone sample is a spike and set aside.
pub(crate) const SPIKE: f64 = 4.5;
/// Longest run of such samples that is still taken for spikes, not for the plant.
pub(crate) const LONGEST_SPIKE: usize = 3;

/// The design seen through the whitening filter.
pub(crate) struct Whitened {
    pub(crate) columns: usize,
    /// Products of the whitened columns and S, `(columns + 1)` squared, upper triangle.
    products: Vec<f64>,
    /// Sum of the logarithms of the innovation variances.
    pub(crate) log_determinant: f64,
    pub(crate) used: usize,
    /// Whitened rows of the grid, zero where a sample misses; empty unless kept.
    pub(crate) rows: Vec<f64>,
    pub(crate) gains: Vec<Option<Gain>>,
    pub(crate) filter: Whitener,
}

/// A least-squares solution.
pub(crate) struct Solved {
    pub(crate) factor: Cholesky,
    pub(crate) coefficients: Vec<f64>,
    /// Sum of squares of the whitened residuals (with a prior: and of the prior's).
    pub(crate) sum_of_squares: f64,
}

/// What is known beforehand of coefficients `first ..`.
pub(crate) struct Prior {
    pub(crate) first: usize,
    pub(crate) mean: Vec<f64>,
    /// Inverse covariance, row by row.
    pub(crate) precision: Vec<f64>,
}

impl Whitened {
    pub(crate) fn new(design: &Design, noise: &NoiseParameters, keep: bool) -> Self {
        let width = design.columns + 1;
        let mut filter = Whitener::new(noise, design.step_s);
        let mut state = Columns::new(width);
        let mut products = vec![0.0; width * width];
        let mut row = vec![0.0; width];
        let mut rows = Vec::new();
        let mut gains = Vec::new();
        if keep {
            rows.reserve(design.rows.len());
            gains.reserve(design.present.len());
        }
        let (mut log_determinant, mut used) = (0.0, 0);
        // Logarithms only where the spread changes: most gains are held.
        let (mut last, mut last_log) = (1.0, 0.0);
        for (x, present) in design.rows.chunks_exact(width).zip(&design.present) {
            if *present {
                let gain = filter.observe();
                state.observe(&filter.transition, &gain, x, &mut row);
                for (i, products) in products.chunks_exact_mut(width).enumerate() {
                    let left = row[i];
                    for (p, right) in products[i..].iter_mut().zip(&row[i..]) {
                        *p += left * right;
                    }
                }
                if gain.inverse_std != last {
                    last = gain.inverse_std;
                    last_log = -2.0 * libm::log(last);
                }
                log_determinant += last_log;
                used += 1;
                if keep {
                    rows.extend_from_slice(&row);
                    gains.push(Some(gain));
                }
            } else {
                filter.skip();
                state.skip(&filter.transition, width);
                if keep {
                    rows.resize(rows.len() + width, 0.0);
                    gains.push(None);
                }
            }
        }
        Self {
            columns: design.columns,
            products,
            log_determinant,
            used,
            rows,
            gains,
            filter,
        }
    }

    pub(crate) fn solve(&self, priors: &[Prior]) -> Solved {
        let (k, width) = (self.columns, self.columns + 1);
        let mut matrix = vec![0.0; k * k];
        let mut right = vec![0.0; k];
        for i in 0..k {
            for j in 0..=i {
                matrix[i * k + j] = self.products[j * width + i];
            }
            right[i] = self.products[i * width + k];
        }
        let mut constant = self.products[k * width + k];
        for p in priors {
            let m = p.mean.len();
            for i in 0..m {
                for j in 0..m {
                    let w = p.precision[i * m + j];
                    if j <= i {
                        matrix[(p.first + i) * k + p.first + j] += w;
                    }
                    right[p.first + i] += w * p.mean[j];
                    constant += p.mean[i] * w * p.mean[j];
                }
            }
        }
        // Sums over at most 4,320 samples of finite numbers; should one overflow, every column
        // counts as aliased and the caller says that the rate cannot be told.
        let factor = Cholesky::new(&matrix, k).unwrap_or_else(|| Cholesky::blank(k));
        let half = factor.forward(&right);
        let coefficients = factor.solve(&right);
        Solved {
            factor,
            coefficients,
            sum_of_squares: (constant - dot(&half, &half)).max(0.0),
        }
    }

    /// Whitened residuals on the grid, zero where a sample misses; needs kept rows.
    pub(crate) fn residuals(&self, coefficients: &[f64]) -> Vec<f64> {
        self.rows
            .chunks_exact(self.columns + 1)
            .map(|row| row[self.columns] - dot(coefficients, row))
            .collect()
    }
}

/// Samples that are spikes: far out, far from their neighbours too (a loss that is not in the model
/// moves all of them), and in short runs.
pub(crate) fn spikes_in(whitened: &Whitened, solved: &Solved) -> Vec<usize> {
    const NEIGHBOURS: usize = 6;
    let residuals = whitened.residuals(&solved.coefficients);
    let apart = |i: usize, r: f64| {
        let there = |j: &usize| whitened.gains[*j].is_some();
        let before = (0..i).rev().filter(there).take(NEIGHBOURS);
        let after = (i + 1..residuals.len()).filter(there).take(NEIGHBOURS);
        let mut near: Vec<f64> = before.chain(after).map(|j| residuals[j]).collect();
        near.sort_by(f64::total_cmp);
        near.get(near.len() / 2)
            .is_some_and(|median| (r - median).abs() > SPIKE)
    };
    let mut found = Vec::new();
    let mut run = Vec::new();
    for (i, r) in residuals.iter().enumerate() {
        if r.abs() > SPIKE && apart(i, *r) {
            run.push(i);
        } else {
            if run.len() <= LONGEST_SPIKE {
                found.append(&mut run);
            }
            run.clear();
        }
    }
    if run.len() <= LONGEST_SPIKE {
        found.append(&mut run);
    }
    found
}

#[expect(clippy::cast_precision_loss, reason = "a count of samples")]
pub(crate) fn count(n: usize) -> f64 {
    n as f64
}
