//! Gauss-Legendre quadrature, for the one head whose partial filling has no closed form.

/// Nodes on 0..1 and their weights.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct GaussLegendre {
    nodes: Vec<(f64, f64)>,
}

impl GaussLegendre {
    /// The rule of `n` nodes, exact for polynomials up to degree `2 n - 1`.
    ///
    /// **Source**: Newton's method on the Legendre polynomials from the estimate
    /// cos(pi (i - 1/4) / (n + 1/2)), Abramowitz and Stegun 22.16.6 and 25.4.29.
    pub(super) fn new(n: u32) -> Self {
        let count = f64::from(n);
        let nodes = (1..=n)
            .map(|i| {
                let mut x = libm::cos(std::f64::consts::PI * (f64::from(i) - 0.25) / (count + 0.5));
                let mut slope = 1.0;
                for _ in 0..100 {
                    let (mut p, mut before) = (1.0, 0.0);
                    for j in 0..n {
                        let j = f64::from(j);
                        let next = ((2.0 * j + 1.0) * x * p - j * before) / (j + 1.0);
                        (before, p) = (p, next);
                    }
                    slope = count * (x * p - before) / (x * x - 1.0);
                    let step = p / slope;
                    x -= step;
                    if step.abs() < 1e-15 {
                        break;
                    }
                }
                let weight = 1.0 / ((1.0 - x * x) * slope * slope);
                (0.5 * (1.0 + x), weight)
            })
            .collect();
        Self { nodes }
    }

    /// Integral of `f` over `from..to`, for an `f` that begins at `from` like a power of the square
    /// root of the distance: the square substitution makes it smooth.
    pub(super) fn integral(&self, from: f64, to: f64, f: impl Fn(f64) -> f64) -> f64 {
        let width = to - from;
        self.nodes
            .iter()
            .map(|&(u, weight)| weight * 2.0 * u * width * f(from + width * u * u))
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn integrates_polynomials_and_roots() {
        let rule = GaussLegendre::new(32);
        let weights: f64 = rule.nodes.iter().map(|n| n.1).sum();
        assert!((weights - 1.0).abs() < 1e-14);
        let cubes = rule.integral(1.0, 3.0, |x| x * x * x);
        assert!((cubes - 20.0).abs() < 1e-12);
        let roots = rule.integral(1.0, 3.0, |x| libm::sqrt(x - 1.0));
        assert!((roots - 2.0 / 3.0 * libm::pow(2.0, 1.5)).abs() < 1e-13);
    }
}
