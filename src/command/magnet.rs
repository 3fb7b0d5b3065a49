//! `coldledger magnet`: margin of a conductor, resistance of a joint, heat load of a bath.

use std::fs::File;
use std::io::{self, Read, Write};
use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde::Serialize;

use crate::balance::distribution::student_quantile;
use crate::magnet::{
    Arrival, BathState, BoilOff, BoilOffError, CriticalSurface, CriticalSurfaceError,
    CriticalSurfaceParameters, Figure, JointPair, JointRefusal, JointResistance, LevelFall, Margin,
    MarginInput, Resolution, Strand, StrandError, from_level_fall, from_vent_flow,
    joint_resistance, margin, time_until_by_heat,
};
use crate::quantity::{QuantityKind, UnitError, parse};

/// Factor of the bands that are given as times.
const COVERAGE: f64 = 2.0;

/// Margin of a superconductor, resistance of a joint, heat load of a bath. For people to judge by;
/// it protects no magnet.
#[derive(Debug, Clone, Args)]
pub struct MagnetArgs {
    /// What to reckon.
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Clone, Subcommand)]
enum What {
    Margin(MarginArgs),
    Joint(JointArgs),
    BoilOff(BoilOffArgs),
}

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

/// Resistance of a joint from pairs of current and voltage, with offset, thermal voltage and its
/// drift removed.
#[derive(Debug, Clone, Args)]
pub struct JointArgs {
    /// CSV with the columns current_A and voltage_V, and where known time_s, voltage_std_V and
    /// polarity (1 or -1: how the voltmeter is connected). Lines that begin with # are passed over.
    #[arg(long, value_name = "FILE")]
    pairs: PathBuf,
    /// Smallest step of voltage that the converter tells, such as "1 nV".
    #[arg(long, value_name = "TEXT")]
    resolution: String,
    /// Resistance that one wants to see, such as "1 nohm".
    #[arg(long, value_name = "TEXT")]
    wanted: String,
    /// Answer as JSON.
    #[arg(long)]
    json: bool,
}

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

