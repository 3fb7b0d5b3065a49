//! Mass flow through an orifice plate or a venturi tube.
//!
//! `q = C / sqrt(1 - b^4) eps (pi/4) d^2 sqrt(2 dp rho)`, with the discharge coefficient C of the
//! Reynolds number and so of the flow itself (solved by iteration), and the expansibility eps for
//! the gas that expands on its way through.
//!
//! The dimensions are those at the flowing temperature: steel at 5 K is 0.3 % shorter than warm, and
//! the flow goes with the square.
//!
//! **Source**: ISO 5167-2:2003 (Reader-Harris/Gallagher equation; orifice), ISO 5167-4:2003
//! (classical venturi). Coefficients were checked against an independent implementation, the limits
//! and the uncertainties of C and eps (taken as k = 2) are from memory.

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

/// A differential-pressure device in its pipe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Constriction {
    /// Inside diameter of the pipe, m.
    pub pipe_diameter_m: f64,
    /// Diameter of the bore or throat, m.
    pub throat_diameter_m: f64,
    /// What it is.
    pub device: Device,
    /// Below this differential pressure the flow is given as zero, Pa.
    pub cut_off_dp_pa: f64,
}

/// Kind of device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Device {
    /// A sharp-edged orifice plate.
    Orifice(Taps),
    /// A classical venturi tube.
    Venturi(VenturiKind),
}

/// Where the pressures of an orifice are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Taps {
    /// At the faces of the plate.
    Corner,
    /// One diameter before, half a diameter behind.
    DiameterAndHalf,
    /// 25.4 mm before and behind.
    Flange,
}

/// How the convergent of a venturi is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum VenturiKind {
    /// As cast.
    Cast,
    /// Machined.
    Machined,
    /// Rough-welded sheet.
    Welded,
}

/// The gas before the device.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GasState {
    /// Absolute pressure at the upstream tap, Pa.
    pub pressure_pa: f64,
    /// Density, kg/m3.
    pub density: f64,
    /// Dynamic viscosity, Pa s.
    pub viscosity_pa_s: f64,
    /// Isentropic exponent, 1.
    pub isentropic_exponent: f64,
}

/// A mass flow and what it rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DpFlow {
    /// Mass flow, kg/s; zero below the cut-off.
    pub mass_flow_kg_per_s: f64,
    /// Standard uncertainty of the device itself (C and eps), kg/s; one for all readings of it.
    /// Below the cut-off the root mean square of a flow that may be anything up to it.
    pub device_std: f64,
    /// Change of the flow per differential pressure, kg/(s Pa).
    pub d_flow_d_dp: f64,
    /// Change of the flow per density, (kg/s)/(kg/m3).
    pub d_flow_d_density: f64,
    /// Discharge coefficient.
    pub discharge_coefficient: f64,
    /// Expansibility.
    pub expansibility: f64,
    /// Reynolds number of the pipe.
    pub reynolds: f64,
    /// Whether the Reynolds number and the pressure ratio keep to the limits of the standard.
    pub within_limits: bool,
    /// Whether the differential pressure is below the cut-off.
    pub cut_off: bool,
}

/// Why there is no flow to be told.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum FlowError {
    /// A bore that does not suit its pipe.
    #[error("a bore of {throat_m} m in a pipe of {pipe_m} m is outside the standard: {limit}")]
    BadDimensions {
        /// Bore, m.
        throat_m: f64,
        /// Pipe, m.
        pipe_m: f64,
        /// The limit.
        limit: &'static str,
    },
    /// A property of the gas that cannot be.
    #[error("{what} of {value} cannot be")]
    BadState {
        /// Which one.
        what: &'static str,
        /// As given.
        value: f64,
    },
    /// More differential pressure than a quarter of the static one: the expansibility is not known.
    #[error(
        "a differential pressure of {dp_pa} Pa is more than a quarter of {pressure_pa} Pa; the standard ends there"
    )]
    TooMuchDrop {
        /// Differential pressure, Pa.
        dp_pa: f64,
        /// Static pressure, Pa.
        pressure_pa: f64,
    },
    /// Flow and discharge coefficient found no common value.
    #[error(
        "the discharge coefficient does not settle at a Reynolds number of {reynolds}; the flow is too low for the device"
    )]
    NotSettled {
        /// Where it went.
        reynolds: f64,
    },
}

