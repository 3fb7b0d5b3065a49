//! Sequential detection of a loss that begins: is more being lost than was, and since when?
//!
//! Every few minutes a new hypothesis is opened: "from here on helium is lost faster". Each follows
//! its own whitened ramp through the series and gathers how well the series agrees; old hypotheses
//! are thinned, so that their spacing stays a fixed part of their age (four to an octave). The level,
//! the accepted rate within its uncertainty, the daily wave and the regressors are learned from the
//! days before and projected out of each ramp. The largest of the normalised agreements is the
//! generalised likelihood ratio over the onset; above a limit it is an alarm. Only losses are looked
//! for, never gains.
//!
//! The limit follows from the false-alarm rate asked for. The noise was estimated, so each
//! agreement is Student-distributed rather than normal: the limit is raised accordingly, more for
//! slow losses, whose noise is the least well known. Old onsets have a lower limit than young ones:
//! fewer of them pass in a year. A lone sample far out is a spike and left out;
//! missing samples are predictions without correction. A standing alarm pins its hypothesis and
//! what was learned before it, so that a loss cannot hide by lasting.
//!
//! A standing loss is given up for one of three reasons. It is over: beside the pinned ramp a second
//! one is fitted for every onset since; once the fall of the rate is more significant than an alarm
//! has to be, and what remains of the loss is with 95 % less than half of it, the level is learned anew.
//! It never was: every onset lies well below the limit, and the pinned one within its own standard
//! deviation of nothing. Between these and the limit nothing changes, so that a loss near the limit
//! does not flicker. Or [`Detector::restate`] says that it is settled.
//!
//! Work per sample is bounded: at most [`MOST_HYPOTHESES`] ramps and a system of a dozen unknowns.
//!
//! **Source** Willsky and Jones 1976 (generalised likelihood ratio over onsets); Narasimhan and Mah
//! 1987 (leaks); Lai 1995 (window-limited bank of onsets).

#![expect(
    clippy::indexing_slicing,
    reason = "layouts are fixed by the constructor and kept by every method"
)]

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::distribution::student_from_normal;
use super::least_squares::{LONGEST_SPIKE, SPIKE, Whitened, count};
use super::linear::Cholesky;
use super::noise::{NoiseModel, rate_variance};
use super::series::{
    Design, LossError, LossSeries, WAVES, check_free, check_numbers, from_first, wave_row,
};
use super::whiten::{Columns, DAY_S, Whitener};

/// Most onsets followed at once.
pub const MOST_HYPOTHESES: usize = 64;
/// Onsets per doubling of age.
const PER_OCTAVE: u64 = 4;
/// Youngest onset that may raise an alarm, s.
const YOUNGEST_S: f64 = 1200.0;
/// How far all onsets must lie below the limit before a standing loss may be given up.
const HYSTERESIS: f64 = 2.0;
/// Significance of the pinned onset below which the data do not speak for it any more.
const NOTHING: f64 = 1.0;
/// By how much the fall of a loss that is over must pass the limit of an alarm: an alert given up
/// too soon comes back as a second one, so this is to be about a tenth as frequent as a false alarm.
const OVER_SURER: f64 = 0.5;
/// Significance from which on an onset belongs to what the next sample is expected to be.
const STANDS_OUT: f64 = 3.0;
/// Share of a loss that may remain, with 95 % (one-sided), when it is held to be over.
const REMAINS: f64 = 0.5;
/// One-sided 95 % of the normal distribution.
const NINETY_FIVE: f64 = 1.645;
/// Doublings of age for which a limit is kept.
const OCTAVES: usize = 16;

/// What the detector takes as normal, and how often it may be wrong.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DetectorSettings {
    /// Accepted loss, kg/s.
    pub accepted_kg_per_s: f64,
    /// Its standard uncertainty, kg/s.
    pub accepted_std_kg_per_s: f64,
    /// False alarms per year that are put up with.
    pub false_alarms_per_year: f64,
    /// How much of the past is learned from, before the oldest onset looked for, s.
    pub history_s: f64,
    /// Oldest onset looked for, s before now.
    pub oldest_onset_s: f64,
}

impl Default for DetectorSettings {
    /// One false alarm a year, seven days of history, onsets up to four days back.
    fn default() -> Self {
        Self {
            accepted_kg_per_s: 0.0,
            accepted_std_kg_per_s: 0.0,
            false_alarms_per_year: 1.0,
            history_s: 7.0 * DAY_S,
            oldest_onset_s: 4.0 * DAY_S,
        }
    }
}

