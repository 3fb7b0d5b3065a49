//! `coldledger helium`: properties of helium, for one state or for a file of them.

use std::io::{self, Read, Write};

use clap::{Args, ValueEnum};
use serde::Serialize;

use super::batch::{self, Answer, BatchError, Header};
use crate::helium::batch::{
    ENTHALPY_INPUTS, Given, PHASE_INPUT, QUALITY_INPUT, SATURATION_INPUTS, SATURATION_OUTPUTS,
    STATE_INPUTS, STATE_OUTPUTS, mixture_row, saturation_row, state_row,
};
use crate::helium::{
    self, DensityWithSlopes, HeliumError, Phase, PhaseHint, REFERENCE_PRESSURE_PA,
    REFERENCE_TEMPERATURE_K, State,
};
use crate::quantity::{
    AbsolutePressure, Density, Quantity, QuantityKind, Temperature, UnitError, parse_as,
};

/// Density and other properties of helium, 0.8 K to 1500 K, to 1000 bar.
///
/// For one state: coldledger helium --temperature "4.5 K" --pressure "1.25 bar(a)"
/// For saturation: coldledger helium --saturated --pressure "1.2 bar(a)"
/// For many: coldledger helium --batch < states.csv
///
/// With --batch the first line names the columns, in SI: temperature_K and pressure_Pa (and, if
/// wanted, phase: liquid or vapour near saturation, empty for the stable one); or pressure_Pa and
/// enthalpy_J_kg; or pressure_Pa and quality (0 saturated liquid, 1 saturated vapour). Each row comes
/// back with its properties behind it. Energies and entropy are differences from 300 K, 101325 Pa.
#[derive(Debug, Clone, Default, Args)]
#[command(verbatim_doc_comment)]
pub struct HeliumArgs {
    /// Read CSV from standard input, its columns named as above, and write each row with its
    /// properties behind it; a row that cannot be computed says why.
    #[arg(long, conflicts_with_all = ["temperature", "pressure", "phase", "json"])]
    pub batch: bool,
    /// On the saturation line: with --batch the input needs temperature_K alone; otherwise give
    /// either --temperature or --pressure.
    #[arg(long)]
    pub saturated: bool,
    /// Temperature with its unit, such as "4.5 K".
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub temperature: Option<String>,
    /// Absolute pressure with its unit, such as "1.25 bar(a)".
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub pressure: Option<String>,
    /// Phase to take near saturation; without it the stable one.
    #[arg(long, value_name = "PHASE")]
    pub phase: Option<PhaseArg>,
    /// Answer as JSON in SI units.
    #[arg(long)]
    pub json: bool,
}

/// A phase on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PhaseArg {
    /// Liquid, also a little below its saturation pressure.
    Liquid,
    /// Vapour, also a little above its saturation pressure.
    Vapour,
}

