//! Margin of a superconductor from the command line.

use std::io::Write;

use clap::Args;
use serde::Serialize;

use super::{MagnetCommandError, figure, json, line, plain, scaled, text};
use crate::magnet::{
    CriticalSurface, CriticalSurfaceParameters, Figure, Margin, MarginInput, Strand, margin,
};
use crate::quantity::QuantityKind;

/// Temperature margin and load line of a NbTi strand by Bottura's fit. The parameters are those of
/// the strand; there is no default material. A quantity may state its standard uncertainty, such as
/// "4.5 K ± 0.02 K".
#[derive(Debug, Clone, Args)]
pub struct MarginArgs {
    /// Reference critical current density of the fit, such as "3000 A/mm2".
    #[arg(long, value_name = "TEXT")]
    j_ref: String,
    /// Normalising constant of the fit, such as "27.04 T".
    #[arg(long, value_name = "TEXT")]
    c0: String,
    /// Upper critical field at 0 K, such as "14.5 T".
    #[arg(long, value_name = "TEXT")]
    bc20: String,
    /// Critical temperature at zero field, such as "9.2 K".
    #[arg(long, value_name = "TEXT")]
    tc0: String,
    /// Exponent of b.
    #[arg(long)]
    alpha: f64,
    /// Exponent of 1 - b.
    #[arg(long)]
    beta: f64,
    /// Exponent of 1 - t^1.7.
    #[arg(long)]
    gamma: f64,
    /// Area of one strand, such as "1 mm2", with --copper-ratio.
    #[arg(long, value_name = "TEXT", requires = "copper_ratio")]
    strand_area: Option<String>,
    /// Copper to superconductor in the strand.
    #[arg(long, requires = "strand_area")]
    copper_ratio: Option<f64>,
    /// Number of filaments of one strand, with --filament-diameter.
    #[arg(long, requires = "filament_diameter", conflicts_with = "strand_area")]
    filaments: Option<u32>,
    /// Diameter of a filament, such as "6 um".
    #[arg(long, value_name = "TEXT", requires = "filaments")]
    filament_diameter: Option<String>,
    /// Strands that share the current evenly.
    #[arg(long)]
    strands: u32,
    /// Standard uncertainty of the critical current, such as "5 %".
    #[arg(long, value_name = "TEXT")]
    critical_current_std: String,
    /// Temperature of the conductor.
    #[arg(long, value_name = "TEXT")]
    temperature: String,
    /// Current of the magnet.
    #[arg(long, value_name = "TEXT")]
    current: String,
    /// Peak field on the conductor at that current; the load line goes through it and through zero.
    #[arg(long, value_name = "TEXT")]
    field: String,
    /// Answer as JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct MarginAnswer {
    superconducting: bool,
    #[serde(rename = "temperature_K")]
    temperature: Figure,
    #[serde(rename = "current_A")]
    current: Figure,
    #[serde(rename = "field_T")]
    field: Figure,
    #[serde(rename = "critical_current_A")]
    critical_current: f64,
    #[serde(rename = "critical_current_of_a_strand_A")]
    strand_critical_current: f64,
    #[serde(rename = "superconductor_of_a_strand_mm2")]
    superconductor_mm2: f64,
    #[serde(rename = "current_sharing_temperature_K")]
    sharing: Option<f64>,
    #[serde(rename = "temperature_margin_K")]
    margin: Option<Figure>,
    #[serde(rename = "load_line_percent")]
    load_line: Option<Figure>,
}

pub(super) fn reckon(args: &MarginArgs, output: &mut impl Write) -> Result<(), MagnetCommandError> {
    let surface = CriticalSurface::new(CriticalSurfaceParameters {
        reference_a_per_m2: plain("--j-ref", &args.j_ref, QuantityKind::CurrentDensity)?,
        c0_t: plain("--c0", &args.c0, QuantityKind::MagneticFluxDensity)?,
        bc20_t: plain("--bc20", &args.bc20, QuantityKind::MagneticFluxDensity)?,
        tc0_k: plain("--tc0", &args.tc0, QuantityKind::Temperature)?,
        alpha: args.alpha,
        beta: args.beta,
        gamma: args.gamma,
    })?;
    let strand = match (
        &args.strand_area,
        args.copper_ratio,
        args.filaments,
        &args.filament_diameter,
    ) {
        (Some(area), Some(ratio), _, _) => {
            Strand::from_ratio(plain("--strand-area", area, QuantityKind::Area)?, ratio)?
        }
        (_, _, Some(count), Some(diameter)) => Strand::from_filaments(
            count,
            plain("--filament-diameter", diameter, QuantityKind::Length)?,
        )?,
        _ => return Err(MagnetCommandError::NoStrand),
    };
    if args.strands == 0 {
        return Err(MagnetCommandError::NoStrands);
    }
    let current = figure("--current", &args.current, QuantityKind::Current)?;
    let field = figure("--field", &args.field, QuantityKind::MagneticFluxDensity)?;
    if current.value == 0.0 {
        return Err(MagnetCommandError::NoLoadLine);
    }
    let per_ampere = 1.0 / current.value.abs();
    let input = MarginInput {
        temperature_k: figure(
            "--temperature",
            &args.temperature,
            QuantityKind::Temperature,
        )?,
        current_a: current,
        load_line_t_per_a: Figure::new(field.value * per_ampere, field.std * per_ampere),
        strand_share: 1.0 / f64::from(args.strands),
        critical_current_std: plain(
            "--critical-current-std",
            &args.critical_current_std,
            QuantityKind::Fraction,
        )?,
    };
    let answer = margin_answer(strand, &input, margin(&surface, &strand, &input)?);
    if args.json {
        return json(output, &answer);
    }
    let (headline, critical) = if answer.superconducting {
        ("The conductor is superconducting", answer.critical_current)
    } else {
        (
            "The margin is LOST: the superconductor does not carry this current",
            answer.critical_current,
        )
    };
    writeln!(output, "{headline}")?;
    line(output, "peak field", &text(answer.field, "T"))?;
    line(
        output,
        "critical current",
        &format!(
            "{critical:.1} A ({:.1} A a strand)",
            answer.strand_critical_current
        ),
    )?;
    if let (Some(sharing), Some(margin), Some(way)) =
        (answer.sharing, answer.margin, answer.load_line)
    {
        line(output, "current sharing from", &format!("{sharing:.4} K"))?;
        line(output, "temperature margin", &text(margin, "K"))?;
        line(output, "load line gone", &text(way, "%"))?;
    }
    Ok(())
}

fn margin_answer(strand: Strand, input: &MarginInput, found: Margin) -> MarginAnswer {
    let (field, critical_current, standing) = match found {
        Margin::Standing(figures) => (figures.field_t, figures.critical_current_a, Some(figures)),
        Margin::Lost {
            field_t,
            critical_current_a,
        } => (field_t, critical_current_a, None),
    };
    MarginAnswer {
        superconducting: standing.is_some(),
        temperature: input.temperature_k,
        current: input.current_a,
        field,
        critical_current,
        strand_critical_current: critical_current * input.strand_share,
        superconductor_mm2: strand.superconductor_m2() * 1e6,
        sharing: standing.map(|figures| figures.sharing_k),
        margin: standing.map(|figures| figures.margin_k),
        load_line: standing.map(|figures| scaled(figures.load_line, 100.0)),
    }
}