/// A loss that has been found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Detection {
    /// When the alarm was raised, s.
    pub raised_s: f64,
    /// Most likely onset, s.
    pub onset_s: f64,
    /// Onsets that the data agree with (95 %), s.
    pub onset_band_95_s: (f64, f64),
    /// Loss rate beyond the accepted one, kg/s.
    pub excess_kg_per_s: f64,
    /// Its standard uncertainty if the onset were known, kg/s.
    pub std_uncertainty_kg_per_s: f64,
    /// Excess over that uncertainty.
    pub significance: f64,
    /// Significance that had to be passed.
    pub limit: f64,
}

/// What a sample did to the detector.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Verdict {
    /// Too little is known of the plant for any statement.
    Learning,
    /// No loss beyond the accepted one is seen.
    Quiet,
    /// A loss was found with this sample.
    Raised(Detection),
    /// The loss found earlier goes on.
    Standing(Detection),
    /// The loss found earlier is not seen any more.
    Cleared,
    /// The sample lies before one already taken, or its time is no number; nothing was done.
    Ignored,
}

/// The sequential test; its whole state can be stored and restored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Detector {
    settings: DetectorSettings,
    noise: NoiseModel,
    /// Standard uncertainty of each regressor's coefficient beforehand.
    regressor_stds: Vec<f64>,
    /// The first sample's regressors: they are counted from there.
    regressor_reference: Option<Vec<f64>>,
    origin_s: f64,
    /// Limit for a known noise, and for each doubling of age with this noise.
    normal_limit: f64,
    limits: [f64; OCTAVES],
    /// Grid index of the next sample.
    next: u64,
    reference_kg: Option<f64>,
    /// Grid index from which the rate column counts.
    rate_origin: u64,
    whitener: Whitener,
    /// S and background columns, then one column per slot.
    background: Columns,
    ramps: Columns,
    blocks: VecDeque<Block>,
    /// Sum of the closed blocks and of the open one.
    total: Vec<f64>,
    open: Block,
    /// Onset of each slot, grid index.
    slots: Vec<Option<u64>>,
    energy: Vec<f64>,
    /// Products of background columns and S (rows) with the ramps (columns).
    products: Vec<f64>,
    /// Columns of the background.
    columns: usize,
    /// None while the level is new.
    expected: Option<Expected>,
    spike_run: usize,
    spikes: u64,
    best: Option<Best>,
    standing: Option<Detection>,
    pinned: Option<Pinned>,
    ended: Option<(f64, f64)>,
}

/// What the next sample is expected to follow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Expected {
    /// Of the background, beside that ramp.
    coefficients: Vec<f64>,
    /// Slot and change of an onset that stands out.
    ramp: Option<(usize, f64)>,
}

/// The hypothesis of a standing loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Pinned {
    slot: usize,
    /// Grid index from which the products were gathered; younger ramps have theirs whole.
    since: u64,
    /// Products of its ramp with all ramps.
    products: Vec<f64>,
}

/// What one comparison of all hypotheses with the data says.
#[derive(Debug, Clone, Copy)]
struct Comparison {
    best: Best,
    /// Significance of the pinned onset.
    pinned: Option<f64>,
    /// Slot of the onset at which the standing loss ended, if it did.
    over: Option<usize>,
}

/// Products of whitened columns over a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Block {
    products: Vec<f64>,
    from: u64,
    samples: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Best {
    slot: usize,
    change: f64,
    variance: f64,
    significance: f64,
    limit: f64,
    band: (u64, u64),
}

const LEVEL: usize = 0;
const RATE: usize = 1;

