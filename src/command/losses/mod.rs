//! `coldledger losses`: what is being lost, from the record of a data directory or from data logged
//! elsewhere.

mod columns;
mod course;
mod entries;
mod readings;
mod record;
mod sections;

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use readings::ReadingsError;
pub use record::on_record;

use self::course::Collector;
use self::readings::Logged;
use super::{CONFIGURATION, FAULT, WELL};
use crate::balance::window;
use crate::console::facts::losses::{LossFact, loss_of, name_of};
use crate::console::facts::statement::Course;
use crate::console::facts::{Scene, StatementFacts, statement_facts};
use crate::console::report;
use crate::console::words::SiteTime;
use crate::daemon::recorder::RecorderError;
use crate::engine::{Engine, View, WindowBalance};
use crate::history::StorageError;
use crate::plant::{self, End, LossUnit, LossUnitError, Plant, SectionIx};
use crate::time::{Span, Timestamp};

/// What is being lost, how sure that is, and what would have gone unseen
///
/// Reads the record of a data directory; the daemon may run meanwhile. With --readings and --plant
/// it judges data logged elsewhere. Losses are in the unit that the plant description names; ± is
/// one standard uncertainty (k = 1, JCGM 100).
///
/// A file of readings is text with commas, semicolons or tabs. The first row that is no comment (#)
/// names the columns: one for the time (time, with dates such as 2026-05-04T07:00:00Z or
/// "2026-05-04 08:00:00" in the site's own time; or time_s, time_min, time_h, time_d, a count since
/// --start), and one for each channel: its id in the description with the unit of the numbers, as
/// PT-1_bar(a), "PT-1 [bar(a)]" or "PT-1 (bar(a))"; or with raw, "PT-1 raw", when they are the numbers
/// in the registers. Without a unit they are in the channel's own. An empty cell or nan means that
/// nothing was measured. Other columns are left out, and said so.
///
/// A ledger beside it has the columns effective_at or a time as above, kind, mass_kg,
/// uncertainty_kg, and as far as there are any over_h, section, author, note.
#[derive(Debug, Default, clap::Args)]
pub struct LossesArgs {
    /// Data directory
    #[arg(long, value_name = "DIR", default_value = "coldledger-data")]
    pub data: PathBuf,

    /// As known at this time (RFC 3339, such as 2026-11-25T07:00:00Z) instead of now: replays the
    /// record up to then
    #[arg(long, value_name = "TIME", conflicts_with_all = ["to", "readings"])]
    pub at: Option<String>,

    /// Balance from this time on (RFC 3339)
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,

    /// Balance up to this time (RFC 3339); now when left out
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,

    /// Of the section of that id, with those that no meter parts from it
    #[arg(long, value_name = "ID")]
    pub section: Option<String>,

    /// Unit of loss rates instead of the description's: kg/day, g/s, "L liquid/day" (saturated at
    /// 1 atm), Nm3/h (0 °C, 1 atm), "mbar L/s" (helium at 20 °C), money/year (at its price)
    #[arg(long, value_name = "UNIT")]
    pub unit: Option<String>,

    /// Write one JSON document, for programs
    #[arg(long)]
    pub json: bool,

    /// Write a report to this file: one page that needs nothing else and prints well
    #[arg(long, value_name = "FILE.html")]
    pub report: Option<PathBuf>,

    /// Judge readings logged elsewhere; --plant describes what they are of
    #[arg(long, value_name = "FILE.csv", requires = "plant")]
    pub readings: Option<PathBuf>,

    /// Directory of the plant description for --readings
    #[arg(long, value_name = "DIR", requires = "readings")]
    pub plant: Option<PathBuf>,

    /// Ledger beside --readings: deliveries and what else crossed the boundary
    #[arg(long, value_name = "FILE.csv", requires = "readings")]
    pub ledger: Option<PathBuf>,

    /// When a counted time of --readings was zero (RFC 3339); 1970-01-01T00:00:00Z when left out
    #[arg(long, value_name = "TIME", requires = "readings")]
    pub start: Option<String>,
}

