//! `coldledger air`: oxygen in a ventilated hall after a release of helium.

use std::io::{self, Write};

use clap::Args;
use serde::Serialize;

use crate::air::{
    AirError, DEFICIENT_OXYGEN, Fan, Hall, HallAir, HeliumRelease, LEAVE_OXYGEN,
    NOT_FOR_SAFETY_DESIGN, OUTSIDE_OXYGEN, Reaches, Scenario, WELL_MIXED_CAUTION,
    fatality_factor_not_for_safety_design, mmhg, oxygen_partial_pressure,
};
use crate::quantity::{
    AbsolutePressure, Duration, Fraction, Quantity, QuantityKind, UnitError, Volume, VolumeFlow,
    parse_as,
};

/// Oxygen in a ventilated hall after a release of helium. Not for safety design.
///
/// A rate, until the end:   coldledger air --volume "500 m3" --exhaust "1.2 m3/s" --release "80 g/s"
/// A mass over a time:      coldledger air --volume "500 m3" --release "30 kg" --release-time "10 min"
/// Recovery alone:          coldledger air --volume "500 m3" --supply "1 m3/s" --start "12 %"
///
/// The figures hold for well-mixed air. Helium rises: under the ceiling there is less oxygen. What
/// counts is the site's oxygen-deficiency assessment, the local codes and the judgement of licensed
/// practice.
#[derive(Debug, Clone, Default, Args)]
#[command(verbatim_doc_comment)]
pub struct AirArgs {
    /// Free volume of the hall, such as "500 m3".
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub volume: String,
    /// Flow of a fan that draws air out of the hall, such as "1.2 m3/s". Without a fan: off.
    #[arg(
        long,
        value_name = "TEXT",
        conflicts_with = "supply",
        allow_hyphen_values = true
    )]
    pub exhaust: Option<String>,
    /// Flow of a fan that blows outside air into the hall, such as "4000 m3/h".
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub supply: Option<String>,
    /// What is released: a rate ("80 g/s"), a mass ("30 kg", needs --release-time), or a flow of
    /// helium at the state of the hall ("0.5 m3/s").
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub release: Option<String>,
    /// How long the release lasts, such as "10 min"; the hall recovers afterwards. Without it a rate
    /// goes on.
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub release_time: Option<String>,
    /// How far to look.
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "1 h",
        allow_hyphen_values = true
    )]
    pub duration: String,
    /// Air pressure.
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "1013.25 mbar(a)",
        allow_hyphen_values = true
    )]
    pub pressure: String,
    /// Temperature of the hall, which the helium takes on.
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "20 degC",
        allow_hyphen_values = true
    )]
    pub temperature: String,
    /// Oxygen of the air outside; 20.9 % unless given.
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub outside_oxygen: Option<String>,
    /// Oxygen of the hall at the start; that of the air outside unless given.
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub start: Option<String>,
    /// Number of steps to show.
    #[arg(long, value_name = "N", default_value_t = 12, value_parser = clap::value_parser!(u16).range(1..=10_000))]
    pub steps: u16,
    /// Answer as JSON in SI units.
    #[arg(long)]
    pub json: bool,
}