impl Detector {
    /// A detector that knows the plant's noise and nothing else.
    ///
    /// `origin_s` is the time of its first sample; the grid is that of the noise.
    ///
    /// # Errors
    /// [`LossError`] for a setting outside its range or too many regressors.
    pub fn new(
        settings: DetectorSettings,
        noise: NoiseModel,
        regressors: usize,
        origin_s: f64,
    ) -> Result<Self, LossError> {
        check_numbers(&[
            ("accepted loss in kg/s", settings.accepted_kg_per_s, true),
            (
                "uncertainty of the accepted loss in kg/s",
                settings.accepted_std_kg_per_s,
                settings.accepted_std_kg_per_s >= 0.0,
            ),
            (
                "false alarms per year",
                settings.false_alarms_per_year,
                (1e-6..=1000.0).contains(&settings.false_alarms_per_year),
            ),
            (
                "history in s",
                settings.history_s,
                (DAY_S..=366.0 * DAY_S).contains(&settings.history_s),
            ),
            (
                "oldest onset in s",
                settings.oldest_onset_s,
                (0.5 * DAY_S..=30.0 * DAY_S).contains(&settings.oldest_onset_s),
            ),
            (
                "step of the grid in s",
                noise.step_s,
                (1.0..=7200.0).contains(&noise.step_s),
            ),
            ("origin in s", origin_s, true),
        ])?;
        check_free(regressors)?;
        let waves = if noise.daily_wave { WAVES } else { 0 };
        let width = 3 + waves + regressors;
        let whitener = Whitener::new(&noise.parameters, noise.step_s);
        let mut detector = Self {
            settings,
            regressor_stds: vec![f64::INFINITY; regressors],
            regressor_reference: None,
            origin_s,
            normal_limit: limit_for(settings.false_alarms_per_year, noise.step_s),
            limits: [0.0; OCTAVES],
            next: 0,
            reference_kg: None,
            rate_origin: 0,
            whitener,
            background: Columns::new(width),
            ramps: Columns::new(MOST_HYPOTHESES),
            blocks: VecDeque::new(),
            total: vec![0.0; width * width],
            open: Block::new(width, 0),
            slots: vec![None; MOST_HYPOTHESES],
            energy: vec![0.0; MOST_HYPOTHESES],
            products: vec![0.0; width * MOST_HYPOTHESES],
            columns: width - 1,
            expected: None,
            spike_run: 0,
            spikes: 0,
            best: None,
            standing: None,
            pinned: None,
            ended: None,
            noise,
        };
        detector.set_limits();
        Ok(detector)
    }

    /// With what is known of the regressors' coefficients beforehand: a standard uncertainty around
    /// zero each, infinite where nothing is known.
    #[must_use]
    pub fn with_regressor_stds(mut self, stds: &[f64]) -> Self {
        for (known, std) in self.regressor_stds.iter_mut().zip(stds) {
            *known = *std;
        }
        self
    }

    /// Takes a newly estimated noise into use; what was learned of level and wave stays.
    ///
    /// # Errors
    /// [`LossError::OtherGrid`] when it was found on another grid or without the same wave.
    pub fn set_noise(&mut self, noise: NoiseModel) -> Result<(), LossError> {
        noise.check_grid(self.noise.step_s)?;
        if noise.daily_wave != self.noise.daily_wave {
            return Err(LossError::OtherGrid {
                noise_s: noise.step_s,
                series_s: self.noise.step_s,
            });
        }
        self.whitener.retune(&noise.parameters, noise.step_s);
        self.noise = noise;
        self.set_limits();
        Ok(())
    }

    /// Significance that a loss must reach, were the noise known exactly.
    #[must_use]
    pub fn limit(&self) -> f64 {
        self.normal_limit
    }

    /// Replaces the calibrated limit, for the calibration itself.
    pub fn set_limit(&mut self, normal_limit: f64) {
        self.normal_limit = normal_limit;
        self.set_limits();
    }

    /// Largest significance over all onsets at the last sample, with the limit it is held against.
    #[must_use]
    pub fn significance(&self) -> Option<(f64, f64)> {
        self.best.map(|b| (b.significance, b.limit))
    }

    /// How long ago the likeliest onset is, s.
    #[must_use]
    pub fn likeliest_age_s(&self) -> Option<f64> {
        let onset = self.slots.get(self.best?.slot).copied().flatten()?;
        Some(count64(self.next.saturating_sub(1).saturating_sub(onset)) * self.noise.step_s)
    }

    /// Significance that a loss must reach, by the age of its onset: the age at which each doubling
    /// begins, s, and the limit.
    #[must_use]
    pub fn limits(&self) -> Vec<(f64, f64)> {
        let step_s = self.noise.step_s;
        let oldest = self.steps(self.settings.oldest_onset_s);
        (0..OCTAVES)
            .map(|octave| (1_u64 << octave, self.limits[octave]))
            .filter(|(age, _)| *age <= oldest)
            .map(|(age, limit)| (count64(age) * step_s, limit))
            .collect()
    }

