//! The series that hypotheses are held against: each fitted by itself without any change, what a change
//! would be in it, and how what is left runs together with the others.

use super::forms::{Candidate, Fitted, Form, try_change, try_changes};
use super::grid::GridSeries;
use super::hole::Hole;
use super::judgement::ONSET_OVER;
use super::leak;
use super::noise::NoiseModel;
use super::series::{LossSeries, LossSettings};

/// A correlation found from noise is never taken for certain.
const MOST_CORRELATION: f64 = 0.95;

/// What a trace is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TraceOf {
    /// The plant's mass.
    Plant,
    /// The mass of an area, by its position.
    Area(usize),
    /// A comparison, by its position.
    Unlike(usize),
}

/// A series with its noise.
pub(super) struct Trace<'a> {
    pub of: TraceOf,
    pub series: &'a GridSeries,
    pub noise: &'a NoiseModel,
    pub settings: LossSettings,
}

/// A trace fitted without any change.
pub(super) struct Based<'a> {
    pub trace: &'a Trace<'a>,
    pub fitted: Fitted,
    start_s: f64,
    /// Whitened residuals.
    pub residuals: OnGrid,
    /// Steps of the grid before the onset.
    before: i64,
}

/// A change in one trace.
pub(super) struct Change {
    pub fitted: Candidate,
    /// What is left of it beside the trace's fit, for a size of one.
    pub left: OnGrid,
}

/// Values by number of the grid step, from the first.
pub(super) struct OnGrid {
    first: i64,
    values: Vec<f64>,
}

fn step_of(time_s: f64, step_s: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a cast from float saturates"
    )]
    let step = libm::round(time_s / step_s) as i64;
    step
}

impl<'a> Based<'a> {
    pub fn new(trace: &'a Trace<'a>, onset_s: f64) -> Option<Self> {
        trace.series.with(ONSET_OVER, |window| {
            let fitted = leak::without_change(window, trace.noise, &trace.settings).ok()?;
            let residuals = OnGrid {
                first: step_of(window.start_s, window.step_s),
                values: fitted.whitened.residuals(&fitted.solved.coefficients),
            };
            Some(Self {
                trace,
                fitted,
                start_s: window.start_s,
                residuals,
                before: step_of(onset_s, window.step_s),
            })
        })
    }

    /// Where the window begins in the series.
    fn from(&self) -> usize {
        let all = self.trace.series.mass_kg.len();
        all.saturating_sub(self.residuals.values.len())
    }