/// Smallest ratio of the pressures behind and before for which the expansibility is stated.
const LEAST_PRESSURE_RATIO: f64 = 0.75;
/// Below it C loses its meaning altogether.
const LEAST_REYNOLDS: f64 = 500.0;

impl Constriction {
    /// The mass flow at a differential pressure in Pa. Backward flow counts as cut off.
    ///
    /// # Errors
    /// [`FlowError`] when the device, the gas or the pressure drop is outside what the standard
    /// describes. A Reynolds number outside its limits is no error but is told in the result.
    pub fn flow(&self, dp_pa: f64, gas: &GasState) -> Result<DpFlow, FlowError> {
        self.check(gas)?;
        let finite = |what, value: f64| {
            if value.is_finite() {
                Ok(value)
            } else {
                Err(FlowError::BadState { what, value })
            }
        };
        finite("a differential pressure", dp_pa)?;
        finite("a cut-off", self.cut_off_dp_pa)?;
        if dp_pa <= self.cut_off_dp_pa.max(0.0) {
            return Ok(self.below_cut_off(gas));
        }
        let solved = self.solve(dp_pa, gas)?;
        // The discharge coefficient moves with the flow, so slopes come from neighbouring solutions.
        let part = 1e-4;
        let up = self.solve_unlimited(dp_pa * (1.0 + part), gas)?;
        let down = self.solve_unlimited(dp_pa * (1.0 - part), gas)?;
        let density = |factor: f64| GasState {
            density: gas.density * factor,
            ..*gas
        };
        let denser = self.solve_unlimited(dp_pa, &density(1.0 + part))?;
        let lighter = self.solve_unlimited(dp_pa, &density(1.0 - part))?;
        let q = solved.flow;
        let std_c = self.coefficient_std(solved.reynolds);
        let std_e = self.expansibility_std(dp_pa, gas);
        Ok(DpFlow {
            mass_flow_kg_per_s: q,
            device_std: q * libm::sqrt(std_c * std_c + std_e * std_e),
            d_flow_d_dp: (up.flow - down.flow) / (2.0 * part * dp_pa),
            d_flow_d_density: (denser.flow - lighter.flow) / (2.0 * part * gas.density),
            discharge_coefficient: solved.coefficient,
            expansibility: solved.expansibility,
            reynolds: solved.reynolds,
            within_limits: self.reynolds_within(solved.reynolds),
            cut_off: false,
        })
    }

    fn below_cut_off(&self, gas: &GasState) -> DpFlow {
        let edge = self.cut_off_dp_pa.max(0.0);
        // Too low for a coefficient: the bare formula with the usual one is near enough for a bound.
        let most = match self.solve(edge, gas) {
            Ok(solved) => solved.flow,
            Err(_) => 0.6 * self.flow_per_coefficient(edge, gas),
        };
        DpFlow {
            mass_flow_kg_per_s: 0.0,
            device_std: most / libm::sqrt(3.0),
            d_flow_d_dp: 0.0,
            d_flow_d_density: 0.0,
            discharge_coefficient: 0.0,
            expansibility: 1.0,
            reynolds: 0.0,
            within_limits: false,
            cut_off: true,
        }
    }