    /// The loss found, while it stands.
    #[must_use]
    pub fn standing(&self) -> Option<Detection> {
        self.standing
    }

    /// Onset and end of the last loss that was found to be over, s.
    #[must_use]
    pub fn ended(&self) -> Option<(f64, f64)> {
        self.ended
    }

    /// Samples left out as spikes so far.
    #[must_use]
    pub fn spikes(&self) -> u64 {
        self.spikes
    }

    /// Takes over a loss that stood in a detector built on other books or another noise: it goes on
    /// standing here unless the data now lie so far below the limit that no new alarm is near.
    pub fn carry_on(&mut self, stood: &Detection) {
        let Some(best) = self.best.filter(|b| b.significance > b.limit - HYSTERESIS) else {
            return;
        };
        if self.standing.is_none() {
            let index = self.next.saturating_sub(1);
            let now_s = self.origin_s + count64(index) * self.noise.step_s;
            self.pin(best.slot, index);
            self.standing = Some(self.detection(&best, now_s, stood.raised_s));
        }
    }

    /// The level jumped for a known reason (a restatement), or a standing loss is over and settled:
    /// the level is learned anew, wave and rate are kept, onsets before this time are forgotten.
    pub fn restate(&mut self) {
        self.learn_level_anew(None);
    }

    /// As [`restate`](Self::restate); `end` is the slot of the onset at which a standing loss ended.
    fn learn_level_anew(&mut self, end: Option<usize>) {
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

    /// Takes the sample of `time_s`; grid points in between count as missing.
    ///
    /// `mass_kg` is the book-corrected mass as in [`LossSeries`], NaN when there is none.
    pub fn feed(&mut self, time_s: f64, mass_kg: f64, regressors: &[f64]) -> Verdict {
        let position = libm::round((time_s - self.origin_s) / self.noise.step_s);
        if !(0.0..9e15).contains(&position) {
            return Verdict::Ignored;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "within 0..9e15"
        )]
        let index = position as u64;
        if index < self.next {
            return Verdict::Ignored;
        }
        let gap = index - self.next;
        if count64(gap) * self.noise.step_s > self.settings.history_s {
            // What was learned is out of date; begin again at this sample.
            self.forget(index);
        } else {
            for _ in 0..gap {
                self.step(None);
            }
        }
        let usable = mass_kg.is_finite()
            && regressors.len() == self.regressor_stds.len()
            && regressors.iter().all(|r| r.is_finite());
        self.step(usable.then_some((mass_kg, regressors)));
        if usable {
            self.judge(index)
        } else if let Some(found) = self.standing {
            Verdict::Standing(found)
        } else if self.learned() {
            Verdict::Quiet
        } else {
            Verdict::Learning
        }
    }

    fn width(&self) -> usize {
        self.columns + 1
    }

    fn forget(&mut self, index: u64) {
        let width = self.width();
        self.restate();
        self.blocks.clear();
        self.total.fill(0.0);
        self.open = Block::new(width, index);
        self.next = index;
        self.rate_origin = index;
    }

