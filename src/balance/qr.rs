//! Householder QR with column pivoting: rank, null space and least squares of small dense matrices.
//!
//! Own code for the reason given in [`linear`](super::linear). Used where forming a product of a
//! matrix with its transpose would lose half the digits.
//!
//! **Source** Golub and Van Loan, Matrix Computations, 5.2.1 (Householder) and 5.4.2 (pivoting).

#![expect(
    clippy::indexing_slicing,
    reason = "every index is below the sizes checked by the constructor"
)]

/// `A P = Q R`, columns taken in the order of what is left of them.
#[derive(Debug, Clone)]
pub struct PivotedQr {
    rows: usize,
    cols: usize,
    /// R above the diagonal and on it; the reflectors' tails below.
    packed: Vec<f64>,
    /// Head of each reflector, and two over its squared length.
    heads: Vec<(f64, f64)>,
    order: Vec<usize>,
}

impl PivotedQr {
    /// Factors of a matrix given row by row. A column of which less than `tolerance` times the
    /// longest column is left counts as a combination of those before it.
    ///
    /// `None` when the size does not fit or an element is not finite.
    #[must_use]
    pub fn new(matrix: &[f64], rows: usize, cols: usize, tolerance: f64) -> Option<Self> {
        if rows.checked_mul(cols)? != matrix.len() || matrix.iter().any(|x| !x.is_finite()) {
            return None;
        }
        let mut qr = Self {
            rows,
            cols,
            packed: matrix.to_vec(),
            heads: Vec::new(),
            order: (0..cols).collect(),
        };
        let mut least = 0.0;
        for step in 0..rows.min(cols) {
            let mut best = (step, qr.left(step, step));
            for col in step + 1..cols {
                let left = qr.left(step, col);
                if left > best.1 {
                    best = (col, left);
                }
            }
            if step == 0 {
                least = best.1 * tolerance;
            }
            if best.1 <= least {
                break;
            }
            qr.swap(step, best.0);
            qr.reflect(step, best.1);
        }
        Some(qr)
    }

    /// Length of what earlier steps left of a column.
    fn left(&self, step: usize, col: usize) -> f64 {
        // Scaled, so that squares neither overflow nor vanish.
        let largest = (step..self.rows)
            .map(|row| self.packed[row * self.cols + col].abs())
            .fold(0.0, f64::max);
        if largest == 0.0 {
            return 0.0;
        }
        let sum: f64 = (step..self.rows)
            .map(|row| self.packed[row * self.cols + col] / largest)
            .map(|x| x * x)
            .sum();
        largest * libm::sqrt(sum)
    }

    fn swap(&mut self, a: usize, b: usize) {
        if a != b {
            self.order.swap(a, b);
            for row in 0..self.rows {
                self.packed.swap(row * self.cols + a, row * self.cols + b);
            }
        }
    }

    fn reflect(&mut self, step: usize, length: f64) {
        let cols = self.cols;
        let diagonal = self.packed[step * cols + step];
        let alpha = if diagonal > 0.0 { -length } else { length };
        let head = diagonal - alpha;
        let mut squared = head * head;
        for row in step + 1..self.rows {
            let x = self.packed[row * cols + step];
            squared += x * x;
        }
        let beta = 2.0 / squared;
        for col in step + 1..cols {
            let mut sum = head * self.packed[step * cols + col];
            for row in step + 1..self.rows {
                sum += self.packed[row * cols + step] * self.packed[row * cols + col];
            }
            sum *= beta;
            self.packed[step * cols + col] -= sum * head;
            for row in step + 1..self.rows {
                self.packed[row * cols + col] -= sum * self.packed[row * cols + step];
            }
        }
        self.packed[step * cols + step] = alpha;
        self.heads.push((head, beta));
    }

    /// Number of independent columns.
    #[must_use]
    pub fn rank(&self) -> usize {
        self.heads.len()
    }

    /// The columns in the order they were taken; those from [`rank`](Self::rank) on depend on
    /// those before.
    #[must_use]
    pub fn order(&self) -> &[usize] {
        &self.order
    }

    /// Makes `b` the product of Q's transpose with it. Elements beyond the rows are left alone.
    pub fn transpose_times(&self, b: &mut [f64]) {
        for step in 0..self.rank() {
            self.apply(step, b);
        }
    }

    /// Makes `b` the product of Q with it. Elements beyond the rows are left alone.
    pub fn times(&self, b: &mut [f64]) {
        for step in (0..self.rank()).rev() {
            self.apply(step, b);
        }
    }

    fn apply(&self, step: usize, b: &mut [f64]) {
        let (head, beta) = self.heads[step];
        let mut sum = head * b.get(step).copied().unwrap_or(0.0);
        for row in step + 1..self.rows {
            sum += self.packed[row * self.cols + step] * b.get(row).copied().unwrap_or(0.0);
        }
        sum *= beta;
        if let Some(x) = b.get_mut(step) {
            *x -= sum * head;
        }
        for (row, x) in b.iter_mut().enumerate().take(self.rows).skip(step + 1) {
            *x -= sum * self.packed[row * self.cols + step];
        }
    }

