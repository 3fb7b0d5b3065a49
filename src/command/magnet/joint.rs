//! Resistance of a joint from the command line.

use std::fs::File;
use std::io::{Read, Write};
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::{MagnetCommandError, json, line, plain, scaled, text};
use crate::balance::distribution::student_quantile;
use crate::magnet::{Figure, JointPair, JointResistance, Resolution, joint_resistance};
use crate::quantity::QuantityKind;

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

pub(super) fn reckon(args: &JointArgs, output: &mut impl Write) -> Result<(), MagnetCommandError> {
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
