//! Small dense symmetric systems: the normal equations of a least-squares fit.
//!
//! Own code, since matrix crates choose instructions at run time and so give other bits on another
//! processor. The matrix is scaled to a unit diagonal first; a column that is a combination of
//! earlier ones (a constant regressor beside the level) is set aside instead of failing the fit:
//! its coefficient is zero and its variance infinite.
//!
//! **Source** Golub and Van Loan, Matrix Computations, 4.2 (Cholesky); scaling: common practice.

#![expect(
    clippy::indexing_slicing,
    reason = "every index is below the order checked by the constructor"
)]

/// Pivot of the scaled matrix below which a column counts as a combination of earlier ones.
const ALIASED: f64 = 1e-11;

/// Cholesky factor of a symmetric positive matrix, scaled to a unit diagonal.
#[derive(Debug, Clone)]
pub struct Cholesky {
    order: usize,
    lower: Vec<f64>,
    scale: Vec<f64>,
}

impl Cholesky {
    /// Factor of a matrix of `order` rows, given row by row; only its lower triangle is read.
    ///
    /// `None` when the matrix has not `order` squared elements or one of them is not finite.
    #[must_use]
    pub fn new(matrix: &[f64], order: usize) -> Option<Self> {
        if order.checked_mul(order)? != matrix.len() || matrix.iter().any(|x| !x.is_finite()) {
            return None;
        }
        let scale: Vec<f64> = (0..order)
            .map(|i| {
                let d = matrix[i * order + i];
                if d > 0.0 { 1.0 / libm::sqrt(d) } else { 0.0 }
            })
            .collect();
        let mut lower = vec![0.0; order * order];
        for i in 0..order {
            for j in 0..=i {
                let mut sum = matrix[i * order + j] * scale[i] * scale[j];
                for m in 0..j {
                    sum -= lower[i * order + m] * lower[j * order + m];
                }
                lower[i * order + j] = if i == j {
                    if sum > ALIASED { libm::sqrt(sum) } else { 0.0 }
                } else if lower[j * order + j] > 0.0 {
                    sum / lower[j * order + j]
                } else {
                    0.0
                };
            }
            if lower[i * order + i] == 0.0 {
                // Set aside: it must not take part in later rows either.
                for j in 0..i {
                    lower[i * order + j] = 0.0;
                }
            }
        }
        Some(Self {
            order,
            lower,
            scale,
        })
    }

    /// The factor of a matrix that says nothing: every column is set aside.
    #[must_use]
    pub fn blank(order: usize) -> Self {
        Self {
            order,
            lower: vec![0.0; order * order],
            scale: vec![0.0; order],
        }
    }

    /// Whether column `i` was set aside as a combination of earlier columns.
    #[must_use]
    pub fn is_aliased(&self, i: usize) -> bool {
        i >= self.order || self.lower[i * self.order + i] == 0.0
    }

    /// Number of columns that were not set aside.
    #[must_use]
    pub fn rank(&self) -> usize {
        (0..self.order).filter(|&i| !self.is_aliased(i)).count()
    }

    /// Natural logarithm of the determinant, over the columns not set aside.
    #[must_use]
    pub fn log_determinant(&self) -> f64 {
        (0..self.order)
            .filter(|&i| !self.is_aliased(i))
            .map(|i| 2.0 * (libm::log(self.lower[i * self.order + i]) - libm::log(self.scale[i])))
            .sum()
    }

    /// Half of a solution: `y` with `L y = b`. Sums of squares of `y` are quadratic forms in the
    /// inverse. Elements beyond the order are ignored, missing ones are zero.
    #[must_use]
    pub fn forward(&self, b: &[f64]) -> Vec<f64> {
        let n = self.order;
        let mut y = vec![0.0; n];
        for i in 0..n {
            if self.is_aliased(i) {
                continue;
            }
            let mut sum = b.get(i).copied().unwrap_or(0.0) * self.scale[i];
            for (l, v) in self.lower[i * n..i * n + i].iter().zip(&y) {
                sum -= l * v;
            }
            y[i] = sum / self.lower[i * n + i];
        }
        y
    }

    /// [`forward`](Self::forward) for many right sides at once: row `i` of `b` holds element `i` of
    /// each of them.
    #[must_use]
    pub fn forward_many(&self, b: &[f64], sides: usize) -> Vec<f64> {
        let n = self.order;
        let mut y = vec![0.0; n * sides];
        for i in 0..n {
            if self.is_aliased(i) {
                continue;
            }
            let (done, rest) = y.split_at_mut(i * sides);
            let row = &mut rest[..sides];
            for (x, b) in row.iter_mut().zip(b.iter().skip(i * sides)) {
                *x = b * self.scale[i];
            }
            for (j, earlier) in done.chunks_exact(sides.max(1)).enumerate() {
                let factor = self.lower[i * n + j];
                for (x, e) in row.iter_mut().zip(earlier) {
                    *x -= factor * e;
                }
            }
            let pivot = 1.0 / self.lower[i * n + i];
            for x in row {
                *x *= pivot;
            }
        }
        y
    }

