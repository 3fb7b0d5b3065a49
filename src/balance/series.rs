//! The series a loss rate is found in, and the design matrix of its fit.
//!
//! ```text
//! S(t) = level - rate (t - middle) - sum_b change_b (t - t_b)+ + sum_s offset_s [t >= t_s]
//!        + mean daily wave (sine and cosine of 24 h and of 12 h) + regressors + noise
//! ```
//!
//! S is what the plant holds, less what was received, plus what was dispatched: with every entry
//! booked it can only fall, and it falls by the loss. A rate is positive when helium is lost.

#![expect(
    clippy::indexing_slicing,
    reason = "columns are laid out by the constructor, rows by the grid"
)]

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::least_squares::Prior;
use super::whiten::DAY_S;

/// Most columns a fit may have; bounds the work of one call.
pub const MOST_COLUMNS: usize = 48;
/// Fewest usable samples for any statement.
pub const FEWEST_SAMPLES: usize = 12;

/// A book-corrected helium mass on a regular grid.
#[derive(Debug, Clone, Copy, Default)]
pub struct LossSeries<'a> {
    /// Time of the first sample, s, from an origin that stays the same for the whole run (the phase
    /// of the daily wave rests on it).
    pub start_s: f64,
    /// Step of the grid, s.
    pub step_s: f64,
    /// Inventory less received plus dispatched, kg; NaN where there is none.
    pub mass_kg: &'a [f64],
    /// Courses that the false wave follows (a mean storage temperature, its rate), any unit, on the
    /// same grid. A sample whose regressor is NaN counts as missing.
    pub regressors: &'a [&'a [f64]],
    /// Standard uncertainty of each regressor's coefficient beforehand, around zero; infinite, or not
    /// given, where nothing is known of it.
    pub regressor_stds: &'a [f64],
    /// Times, s, at which the level may have jumped (a restatement); each gets its own offset.
    pub steps_s: &'a [f64],
    /// Times, s, at which the rate is known to have changed; the rate asked for is the one before
    /// the first of them.
    pub bends_s: &'a [f64],
}

/// What the user holds as normal, and how sure a statement has to be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LossSettings {
    /// Accepted loss, kg/s.
    pub accepted_kg_per_s: f64,
    /// Its standard uncertainty, kg/s.
    pub accepted_std_kg_per_s: f64,
    /// Probability of calling a loss where there is none (ISO 11929: alpha).
    pub alpha: f64,
    /// Probability of missing a loss at the detection limit (ISO 11929: beta).
    pub beta: f64,
}

impl Default for LossSettings {
    /// Nothing accepted, no drift, 5 % each.
    fn default() -> Self {
        Self {
            accepted_kg_per_s: 0.0,
            accepted_std_kg_per_s: 0.0,
            alpha: 0.05,
            beta: 0.05,
        }
    }
}

/// Why no statement on the loss can be made.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum LossError {
    /// Too little data.
    #[error(
        "only {usable} usable samples in the window, {needed} are needed; wait, or take a longer window"
    )]
    TooShort {
        /// Samples that are there.
        usable: usize,
        /// Samples that are needed.
        needed: usize,
    },
    /// The grid or a setting is no usable number.
    #[error("{what} is {value}, which cannot be; give a finite number in its range")]
    BadNumber {
        /// Which number.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// A regressor on another grid.
    #[error(
        "regressor {index} has {found} samples where the series has {expected}; sample it on the same grid"
    )]
    RegressorLength {
        /// Which one, from 0.
        index: usize,
        /// Samples of the series.
        expected: usize,
        /// Samples of the regressor.
        found: usize,
    },
    /// More free coefficients than one fit may have.
    #[error("{found} steps, bends and regressors together; at most {most}: take a shorter window")]
    TooManyColumns {
        /// How many there are.
        found: usize,
        /// How many there may be.
        most: usize,
    },
    /// The rate cannot be told from the other columns.
    #[error(
        "the rate cannot be told from the steps and regressors of this window; take a longer one"
    )]
    RateNotSeparable,
    /// The noise was found on another grid.
    #[error(
        "the noise was found on a grid of {noise_s} s, the series has {series_s} s; fit it anew"
    )]
    OtherGrid {
        /// Step of the noise model, s.
        noise_s: f64,
        /// Step of the series, s.
        series_s: f64,
    },
}

