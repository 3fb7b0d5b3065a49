//! `past`: days of plant in virtual time.

use std::fs::File;
use std::io::BufWriter;
use std::path::PathBuf;

use clap::Args;
use coldledger::engine::event::EventKind;
use coldledger::time::{Span, Timestamp};

use super::{CommandError, PlantArgs};
use crate::past;
use crate::truth_file::TruthFile;

/// What `past` is told.
#[derive(Debug, Args)]
pub(super) struct PastArgs {
    #[command(flatten)]
    plant: PlantArgs,
    /// How many days.
    #[arg(long, default_value_t = 10.0)]
    days: f64,
    /// When they begin.
    #[arg(long, default_value = "2026-01-01T00:00:00Z", value_parser = Timestamp::parse)]
    start: Timestamp,
    /// Where the truth goes, as CSV, one row every ten minutes.
    #[arg(long, value_name = "FILE.csv")]
    truth: Option<PathBuf>,
}

const ROW_EVERY: Span = Span::from_millis(600_000);

pub(super) fn run(args: &PastArgs) -> Result<(), CommandError> {
    let mut plant = args.plant.begin(args.start)?;
    let mut truth = match &args.truth {
        Some(path) => {
            let file = File::create(path).map_err(|error| unwritable(args, error))?;
            let file = TruthFile::new(plant.plant(), BufWriter::new(file));
            Some(file.map_err(|error| unwritable(args, error.into()))?)
        }
        None => None,
    };
    let until = args.start + Span::from_seconds(args.days * 86_400.0);
    let mut events = past::events(&mut plant, until, 1);
    let (mut polls, mut registers) = (0_u64, 0_u64);
    let mut row_due = args.start;
    while let Some((stamp, kind)) = events.next() {
        match kind {
            EventKind::Poll(poll) => {
                polls += 1;
                registers += poll.words.map_or(0, |words| words.len() as u64);
            }
            EventKind::Tick if stamp.utc.is_some_and(|at| at >= row_due) => {
                row_due = row_due + ROW_EVERY;
                if let Some(file) = &mut truth {
                    file.write(&events.plant().truth())
                        .map_err(|error| unwritable(args, error.into()))?;
                }
            }
            _ => {}
        }
    }
    if let Some(mut file) = truth {
        file.flush().map_err(|error| unwritable(args, error))?;
    }
    report(polls, registers, &plant.truth());
    Ok(())
}

fn unwritable(args: &PastArgs, source: std::io::Error) -> CommandError {
    CommandError::Write {
        path: args.truth.clone().unwrap_or_default(),
        source,
    }
}

#[expect(clippy::print_stdout, reason = "this is what the command is for")]
fn report(polls: u64, registers: u64, truth: &crate::virtual_plant::Truth) {
    println!("{polls} polls, {registers} registers");
    println!("at {}: {:.3} kg in the plant", truth.at, truth.total_kg);
    println!(
        "left the plant, less what came in: {:.3} kg",
        truth.outside_kg
    );
}