    fn step(&mut self, sample: Option<(f64, &[f64])>) {
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

    fn is_pinned(&self, slot: usize) -> bool {
        self.pinned.as_ref().is_some_and(|p| p.slot == slot)
    }

    fn pin(&mut self, slot: usize, index: u64) {
        self.pinned = Some(Pinned {
            slot,
            since: index,
            products: vec![0.0; MOST_HYPOTHESES],
        });
    }

    /// Grid steps between new hypotheses.
    fn spacing(&self) -> u64 {
        (self.steps(YOUNGEST_S) / PER_OCTAVE).max(1)
    }

    fn steps(&self, time_s: f64) -> u64 {
        // Settings are bounded by the constructor: at most 366 days of seconds.
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive and bounded"
        )]
        let steps = libm::round(time_s / self.noise.step_s) as u64;
        steps.max(1)
    }

    fn samples(&self) -> u64 {
        self.blocks.iter().map(|b| b.samples).sum::<u64>() + self.open.samples
    }

    /// Whether enough of the plant has been seen for any statement: two days, less a fifth missing.
    fn learned(&self) -> bool {
        self.samples() >= self.steps(2.0 * DAY_S) * 4 / 5
    }

    /// All hypotheses against the data.
    fn judge(&mut self, index: u64) -> Verdict {
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

    fn detection(&self, best: &Best, now_s: f64, raised_s: f64) -> Detection {
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

    fn limit_at(&self, age: u64) -> f64 {
        let octave = age.max(1).ilog2();
        let octave = usize::try_from(octave).unwrap_or(OCTAVES - 1);
        self.limits[octave.min(OCTAVES - 1)]
    }

    /// The limit of each doubling of age: lower for old onsets, of which far fewer independent ones
    /// pass in a year, and raised by how uncertain the noise is there.
    ///
    /// **Source** a limit that depends on the scale: Duembgen and Spokoiny 2001; here its square
    /// falls by the logarithm of the age, half of what equal shares for all ages would give.
    fn set_limits(&mut self) {
        let oldest = self.steps(self.settings.oldest_onset_s);
        let youngest = self.steps(YOUNGEST_S).max(2);
        let mut limit = self.normal_limit;
        for (octave, out) in self.limits.iter_mut().enumerate() {
            let age = (3_u64 << octave) / 2;
            if (1_u64 << octave) <= oldest {
                let older = libm::log(count64(age) / count64(youngest)).max(0.0);
                let square = self.normal_limit * self.normal_limit - older;
                let normal = libm::sqrt(square.max(0.25 * self.normal_limit * self.normal_limit));
                let nu = degrees_of_freedom(&self.noise, age);
                limit = student_from_normal(normal, nu);
            }
            *out = limit;
        }
    }
}

/// What is left of each ramp beside the background, and how well the data agree with it.
struct Tried<'a> {
    left: &'a [f64],
    agreements: &'a [f64],
    halves: &'a [f64],
    values: &'a [f64],
}

impl Block {
    fn new(width: usize, from: u64) -> Self {
        Self {
            products: vec![0.0; width * width],
            from,
            samples: 0,
        }
    }

    fn add(&mut self, other: &Self) {
        for (a, b) in self.products.iter_mut().zip(&other.products) {
            *a += b;
        }
        self.samples += other.samples;
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

/// Degrees of freedom of the noise that a ramp of `age` steps after a day of level is held against.
fn degrees_of_freedom(noise: &NoiseModel, age: u64) -> f64 {
    if noise.samples == 0 {
        return 1e6;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a day in steps of at least a second"
    )]
    let before = libm::ceil(DAY_S / noise.step_s) as usize;
    let length = before + usize::try_from(age).unwrap_or(before);
    let mass = vec![0.0; length];
    let bend = count(before) * noise.step_s;
    let series = LossSeries {
        start_s: 0.0,
        step_s: noise.step_s,
        mass_kg: &mass,
        bends_s: &[bend - noise.step_s],
        ..LossSeries::default()
    };
    let mut design = Design::new(&series, false, 0.0);
    design.fix_rate();
    let whitened = Whitened::new(&design, &noise.parameters, true);
    let solved = whitened.solve(&[]);
    rate_variance(&whitened, &solved, design.first_bend, noise).degrees_of_freedom
}

#[expect(
    clippy::cast_precision_loss,
    reason = "a count of grid steps below 9e15"
)]
fn count64(n: u64) -> f64 {
    n as f64
}

/// Limit of the significance for a rate of false alarms, the noise being known.
///
/// False alarms per year at a limit h (for the youngest onset; older ones as in `set_limits`) are
/// `A(step) h exp(-h^2/2)` with `A = 20,800 (60 s/step)^0.356`.
///
/// **Source** form: upcrossings of a stationary Gaussian process (Rice 1944). A: own calibration with
/// the noise known (`tests/bench/loss_limits.rs`): 250 alarms in 12 simulated years at h = 4.08 and
/// 60 s, 1,590 in 60 years at h = 3.79 and 600 s. The form held within its counting error from 12 a
/// year to one in four years (limits 4.08 to 4.98, 100 years, the same limit for all ages). Between
/// and outside the two steps the power law is assumed.
fn limit_for(false_alarms_per_year: f64, step_s: f64) -> f64 {
    const FACTOR_AT_A_MINUTE: f64 = 20_800.0;
    const POWER: f64 = 0.356;
    let factor = FACTOR_AT_A_MINUTE * libm::pow(60.0 / step_s, POWER);
    let rate = |h: f64| factor * h * libm::exp(-0.5 * h * h);
    let (mut low, mut high) = (1.0, 9.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if rate(middle) > false_alarms_per_year {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
