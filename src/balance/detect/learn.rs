//! What is gathered with each sample: products of the background and of each onset's ramp.

#![expect(
    clippy::indexing_slicing,
    reason = "layouts are fixed by the constructor and kept by every method"
)]

use super::{Block, Detector, Expected, LEVEL, MOST_HYPOTHESES, PER_OCTAVE, RATE, count64};
use crate::balance::least_squares::{LONGEST_SPIKE, SPIKE};
use crate::balance::series::{from_first, wave_row};
use crate::balance::whiten::{Columns, DAY_S, Whitener};

impl Detector {
    /// As [`restate`](Self::restate); `end` is the slot of the onset at which a standing loss ended.
    pub(super) fn learn_level_anew(&mut self, end: Option<usize>) {
        let width = self.width();
        let kept = self.without_level(end);
        let samples = self.samples();
        self.blocks.clear();
        self.blocks.push_back(Block {
            products: kept.clone(),
            from: self.next,
            samples,
        });
        self.total = kept;
        self.open = Block::new(width, self.next);
        self.whitener = Whitener::new(&self.noise.parameters, self.noise.step_s);
        self.background = Columns::new(width);
        self.reference_kg = None;
        self.slots.fill(None);
        for slot in 0..MOST_HYPOTHESES {
            self.empty_slot(slot);
        }
        self.expected = None;
        self.best = None;
        self.standing = None;
        self.pinned = None;
    }

    /// What was gathered, with the level projected out of it, and a standing loss and its end too: what
    /// it says of wave and rate whatever those were.
    fn without_level(&self, end: Option<usize>) -> Vec<f64> {
        let width = self.width();
        let order = width + 2;
        let mut matrix = vec![0.0; order * order];
        for (row, total) in matrix
            .chunks_exact_mut(order)
            .zip(self.total.chunks_exact(width))
        {
            row[..width].copy_from_slice(total);
        }
        let mut add_ramp = |at: usize, slot: usize| {
            for (i, products) in self.products.chunks_exact(MOST_HYPOTHESES).enumerate() {
                matrix[i * order + at] = products[slot];
                matrix[at * order + i] = products[slot];
            }
            matrix[at * order + at] = self.energy[slot];
        };
        if let Some(pinned) = &self.pinned {
            add_ramp(width, pinned.slot);
            if let Some(end) = end {
                add_ramp(width + 1, end);
                matrix[width * order + width + 1] = pinned.products[end];
                matrix[(width + 1) * order + width] = pinned.products[end];
            }
        }
        for out in [LEVEL, width, width + 1] {
            let column: Vec<f64> = matrix.chunks_exact(order).map(|row| row[out]).collect();
            let pivot = column[out];
            if pivot > 0.0 {
                for (row, left) in matrix.chunks_exact_mut(order).zip(&column) {
                    for (x, right) in row.iter_mut().zip(&column) {
                        *x -= left * right / pivot;
                    }
                }
            }
        }
        let mut kept = Vec::with_capacity(width * width);
        for (i, row) in matrix.chunks_exact(order).take(width).enumerate() {
            // Nothing at all is known of the level, not even a rounding error.
            let known = |j: usize| i != LEVEL && j != LEVEL;
            kept.extend((0..width).map(|j| if known(j) { row[j] } else { 0.0 }));
        }
        kept
    }

    pub(super) fn forget(&mut self, index: u64) {
        let width = self.width();
        self.restate();
        self.blocks.clear();
        self.total.fill(0.0);
        self.open = Block::new(width, index);
        self.next = index;
        self.rate_origin = index;
    }

    pub(super) fn step(&mut self, sample: Option<(f64, &[f64])>) {
        let index = self.next;
        self.tend(index);
        let transition = self.whitener.transition;
        let row = sample.map(|(mass, regressors)| self.row(index, mass, regressors));
        let row = row.filter(|row| !self.is_spike(index, row));
        self.next += 1;
        let Some(row) = row else {
            self.whitener.skip();
            let width = self.width();
            self.background.skip(&transition, width);
            self.ramps.skip(&transition, MOST_HYPOTHESES);
            return;
        };
        let width = row.len();
        let gain = self.whitener.observe();
        let mut white = vec![0.0; width];
        self.background
            .observe(&transition, &gain, &row, &mut white);
        for (i, left) in white.iter().enumerate() {
            let at = i * width..(i + 1) * width;
            for ((a, b), right) in self.open.products[at.clone()]
                .iter_mut()
                .zip(&mut self.total[at])
                .zip(&white)
            {
                *a += left * right;
                *b += left * right;
            }
        }
        self.open.samples += 1;
        let mut ramp = [0.0; MOST_HYPOTHESES];
        let mut out = [0.0; MOST_HYPOTHESES];
        let per_step = self.noise.step_s / DAY_S;
        for (x, slot) in ramp.iter_mut().zip(&self.slots) {
            if let Some(onset) = slot {
                *x = -count64(index - onset) * per_step;
            }
        }
        self.ramps.observe(&transition, &gain, &ramp, &mut out);
        if let Some(pinned) = &mut self.pinned {
            let own = out[pinned.slot];
            for (p, o) in pinned.products.iter_mut().zip(&out) {
                *p += own * o;
            }
        }
        for (e, o) in self.energy.iter_mut().zip(&out) {
            *e += o * o;
        }
        for (p, left) in self.products.chunks_exact_mut(MOST_HYPOTHESES).zip(&white) {
            for (p, o) in p.iter_mut().zip(&out) {
                *p += left * o;
            }
        }
    }

