//! The loss rate of a window, with its uncertainty and what it could have shown.
//!
//! [`estimate`] fits one constant rate by generalised least squares: the noise is correlated, the
//! day is a wave, and the standard uncertainty says so. [`estimate_with_onset`] fits a loss that
//! begins at an unknown time on top of the accepted one: every onset is tried, and the answer is
//! the mixture of all of them weighted by how well each explains the data, so that not knowing the
//! onset widens the rate's band.
//!
//! A standard uncertainty rests on a noise that was itself estimated; degrees of freedom stand
//! beside it, and bands and thresholds use Student's distribution.
//!
//! **Source** generalised least squares: Aitken 1936; characteristic limits: ISO 11929-1:2019
//! (decision threshold `k(1-alpha) u(0)`, detection limit `y* + k(1-beta) u(y#)`; here u does not
//! depend on the true value); degrees of freedom: Satterthwaite 1946, Fai and Cornelius 1996, JCGM
//! 100:2008 G.4; enlarged uncertainty where the residuals are too large: Birge 1932; change point:
//! Quandt 1958 (profile), weights: common practice.

use serde::{Deserialize, Serialize};

use super::distribution::{normal_probability, normal_quantile, student_quantile};
use super::forms::{Candidate, Fitted, Form, likeliest, search};
use super::least_squares::{Prior, Solved, Whitened, count};
use super::noise::{self, NoiseModel, NoiseSettings, RateVariance, nuisance_prior, rate_variance};
use super::series::{Design, LossError, LossSeries, LossSettings, RATE};
use super::whiten::DAY_S;

/// A constant loss rate over a window.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossEstimate {
    /// Loss rate, kg/s; positive when helium is lost.
    pub rate_kg_per_s: f64,
    /// Its standard uncertainty, kg/s.
    pub std_uncertainty_kg_per_s: f64,
    /// Degrees of freedom of that uncertainty.
    pub degrees_of_freedom: f64,
    /// 95 % band of the rate, kg/s.
    pub band_95_kg_per_s: (f64, f64),
    /// Rate less the accepted one, kg/s.
    pub excess_kg_per_s: f64,
    /// Standard uncertainty of the excess (that of the accepted rate included), kg/s.
    pub excess_std_uncertainty_kg_per_s: f64,
    /// An excess above this is a loss beyond the accepted one, with error probability alpha, kg/s.
    pub decision_threshold_kg_per_s: f64,
    /// The smallest true excess that passes the threshold with probability 1 - beta, kg/s.
    pub detection_limit_kg_per_s: f64,
    /// What the uncertainty of the rate comes from.
    pub variance_shares: VarianceShares,
    /// Amplitude of the 24 h wave, kg.
    pub wave_amplitude_kg: f64,
    /// Fitted S at the end of the window without wave and noise, kg.
    pub level_at_end_kg: f64,
    /// Sum of squares of whitened residuals over its degrees of freedom: near 1 when the noise
    /// model fits.
    pub reduced_chi_square: f64,
    /// By how much the variance was enlarged since the slow part of the residuals is larger than the
    /// noise explains; at least one.
    pub slow_enlargement: f64,
    /// Samples used.
    pub samples: usize,
    /// Samples of the grid that were missing.
    pub missing: usize,
    /// Samples set aside as spikes.
    pub spikes: usize,
}

/// Shares of the variance of a rate; together 1.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VarianceShares {
    /// Independent noise.
    pub white: f64,
    /// Correlated noise.
    pub correlated: f64,
    /// Day-to-day change of the daily wave.
    pub wave: f64,
    /// Regressors whose size is known beforehand: calibrations of meters.
    pub calibration: f64,
    /// What was known beforehand of wave and regressors, and residuals that are too large.
    pub other: f64,
}

/// When a loss is supposed to have begun.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Onset {
    /// Anywhere in the window.
    Unknown,
    /// Between two times, s.
    Within(f64, f64),
    /// At this time, s.
    Known(f64),
}