    /// Column `j` of the factor L of the matrix as it was given, `A = L L'`; zeros for a column that
    /// was set aside.
    #[must_use]
    pub fn lower_column(&self, j: usize) -> Vec<f64> {
        (0..self.order)
            .map(|i| {
                if i < j || self.is_aliased(i) || self.is_aliased(j) {
                    0.0
                } else {
                    self.lower[i * self.order + j] / self.scale[i]
                }
            })
            .collect()
    }

    /// The solution `x` of `A x = b`.
    #[must_use]
    pub fn solve(&self, b: &[f64]) -> Vec<f64> {
        let n = self.order;
        let mut x = self.forward(b);
        for i in (0..n).rev() {
            if self.is_aliased(i) {
                x[i] = 0.0;
                continue;
            }
            let mut sum = x[i];
            for (j, x) in x.iter().enumerate().skip(i + 1) {
                sum -= self.lower[j * n + i] * x;
            }
            x[i] = sum / self.lower[i * n + i];
        }
        for (x, s) in x.iter_mut().zip(&self.scale) {
            *x *= s;
        }
        x
    }

    /// Column `i` of the inverse; its element `i` is the variance of coefficient `i`.
    #[must_use]
    pub fn inverse_column(&self, i: usize) -> Vec<f64> {
        let mut unit = vec![0.0; self.order];
        if let Some(u) = unit.get_mut(i) {
            *u = 1.0;
        }
        self.solve(&unit)
    }

    /// Variance of coefficient `i`; infinite when its column was set aside.
    #[must_use]
    pub fn variance(&self, i: usize) -> f64 {
        if self.is_aliased(i) {
            return f64::INFINITY;
        }
        self.inverse_column(i)
            .get(i)
            .copied()
            .unwrap_or(f64::INFINITY)
    }
}

/// `F`, row by row and square, with `F F'` the given matrix, which may be singular: a covariance.
///
/// `None` when the size does not fit, an element is not finite, the matrix is not symmetric, or no
/// errors can have it as their covariance (a negative variance, a correlation beyond one).
///
/// **Source** Cholesky with complete pivoting, Golub and Van Loan, Matrix Computations, 4.2.8.
#[must_use]
pub fn semidefinite_factor(matrix: &[f64], order: usize) -> Option<Vec<f64>> {
    /// Part of a variance that rounding can leave, or take too much.
    const ROUNDING: f64 = 1e-12;
    let n = order;
    if n.checked_mul(n)? != matrix.len() || matrix.iter().any(|x| !x.is_finite()) {
        return None;
    }
    let stds: Vec<f64> = (0..n).map(|i| libm::sqrt(matrix[i * n + i])).collect();
    if stds.iter().any(|s| s.is_nan()) {
        return None;
    }
    let mut left = vec![0.0; n * n];
    for i in 0..n {
        for j in 0..n {
            let (x, scale) = (matrix[i * n + j], stds[i] * stds[j]);
            if (x - matrix[j * n + i]).abs() > ROUNDING * scale {
                return None;
            }
            if scale > 0.0 {
                left[i * n + j] = x / scale;
            } else if x != 0.0 {
                return None;
            }
        }
    }
    let mut factor = vec![0.0; n * n];
    for step in 0..n {
        let mut pivot = 0;
        for i in 1..n {
            if left[i * n + i] > left[pivot * n + pivot] {
                pivot = i;
            }
        }
        let largest = left[pivot * n + pivot];
        if largest <= ROUNDING {
            break;
        }
        let root = libm::sqrt(largest);
        let column: Vec<f64> = (0..n).map(|i| left[i * n + pivot] / root).collect();
        for i in 0..n {
            factor[i * n + step] = column[i] * stds[i];
            for j in 0..n {
                left[i * n + j] -= column[i] * column[j];
            }
        }
    }
    let sound = left.iter().all(|x| x.abs() <= 1e3 * ROUNDING);
    sound.then_some(factor)
}

