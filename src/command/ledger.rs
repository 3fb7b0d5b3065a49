//! `coldledger ledger`: the entries on record, or a new one through the running daemon.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::Subcommand;

use super::client::{Client, ClientArgs, ClientError};
use super::ledger_import::{ImportArgs, ImportError, import};
use super::losses::{LossesError, on_record};
use super::{CONFIGURATION, FAULT, WELL};
use crate::console::facts::helium::LedgerFact;
use crate::console::facts::{Scene, helium_facts};
use crate::console::words::SiteTime;

/// The ledger of deliveries, dispatches and vents
///
/// Without a subcommand, lists what is on record. Entries are never edited: a new one supersedes.
#[derive(Debug, clap::Args)]
pub struct LedgerArgs {
    /// Data directory to list from
    #[arg(long, value_name = "DIR", default_value = "coldledger-data")]
    pub data: PathBuf,

    /// Write one JSON document, for programs
    #[arg(long)]
    pub json: bool,

    /// What else to do
    #[command(subcommand)]
    pub action: Option<LedgerAction>,
}

/// What can be done to the ledger.
#[derive(Debug, Subcommand)]
pub enum LedgerAction {
    /// Enter a delivery, dispatch, vent ... through the running daemon
    Enter(EnterArgs),
    /// Enter the rows of a CSV file
    ///
    /// The whole file is checked first: when a row cannot be entered, it is named with its line, and
    /// nothing is entered. A row whose id is on record already is left alone, so that importing a file
    /// again enters nothing twice.
    ///
    /// The first line names the columns, in any order; every quantity carries its unit, in the cell
    /// ("42.5 kg") or in the header (`mass [kg]`); lines that begin with # are passed over.
    ///
    ///   effective_at   when the helium began to move, with time zone: 2026-11-25T14:30:00Z,
    ///                  2026-11-25T15:30:00+01:00, 2026-11-25T14:30[Europe/London]
    ///   over           how long it took, "45 min"; empty for at once
    ///   kind           delivery, dispatch, metered vent, purge, loan out, loan back, correction
    ///   mass           "42.5 kg"; metered gas "250 Nm3" (0 °C, 1 atm); liquid "500 L liquid"
    ///                  (saturated at 1 atm); or "pressure change", see below
    ///   std            one standard uncertainty, "0.3 kg" or "0.5 %"; may stand in mass after ±
    ///   section        id of the section concerned; may be empty
    ///   note           in words
    ///   id             your own, such as the delivery note's number: letters, digits, . - _
    ///   supersedes     id of the entry that this one replaces; may be empty
    ///   comment        not entered
    ///
    /// A mass by pressure change comes from the columns volume ("50 m3 ± 0.25 m3"), p_before, p_after
    /// ("12.4 bar(a) ± 0.02 bar"; gauge pressures need air_pressure), t_before, t_after ("293 K ± 1 K"),
    /// and perhaps p_common, t_common: standard uncertainties that are the same in both readings. The
    /// vessel may be the supplier's or yours; the kind says which way the helium went.
    #[command(verbatim_doc_comment)]
    Import(ImportArgs),
}

/// A new entry.
#[derive(Debug, clap::Args)]
pub struct EnterArgs {
    /// What crossed the boundary: delivery, dispatch, metered-vent, purge, loan-out, loan-back, correction
    #[arg(long)]
    pub kind: String,
    /// How much, with unit: "42.5 kg"
    #[arg(long, allow_hyphen_values = true)]
    pub mass: String,
    /// Its standard uncertainty, with unit: "0.2 kg"
    #[arg(long)]
    pub std: String,
    /// When it began to cross (RFC 3339); now when left out
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// How long it took, with unit
    #[arg(long, default_value = "0 s")]
    pub over: String,
    /// In words
    #[arg(long, default_value = "")]
    pub note: String,
    /// The section concerned
    #[arg(long, value_name = "ID", default_value = "")]
    pub section: String,
    /// Your own id for it, such as the delivery note's number; made up when left out
    #[arg(long, value_name = "ID", default_value = "")]
    pub id: String,
    /// The entry that this one replaces
    #[arg(long, value_name = "ID")]
    pub supersedes: Option<String>,
    /// It is as written, though it seems unlikely
    #[arg(long)]
    pub sure: bool,
    /// How the daemon is reached
    #[command(flatten)]
    pub client: ClientArgs,
}