/// Why there is no answer.
#[derive(Debug, thiserror::Error)]
pub enum AirCommandError {
    /// A quantity on the command line that cannot be read.
    #[error("{option}: {source}")]
    Option {
        /// Which option.
        option: &'static str,
        /// Why.
        source: UnitError,
    },
    /// The release is neither a rate, nor a mass, nor a flow.
    #[error(
        "--release: {text:?} is no release; write a rate such as \"80 g/s\", a mass such as \"30 kg\", or a flow such as \"0.5 m3/s\""
    )]
    Release {
        /// As written.
        text: String,
    },
    /// Neither a release nor a start away from the air outside.
    #[error("nothing happens in this hall: give --release, or --start for its recovery")]
    NothingHappens,
    /// Outside what the model is for.
    #[error(transparent)]
    Air(#[from] AirError),
    /// Writing failed.
    #[error("writing the answer: {0}")]
    Write(#[from] io::Error),
    /// Writing JSON failed.
    #[error("writing the answer: {0}")]
    Json(#[from] serde_json::Error),
}

#[derive(Serialize)]
struct Answer {
    cautions: [&'static str; 2],
    #[serde(rename = "volume_m3")]
    volume: f64,
    fan: &'static str,
    #[serde(rename = "fan_m3_s")]
    fan_flow: f64,
    #[serde(rename = "release_m3_s")]
    release: f64,
    #[serde(rename = "release_time_s")]
    release_time: Option<f64>,
    #[serde(rename = "temperature_K")]
    temperature: f64,
    #[serde(rename = "pressure_Pa")]
    pressure: f64,
    outside_oxygen: f64,
    lowest_oxygen: f64,
    #[serde(rename = "lowest_at_s")]
    lowest_at: Option<f64>,
    limits: Vec<Limit>,
    course: Vec<Point>,
}

#[derive(Serialize)]
struct Limit {
    oxygen: f64,
    #[serde(rename = "partial_pressure_Pa")]
    partial_pressure: f64,
    /// `after`, `never` or `already-below`.
    reached: &'static str,
    #[serde(rename = "reached_s")]
    reached_s: Option<f64>,
    #[serde(rename = "back_s")]
    back_s: Option<f64>,
}

#[derive(Serialize)]
struct Point {
    #[serde(rename = "time_s")]
    time: f64,
    oxygen: f64,
    #[serde(rename = "partial_pressure_Pa")]
    partial_pressure: f64,
    #[serde(rename = "partial_pressure_mmHg")]
    partial_pressure_mmhg: f64,
    fatality_factor_not_for_safety_design: f64,
}

/// Prints; the exit code.
#[must_use]
pub fn main(args: &AirArgs) -> u8 {
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
/// [`AirCommandError`].
pub fn run(args: &AirArgs, mut output: impl Write) -> Result<(), AirCommandError> {
    let answer = answer(args)?;
    if args.json {
        serde_json::to_writer_pretty(&mut output, &answer)?;
        writeln!(output)?;
        return Ok(());
    }
    for_a_person(&mut output, &answer)?;
    Ok(())
}

fn answer(args: &AirArgs) -> Result<Answer, AirCommandError> {
    let outside = match &args.outside_oxygen {
        Some(text) => option("--outside-oxygen", text)?,
        None => OUTSIDE_OXYGEN,
    };
    let start = match &args.start {
        Some(text) => option("--start", text)?,
        None => outside,
    };
    let (fan, fan_words) = match (&args.exhaust, &args.supply) {
        (Some(text), _) => (Fan::Exhaust(option("--exhaust", text)?), "exhaust"),
        (None, Some(text)) => (Fan::Supply(option("--supply", text)?), "supply"),
        (None, None) => (Fan::Off, "off"),
    };
    let volume: Volume = option("--volume", &args.volume)?;
    let hall = Hall::new(volume, fan, outside)?;
    let air = HallAir::new(
        option("--temperature", &args.temperature)?,
        option("--pressure", &args.pressure)?,
    )?;
    let lasting: Option<Duration> = args
        .release_time
        .as_deref()
        .map(|text| option("--release-time", text))
        .transpose()?;
    let release = match &args.release {
        Some(text) => released(text, lasting, &air)?,
        None if args.start.is_some() => VolumeFlow::new(0.0),
        None => return Err(AirCommandError::NothingHappens),
    };
    let scenario = Scenario::new(&hall, start, release, lasting)?;
    let duration: Duration = option("--duration", &args.duration)?;
    let course = (0..=args.steps)
        .map(|step| {
            let time = duration.si() * f64::from(step) / f64::from(args.steps);
            point(&scenario, time, air.pressure())
        })
        .collect::<Result<Vec<_>, _>>()?;
    let limits = [DEFICIENT_OXYGEN, LEAVE_OXYGEN]
        .map(|oxygen| limit(&scenario, oxygen, air.pressure()))
        .into_iter()
        .collect::<Result<Vec<_>, _>>()?;
    let lowest = scenario.lowest();
    Ok(Answer {
        cautions: [NOT_FOR_SAFETY_DESIGN, WELL_MIXED_CAUTION],
        volume: volume.si(),
        fan: fan_words,
        fan_flow: fan.flow().si(),
        release: release.si(),
        release_time: lasting.map(Duration::si),
        temperature: air.temperature().si(),
        pressure: air.pressure().si(),
        outside_oxygen: outside.si(),
        lowest_oxygen: lowest.oxygen.si(),
        lowest_at: lowest.at.map(Duration::si),
        limits,
        course,
    })
}

/// A release as it is written, as a flow of helium at the state of the hall.
fn released(
    text: &str,
    lasting: Option<Duration>,
    air: &HallAir,
) -> Result<VolumeFlow, AirCommandError> {
    if let Ok(rate) = parse_as(text) {
        return Ok(HeliumRelease::Rate(rate).volume_flow(air)?);
    }
    if let Ok(mass) = parse_as(text) {
        let over = lasting.ok_or(AirError::NoReleaseTime)?;
        return Ok(HeliumRelease::Amount { mass, over }.volume_flow(air)?);
    }
    parse_as(text).map_err(|_| AirCommandError::Release { text: text.into() })
}

fn point(scenario: &Scenario, time: f64, air: AbsolutePressure) -> Result<Point, AirError> {
    let oxygen = scenario.oxygen_at(Duration::new(time))?;
    let partial_pressure = oxygen_partial_pressure(oxygen, air)?;
    Ok(Point {
        time,
        oxygen: oxygen.si(),
        partial_pressure: partial_pressure.si(),
        partial_pressure_mmhg: mmhg(partial_pressure),
        fatality_factor_not_for_safety_design: fatality_factor_not_for_safety_design(
            partial_pressure,
        )?,
    })
}

fn limit(scenario: &Scenario, oxygen: Fraction, air: AbsolutePressure) -> Result<Limit, AirError> {
    let (reached, reached_s) = match scenario.falls_to(oxygen)? {
        Reaches::AlreadyBelow => ("already-below", None),
        Reaches::After(time) => ("after", Some(time.si())),
        Reaches::Never => ("never", None),
    };
    Ok(Limit {
        oxygen: oxygen.si(),
        partial_pressure: oxygen_partial_pressure(oxygen, air)?.si(),
        reached,
        reached_s,
        back_s: scenario.back_at(oxygen)?.map(Duration::si),
    })
}

fn for_a_person(out: &mut impl Write, answer: &Answer) -> io::Result<()> {
    for caution in answer.cautions {
        writeln!(out, "{caution}")?;
    }
    let fan = match answer.fan {
        "off" => "fan off".to_owned(),
        fan => format!("{fan} fan {} m3/s", number(answer.fan_flow)),
    };
    writeln!(
        out,
        "\nhall {} m3, {fan}, {:.1} degC, {:.2} mbar(a), outside air {:.2} % oxygen",
        number(answer.volume),
        QuantityKind::Temperature
            .unit("degC")
            .map_or(f64::NAN, |unit| unit.from_si(answer.temperature)),
        answer.pressure / 100.0,
        answer.outside_oxygen * 100.0,
    )?;
    let lasting = match answer.release_time {
        _ if answer.release == 0.0 => String::new(),
        Some(time) => format!(" for {}", span(time)),
        None => ", without end".to_owned(),
    };
    writeln!(
        out,
        "release {} m3/s of helium at that state{lasting}\n",
        number(answer.release)
    )?;
    for limit in &answer.limits {
        let reached = match (limit.reached, limit.reached_s) {
            ("already-below", _) => "already below at the start".to_owned(),
            (_, Some(time)) => format!("reached after {}", span(time)),
            (_, None) => "never reached".to_owned(),
        };
        let back = limit
            .back_s
            .map_or_else(String::new, |time| format!(", back at {}", span(time)));
        writeln!(
            out,
            "{:.1} % oxygen ({}): {reached}{back}",
            limit.oxygen * 100.0,
            pressure(limit.partial_pressure)
        )?;
    }
    let lowest_at = answer.lowest_at.map_or_else(
        || "in the long run".to_owned(),
        |time| format!("after {}", span(time)),
    );
    writeln!(
        out,
        "lowest: {:.2} % oxygen, {lowest_at}\n",
        answer.lowest_oxygen * 100.0
    )?;
    writeln!(
        out,
        "{:>14}  {:>8}  {:>24}  fatality factor (not for safety design)",
        "time", "oxygen", "partial pressure"
    )?;
    for point in &answer.course {
        writeln!(
            out,
            "{:>14}  {:>6.2} %  {:>24}  {:.1e}",
            span(point.time),
            point.oxygen * 100.0,
            pressure(point.partial_pressure),
            point.fatality_factor_not_for_safety_design
        )?;
    }
    Ok(())
}

fn pressure(pa: f64) -> String {
    format!(
        "{:.1} mbar, {:.1} mmHg",
        pa / 100.0,
        mmhg(AbsolutePressure::new(pa))
    )
}

fn number(value: f64) -> String {
    let text = format!("{value:.4}");
    let trimmed = text.trim_end_matches('0').trim_end_matches('.');
    if trimmed.trim_start_matches(['-', '0', '.']).is_empty() && value != 0.0 {
        format!("{value:.2e}")
    } else {
        trimmed.to_owned()
    }
}

fn span(seconds: f64) -> String {
    if seconds < 60.0 {
        return format!("{seconds:.1} s");
    }
    if seconds >= 360_000.0 {
        return format!("{:.1} days", seconds / 86_400.0);
    }
    let whole = libm::round(seconds);
    let (hours, rest) = (libm::floor(whole / 3600.0), libm::fmod(whole, 3600.0));
    let (minutes, rest) = (libm::floor(rest / 60.0), libm::fmod(rest, 60.0));
    if hours > 0.0 {
        format!("{hours:.0} h {minutes:02.0} min {rest:02.0} s")
    } else {
        format!("{minutes:.0} min {rest:02.0} s")
    }
}

fn option<Q: Quantity>(option: &'static str, text: &str) -> Result<Q, AirCommandError> {
    parse_as(text).map_err(|source| AirCommandError::Option { option, source })
}

#[cfg(test)]
mod tests {
    use clap::Parser;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: AirArgs,
    }

    fn said(arguments: &[&str]) -> Result<String, AirCommandError> {
        let line =
            Line::try_parse_from(std::iter::once("air").chain(arguments.iter().copied())).unwrap();
        let mut output = Vec::new();
        run(&line.args, &mut output)?;
        Ok(String::from_utf8(output).unwrap())
    }

    /// `odh_transient.csv`, exhaust fan above the release, after 300 s.
    #[test]
    fn the_cautions_stand_first_and_the_figures_follow() {
        let text = said(&[
            "--volume",
            "500 m3",
            "--exhaust",
            "1.2 m3/s",
            "--release",
            "0.5 m3/s",
            "--duration",
            "10 min",
            "--steps",
            "2",
        ])
        .unwrap();
        assert!(text.starts_with("Not for safety design"), "{text}");
        assert!(
            text.lines()
                .nth(1)
                .unwrap()
                .contains("not on the safe side")
        );
        assert!(text.contains("5 min 00 s   16.43 %"), "{text}");
        assert!(text.contains("124.9 mmHg"), "{text}");
        assert!(text.contains("19.5 % oxygen (197.6 mbar, 148.2 mmHg): reached after"));
        assert!(text.contains("lowest: 12.19 % oxygen, in the long run"));
        assert!(text.contains("fatality factor (not for safety design)"));
    }

    #[test]
    fn a_mass_over_a_time_then_recovery() {
        let json = said(&[
            "--volume",
            "500 m3",
            "--supply",
            "3600 m3/h",
            "--release",
            "30 kg",
            "--release-time",
            "10 min",
            "--json",
        ])
        .unwrap();
        let value: serde_json::Value = serde_json::from_str(&json).unwrap();
        // 50 g/s of helium of 0.16631 kg/m3 at 20 degC, 1 atm.
        let flow = value["release_m3_s"].as_f64().unwrap();
        assert!((flow - 0.05 / 0.16631).abs() < 1e-4, "{flow}");
        assert_eq!(value["lowest_at_s"], 600.0);
        assert_eq!(value["limits"][0]["reached"], "after");
        assert!(value["limits"][0]["back_s"].as_f64().unwrap() > 600.0);
        assert!(
            value["cautions"][0]
                .as_str()
                .unwrap()
                .contains("Not for safety design")
        );
    }

    #[test]
    fn refuses_with_the_option_named() {
        for (arguments, words) in [
            (&["--volume", "500"][..], "--volume: \"500\" has no unit"),
            (&["--volume", "500 m3"], "give --release, or --start"),
            (
                &["--volume", "-5 m3", "--release", "1 g/s"],
                "volume of the hall",
            ),
            (
                &["--volume", "500 m3", "--release", "30 kg"],
                "needs the time",
            ),
            (
                &["--volume", "500 m3", "--release", "30 bar"],
                "is no release",
            ),
            (&["--volume", "500 m3", "--release", "-3 g/s"], "release"),
            (
                &[
                    "--volume",
                    "5 m3",
                    "--release",
                    "1 g/s",
                    "--pressure",
                    "1 bar",
                ],
                "bar(a)",
            ),
            (
                &[
                    "--volume",
                    "5 m3",
                    "--release",
                    "1 g/s",
                    "--temperature",
                    "4 K",
                ],
                "temperature of the hall",
            ),
            (
                &[
                    "--volume",
                    "5 m3",
                    "--release",
                    "1 g/s",
                    "--duration",
                    "-1 s",
                ],
                "time",
            ),
            (
                &["--volume", "5 m3", "--start", "120 %"],
                "oxygen at the start",
            ),
        ] {
            let error = said(arguments).unwrap_err().to_string();
            assert!(error.contains(words), "{arguments:?}: {error}");
        }
    }
}
