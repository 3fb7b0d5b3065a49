//! The critical surface of niobium-titanium: critical current density against field and temperature.
//!
//! ```text
//! Bc2(T)   = Bc20 (1 - t^1.7)                      t = T / Tc0
//! Tc(B)    = Tc0 (1 - B/Bc20)^(1/1.7)
//! Jc(B, T) = Jref C0/B  b^alpha (1-b)^beta (1 - t^1.7)^gamma      b = B / Bc2(T)
//! ```
//!
//! **Source**: L. Bottura, A practical fit for the critical surface of NbTi, IEEE Trans. Appl.
//! Supercond. 10 (2000) 1054; upper critical field after M. S. Lubell, IEEE Trans. Magn. 19 (1983)
//! 754. The paper itself was not read; the formula is that of `tests/reference/nbti_parameters.csv`.
//!
//! With u = 1 - t^1.7 the surface is `Jc = Jref C0/B (B/Bc20)^alpha u^(gamma-alpha) (1 - B/(Bc20 u))^beta`:
//! where gamma is not below alpha, Jc falls with temperature everywhere, and one temperature belongs
//! to each current density. The constructor holds the parameters to that.

/// Exponent of the reduced temperature.
const EXPONENT: f64 = 1.7;

/// Lowest field that the fit is asked for, T. It diverges as 1/B towards zero field; a lower field
/// counts as this one, which understates the current that the strand carries.
pub const LOWEST_FIELD_T: f64 = 0.1;

/// Parameters of the fit, as the strand's data give them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CriticalSurfaceParameters {
    /// Reference critical current density of the superconductor, A/m2.
    pub reference_a_per_m2: f64,
    /// Normalising constant C0, T.
    pub c0_t: f64,
    /// Upper critical field at zero temperature, T.
    pub bc20_t: f64,
    /// Critical temperature at zero field, K.
    pub tc0_k: f64,
    /// Exponent of b, at most 1.
    pub alpha: f64,
    /// Exponent of 1 - b.
    pub beta: f64,
    /// Exponent of 1 - t^1.7, not below alpha.
    pub gamma: f64,
}

/// Parameters that make no critical surface.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CriticalSurfaceError {
    /// A parameter that must be a finite number above zero.
    #[error("{name} is {value}, but it must be a finite number above zero")]
    NotPositive {
        /// Which one.
        name: &'static str,
        /// As given.
        value: f64,
    },
    /// Bc20 at or below the lowest field of the fit.
    #[error("Bc20 is {bc20_t} T, but the fit begins at {LOWEST_FIELD_T} T")]
    FieldTooLow {
        /// As given, T.
        bc20_t: f64,
    },
    /// Jc would rise with the field or with temperature.
    #[error(
        "alpha is {alpha} and gamma {gamma}, but alpha must not be above 1 nor above gamma, or the critical current would rise with field or temperature"
    )]
    Rising {
        /// As given.
        alpha: f64,
        /// As given.
        gamma: f64,
    },
    /// The field, temperature or current density is not a finite number, or below zero.
    #[error("{name} is {value}, which is no field, temperature or current density")]
    NotAState {
        /// Which one.
        name: &'static str,
        /// As given.
        value: f64,
    },
}

/// Where a current density begins to share its current with the stabiliser.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sharing {
    /// At this temperature, K.
    At(f64),
    /// At every temperature: the superconductor carries it nowhere at this field.
    Everywhere,
}

/// The critical surface of one strand material.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CriticalSurface(CriticalSurfaceParameters);

impl CriticalSurface {
    /// Checks the parameters.
    ///
    /// # Errors
    /// [`CriticalSurfaceError`] when one is not above zero, or Jc would rise with B or T.
    pub fn new(parameters: CriticalSurfaceParameters) -> Result<Self, CriticalSurfaceError> {
        let p = &parameters;
        for (name, value) in [
            ("Jref", p.reference_a_per_m2),
            ("C0", p.c0_t),
            ("Bc20", p.bc20_t),
            ("Tc0", p.tc0_k),
            ("alpha", p.alpha),
            ("beta", p.beta),
            ("gamma", p.gamma),
        ] {
            if !(value.is_normal() && value > 0.0) {
                return Err(CriticalSurfaceError::NotPositive { name, value });
            }
        }
        if p.bc20_t <= LOWEST_FIELD_T {
            return Err(CriticalSurfaceError::FieldTooLow { bc20_t: p.bc20_t });
        }
        if p.alpha > 1.0 || p.alpha > p.gamma {
            return Err(CriticalSurfaceError::Rising {
                alpha: p.alpha,
                gamma: p.gamma,
            });
        }
        Ok(Self(parameters))
    }

    /// The parameters.
    #[must_use]
    pub fn parameters(&self) -> &CriticalSurfaceParameters {
        &self.0
    }

    /// Upper critical field at a temperature, T; zero at and above Tc0.
    ///
    /// # Errors
    /// [`CriticalSurfaceError::NotAState`] for a temperature that is none.
    pub fn upper_critical_field_t(&self, temperature_k: f64) -> Result<f64, CriticalSurfaceError> {
        let t = state("temperature", temperature_k)?;
        Ok(self.0.bc20_t * self.u(t))
    }

