//! `coldledger ledger import`: a table of entries through the running daemon.

use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::Arc;

use serde_json::Value;

use super::client::{Client, ClientArgs, ClientError};
use super::ledger_table::{BadRow, Row, TableError, read};
use crate::actor::Actor;
use crate::balance::ledger::{LONGEST_NOTE, LedgerEntry};
use crate::plant::{Booking, BookingKind, Stated};
use crate::quantity::Mass;
use crate::time::Timestamp;

/// What to import, and how.
#[derive(Debug, clap::Args)]
pub struct ImportArgs {
    /// The file, UTF-8, commas or semicolons between columns
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
    /// Check only, and say what would be entered
    #[arg(long)]
    pub dry_run: bool,
    /// Enter the good rows though some are bad
    #[arg(long)]
    pub skip_bad: bool,
    /// How the daemon is reached
    #[command(flatten)]
    pub client: ClientArgs,
}

/// Why nothing, or not all, was entered.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// The file cannot be read.
    #[error("{}: {problem}", file.display())]
    File {
        /// Which.
        file: PathBuf,
        /// Why.
        problem: io::Error,
    },
    /// The file is no table of entries.
    #[error("{}: {problem}", file.display())]
    Table {
        /// Which.
        file: PathBuf,
        /// Why.
        problem: TableError,
    },
    /// Nobody is named.
    #[error(
        "entries need an author: name yourself with --user, and your password with --password-file"
    )]
    Nobody,
    /// Rows that cannot be entered.
    #[error("nothing was entered; mend the {0} named above, or enter the others with --skip-bad")]
    Bad(String),
    /// The daemon cannot be asked.
    #[error(transparent)]
    Daemon(#[from] ClientError),
    /// The daemon did not take a row.
    #[error(
        "line {line} was not entered, {entered} before it were: {problem} Once that is mended, import the same file again: what is entered stays entered once"
    )]
    Stopped {
        /// Line of the row.
        line: u64,
        /// How many rows were entered before it.
        entered: String,
        /// Why.
        problem: ClientError,
    },
    /// The answer could not be written.
    #[error("the answer could not be written: {0}")]
    Output(#[from] io::Error),
}

/// Checks the file, and enters its rows.
///
/// # Errors
/// [`ImportError`].
pub fn import(args: &ImportArgs, mut out: impl Write) -> Result<(), ImportError> {
    let file = || args.file.clone();
    let text = std::fs::read_to_string(&args.file).map_err(|problem| ImportError::File {
        file: file(),
        problem,
    })?;
    let rows = read(&text).map_err(|problem| ImportError::Table {
        file: file(),
        problem,
    })?;
    let author = args.client.user.clone().ok_or(ImportError::Nobody)?;
    let client = Client::new(&args.client)?;
    let mut books = Books::ask(&client)?;
    let (mut good, mut bad, mut before) = (Vec::new(), 0_usize, 0_usize);
    for row in rows {
        match row.and_then(|row| books.judge(row, &author)) {
            Ok(Judged::New(row)) => good.push(row),
            Ok(Judged::Entered(row)) => {
                before += 1;
                writeln!(out, "line {}: {} is on record already", row.line, row.id)?;
            }
            Err(row) => {
                bad += 1;
                writeln!(
                    out,
                    "line {}: {}; write {}",
                    row.line, row.problem, row.what_to_do
                )?;
            }
        }
    }
    writeln!(
        out,
        "{} to enter, {before} on record already, {bad} bad",
        rows_in_words(good.len())
    )?;
    if bad > 0 && !args.skip_bad {
        return Err(ImportError::Bad(rows_in_words(bad)));
    }
    if args.dry_run {
        writeln!(out, "Nothing was entered: this was a dry run.")?;
        return Ok(());
    }
    for (entered, row) in good.iter().enumerate() {
        enter(&client, row).map_err(|problem| ImportError::Stopped {
            line: row.line,
            entered: rows_in_words(entered),
            problem,
        })?;
        writeln!(
            out,
            "line {}: entered {}, {} {:.3} kg ± {:.3} kg",
            row.line,
            row.id,
            row.kind.words(),
            row.mass_kg,
            row.std_kg
        )?;
    }
    Ok(())
}

fn rows_in_words(count: usize) -> String {
    match count {
        1 => "1 row".to_owned(),
        _ => format!("{count} rows"),
    }
}

fn enter(client: &Client, row: &Row) -> Result<Value, ClientError> {
    let number = |value: f64, unit: &str| format!("{value} {unit}");
    client.post(
        "/api/v1/ledger",
        &[
            ("id", &row.id),
            ("kind", row.kind.words()),
            ("effective_at", &row.effective_at.to_string()),
            ("over", &number(row.over.seconds(), "s")),
            ("mass", &number(row.mass_kg, "kg")),
            ("uncertainty", &number(row.std_kg, "kg")),
            ("section", &row.section),
            ("note", &row.note),
            ("supersedes", &row.supersedes),
            // Whoever imports a table of past entries has looked at it.
            ("sure", "true"),
        ],
    )
}

enum Judged {
    New(Row),
    Entered(Row),
}

/// What an entry on record says.
#[derive(Debug, Clone, PartialEq)]
struct OnRecord {
    kind: String,
    signed_kg: f64,
    std_kg: f64,
    effective_ms: Option<i64>,
    over_s: f64,
    superseded_by: Option<String>,
}