/// Why the command could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum MagnetCommandError {
    /// A quantity on the command line that cannot be read.
    #[error("{option}: {source}")]
    Option {
        /// Which option.
        option: &'static str,
        /// Why.
        source: UnitError,
    },
    /// The strand's size is missing.
    #[error(
        "the strand has no size: give --strand-area and --copper-ratio, or --filaments and --filament-diameter"
    )]
    NoStrand,
    /// No strands share the current.
    #[error("--strands must be at least 1")]
    NoStrands,
    /// The current is nothing, so the field gives no load line.
    #[error(
        "--current is zero, so --field gives no load line; name a current that makes that field"
    )]
    NoLoadLine,
    /// Nothing says what boils off.
    #[error(
        "nothing says what boils off: give --vent, or --fall-mass or --fall-volume with --within"
    )]
    NoBoilOff,
    /// A time that is not above zero.
    #[error("--within must be above zero")]
    NoTime,
    /// Parameters that make no surface, or a state that is none.
    #[error(transparent)]
    Surface(#[from] CriticalSurfaceError),
    /// A strand that is none.
    #[error(transparent)]
    Strand(#[from] StrandError),
    /// No resistance can be given.
    #[error(transparent)]
    Joint(#[from] JointRefusal),
    /// No heat load can be given.
    #[error(transparent)]
    BoilOff(#[from] BoilOffError),
    /// The pairs cannot be read.
    #[error("{path}: {problem}")]
    Pairs {
        /// Which file.
        path: String,
        /// Why.
        problem: String,
    },
    /// Writing failed.
    #[error("writing the answer: {0}")]
    Write(#[from] io::Error),
    /// Writing JSON failed.
    #[error("writing the answer: {0}")]
    Json(#[from] serde_json::Error),
}

/// Reckons from the command line; the exit code.
#[must_use]
pub fn main(args: &MagnetArgs) -> u8 {
    match run(args, super::answer()) {
        Ok(()) => super::WELL,
        Err(error) => {
            super::complain(&error);
            super::CONFIGURATION
        }
    }
}

/// Runs the command on an output.
///
/// # Errors
/// [`MagnetCommandError`].
pub fn run(args: &MagnetArgs, mut output: impl Write) -> Result<(), MagnetCommandError> {
    match &args.what {
        What::Margin(args) => of_margin(args, &mut output),
        What::Joint(args) => of_joint(args, &mut output),
        What::BoilOff(args) => of_boil_off(args, &mut output),
    }
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

fn of_margin(args: &MarginArgs, output: &mut impl Write) -> Result<(), MagnetCommandError> {
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

#[derive(Serialize)]
struct JointAnswer {
    #[serde(rename = "resistance_nohm")]
    resistance: Figure,
    #[serde(rename = "half_interval_95_percent_nohm")]
    half_interval: f64,
    #[serde(rename = "offset_uV")]
    offset: Figure,
    #[serde(rename = "thermal_voltage_uV")]
    thermal: Option<Figure>,
    #[serde(rename = "drift_nV_per_s")]
    drift: Option<Figure>,
    #[serde(rename = "scatter_uV")]
    scatter: f64,
    pairs: usize,
    degrees_of_freedom: usize,
    #[serde(rename = "current_span_A")]
    span: f64,
}

impl JointAnswer {
    fn of(found: &JointResistance) -> Self {
        #[expect(clippy::cast_precision_loss, reason = "a count of pairs")]
        let factor = student_quantile(0.975, found.degrees_of_freedom as f64);
        Self {
            resistance: scaled(found.resistance_ohm, 1e9),
            half_interval: factor * found.resistance_ohm.std * 1e9,
            offset: scaled(found.offset_v, 1e6),
            thermal: found.thermal_v.map(|figure| scaled(figure, 1e6)),
            drift: found.drift_v_per_s.map(|figure| scaled(figure, 1e9)),
            scatter: found.scatter_v * 1e6,
            pairs: found.pairs,
            degrees_of_freedom: found.degrees_of_freedom,
            span: found.span_a,
        }
    }
}

fn of_joint(args: &JointArgs, output: &mut impl Write) -> Result<(), MagnetCommandError> {
    let resolution = Resolution {
        voltage_v: plain("--resolution", &args.resolution, QuantityKind::Voltage)?,
        wanted_ohm: plain("--wanted", &args.wanted, QuantityKind::Resistance)?,
    };
    let path = args.pairs.display().to_string();
    let told = |problem: String| MagnetCommandError::Pairs {
        path: path.clone(),
        problem,
    };
    let file = File::open(&args.pairs).map_err(|error| told(error.to_string()))?;
    let pairs = read_pairs(file).map_err(told)?;
    let answer = JointAnswer::of(&joint_resistance(&pairs, resolution)?);
    if args.json {
        return json(output, &answer);
    }
    writeln!(
        output,
        "Joint, from {} pairs over {:.1} A",
        answer.pairs, answer.span
    )?;
    line(output, "resistance", &text(answer.resistance, "nohm"))?;
    line(
        output,
        "95 % interval",
        &format!(
            "{:.4} nohm to {:.4} nohm",
            answer.resistance.value - answer.half_interval,
            answer.resistance.value + answer.half_interval
        ),
    )?;
    line(output, "at no current", &text(answer.offset, "uV"))?;
    if let Some(thermal) = answer.thermal {
        line(output, "thermal voltage", &text(thermal, "uV"))?;
    }
    if let Some(drift) = answer.drift {
        line(output, "drift", &text(drift, "nV/s"))?;
    }
    line(output, "scatter", &format!("{:.4} uV", answer.scatter))?;
    Ok(())
}

/// The pairs of a CSV; what is wrong is said with its line.
fn read_pairs(input: impl Read) -> Result<Vec<JointPair>, String> {
    const COLUMNS: [&str; 5] = [
        "current_A",
        "voltage_V",
        "time_s",
        "voltage_std_V",
        "polarity",
    ];
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(input);
    let header = reader.headers().map_err(|error| error.to_string())?.clone();
    let place = |column: &str| {
        header
            .iter()
            .position(|name| name.trim_start_matches('\u{feff}') == column)
    };
    let [current, voltage, time, std, polarity] = COLUMNS.map(place);
    let (Some(current), Some(voltage)) = (current, voltage) else {
        return Err(format!(
            "the first line must name the columns current_A and voltage_V; it names: {}",
            header.iter().collect::<Vec<_>>().join(", ")
        ));
    };
    let mut pairs = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| error.to_string())?;
        let at = record.position().map_or(0, csv::Position::line);
        let number = |place: usize| -> Result<f64, String> {
            let field = record.get(place).unwrap_or("");
            field
                .parse()
                .map_err(|_| format!("line {at}: {field:?} is not a number"))
        };
        let reversed = match polarity.map(number).transpose()? {
            None | Some(1.0) => false,
            Some(-1.0) => true,
            Some(other) => return Err(format!("line {at}: a polarity is 1 or -1, not {other}")),
        };
        pairs.push(JointPair {
            time_s: time.map(number).transpose()?,
            current_a: number(current)?,
            voltage_v: number(voltage)?,
            voltage_std_v: std.map(number).transpose()?,
            reversed,
        });
    }
    Ok(pairs)
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

fn of_boil_off(args: &BoilOffArgs, output: &mut impl Write) -> Result<(), MagnetCommandError> {
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

/// A quantity without uncertainty, in SI.
fn plain(option: &'static str, text: &str, kind: QuantityKind) -> Result<f64, MagnetCommandError> {
    parse(text, kind)
        .map(|(si, _)| si)
        .map_err(|source| MagnetCommandError::Option { option, source })
}

/// A quantity that may state its standard uncertainty behind ±, in its unit or in %.
fn figure(
    option: &'static str,
    text: &str,
    kind: QuantityKind,
) -> Result<Figure, MagnetCommandError> {
    let stated = ["±", "+/-", "+-"]
        .iter()
        .find_map(|sign| text.split_once(sign));
    let Some((value, std)) = stated else {
        return plain(option, text, kind).map(|value| Figure::new(value, 0.0));
    };
    let value = plain(option, value, kind)?;
    let relative = kind != QuantityKind::Fraction && std.trim_end().ends_with('%');
    let std = if relative {
        plain(option, std, QuantityKind::Fraction)? * value.abs()
    } else {
        plain(option, std, kind.difference())?
    };
    Ok(Figure::new(value, std.abs()))
}

fn scaled(figure: Figure, by: f64) -> Figure {
    Figure::new(figure.value * by, figure.std * by)
}

fn text(figure: Figure, unit: &str) -> String {
    let digits = crate::quantity::decimals_for(figure.std, figure.value);
    if figure.std == 0.0 {
        return format!("{:.digits$} {unit}", figure.value);
    }
    format!("{:.digits$} ± {:.digits$} {unit}", figure.value, figure.std)
}

fn json(output: &mut impl Write, answer: &impl Serialize) -> Result<(), MagnetCommandError> {
    serde_json::to_writer_pretty(&mut *output, answer)?;
    writeln!(output)?;
    Ok(())
}

fn line(output: &mut impl Write, name: &str, value: &str) -> io::Result<()> {
    writeln!(output, "  {name:<22} {value}")
}

#[cfg(test)]
mod tests;