    /// The grid of the series; its values are in the fit.
    pub fn series(&self) -> LossSeries<'a> {
        let from = self.from();
        let all = self.trace.series.mass_kg.as_slice();
        LossSeries {
            start_s: self.start_s,
            step_s: self.trace.noise.step_s,
            mass_kg: all.get(from..).unwrap_or(&[]),
            ..LossSeries::default()
        }
    }

    /// What a change at that time would be; one that began before the series is as old as it.
    pub fn change(&self, form: Form, at_s: f64) -> Change {
        self.change_with(form, at_s, &[])
    }

    /// The same of a false mass that follows how fast the outdoor gas warms.
    pub fn lag(&self, at_s: f64) -> Change {
        let course = self.trace.series.warming();
        match course.and_then(|course| course.get(self.from()..)) {
            Some(course) => self.change_with(Form::Course, at_s, course),
            // No gas outdoors: nothing shows here.
            None => self.unseen(at_s),
        }
    }

    /// A change of which this trace shows nothing.
    fn unseen(&self, at_s: f64) -> Change {
        Change {
            fitted: Candidate::at(at_s),
            left: OnGrid {
                first: self.residuals.first,
                values: Vec::new(),
            },
        }
    }

    /// The same of what leaves through a hole; nothing shows of none.
    pub fn through(&self, hole: Option<&Hole>, at_s: f64) -> Change {
        match hole {
            Some(hole) => self.change_with(Form::Through, at_s, &self.course_of(hole)),
            None => self.unseen(at_s),
        }
    }

    /// What leaves through a hole, tried from a number of times on.
    pub fn begun_between(&self, hole: &Hole, (from_s, to_s): (f64, f64)) -> Vec<Candidate> {
        const TRIED: usize = 48;
        let course = self.course_of(hole);
        let regressors = [course.as_slice()];
        let series = LossSeries {
            regressors: &regressors,
            ..self.series()
        };
        let inside = |at: &usize| (from_s..=to_s).contains(&series.time_s(*at));
        let all: Vec<usize> = (1..course.len().saturating_sub(6)).filter(inside).collect();
        let stride = all.len().div_ceil(TRIED).max(1);
        let some = all.into_iter().step_by(stride);
        let some: Vec<f64> = some.map(|at| series.time_s(at)).collect();
        try_changes(&series, &self.fitted, Form::Through, &some)
    }

    fn course_of(&self, hole: &Hole) -> Vec<f64> {
        let series = self.series();
        hole.course((0..series.mass_kg.len()).map(|i| series.time_s(i)))
    }

    fn change_with(&self, form: Form, at_s: f64, course: &[f64]) -> Change {
        let regressors = [course];
        let series = LossSeries {
            regressors: &regressors,
            ..self.series()
        };
        let last = self.residuals.values.len().saturating_sub(1);
        let at_s = at_s.max(series.time_s(1)).min(series.time_s(last));
        match try_change(&series, &self.fitted, form, at_s) {
            Some((fitted, values)) => Change {
                fitted,
                left: OnGrid {
                    first: self.residuals.first,
                    values,
                },
            },
            None => self.unseen(at_s),
        }
    }

    /// Residuals before the onset, by number of the grid step.
    fn quiet(&self) -> impl Iterator<Item = (i64, f64)> {
        (self.residuals.first..self.before)
            .zip(&self.residuals.values)
            .zip(&self.fitted.whitened.gains)
            .filter(|(_, gain)| gain.is_some())
            .map(|((step, residual), _)| (step, *residual))
    }
}

/// Sum of products over the steps that both have.
pub(super) fn common(one: &OnGrid, other: &OnGrid) -> f64 {
    let skip = |ahead: i64| usize::try_from(ahead).unwrap_or(0);
    let left = one.values.iter().skip(skip(other.first - one.first));
    let right = other.values.iter().skip(skip(one.first - other.first));
    left.zip(right).map(|(a, b)| a * b).sum()
}

/// Correlations of the traces' residuals before the onset, row by row.
pub(super) fn correlations(bases: &[Based]) -> Vec<f64> {
    let quiet: Vec<Vec<(i64, f64)>> = bases.iter().map(|base| base.quiet().collect()).collect();
    let n = bases.len();
    let mut found = vec![0.0; n * n];
    for (row, left) in found.chunks_exact_mut(n.max(1)).zip(&quiet) {
        for (cell, right) in row.iter_mut().zip(&quiet) {
            *cell = if std::ptr::eq(left, right) {
                1.0
            } else {
                correlation(left, right)
            };
        }
    }
    found
}

/// Both lists rise by their steps.
fn correlation(left: &[(i64, f64)], right: &[(i64, f64)]) -> f64 {
    const FEWEST: f64 = 72.0;
    let (mut products, mut squares) = (0.0, (0.0, 0.0));
    let mut common = 0.0;
    let mut others = right.iter().peekable();
    for (step, a) in left {
        while others.next_if(|(other, _)| other < step).is_some() {}
        if let Some((_, b)) = others.next_if(|(other, _)| other == step) {
            products += a * b;
            squares.0 += a * a;
            squares.1 += b * b;
            common += 1.0;
        }
    }
    let scale = libm::sqrt(squares.0 * squares.1);
    if common < FEWEST || scale <= 0.0 {
        return 0.0;
    }
    (products / scale).clamp(-MOST_CORRELATION, MOST_CORRELATION)
}
