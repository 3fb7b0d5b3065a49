//! The ledger that lies beside logged data: deliveries and what else crossed the boundary.
//!
//! Columns: a time (as in the readings, or `effective_at`), `kind`, `mass_kg`, `uncertainty_kg`, and
//! as far as there are any `over_h`, `section`, `author`, `note`. Other units may stand in the names.

use std::path::Path;

use super::columns::{TimeColumn, number};
use super::readings::{Pass, ReadingsError};
use crate::engine::{Actor, LedgerEntry};
use crate::plant::{Booking, BookingKind, Id, Plant, Stated};
use crate::quantity::{Mass, QuantityKind, Unit};
use crate::time::{Span, Timestamp};

/// Where the columns are.
struct Sheet {
    time: TimeColumn,
    kind: usize,
    mass: (usize, &'static Unit),
    uncertainty: (usize, &'static Unit),
    over: Option<(usize, &'static Unit)>,
    section: Option<usize>,
    author: Option<usize>,
    note: Option<usize>,
}

/// The entries of a file, in the order of time.
///
/// # Errors
/// [`ReadingsError`] with line and column.
pub(super) fn read(
    path: &Path,
    plant: &Plant,
    start: Timestamp,
) -> Result<Vec<LedgerEntry>, ReadingsError> {
    let mut pass = Pass::open(path)?;
    let sheet = Sheet::of(&pass, plant, start).map_err(|problem| ReadingsError::Header {
        path: path.to_owned(),
        line: pass.header_line,
        problem,
    })?;
    let mut entries = Vec::new();
    while let Some(line) = pass.next()? {
        let booking = sheet.booking(&pass, line, plant)?;
        let entry = LedgerEntry {
            id: format!("line-{line}").into(),
            actor: Actor {
                name: booking.author.clone(),
                place: path.display().to_string(),
            },
            booking,
            supersedes: None,
        };
        entry
            .check(None)
            .map_err(|refusal| pass.wrong(sheet.mass.0, line, format!("no entry: {refusal}")))?;
        entries.push(entry);
    }
    entries.sort_by_key(|entry| entry.booking.effective_at);
    Ok(entries)
}

impl Sheet {
    fn of(pass: &Pass, plant: &Plant, start: Timestamp) -> Result<Self, String> {
        let time = pass
            .headers
            .iter()
            .enumerate()
            .find_map(|(at, header)| TimeColumn::of(header, at, plant, start))
            .ok_or("no column of times; call it effective_at, time or time_s")?;
        let plain = |name: &str| {
            pass.headers
                .iter()
                .position(|header| header.eq_ignore_ascii_case(name))
        };
        let with_unit = |name: &str, kind: QuantityKind| {
            pass.headers.iter().enumerate().find_map(|(at, header)| {
                let rest = header
                    .get(..name.len())
                    .filter(|head| head.eq_ignore_ascii_case(name));
                rest?;
                let unit = header.get(name.len()..)?;
                let unit =
                    unit.trim_matches(|c: char| c == '_' || c == ' ' || c == '[' || c == ']');
                kind.unit(unit).map(|unit| (at, unit))
            })
        };
        let mass = with_unit("mass", QuantityKind::Mass);
        let uncertainty = with_unit("uncertainty", QuantityKind::Mass)
            .or_else(|| with_unit("std", QuantityKind::Mass));
        Ok(Self {
            time,
            kind: plain("kind").ok_or("no column kind; it says delivery, dispatch, metered vent, purge, loan out, loan back or correction")?,
            mass: mass.ok_or("no column of masses; call it mass_kg")?,
            uncertainty: uncertainty.ok_or("no column of standard uncertainties; call it uncertainty_kg")?,
            over: with_unit("over", QuantityKind::Duration),
            section: plain("section"),
            author: plain("author"),
            note: plain("note"),
        })
    }

    fn booking(&self, pass: &Pass, line: u64, plant: &Plant) -> Result<Booking, ReadingsError> {
        let word = pass.cell(self.kind).replace('-', " ");
        let kind = BookingKind::ALL
            .into_iter()
            .find(|kind| kind.words().eq_ignore_ascii_case(&word))
            .ok_or_else(|| {
                let known: Vec<&str> = BookingKind::ALL.iter().map(|kind| kind.words()).collect();
                let problem = format!("no kind of entry; use one of {}", known.join(", "));
                pass.wrong(self.kind, line, problem)
            })?;
        let quantity = |(at, unit): (usize, &Unit), least: f64| {
            number(pass.cell(at), pass.comma)
                .map(|number| unit.to_si(number))
                .filter(|si| si.is_finite() && *si >= least)
                .ok_or_else(|| {
                    pass.wrong(
                        at,
                        line,
                        format!("no number of {} from {least} on", unit.symbol),
                    )
                })
        };
        let least = if kind == BookingKind::Correction {
            f64::MIN
        } else {
            0.0
        };
        let over = match self.over {
            Some(over) if !pass.cell(over.0).is_empty() => Span::from_seconds(quantity(over, 0.0)?),
            _ => Span::ZERO,
        };
        let section = match self.section {
            Some(at) if !pass.cell(at).is_empty() => {
                let (_, section) = plant
                    .section_by_id(pass.cell(at))
                    .ok_or_else(|| pass.wrong(at, line, "no section of the description"))?;
                Some(Id::clone(&section.id))
            }
            _ => None,
        };
        let text = |at: Option<usize>| at.map_or("", |at| pass.cell(at)).to_owned();
        let author = Some(text(self.author)).filter(|author| !author.trim().is_empty());
        Ok(Booking {
            effective_at: pass.time(&self.time, line)?,
            over,
            kind,
            mass: Stated {
                value: Mass::new(quantity(self.mass, least)?),
                std: quantity(self.uncertainty, 0.0)?,
            },
            author: author.unwrap_or_else(|| "the file".into()),
            note: text(self.note),
            section,
        })
    }
}
