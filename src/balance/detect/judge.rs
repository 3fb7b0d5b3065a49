//! All onsets held against the data: which is the likeliest, and what becomes of a standing loss.

#![expect(
    clippy::indexing_slicing,
    reason = "layouts are fixed by the constructor and kept by every method"
)]

use super::{
    Best, Comparison, Detection, Detector, Expected, HYSTERESIS, MOST_HYPOTHESES, NINETY_FIVE,
    NOTHING, OVER_SURER, Pinned, RATE, REMAINS, STANDS_OUT, Verdict, YOUNGEST_S, count64,
};
use crate::balance::linear::Cholesky;
use crate::balance::whiten::DAY_S;

impl Detector {
    pub(super) fn is_pinned(&self, slot: usize) -> bool {
        self.pinned.as_ref().is_some_and(|p| p.slot == slot)
    }

    pub(super) fn pin(&mut self, slot: usize, index: u64) {
        self.pinned = Some(Pinned {
            slot,
            since: index,
            products: vec![0.0; MOST_HYPOTHESES],
        });
    }

    /// Whether enough of the plant has been seen for any statement: two days, less a fifth missing.
    pub(super) fn learned(&self) -> bool {
        self.samples() >= self.steps(2.0 * DAY_S) * 4 / 5
    }

    /// All hypotheses against the data.
    pub(super) fn judge(&mut self, index: u64) -> Verdict {
        if !self.learned() {
            return Verdict::Learning;
        }
        let compared = self.compare(index);
        self.best = compared.map(|c| c.best);
        let now_s = self.origin_s + count64(index) * self.noise.step_s;
        let Some(Comparison { best, pinned, over }) = compared else {
            return match self.standing {
                Some(found) => Verdict::Standing(found),
                None => Verdict::Quiet,
            };
        };
        let Some(stood) = self.standing else {
            if best.significance <= best.limit {
                return Verdict::Quiet;
            }
            self.pin(best.slot, index);
            let found = self.detection(&best, now_s, now_s);
            self.standing = Some(found);
            return Verdict::Raised(found);
        };
        if let Some(slot) = over {
            let end = self.slots[slot].unwrap_or(index);
            let end_s = self.origin_s + count64(end) * self.noise.step_s;
            self.ended = Some((stood.onset_s, end_s));
            self.learn_level_anew(Some(slot));
            return Verdict::Cleared;
        }
        let pinned = pinned.unwrap_or(f64::NEG_INFINITY);
        if best.significance < best.limit - HYSTERESIS && pinned < NOTHING {
            self.standing = None;
            self.pinned = None;
            return Verdict::Cleared;
        }
        // An onset outside the 95 % band of which the pinned one lies.
        if best.significance * best.significance > pinned * pinned.abs() + 3.84 {
            self.pin(best.slot, index);
        }
        let found = self.detection(&best, now_s, stood.raised_s);
        self.standing = Some(found);
        Verdict::Standing(found)
    }

    pub(super) fn detection(&self, best: &Best, now_s: f64, raised_s: f64) -> Detection {
        let at = |index: u64| self.origin_s + count64(index) * self.noise.step_s;
        let onset = self.slots[best.slot].unwrap_or(best.band.0);
        Detection {
            raised_s,
            onset_s: at(onset).min(now_s),
            onset_band_95_s: (at(best.band.0), at(best.band.1)),
            excess_kg_per_s: best.change / DAY_S,
            std_uncertainty_kg_per_s: libm::sqrt(best.variance) / DAY_S,
            significance: best.significance,
            limit: best.limit,
        }
    }

