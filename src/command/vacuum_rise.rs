//! `coldledger vacuum-rise`: the leak of a closed volume from the rise of its pressure.

use std::io::{self, Read, Write};
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use crate::instrument::vacuum::{
    LeakUnit, RateOfRise, RiseError, RisePoint, RiseVolume, helium_mass_flow, rate_of_rise,
};
use crate::quantity::{self, QuantityKind, Unit, UnitError};

const DAY_S: f64 = 86_400.0;
/// Halves of fewer points say nothing of a bend.
const LEAST_OF_A_HALF: usize = 3;
/// A bend counts when the halves differ by this many standard uncertainties.
const BEND_COVERAGE: f64 = 3.0;

/// Leak of a closed vacuum volume from the rise of its pressure, q = V dp/dt.
///
/// FILE.csv has two columns with their units behind the last underscore, such as
/// time_s,pressure_mbar(a). Lines that begin with # are passed over.
///
///   coldledger vacuum-rise --volume "120 L ± 2 %" --gauge "15 %" rise.csv
///
/// Uncertainties are standard uncertainties (k = 1): the scatter of the pressures about the straight
/// line, the volume, and the gauge. Against cold walls the answer is a lower bound, since they pump
/// what leaks in.
#[derive(Debug, Clone, Args)]
#[command(verbatim_doc_comment)]
pub struct VacuumRiseArgs {
    /// The closed volume with its standard uncertainty, such as "120 L ± 2 %".
    #[arg(long, value_name = "TEXT")]
    pub volume: String,
    /// Relative standard uncertainty of the gauge (its calibration), such as "15 %".
    #[arg(long, value_name = "TEXT", default_value = "15 %")]
    pub gauge: String,
    /// True pressure per indicated pressure for the gas that leaks in, with its uncertainty: helium
    /// on a gauge calibrated with nitrogen has some "5.9 ± 10 %".
    #[arg(long, value_name = "TEXT")]
    pub gas_factor: Option<String>,
    /// Temperature of the gas in the volume, for conversions to mass.
    #[arg(long, value_name = "TEXT", default_value = "293.15 K ± 5 K")]
    pub temperature: String,
    /// Walls are cold enough to pump what leaks in: the answer is a lower bound.
    #[arg(long)]
    pub cold_walls: bool,
    /// Answer as JSON.
    #[arg(long)]
    pub json: bool,
    /// The rise: time and pressure, one point a line; "-" reads standard input.
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
}