/// The first step of a grid (its first time and its step, s) that is not before a time, s.
pub(super) fn first_step_at((start_s, step_s): (f64, f64), time_s: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a cast from float saturates"
    )]
    let step = libm::ceil((time_s - start_s) / step_s).max(0.0) as usize;
    step
}

impl LossSeries<'_> {
    /// Time of sample `i`, s.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a count of samples")]
    pub fn time_s(&self, i: usize) -> f64 {
        self.start_s + self.step_s * i as f64
    }

    /// The first sample that is not before a time, s; the last one when all are.
    #[must_use]
    pub fn first_at(&self, time_s: f64) -> usize {
        let last = self.mass_kg.len().saturating_sub(1);
        first_step_at((self.start_s, self.step_s), time_s).min(last)
    }

    /// Whether a sample ends after a time, s; one that ends then does not, however it is rounded.
    pub(crate) fn is_after(&self, sample: usize, time_s: f64) -> bool {
        self.time_s(sample) - time_s > 1e-6 * self.step_s
    }

    /// Length of the window, s.
    #[must_use]
    pub fn span_s(&self) -> f64 {
        self.time_s(self.mass_kg.len().saturating_sub(1)) - self.start_s
    }

    /// # Errors
    /// [`LossError`] when the grid, a regressor or the number of columns cannot be used.
    pub fn check(&self) -> Result<(), LossError> {
        check_numbers(&[
            ("start of the series in s", self.start_s, true),
            ("step of the grid in s", self.step_s, self.step_s > 0.0),
        ])?;
        for (index, r) in self.regressors.iter().enumerate() {
            if r.len() != self.mass_kg.len() {
                return Err(LossError::RegressorLength {
                    index,
                    expected: self.mass_kg.len(),
                    found: r.len(),
                });
            }
        }
        let free = self.regressors.len() + self.steps_s.len() + self.bends_s.len();
        check_free(free)?;
        let usable = self.mass_kg.iter().filter(|m| m.is_finite()).count();
        let needed = FEWEST_SAMPLES + free;
        if usable < needed {
            return Err(LossError::TooShort { usable, needed });
        }
        Ok(())
    }
}

impl LossSettings {
    /// # Errors
    /// [`LossError::BadNumber`] for a setting outside its range.
    pub fn check(&self) -> Result<(), LossError> {
        check_numbers(&[
            ("accepted loss in kg/s", self.accepted_kg_per_s, true),
            (
                "uncertainty of the accepted loss in kg/s",
                self.accepted_std_kg_per_s,
                self.accepted_std_kg_per_s >= 0.0,
            ),
            ("alpha", self.alpha, self.alpha > 0.0 && self.alpha < 0.5),
            ("beta", self.beta, self.beta > 0.0 && self.beta < 0.5),
        ])
    }
}

/// Refuses the first number that is not finite or not good.
pub(super) fn check_numbers(checks: &[(&'static str, f64, bool)]) -> Result<(), LossError> {
    match checks
        .iter()
        .find(|(_, value, good)| !(value.is_finite() && *good))
    {
        Some(&(what, value, _)) => Err(LossError::BadNumber { what, value }),
        None => Ok(()),
    }
}

/// Refuses more regressors, steps and bends than one fit may have beside level, rate and waves.
pub(super) fn check_free(found: usize) -> Result<(), LossError> {
    let most = MOST_COLUMNS - 2 - WAVES;
    if found > most {
        return Err(LossError::TooManyColumns { found, most });
    }
    Ok(())
}

/// A square matrix, row by row, with nothing beside its diagonal.
fn diagonal(of: &[f64], value: impl Fn(f64) -> f64) -> Vec<f64> {
    let mut matrix = vec![0.0; of.len() * of.len()];
    for (cell, of) in matrix.iter_mut().step_by(of.len() + 1).zip(of) {
        *cell = value(*of);
    }
    matrix
}

/// Regressors counted from those of the first sample: a course that has run for years would drown the
/// level beside it.
pub(super) fn from_first<'a>(
    first: &'a mut Option<Vec<f64>>,
    regressors: &'a [f64],
) -> impl Iterator<Item = f64> + 'a {
    let first = first.get_or_insert_with(|| regressors.to_vec());
    regressors
        .iter()
        .zip(first)
        .map(|(now, first)| now - *first)
}

