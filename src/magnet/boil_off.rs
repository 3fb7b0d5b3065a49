//! Heat load of a bath from what it evaporates, and how long its liquid lasts.
//!
//! A vessel of fixed volume holds liquid and vapour on the saturation line. Evaporation e leaves room
//! that vapour fills, so that less is vented than evaporates; and when the pressure moves, both
//! phases store heat and vapour:
//!
//! ```text
//! w = e (1 - rho_v/rho_l) - A dp/dt        A = V_v rho_v' + m_l rho_v rho_l'/rho_l^2
//! Q = e L + S dp/dt                        S = m_l u_l' + m_v u_v' - A p/rho_v
//! ```
//!
//! with ' the slope along saturation. At constant pressure Q = e L exactly. The trade reckons the
//! moving pressure as the rise of enthalpy, m dh/dp: 0.56 W for 360 kg and 1 mbar/h. That is too much
//! by V dp/dt (0.08 W there), which the pressing vapour brings and not the wall: S for liquid alone is
//! m T ds/dp, 0.47 W. The balance above is used; the trade's figure is given beside it.
//!
//! **Source**: balance of mass and energy of an open vessel; properties by [`crate::helium`].
//!
//! What is not in it: vapour warmer than saturation (the heat of warming it is taken outside), and
//! liquid that lags behind its pressure (layers). Below the lambda point the energies of helium II
//! are not known here, so that a moving pressure is refused there.

use super::Figure;
use super::trend::{Arrival, Trend, arrival};
use crate::helium::{self, EOS_MIN_TEMPERATURE, HeliumError, PhaseHint, saturation_at_pressure};
use crate::quantity::{AbsolutePressure, Temperature};

/// Relative standard uncertainty of the latent heat: sources differ by up to 1 %.
const LATENT_STD: f64 = 0.005;
/// State in which a normal cubic metre is counted.
const NORMAL_TEMPERATURE_K: f64 = 273.15;
const NORMAL_PRESSURE_PA: f64 = 101_325.0;

/// A bath.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BathState {
    /// Pressure above the liquid, Pa absolute.
    pub pressure_pa: Figure,
    /// How it moves, Pa/s; zero with no uncertainty when it is known to stand.
    pub pressure_rate_pa_per_s: Figure,
    /// Liquid, kg; of no matter while the pressure stands.
    pub liquid_kg: Figure,
    /// Room above the liquid, m3; of no matter while the pressure stands.
    pub vapour_m3: Figure,
}

/// How the liquid falls, positive when it falls, while nothing is filled in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LevelFall {
    /// kg/s.
    Mass(Figure),
    /// m3/s of liquid.
    Volume(Figure),
}

/// What boils off, and the heat that does it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoilOff {
    /// Heat load, W.
    pub heat_w: Figure,
    /// Evaporation, kg/s.
    pub evaporation_kg_per_s: Figure,
    /// Flow through the vent, kg/s.
    pub vent_kg_per_s: Figure,
    /// Liquid that evaporates, litres per hour.
    pub liquid_l_per_h: Figure,
    /// Flow through the vent in normal cubic metres (0 °C, 101 325 Pa) per hour.
    pub vent_nm3_per_h: Figure,
    /// Part of the heat that the moving pressure stores, W: S dp/dt.
    pub stored_w: f64,
    /// The trade's figure for that, W: m dh/dp dp/dt of the liquid; only for comparison.
    pub enthalpy_rise_w: f64,
    /// Heat of evaporation used, J/kg.
    pub latent_heat_j_per_kg: f64,
}

/// Why no heat load is given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum BoilOffError {
    /// A number that is none, or a mass or volume below zero.
    #[error("the {name} is not a number that makes sense")]
    NotANumber {
        /// Which one.
        name: &'static str,
    },
    /// Outside what is known of helium.
    #[error(transparent)]
    Helium(#[from] HeliumError),
    /// Helium II with a moving pressure.
    #[error(
        "the bath is at {temperature_k:.3} K, below the lambda point, where the heat that a moving pressure stores is not known here; ask while the pressure stands"
    )]
    MovingHeliumIi {
        /// K.
        temperature_k: f64,
    },
}

/// Heat load from the flow through the vent, kg/s.
///
/// # Errors
/// [`BoilOffError`].
pub fn from_vent_flow(bath: &BathState, vent_kg_per_s: Figure) -> Result<BoilOff, BoilOffError> {
    sound("vent flow", vent_kg_per_s)?;
    boil_off(bath, vent_kg_per_s, |bath, line, vent| {
        let evaporation =
            (vent + line.stores_kg_per_pa(bath) * bath.rate) / (1.0 - line.vapour / line.liquid);
        (evaporation, vent)
    })
}