    fn compare(&mut self, index: u64) -> Option<Comparison> {
        let (k, width) = (self.columns, self.width());
        let mut matrix = vec![0.0; k * k];
        let mut right = vec![0.0; k];
        for i in 0..k {
            matrix[i * k..(i + 1) * k].copy_from_slice(&self.total[i * width..i * width + k]);
            right[i] = self.total[i * width + k];
        }
        // The rate so far is the accepted one within its uncertainty (at least 1 g/day).
        let accepted_std = (self.settings.accepted_std_kg_per_s * DAY_S).max(1e-3);
        matrix[RATE * k + RATE] += 1.0 / (accepted_std * accepted_std);
        for (column, std) in (k - self.regressor_stds.len()..k).zip(&self.regressor_stds) {
            matrix[column * k + column] += 1.0 / (std * std);
        }
        let factor = Cholesky::new(&matrix, k)?;
        let mut coefficients = factor.solve(&right);
        // All ramps at once: what is left of them beside the background.
        let mut left = self.energy.clone();
        let halves = factor.forward_many(&self.products, MOST_HYPOTHESES);
        for half in halves.chunks_exact(MOST_HYPOTHESES) {
            for (l, h) in left.iter_mut().zip(half) {
                *l -= h * h;
            }
        }
        let youngest = self.steps(YOUNGEST_S).max(2);
        let mut best: Option<Best> = None;
        let mut values = [f64::NEG_INFINITY; MOST_HYPOTHESES];
        let mut agreements = [0.0; MOST_HYPOTHESES];
        for (slot, onset) in self.slots.iter().enumerate() {
            let Some(onset) = onset else { continue };
            let age = index - onset;
            let left = left[slot];
            // A ramp that the background explains but for rounding says nothing.
            if age < youngest || left <= 1e-6 * self.energy[slot] {
                continue;
            }
            let mut s = self.products[k * MOST_HYPOTHESES + slot];
            for (c, p) in coefficients
                .iter()
                .zip(self.products.chunks_exact(MOST_HYPOTHESES))
            {
                s -= c * p[slot];
            }
            agreements[slot] = s;
            let significance = s / libm::sqrt(left);
            values[slot] = significance;
            let limit = self.limit_at(age);
            let above = significance - limit;
            if best.is_none_or(|b| above > b.significance - b.limit) {
                best = Some(Best {
                    slot,
                    change: s / left,
                    variance: 1.0 / left,
                    significance,
                    limit,
                    band: (*onset, *onset),
                });
            }
        }
        let ramp = best.filter(|best| best.significance > STANDS_OUT);
        if let Some(ramp) = ramp {
            // Beside the ramp the background is another than without it.
            let columns = self.products.chunks_exact(MOST_HYPOTHESES).take(k);
            let column: Vec<f64> = columns.map(|row| row[ramp.slot]).collect();
            for (c, of_ramp) in coefficients.iter_mut().zip(factor.solve(&column)) {
                *c -= ramp.change * of_ramp;
            }
        }
        self.expected = Some(Expected {
            coefficients,
            ramp: ramp.map(|ramp| (ramp.slot, ramp.change)),
        });
        let mut best = best?;
        if best.significance > best.limit - 2.0 {
            best.band = self.onset_band(&best, &values);
        }
        let over = self.pinned.as_ref().and_then(|pinned| {
            let tried = Tried {
                left: &left,
                agreements: &agreements,
                halves: &halves,
                values: &values,
            };
            self.over(index, pinned, &tried)
        });
        Some(Comparison {
            best,
            pinned: self.pinned.as_ref().map(|p| values[p.slot]),
            over,
        })
    }

    /// Whether the rate has fallen since the pinned onset, by so much that the loss is over: the
    /// slot of the likeliest end.
    fn over(&self, index: u64, pinned: &Pinned, tried: &Tried<'_>) -> Option<usize> {
        let p = pinned.slot;
        let (left_p, s_p) = (tried.left[p], tried.agreements[p]);
        if !tried.values[p].is_finite() {
            return None;
        }
        let mut likeliest: Option<(f64, usize)> = None;
        for (slot, onset) in self.slots.iter().enumerate() {
            let Some(end) = onset.filter(|o| *o > pinned.since) else {
                continue;
            };
            if !tried.values[slot].is_finite() || slot == p {
                continue;
            }
            let (left, s) = (tried.left[slot], tried.agreements[slot]);
            let shared: f64 = tried
                .halves
                .chunks_exact(MOST_HYPOTHESES)
                .map(|half| half[p] * half[slot])
                .sum();
            let cross = pinned.products[slot] - shared;
            let determinant = left_p * left - cross * cross;
            if determinant <= 1e-9 * left_p * left {
                continue;
            }
            let before = (left * s_p - cross * s) / determinant;
            let change = (left_p * s - cross * s_p) / determinant;
            let fall = -change / libm::sqrt(left_p / determinant);
            let remains_std = libm::sqrt(((left + left_p - 2.0 * cross) / determinant).max(0.0));
            let most = before + change + NINETY_FIVE * remains_std;
            if fall > self.limit_at(index - end) + OVER_SURER
                && most < REMAINS * before
                && likeliest.is_none_or(|l| fall > l.0)
            {
                likeliest = Some((fall, slot));
            }
        }
        likeliest.map(|l| l.1)
    }

    /// Onsets whose sum of squares lies within 3.84 of the best one's, and half the way on to the
    /// next that was tried.
    fn onset_band(&self, best: &Best, values: &[f64]) -> (u64, u64) {
        let square = best.significance * best.significance;
        let mut tried: Vec<(u64, bool)> = self
            .slots
            .iter()
            .zip(values)
            .filter_map(|(onset, z)| onset.map(|o| (o, *z > 0.0 && square - z * z < 3.84)))
            .collect();
        tried.sort_unstable();
        let first = tried.iter().position(|t| t.1).unwrap_or(0);
        let last = tried.iter().rposition(|t| t.1).unwrap_or(0);
        let at = |i: usize| tried.get(i).map_or(best.band.0, |t| t.0);
        let from = at(first.saturating_sub(1)).midpoint(at(first));
        let to = at(last).midpoint(at((last + 1).min(tried.len().saturating_sub(1))));
        (from, to)
    }
}

/// What is left of each ramp beside the background, and how well the data agree with it.
struct Tried<'a> {
    left: &'a [f64],
    agreements: &'a [f64],
    halves: &'a [f64],
    values: &'a [f64],
}