/// Why it did not work.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The record cannot be read.
    #[error(transparent)]
    Record(#[from] LossesError),
    /// The daemon did not take it.
    #[error(transparent)]
    Daemon(#[from] ClientError),
    /// The file was not imported.
    #[error(transparent)]
    Import(#[from] ImportError),
    /// The answer could not be written.
    #[error("the answer could not be written: {0}")]
    Output(#[from] io::Error),
}

/// Lists or enters; the exit code.
#[must_use]
pub fn main(args: &LedgerArgs) -> u8 {
    let result = match &args.action {
        None => list(args, super::answer()),
        Some(LedgerAction::Enter(enter)) => self::enter(enter, super::answer()),
        Some(LedgerAction::Import(args)) => import(args, super::answer()).map_err(Into::into),
    };
    match result {
        Ok(()) => WELL,
        Err(error) => {
            super::complain(&error);
            match error {
                LedgerError::Daemon(ClientError::Refused { .. })
                | LedgerError::Import(
                    ImportError::Table { .. }
                    | ImportError::Nobody
                    | ImportError::Bad(_)
                    | ImportError::Daemon(ClientError::Refused { .. })
                    | ImportError::Stopped {
                        problem: ClientError::Refused { .. },
                        ..
                    },
                ) => CONFIGURATION,
                _ => FAULT,
            }
        }
    }
}

/// Writes the entries on record.
///
/// # Errors
/// [`LedgerError`].
pub fn list(args: &LedgerArgs, mut out: impl Write) -> Result<(), LedgerError> {
    let (plant, view) = on_record(&args.data, None)?;
    let time = SiteTime::of(&plant).read_at(view.at);
    let facts = helium_facts(Scene {
        plant: &plant,
        view: &view,
        now: view.at,
        time: &time,
    });
    if args.json {
        serde_json::to_writer_pretty(&mut out, &facts.ledger).map_err(io::Error::from)?;
        writeln!(out)?;
        return Ok(());
    }
    if !facts.ledger.is_empty() {
        writeln!(
            out,
            "{:24}  {:20}  {:14}  {:>14}  author, note",
            "began to move", "entry", "kind", "kg"
        )?;
    }
    for entry in &facts.ledger {
        write_entry(&mut out, entry)?;
    }
    if facts.ledger.is_empty() {
        writeln!(out, "The ledger is empty.")?;
    }
    Ok(())
}

fn write_entry(out: &mut impl Write, entry: &LedgerFact) -> io::Result<()> {
    let superseded = entry
        .superseded_by
        .as_ref()
        .map_or_else(String::new, |by| format!("  (superseded by {by})"));
    writeln!(
        out,
        "{:24}  {:20}  {:14}  {:>14}  {}, {}{superseded}",
        entry.effective_at.utc.as_deref().unwrap_or("not known"),
        entry.id,
        entry.kind,
        entry.mass.text,
        entry.author,
        entry.note
    )
}

fn enter(args: &EnterArgs, mut out: impl Write) -> Result<(), LedgerError> {
    let client = Client::new(&args.client)?;
    // The pages' words have blanks where a shell wants hyphens.
    let kind = args.kind.replace('-', " ");
    let mut form = vec![
        ("kind", kind.as_str()),
        ("mass", args.mass.as_str()),
        ("uncertainty", args.std.as_str()),
        ("over", args.over.as_str()),
        ("note", args.note.as_str()),
        ("section", args.section.as_str()),
        ("id", args.id.as_str()),
    ];
    if let Some(at) = &args.at {
        form.push(("effective_at", at));
    }
    if let Some(supersedes) = &args.supersedes {
        form.push(("supersedes", supersedes));
    }
    if args.sure {
        form.push(("sure", "true"));
    }
    let answer = client.post("/api/v1/ledger", &form)?;
    writeln!(out, "{answer}")?;
    Ok(())
}