/// Columns of the mean daily wave.
pub(crate) const WAVES: usize = 4;

/// Sine and cosine of 24 h and of 12 h.
pub(crate) fn wave_row(time_s: f64) -> [f64; WAVES] {
    // The remainder first: the argument of the sine stays small after years.
    let phase = TAU * (time_s / DAY_S - libm::floor(time_s / DAY_S));
    [
        libm::sin(phase),
        libm::cos(phase),
        libm::sin(2.0 * phase),
        libm::cos(2.0 * phase),
    ]
}

/// Rows `[level, rate, waves, regressors, steps, bends, S]` of a series; coefficients of rate and
/// bends are kg/day.
#[derive(Debug, Clone)]
pub(crate) struct Design {
    /// Number of columns without S.
    pub(crate) columns: usize,
    /// Row after row, `columns + 1` each; rows of missing samples are zero.
    pub(crate) rows: Vec<f64>,
    /// Which samples are there.
    pub(crate) present: Vec<bool>,
    pub(crate) step_s: f64,
    /// Where the wave columns begin, and how many nuisance columns (waves, regressors) follow.
    pub(crate) nuisance: std::ops::Range<usize>,
    pub(crate) first_bend: usize,
    /// Standard uncertainties beforehand of the regressors, which are the last of the nuisance.
    regressor_stds: Vec<f64>,
    /// S is counted from here, kg.
    pub(crate) reference_kg: f64,
}

pub(crate) const LEVEL: usize = 0;
pub(crate) const RATE: usize = 1;

impl Design {
    /// `accepted_kg_per_day` is taken out of S, so that rates are deviations from it.
    pub(crate) fn new(series: &LossSeries<'_>, waves: bool, accepted_kg_per_day: f64) -> Self {
        let n = series.mass_kg.len();
        let wave_count = if waves { WAVES } else { 0 };
        let nuisance = 2..2 + wave_count + series.regressors.len();
        let first_bend = nuisance.end + series.steps_s.len();
        let columns = first_bend + series.bends_s.len();
        let middle = series.start_s + 0.5 * series.span_s();
        let present: Vec<bool> = (0..n)
            .map(|i| {
                series.mass_kg.get(i).is_some_and(|m| m.is_finite())
                    && series
                        .regressors
                        .iter()
                        .all(|r| r.get(i).is_some_and(|x| x.is_finite()))
            })
            .collect();
        let centre = |x: &[f64]| {
            let (mut sum, mut count) = (0.0, 0.0);
            for (x, p) in x.iter().zip(&present) {
                if *p {
                    sum += x;
                    count += 1.0;
                }
            }
            if count > 0.0 { sum / count } else { 0.0 }
        };
        let reference_kg = centre(series.mass_kg);
        let centres: Vec<f64> = series.regressors.iter().map(|r| centre(r)).collect();
        let mut rows = vec![0.0; n * (columns + 1)];
        for (i, row) in rows.chunks_exact_mut(columns + 1).enumerate() {
            if !present[i] {
                continue;
            }
            let t = series.time_s(i);
            let days = (t - middle) / DAY_S;
            row[LEVEL] = 1.0;
            row[RATE] = -days;
            if waves {
                row[2..2 + WAVES].copy_from_slice(&wave_row(t));
            }
            for ((x, r), c) in row[2 + wave_count..]
                .iter_mut()
                .zip(series.regressors)
                .zip(&centres)
            {
                *x = r[i] - c;
            }
            for (x, at) in row[nuisance.end..].iter_mut().zip(series.steps_s) {
                *x = if t >= *at { 1.0 } else { 0.0 };
            }
            for (x, at) in row[first_bend..].iter_mut().zip(series.bends_s) {
                *x = -((t - at).max(0.0) / DAY_S);
            }
            row[columns] = series.mass_kg[i] - reference_kg + accepted_kg_per_day * days;
        }
        Self {
            columns,
            rows,
            present,
            step_s: series.step_s,
            nuisance,
            first_bend,
            regressor_stds: (0..series.regressors.len())
                .map(|ix| series.regressor_stds.get(ix).copied())
                .map(|std| std.unwrap_or(f64::INFINITY))
                .collect(),
            reference_kg,
        }
    }