/// Heat load from the fall of the liquid.
///
/// # Errors
/// [`BoilOffError`].
pub fn from_level_fall(bath: &BathState, fall: LevelFall) -> Result<BoilOff, BoilOffError> {
    let (figure, by_volume) = match fall {
        LevelFall::Mass(figure) => (figure, false),
        LevelFall::Volume(figure) => (figure, true),
    };
    sound("fall of the liquid", figure)?;
    boil_off(bath, figure, |bath, line, fall| {
        let evaporation = if by_volume {
            // m = rho V: what the liquid loses in density it does not lose in mass.
            line.liquid * fall - bath.liquid_kg / line.liquid * line.d_liquid * bath.rate
        } else {
            fall
        };
        let vent = evaporation * (1.0 - line.vapour / line.liquid)
            - line.stores_kg_per_pa(bath) * bath.rate;
        (evaporation, vent)
    })
}

/// Time until the liquid of a trend (kg) has fallen to `limit_kg`.
#[must_use]
pub fn time_until_by_trend(liquid_kg: &Trend, limit_kg: f64, coverage: f64) -> Arrival {
    let value = liquid_kg.value;
    if !(value.is_sound() && liquid_kg.rate_per_s.is_sound() && limit_kg.is_finite()) {
        return Arrival::NotApproaching;
    }
    if value.value <= limit_kg {
        return Arrival::Reached;
    }
    let fall = Figure::new(-liquid_kg.rate_per_s.value, liquid_kg.rate_per_s.std);
    arrival(
        Figure::new(value.value - limit_kg, value.std),
        fall,
        coverage,
    )
}

/// Time until a heat load has evaporated the liquid above a limit, when no more comes in: `m L / Q`.
///
/// # Errors
/// [`BoilOffError`] for numbers that are none, or a pressure outside saturation.
pub fn time_until_by_heat(
    above_limit_kg: Figure,
    heat_w: Figure,
    pressure_pa: f64,
    coverage: f64,
) -> Result<Arrival, BoilOffError> {
    for (name, figure) in [("liquid", above_limit_kg), ("heat load", heat_w)] {
        sound(name, figure)?;
    }
    if above_limit_kg.value <= 0.0 {
        return Ok(Arrival::Reached);
    }
    let latent = saturation_at_pressure(AbsolutePressure::new(pressure_pa))?.latent_heat_j_per_kg;
    let evaporation = heat_w.value / latent;
    let (a, b) = (heat_w.std / latent, evaporation * LATENT_STD);
    let evaporation = Figure::new(evaporation, libm::sqrt(a * a + b * b));
    Ok(arrival(above_limit_kg, evaporation, coverage))
}

/// The inputs as plain numbers.
#[derive(Debug, Clone, Copy)]
struct Numbers {
    pressure: f64,
    rate: f64,
    liquid_kg: f64,
    vapour_m3: f64,
}

/// The saturation line at a pressure, SI.
#[derive(Debug, Clone, Copy)]
struct Line {
    liquid: f64,
    vapour: f64,
    latent: f64,
    d_liquid: f64,
    d_vapour: f64,
    /// Slopes of the internal energies; none for helium II.
    d_energies: Option<(f64, f64)>,
    temperature: f64,
}

impl Line {
    fn at(pressure: f64) -> Result<Self, HeliumError> {
        let s = saturation_at_pressure(AbsolutePressure::new(pressure))?;
        let t = s.temperature.si();
        let mut line = Self {
            liquid: s.liquid.si(),
            vapour: s.vapour.si(),
            latent: s.latent_heat_j_per_kg,
            d_liquid: s.d_liquid_dp,
            d_vapour: s.d_vapour_dp,
            d_energies: None,
            temperature: t,
        };
        if t >= EOS_MIN_TEMPERATURE {
            // du = cv dT + (p - T dp/dT|rho) / rho^2 drho
            let slope = |hint, d_density: f64| -> Result<f64, HeliumError> {
                let state = helium::state(s.temperature, AbsolutePressure::new(pressure), hint)?;
                let rho = state.density_kg_per_m3;
                let by_density = (pressure - t * state.dp_dt) / (rho * rho);
                Ok(state.cv_j_per_kg_k / s.dp_dt + by_density * d_density)
            };
            line.d_energies = Some((
                slope(PhaseHint::Liquid, s.d_liquid_dp)?,
                slope(PhaseHint::Vapour, s.d_vapour_dp)?,
            ));
        }
        Ok(line)
    }

    /// A: helium that the vapour space takes up per pascal.
    fn stores_kg_per_pa(&self, bath: &Numbers) -> f64 {
        bath.vapour_m3 * self.d_vapour
            + bath.liquid_kg * self.vapour * self.d_liquid / (self.liquid * self.liquid)
    }

    /// S: heat that both phases take up per pascal.
    fn stores_j_per_pa(&self, bath: &Numbers) -> f64 {
        let (liquid, vapour) = self.d_energies.unwrap_or((0.0, 0.0));
        bath.liquid_kg * liquid + bath.vapour_m3 * self.vapour * vapour
            - self.stores_kg_per_pa(bath) * bath.pressure / self.vapour
    }

    /// m dh/dp of the liquid.
    fn enthalpy_j_per_pa(&self, bath: &Numbers) -> f64 {
        let (liquid, _) = self.d_energies.unwrap_or((0.0, 0.0));
        let flow_work = (1.0 - bath.pressure * self.d_liquid / self.liquid) / self.liquid;
        bath.liquid_kg * (liquid + flow_work)
    }
}