/// The books as the daemon has them, and the rows of this file in front of the one judged.
struct Books {
    entries: BTreeMap<String, OnRecord>,
    /// Line of each id of this file.
    lines: BTreeMap<String, u64>,
    sections: Vec<String>,
    now: Option<Timestamp>,
}

impl Books {
    fn ask(client: &Client) -> Result<Self, ClientError> {
        let ledger = client.get("/api/v1/ledger")?;
        let plant = client.get("/api/v1/plant")?;
        let picture = client.get("/api/v1/helium")?;
        let text = |value: &Value| value.as_str().map(str::to_owned);
        let entries = ledger
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|entry| {
                let number = |value: &Value| value.as_f64();
                Some((
                    text(entry.get("id")?)?,
                    OnRecord {
                        kind: text(entry.get("kind")?)?,
                        signed_kg: number(entry.get("mass")?.get("value")?)?,
                        std_kg: number(entry.get("mass")?.get("std_uncertainty")?)?,
                        effective_ms: entry.get("effective_at")?.get("ms")?.as_i64(),
                        over_s: number(entry.get("over_s")?)?,
                        superseded_by: entry.get("superseded_by").and_then(text),
                    },
                ))
            })
            .collect();
        let sections = plant
            .get("section_ids")
            .and_then(Value::as_array)
            .into_iter()
            .flatten()
            .filter_map(text)
            .collect();
        let now = picture
            .get("at")
            .and_then(|at| at.get("ms")?.as_i64())
            .map(Timestamp::from_millis);
        Ok(Self {
            entries,
            lines: BTreeMap::new(),
            sections,
            now,
        })
    }

    fn judge(&mut self, row: Row, author: &str) -> Result<Judged, BadRow> {
        let bad = |problem: String, what_to_do: &str| BadRow {
            line: row.line,
            problem,
            what_to_do: what_to_do.to_owned(),
        };
        if let Some(line) = self.lines.insert(row.id.clone(), row.line) {
            return Err(bad(
                format!("the id {} stands in line {line} already", row.id),
                "an id of its own for each row",
            ));
        }
        let says = OnRecord {
            kind: row.kind.words().to_owned(),
            signed_kg: row.kind.sign() * row.mass_kg,
            std_kg: row.std_kg,
            effective_ms: Some(row.effective_at.millis()),
            over_s: row.over.seconds(),
            superseded_by: None,
        };
        if let Some(known) = self.entries.get(&row.id) {
            if known.says_the_same(&says) {
                return Ok(Judged::Entered(row));
            }
            return Err(bad(
                format!("{} is on record and says something else", row.id),
                "an id of its own, and the old one under supersedes: entries are never edited",
            ));
        }
        if !row.section.is_empty() && !self.sections.contains(&row.section) {
            return Err(bad(
                format!("there is no section {:?}", row.section),
                &format!("one of {}, or nothing", self.sections.join(", ")),
            ));
        }
        if row.note.chars().count() > LONGEST_NOTE {
            return Err(bad(
                format!("the note is longer than {LONGEST_NOTE} characters"),
                "a shorter one",
            ));
        }
        if row.mass_kg < 0.0 && row.kind != BookingKind::Correction {
            return Err(bad(
                "the mass is negative, but the kind says already which way it went".into(),
                "the mass without its sign, or the kind correction",
            ));
        }
        Self::entry(&row, author)
            .check(self.now)
            .map_err(|refusal| bad(refusal.to_string(), "what can have happened"))?;
        if !row.supersedes.is_empty() {
            match self.entries.get_mut(&row.supersedes) {
                None => {
                    return Err(bad(
                        format!("there is no entry {:?} to supersede", row.supersedes),
                        "the id of an entry on record or of a row further up",
                    ));
                }
                Some(OnRecord {
                    superseded_by: Some(by),
                    ..
                }) => {
                    return Err(bad(
                        format!("{} has already been replaced by {by}", row.supersedes),
                        &format!("{by} under supersedes"),
                    ));
                }
                Some(old) => old.superseded_by = Some(row.id.clone()),
            }
        }
        self.entries.insert(row.id.clone(), says);
        Ok(Judged::New(row))
    }

    fn entry(row: &Row, author: &str) -> LedgerEntry {
        let some = |text: &str| (!text.is_empty()).then(|| Arc::from(text));
        LedgerEntry {
            id: Arc::from(row.id.as_str()),
            booking: Booking {
                effective_at: row.effective_at,
                over: row.over,
                kind: row.kind,
                mass: Stated {
                    value: Mass::new(row.mass_kg),
                    std: row.std_kg,
                },
                author: author.to_owned(),
                note: row.note.clone(),
                section: some(&row.section),
            },
            supersedes: some(&row.supersedes),
            actor: Actor {
                name: author.to_owned(),
                place: String::new(),
            },
        }
    }
}

impl OnRecord {
    /// The same but for rounding: a density's last digits may differ between versions.
    fn says_the_same(&self, other: &Self) -> bool {
        let close = |a: f64, b: f64| (a - b).abs() <= 1e-6 * a.abs().max(1e-3);
        self.kind == other.kind
            && self.effective_ms == other.effective_ms
            && close(self.signed_kg, other.signed_kg)
            && close(self.std_kg, other.std_kg)
            && close(self.over_s, other.over_s)
    }
}
