//! Resistance of a joint from pairs of current and voltage.
//!
//! A joint of a nanoohm shows a microvolt at a kiloampere, under an amplifier's offset and thermal
//! voltages of the same size. Neither depends on the current, so the resistance is the *slope*:
//!
//! ```text
//! V = p (R I + e + d t) + o
//! ```
//!
//! with polarity p = +1 or -1 of the voltmeter's connection, thermal voltage e drifting by d, and
//! offset o of the amplifier. Where all pairs have one polarity, e and o are one and are removed as
//! one; where no times are given, no drift is. Every term that the pairs can tell apart is taken
//! out of the current before the slope is formed, so the stated uncertainty carries its cost.
//!
//! **Source**: least squares (JCGM 100, annex H.3); one column against the others by Frisch, Waugh
//! and Lovell; reversal of polarity against thermal voltages: common practice, no source.

use super::Figure;

/// Fewest pairs beyond the number of terms.
const FEWEST_SPARE: usize = 2;
/// The current must move by this part of its largest value, or nothing tells slope from offset.
const LEAST_SPAN: f64 = 0.05;
/// This part of the current's movement must be its own, not that of time or polarity.
const LEAST_OWN: f64 = 0.02;
/// A column of which less than this is left is a combination of the others.
const ALIASED: f64 = 1e-9;

/// One pair.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointPair {
    /// When, s from any beginning; none when it was not noted.
    pub time_s: Option<f64>,
    /// Current, A, with its sign.
    pub current_a: f64,
    /// Voltage, V.
    pub voltage_v: f64,
    /// Standard uncertainty of the voltage from pair to pair, V; none when it is to be taken from
    /// the scatter.
    pub voltage_std_v: Option<f64>,
    /// Whether the voltmeter is connected the other way round.
    pub reversed: bool,
}

/// What the converter can see, and what is asked of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resolution {
    /// Smallest step of voltage that the converter tells, V.
    pub voltage_v: f64,
    /// Resistance that one wants to see, ohm.
    pub wanted_ohm: f64,
}

/// A joint's resistance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointResistance {
    /// Resistance, ohm.
    pub resistance_ohm: Figure,
    /// What stands at zero current, V, at the mean time: the amplifier's offset, with the thermal
    /// voltage in it where all pairs have one polarity.
    pub offset_v: Figure,
    /// Thermal voltage, V, at the mean time; only where both polarities were taken.
    pub thermal_v: Option<Figure>,
    /// Drift of the thermal voltage, V/s; none when no times were given.
    pub drift_v_per_s: Option<Figure>,
    /// Pairs.
    pub pairs: usize,
    /// Pairs less terms.
    pub degrees_of_freedom: usize,
    /// Current from the lowest to the highest, A.
    pub span_a: f64,
    /// Scatter of the voltages about the fit, V.
    pub scatter_v: f64,
}

/// Why no resistance is given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum JointRefusal {
    /// A number that is none.
    #[error(
        "pair {pair} holds a number that is not finite, or an uncertainty that is not above zero"
    )]
    NotFinite {
        /// Counted from 1.
        pair: usize,
    },
    /// The converter's resolution or the wanted resistance is not above zero.
    #[error(
        "the resolution of the converter and the resistance to be seen must be finite and above zero"
    )]
    NoResolution,
    /// Some pairs state their uncertainty, others do not.
    #[error("either every pair states the uncertainty of its voltage, or none does")]
    MixedUncertainties,
    /// Some pairs state their time, others do not.
    #[error("either every pair states its time, or none does")]
    MixedTimes,
    /// Too few pairs.
    #[error("{pairs} pairs are too few; {least} are needed to tell slope, offset and drift apart")]
    TooFew {
        /// As given.
        pairs: usize,
        /// Needed.
        least: usize,
    },
    /// The current hardly moves.
    #[error(
        "the current moves by {span_a} A only, from {low_a} A to {high_a} A; at least {needed_a:.3} A are needed to tell a resistance from an offset"
    )]
    SpanTooSmall {
        /// Highest less lowest, A.
        span_a: f64,
        /// Lowest, A.
        low_a: f64,
        /// Highest, A.
        high_a: f64,
        /// Needed, A.
        needed_a: f64,
    },
    /// The current moves hand in hand with time or polarity.
    #[error(
        "the current moves in step with time or polarity, so a drift cannot be told from a resistance; take the steps of current up and down again"
    )]
    NotApart,
    /// The converter is too coarse.
    #[error(
        "the converter tells steps of {has_v:e} V, but {wanted_ohm:e} ohm over a span of {span_a} A is {needed_v:e} V: a resolution of {needed_v:e} V or finer is needed"
    )]
    TooCoarse {
        /// Step of the converter, V.
        has_v: f64,
        /// Step that is needed, V.
        needed_v: f64,
        /// Resistance to be seen, ohm.
        wanted_ohm: f64,
        /// Span of the current, A.
        span_a: f64,
    },
}

