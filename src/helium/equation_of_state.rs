//! The helium equation of state of Ortiz-Vega et al.: reduced Helmholtz energy and derivatives.
//!
//! alpha(delta, tau) = alpha0 + alphar with delta = rho / rho_r and tau = T_r / T. The residual is
//!
//! ```text
//! alphar = sum n delta^d tau^t exp(-delta^l)                                    12 terms
//!        + sum n delta^d tau^t exp(-eta (delta - eps)^2 - beta (tau - gamma)^2)  11 terms
//! ```
//!
//! and the ideal part has cp0 = 5/2 R. A state at one temperature is needed at several densities
//! while solving, so the temperature factors are worked out once ([`Isotherm`]).
//!
//! **Range**: 2.1768 K to 1500 K, to 1000 bar here (the authors give 2000 bar and more).
//!
//! **Source**: D. O. Ortiz Vega, K. R. Hall, J. C. Holste, A. H. Harvey and E. W. Lemmon, "An
//! Equation of State for the Thermodynamic Properties of Helium", NISTIR 8474 (2023) and
//! J. Phys. Chem. Ref. Data; coefficients as distributed with CoolProp 8.0.0.
#![expect(
    clippy::indexing_slicing,
    reason = "every index is a constant or a loop bound below a constant array length"
)]

use super::exponential::exp_all;

/// Molar gas constant of the equation, J/(mol K). **Source**: as the equation.
const MOLAR_GAS_CONSTANT: f64 = 8.314_459_8;
/// Molar mass, kg/mol. **Source**: as the equation.
pub(super) const MOLAR_MASS: f64 = 4.002_602e-3;
/// Specific gas constant, J/(kg K).
pub(super) const GAS_CONSTANT: f64 = MOLAR_GAS_CONSTANT / MOLAR_MASS;
/// Reducing temperature, K.
pub(super) const REDUCING_TEMPERATURE: f64 = 5.1953;
/// Reducing density, kg/m3 (17 383.7 mol/m3).
pub(super) const REDUCING_DENSITY: f64 = 17_383.7 * MOLAR_MASS;

const POWER: usize = 12;
const GAUSSIAN: usize = 12;
const TERMS: usize = POWER + GAUSSIAN;

struct Term {
    n: f64,
    t: f64,
    d: f64,
    l: f64,
    eta: f64,
    eps: f64,
    beta: f64,
    gamma: f64,
}

const fn power(n: f64, t: f64, d: f64, l: f64) -> Term {
    Term {
        n,
        t,
        d,
        l,
        eta: 0.0,
        eps: 0.0,
        beta: 0.0,
        gamma: 0.0,
    }
}

const fn gauss(n: f64, t: f64, d: f64, eta: f64, beta: f64, gamma: f64, eps: f64) -> Term {
    Term {
        n,
        t,
        d,
        l: 0.0,
        eta,
        eps,
        beta,
        gamma,
    }
}

/// The published terms, ordered by their powers of density so that equal powers share work; an
/// empty term fills the places up.
const TERM: [Term; TERMS] = [
    // exp(0): d = 4, 1, 1, 2, 2, 3
    power(0.015559018, 1.0, 4.0, 0.0),
    power(3.0638932, 0.425, 1.0, 0.0),
    power(-4.2420844, 0.63, 1.0, 0.0),
    power(0.054418088, 0.69, 2.0, 0.0),
    power(-0.18971904, 1.83, 2.0, 0.0),
    power(0.087856262, 0.575, 3.0, 0.0),
    // exp(-delta): d = 1, 1, 2
    power(2.2833566, 0.925, 1.0, 1.0),
    power(-1.6432563, 0.8, 1.0, 1.0),
    power(0.99444915, 1.51, 2.0, 1.0),
    // exp(-delta^2): d = 1, 2, 3
    power(-0.53331595, 1.585, 1.0, 2.0),
    power(-0.30078896, 2.9, 2.0, 2.0),
    power(-0.53296502, 1.69, 3.0, 2.0),
    // Gaussian, d = 1
    gauss(0.026838669, 3.51, 1.0, 9.245, 0.0983, 2.54505, 0.3423),
    gauss(-0.14832766, 1.0, 1.0, 6.3826, 2.6782, 1.9416, 0.9747),
    gauss(0.03016211, 4.22, 1.0, 8.7023, 2.7077, 0.5984, 0.5868),
    gauss(0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0),
    // Gaussian, d = 2
    gauss(0.8029102, 1.26, 2.0, 1.5497, 0.2471, 3.15, 0.596),
    gauss(0.04687678, 2.785, 2.0, 4.76323, 0.1556, 1.2513, 0.761),
    gauss(0.14283514, 1.575, 2.0, 0.3523, 0.1775, 1.606, 2.5346),
    gauss(0.007418269, 3.447, 2.0, 0.1492, 0.4821, 3.815, 3.6763),
    gauss(0.79224829, 1.634, 2.0, 0.1668, 0.1758, 0.6407, 5.039),
    gauss(-0.049386338, 6.13, 2.0, 42.2358, 1357.6577, 1.076, 0.959),
    // Gaussian, d = 3
    gauss(-0.019986041, 0.83, 3.0, 0.255, 0.6621, 2.2282, 0.5627),
    gauss(-0.22989793, 0.73, 3.0, 0.05, 0.3069, 1.61958, 4.5245),
];

