//! How far a strand is from its limit: temperature margin and the way left along the load line.
//!
//! The margin is `Tcs(k I, J) - T`, J the current density in the superconductor; the load line is
//! `B = k I`. Both fall to nothing at the same current. Uncertainties of temperature, current, load
//! line and critical current are propagated by the slopes of the surface (JCGM 100, 5.1.2); current
//! and field are one cause, since the field is made by the current.

use std::f64::consts::PI;

use super::Figure;
use super::critical_surface::{CriticalSurface, CriticalSurfaceError, Sharing};

/// The superconductor in one strand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strand {
    superconductor_m2: f64,
}

/// Strand data that make no strand.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum StrandError {
    /// A number that must be finite and above zero.
    #[error("{name} is {value}, but it must be a finite number above zero")]
    NotPositive {
        /// Which one.
        name: &'static str,
        /// As given.
        value: f64,
    },
}

impl Strand {
    /// From the whole area of the strand, m2, and its ratio of copper to superconductor.
    ///
    /// # Errors
    /// [`StrandError`] when one of them is not above zero.
    pub fn from_ratio(area_m2: f64, copper_ratio: f64) -> Result<Self, StrandError> {
        let area = positive("the area of the strand", area_m2)?;
        let ratio = positive("the copper ratio", copper_ratio)?;
        Self::of(area / (1.0 + ratio))
    }

    /// From the number of filaments and the diameter of one, m.
    ///
    /// # Errors
    /// [`StrandError`] when one of them is not above zero.
    pub fn from_filaments(count: u32, diameter_m: f64) -> Result<Self, StrandError> {
        let count = positive("the number of filaments", f64::from(count))?;
        let diameter = positive("the diameter of a filament", diameter_m)?;
        Self::of(count * PI / 4.0 * diameter * diameter)
    }

    fn of(superconductor_m2: f64) -> Result<Self, StrandError> {
        positive("the area of superconductor", superconductor_m2)
            .map(|superconductor_m2| Self { superconductor_m2 })
    }

    /// Area of superconductor, m2.
    #[must_use]
    pub fn superconductor_m2(&self) -> f64 {
        self.superconductor_m2
    }

    /// Ratio of copper to superconductor in a strand of that area.
    #[must_use]
    pub fn copper_ratio(&self, area_m2: f64) -> f64 {
        area_m2 / self.superconductor_m2 - 1.0
    }

    /// Critical current, A.
    ///
    /// # Errors
    /// [`CriticalSurfaceError::NotAState`] for a field or temperature that is none.
    pub fn critical_current_a(
        &self,
        surface: &CriticalSurface,
        field_t: f64,
        temperature_k: f64,
    ) -> Result<f64, CriticalSurfaceError> {
        surface
            .critical_current_density_a_per_m2(field_t, temperature_k)
            .map(|jc| jc * self.superconductor_m2)
    }
}

/// What the margin is reckoned from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarginInput {
    /// Temperature of the conductor, K.
    pub temperature_k: Figure,
    /// Current of the magnet, A; its sign is of no matter.
    pub current_a: Figure,
    /// Peak field on the conductor per ampere of the magnet, T/A.
    pub load_line_t_per_a: Figure,
    /// Part of the magnet's current that one strand carries.
    pub strand_share: f64,
    /// Standard uncertainty of the critical current, as a part of it: scatter of the strand and
    /// what the fit does not follow.
    pub critical_current_std: f64,
}

/// How a conductor stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Margin {
    /// Superconducting.
    Standing(MarginFigures),
    /// The margin is lost: at this temperature, field and current the superconductor does not carry
    /// the whole current.
    Lost {
        /// Peak field, T.
        field_t: Figure,
        /// Critical current of the magnet at this field and temperature, A; zero where the strand
        /// is normal.
        critical_current_a: f64,
    },
}

/// The figures of a conductor that stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarginFigures {
    /// Peak field, T.
    pub field_t: Figure,
    /// Current-sharing temperature, K.
    pub sharing_k: f64,
    /// Current-sharing temperature less temperature, K.
    pub margin_k: Figure,
    /// Way gone along the load line: current over the current at which it meets the surface, 0 to 1.
    pub load_line: Figure,
    /// Critical current of the magnet at this field and temperature, A.
    pub critical_current_a: f64,
}