/// A loss that began within the window, on top of the accepted one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OnsetEstimate {
    /// Change of the loss rate at the onset, kg/s.
    pub excess_kg_per_s: f64,
    /// Its standard uncertainty, not knowing the onset included, kg/s.
    pub std_uncertainty_kg_per_s: f64,
    /// Degrees of freedom of that uncertainty.
    pub degrees_of_freedom: f64,
    /// 95 % band of the change, kg/s.
    pub band_95_kg_per_s: (f64, f64),
    /// Loss rate before the onset (accepted rate and data together), kg/s.
    pub rate_before_kg_per_s: f64,
    /// Its standard uncertainty, kg/s.
    pub rate_before_std_uncertainty_kg_per_s: f64,
    /// Most likely onset, s.
    pub onset_s: f64,
    /// 95 % band of the onset, s.
    pub onset_band_95_s: (f64, f64),
    /// Change and standard uncertainty if the most likely onset were known, kg/s.
    pub at_onset_kg_per_s: (f64, f64),
    /// Helium lost beyond the accepted rate from the onset to the end of the window, kg.
    pub lost_kg: f64,
    /// Its standard uncertainty, kg.
    pub lost_std_uncertainty_kg: f64,
    /// Excess over its standard uncertainty at the most likely onset: how far above the noise the
    /// change stands.
    pub significance: f64,
    /// As in [`LossEstimate`].
    pub reduced_chi_square: f64,
    /// Samples used.
    pub samples: usize,
    /// Samples of the grid that were missing.
    pub missing: usize,
    /// Samples set aside as spikes.
    pub spikes: usize,
}

/// The mean loss rate of a series over the window.
///
/// Regressors of which something is known beforehand (what meters passed) are not fitted: a loss that
/// begins inside the window would look like a wrong calibration. What they may be wrong by is added to
/// the variance (Bierman 1977, chapter VIII, from memory: parameters that are considered, not solved
/// for).
///
/// # Errors
/// [`LossError`] when the series or a setting cannot be used, or the rate cannot be told.
pub fn estimate(
    series: &LossSeries<'_>,
    noise: &NoiseModel,
    settings: &LossSettings,
) -> Result<LossEstimate, LossError> {
    series.check()?;
    settings.check()?;
    noise.check_grid(series.step_s)?;
    let mut design = Design::new(series, noise.daily_wave, 0.0);
    let missing = series.mass_kg.len() - design.usable();
    let held = |design: &Design, off| -> Vec<Prior> {
        let known = nuisance_prior(noise, design);
        known
            .into_iter()
            .chain(design.held_regressors(off))
            .collect()
    };
    let priors = held(&design, None);
    let fit = Fit::new(&mut design, noise, &priors, RATE)?;
    let calibration = design.known_regressors().map(|at| {
        let off = fit.whitened.solve(&held(&design, Some(at)));
        let by = off
            .coefficients
            .get(RATE)
            .map_or(0.0, |rate| rate - fit.coefficient(RATE));
        by * by
    });
    let calibration = calibration.sum::<f64>() / (DAY_S * DAY_S);
    let days = DAY_S;
    let rate = fit.coefficient(RATE) / days;
    let slow_enlargement = if fit.too_large {
        1.0
    } else {
        slow_enlargement(&fit.whitened, &fit.solved, series.step_s)
    };
    let sampled = fit.variance * slow_enlargement / (days * days);
    let variance = sampled + calibration;
    let std = libm::sqrt(variance);
    let accepted = settings.accepted_std_kg_per_s;
    let excess_std = libm::sqrt(variance + accepted * accepted);
    // Calibrations and the accepted rate are judged, not sampled: their part has no degrees of freedom
    // to lose.
    let freedom = |total: f64| {
        let part = sampled / (total * total);
        fit.parts.degrees_of_freedom / (part * part)
    };
    let nu = freedom(std);
    let k = student_quantile(0.975, nu);
    let nu_excess = freedom(excess_std);
    let (ka, kb) = (
        student_quantile(1.0 - settings.alpha, nu_excess),
        student_quantile(1.0 - settings.beta, nu_excess),
    );
    let share = |x: f64| x / (days * days) / variance;
    let parts = [fit.parts.white, fit.parts.correlated, fit.parts.wave].map(share);
    let [white, correlated, wave] = parts;
    let calibration = calibration / variance;
    let wave_amplitude_kg = match fit.solved.coefficients.get(design.nuisance.clone()) {
        Some([s, c, ..]) if noise.daily_wave => libm::sqrt(s * s + c * c),
        _ => 0.0,
    };
    Ok(LossEstimate {
        rate_kg_per_s: rate,
        std_uncertainty_kg_per_s: std,
        degrees_of_freedom: nu,
        band_95_kg_per_s: (rate - k * std, rate + k * std),
        excess_kg_per_s: rate - settings.accepted_kg_per_s,
        excess_std_uncertainty_kg_per_s: excess_std,
        decision_threshold_kg_per_s: ka * excess_std,
        detection_limit_kg_per_s: (ka + kb) * excess_std,
        variance_shares: VarianceShares {
            white,
            correlated,
            wave,
            calibration,
            other: (1.0 - white - correlated - wave - calibration).max(0.0),
        },
        wave_amplitude_kg,
        level_at_end_kg: design.level_at_end(&fit.solved.coefficients, series, 0.0),
        reduced_chi_square: fit.reduced_chi_square,
        slow_enlargement,
        samples: fit.whitened.used,
        missing,
        spikes: fit.spikes,
    })
}