    fn check(&self, gas: &GasState) -> Result<(), FlowError> {
        let (pipe_m, throat_m) = (self.pipe_diameter_m, self.throat_diameter_m);
        let bad = |limit| {
            Err(FlowError::BadDimensions {
                throat_m,
                pipe_m,
                limit,
            })
        };
        let (pipe, ratio, limit) = match self.device {
            Device::Orifice(_) => (
                0.05..=1.0,
                0.1..=0.75,
                "pipe 50 to 1000 mm, bore 0.1 to 0.75 of it",
            ),
            Device::Venturi(_) => (
                0.05..=1.2,
                0.3..=0.775,
                "pipe 50 to 1200 mm, throat 0.3 to 0.775 of it",
            ),
        };
        // A limit met exactly must not fail by the rounding of the ratio.
        let beta = libm::round(self.beta() * 1e9) / 1e9;
        if !(pipe.contains(&pipe_m) && ratio.contains(&beta)) {
            return bad(limit);
        }
        for (what, value) in [
            ("an absolute pressure", gas.pressure_pa),
            ("a density", gas.density),
            ("a viscosity", gas.viscosity_pa_s),
            (
                "an isentropic exponent less one",
                gas.isentropic_exponent - 1.0,
            ),
        ] {
            if !(value.is_finite() && value > 0.0) {
                return Err(FlowError::BadState { what, value });
            }
        }
        Ok(())
    }

    fn solve(&self, dp_pa: f64, gas: &GasState) -> Result<Solved, FlowError> {
        if dp_pa > (1.0 - LEAST_PRESSURE_RATIO) * gas.pressure_pa {
            return Err(FlowError::TooMuchDrop {
                dp_pa,
                pressure_pa: gas.pressure_pa,
            });
        }
        self.solve_unlimited(dp_pa, gas)
    }

    fn solve_unlimited(&self, dp_pa: f64, gas: &GasState) -> Result<Solved, FlowError> {
        let expansibility = self.expansibility(dp_pa, gas);
        let per_coefficient = expansibility * self.flow_per_coefficient(dp_pa, gas);
        let reynolds_per_flow = 4.0 / (PI * self.pipe_diameter_m * gas.viscosity_pa_s);
        let mut coefficient = 0.6;
        for _ in 0..100 {
            let reynolds = reynolds_per_flow * per_coefficient * coefficient;
            if !(reynolds.is_finite() && reynolds >= LEAST_REYNOLDS) {
                return Err(FlowError::NotSettled { reynolds });
            }
            let next = self.coefficient(reynolds);
            let settled = (next - coefficient).abs() <= 1e-15 * coefficient.abs();
            coefficient = next;
            if settled {
                break;
            }
        }
        let flow = per_coefficient * coefficient;
        let reynolds = reynolds_per_flow * flow;
        let residual = (self.coefficient(reynolds) - coefficient).abs();
        if flow > 0.0 && residual <= 1e-12 * coefficient {
            Ok(Solved {
                flow,
                coefficient,
                expansibility,
                reynolds,
            })
        } else {
            Err(FlowError::NotSettled { reynolds })
        }
    }

    /// Bore or throat per pipe diameter.
    #[must_use]
    pub fn beta(&self) -> f64 {
        self.throat_diameter_m / self.pipe_diameter_m
    }

    fn flow_per_coefficient(&self, dp_pa: f64, gas: &GasState) -> f64 {
        let d = self.throat_diameter_m;
        let approach = libm::sqrt(1.0 - libm::pow(self.beta(), 4.0));
        PI / 4.0 * d * d * libm::sqrt(2.0 * dp_pa * gas.density) / approach
    }

    fn coefficient(&self, reynolds: f64) -> f64 {
        match self.device {
            Device::Orifice(taps) => {
                reader_harris_gallagher(self.beta(), self.pipe_diameter_m, reynolds, taps)
            }
            Device::Venturi(VenturiKind::Cast) => 0.984,
            Device::Venturi(VenturiKind::Machined) => 0.995,
            Device::Venturi(VenturiKind::Welded) => 0.985,
        }
    }

    fn expansibility(&self, dp_pa: f64, gas: &GasState) -> f64 {
        let ratio = 1.0 - dp_pa / gas.pressure_pa;
        let k = gas.isentropic_exponent;
        let b4 = libm::pow(self.beta(), 4.0);
        match self.device {
            // ISO 5167-2:2003, equation 5.
            Device::Orifice(_) => {
                let size = 0.351 + 0.256 * b4 + 0.93 * b4 * b4;
                1.0 - size * (1.0 - libm::pow(ratio, 1.0 / k))
            }
            // ISO 5167-4:2003, equation 2.
            Device::Venturi(_) => {
                let wide = libm::pow(ratio, 2.0 / k);
                let expansion = k * wide / (k - 1.0);
                let approach = (1.0 - b4) / (1.0 - b4 * wide);
                let work = (1.0 - libm::pow(ratio, (k - 1.0) / k)) / (1.0 - ratio);
                libm::sqrt(expansion * approach * work)
            }
        }
    }