/// The equation at one temperature: every factor that does not depend on density.
#[derive(Debug, Clone)]
pub(super) struct Isotherm {
    /// K.
    pub(super) temperature: f64,
    /// R T, J/kg.
    pub(super) rt: f64,
    tau: f64,
    ln_tau: f64,
    /// n tau^t exp(-beta (tau - gamma)^2) of each term.
    factor: [f64; TERMS],
    /// Sums of `factor` by power of density: delta^1..4, and those under exp(-delta), exp(-delta^2).
    plain: [f64; 4],
    first: [f64; 2],
    second: [f64; 3],
}

/// Residual Helmholtz energy and its density derivatives, times the powers of delta.
#[derive(Debug, Clone, Copy)]
pub(super) struct Residual {
    /// alphar.
    pub(super) a: f64,
    /// delta alphar_delta.
    pub(super) a_d: f64,
    /// delta^2 alphar_delta_delta.
    pub(super) a_dd: f64,
    /// delta^3 alphar_delta_delta_delta.
    pub(super) a_ddd: f64,
}

/// The residual with its first and second derivatives in both variables (times their powers).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct FullResidual {
    /// alphar.
    pub(super) a: f64,
    /// delta alphar_delta.
    pub(super) a_d: f64,
    /// delta^2 alphar_delta_delta.
    pub(super) a_dd: f64,
    /// tau alphar_tau.
    pub(super) a_t: f64,
    /// tau^2 alphar_tau_tau.
    pub(super) a_tt: f64,
    /// delta tau alphar_delta_tau.
    pub(super) a_dt: f64,
}

impl Residual {
    /// p / (rho R T).
    pub(super) fn z(self) -> f64 {
        1.0 + self.a_d
    }

    /// (dp/drho) / (R T).
    pub(super) fn slope(self) -> f64 {
        1.0 + 2.0 * self.a_d + self.a_dd
    }
}

impl Isotherm {
    /// The equation at `temperature`, K: positive and finite.
    pub(super) fn new(temperature: f64) -> Self {
        let tau = REDUCING_TEMPERATURE / temperature;
        let ln_tau = libm::log(tau);
        let mut factor = [0.0; TERMS];
        for (argument, term) in factor.iter_mut().zip(&TERM) {
            let away = tau - term.gamma;
            *argument = term.t * ln_tau - term.beta * away * away;
        }
        exp_all(&mut factor);
        for (factor, term) in factor.iter_mut().zip(&TERM) {
            *factor *= term.n;
        }
        Self {
            temperature,
            rt: GAS_CONSTANT * temperature,
            tau,
            ln_tau,
            plain: [
                factor[1] + factor[2],
                factor[3] + factor[4],
                factor[5],
                factor[0],
            ],
            first: [factor[6] + factor[7], factor[8]],
            second: [factor[9], factor[10], factor[11]],
            factor,
        }
    }

    /// ln(T_r / T).
    pub(super) fn ln_tau(&self) -> f64 {
        self.ln_tau
    }

