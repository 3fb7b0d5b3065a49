//! `coldledger check`: tells everything that is wrong with a plant description.

use std::io::{self, Write};
use std::path::PathBuf;

use serde::Serialize;

use crate::plant::{Examined, Plant, Problem, Severity, examine, files, poll_plan};

/// Exit code of a sound description.
const SOUND: u8 = 0;
/// Exit code of a description that cannot be used (`EX_CONFIG` of sysexits.h).
const CONFIGURATION: u8 = 78;
/// Exit code when the answer could not be written (`EX_IOERR` of sysexits.h).
const NOT_WRITTEN: u8 = 74;

/// Check a plant description and tell everything that is wrong with it
///
/// Reads every *.toml file below DIR and every calibration curve below DIR/curves, and reports each
/// problem with its file, its line, what is wrong and what to write instead. Nothing is changed.
/// Ends with 0 when the description is sound (warnings allowed), and with 78 when it is not.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Directory of the plant description, such as config/single-dewar
    #[arg(value_name = "DIR")]
    pub directory: PathBuf,

    /// Write the result as one JSON document, for programs
    #[arg(long)]
    pub json: bool,
}

/// Checks, writes what was found, and gives the exit code.
pub fn run(args: &Args, mut out: impl Write) -> u8 {
    match check(args, &mut out) {
        Ok(code) => code,
        // A closed pipe leaves nobody to tell.
        Err(_) => NOT_WRITTEN,
    }
}

#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct Report<'r> {
    sound: bool,
    errors: usize,
    warnings: usize,
    problems: &'r [Problem],
    plant: Option<Counts>,
}

/// How much a sound description describes.
#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct Counts {
    name: String,
    description: String,
    devices: usize,
    channels: usize,
    read_requests: usize,
    vessels: usize,
    sections: usize,
    lines: usize,
    alarms: usize,
}

impl Counts {
    fn of(plant: &Plant) -> Self {
        Self {
            name: plant.site.name.clone(),
            description: plant.hash.to_string(),
            devices: plant.all.device.len(),
            channels: plant.all.channel.len(),
            read_requests: poll_plan(plant).len(),
            vessels: plant.all.vessel.len(),
            sections: plant.all.section.len(),
            lines: plant.all.line.len(),
            alarms: plant.alarms.len(),
        }
    }
}

fn check(args: &Args, out: &mut impl Write) -> io::Result<u8> {
    let Examined { plant, problems } = match files::read(&args.directory) {
        Ok(files) => examine(&files),
        Err(error) => {
            if args.json {
                let document =
                    serde_json::json!({ "sound": false, "unreadable": error.to_string() });
                writeln!(out, "{document}")?;
            } else {
                writeln!(out, "{error}")?;
            }
            return Ok(CONFIGURATION);
        }
    };
    let report = Report {
        sound: plant.is_some(),
        errors: problems.count(Severity::Error),
        warnings: problems.count(Severity::Warning),
        problems: &problems.0,
        plant: plant.as_ref().map(Counts::of),
    };
    if args.json {
        let document = serde_json::to_string_pretty(&report).map_err(io::Error::other)?;
        writeln!(out, "{document}")?;
    } else {
        write_text(&report, out)?;
    }
    Ok(if report.sound { SOUND } else { CONFIGURATION })
}

fn write_text(report: &Report<'_>, out: &mut impl Write) -> io::Result<()> {
    for problem in report.problems {
        writeln!(out, "{problem}")?;
    }
    if let Some(plant) = &report.plant {
        writeln!(
            out,
            "{} is sound: {}, {} in {}, {}, {}, {}, {}",
            plant.name,
            number(plant.devices, "device"),
            number(plant.channels, "channel"),
            number(plant.read_requests, "read request"),
            number(plant.vessels, "vessel"),
            number(plant.sections, "section"),
            number(plant.lines, "line"),
            number(plant.alarms, "alarm"),
        )?;
        if report.warnings > 0 {
            writeln!(out, "{} to look at", number(report.warnings, "warning"))?;
        }
        return Ok(());
    }
    writeln!(
        out,
        "this description cannot be used: {}, {}",
        number(report.errors, "error"),
        number(report.warnings, "warning"),
    )
}

fn number(count: usize, of: &str) -> String {
    let s = if count == 1 { "" } else { "s" };
    format!("{count} {of}{s}")
}