/// Sum of products.
#[must_use]
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use nalgebra::DMatrix;

    use super::*;

    fn example(order: usize) -> Vec<f64> {
        // A Gram matrix of columns with very different scales.
        let column = |j: usize, t: u32| {
            let x = f64::from(t) / 7.0;
            [1.0, 1e3 * x, libm::sin(x), 1e-4 * libm::cos(2.0 * x), x * x][j]
        };
        let mut m = vec![0.0; order * order];
        for t in 0..40 {
            for i in 0..order {
                for j in 0..order {
                    m[i * order + j] += column(i, t) * column(j, t);
                }
            }
        }
        m
    }

    #[test]
    fn agrees_with_nalgebra() {
        let (n, m) = (5, example(5));
        let b = [1.0, -2.0, 0.5, 1e-3, 7.0];
        let ours = Cholesky::new(&m, n).unwrap();
        let theirs = DMatrix::from_row_slice(n, n, &m).cholesky().unwrap();
        let x = theirs.solve(&nalgebra::DVector::from_row_slice(&b));
        for (a, b) in ours.solve(&b).iter().zip(x.iter()) {
            assert!((a - b).abs() <= 1e-9 * b.abs(), "{a} {b}");
        }
        let inverse = theirs.inverse();
        for i in 0..n {
            assert!((ours.variance(i) / inverse[(i, i)] - 1.0).abs() < 1e-9);
        }
        assert!((ours.log_determinant() - theirs.ln_determinant()).abs() < 1e-9);
    }

    #[test]
    fn the_factor_gives_the_matrix_back() {
        let (n, m) = (5, example(5));
        let factor = Cholesky::new(&m, n).unwrap();
        let columns: Vec<Vec<f64>> = (0..n).map(|j| factor.lower_column(j)).collect();
        for i in 0..n {
            for j in 0..n {
                let a: f64 = columns.iter().map(|l| l[i] * l[j]).sum();
                let size = libm::sqrt(m[i * n + i] * m[j * n + j]);
                assert!((a - m[i * n + j]).abs() <= 1e-12 * size);
            }
        }
    }

    #[test]
    fn many_right_sides_give_what_one_by_one_gives() {
        let c = Cholesky::new(&example(5), 5).unwrap();
        let b: Vec<f64> = (0..15).map(|i| libm::cos(f64::from(i))).collect();
        let many = c.forward_many(&b, 3);
        for side in 0..3 {
            let one: Vec<f64> = (0..5).map(|i| b[i * 3 + side]).collect();
            for (i, x) in c.forward(&one).iter().enumerate() {
                assert!((x - many[i * 3 + side]).abs() <= 1e-12 * x.abs());
            }
        }
    }

    #[test]
    fn sets_a_repeated_column_aside() {
        // Third column equals the first.
        let m = [4.0, 1.0, 4.0, 1.0, 3.0, 1.0, 4.0, 1.0, 4.0];
        let c = Cholesky::new(&m, 3).unwrap();
        assert!(c.is_aliased(2) && !c.is_aliased(1));
        assert_eq!(c.rank(), 2);
        assert!(c.variance(2).is_infinite());
        let x = c.solve(&[4.0, 1.0, 4.0]);
        assert!((x[0] - 1.0).abs() < 1e-12 && x[1].abs() < 1e-12 && x[2] == 0.0);
    }

    #[test]
    fn factors_a_singular_covariance_and_refuses_an_impossible_one() {
        // Third error = first - second; the fourth is exactly known.
        let rows = [[2.0, 0.0], [0.3, 1e-3], [1.7, -1e-3], [0.0, 0.0]];
        let mut covariance = Vec::new();
        for a in rows {
            covariance.extend(rows.iter().map(|b| dot(&a, b)));
        }
        let f = semidefinite_factor(&covariance, 4).unwrap();
        for i in 0..4 {
            for j in 0..4 {
                let back = dot(&f[i * 4..i * 4 + 4], &f[j * 4..j * 4 + 4]);
                assert!((back - covariance[i * 4 + j]).abs() < 1e-12);
            }
        }
        assert!(semidefinite_factor(&[1.0, 1.1, 1.1, 1.0], 2).is_none());
        assert!(semidefinite_factor(&[1.0, 0.1, 0.2, 1.0], 2).is_none());
        assert!(semidefinite_factor(&[-1.0], 1).is_none());
        assert!(semidefinite_factor(&[f64::NAN], 1).is_none());
        let three = [1.0, 0.9, 0.9, 0.9, 1.0, -0.9, 0.9, -0.9, 1.0];
        assert!(semidefinite_factor(&three, 3).is_none());
    }

    #[test]
    fn refuses_what_is_not_a_matrix_of_numbers() {
        assert!(Cholesky::new(&[1.0, 2.0], 2).is_none());
        assert!(Cholesky::new(&[f64::NAN], 1).is_none());
    }
}