    /// What is known of the regressors' coefficients beforehand.
    pub(crate) fn regressor_prior(&self) -> Option<Prior> {
        self.prior(None, |std| 1.0 / (std * std))
    }

    /// Holds the regressors of which something is known beforehand where that has them; the one at
    /// `off`, by one of its standard uncertainties beside it.
    pub(crate) fn held_regressors(&self, off: Option<usize>) -> Option<Prior> {
        const FIRMLY: f64 = 1e12;
        self.prior(off, |std| FIRMLY / (std * std))
    }

    /// Positions of the regressors of which something is known beforehand.
    pub(crate) fn known_regressors(&self) -> impl Iterator<Item = usize> {
        let stds = self.regressor_stds.iter().enumerate();
        stds.filter(|(_, std)| std.is_finite()).map(|(at, _)| at)
    }

    fn prior(&self, off: Option<usize>, precision: impl Fn(f64) -> f64) -> Option<Prior> {
        self.known_regressors().next()?;
        let stds = self.regressor_stds.iter().enumerate();
        Some(Prior {
            first: self.nuisance.end - self.regressor_stds.len(),
            mean: stds
                .map(|(at, std)| if Some(at) == off { *std } else { 0.0 })
                .collect(),
            precision: diagonal(&self.regressor_stds, precision),
        })
    }

    /// Takes the rate column out of the fit.
    pub(crate) fn fix_rate(&mut self) {
        for row in self.rows.chunks_exact_mut(self.columns + 1) {
            row[RATE] = 0.0;
        }
    }

    /// Marks samples as not there; gives how many there were.
    pub(crate) fn set_aside(&mut self, samples: &[usize]) -> usize {
        for i in samples {
            if let Some(p) = self.present.get_mut(*i) {
                *p = false;
            }
        }
        samples.len()
    }

    /// Fitted S at the end of the window without wave, regressors and noise, kg.
    pub(crate) fn level_at_end(
        &self,
        coefficients: &[f64],
        series: &LossSeries<'_>,
        accepted_kg_per_day: f64,
    ) -> f64 {
        let days = 0.5 * series.span_s() / DAY_S;
        let end = series.start_s + series.span_s();
        let mut level = self.reference_kg + coefficients[LEVEL]
            - (coefficients[RATE] + accepted_kg_per_day) * days;
        for (c, at) in coefficients[self.nuisance.end..].iter().zip(series.steps_s) {
            level += if end >= *at { *c } else { 0.0 };
        }
        for (c, at) in coefficients[self.first_bend..].iter().zip(series.bends_s) {
            level -= c * (end - at).max(0.0) / DAY_S;
        }
        level
    }

    pub(crate) fn usable(&self) -> usize {
        self.present.iter().filter(|p| **p).count()
    }