    /// Residual and density derivatives at reduced density `delta`.
    #[inline]
    pub(super) fn residual(&self, delta: f64) -> Residual {
        let delta2 = delta * delta;
        let mut e = [0.0; GAUSSIAN + 2];
        for i in 0..GAUSSIAN {
            let away = delta - TERM[POWER + i].eps;
            e[i] = -TERM[POWER + i].eta * away * away;
        }
        e[GAUSSIAN] = -delta;
        e[GAUSSIAN + 1] = -delta2;
        exp_all(&mut e);

        // Gaussians: with L = ln(term), u = delta L', v = delta^2 L'', w = delta^3 L''' = 2 d.
        let mut s0 = [0.0; GAUSSIAN];
        let mut s1 = [0.0; GAUSSIAN];
        let mut s2 = [0.0; GAUSSIAN];
        let mut s3 = [0.0; GAUSSIAN];
        for i in 0..GAUSSIAN {
            let term = &TERM[POWER + i];
            let g = self.factor[POWER + i] * e[i];
            let u = term.d - 2.0 * term.eta * delta * (delta - term.eps);
            let v = -term.d - 2.0 * term.eta * delta2;
            let u2 = u * u;
            s0[i] = g;
            s1[i] = g * u;
            s2[i] = g * (u2 + v);
            s3[i] = g * (u * (u2 + 3.0 * v) + 2.0 * term.d);
        }
        let by_power = |s: &[f64; GAUSSIAN]| {
            let one = (s[0] + s[1]) + s[2];
            let two = ((s[4] + s[5]) + (s[6] + s[7])) + (s[8] + s[9]);
            let three = s[10] + s[11];
            delta * (one + delta * (two + delta * three))
        };

        let [c1, c2, c3, c4] = self.plain;
        let [f1, f2] = self.first;
        let [g1, g2, g3] = self.second;
        // Under exp(-delta): u = d - delta, v = -d, w = 2 d.
        let e1 = e[GAUSSIAN];
        // Under exp(-delta^2): u = d - 2 delta^2, v = -d - 2 delta^2, w = 2 d.
        let e2 = e[GAUSSIAN + 1];
        let delta3 = delta2 * delta;
        let delta4 = delta2 * delta2;
        let plain = [c1 * delta, c2 * delta2, c3 * delta3, c4 * delta4];
        let first = [e1 * f1 * delta, e1 * f2 * delta2];
        let second = [e2 * g1 * delta, e2 * g2 * delta2, e2 * g3 * delta3];
        let under = |d: f64, minus_u: f64, minus_v: f64| {
            let u = d - minus_u;
            let v = -d - minus_v;
            let u2 = u * u;
            [u, u2 + v, u * (u2 + 3.0 * v) + 2.0 * d]
        };
        let m1 = under(1.0, delta, 0.0);
        let m2 = under(2.0, delta, 0.0);
        let q = 2.0 * delta2;
        let n1 = under(1.0, q, q);
        let n2 = under(2.0, q, q);
        let n3 = under(3.0, q, q);
        let sum = |k: usize| {
            first[0] * m1[k]
                + first[1] * m2[k]
                + second[0] * n1[k]
                + second[1] * n2[k]
                + second[2] * n3[k]
        };
        Residual {
            a: (plain[0] + plain[1] + plain[2] + plain[3])
                + (first[0] + first[1])
                + (second[0] + second[1] + second[2])
                + by_power(&s0),
            a_d: (plain[0] + 2.0 * plain[1] + 3.0 * plain[2] + 4.0 * plain[3])
                + sum(0)
                + by_power(&s1),
            a_dd: (2.0 * plain[1] + 6.0 * plain[2] + 12.0 * plain[3]) + sum(1) + by_power(&s2),
            a_ddd: (6.0 * plain[2] + 24.0 * plain[3]) + sum(2) + by_power(&s3),
        }
    }

    /// Residual with all first and second derivatives at reduced density `delta`.
    pub(super) fn full_residual(&self, delta: f64) -> FullResidual {
        let tau = self.tau;
        let delta2 = delta * delta;
        let powers = [1.0, delta, delta2, delta2 * delta, delta2 * delta2];
        // delta^l of the terms under exp(-delta^l), nothing elsewhere.
        let mut inner = [0.0; TERMS];
        inner[6..9].fill(delta);
        inner[9..12].fill(delta2);
        let mut value = [0.0; TERMS];
        for i in 0..TERMS {
            let away = delta - COLUMNS.eps[i];
            value[i] = -COLUMNS.eta[i] * away * away - inner[i];
        }
        exp_all(&mut value);
        let mut u = [0.0; TERMS];
        let mut v = [0.0; TERMS];
        let mut s = [0.0; TERMS];
        let mut q = [0.0; TERMS];
        for i in 0..TERMS {
            let (d, l, t) = (COLUMNS.d[i], COLUMNS.l[i], COLUMNS.t[i]);
            let (eta, beta) = (2.0 * COLUMNS.eta[i], 2.0 * COLUMNS.beta[i]);
            value[i] *= self.factor[i];
            u[i] = d - l * inner[i] - eta * delta * (delta - COLUMNS.eps[i]);
            v[i] = -d - l * (l - 1.0) * inner[i] - eta * delta2;
            s[i] = t - beta * tau * (tau - COLUMNS.gamma[i]);
            q[i] = -t - beta * tau * tau;
        }
        for (value, power) in value.iter_mut().zip(POWERS) {
            *value *= powers[power];
        }
        let mut sum = FullResidual::default();
        for i in 0..TERMS {
            let (value, u, s) = (value[i], u[i], s[i]);
            sum.a += value;
            sum.a_d += value * u;
            sum.a_dd += value * (u * u + v[i]);
            sum.a_t += value * s;
            sum.a_tt += value * (s * s + q[i]);
            sum.a_dt += value * u * s;
        }
        sum
    }
}

