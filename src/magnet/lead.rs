//! Current leads: whether the cooling gas suffices, and whether the warm end is well.
//!
//! A vapour-cooled lead needs a mass flow in step with its current; the lead's maker states it in
//! g/s per kA, and how much it needs at rest. **Source**: common practice, no source.

use super::Figure;

/// Flow against need counts as even within this part, beside its uncertainty.
const EVEN: f64 = 0.1;

/// What the flow of one lead amounts to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeadFlow {
    /// Flow that the lead needs at this current, kg/s.
    pub needed_kg_per_s: Figure,
    /// Flow over need.
    pub ratio: Figure,
    /// In a word.
    pub cooling: LeadCooling,
}

/// How a lead is cooled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LeadCooling {
    /// Less than it needs, beyond doubt (two standard uncertainties): it heats up and may run away.
    Under,
    /// What it needs, as far as the instruments tell.
    Even,
    /// More than it needs, beyond doubt: cold is wasted and the warm end frosts.
    Over,
}

/// How the end of a lead stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LeadEnd {
    /// Below its lower limit: it frosts, and water gets into the insulation.
    TooCold,
    /// Between its limits.
    Well,
    /// Above its upper limit.
    TooWarm,
}

/// Why nothing is said of a lead.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum LeadError {
    /// A number that is none, or a need that is not above zero.
    #[error("a flow, current, need or limit of the lead is not a number that makes sense")]
    NotANumber,
    /// No current and no need at rest: any flow is too much, or none is.
    #[error("the lead carries no current and states no flow at rest, so there is no ratio")]
    NoNeed,
}

/// Flow against need.
///
/// **Units**: kg/s, A, kg/s per A. `at_rest_kg_per_s` is the least flow that the lead needs at any
/// current; zero when none is stated.
///
/// # Errors
/// [`LeadError`].
pub fn lead_flow(
    flow_kg_per_s: Figure,
    current_a: Figure,
    need_kg_per_s_per_a: f64,
    at_rest_kg_per_s: f64,
) -> Result<LeadFlow, LeadError> {
    let sound = flow_kg_per_s.is_sound() && current_a.is_sound();
    let need_is_sound = need_kg_per_s_per_a.is_normal() && need_kg_per_s_per_a > 0.0;
    if !(sound && need_is_sound && at_rest_kg_per_s.is_finite() && at_rest_kg_per_s >= 0.0) {
        return Err(LeadError::NotANumber);
    }
    let by_current = need_kg_per_s_per_a * current_a.value.abs();
    let needed = if by_current >= at_rest_kg_per_s {
        Figure::new(by_current, need_kg_per_s_per_a * current_a.std)
    } else {
        Figure::new(at_rest_kg_per_s, 0.0)
    };
    if !(needed.value.is_normal() && needed.is_sound()) {
        return Err(LeadError::NoNeed);
    }
    let ratio = flow_kg_per_s.value / needed.value;
    let (a, b) = (
        flow_kg_per_s.std / needed.value,
        ratio * needed.std / needed.value,
    );
    let ratio = Figure::new(ratio, libm::sqrt(a * a + b * b));
    if !ratio.is_sound() {
        return Err(LeadError::NotANumber);
    }
    let cooling = if ratio.value + 2.0 * ratio.std < 1.0 {
        LeadCooling::Under
    } else if ratio.value - 2.0 * ratio.std > 1.0 + EVEN {
        LeadCooling::Over
    } else {
        LeadCooling::Even
    };
    Ok(LeadFlow {
        needed_kg_per_s: needed,
        ratio,
        cooling,
    })
}

/// An end of a lead, mostly the warm one, against its limits, K.
///
/// # Errors
/// [`LeadError::NotANumber`] for a temperature or limit that is none, or limits that leave no room.
pub fn lead_end(temperature_k: f64, low_k: f64, high_k: f64) -> Result<LeadEnd, LeadError> {
    let finite = [temperature_k, low_k, high_k].iter().all(|x| x.is_finite());
    if !finite || low_k >= high_k {
        return Err(LeadError::NotANumber);
    }
    Ok(if temperature_k < low_k {
        LeadEnd::TooCold
    } else if temperature_k > high_k {
        LeadEnd::TooWarm
    } else {
        LeadEnd::Well
    })
}