    /// Takes samples back that were set aside although the series kept to their level: a run that lies
    /// nearer to what follows than half as far as to what came before. Where nothing follows yet, the
    /// last of a run is what follows the others. Gives how many.
    pub(crate) fn take_steps_back(&mut self, all: &[bool]) -> usize {
        const NEAR: usize = 3;
        let value = |i: usize| self.rows[i * (self.columns + 1) + self.columns];
        let median = |samples: &mut dyn Iterator<Item = usize>| {
            let mut values: Vec<f64> = samples.take(NEAR).map(value).collect();
            values.sort_by(f64::total_cmp);
            values.get(values.len() / 2).copied()
        };
        let aside = |i: usize| all.get(i) == Some(&true) && !self.present[i];
        let mut back = Vec::new();
        let mut i = 0;
        while i < self.present.len() {
            let end = (i..self.present.len())
                .find(|at| !aside(*at))
                .unwrap_or(self.present.len());
            if end > i {
                let there = |at: &usize| self.present[*at];
                let before = median(&mut (0..i).rev().filter(there));
                let follows = median(&mut (end..self.present.len()).filter(there));
                let levels = match follows {
                    Some(after) => median(&mut (i..end).rev()).map(|run| (run, after)),
                    None if end - i > 1 => Some((value(end - 2), value(end - 1))),
                    None => None,
                };
                if let (Some(before), Some((run, after))) = (before, levels)
                    && (run - after).abs() < 0.5 * (run - before).abs()
                {
                    back.extend(i..end);
                }
            }
            i = end + 1;
        }
        for i in &back {
            self.present[*i] = true;
        }
        back.len()
    }

    /// Marks samples that stand apart from their six neighbours by far more than neighbours differ.
    /// Gives how many were marked.
    ///
    /// **Source** running median with the median absolute deviation (Hampel identifier), common
    /// practice.
    pub(crate) fn set_spikes_aside(&mut self) -> usize {
        const HALF: usize = 3;
        const LIMIT: f64 = 8.0;
        let width = self.columns + 1;
        let values: Vec<(usize, f64)> = self
            .present
            .iter()
            .enumerate()
            .filter(|(_, p)| **p)
            .map(|(i, _)| (i, self.rows[i * width + self.columns]))
            .collect();
        if values.len() < 4 * HALF {
            return 0;
        }
        let median = |v: &mut Vec<f64>| {
            v.sort_by(f64::total_cmp);
            v[v.len() / 2]
        };
        let deviations: Vec<f64> = (0..values.len())
            .map(|j| {
                let from = j.saturating_sub(HALF).min(values.len() - 2 * HALF - 1);
                let mut near: Vec<f64> =
                    values[from..=from + 2 * HALF].iter().map(|v| v.1).collect();
                values[j].1 - median(&mut near)
            })
            .collect();
        let scale = 1.4826 * median(&mut deviations.iter().map(|d| d.abs()).collect());
        let mut marked = 0;
        // The ends of a ramp differ from the median of their window without being spikes.
        for (j, ((i, _), d)) in values.iter().zip(&deviations).enumerate() {
            let inner = j >= HALF && j + HALF < values.len();
            let limit = if inner { LIMIT } else { 2.0 * LIMIT };
            if scale > 0.0 && d.abs() > limit * scale {
                self.present[*i] = false;
                marked += 1;
            }
        }
        marked
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_to_whose_level_a_series_keeps_are_no_spikes() {
        // A wave that no level hides in; 10 kg are gone from sample 20 on, and one sample is a spike.
        let mut mass_kg: Vec<f64> = (0..30).map(|i| libm::sin(f64::from(i))).collect();
        for kg in mass_kg.iter_mut().skip(20) {
            *kg -= 10.0;
        }
        mass_kg[8] += 10.0;
        let back = |length: usize, aside: &[usize]| {
            let series = LossSeries {
                start_s: 0.0,
                step_s: 600.0,
                mass_kg: &mass_kg[..length],
                ..LossSeries::default()
            };
            let mut design = Design::new(&series, false, 0.0);
            let all = design.present.clone();
            design.set_aside(aside);
            let back = design.take_steps_back(&all);
            (back, design.usable())
        };
        assert_eq!(back(30, &[8, 20, 21]), (2, 29));
        // Where nothing follows yet, two at one level are a step and one alone is not.
        assert_eq!(back(22, &[8, 20, 21]), (2, 21));
        assert_eq!(back(21, &[8, 20]), (0, 19));
    }
}
