//! Changes of a series in a given form, tried one by one on top of a fit without them.
//!
//! The fit without a change is made once; a change adds one column, whose size and gain follow from
//! its products with the columns that are there (Frisch and Waugh 1933).

use super::least_squares::{Prior, Solved, Whitened, spikes_in};
use super::linear::dot;
use super::noise::NoiseModel;
use super::series::{Design, LossSeries};
use super::whiten::{Columns, DAY_S};

/// The form of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// From then on helium is lost faster.
    Bend,
    /// Then helium was lost at once. A sample is the mean over its step: one during which it was lost
    /// shows a part of it.
    Jump,
    /// From then on the mass follows a course: the series' first regressor.
    Course,
    /// The same from where the course stands then.
    Through,
}

impl Form {
    /// The change of S at sample `i`, for a size of one, when it began at `at_s`; never before it.
    fn value(self, series: &LossSeries<'_>, i: usize, at_s: f64) -> f64 {
        match self {
            Self::Bend => -(series.time_s(i) - at_s) / DAY_S,
            Self::Jump => -((series.time_s(i) - at_s) / series.step_s).clamp(0.0, 1.0),
            Self::Course => course(series, i),
            Self::Through => course(series, i) - course(series, series.first_at(at_s)),
        }
    }
}

/// The series' first regressor at sample `i`.
fn course(series: &LossSeries<'_>, i: usize) -> f64 {
    let course = series.regressors.first();
    let value = course.and_then(|course| course.get(i).copied());
    value.filter(|value| value.is_finite()).unwrap_or(0.0)
}

/// A solved design with spikes set aside.
pub(super) struct Fitted {
    pub whitened: Whitened,
    pub solved: Solved,
    pub spikes: usize,
}

impl Fitted {
    pub fn new(design: &mut Design, noise: &NoiseModel, priors: &[Prior]) -> Self {
        const PASSES: usize = 3;
        let mut whitened = Whitened::new(design, &noise.parameters, true);
        let mut solved = whitened.solve(priors);
        let mut spikes = 0;
        for pass in 0..PASSES {
            let found = spikes_in(&whitened, &solved);
            if found.is_empty() {
                break;
            }
            let before = design.usable();
            if pass == 0 {
                // A large spike pulls the first fit, so neighbours are asked first.
                design.set_spikes_aside();
            } else {
                design.set_aside(&found);
            }
            spikes += before - design.usable();
            whitened = Whitened::new(design, &noise.parameters, true);
            solved = whitened.solve(priors);
        }
        Self {
            whitened,
            solved,
            spikes,
        }
    }

    /// As [`Fitted::new`], but samples that look like spikes and to whose level the series then keeps are
    /// none: something was lost or gained at once, or an instrument stepped.
    pub fn with_steps(design: &mut Design, noise: &NoiseModel, priors: &[Prior]) -> Self {
        let all = design.present.clone();
        let fitted = Self::new(design, noise, priors);
        if design.take_steps_back(&all) == 0 {
            return fitted;
        }
        let whitened = Whitened::new(design, &noise.parameters, true);
        let solved = whitened.solve(priors);
        Self {
            whitened,
            solved,
            ..fitted
        }
    }
}

/// One change that was tried.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidate {
    pub at_s: f64,
    /// Size, kg/day of a bend and kg of a jump, positive when helium is lost, and its variance.
    pub change: f64,
    pub variance: f64,
    /// By how much it lowers the sum of squares.
    pub gain: f64,
    /// Length of time it stands for, s.
    pub stands_for_s: f64,
}

impl Candidate {
    /// On top of a fit, from the products of its whitened course with the columns (the series last) and
    /// with itself; none when the columns explain it but for rounding.
    fn fitted(
        base: &Fitted,
        products: &[f64],
        energy: f64,
        (at_s, stands_for_s): (f64, f64),
    ) -> Option<Self> {
        let half = base.solved.factor.forward(products);
        let left = energy - dot(&half, &half);
        if left <= 1e-9 * energy || left <= 0.0 {
            return None;
        }
        let with_s = products.last().copied().unwrap_or(0.0);
        let s = with_s - dot(&base.solved.coefficients, products);
        Some(Self {
            at_s,
            change: s / left,
            variance: 1.0 / left,
            gain: s * s / left,
            stands_for_s,
        })
    }

    pub fn at(at_s: f64) -> Self {
        Self {
            at_s,
            change: 0.0,
            variance: f64::INFINITY,
            gain: 0.0,
            stands_for_s: 1.0,
        }
    }
}

/// The change that explains a series best.
pub(super) fn likeliest(of: &[Candidate]) -> Option<Candidate> {
    of.iter().copied().max_by(|a, b| a.gain.total_cmp(&b.gain))
}