    /// The `x` with `R x = y`, over the independent columns in the order they were taken.
    #[must_use]
    pub fn solve_upper(&self, y: &[f64]) -> Vec<f64> {
        let n = self.rank();
        let mut x = vec![0.0; n];
        for i in (0..n).rev() {
            let mut sum = y.get(i).copied().unwrap_or(0.0);
            for (j, x) in x.iter().enumerate().skip(i + 1) {
                sum -= self.packed[i * self.cols + j] * x;
            }
            x[i] = sum / self.packed[i * self.cols + i];
        }
        x
    }

    /// The `x` with `R' x = y`, over the independent columns; `y` stands in the order they were
    /// taken.
    #[must_use]
    pub fn solve_upper_transposed(&self, y: &[f64]) -> Vec<f64> {
        let n = self.rank();
        let mut x = vec![0.0; n];
        for i in 0..n {
            let mut sum = y.get(i).copied().unwrap_or(0.0);
            for (j, x) in x.iter().enumerate().take(i) {
                sum -= self.packed[j * self.cols + i] * x;
            }
            x[i] = sum / self.packed[i * self.cols + i];
        }
        x
    }

    /// How a dependent column, by its place in [`order`](Self::order), is made of the independent
    /// ones, in their order.
    #[must_use]
    pub fn combination(&self, place: usize) -> Vec<f64> {
        let column: Vec<f64> = (0..self.rank())
            .map(|row| {
                self.packed
                    .get(row * self.cols + place)
                    .copied()
                    .filter(|_| place < self.cols)
                    .unwrap_or(0.0)
            })
            .collect();
        self.solve_upper(&column)
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};

    use super::*;

    fn example(rows: usize, cols: usize) -> Vec<f64> {
        (0..rows * cols)
            .map(|k| f64::from(u32::try_from(k).unwrap()))
            .map(|k| libm::sin(1.0 + 0.37 * k * k))
            .collect()
    }

    #[test]
    fn least_squares_agrees_with_nalgebra() {
        let (rows, cols) = (9, 4);
        let a = example(rows, cols);
        let qr = PivotedQr::new(&a, rows, cols, 1e-12).unwrap();
        assert_eq!(qr.rank(), cols);
        let b: Vec<f64> = (0..9).map(|i| libm::cos(f64::from(i))).collect();
        let mut y = b.clone();
        qr.transpose_times(&mut y);
        let found = qr.solve_upper(&y);
        let theirs = DMatrix::from_row_slice(rows, cols, &a)
            .svd(true, true)
            .solve(&DVector::from_row_slice(&b), 1e-12)
            .unwrap();
        for (place, x) in found.iter().enumerate() {
            let expected = theirs[qr.order()[place]];
            assert!((x - expected).abs() < 1e-12, "{x} {expected}");
        }
        // Q is orthogonal: forth and back.
        qr.times(&mut y);
        for (x, b) in y.iter().zip(&b) {
            assert!((x - b).abs() < 1e-14);
        }
    }

    #[test]
    fn solves_with_the_transpose() {
        let a = example(5, 5);
        let qr = PivotedQr::new(&a, 5, 5, 1e-12).unwrap();
        let y = [1.0, -2.0, 0.5, 3.0, 7.0];
        // With x = R'^-1 y, R'x = y; R' = (P' A') Q, so that P'A'(Q x) = y.
        let mut x = qr.solve_upper_transposed(&y);
        qr.times(&mut x);
        let a = DMatrix::from_row_slice(5, 5, &a);
        let back = a.transpose() * DVector::from_row_slice(&x);
        for (place, y) in y.iter().enumerate() {
            assert!((back[qr.order()[place]] - y).abs() < 1e-12);
        }
    }

    #[test]
    fn names_the_column_that_repeats_others() {
        // Third column = first + 2 second.
        let a = [1.0, 2.0, 5.0, 0.5, -1.0, -1.5, 3.0, 0.0, 3.0, 1.0, 1.0, 3.0];
        let qr = PivotedQr::new(&a, 4, 3, 1e-12).unwrap();
        assert_eq!(qr.rank(), 2);
        let made_of = qr.combination(2);
        for row in 0..4 {
            let sum: f64 = made_of
                .iter()
                .zip(qr.order())
                .map(|(c, &col)| c * a[row * 3 + col])
                .sum();
            assert!((sum - a[row * 3 + qr.order()[2]]).abs() < 1e-13);
        }
    }

    #[test]
    fn refuses_what_is_not_a_matrix_of_numbers() {
        assert!(PivotedQr::new(&[1.0, 2.0], 2, 2, 1e-12).is_none());
        assert!(PivotedQr::new(&[f64::NAN], 1, 1, 1e-12).is_none());
        assert_eq!(PivotedQr::new(&[], 0, 3, 1e-12).unwrap().rank(), 0);
        assert_eq!(PivotedQr::new(&[0.0; 6], 2, 3, 1e-12).unwrap().rank(), 0);
    }
}
