//! Heat load of a bath from the command line.

use std::io::Write;

use clap::Args;
use serde::Serialize;

use super::{COVERAGE, MagnetCommandError, figure, json, line, plain, scaled, text};
use crate::magnet::{
    Arrival, BathState, BoilOff, Figure, LevelFall, from_level_fall, from_vent_flow,
    time_until_by_heat,
};
use crate::quantity::QuantityKind;

/// Heat load of a bath from its vent flow or from the fall of its liquid. A quantity may state its
/// standard uncertainty, such as "1.2 g/s ± 2 %".
#[derive(Debug, Clone, Args)]
pub struct BoilOffArgs {
    /// Pressure above the liquid, such as "1.22 bar(a)".
    #[arg(long, value_name = "TEXT")]
    pressure: String,
    /// Mass flow through the vent, such as "1.2 g/s".
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true, conflicts_with_all = ["fall_mass", "fall_volume"])]
    vent: Option<String>,
    /// Liquid that went while nothing came in, as a mass, with --within.
    #[arg(
        long,
        value_name = "TEXT",
        requires = "within",
        conflicts_with = "fall_volume"
    )]
    fall_mass: Option<String>,
    /// Liquid that went while nothing came in, as a volume, such as "12 L", with --within.
    #[arg(long, value_name = "TEXT", requires = "within")]
    fall_volume: Option<String>,
    /// By how much the pressure rose, such as "1 mbar", with --within, --liquid and --vapour.
    #[arg(long, value_name = "TEXT", requires_all = ["within", "liquid", "vapour"], allow_hyphen_values = true)]
    pressure_rise: Option<String>,
    /// Over which time fall and rise were seen, such as "1 h".
    #[arg(long, value_name = "TEXT")]
    within: Option<String>,
    /// Liquid in the bath, such as "60 kg".
    #[arg(long, value_name = "TEXT")]
    liquid: Option<String>,
    /// Room above the liquid, such as "180 L".
    #[arg(long, value_name = "TEXT")]
    vapour: Option<String>,
    /// Liquid at the lowest level that is allowed: how long until then, without supply.
    #[arg(long, value_name = "TEXT", requires = "liquid")]
    until: Option<String>,
    /// Answer as JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct BoilOffAnswer {
    #[serde(rename = "heat_W")]
    heat: Figure,
    #[serde(rename = "evaporation_g_per_s")]
    evaporation: Figure,
    #[serde(rename = "liquid_L_per_h")]
    liquid: Figure,
    #[serde(rename = "vent_g_per_s")]
    vent: Figure,
    #[serde(rename = "vent_Nm3_per_h")]
    vent_normal: Figure,
    #[serde(rename = "stored_by_pressure_W")]
    stored: f64,
    #[serde(rename = "enthalpy_rise_by_pressure_W")]
    enthalpy_rise: f64,
    #[serde(rename = "latent_heat_J_kg")]
    latent_heat: f64,
    until: Option<UntilAnswer>,
}

#[derive(Serialize)]
struct UntilAnswer {
    state: &'static str,
    hours: Option<f64>,
    earliest_hours: Option<f64>,
    latest_hours: Option<f64>,
}

impl UntilAnswer {
    fn of(arrival: Arrival) -> Self {
        let (state, times) = match arrival {
            Arrival::Reached => ("reached", None),
            Arrival::NotApproaching => ("never at this rate", None),
            Arrival::After {
                after_s,
                earliest_s,
                latest_s,
            } => ("falling", Some((after_s, earliest_s, latest_s))),
        };
        Self {
            state,
            hours: times.map(|times| times.0 / 3600.0),
            earliest_hours: times.map(|times| times.1 / 3600.0),
            latest_hours: times.map(|times| times.2 / 3600.0),
        }
    }
}