/// Why there is nothing to say.
#[derive(Debug, thiserror::Error)]
pub enum LossesError {
    /// Not a time.
    #[error("{option} {text:?} is no time: {problem}; write for example 2026-11-25T07:00:00Z")]
    Time {
        /// Which option.
        option: &'static str,
        /// As written.
        text: String,
        /// The parser's words.
        problem: String,
    },
    /// Not a unit of loss.
    #[error("--unit: {0}")]
    Unit(#[from] LossUnitError),
    /// The times are the wrong way round.
    #[error("--from {from} is not before --to {to}")]
    Order {
        /// From.
        from: Timestamp,
        /// To.
        to: Timestamp,
    },
    /// No such section.
    #[error("there is no section {id:?} in the description; sections are: {known}")]
    Section {
        /// As written.
        id: String,
        /// Those there are.
        known: String,
    },
    /// The description is not sound.
    #[error("{0}")]
    Description(String),
    /// The readings cannot be judged.
    #[error(transparent)]
    Readings(#[from] ReadingsError),
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] RecorderError),
    /// Nothing is on record by then.
    #[error("nothing is on record by then in {}", .0.display())]
    Nothing(PathBuf),
    /// The report could not be written.
    #[error("the report could not be written to {}: {source}", path.display())]
    Report {
        /// Where.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The answer could not be written.
    #[error("the answer could not be written: {0}")]
    Output(#[from] io::Error),
}

impl From<StorageError> for LossesError {
    fn from(error: StorageError) -> Self {
        Self::Record(error.into())
    }
}

/// Prints; the exit code.
#[must_use]
pub fn main(args: &LossesArgs) -> u8 {
    match run(args, super::answer()) {
        Ok(()) => WELL,
        Err(error) => {
            super::complain(&error);
            match error {
                LossesError::Time { .. }
                | LossesError::Unit(_)
                | LossesError::Order { .. }
                | LossesError::Section { .. }
                | LossesError::Description(_)
                | LossesError::Readings(_)
                | LossesError::Nothing(_) => CONFIGURATION,
                _ => FAULT,
            }
        }
    }
}

/// An engine remembers so much.
const KEPT: Span = Span::from_millis(30 * 86_400_000);

/// All that an answer is drawn from.
struct Gathered {
    plant: Arc<Plant>,
    view: View,
    course: Course,
    between: Option<WindowBalance>,
    /// What the area is called, and why its sections are joined.
    area: Option<(String, Vec<String>)>,
}

/// The stretch of time that is asked for.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: Option<Timestamp>,
    to: Option<Timestamp>,
}

/// Writes the losses on record, or of readings.
///
/// # Errors
/// [`LossesError`].
pub fn run(args: &LossesArgs, mut out: impl Write) -> Result<(), LossesError> {
    let stretch = Stretch {
        from: time("--from", args.from.as_deref())?,
        to: time("--to", args.to.as_deref())?.or(time("--at", args.at.as_deref())?),
    };
    if let (Some(from), Some(to)) = (stretch.from, stretch.to)
        && from >= to
    {
        return Err(LossesError::Order { from, to });
    }
    let mut gathered = match (&args.readings, &args.plant) {
        (Some(readings), Some(plant)) => of_readings(args, readings, plant, stretch)?,
        _ => record::gather(args, stretch)?,
    };
    if let Some(unit) = &args.unit {
        let plant = Arc::make_mut(&mut gathered.plant);
        let unit = LossUnit::parse(unit, plant.site.helium_price_per_kg.as_ref())?;
        unit.symbol().clone_into(&mut plant.console.loss_unit);
    }
    let time = SiteTime::of(&gathered.plant).read_at(gathered.view.at);
    let scene = Scene {
        plant: &gathered.plant,
        view: &gathered.view,
        now: gathered.view.at,
        time: &time,
    };
    let facts = statement_facts(
        scene,
        &gathered.course,
        gathered.between.as_ref(),
        gathered.area.clone(),
    );
    if let Some(path) = &args.report {
        let html = report::html(scene, &gathered.course, &facts);
        std::fs::write(path, html).map_err(|source| LossesError::Report {
            path: path.clone(),
            source,
        })?;
    }
    if args.json {
        serde_json::to_writer_pretty(&mut out, &facts).map_err(io::Error::from)?;
        writeln!(out)?;
        return Ok(());
    }
    write_words(&mut out, &facts, args.section.as_deref())?;
    if let Some(path) = &args.report {
        writeln!(out, "\nThe report is in {}.", path.display())?;
    }
    Ok(())
}

fn time(option: &'static str, text: Option<&str>) -> Result<Option<Timestamp>, LossesError> {
    text.map(|text| {
        Timestamp::parse(text).map_err(|error| LossesError::Time {
            option,
            text: text.to_owned(),
            problem: error.to_string(),
        })
    })
    .transpose()
}

fn of_readings(
    args: &LossesArgs,
    readings: &Path,
    directory: &Path,
    stretch: Stretch,
) -> Result<Gathered, LossesError> {
    let plant: Plant = described_in(directory).map_err(LossesError::Description)?;
    let section = section_of(&plant, args.section.as_deref())?;
    let logged = Logged {
        readings,
        ledger: args.ledger.as_deref(),
        start: time("--start", args.start.as_deref())?.unwrap_or(Timestamp::from_millis(0)),
        until: stretch.to,
    };
    let mut collector = Collector::new(&plant, stretch.from);
    let judged = readings::judge(&plant, &logged, &mut collector)?;
    let engine = judged.engine;
    let (mut course, opening) = collector.close(&engine);
    course.notes = judged.notes;
    let ends = course.from.zip(course.to);
    let mut between = ends.and_then(|(from, to)| balance_of(&engine, section, from, to));
    let losses = engine.losses();
    let closing = losses.history().averages().back();
    if section.is_none()
        && let (Some(opening), Some(closing)) = (opening, closing)
        && closing.at - opening.at > KEPT
    {
        let apart = closing.at - opening.at;
        between = window::across(
            engine.plant(),
            engine.ledger(),
            (&opening, closing),
            apart,
            losses.noise_kg2(apart),
        );
    }
    let area = section
        .zip(ends)
        .map(|(section, (from, to))| area_words(&engine, section, from, to));
    Ok(Gathered {
        view: engine.view(),
        plant: Arc::new(plant),
        course,
        between,
        area,
    })
}

/// The description in a directory, or everything wrong with it.
fn described_in(directory: &Path) -> Result<Plant, String> {
    let files = plant::files::read(directory).map_err(|error| error.to_string())?;
    plant::load(&files).map_err(|problems| problems.to_string())
}

/// The section of an id.
fn section_of(plant: &Plant, id: Option<&str>) -> Result<Option<SectionIx>, LossesError> {
    let Some(id) = id else {
        return Ok(None);
    };
    match plant.section_by_id(id) {
        Some((ix, _)) => Ok(Some(ix)),
        None => Err(LossesError::Section {
            id: id.to_owned(),
            known: plant
                .all
                .section
                .iter()
                .map(|section| &*section.id)
                .collect::<Vec<_>>()
                .join(", "),
        }),
    }
}

/// The balance between two times within the last thirty days of an engine.
fn balance_of(
    engine: &Engine,
    section: Option<SectionIx>,
    from: Timestamp,
    to: Timestamp,
) -> Option<WindowBalance> {
    engine
        .losses()
        .balance_between(engine.plant(), engine.ledger(), section, from, to)
}

/// What the area of a section is called, and why its sections are joined.
fn area_words(
    engine: &Engine,
    section: SectionIx,
    from: Timestamp,
    to: Timestamp,
) -> (String, Vec<String>) {
    let plant = engine.plant();
    let accounts = engine.losses().accounts();
    let Some(area) = accounts
        .areas_between(plant, from, to)
        .into_iter()
        .find(|area| area.holds(section))
    else {
        return (String::new(), Vec::new());
    };
    let mut words = Vec::new();
    if area.sections.len() == plant.all.section.len() {
        words.push(sections::WHOLE.to_owned());
    }
    for (line, share) in accounts.unseen_between(plant, from, to) {
        let Some(line) = plant.line(line) else {
            continue;
        };
        let inside = |end| matches!(end, End::Section(ix) if area.holds(ix));
        if line.from != line.to && inside(line.from) && inside(line.to) {
            words.push(format!(
                "joined by {} ({}): not metered, and not shut for {:.0} % of the time",
                line.name,
                line.id,
                100.0 * share
            ));
        }
    }
    (name_of(plant, Some(&area.id(plant))), words)
}

fn write_words(
    out: &mut impl Write,
    facts: &StatementFacts,
    section: Option<&str>,
) -> io::Result<()> {
    writeln!(
        out,
        "{}, from {} to {}",
        facts.site, facts.from.text, facts.to.text
    )?;
    if let Some(between) = &facts.between {
        writeln!(
            out,
            "\n{}: unaccounted {}, beyond the accepted {}, over {}",
            facts.of,
            between.unaccounted.with_unit(),
            between.excess.with_unit(),
            between.over,
        )?;
        writeln!(
            out,
            "kg: opening {} + received {} - dispatched {} - closing {}; sure to be seen above {}",
            between.opening.text,
            between.received.text,
            between.dispatched.text,
            between.closing.text,
            between.detection_limit.text,
        )?;
    }
    for line in &facts.area {
        writeln!(out, "{line}")?;
    }
    let all: Vec<&LossFact> = match section {
        Some(id) => loss_of(&facts.losses, Some(id)).into_iter().collect(),
        None => facts.losses.losses.iter().collect(),
    };
    for fact in &all {
        write_fact(out, fact)?;
    }
    if all.is_empty() && facts.between.is_none() {
        writeln!(out, "Too little is on record for a statement.")?;
    }
    if let Some(found) = facts.reconciliation.as_ref().filter(|found| !found.agrees) {
        writeln!(out, "\n{}", found.statement)?;
    }
    if let Some(explanation) = &facts.losses.explanation {
        writeln!(out, "\n{}", explanation.leading)?;
        for group in &explanation.groups {
            writeln!(out, "{:>5} %  {}:", group.weight_percent, group.credible)?;
            for one in &group.hypotheses {
                writeln!(
                    out,
                    "         {}, {}, since {}",
                    one.words,
                    one.size.with_unit(),
                    one.since.text
                )?;
            }
            for line in &group.separate {
                writeln!(out, "         to tell: {line}")?;
            }
            for test in &group.isolation_tests {
                writeln!(out, "         test: {}", test.words)?;
            }
            if !group.caution.is_empty() {
                writeln!(out, "         {}", group.caution)?;
            }
        }
        for line in &explanation.excluded {
            writeln!(out, "Excluded: {line}")?;
        }
    }
    for gap in &facts.gaps {
        writeln!(
            out,
            "Not seen: {}, {} in all, {}, first {}",
            gap.what, gap.all, gap.why, gap.first.text
        )?;
    }
    for note in &facts.notes {
        writeln!(out, "Note: {note}")?;
    }
    Ok(())
}

fn write_fact(out: &mut impl Write, fact: &LossFact) -> io::Result<()> {
    writeln!(out, "\n{}: {}", fact.name, fact.statement)?;
    writeln!(out, "{}", fact.reach)?;
    writeln!(
        out,
        "\n{:>8}  {:>9}  {:>9}  {:>10}  {:>9}  {:>13}  {:>13}  {:>10}",
        "kg over",
        "opening",
        "received",
        "dispatched",
        "closing",
        "unaccounted",
        "excess",
        "sure above"
    )?;
    for window in &fact.windows {
        writeln!(
            out,
            "{:>8}  {:>9}  {:>9}  {:>10}  {:>9}  {:>13}  {:>13}  {:>10}",
            window.over,
            window.opening.text,
            window.received.text,
            window.dispatched.text,
            window.closing.text,
            window.unaccounted.text,
            window.excess.text,
            window.detection_limit.text,
        )?;
    }
    Ok(())
}