/// Why the command could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum HeliumCommandError {
    /// Neither a batch nor a state.
    #[error(
        "nothing to compute: give --temperature and --pressure, or --batch with CSV on standard input (see --help)"
    )]
    NothingAsked,
    /// Saturation has one free variable.
    #[error("saturation needs --temperature or --pressure, one of them")]
    OneOf,
    /// A quantity on the command line that cannot be read.
    #[error("{option}: {source}")]
    Option {
        /// Which option.
        option: &'static str,
        /// Why.
        source: UnitError,
    },
    /// A state that helium or its models do not have.
    #[error(transparent)]
    Helium(#[from] HeliumError),
    /// The batch as a whole failed.
    #[error(transparent)]
    Batch(#[from] BatchError),
    /// Writing failed.
    #[error("writing the answer: {0}")]
    Write(#[from] io::Error),
    /// Writing JSON failed.
    #[error("writing the answer: {0}")]
    Json(#[from] serde_json::Error),
}

/// Computes from standard input or the command line; the exit code.
#[must_use]
pub fn main(args: &HeliumArgs) -> u8 {
    match run(args, io::stdin().lock(), super::answer()) {
        Ok(()) => super::WELL,
        Err(error) => {
            super::complain(&error);
            super::CONFIGURATION
        }
    }
}

/// Runs the command on an input and an output.
///
/// # Errors
/// [`HeliumCommandError`]; in a batch only what concerns the whole of it.
pub fn run(
    args: &HeliumArgs,
    input: impl Read,
    mut output: impl Write,
) -> Result<(), HeliumCommandError> {
    match (args.batch, args.saturated) {
        (true, false) => Ok(batch::run(input, output, states)?),
        (true, true) => Ok(batch::run(input, output, |header| {
            let [column] = SATURATION_INPUTS;
            let t = header.need(column)?;
            let answer: Answer<'_> = Box::new(move |row| saturation_row(row.get(t)).into());
            Ok((SATURATION_OUTPUTS.to_vec(), answer))
        })?),
        (false, true) => saturation(args, &mut output),
        (false, false) => one_state(args, &mut output),
    }
}

/// How rows are answered: by temperature and pressure, else by pressure and enthalpy or quality.
fn states(header: &Header) -> Result<(Vec<&'static str>, Answer<'static>), BatchError> {
    let [t, p] = STATE_INPUTS;
    if let (None, Some(p)) = (header.find(t), header.find(p)) {
        let enthalpy = ENTHALPY_INPUTS.iter().find_map(|name| header.find(name));
        let (given, place) = match (enthalpy, header.find(QUALITY_INPUT)) {
            (Some(place), _) => (Given::Enthalpy, place),
            (None, Some(place)) => (Given::Quality, place),
            (None, None) => {
                return Err(header.missing("temperature_K (nor enthalpy_J_kg, nor quality)"));
            }
        };
        let answer: Answer<'_> =
            Box::new(move |row| mixture_row(given, row.get(p), row.get(place)));
        return Ok((given.outputs(), answer));
    }
    let (t, p) = (header.need(t)?, header.need(p)?);
    let phase = header.find(PHASE_INPUT);
    let answer: Answer<'_> = Box::new(move |row| {
        let phase = phase.map_or("", |place| row.get(place));
        state_row(row.get(t), row.get(p), phase).into()
    });
    Ok((STATE_OUTPUTS.to_vec(), answer))
}

#[derive(Serialize)]
struct StateAnswer {
    #[serde(rename = "temperature_K")]
    temperature: f64,
    #[serde(rename = "pressure_Pa")]
    pressure: f64,
    phase: &'static str,
    #[serde(rename = "density_kg_m3")]
    density: f64,
    #[serde(rename = "density_std_uncertainty_kg_m3")]
    density_std: f64,
    #[serde(rename = "density_per_temperature_kg_m3K")]
    d_dt: f64,
    #[serde(rename = "density_per_pressure_kg_m3Pa")]
    d_dp: f64,
    #[serde(rename = "enthalpy_J_kg")]
    enthalpy: Option<f64>,
    #[serde(rename = "entropy_J_kgK")]
    entropy: Option<f64>,
    #[serde(rename = "cp_J_kgK")]
    cp: Option<f64>,
    #[serde(rename = "cv_J_kgK")]
    cv: Option<f64>,
    #[serde(rename = "speed_of_sound_m_s")]
    speed: Option<f64>,
    #[serde(rename = "viscosity_Pas")]
    viscosity: Option<f64>,
}

fn one_state(args: &HeliumArgs, output: &mut impl Write) -> Result<(), HeliumCommandError> {
    let (Some(t), Some(p)) = (&args.temperature, &args.pressure) else {
        return Err(HeliumCommandError::NothingAsked);
    };
    let t: Temperature = option("--temperature", t)?;
    let p: AbsolutePressure = option("--pressure", p)?;
    let hint = match args.phase {
        None => PhaseHint::Stable,
        Some(PhaseArg::Liquid) => PhaseHint::Liquid,
        Some(PhaseArg::Vapour) => PhaseHint::Vapour,
    };
    let found = helium::density_with_slopes(t, p, hint)?;
    let whole = match helium::state(t, p, hint) {
        Ok(state) => Some(state),
        Err(HeliumError::OnlyDensity { .. }) => None,
        Err(error) => return Err(error.into()),
    };
    let std = helium::density_std_uncertainty(t, found.density, found.phase);
    let answer = StateAnswer {
        temperature: t.si(),
        pressure: p.si(),
        phase: found.phase.words(),
        density: found.density.si(),
        density_std: std.si(),
        d_dt: found.d_dt,
        d_dp: found.d_dp,
        enthalpy: whole.map(|state| state.enthalpy_j_per_kg),
        entropy: whole.map(|state| state.entropy_j_per_kg_k),
        cp: whole.map(|state| state.cp_j_per_kg_k),
        cv: whole.map(|state| state.cv_j_per_kg_k),
        speed: whole.map(|state| state.speed_of_sound_m_per_s),
        viscosity: helium::viscosity_pa_s(t, found.density).ok(),
    };
    if args.json {
        return json(output, &answer);
    }
    for_a_person(output, &found, std, whole.as_ref(), (t, p))
}

fn for_a_person(
    output: &mut impl Write,
    found: &DensityWithSlopes,
    std: Density,
    whole: Option<&State>,
    (t, p): (Temperature, AbsolutePressure),
) -> Result<(), HeliumCommandError> {
    writeln!(
        output,
        "{} at {} and {}",
        name(found.phase),
        text(t),
        text(p)
    )?;
    line(output, "density", &density(found.density, std))?;
    line(
        output,
        "  per kelvin",
        &format!("{:.4e} kg/m3/K", found.d_dt),
    )?;
    line(
        output,
        "  per bar",
        &format!("{:.4e} kg/m3/bar", found.d_dp * 1e5),
    )?;
    if let Some(state) = whole {
        line(
            output,
            "enthalpy",
            &format!("{:.0} J/kg", state.enthalpy_j_per_kg),
        )?;
        line(
            output,
            "entropy",
            &format!("{:.1} J/(kg K)", state.entropy_j_per_kg_k),
        )?;
        line(
            output,
            "cp",
            &format!("{:.1} J/(kg K)", state.cp_j_per_kg_k),
        )?;
        line(
            output,
            "cv",
            &format!("{:.1} J/(kg K)", state.cv_j_per_kg_k),
        )?;
        line(
            output,
            "speed of sound",
            &format!("{:.2} m/s", state.speed_of_sound_m_per_s),
        )?;
        line(
            output,
            "isentropic exponent",
            &format!("{:.4}", state.isentropic_exponent()),
        )?;
    }
    if let Ok(viscosity) = helium::viscosity_pa_s(t, found.density) {
        line(
            output,
            "viscosity",
            &format!("{:.3} uPa s", viscosity * 1e6),
        )?;
    }
    if whole.is_some() {
        writeln!(
            output,
            "Energies and entropy are differences from {REFERENCE_TEMPERATURE_K} K, {REFERENCE_PRESSURE_PA} Pa."
        )?;
    } else {
        writeln!(
            output,
            "Below the lambda point only the density is tabulated."
        )?;
    }
    Ok(())
}

#[derive(Serialize)]
struct SaturationAnswer {
    #[serde(rename = "temperature_K")]
    temperature: f64,
    #[serde(rename = "pressure_Pa")]
    pressure: f64,
    #[serde(rename = "liquid_density_kg_m3")]
    liquid: f64,
    #[serde(rename = "liquid_density_std_uncertainty_kg_m3")]
    liquid_std: f64,
    #[serde(rename = "vapour_density_kg_m3")]
    vapour: f64,
    #[serde(rename = "latent_heat_J_kg")]
    latent_heat: f64,
}

fn saturation(args: &HeliumArgs, output: &mut impl Write) -> Result<(), HeliumCommandError> {
    let found = match (&args.temperature, &args.pressure) {
        (Some(t), None) => helium::saturation_at_temperature(option("--temperature", t)?)?,
        (None, Some(p)) => helium::saturation_at_pressure(option("--pressure", p)?)?,
        _ => return Err(HeliumCommandError::OneOf),
    };
    let liquid_std = helium::bath_density_std_uncertainty(found.temperature, found.liquid);
    let vapour_std =
        helium::density_std_uncertainty(found.temperature, found.vapour, Phase::Vapour);
    if args.json {
        return json(
            output,
            &SaturationAnswer {
                temperature: found.temperature.si(),
                pressure: found.pressure.si(),
                liquid: found.liquid.si(),
                liquid_std: liquid_std.si(),
                vapour: found.vapour.si(),
                latent_heat: found.latent_heat_j_per_kg,
            },
        );
    }
    writeln!(
        output,
        "saturated helium at {} and {}",
        text(found.temperature),
        text(found.pressure)
    )?;
    line(output, "liquid density", &density(found.liquid, liquid_std))?;
    line(output, "vapour density", &density(found.vapour, vapour_std))?;
    line(
        output,
        "heat of evaporation",
        &format!("{:.1} J/kg", found.latent_heat_j_per_kg),
    )?;
    Ok(())
}

fn option<Q: Quantity>(option: &'static str, text: &str) -> Result<Q, HeliumCommandError> {
    parse_as(text).map_err(|source| HeliumCommandError::Option { option, source })
}

fn json(output: &mut impl Write, answer: &impl Serialize) -> Result<(), HeliumCommandError> {
    serde_json::to_writer_pretty(&mut *output, answer)?;
    writeln!(output)?;
    Ok(())
}

fn line(output: &mut impl Write, name: &str, value: &str) -> io::Result<()> {
    writeln!(output, "  {name:<20} {value}")
}

fn text<Q: Quantity>(quantity: Q) -> String {
    let si = quantity.si();
    match Q::KIND {
        QuantityKind::AbsolutePressure => format!("{:.5} bar(a)", si / 1e5),
        kind => format!("{:.5} {}", si, kind.si_unit().symbol),
    }
}

fn density(value: Density, std: Density) -> String {
    let unit = QuantityKind::Density.si_unit();
    format!(
        "{} (standard uncertainty of the model {:.2} %)",
        unit.format(value.si(), std.si()),
        100.0 * std.si() / value.si()
    )
}

fn name(phase: Phase) -> &'static str {
    match phase {
        Phase::HeliumIi => "helium II",
        Phase::Liquid => "liquid helium",
        Phase::Vapour => "helium vapour",
        Phase::Gas => "helium gas",
        Phase::Supercritical => "supercritical helium",
    }
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: HeliumArgs,
    }

    fn answer(arguments: &[&str], input: &[u8]) -> Result<String, HeliumCommandError> {
        let line = Line::try_parse_from(std::iter::once("helium").chain(arguments.iter().copied()))
            .unwrap();
        let mut output = Vec::new();
        run(&line.args, input, &mut output)?;
        Ok(String::from_utf8(output).unwrap())
    }

    #[test]
    fn batch_keeps_every_row_and_marks_the_bad_ones() {
        let input = b"temperature_K,pressure_Pa\n4.2,101325\nwarm,1\n\"4.2,101325\n4.2\n1,2,3\n300,101325\n\xff\xfe,1e5\n";
        let text = answer(&["--batch"], input).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            lines[0],
            "temperature_K,pressure_Pa,density_kg_m3,enthalpy_J_kg,entropy_J_kgK,speed_of_sound_m_s,internal_energy_J_kg,cp_J_kgK,cv_J_kgK,viscosity_Pas,phase,problem"
        );
        assert_eq!(lines.len(), 8, "{text}");
        assert!(lines[1].starts_with("4.2,101325,125.2") && lines[1].ends_with(",liquid,"));
        assert!(lines[2].contains("is not a number"));
        assert!(lines[3].starts_with("4.2,101325,125.2"));
        assert!(lines[4].contains("the row has 1 fields"));
        assert!(lines[5].contains("the row has 3 fields"));
        assert!(lines[6].starts_with("300,101325,0.16") && lines[6].ends_with(",gas,"));
        assert!(lines[7].contains("is not a number"));
    }

    #[test]
    fn batch_finds_its_columns_by_name() {
        let input = "\u{feff}tank,pressure_Pa,temperature_K\r\nA,101325,300\r\n";
        let text = answer(&["--batch"], input.as_bytes()).unwrap();
        let row = text.lines().nth(1).unwrap();
        assert!(row.starts_with("A,101325,300,0.16"), "{row}");
    }

    #[test]
    fn batch_takes_phase_enthalpy_and_quality() {
        let input = "temperature_K,pressure_Pa,phase\n4.2,99000,liquid\n4.2,99000,\n";
        let text = answer(&["--batch"], input.as_bytes()).unwrap();
        let rows: Vec<&str> = text.lines().collect();
        assert!(rows[1].starts_with("4.2,99000,liquid,125."), "{}", rows[1]);
        assert!(rows[2].starts_with("4.2,99000,,15.") || rows[2].starts_with("4.2,99000,,16."));
        for (column, value) in [("enthalpy_J_per_kg", "0"), ("quality", "0.5")] {
            let input = format!("pressure_Pa,{column}\n101325,{value}\n");
            let text = answer(&["--batch"], input.as_bytes()).unwrap();
            let rows: Vec<&str> = text.lines().collect();
            assert!(
                rows[0].contains(",temperature_K,density_kg_m3,"),
                "{}",
                rows[0]
            );
            assert!(rows[1].ends_with(','), "{}", rows[1]);
        }
        let error = answer(&["--batch"], b"pressure_Pa\n1\n").unwrap_err();
        assert!(error.to_string().contains("nor quality"), "{error}");
    }

    #[test]
    fn batch_names_the_missing_column() {
        let error = answer(&["--batch"], b"T,p\n1,2\n").unwrap_err();
        assert!(error.to_string().contains("no column temperature_K"));
        let error = answer(&["--batch"], b"").unwrap_err();
        assert!(error.to_string().contains("empty"), "{error}");
    }

    #[test]
    fn saturated_batch() {
        let text = answer(&["--batch", "--saturated"], b"temperature_K\n4.2\n7\n1.9\n").unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(
            lines[0],
            "temperature_K,pressure_Pa,liquid_density_kg_m3,vapour_density_kg_m3,latent_heat_J_kg,problem"
        );
        assert!(lines[1].starts_with("4.2,99075.9"), "{}", lines[1]);
        assert!(lines[2].contains("outside"));
        assert!(lines[3].contains("145.4684"));
    }

    #[test]
    fn one_state_for_a_person_and_for_a_program() {
        let asked = ["--temperature", "4.5 K", "--pressure", "3 bar(a)"];
        let text = answer(&asked, b"").unwrap();
        assert!(text.starts_with("liquid helium at"), "{text}");
        assert!(text.contains("kg/m3"));
        let json = answer(&[&asked[..], &["--json"]].concat(), b"").unwrap();
        let value: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert!((value["density_kg_m3"].as_f64().unwrap() - 129.312630762).abs() < 1e-6);
        let two = ["--temperature", "1.9 K", "--pressure", "1 bar(a)"];
        assert!(answer(&two, b"").unwrap().starts_with("helium II at"));
    }

    #[test]
    fn refuses_a_pressure_without_reference() {
        let asked = ["--temperature", "4.5 K", "--pressure", "3 bar"];
        let error = answer(&asked, b"").unwrap_err();
        assert!(error.to_string().contains("bar(a)"), "{error}");
    }

    #[test]
    fn says_what_is_missing() {
        assert!(matches!(
            answer(&[], b""),
            Err(HeliumCommandError::NothingAsked)
        ));
        assert!(matches!(
            answer(&["--saturated"], b""),
            Err(HeliumCommandError::OneOf)
        ));
    }
}