/// Temperature margin and load line.
///
/// **Units**: SI. **Range**: any finite state; fields below [`super::LOWEST_FIELD_T`] count as that.
///
/// # Errors
/// [`CriticalSurfaceError::NotAState`] when an input is no number, or below zero where that has no
/// meaning.
pub fn margin(
    surface: &CriticalSurface,
    strand: &Strand,
    input: &MarginInput,
) -> Result<Margin, CriticalSurfaceError> {
    let (t, k) = (input.temperature_k, input.load_line_t_per_a);
    let current = Figure::new(input.current_a.value.abs(), input.current_a.std);
    for (name, figure) in [("temperature", t), ("current", current), ("load line", k)] {
        if !figure.is_sound() || figure.value < 0.0 {
            let value = if figure.value.is_finite() && figure.value >= 0.0 {
                figure.std
            } else {
                figure.value
            };
            return Err(CriticalSurfaceError::NotAState { name, value });
        }
    }
    for (name, value) in [
        ("strand share", input.strand_share),
        (
            "uncertainty of the critical current",
            input.critical_current_std,
        ),
    ] {
        if !(value.is_finite() && value >= 0.0) {
            return Err(CriticalSurfaceError::NotAState { name, value });
        }
    }
    let share = input.strand_share;
    if share == 0.0 {
        return Err(CriticalSurfaceError::NotAState {
            name: "strand share",
            value: share,
        });
    }
    let b = k.value * current.value;
    let field_t = Figure::new(b, hypot2(k.value * current.std, current.value * k.std));
    let j = current.value * share / strand.superconductor_m2;
    let critical_current_a = strand.critical_current_a(surface, b, t.value)? / share;
    let lost = Margin::Lost {
        field_t,
        critical_current_a,
    };
    let Sharing::At(sharing_k) = surface.current_sharing(b, j)? else {
        return Ok(lost);
    };
    if sharing_k <= t.value || critical_current_a <= current.value {
        return Ok(lost);
    }
    let fraction = load_line_fraction(surface, strand, input)?;
    Ok(Margin::Standing(MarginFigures {
        field_t,
        sharing_k,
        margin_k: Figure::new(
            sharing_k - t.value,
            margin_std(surface, input, current, b, sharing_k),
        ),
        load_line: Figure::new(fraction, load_line_std(surface, input, current, fraction)),
        critical_current_a,
    }))
}

/// Way gone along the load line `B = k I` at constant temperature: current over the current at which
/// the line meets the critical surface; 1 and more when the margin is lost.
///
/// # Errors
/// [`CriticalSurfaceError::NotAState`] for an input that is none.
pub fn load_line_fraction(
    surface: &CriticalSurface,
    strand: &Strand,
    input: &MarginInput,
) -> Result<f64, CriticalSurfaceError> {
    let t = input.temperature_k.value;
    let current = input.current_a.value.abs();
    let k = input.load_line_t_per_a.value;
    if current == 0.0 {
        return Ok(0.0);
    }
    let critical = |i: f64| {
        strand
            .critical_current_a(surface, k * i, t)
            .map(|ic| ic / input.strand_share)
    };
    // The critical current falls along the line while the current rises: one crossing. Brackets
    // are found by doubling; 2000 bisections could not be needed, since floats end before.
    let (mut low, mut high) = (0.0_f64, current.max(f64::MIN_POSITIVE));
    let mut found = false;
    for _ in 0..2100 {
        if critical(high)? <= high {
            found = true;
            break;
        }
        low = high;
        high *= 2.0;
        if !high.is_finite() {
            break;
        }
    }
    if !found {
        return Ok(0.0);
    }
    for _ in 0..2100 {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if critical(middle)? <= middle {
            high = middle;
        } else {
            low = middle;
        }
        if high - low <= 1e-14 * high {
            break;
        }
    }
    Ok(if high > 0.0 {
        current / high
    } else {
        f64::INFINITY
    })
}

/// `dTcs = (d ln J - d ln Jc|B - s) / (d ln Jc / dT)`, with the slopes at (B, Tcs).
fn margin_std(
    surface: &CriticalSurface,
    input: &MarginInput,
    current: Figure,
    b: f64,
    sharing_k: f64,
) -> f64 {
    let t = input.temperature_k.std;
    let Some((by_field, by_temperature)) = surface.slopes(b, sharing_k) else {
        // At zero current the margin ends at Tc(B), which only the field moves, and no field is made.
        return t;
    };
    if by_temperature >= 0.0 || current.value == 0.0 {
        return t;
    }
    let k = input.load_line_t_per_a;
    let by_current = (1.0 / current.value - by_field * k.value) / by_temperature;
    let by_line = -by_field * current.value / by_temperature;
    let by_scale = -1.0 / by_temperature;
    let squares = [
        t,
        by_current * current.std,
        by_line * k.std,
        by_scale * input.critical_current_std,
    ];
    root_of_squares(&squares)
}

/// `I_x = Ic(k I_x, T)`: `d ln I_x (1 - k I_x d ln Jc/dB) = d ln Jc|T + I_x d ln Jc/dB dk + s`.
fn load_line_std(
    surface: &CriticalSurface,
    input: &MarginInput,
    current: Figure,
    fraction: f64,
) -> f64 {
    if current.value == 0.0 || fraction == 0.0 {
        return 0.0;
    }
    let crossing = current.value / fraction;
    let k = input.load_line_t_per_a;
    let b = k.value * crossing;
    // The slopes at the crossing; a hair below it, so that they exist.
    let Some((by_field, by_temperature)) = surface.slopes(b, input.temperature_k.value) else {
        return f64::INFINITY;
    };
    let whole = 1.0 - b * by_field;
    let squares = [
        current.std / current.value,
        by_temperature * input.temperature_k.std / whole,
        crossing * by_field * k.std / whole,
        input.critical_current_std / whole,
    ];
    fraction * root_of_squares(&squares)
}

fn hypot2(a: f64, b: f64) -> f64 {
    root_of_squares(&[a, b])
}

fn root_of_squares(parts: &[f64]) -> f64 {
    libm::sqrt(parts.iter().map(|part| part * part).sum())
}

fn positive(name: &'static str, value: f64) -> Result<f64, StrandError> {
    if value.is_normal() && value > 0.0 {
        Ok(value)
    } else {
        Err(StrandError::NotPositive { name, value })
    }
}