/// A loss that began at `onset`, on top of the accepted one.
///
/// # Errors
/// [`LossError`] when the series or a setting cannot be used, or no onset lies in the window.
pub fn estimate_with_onset(
    series: &LossSeries<'_>,
    noise: &NoiseModel,
    settings: &LossSettings,
    onset: Onset,
) -> Result<OnsetEstimate, LossError> {
    series.check()?;
    settings.check()?;
    noise.check_grid(series.step_s)?;
    let accepted = settings.accepted_kg_per_s * DAY_S;
    let mut design = Design::new(series, noise.daily_wave, accepted);
    let missing = series.mass_kg.len() - design.usable();
    let priors = priors(&design, noise, settings);
    let base = Fitted::new(&mut design, noise, &priors);
    let candidates = match onset {
        Onset::Known(at) => vec![Candidate::at(at)],
        Onset::Unknown => search(series, &base, Form::Bend, (series.start_s, f64::INFINITY)),
        Onset::Within(from, to) => search(series, &base, Form::Bend, (from, to)),
    };
    let candidates = losses_of(candidates);
    let best = likeliest(&candidates).ok_or(LossError::RateNotSeparable)?;
    // Once more with the most likely onset: spikes and the size of the residuals are judged with
    // the loss in the model.
    let bends: Vec<f64> = series.bends_s.iter().copied().chain([best.at_s]).collect();
    let bent = LossSeries {
        bends_s: &bends,
        ..*series
    };
    let mut design = Design::new(&bent, noise.daily_wave, accepted);
    let which = design.columns - 1;
    let fit = Fit::new(&mut design, noise, &priors, which)?;
    let at_best = (fit.coefficient(which), fit.variance);
    let nu = fit.parts.degrees_of_freedom;
    let enlarged = fit.reduced_enlargement;
    let mixture = match onset {
        Onset::Known(_) => Mixture::single(best.at_s, at_best),
        _ => Mixture::new(&candidates, nu, enlarged, (best, at_best)),
    };
    let (mean, variance) = mixture.moments();
    let widen = student_quantile(0.975, nu) / normal_quantile(0.975);
    let band = (
        mixture.quantile(0.025, widen) / DAY_S,
        mixture.quantile(0.975, widen) / DAY_S,
    );
    let end = series.time_s(series.mass_kg.len().saturating_sub(1));
    let (lost, lost_variance) = mixture.lost(end);
    let before = fit.solved.factor.variance(RATE) * enlarged;
    Ok(OnsetEstimate {
        excess_kg_per_s: mean / DAY_S,
        std_uncertainty_kg_per_s: libm::sqrt(variance) / DAY_S,
        degrees_of_freedom: nu,
        band_95_kg_per_s: band,
        rate_before_kg_per_s: (fit.coefficient(RATE) + accepted) / DAY_S,
        rate_before_std_uncertainty_kg_per_s: libm::sqrt(before) / DAY_S,
        onset_s: best.at_s,
        onset_band_95_s: mixture.onset_band(),
        at_onset_kg_per_s: (at_best.0 / DAY_S, libm::sqrt(at_best.1) / DAY_S),
        lost_kg: lost,
        lost_std_uncertainty_kg: libm::sqrt(lost_variance),
        significance: at_best.0 / libm::sqrt(at_best.1),
        reduced_chi_square: fit.reduced_chi_square,
        samples: fit.whitened.used,
        missing,
        spikes: fit.spikes,
    })
}

/// Noise, onset and rate of a series in one go, for an investigation: the noise is fitted, the onset
/// found, and both once more with the loss in the model of the noise.
///
/// # Errors
/// As [`noise::fit`] and [`estimate_with_onset`].
pub fn investigate(
    series: &LossSeries<'_>,
    noise_settings: &NoiseSettings,
    settings: &LossSettings,
    onset: Onset,
) -> Result<(NoiseModel, OnsetEstimate), LossError> {
    let mut model = noise::fit(series, noise_settings, None)?;
    let mut found = estimate_with_onset(series, &model, settings, onset)?;
    for _ in 0..2 {
        let bends: Vec<f64> = series
            .bends_s
            .iter()
            .copied()
            .chain([found.onset_s])
            .collect();
        let bent = LossSeries {
            bends_s: &bends,
            ..*series
        };
        model = noise::fit(&bent, noise_settings, Some(&model))?;
        found = estimate_with_onset(series, &model, settings, onset)?;
    }
    Ok((model, found))
}