/// Why the command could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum VacuumRiseError {
    /// A value on the command line that cannot be read.
    #[error("{option}: {source}")]
    Option {
        /// Which option.
        option: &'static str,
        /// Why.
        source: UnitError,
    },
    /// A value on the command line without its uncertainty, or not above zero.
    #[error("{option}: {text:?} is not {wanted}")]
    NotStated {
        /// Which option.
        option: &'static str,
        /// As written.
        text: String,
        /// What is wanted.
        wanted: &'static str,
    },
    /// The file cannot be opened.
    #[error("{file}: {source}")]
    Open {
        /// Which file.
        file: String,
        /// Why.
        source: io::Error,
    },
    /// A line of the file that cannot be read.
    #[error("line {line}: {what}")]
    Line {
        /// Which, from 1.
        line: u64,
        /// What is wrong and what to write.
        what: String,
    },
    /// The points give no rise.
    #[error(transparent)]
    Rise(#[from] RiseError),
    /// Reading CSV failed.
    #[error("reading the rise: {0}")]
    Csv(#[from] csv::Error),
    /// Writing failed.
    #[error("writing the answer: {0}")]
    Write(#[from] io::Error),
    /// Writing JSON failed.
    #[error("writing the answer: {0}")]
    Json(#[from] serde_json::Error),
}

/// A figure with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
struct Figure {
    value: f64,
    std_uncertainty: f64,
}

/// What a rise amounts to.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Answer {
    points: usize,
    duration_s: f64,
    lower_bound: bool,
    mbar_l_per_s: Figure,
    pa_m3_per_s: Figure,
    atm_cm3_per_s: Figure,
    torr_l_per_s: Figure,
    /// As helium at the temperature of the volume.
    helium_g_per_day: Figure,
    helium_kg_per_day: Figure,
    temperature_k: Figure,
    /// mbar L/s of the first and of the second half of the points.
    halves: Option<[Figure; 2]>,
    /// What the halves say of outgassing.
    shape: &'static str,
}

/// Reads the file and writes the answer to standard output; the exit code.
#[must_use]
pub fn main(args: &VacuumRiseArgs) -> u8 {
    let told = if args.file.as_os_str() == "-" {
        run(args, io::stdin().lock(), super::answer())
    } else {
        std::fs::File::open(&args.file)
            .map_err(|source| VacuumRiseError::Open {
                file: args.file.display().to_string(),
                source,
            })
            .and_then(|file| run(args, file, super::answer()))
    };
    match told {
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
/// [`VacuumRiseError`].
pub fn run(
    args: &VacuumRiseArgs,
    input: impl Read,
    mut output: impl Write,
) -> Result<(), VacuumRiseError> {
    let answer = answer(args, &read(input)?)?;
    if args.json {
        serde_json::to_writer_pretty(&mut output, &answer)?;
        writeln!(output)?;
    } else {
        write_text(&answer, &mut output)?;
    }
    Ok(())
}

fn answer(args: &VacuumRiseArgs, points: &[RisePoint]) -> Result<Answer, VacuumRiseError> {
    let (volume_m3, volume_std) = stated("--volume", &args.volume, QuantityKind::Volume)?;
    let (kelvin, kelvin_std) = stated(
        "--temperature",
        &args.temperature,
        QuantityKind::Temperature,
    )?;
    let (gauge, _) = quantity::parse(&args.gauge, QuantityKind::Fraction).map_err(|source| {
        VacuumRiseError::Option {
            option: "--gauge",
            source,
        }
    })?;
    let (factor, factor_relative) = match &args.gas_factor {
        None => (1.0, 0.0),
        Some(text) => gas_factor(text)?,
    };
    if gauge < 0.0 {
        return Err(VacuumRiseError::NotStated {
            option: "--gauge",
            text: args.gauge.clone(),
            wanted: "a relative uncertainty, such as \"15 %\"",
        });
    }
    let volume = RiseVolume {
        volume_m3,
        volume_relative_std: volume_std / volume_m3,
        pressure_relative_std: libm::hypot(gauge, factor_relative),
        cold_walls: args.cold_walls,
    };
    let true_points: Vec<RisePoint> = points
        .iter()
        .map(|point| RisePoint {
            pressure_pa: factor * point.pressure_pa,
            ..*point
        })
        .collect();
    let rise = rate_of_rise(&true_points, &volume)?;
    let halves = halves(&true_points, &volume);
    let duration_s = match (points.first(), points.last()) {
        (Some(first), Some(last)) => last.time_s - first.time_s,
        _ => 0.0,
    };
    let in_unit = |rise: &RateOfRise, unit: LeakUnit| Figure {
        value: rise.throughput / unit.pa_m3_per_s(),
        std_uncertainty: rise.std_uncertainty / unit.pa_m3_per_s(),
    };
    let helium = |per_day: f64| {
        let value = helium_mass_flow(rise.throughput, kelvin) * DAY_S * per_day;
        let by_rise = helium_mass_flow(rise.std_uncertainty, kelvin) * DAY_S * per_day;
        Figure {
            value,
            std_uncertainty: libm::hypot(by_rise, value * kelvin_std / kelvin),
        }
    };
    Ok(Answer {
        points: points.len(),
        duration_s,
        lower_bound: rise.lower_bound,
        mbar_l_per_s: in_unit(&rise, LeakUnit::MillibarLitre),
        pa_m3_per_s: in_unit(&rise, LeakUnit::PascalCubicMetre),
        atm_cm3_per_s: in_unit(&rise, LeakUnit::AtmosphereCubicCentimetre),
        torr_l_per_s: in_unit(&rise, LeakUnit::TorrLitre),
        helium_g_per_day: helium(1e3),
        helium_kg_per_day: helium(1.0),
        temperature_k: Figure {
            value: kelvin,
            std_uncertainty: kelvin_std,
        },
        shape: shape(halves.as_ref()),
        halves: halves.map(|halves| {
            [0, 1].map(|at| {
                let [first, second] = &halves;
                in_unit(
                    if at == 0 { first } else { second },
                    LeakUnit::MillibarLitre,
                )
            })
        }),
    })
}

/// Rise of the first and of the second half, by the scatter alone: volume and gauge are the same in
/// both.
fn halves(points: &[RisePoint], volume: &RiseVolume) -> Option<[RateOfRise; 2]> {
    let (first, second) = points.split_at_checked(points.len() / 2)?;
    if first.len() < LEAST_OF_A_HALF {
        return None;
    }
    let volume = RiseVolume {
        volume_relative_std: 0.0,
        pressure_relative_std: 0.0,
        ..*volume
    };
    Some([
        rate_of_rise(first, &volume).ok()?,
        rate_of_rise(second, &volume).ok()?,
    ])
}

fn shape(halves: Option<&[RateOfRise; 2]>) -> &'static str {
    let Some([first, second]) = halves else {
        return "too few points to tell whether the rise is straight";
    };
    let std = libm::hypot(first.std_uncertainty, second.std_uncertainty);
    // Without scatter there is still rounding.
    let least = 1e-6 * first.throughput.abs().max(second.throughput.abs());
    let bend = second.throughput - first.throughput;
    if bend.abs() <= (BEND_COVERAGE * std).max(least) {
        "the rise is straight, as a leak's is"
    } else if bend < 0.0 {
        "the rise flattens: part of it is outgassing, or walls that pump, and the later half is the better estimate of the leak"
    } else {
        "the rise steepens: something changed while it was measured, such as a wall that warmed up"
    }
}

/// `"120 L ± 2 %"` or `"293 K ± 5 K"`.
fn stated(
    option: &'static str,
    text: &str,
    kind: QuantityKind,
) -> Result<(f64, f64), VacuumRiseError> {
    let wanted = "a value above zero with its standard uncertainty, such as \"120 L ± 2 %\" or \"293 K ± 5 K\"";
    let not_stated = || VacuumRiseError::NotStated {
        option,
        text: text.to_owned(),
        wanted,
    };
    let (value, std) = quantity::split_stated(text).ok_or_else(not_stated)?;
    let unit_error = |source| VacuumRiseError::Option { option, source };
    let (value, _) = quantity::parse(value, kind).map_err(unit_error)?;
    let std = if std.ends_with('%') {
        let (part, _) = quantity::parse(std, QuantityKind::Fraction).map_err(unit_error)?;
        part * value
    } else {
        quantity::parse(std, kind.difference())
            .map_err(unit_error)?
            .0
    };
    if value > 0.0 && std >= 0.0 {
        Ok((value, std))
    } else {
        Err(not_stated())
    }
}

/// `"5.9 ± 10 %"` or `"5.9 ± 0.6"`: the factor and its relative uncertainty.
fn gas_factor(text: &str) -> Result<(f64, f64), VacuumRiseError> {
    let parsed = quantity::split_stated(text).and_then(|(value, std)| {
        let value: f64 = value.parse().ok()?;
        let relative = match std.strip_suffix('%') {
            Some(percent) => percent.trim().parse::<f64>().ok()? / 100.0,
            None => std.parse::<f64>().ok()? / value,
        };
        let sound = value.is_finite() && value > 0.0 && relative.is_finite() && relative >= 0.0;
        sound.then_some((value, relative))
    });
    parsed.ok_or_else(|| VacuumRiseError::NotStated {
        option: "--gas-factor",
        text: text.to_owned(),
        wanted: "a number above zero with its standard uncertainty, such as \"5.9 ± 10 %\"",
    })
}

fn read(input: impl Read) -> Result<Vec<RisePoint>, VacuumRiseError> {
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .comment(Some(b'#'))
        .trim(csv::Trim::All)
        .from_reader(input);
    let mut units: Option<[&'static Unit; 2]> = None;
    let mut points = Vec::new();
    for record in reader.records() {
        let record = record?;
        let line = record.position().map_or(0, csv::Position::line);
        let fault = |what: String| VacuumRiseError::Line { line, what };
        let (Some(time), Some(pressure), None) = (record.get(0), record.get(1), record.get(2))
        else {
            return Err(fault(format!(
                "it has {} columns; write a time and a pressure",
                record.len()
            )));
        };
        let Some([time_unit, pressure_unit]) = units else {
            units = Some([
                column(time.trim_start_matches('\u{feff}'), QuantityKind::Duration)
                    .map_err(fault)?,
                column(pressure, QuantityKind::AbsolutePressure).map_err(fault)?,
            ]);
            continue;
        };
        let number = |text: &str, unit: &Unit| {
            text.parse::<f64>()
                .ok()
                .filter(|number| number.is_finite())
                .map(|number| unit.to_si(number))
                .ok_or_else(|| fault(format!("{text:?} is not a number")))
        };
        points.push(RisePoint {
            time_s: number(time, time_unit)?,
            pressure_pa: number(pressure, pressure_unit)?,
        });
    }
    Ok(points)
}

/// `pressure_mbar(a)`: the unit stands behind the last underscore.
fn column(name: &str, kind: QuantityKind) -> Result<&'static Unit, String> {
    let symbol = name.rsplit_once('_').map_or("", |(_, symbol)| symbol);
    kind.unit(symbol).ok_or_else(|| {
        let known: Vec<_> = kind.units().map(|unit| unit.symbol).collect();
        format!(
            "column {name:?} does not end in a unit of {}; name it {}_ and one of: {}",
            kind.words(),
            if kind == QuantityKind::Duration {
                "time"
            } else {
                "pressure"
            },
            known.join(", ")
        )
    })
}

fn write_text(answer: &Answer, output: &mut impl Write) -> io::Result<()> {
    let bound = if answer.lower_bound { "at least " } else { "" };
    let figure = |figure: Figure| text(figure.value, figure.std_uncertainty);
    writeln!(
        output,
        "leak: {bound}{} mbar L/s",
        figure(answer.mbar_l_per_s)
    )?;
    writeln!(
        output,
        "      {bound}{} Pa m3/s",
        figure(answer.pa_m3_per_s)
    )?;
    writeln!(
        output,
        "as helium at {} K: {bound}{} g/day, {} kg/day",
        figure(answer.temperature_k),
        figure(answer.helium_g_per_day),
        figure(answer.helium_kg_per_day)
    )?;
    writeln!(
        output,
        "{} points over {:.0} s; {}",
        answer.points, answer.duration_s, answer.shape
    )?;
    if answer.lower_bound {
        writeln!(
            output,
            "This is a lower bound while the walls are cold: they pump what leaks in."
        )?;
    }
    writeln!(output, "± is the standard uncertainty, k = 1.")
}

/// Value and uncertainty with two digits of the uncertainty, as a power of ten where that is shorter.
fn text(value: f64, std: f64) -> String {
    let size = value.abs().max(std);
    if size.is_finite() && size > 0.0 && !(1e-2..1e5).contains(&size) {
        let exponent = libm::floor(libm::log10(size));
        let scale = libm::pow(10.0, exponent);
        let digits = quantity::decimals_for(std / scale, value / scale);
        return format!(
            "({:.digits$} ± {:.digits$})e{exponent:.0}",
            value / scale,
            std / scale
        );
    }
    let digits = quantity::decimals_for(std, value);
    format!("{value:.digits$} ± {std:.digits$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn args() -> VacuumRiseArgs {
        VacuumRiseArgs {
            volume: "100 L ± 2 %".into(),
            gauge: "10 %".into(),
            gas_factor: None,
            temperature: "293.15 K ± 3 K".into(),
            cold_walls: false,
            json: true,
            file: "-".into(),
        }
    }

    fn told(args: &VacuumRiseArgs, csv: &str) -> Result<String, VacuumRiseError> {
        let mut out = Vec::new();
        run(args, csv.as_bytes(), &mut out)?;
        Ok(String::from_utf8(out).unwrap())
    }

    fn json(args: &VacuumRiseArgs, csv: &str) -> serde_json::Value {
        serde_json::from_str(&told(args, csv).unwrap()).unwrap()
    }

    /// 1e-3 mbar in 1000 s in 100 L: 1e-4 mbar L/s.
    const STRAIGHT: &str = "# a rise\ntime_min,pressure_mbar(a)\n0,1e-3\n5,1.3e-3\n10,1.6e-3\n15,1.9e-3\n20,2.2e-3\n25,2.5e-3\n";

    #[test]
    fn a_rise_becomes_a_leak_in_every_unit() {
        let answer = json(&args(), STRAIGHT);
        let value = |key: &str| answer[key]["value"].as_f64().unwrap();
        let std = |key: &str| answer[key]["std_uncertainty"].as_f64().unwrap();
        assert!((value("mbar_l_per_s") / 1e-4 - 1.0).abs() < 1e-9);
        assert!((value("pa_m3_per_s") / 1e-5 - 1.0).abs() < 1e-9);
        assert!((value("atm_cm3_per_s") / (1e-5 / 0.101325) - 1.0).abs() < 1e-9);
        // q M / (R T), a day of it.
        let expected = 1e-5 * 4.002602 / (8.31446261815324 * 293.15) * 86_400.0;
        assert!((value("helium_g_per_day") / expected - 1.0).abs() < 1e-9);
        assert!((value("helium_kg_per_day") / expected * 1e3 - 1.0).abs() < 1e-9);
        let relative = libm::hypot(0.02, 0.1);
        assert!((std("mbar_l_per_s") / 1e-4 - relative).abs() < 1e-6);
        let with_temperature = libm::hypot(relative, 3.0 / 293.15);
        assert!((std("helium_g_per_day") / expected - with_temperature).abs() < 1e-6);
        assert_eq!(answer["lower_bound"], false);
        assert_eq!(answer["points"], 6);
        assert!(answer["shape"].as_str().unwrap().contains("straight"));
    }

    #[test]
    fn cold_walls_make_a_lower_bound_and_a_gas_factor_multiplies() {
        let cold = VacuumRiseArgs {
            cold_walls: true,
            gas_factor: Some("5.9 ± 10 %".into()),
            json: false,
            ..args()
        };
        let text = told(&cold, STRAIGHT).unwrap();
        assert!(
            text.starts_with("leak: at least (5.90 ± 0.84)e-4 mbar L/s"),
            "{text}"
        );
        assert!(
            text.contains("lower bound while the walls are cold"),
            "{text}"
        );
    }

    #[test]
    fn a_rise_that_flattens_is_said_to_outgas() {
        let bent = "time_s,pressure_Pa(a)\n0,0\n10,1\n20,2\n30,3\n40,3.2\n50,3.4\n60,3.6\n70,3.8\n";
        let answer = json(&args(), bent);
        assert!(answer["shape"].as_str().unwrap().contains("flattens"));
    }

    #[test]
    fn what_is_wrong_has_its_line() {
        for (csv, said) in [
            ("time,pressure_mbar(a)\n", "line 1: column \"time\""),
            ("time_s,pressure_mbar\n", "line 1: column \"pressure_mbar\""),
            ("time_s,pressure_Pa(a)\n1,2\n2,x\n", "line 3: \"x\""),
            ("time_s,pressure_Pa(a)\n1,2,3\n", "line 2: it has 3 columns"),
            ("time_s,pressure_Pa(a)\n1,2\n", "two times at least"),
            ("", "two times at least"),
        ] {
            let error = told(&args(), csv).unwrap_err().to_string();
            assert!(error.contains(said), "{csv:?}: {error}");
        }
        let without = VacuumRiseArgs {
            volume: "100 L".into(),
            ..args()
        };
        let error = told(&without, STRAIGHT).unwrap_err().to_string();
        assert!(error.contains("--volume") && error.contains("±"), "{error}");
    }
}