    fn row(&mut self, index: u64, mass: f64, regressors: &[f64]) -> Vec<f64> {
        let mut row = Vec::with_capacity(self.width());
        let days = (count64(index) - count64(self.rate_origin)) * self.noise.step_s / DAY_S;
        let since_start = count64(index) * self.noise.step_s;
        row.push(1.0);
        row.push(-days);
        if self.noise.daily_wave {
            row.extend_from_slice(&wave_row(self.origin_s + since_start));
        }
        row.extend(from_first(&mut self.regressor_reference, regressors));
        let reference = *self
            .reference_kg
            .get_or_insert(mass + self.settings.accepted_kg_per_s * since_start);
        row.push(mass + self.settings.accepted_kg_per_s * since_start - reference);
        row
    }

    /// A lone sample far from what is expected, a standing loss included.
    fn is_spike(&mut self, index: u64, row: &[f64]) -> bool {
        let last = row.len() - 1;
        let Some(expected) = &self.expected else {
            return false;
        };
        let mut innovation = self.background.innovation(last, row[last]);
        for (j, c) in expected.coefficients.iter().enumerate() {
            innovation -= c * self.background.innovation(j, row[j]);
        }
        if let Some((slot, change)) = expected.ramp
            && let Some(Some(onset)) = self.slots.get(slot)
        {
            let x = -count64(index - onset) * self.noise.step_s / DAY_S;
            innovation -= change * self.ramps.innovation(slot, x);
        }
        let far = (innovation * self.whitener.inverse_std()).abs() > SPIKE;
        if far && self.spike_run < LONGEST_SPIKE {
            self.spike_run += 1;
            self.spikes += 1;
            return true;
        }
        if !far {
            self.spike_run = 0;
        }
        false
    }

    /// Opens and thins hypotheses, closes and drops blocks.
    fn tend(&mut self, index: u64) {
        let spacing = self.spacing();
        if index.is_multiple_of(spacing) {
            let oldest = self.steps(self.settings.oldest_onset_s);
            for slot in 0..MOST_HYPOTHESES {
                let Some(onset) = self.slots[slot] else {
                    continue;
                };
                let age = index - onset;
                let mut coarse = spacing;
                while age >= 2 * PER_OCTAVE * coarse {
                    coarse *= 2;
                }
                if !self.is_pinned(slot) && (age > oldest || !onset.is_multiple_of(coarse)) {
                    self.slots[slot] = None;
                    self.empty_slot(slot);
                }
            }
            if let Some(free) = self.slots.iter().position(Option::is_none) {
                self.empty_slot(free);
                self.slots[free] = Some(index);
            }
        }
        if index >= self.open.from + self.steps(DAY_S) {
            self.close_block(index);
        }
    }

    fn close_block(&mut self, index: u64) {
        let width = self.width();
        let closed = std::mem::replace(&mut self.open, Block::new(width, index));
        match (&self.pinned, self.blocks.back_mut()) {
            // While a loss stands, what was learned before it is kept, in bounded room.
            (Some(_), Some(last)) => last.add(&closed),
            _ => self.blocks.push_back(closed),
        }
        let keep = self.steps(self.settings.history_s + self.settings.oldest_onset_s);
        while self.pinned.is_none() && self.blocks.front().is_some_and(|b| b.from + keep < index) {
            self.blocks.pop_front();
        }
        // The rate column counts from now, or it would outgrow the level it is told from.
        let shift = count64(index - self.rate_origin) * self.noise.step_s / DAY_S;
        self.rate_origin = index;
        for block in &mut self.blocks {
            move_rate_origin(&mut block.products, width, shift);
        }
        self.background.add(RATE, LEVEL, shift);
        for slot in 0..MOST_HYPOTHESES {
            self.products[RATE * MOST_HYPOTHESES + slot] +=
                shift * self.products[LEVEL * MOST_HYPOTHESES + slot];
        }
        self.total.fill(0.0);
        for block in &self.blocks {
            for (t, p) in self.total.iter_mut().zip(&block.products) {
                *t += p;
            }
        }
    }

    fn empty_slot(&mut self, slot: usize) {
        self.ramps.clear(slot);
        self.energy[slot] = 0.0;
        for p in self.products.chunks_exact_mut(MOST_HYPOTHESES) {
            p[slot] = 0.0;
        }
        if self.is_pinned(slot) {
            self.pinned = None;
        }
        if let Some(pinned) = &mut self.pinned {
            pinned.products[slot] = 0.0;
        }
        if self.best.is_some_and(|b| b.slot == slot) {
            self.best = None;
        }
        let of_it = |expected: &Expected| expected.ramp.is_some_and(|ramp| ramp.0 == slot);
        if self.expected.as_ref().is_some_and(of_it) {
            self.expected = None;
        }
    }
}

/// Products when the rate column counts from `shift` days later.
fn move_rate_origin(products: &mut [f64], width: usize, shift: f64) {
    for j in 0..width {
        products[RATE * width + j] += shift * products[LEVEL * width + j];
    }
    for i in 0..width {
        products[i * width + RATE] += shift * products[i * width + LEVEL];
    }
}