    /// Critical temperature at a field, K; zero at and above Bc20.
    ///
    /// # Errors
    /// [`CriticalSurfaceError::NotAState`] for a field that is none.
    pub fn critical_temperature_k(&self, field_t: f64) -> Result<f64, CriticalSurfaceError> {
        let b0 = state("field", field_t)? / self.0.bc20_t;
        Ok(self.temperature_of(b0.min(1.0)))
    }

    /// Critical current density of the superconductor, A/m2; zero where it is normal.
    ///
    /// **Range**: fields from [`LOWEST_FIELD_T`]; a lower one counts as that.
    ///
    /// # Errors
    /// [`CriticalSurfaceError::NotAState`] for a field or temperature that is none.
    pub fn critical_current_density_a_per_m2(
        &self,
        field_t: f64,
        temperature_k: f64,
    ) -> Result<f64, CriticalSurfaceError> {
        let b = state("field", field_t)?.max(LOWEST_FIELD_T);
        let t = state("temperature", temperature_k)?;
        let ln = self.ln_jc(b, self.u(t));
        Ok(libm::exp(ln))
    }

    /// The temperature at which a current density is the critical one, K.
    ///
    /// Solved by Newton's method on ln Jc, kept inside its bracket; exact to 1e-12 of Tc0.
    ///
    /// # Errors
    /// [`CriticalSurfaceError::NotAState`] for a field or current density that is none.
    pub fn current_sharing(
        &self,
        field_t: f64,
        current_density_a_per_m2: f64,
    ) -> Result<Sharing, CriticalSurfaceError> {
        let b = state("field", field_t)?.max(LOWEST_FIELD_T);
        let j = state("current density", current_density_a_per_m2)?;
        let b0 = b / self.0.bc20_t;
        if b0 >= 1.0 {
            return Ok(Sharing::Everywhere);
        }
        if !j.is_normal() {
            // No current worth the name: shared from the critical temperature on.
            return Ok(Sharing::At(self.temperature_of(b0)));
        }
        let ln_j = libm::log(j);
        if self.ln_jc(b, 1.0) < ln_j {
            return Ok(Sharing::Everywhere);
        }
        // Jc rises with u from nothing at u = b0 to its value at 0 K at u = 1.
        let (mut low, mut high) = (b0, 1.0);
        let mut u = f64::midpoint(b0, 1.0);
        for _ in 0..200 {
            let gap = self.ln_jc(b, u) - ln_j;
            if gap >= 0.0 {
                high = u;
            } else {
                low = u;
            }
            let newton = u - gap / self.d_ln_jc_du(b, u);
            let next = if newton > low && newton < high {
                newton
            } else {
                f64::midpoint(low, high)
            };
            let step = (next - u).abs();
            u = next;
            if step <= 1e-15 * u || high - low <= 1e-15 * high {
                break;
            }
        }
        Ok(Sharing::At(self.temperature_of(u)))
    }

    /// Slopes of ln Jc in field (1/T) and temperature (1/K); none where the strand is normal.
    pub(super) fn slopes(&self, field_t: f64, temperature_k: f64) -> Option<(f64, f64)> {
        let b = field_t.max(LOWEST_FIELD_T);
        let u = self.u(temperature_k);
        let p = &self.0;
        let rest = p.bc20_t * u - b;
        if !(rest > 0.0 && temperature_k >= 0.0) {
            return None;
        }
        let by_field = if field_t < LOWEST_FIELD_T {
            0.0
        } else {
            (p.alpha - 1.0) / b - p.beta / rest
        };
        let t = temperature_k / p.tc0_k;
        let du_dt = -EXPONENT * libm::pow(t, EXPONENT - 1.0) / p.tc0_k;
        let by_temperature = self.d_ln_jc_du(b, u) * du_dt;
        (by_field.is_finite() && by_temperature.is_finite()).then_some((by_field, by_temperature))
    }

    /// 1 - t^1.7, zero at and above Tc0.
    fn u(&self, temperature_k: f64) -> f64 {
        (1.0 - libm::pow(temperature_k / self.0.tc0_k, EXPONENT)).max(0.0)
    }

    fn temperature_of(&self, u: f64) -> f64 {
        self.0.tc0_k * libm::pow((1.0 - u).max(0.0), 1.0 / EXPONENT)
    }

    /// ln Jc; minus infinity where the strand is normal.
    fn ln_jc(&self, b: f64, u: f64) -> f64 {
        let p = &self.0;
        let b0 = b / p.bc20_t;
        if u <= b0 {
            return f64::NEG_INFINITY;
        }
        libm::log(p.reference_a_per_m2)
            + libm::log(p.c0_t / b)
            + p.alpha * libm::log(b0)
            + (p.gamma - p.alpha) * libm::log(u)
            + p.beta * libm::log(1.0 - b0 / u)
    }

    fn d_ln_jc_du(&self, b: f64, u: f64) -> f64 {
        let p = &self.0;
        let b0 = b / p.bc20_t;
        (p.gamma - p.alpha) / u + p.beta * b0 / (u * (u - b0))
    }
}

fn state(name: &'static str, value: f64) -> Result<f64, CriticalSurfaceError> {
    if value.is_finite() && value >= 0.0 {
        Ok(value)
    } else {
        Err(CriticalSurfaceError::NotAState { name, value })
    }
}
