//! Generalised least squares told the true noise: what the estimator is measured by.
//!
//! Independent of the code under test: the noise is an autocovariance, taken from many plants whose
//! truth is known, and the whitening is Durbin's recursion on it.

/// The autocovariance of many series of one length, to `lags` steps, after what the columns of
/// `regressors` explain was taken out of each; tapered (Parzen) so that it stays positive definite.
pub fn autocovariance(series: &[(Vec<f64>, Vec<Vec<f64>>)], lags: usize) -> Vec<f64> {
    let mut sums = vec![0.0; lags + 1];
    for (values, regressors) in series {
        let unit = vec![1.0; values.len()];
        let mut columns = vec![unit];
        columns.extend(regressors.iter().cloned());
        let found = solve(&columns, values, &[]);
        let residuals: Vec<f64> = (0..values.len())
            .map(|i| {
                let fitted: f64 = columns
                    .iter()
                    .zip(&found.coefficients)
                    .map(|(c, b)| c[i] * b)
                    .sum();
                values[i] - fitted
            })
            .collect();
        for (lag, sum) in sums.iter_mut().enumerate() {
            let products = residuals.iter().zip(&residuals[lag..]).map(|(a, b)| a * b);
            *sum += products.sum::<f64>() / values.len() as f64;
        }
    }
    sums.iter()
        .enumerate()
        .map(|(lag, sum)| {
            let x = lag as f64 / (lags + 1) as f64;
            let taper = if x < 0.5 {
                1.0 - 6.0 * x * x * (1.0 - x)
            } else {
                2.0 * (1.0 - x) * (1.0 - x) * (1.0 - x)
            };
            taper * sum / series.len() as f64
        })
        .collect()
}

/// Prediction-error coefficients of a stationary noise, step by step (Durbin 1960).
pub struct Whitening {
    /// Coefficients and standard deviation of the prediction of each sample from those before.
    steps: Vec<(Vec<f64>, f64)>,
}

impl Whitening {
    pub fn new(covariance: &[f64], length: usize) -> Self {
        let c = |lag: usize| covariance.get(lag).copied().unwrap_or(0.0);
        let mut steps = vec![(Vec::new(), libm::sqrt(c(0)))];
        let mut phi: Vec<f64> = Vec::new();
        let mut variance = c(0);
        for n in 1..length {
            let known: f64 = phi.iter().enumerate().map(|(j, f)| f * c(n - 1 - j)).sum();
            let last = (c(n) - known) / variance;
            let next: Vec<f64> = (0..phi.len())
                .map(|j| phi[j] - last * phi[phi.len() - 1 - j])
                .chain([last])
                .collect();
            phi = next;
            variance *= 1.0 - last * last;
            assert!(
                variance > 0.0,
                "the autocovariance is not positive definite"
            );
            steps.push((phi.clone(), libm::sqrt(variance)));
        }
        Self { steps }
    }

    pub fn whiten(&self, values: &[f64]) -> Vec<f64> {
        self.steps
            .iter()
            .enumerate()
            .map(|(n, (phi, std))| {
                let predicted: f64 = phi
                    .iter()
                    .enumerate()
                    .map(|(j, f)| f * values[n - 1 - j])
                    .sum();
                (values[n] - predicted) / std
            })
            .collect()
    }
}

pub struct Found {
    pub coefficients: Vec<f64>,
    pub stds: Vec<f64>,
}

/// Ordinary least squares; `priors` are (column, mean, standard deviation).
pub fn solve(columns: &[Vec<f64>], values: &[f64], priors: &[(usize, f64, f64)]) -> Found {
    let k = columns.len();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    // Normal matrix, right side, and the unit matrix that becomes the inverse.
    let mut rows: Vec<Vec<f64>> = (0..k)
        .map(|i| {
            let mut row: Vec<f64> = columns
                .iter()
                .map(|column| dot(&columns[i], column))
                .collect();
            row.push(dot(&columns[i], values));
            row.extend((0..k).map(|j| f64::from(u8::from(i == j))));
            row
        })
        .collect();
    for &(column, mean, std) in priors {
        rows[column][column] += 1.0 / (std * std);
        rows[column][k] += mean / (std * std);
    }
    // Gauss-Jordan; the matrix is positive definite.
    for i in 0..k {
        let pivot = rows[i][i];
        rows[i].iter_mut().for_each(|x| *x /= pivot);
        let row = rows[i].clone();
        for (j, other) in rows.iter_mut().enumerate() {
            if j != i {
                let factor = other[i];
                other
                    .iter_mut()
                    .zip(&row)
                    .for_each(|(x, y)| *x -= factor * y);
            }
        }
    }
    Found {
        coefficients: rows.iter().map(|row| row[k]).collect(),
        stds: (0..k).map(|i| libm::sqrt(rows[i][k + 1 + i])).collect(),
    }
}

#[test]
fn whitening_makes_a_known_process_white() {
    // First-order autoregression: C(lag) = 0.8^lag. The prediction is 0.8 times the last value.
    let covariance: Vec<f64> = (0..60).map(|lag| libm::pow(0.8, f64::from(lag))).collect();
    let whitening = Whitening::new(&covariance, 60);
    let white = whitening.whiten(&covariance);
    assert!((white[0] - 1.0).abs() < 1e-12);
    assert!(white[1..].iter().all(|x| x.abs() < 1e-12));
    let (phi, std) = &whitening.steps[40];
    assert!((phi[0] - 0.8).abs() < 1e-12 && phi[1..].iter().all(|x| x.abs() < 1e-12));
    assert!((std - 0.6).abs() < 1e-12);
}