/// Values and slopes by central differences in every input, each an independent cause.
fn boil_off(
    bath: &BathState,
    driver: Figure,
    flows: impl Fn(&Numbers, &Line, f64) -> (f64, f64),
) -> Result<BoilOff, BoilOffError> {
    for (name, figure) in [
        ("pressure", bath.pressure_pa),
        ("rate of the pressure", bath.pressure_rate_pa_per_s),
        ("liquid", bath.liquid_kg),
        ("vapour space", bath.vapour_m3),
    ] {
        sound(name, figure)?;
    }
    for (name, figure) in [("liquid", bath.liquid_kg), ("vapour space", bath.vapour_m3)] {
        if figure.value < 0.0 {
            return Err(BoilOffError::NotANumber { name });
        }
    }
    let numbers = Numbers {
        pressure: bath.pressure_pa.value,
        rate: bath.pressure_rate_pa_per_s.value,
        liquid_kg: bath.liquid_kg.value,
        vapour_m3: bath.vapour_m3.value,
    };
    let line = Line::at(numbers.pressure)?;
    let moves = numbers.rate != 0.0 || bath.pressure_rate_pa_per_s.std != 0.0;
    if moves && line.d_energies.is_none() {
        return Err(BoilOffError::MovingHeliumIi {
            temperature_k: line.temperature,
        });
    }
    let normal = helium::density(
        Temperature::new(NORMAL_TEMPERATURE_K),
        AbsolutePressure::new(NORMAL_PRESSURE_PA),
    )?
    .si();
    let outputs = |bath: &Numbers, line: &Line, driver: f64| -> [f64; 5] {
        let (evaporation, vent) = flows(bath, line, driver);
        [
            evaporation * line.latent + line.stores_j_per_pa(bath) * bath.rate,
            evaporation,
            vent,
            evaporation / line.liquid * 3.6e6,
            vent / normal * 3600.0,
        ]
    };
    let here = outputs(&numbers, &line, driver.value);
    let mut variances = [0.0; 5];
    let mut add = |low: [f64; 5], high: [f64; 5]| {
        for ((variance, low), high) in variances.iter_mut().zip(low).zip(high) {
            let half = 0.5 * (high - low);
            *variance += half * half;
        }
    };
    // All inputs but the pressure enter linearly, so one standard uncertainty to each side is exact.
    let with = |change: &dyn Fn(&mut Numbers)| {
        let mut changed = numbers;
        change(&mut changed);
        outputs(&changed, &line, driver.value)
    };
    add(
        outputs(&numbers, &line, driver.value - driver.std),
        outputs(&numbers, &line, driver.value + driver.std),
    );
    let u = bath.pressure_rate_pa_per_s.std;
    add(with(&|n| n.rate -= u), with(&|n| n.rate += u));
    let u = bath.liquid_kg.std;
    add(with(&|n| n.liquid_kg -= u), with(&|n| n.liquid_kg += u));
    let u = bath.vapour_m3.std;
    add(with(&|n| n.vapour_m3 -= u), with(&|n| n.vapour_m3 += u));
    let u = bath.pressure_pa.std;
    if u > 0.0 {
        let moved = |by: f64| -> Result<[f64; 5], HeliumError> {
            let mut changed = numbers;
            changed.pressure += by;
            Ok(outputs(
                &changed,
                &Line::at(changed.pressure)?,
                driver.value,
            ))
        };
        // A hundredth of it, scaled up: near the ends of saturation the whole may lie outside.
        let (low, high) = (moved(-0.01 * u)?, moved(0.01 * u)?);
        add(low.map(|x| 100.0 * x), high.map(|x| 100.0 * x));
    }
    if let Some(variance) = variances.first_mut() {
        let latent = here[1] * line.latent * LATENT_STD;
        *variance += latent * latent;
    }
    let found = BoilOff {
        stored_w: line.stores_j_per_pa(&numbers) * numbers.rate,
        enthalpy_rise_w: line.enthalpy_j_per_pa(&numbers) * numbers.rate,
        latent_heat_j_per_kg: line.latent,
        ..of_figures(&here, &variances)
    };
    if found.heat_w.is_sound() && found.vent_kg_per_s.is_sound() {
        Ok(found)
    } else {
        Err(BoilOffError::NotANumber { name: "heat load" })
    }
}

fn of_figures(values: &[f64; 5], variances: &[f64; 5]) -> BoilOff {
    let mut figures = values
        .iter()
        .zip(variances)
        .map(|(value, variance)| Figure::new(*value, libm::sqrt(*variance)));
    let mut next = || figures.next().unwrap_or_default();
    BoilOff {
        heat_w: next(),
        evaporation_kg_per_s: next(),
        vent_kg_per_s: next(),
        liquid_l_per_h: next(),
        vent_nm3_per_h: next(),
        stored_w: 0.0,
        enthalpy_rise_w: 0.0,
        latent_heat_j_per_kg: 0.0,
    }
}

fn sound(name: &'static str, figure: Figure) -> Result<(), BoilOffError> {
    if figure.is_sound() {
        Ok(())
    } else {
        Err(BoilOffError::NotANumber { name })
    }
}