    /// Relative standard uncertainty of C.
    fn coefficient_std(&self, reynolds: f64) -> f64 {
        let beta = self.beta();
        let percent = match self.device {
            Device::Orifice(_) => {
                let mut percent = if beta < 0.2 {
                    0.7 - beta
                } else if beta <= 0.6 {
                    0.5
                } else {
                    1.667 * beta - 0.5
                };
                if self.pipe_diameter_m < SMALL_PIPE_M {
                    percent += 0.9 * (0.75 - beta) * (2.8 - self.pipe_diameter_m / 0.0254);
                }
                if beta > 0.5 && reynolds < 1e4 {
                    percent += 0.5;
                }
                percent
            }
            Device::Venturi(VenturiKind::Cast) => 0.7,
            Device::Venturi(VenturiKind::Machined) => 1.0,
            Device::Venturi(VenturiKind::Welded) => 1.5,
        };
        percent / 100.0 / 2.0
    }

    /// Relative standard uncertainty of eps.
    fn expansibility_std(&self, dp_pa: f64, gas: &GasState) -> f64 {
        let drop = dp_pa / gas.pressure_pa;
        let percent = match self.device {
            Device::Orifice(_) => 3.5 * drop / gas.isentropic_exponent,
            Device::Venturi(_) => (4.0 + 100.0 * libm::pow(self.beta(), 8.0)) * drop,
        };
        percent / 100.0 / 2.0
    }

    fn reynolds_within(&self, reynolds: f64) -> bool {
        let beta = self.beta();
        match self.device {
            Device::Orifice(Taps::Flange) => {
                reynolds >= 5e3 && reynolds >= 170e3 * beta * beta * self.pipe_diameter_m
            }
            Device::Orifice(_) if beta <= 0.56 => reynolds >= 5e3,
            Device::Orifice(_) => reynolds >= 16e3 * beta * beta,
            Device::Venturi(VenturiKind::Machined) => (2e5..=1e6).contains(&reynolds),
            Device::Venturi(_) => (2e5..=2e6).contains(&reynolds),
        }
    }
}

struct Solved {
    flow: f64,
    coefficient: f64,
    expansibility: f64,
    reynolds: f64,
}

/// Below this pipe diameter the coefficient has a further term, m.
const SMALL_PIPE_M: f64 = 0.07112;

/// ISO 5167-2:2003, equation 4.
fn reader_harris_gallagher(beta: f64, pipe_m: f64, reynolds: f64, taps: Taps) -> f64 {
    let (l1, l2) = match taps {
        Taps::Corner => (0.0, 0.0),
        Taps::DiameterAndHalf => (1.0, 0.47),
        Taps::Flange => (0.0254 / pipe_m, 0.0254 / pipe_m),
    };
    let power = |base: f64, exponent: f64| libm::pow(base, exponent);
    let b4 = power(beta, 4.0);
    let a = power(19_000.0 * beta / reynolds, 0.8);
    let m2 = 2.0 * l2 / (1.0 - beta);
    let upstream = 0.043 + 0.080 * libm::exp(-10.0 * l1) - 0.123 * libm::exp(-7.0 * l1);
    let mut c = 0.5961 + 0.0261 * beta * beta - 0.216 * b4 * b4
        + 0.000521 * power(1e6 * beta / reynolds, 0.7)
        + (0.0188 + 0.0063 * a) * power(beta, 3.5) * power(1e6 / reynolds, 0.3)
        + upstream * (1.0 - 0.11 * a) * b4 / (1.0 - b4)
        - 0.031 * (m2 - 0.8 * power(m2, 1.1)) * power(beta, 1.3);
    if pipe_m < SMALL_PIPE_M {
        c += 0.011 * (0.75 - beta) * (2.8 - pipe_m / 0.0254);
    }
    c
}