/// Resistance of a joint, with offset, thermal voltage and its linear drift removed.
///
/// Stated uncertainties of the voltages are the weights; the result's uncertainty is then the larger
/// of what they say and what the scatter says. The rounding of the converter, `step / sqrt(12)`, is
/// added to each voltage's uncertainty.
///
/// # Errors
/// [`JointRefusal`], which says what is missing.
pub fn joint_resistance(
    pairs: &[JointPair],
    resolution: Resolution,
) -> Result<JointResistance, JointRefusal> {
    check(pairs, resolution)?;
    let both = pairs.iter().any(|pair| pair.reversed) && pairs.iter().any(|pair| !pair.reversed);
    let timed = pairs.iter().all(|pair| pair.time_s.is_some());
    let mean_time = mean(pairs.iter().filter_map(|pair| pair.time_s));
    let terms = 2 + usize::from(both) + usize::from(timed);
    let least = terms + FEWEST_SPARE;
    if pairs.len() < least {
        return Err(JointRefusal::TooFew {
            pairs: pairs.len(),
            least,
        });
    }
    let span_a = span(pairs)?;
    let needed_v = resolution.wanted_ohm * span_a;
    if resolution.voltage_v > needed_v * (1.0 + 1e-9) {
        return Err(JointRefusal::TooCoarse {
            has_v: resolution.voltage_v,
            needed_v,
            wanted_ohm: resolution.wanted_ohm,
            span_a,
        });
    }
    let rounding = resolution.voltage_v * resolution.voltage_v / 12.0;
    let stated = pairs.iter().all(|pair| pair.voltage_std_v.is_some());
    let stds: Vec<f64> = pairs
        .iter()
        .map(|pair| {
            pair.voltage_std_v
                .map_or(1.0, |std| libm::sqrt(std * std + rounding))
        })
        .collect();
    let column = |of: &dyn Fn(&JointPair) -> f64| -> Vec<f64> {
        pairs
            .iter()
            .zip(&stds)
            .map(|(pair, std)| of(pair) / std)
            .collect()
    };
    let sign = |pair: &JointPair| if pair.reversed { -1.0 } else { 1.0 };
    let voltage = column(&|pair| pair.voltage_v);
    let current = column(&|pair| sign(pair) * pair.current_a);
    let offset = column(&|_| 1.0);
    let thermal = both.then(|| column(&sign));
    let drift =
        timed.then(|| column(&|pair| sign(pair) * pair.time_s.map_or(0.0, |t| t - mean_time)));

    let nuisance: Vec<&[f64]> = [Some(&offset), thermal.as_ref(), drift.as_ref()]
        .into_iter()
        .flatten()
        .map(Vec::as_slice)
        .collect();
    let (resistance, own) =
        coefficient(&current, &nuisance, &voltage).ok_or(JointRefusal::NotApart)?;
    // What moves beside the offset alone: how much of that is the current's own?
    let alone = rest(&current, &[&offset]);
    if own * own < LEAST_OWN * LEAST_OWN * dot(&alone, &alone) {
        return Err(JointRefusal::NotApart);
    }
    let mut everything = nuisance.clone();
    everything.push(&current);
    let residual = rest(&voltage, &everything);
    let degrees_of_freedom = pairs.len() - terms;
    #[expect(clippy::cast_precision_loss, reason = "a count of pairs")]
    let reduced = dot(&residual, &residual) / degrees_of_freedom as f64;
    let floor = if stated { 1.0 } else { rounding };
    let sigma = libm::sqrt(reduced.max(floor));
    let others = |skip: usize| -> Vec<&[f64]> {
        everything
            .iter()
            .enumerate()
            .filter(|(at, _)| *at != skip)
            .map(|(_, column)| *column)
            .collect()
    };
    let offset_v = coefficient(&offset, &others(0), &voltage)
        .map_or(Figure::new(0.0, f64::INFINITY), |(value, own)| {
            Figure::new(value, sigma / own)
        });
    let thermal_v = thermal.as_ref().and_then(|thermal| {
        coefficient(thermal, &others(1), &voltage)
            .map(|(value, own)| Figure::new(value, sigma / own))
    });
    let drift_v_per_s = drift.as_ref().and_then(|drift| {
        coefficient(drift, &others(1 + usize::from(both)), &voltage)
            .map(|(value, own)| Figure::new(value, sigma / own))
    });
    let result = JointResistance {
        resistance_ohm: Figure::new(resistance, sigma / own),
        offset_v,
        thermal_v,
        drift_v_per_s,
        pairs: pairs.len(),
        degrees_of_freedom,
        span_a,
        scatter_v: scatter(&residual, &stds, degrees_of_freedom),
    };
    if result.resistance_ohm.is_sound() {
        Ok(result)
    } else {
        Err(JointRefusal::NotApart)
    }
}

