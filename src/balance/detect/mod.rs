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

mod judge;
mod learn;
mod limit;

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use self::limit::limit_for;
use super::noise::NoiseModel;
use super::series::{LossError, check_numbers};
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
        ])?;
        noise.check_stream(origin_s, regressors)?;
        let waves = noise.waves();
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

    /// Takes the sample of `time_s`; grid points in between count as missing.
    ///
    /// `mass_kg` is the book-corrected mass as in [`LossSeries`](super::series::LossSeries), NaN when there is none.
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

#[expect(
    clippy::cast_precision_loss,
    reason = "a count of grid steps below 9e15"
)]
fn count64(n: u64) -> f64 {
    n as f64
}