#[cfg(test)]
mod tests {
    use super::*;

    const GAS: GasState = GasState {
        pressure_pa: 1.05e5,
        density: 0.17234,
        viscosity_pa_s: 1.9618e-5,
        isentropic_exponent: 1.6674,
    };

    fn orifice() -> Constriction {
        Constriction {
            pipe_diameter_m: 0.08,
            throat_diameter_m: 0.048,
            device: Device::Orifice(Taps::Corner),
            cut_off_dp_pa: 20.0,
        }
    }

    #[test]
    fn slopes_are_those_of_the_solution() {
        let flow = |dp, gas: &GasState| orifice().flow(dp, gas).unwrap();
        let at = flow(2_500.0, &GAS);
        let step = 1.0;
        let slope = (flow(2_500.0 + step, &GAS).mass_flow_kg_per_s
            - flow(2_500.0 - step, &GAS).mass_flow_kg_per_s)
            / (2.0 * step);
        assert!((at.d_flow_d_dp / slope - 1.0).abs() < 1e-5);
        // Near the square root: half the relative change of pressure or density.
        let relative = at.d_flow_d_density * GAS.density / at.mass_flow_kg_per_s;
        assert!((relative - 0.5).abs() < 0.02);
        assert!(at.within_limits && !at.cut_off);
        let share = at.device_std / at.mass_flow_kg_per_s;
        assert!((0.0025..0.004).contains(&share));
    }

    #[test]
    fn below_the_cut_off_the_flow_is_zero_and_uncertain_by_it() {
        let edge = orifice().flow(20.001, &GAS).unwrap().mass_flow_kg_per_s;
        for dp in [-50.0, 0.0, 19.0, 20.0] {
            let below = orifice().flow(dp, &GAS).unwrap();
            assert!(below.cut_off);
            assert_eq!(below.mass_flow_kg_per_s, 0.0);
            assert!((below.device_std * libm::sqrt(3.0) / edge - 1.0).abs() < 1e-3);
        }
    }

    #[test]
    fn refuses_what_the_standard_does_not_describe() {
        assert!(matches!(
            orifice().flow(40_000.0, &GAS),
            Err(FlowError::TooMuchDrop { .. })
        ));
        let narrow = Constriction {
            throat_diameter_m: 0.004,
            ..orifice()
        };
        assert!(matches!(
            narrow.flow(100.0, &GAS),
            Err(FlowError::BadDimensions { .. })
        ));
        let empty = GasState {
            density: 0.0,
            ..GAS
        };
        assert!(matches!(
            orifice().flow(100.0, &empty),
            Err(FlowError::BadState { .. })
        ));
        assert!(orifice().flow(f64::NAN, &GAS).is_err());
        let sensitive = Constriction {
            cut_off_dp_pa: 0.0,
            ..orifice()
        };
        assert!(matches!(
            sensitive.flow(1e-6, &GAS),
            Err(FlowError::NotSettled { .. })
        ));
    }

    #[test]
    fn a_venturi_expands_as_an_isentrope() {
        let venturi = Constriction {
            device: Device::Venturi(VenturiKind::Machined),
            ..orifice()
        };
        let nearly_nothing = venturi.expansibility(1e-3, &GAS);
        assert!((nearly_nothing - 1.0).abs() < 1e-7);
        // To first order eps = 1 - (3/2 + 2 b^4 / (1 - b^4)) dp / (2 k p).
        let slope = (1.0 - venturi.expansibility(10.0, &GAS)) / (10.0 / GAS.pressure_pa);
        let b4 = libm::pow(0.6, 4.0);
        let expected = (1.5 + 2.0 * b4 / (1.0 - b4)) / (2.0 * GAS.isentropic_exponent);
        assert!((slope / expected - 1.0).abs() < 1e-3, "{slope} {expected}");
        let flow = venturi.flow(2_500.0, &GAS).unwrap();
        assert_eq!(flow.discharge_coefficient, 0.995);
        assert!(!flow.within_limits, "warm gas at this pressure is too thin");
    }
}