fn check(pairs: &[JointPair], resolution: Resolution) -> Result<(), JointRefusal> {
    for value in [resolution.voltage_v, resolution.wanted_ohm] {
        if !(value.is_finite() && value > 0.0) {
            return Err(JointRefusal::NoResolution);
        }
    }
    for (at, pair) in (1..).zip(pairs) {
        let numbers = [
            Some(pair.current_a),
            Some(pair.voltage_v),
            pair.time_s,
            pair.voltage_std_v,
        ];
        let finite = numbers.iter().flatten().all(|number| number.is_finite());
        if !finite
            || pair
                .voltage_std_v
                .is_some_and(|std| !(std.is_normal() && std > 0.0))
        {
            return Err(JointRefusal::NotFinite { pair: at });
        }
    }
    let stated = pairs.iter().filter(|pair| pair.voltage_std_v.is_some());
    if !matches!(stated.count(), 0) && pairs.iter().any(|pair| pair.voltage_std_v.is_none()) {
        return Err(JointRefusal::MixedUncertainties);
    }
    let timed = pairs.iter().filter(|pair| pair.time_s.is_some()).count();
    if timed != 0 && timed != pairs.len() {
        return Err(JointRefusal::MixedTimes);
    }
    Ok(())
}

fn span(pairs: &[JointPair]) -> Result<f64, JointRefusal> {
    let low_a = pairs
        .iter()
        .map(|pair| pair.current_a)
        .fold(f64::INFINITY, f64::min);
    let high_a = pairs
        .iter()
        .map(|pair| pair.current_a)
        .fold(f64::NEG_INFINITY, f64::max);
    let span_a = high_a - low_a;
    let needed_a = LEAST_SPAN * low_a.abs().max(high_a.abs());
    if span_a.is_normal() && span_a >= needed_a {
        Ok(span_a)
    } else {
        Err(JointRefusal::SpanTooSmall {
            span_a,
            low_a,
            high_a,
            needed_a,
        })
    }
}

/// What is left of a column when the others are taken out of it.
fn rest(column: &[f64], others: &[&[f64]]) -> Vec<f64> {
    let mut base: Vec<Vec<f64>> = Vec::with_capacity(others.len());
    for other in others {
        let left = without(other, &base);
        let size = libm::sqrt(dot(&left, &left));
        let whole = libm::sqrt(dot(other, other));
        if size > ALIASED * whole && size.is_normal() {
            base.push(left.iter().map(|x| x / size).collect());
        }
    }
    without(column, &base)
}

/// Twice, since once leaves rounding behind (Gram and Schmidt).
fn without(column: &[f64], base: &[Vec<f64>]) -> Vec<f64> {
    let mut left = column.to_vec();
    for _ in 0..2 {
        for unit in base {
            let along = dot(&left, unit);
            for (x, u) in left.iter_mut().zip(unit) {
                *x -= along * u;
            }
        }
    }
    left
}

/// Coefficient of a column beside others, and the length of what is its own.
fn coefficient(column: &[f64], others: &[&[f64]], of: &[f64]) -> Option<(f64, f64)> {
    let own = rest(column, others);
    let squared = dot(&own, &own);
    let whole = dot(column, column);
    let value = dot(&own, of) / squared;
    let length = libm::sqrt(squared);
    (squared > ALIASED * ALIASED * whole && length.is_normal() && value.is_finite())
        .then_some((value, length))
}

fn scatter(residual: &[f64], stds: &[f64], degrees_of_freedom: usize) -> f64 {
    let squares: f64 = residual
        .iter()
        .zip(stds)
        .map(|(r, std)| r * std * r * std)
        .sum();
    #[expect(clippy::cast_precision_loss, reason = "a count of pairs")]
    let count = degrees_of_freedom as f64;
    libm::sqrt(squares / count)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values {
        sum += value;
        count += 1.0;
    }
    if count > 0.0 { sum / count } else { 0.0 }
}