/// The terms by column, so that equal work on all of them is done side by side.
struct Columns {
    t: [f64; TERMS],
    d: [f64; TERMS],
    l: [f64; TERMS],
    eta: [f64; TERMS],
    eps: [f64; TERMS],
    beta: [f64; TERMS],
    gamma: [f64; TERMS],
}

static COLUMNS: Columns = columns();
/// Power of density of each term.
const POWERS: [usize; TERMS] = [
    4, 1, 1, 2, 2, 3, 1, 1, 2, 1, 2, 3, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 3, 3,
];

const fn columns() -> Columns {
    let mut columns = Columns {
        t: [0.0; TERMS],
        d: [0.0; TERMS],
        l: [0.0; TERMS],
        eta: [0.0; TERMS],
        eps: [0.0; TERMS],
        beta: [0.0; TERMS],
        gamma: [0.0; TERMS],
    };
    let mut i = 0;
    while i < TERMS {
        columns.t[i] = TERM[i].t;
        columns.d[i] = TERM[i].d;
        columns.l[i] = TERM[i].l;
        columns.eta[i] = TERM[i].eta;
        columns.eps[i] = TERM[i].eps;
        columns.beta[i] = TERM[i].beta;
        columns.gamma[i] = TERM[i].gamma;
        i += 1;
    }
    columns
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_routes_agree() {
        for &t in &[2.1768, 3.0, 4.2, 5.1953, 6.0, 20.0, 300.0, 1500.0] {
            let isotherm = Isotherm::new(t);
            for &delta in &[1e-9, 1e-3, 0.1, 0.5, 1.0, 1.8, 2.3, 3.0] {
                let fast = isotherm.residual(delta);
                let full = isotherm.full_residual(delta);
                for (a, b) in [
                    (fast.a, full.a),
                    (fast.a_d, full.a_d),
                    (fast.a_dd, full.a_dd),
                ] {
                    assert!(
                        (a - b).abs() <= 2e-13 * a.abs().max(1.0),
                        "{t} {delta}: {a} {b}"
                    );
                }
            }
        }
    }

    #[test]
    fn derivatives_agree_with_differences() {
        for &t in &[2.3, 4.2, 5.3, 30.0, 400.0] {
            for &delta in &[0.01, 0.4, 0.95, 1.7, 2.4] {
                let isotherm = Isotherm::new(t);
                let at = isotherm.full_residual(delta);
                let h = 1e-5;
                let up = isotherm.residual(delta * (1.0 + h));
                let down = isotherm.residual(delta * (1.0 - h));
                let here = isotherm.residual(delta);
                let close = |analytic: f64, numeric: f64| {
                    assert!(
                        (analytic - numeric).abs() < 1e-7 * analytic.abs().max(1.0),
                        "{t} {delta}: {analytic} {numeric}"
                    );
                };
                close(here.a_d, (up.a - down.a) / (2.0 * h));
                close(here.a_d + here.a_dd, (up.a_d - down.a_d) / (2.0 * h));
                close(
                    2.0 * here.a_dd + here.a_ddd,
                    (up.a_dd - down.a_dd) / (2.0 * h),
                );
                // tau goes up as T goes down.
                let hot = Isotherm::new(t / (1.0 + h)).full_residual(delta);
                let cold = Isotherm::new(t / (1.0 - h)).full_residual(delta);
                close(at.a_t, (hot.a - cold.a) / (2.0 * h));
                close(at.a_t + at.a_tt, (hot.a_t - cold.a_t) / (2.0 * h));
                close(at.a_dt, (hot.a_d - cold.a_d) / (2.0 * h));
            }
        }
    }
}