/// The fit of a series without a change, on which changes can be tried.
pub(super) fn without_change(
    series: &LossSeries<'_>,
    noise: &NoiseModel,
    settings: &LossSettings,
) -> Result<Fitted, LossError> {
    series.check()?;
    noise.check_grid(series.step_s)?;
    let accepted = settings.accepted_kg_per_s * DAY_S;
    let mut design = Design::new(series, noise.daily_wave, accepted);
    let priors = priors(&design, noise, settings);
    Ok(Fitted::with_steps(&mut design, noise, &priors))
}

/// Those of the changes that lose helium, where there are any: a gain may explain the series better, but
/// it is a loss that is asked for.
fn losses_of(candidates: Vec<Candidate>) -> Vec<Candidate> {
    let is_loss = |one: &Candidate| one.change > 0.0;
    if candidates.iter().any(is_loss) {
        candidates.into_iter().filter(is_loss).collect()
    } else {
        candidates
    }
}

/// What is known before any onset: of the rate, and of wave and regressors.
fn priors(design: &Design, noise: &NoiseModel, settings: &LossSettings) -> Vec<Prior> {
    std::iter::once(accepted_prior(settings))
        .chain(nuisance_prior(noise, design))
        .chain(design.regressor_prior())
        .collect()
}

/// What is known of the rate before any onset: the accepted one, within its uncertainty.
fn accepted_prior(settings: &LossSettings) -> Prior {
    // An accepted rate given without uncertainty is taken to the milligram a day.
    const LEAST_KG_PER_DAY: f64 = 1e-6;
    let variance = settings.accepted_std_kg_per_s * settings.accepted_std_kg_per_s;
    let variance = (variance * DAY_S * DAY_S).max(LEAST_KG_PER_DAY * LEAST_KG_PER_DAY);
    Prior {
        first: RATE,
        mean: vec![0.0],
        precision: vec![1.0 / variance],
    }
}

/// A solved design with the variance of one of its coefficients.
struct Fit {
    whitened: Whitened,
    solved: Solved,
    parts: RateVariance,
    /// Of the coefficient asked for, enlarged where the residuals are too large, (kg/day)^2.
    variance: f64,
    reduced_chi_square: f64,
    reduced_enlargement: f64,
    /// The residuals as a whole are larger than chance lets them be.
    too_large: bool,
    spikes: usize,
}

impl Fit {
    fn new(
        design: &mut Design,
        noise: &NoiseModel,
        priors: &[Prior],
        which: usize,
    ) -> Result<Self, LossError> {
        let Fitted {
            whitened,
            solved,
            spikes,
        } = Fitted::new(design, noise, priors);
        if solved.factor.is_aliased(which) {
            return Err(LossError::RateNotSeparable);
        }
        let parts = rate_variance(&whitened, &solved, which, noise);
        let free = count(whitened.used.saturating_sub(solved.factor.rank())).max(1.0);
        let reduced_chi_square = solved.sum_of_squares / free;
        // Three standard deviations of chance are let pass.
        let too_large = reduced_chi_square > 1.0 + 3.0 * libm::sqrt(2.0 / free);
        let reduced_enlargement = if too_large { reduced_chi_square } else { 1.0 };
        let variance = solved.factor.variance(which) * reduced_enlargement;
        Ok(Self {
            whitened,
            solved,
            parts,
            variance,
            reduced_chi_square,
            reduced_enlargement,
            too_large,
            spikes,
        })
    }

    fn coefficient(&self, which: usize) -> f64 {
        self.solved.coefficients.get(which).copied().unwrap_or(0.0)
    }
}

/// By how much the slow part of the whitened residuals, which a rate rests on, is larger in square than
/// the rest: at least one. Noise that is slower than the model's one correlation time (contents of pipes
/// that wander, weather) shows there and nowhere else. Few of these waves pass in a window, so as many
/// again as if they were right are added.
///
/// **Source** Birge 1932 (enlarging by the residuals), on the slow part only: common practice, no source.
fn slow_enlargement(whitened: &Whitened, solved: &Solved, step_s: f64) -> f64 {
    /// Waves of more than a day and a sixth: the daily one is fitted.
    const SLOWEST_FREE_S: f64 = 7.0 * DAY_S / 6.0;
    const AS_IF_RIGHT: f64 = 24.0;
    const MOST_WAVES: u32 = 64;
    let residuals = whitened.residuals(&solved.coefficients);
    let span_s = count(residuals.len()) * step_s;
    // One is taken by the rate.
    let (mut sum, mut free) = (0.0, -1.0);
    let waves = (1..=MOST_WAVES).map(f64::from);
    for wave in waves.take_while(|wave| *wave <= span_s / SLOWEST_FREE_S) {
        let turn = std::f64::consts::TAU * wave / count(residuals.len());
        let (mut cosine, mut sine) = (0.0, 0.0);
        for (i, residual) in residuals.iter().enumerate() {
            let (s, c) = libm::sincos(turn * count(i));
            cosine += c * residual;
            sine += s * residual;
        }
        sum += 2.0 * (cosine * cosine + sine * sine) / count(whitened.used.max(1));
        free += 2.0;
    }
    if free < 4.0 {
        return 1.0;
    }
    ((sum + AS_IF_RIGHT) / (free + AS_IF_RIGHT)).max(1.0)
}

