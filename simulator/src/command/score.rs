//! `score`: how often what Coldledger says of a loss is right.

use std::fs::File;
use std::io::BufWriter;
use std::path::PathBuf;

use clap::Args;

use super::CommandError;
use crate::score::{self, ALL, SHORT, Scenario, Site, Verdict};

/// What `score` is told.
#[derive(Debug, Args)]
pub(super) struct ScoreArgs {
    /// A few scenarios and seeds only.
    #[arg(long)]
    short: bool,
    /// Plants per scenario, each with errors of its own.
    #[arg(long, value_name = "N")]
    seeds: Option<u64>,
    /// Begin with this one: a long score can be made in parts.
    #[arg(long, value_name = "N", default_value_t = 1)]
    first_seed: u64,
    /// Only scenarios whose name holds one of these, parted by commas.
    #[arg(long, value_name = "PATTERNS", value_delimiter = ',')]
    scenarios: Vec<String>,
    /// Threads; the result does not depend on it.
    #[arg(long, value_name = "N", default_value_t = 2)]
    threads: usize,
    /// Every run as a row of this file, written anew after every three plants.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Every 95 % band, with the truth, as a row of this file.
    #[arg(long, value_name = "FILE")]
    bands: Option<PathBuf>,
    /// Tell of each run as it ends.
    #[arg(long)]
    verbose: bool,
}

pub(super) fn run(args: &ScoreArgs) -> Result<(), CommandError> {
    let scenarios: Vec<Scenario> = ALL
        .iter()
        .filter(|one| !args.short || SHORT.contains(&one.name))
        .filter(|one| {
            let named = |pattern: &String| one.name.contains(pattern.as_str());
            args.scenarios.is_empty() || args.scenarios.iter().any(named)
        })
        .copied()
        .collect();
    let seeds = args.seeds.unwrap_or(if args.short { 3 } else { 30 });
    let site = Site::bundled()?;
    let told = |verdict: &Verdict| {
        if args.verbose {
            tell(verdict);
        }
    };
    // What has been worked out stands in the files, should the rest be interrupted.
    let keep = |table: &score::Table| {
        write(args.csv.as_ref(), |file| table.write_csv(file))?;
        write(args.bands.as_ref(), |file| table.write_bands(file))
    };
    let seeds = args.first_seed..args.first_seed.saturating_add(seeds);
    let table = score::score(&site, &scenarios, seeds, args.threads, told, keep)?;
    show(&table);
    Ok(())
}

fn write(
    path: Option<&PathBuf>,
    rows: impl FnOnce(BufWriter<File>) -> Result<(), csv::Error>,
) -> Result<(), CommandError> {
    let Some(path) = path else {
        return Ok(());
    };
    let unwritable = |source| CommandError::Write {
        path: path.clone(),
        source,
    };
    let file = File::create(path).map_err(unwritable)?;
    rows(BufWriter::new(file)).map_err(|error| unwritable(std::io::Error::other(error)))
}

#[expect(clippy::print_stdout, reason = "this is what the command is for")]
fn show(table: &score::Table) {
    print!("{table}");
}

#[expect(
    clippy::print_stderr,
    reason = "progress for the person at the terminal"
)]
fn tell(one: &Verdict) {
    eprintln!(
        "{} {}: alert {:.1?} h (plant {:.1?}), true {:.2?} kg/day, size error {:.2?}, lost {:.1} of {:.1} kg, \
         {:?}, right {} {}: {}",
        one.scenario,
        one.seed,
        one.alert_h,
        one.plant_alert_h,
        one.true_kg_per_day,
        one.size_error,
        one.lost_kg.0,
        one.lost_kg.1,
        one.called,
        one.right_group,
        one.right_first,
        one.words
    );
}
