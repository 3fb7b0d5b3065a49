//! Where the density solver starts: coarse tables worked out from the equation on first use.
//!
//! Three tables, each smooth in its own coordinates, read by bilinear interpolation:
//! above the critical temperature z = p / (rho R T) over (sqrt(ln T/Tc), ln(p + p0)); below it the
//! liquid over (T, sqrt(p - ps)) and the vapour over (T, sqrt(1 - p/ps)). They decide only how many
//! steps the solver needs, never the answer.
#![expect(
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    reason = "cells are clamped below the constant table sizes, which are small"
)]

use std::sync::LazyLock;

use super::density::{Branch, solve_from};
use super::equation_of_state::{Isotherm, REDUCING_DENSITY};
use super::saturation::{ln_pressure_start, start_at};
use super::{CRITICAL_TEMPERATURE, EOS_MIN_TEMPERATURE, MAX_PRESSURE_PA, MAX_TEMPERATURE};

/// Pressure that softens the logarithm, Pa.
const P0: f64 = 2.0e4;
/// Above any liquid below the critical temperature (it freezes first), Pa.
const MAX_LIQUID_PRESSURE: f64 = 2.0e7;

/// Start for the reduced density.
pub(super) fn delta(isotherm: &Isotherm, pressure: f64, branch: Branch) -> f64 {
    let tables = &*TABLES;
    let t = isotherm.temperature;
    let ideal = pressure / (REDUCING_DENSITY * isotherm.rt);
    match branch {
        Branch::Single => {
            let x = libm::sqrt((CRITICAL_LN_TAU - isotherm.ln_tau()).max(0.0));
            let y = libm::log(pressure + P0);
            ideal / tables.single.at(x, y)
        }
        Branch::Liquid => {
            let excess = (pressure - libm::exp(ln_pressure_start(t))).max(0.0);
            tables.liquid.at(t, libm::sqrt(excess))
        }
        Branch::Vapour => {
            let ratio = pressure / libm::exp(ln_pressure_start(t));
            ideal / tables.vapour.at(t, libm::sqrt((1.0 - ratio).max(0.0)))
        }
    }
}

/// ln(T_r / Tc); a shift of 3e-9.
const CRITICAL_LN_TAU: f64 = -2.6e-9;

struct Grid<const X: usize, const Y: usize> {
    x0: f64,
    y0: f64,
    per_x: f64,
    per_y: f64,
    values: Box<[[f64; Y]]>,
}

impl<const X: usize, const Y: usize> Grid<X, Y> {
    fn build(x: (f64, f64), y: (f64, f64), row: impl Fn(f64, &[f64; Y]) -> [f64; Y]) -> Self {
        let per_x = (X - 1) as f64 / (x.1 - x.0);
        let per_y = (Y - 1) as f64 / (y.1 - y.0);
        let mut ys = [0.0; Y];
        for (j, place) in ys.iter_mut().enumerate() {
            *place = y.0 + j as f64 / per_y;
        }
        let values = (0..X).map(|i| row(x.0 + i as f64 / per_x, &ys)).collect();
        Self {
            x0: x.0,
            y0: y.0,
            per_x,
            per_y,
            values,
        }
    }

    #[inline]
    fn at(&self, x: f64, y: f64) -> f64 {
        let (i, fx) = cell((x - self.x0) * self.per_x, X);
        let (j, fy) = cell((y - self.y0) * self.per_y, Y);
        let (a, b) = (&self.values[i], &self.values[i + 1]);
        let low = a[j] + fy * (a[j + 1] - a[j]);
        let high = b[j] + fy * (b[j + 1] - b[j]);
        low + fx * (high - low)
    }
}

#[inline]
fn cell(position: f64, count: usize) -> (usize, f64) {
    let last = (count - 2) as f64;
    let whole = libm::floor(position).clamp(0.0, last);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the table"
    )]
    let index = whole as usize;
    (index, (position - whole).clamp(0.0, 1.0))
}

struct Tables {
    single: Grid<80, 80>,
    liquid: Grid<40, 64>,
    vapour: Grid<40, 32>,
}

static TABLES: LazyLock<Tables> = LazyLock::new(build);

fn build() -> Tables {
    let x_max = libm::sqrt(libm::log(MAX_TEMPERATURE / CRITICAL_TEMPERATURE));
    let single = Grid::build(
        (0.0, x_max),
        (libm::log(P0), libm::log(MAX_PRESSURE_PA + P0)),
        |x, ys| {
            let t = CRITICAL_TEMPERATURE * libm::exp(x * x);
            let isotherm = Isotherm::new(t);
            let mut start = 0.0;
            let mut row = [1.0; _];
            for (z, &y) in row.iter_mut().zip(ys).skip(1) {
                let p = libm::exp(y) - P0;
                let ideal = p / (REDUCING_DENSITY * isotherm.rt);
                if start == 0.0 {
                    start = ideal;
                }
                if let Ok(delta) = solve_from(&isotherm, p, Branch::Single, start) {
                    start = delta;
                    *z = ideal / delta;
                }
            }
            row
        },
    );
    let liquid = Grid::build(
        (EOS_MIN_TEMPERATURE, CRITICAL_TEMPERATURE),
        (0.0, libm::sqrt(MAX_LIQUID_PRESSURE)),
        |t, ys| {
            let isotherm = Isotherm::new(t.clamp(EOS_MIN_TEMPERATURE, CRITICAL_TEMPERATURE));
            let saturated = start_at(t);
            let ps = libm::exp(saturated.ln_p);
            let mut start = saturated.liquid;
            let mut row = [start; _];
            for (delta, &y) in row.iter_mut().zip(ys).skip(1) {
                if let Ok(found) = solve_from(&isotherm, ps + y * y, Branch::Liquid, start) {
                    start = found;
                }
                *delta = start;
            }
            row
        },
    );
    let vapour = Grid::build(
        (EOS_MIN_TEMPERATURE, CRITICAL_TEMPERATURE),
        (0.0, 1.0),
        |t, ys| {
            let isotherm = Isotherm::new(t.clamp(EOS_MIN_TEMPERATURE, CRITICAL_TEMPERATURE));
            let saturated = start_at(t);
            let ps = libm::exp(saturated.ln_p);
            let mut start = saturated.vapour;
            let mut row = [1.0; _];
            for (z, &y) in row.iter_mut().zip(ys) {
                let p = ps * (1.0 - y * y);
                if p <= 0.0 {
                    continue;
                }
                let ideal = p / (REDUCING_DENSITY * isotherm.rt);
                if let Ok(found) = solve_from(&isotherm, p, Branch::Vapour, start) {
                    start = found;
                }
                *z = ideal / start;
            }
            row
        },
    );
    Tables {
        single,
        liquid,
        vapour,
    }
}