pub(super) fn reckon(
    args: &BoilOffArgs,
    output: &mut impl Write,
) -> Result<(), MagnetCommandError> {
    let pressure = figure("--pressure", &args.pressure, QuantityKind::AbsolutePressure)?;
    let within = match &args.within {
        None => None,
        Some(text) => {
            let seconds = plain("--within", text, QuantityKind::Duration)?;
            if seconds <= 0.0 {
                return Err(MagnetCommandError::NoTime);
            }
            Some(seconds)
        }
    };
    let rate = |option, text: &str, kind| {
        figure(option, text, kind).map(|found| scaled(found, within.map_or(0.0, |s| 1.0 / s)))
    };
    let or_nothing = |option, text: Option<&String>, kind| {
        text.map_or(Ok(Figure::default()), |text| figure(option, text, kind))
    };
    let liquid_kg = or_nothing("--liquid", args.liquid.as_ref(), QuantityKind::Mass)?;
    let bath = BathState {
        pressure_pa: pressure,
        pressure_rate_pa_per_s: match &args.pressure_rise {
            None => Figure::default(),
            Some(text) => rate("--pressure-rise", text, QuantityKind::PressureDifference)?,
        },
        liquid_kg,
        vapour_m3: or_nothing("--vapour", args.vapour.as_ref(), QuantityKind::Volume)?,
    };
    let found = match (&args.vent, &args.fall_mass, &args.fall_volume) {
        (Some(vent), _, _) => {
            from_vent_flow(&bath, figure("--vent", vent, QuantityKind::MassFlow)?)?
        }
        (_, Some(mass), _) => {
            let fall = rate("--fall-mass", mass, QuantityKind::Mass)?;
            from_level_fall(&bath, LevelFall::Mass(fall))?
        }
        (_, _, Some(volume)) => {
            let fall = rate("--fall-volume", volume, QuantityKind::Volume)?;
            from_level_fall(&bath, LevelFall::Volume(fall))?
        }
        _ => return Err(MagnetCommandError::NoBoilOff),
    };
    let until = match &args.until {
        None => None,
        Some(text) => {
            let lowest = plain("--until", text, QuantityKind::Mass)?;
            let above = Figure::new(liquid_kg.value - lowest, liquid_kg.std);
            Some(time_until_by_heat(
                above,
                found.heat_w,
                pressure.value,
                COVERAGE,
            )?)
        }
    };
    let answer = boil_off_answer(&found, until);
    if args.json {
        return json(output, &answer);
    }
    writeln!(output, "Heat load of the bath")?;
    line(output, "heat load", &text(answer.heat, "W"))?;
    line(output, "evaporation", &text(answer.evaporation, "g/s"))?;
    line(output, "liquid", &text(answer.liquid, "L/h"))?;
    line(
        output,
        "vent",
        &format!(
            "{} = {}",
            text(answer.vent, "g/s"),
            text(answer.vent_normal, "Nm3/h (0 °C, 101325 Pa)")
        ),
    )?;
    if answer.stored != 0.0 {
        line(
            output,
            "of it stored",
            &format!(
                "{:.3} W, since the pressure moves (rise of the liquid's enthalpy: {:.3} W)",
                answer.stored, answer.enthalpy_rise
            ),
        )?;
    }
    line(
        output,
        "heat of evaporation",
        &format!("{:.1} J/kg", answer.latent_heat),
    )?;
    if let Some(until) = &answer.until {
        line(output, "until the lowest", &in_words(until))?;
    }
    Ok(())
}

fn boil_off_answer(found: &BoilOff, until: Option<Arrival>) -> BoilOffAnswer {
    BoilOffAnswer {
        heat: found.heat_w,
        evaporation: scaled(found.evaporation_kg_per_s, 1e3),
        liquid: found.liquid_l_per_h,
        vent: scaled(found.vent_kg_per_s, 1e3),
        vent_normal: found.vent_nm3_per_h,
        stored: found.stored_w,
        enthalpy_rise: found.enthalpy_rise_w,
        latent_heat: found.latent_heat_j_per_kg,
        until: until.map(UntilAnswer::of),
    }
}

fn in_words(until: &UntilAnswer) -> String {
    match (until.hours, until.earliest_hours, until.latest_hours) {
        (Some(hours), Some(earliest), Some(latest)) => {
            format!("{hours:.1} h if nothing comes in ({earliest:.1} h to {latest:.1} h)")
        }
        _ => until.state.to_owned(),
    }
}
