//! `coldledger ledger`: the entries on record, or a new one through the running daemon.

use std::io::{self, Write};
use std::path::PathBuf;

use clap::Subcommand;

use super::client::{Client, ClientArgs, ClientError};
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
    /// The entry that this one replaces
    #[arg(long, value_name = "ID")]
    pub supersedes: Option<String>,
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
    /// The answer could not be written.
    #[error("the answer could not be written: {0}")]
    Output(#[from] io::Error),
}

/// Lists or enters; the exit code.
#[must_use]
pub fn main(args: &LedgerArgs) -> u8 {
    let result = match &args.action {
        None => list(args, io::stdout().lock()),
        Some(LedgerAction::Enter(enter)) => self::enter(enter, io::stdout().lock()),
    };
    match result {
        Ok(()) => WELL,
        Err(error) => {
            super::complain(&error);
            match error {
                LedgerError::Daemon(ClientError::Refused { .. }) => CONFIGURATION,
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
    let time = SiteTime::of(&plant);
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
    ];
    if let Some(at) = &args.at {
        form.push(("effective_at", at));
    }
    if let Some(supersedes) = &args.supersedes {
        form.push(("supersedes", supersedes));
    }
    let answer = client.post("/api/v1/ledger", &form)?;
    writeln!(out, "{answer}")?;
    Ok(())
}