/// A rate that depends on an onset that is only known in probability.
struct Mixture(Vec<Component>);

#[derive(Debug, Clone, Copy)]
struct Component {
    at_s: f64,
    weight: f64,
    mean: f64,
    variance: f64,
}

impl Mixture {
    fn single(at_s: f64, (mean, variance): (f64, f64)) -> Self {
        Self(vec![Component {
            at_s,
            weight: 1.0,
            mean,
            variance,
        }])
    }

    /// Weights follow the profile likelihood, with Student's tails since the noise is estimated.
    fn new(
        candidates: &[Candidate],
        nu: f64,
        enlarged: f64,
        (best, at_best): (Candidate, (f64, f64)),
    ) -> Self {
        // The last fit set its own spikes aside; what that moved at the best onset moves all.
        let shift = at_best.0 - best.change;
        let weigh = |c: &Candidate| {
            let worse = (best.gain - c.gain) / enlarged;
            c.stands_for_s * libm::exp(-0.5 * (nu + 1.0) * libm::log1p(worse / nu))
        };
        let total: f64 = candidates.iter().map(weigh).sum();
        let components: Vec<Component> = candidates
            .iter()
            .map(|c| Component {
                at_s: c.at_s,
                weight: weigh(c) / total,
                mean: c.change + shift,
                variance: c.variance * enlarged,
            })
            .collect();
        Self(components)
    }

    fn moments(&self) -> (f64, f64) {
        self.moments_of(|c| (c.mean, c.variance))
    }

    fn moments_of(&self, of: impl Fn(&Component) -> (f64, f64)) -> (f64, f64) {
        let mean: f64 = self.0.iter().map(|c| c.weight * of(c).0).sum();
        let variance = self
            .0
            .iter()
            .map(|c| {
                let (m, v) = of(c);
                c.weight * (v + (m - mean) * (m - mean))
            })
            .sum();
        (mean, variance)
    }

    /// Mass lost until `end_s`, kg, and its variance.
    fn lost(&self, end_s: f64) -> (f64, f64) {
        self.moments_of(|c| {
            let days = (end_s - c.at_s) / DAY_S;
            (c.mean * days, c.variance * days * days)
        })
    }

    fn quantile(&self, p: f64, widen: f64) -> f64 {
        let heavy: Vec<(f64, f64, f64)> = self
            .0
            .iter()
            .filter(|c| c.weight > 1e-5)
            .map(|c| (c.weight, c.mean, widen * libm::sqrt(c.variance)))
            .collect();
        if let [(_, mean, std)] = heavy.as_slice() {
            return mean + std * normal_quantile(p);
        }
        let total: f64 = heavy.iter().map(|h| h.0).sum();
        let below = |x: f64| {
            heavy
                .iter()
                .map(|(w, m, s)| w / total * normal_probability((x - m) / s))
                .sum::<f64>()
        };
        let (mut low, mut high) = heavy
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), (_, m, s)| {
                (a.min(m - 5.0 * s), b.max(m + 5.0 * s))
            });
        for _ in 0..30 {
            let middle = 0.5 * (low + high);
            if below(middle) < p {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    fn onset_band(&self) -> (f64, f64) {
        let mut ends = (f64::NAN, f64::NAN);
        let mut sum = 0.0;
        let half = match self.0.as_slice() {
            [a, b, ..] => 0.5 * (b.at_s - a.at_s),
            _ => 0.0,
        };
        for c in &self.0 {
            let before = sum;
            sum += c.weight;
            // Each candidate stands for the time around it.
            if before <= 0.025 && sum > 0.025 {
                ends.0 = c.at_s + half * (2.0 * (0.025 - before) / c.weight - 1.0);
            }
            if before < 0.975 && sum >= 0.975 - 1e-12 {
                ends.1 = c.at_s + half * (2.0 * (0.975 - before) / c.weight - 1.0);
            }
        }
        ends
    }
}