/// Tries changes of one form: first over the whole range, then closer where they explain the data.
pub(super) fn search(
    series: &LossSeries<'_>,
    base: &Fitted,
    form: Form,
    range: (f64, f64),
) -> Vec<Candidate> {
    const COARSE: usize = 40;
    const FINE: usize = 32;
    /// Candidates this much worse than the best carry no weight.
    const WORSE: f64 = 14.0;
    let last = series.mass_kg.len().saturating_sub(1);
    // The last samples alone cannot carry a rate.
    let end = series.first_at(range.1).min(last.saturating_sub(6));
    let start = series.first_at(range.0).min(end);
    let grid = |from: usize, to: usize, most: usize| {
        let stride = (to - from).div_ceil(most).max(1);
        let samples = (from..=to).step_by(stride);
        samples.map(|i| series.time_s(i)).collect::<Vec<_>>()
    };
    let coarse = try_changes(series, base, form, &grid(start, end, COARSE));
    let best = coarse.iter().fold(0.0_f64, |m, c| m.max(c.gain));
    let near: Vec<f64> = coarse
        .iter()
        .filter(|c| c.gain > best - WORSE)
        .map(|c| c.at_s)
        .collect();
    let spacing = (end - start).div_ceil(COARSE).max(1);
    let (Some(first), Some(final_)) = (near.first(), near.last()) else {
        return coarse;
    };
    let from = series.first_at(*first).saturating_sub(spacing).max(start);
    let to = (series.first_at(*final_) + spacing).min(end);
    if spacing == 1 || (to - from).div_ceil(FINE) >= spacing {
        return coarse;
    }
    try_changes(series, base, form, &grid(from, to, FINE))
}

/// The fit of one change, and what is left of its whitened course beside the columns of the fit, for a
/// size of one, on the grid of the series (zero where a sample misses).
pub(super) fn try_change(
    series: &LossSeries<'_>,
    base: &Fitted,
    form: Form,
    at_s: f64,
) -> Option<(Candidate, Vec<f64>)> {
    let width = base.whitened.columns + 1;
    let transition = base.whitened.filter.transition;
    let mut state = Columns::new(1);
    let mut products = vec![0.0; width];
    let mut energy = 0.0;
    let mut left: Vec<f64> = Vec::with_capacity(base.whitened.gains.len());
    let rows = || base.whitened.rows.chunks_exact(width);
    for (i, (gain, row)) in base.whitened.gains.iter().zip(rows()).enumerate() {
        let mut out = [0.0];
        match gain {
            _ if !series.is_after(i, at_s) => {}
            None => state.skip(&transition, 1),
            Some(gain) => {
                let change = form.value(series, i, at_s);
                state.observe(&transition, gain, &[change], &mut out);
                energy += out[0] * out[0];
                for (product, column) in products.iter_mut().zip(row) {
                    *product += column * out[0];
                }
            }
        }
        left.push(out[0]);
    }
    let found = Candidate::fitted(base, &products, energy, (at_s, series.step_s))?;
    // The last one is the series itself.
    products.pop();
    let taken = base.solved.factor.solve(&products);
    for (left, row) in left.iter_mut().zip(rows()) {
        *left -= dot(&taken, row);
    }
    Some((found, left))
}

/// The fit of a change at each of some times, in rising order.
pub(super) fn try_changes(
    series: &LossSeries<'_>,
    base: &Fitted,
    form: Form,
    times: &[f64],
) -> Vec<Candidate> {
    let width = base.whitened.columns + 1;
    let count_of = times.len();
    let transition = base.whitened.filter.transition;
    let mut state = Columns::new(count_of);
    let mut row = vec![0.0; count_of];
    let mut out = vec![0.0; count_of];
    let mut energy = vec![0.0; count_of];
    let mut products = vec![0.0; width * count_of];
    let mut active = 0;
    for (i, (gain, base_row)) in base
        .whitened
        .gains
        .iter()
        .zip(base.whitened.rows.chunks_exact(width))
        .enumerate()
    {
        while times.get(active).is_some_and(|at| series.is_after(i, *at)) {
            active += 1;
        }
        if active == 0 {
            continue;
        }
        let Some(gain) = gain else {
            state.skip(&transition, active);
            continue;
        };
        for (x, at) in row.iter_mut().zip(times).take(active) {
            *x = form.value(series, i, *at);
        }
        let (Some(row), Some(out)) = (row.get(..active), out.get_mut(..active)) else {
            continue;
        };
        state.observe(&transition, gain, row, out);
        for (e, o) in energy.iter_mut().zip(out.iter()) {
            *e += o * o;
        }
        for (products, left) in products.chunks_exact_mut(count_of).zip(base_row) {
            for (p, o) in products.iter_mut().zip(out.iter()) {
                *p += left * o;
            }
        }
    }
    let spacing = match times {
        [a, b, ..] => b - a,
        _ => series.step_s,
    };
    let mut column = vec![0.0; width];
    times
        .iter()
        .zip(&energy)
        .enumerate()
        .filter_map(|(j, (at_s, energy))| {
            for (c, p) in column.iter_mut().zip(products.chunks_exact(count_of)) {
                *c = p.get(j).copied().unwrap_or(0.0);
            }
            Candidate::fitted(base, &column, *energy, (*at_s, spacing))
        })
        .collect()
}
