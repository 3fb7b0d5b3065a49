//! A table of ledger entries: what its rows say, and what is wrong with those that say nothing.
//!
//! Nothing here asks or tells anybody; see [`ledger_import`](super::ledger_import) for that.

use std::collections::BTreeMap;

use crate::balance::delivery::{CommonErrors, GasReading, by_pressure_change};
use crate::balance::ledger::is_entry_id;
use crate::plant::loss_unit::{kg_per_liquid_litre, kg_per_normal_cubic_metre};
use crate::plant::{BookingKind, Stated};
use crate::quantity::{
    self, AbsolutePressure, Quantity, QuantityKind, UnitError, Volume, split_stated,
};
use crate::time::{Span, Timestamp};

/// Most rows of one table: more are no ledger.
const MOST_ROWS: usize = 10_000;

/// Columns that a table must have.
const NEEDED: [&str; 3] = ["effective_at", "kind", "id"];
/// Columns that it may have.
const POSSIBLE: [&str; 15] = [
    "over",
    "mass",
    "std",
    "section",
    "note",
    "supersedes",
    "volume",
    "p_before",
    "p_after",
    "t_before",
    "t_after",
    "air_pressure",
    "p_common",
    "t_common",
    "comment",
];

/// A row that can be entered.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Line in the file, from 1.
    pub line: u64,
    /// Text id.
    pub id: String,
    /// When the helium began to move.
    pub effective_at: Timestamp,
    /// Over how long.
    pub over: Span,
    /// What crossed the boundary.
    pub kind: BookingKind,
    /// Mass and standard uncertainty, kg.
    pub mass_kg: f64,
    /// Standard uncertainty, kg.
    pub std_kg: f64,
    /// The section concerned; empty when not said.
    pub section: String,
    /// In words.
    pub note: String,
    /// The entry that this one replaces; empty when none.
    pub supersedes: String,
}

/// A row that cannot, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadRow {
    /// Line in the file, from 1.
    pub line: u64,
    /// What is wrong.
    pub problem: String,
    /// What to write instead.
    pub what_to_do: String,
}

/// Why a file is no table of entries.
#[derive(Debug, PartialEq, thiserror::Error)]
pub enum TableError {
    /// A column that is missing.
    #[error(
        "the header has no column {0:?}; it needs effective_at, kind and id, and mass with std (see --help)"
    )]
    Missing(&'static str),
    /// A column that is not known.
    #[error(
        "the header has a column {0:?}, which means nothing here; rename it as --help has it, or take it out"
    )]
    Unknown(String),
    /// A column twice.
    #[error("the header has the column {0:?} twice; keep one")]
    Twice(String),
    /// Too many rows.
    #[error("the file has more than {MOST_ROWS} rows; import it in parts")]
    TooLong,
    /// Not a table at all.
    #[error("the file is no table of text: {0}")]
    NotATable(String),
}

/// Every row of a table, good or bad.
///
/// # Errors
/// [`TableError`] when the header does not say what the columns are.
pub fn read(text: &str) -> Result<Vec<Result<Row, BadRow>>, TableError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let header = text.lines().find(|line| !line.starts_with('#'));
    // Spreadsheets of half of Europe write semicolons.
    let semicolons = header.is_some_and(|line| line.contains(';') && !line.contains(','));
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(if semicolons { b';' } else { b',' })
        .comment(Some(b'#'))
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let broken = |error: csv::Error| TableError::NotATable(error.to_string());
    let columns = columns(reader.headers().map_err(broken)?)?;
    let mut rows = Vec::new();
    for record in reader.records() {
        let record = record.map_err(broken)?;
        if record.iter().all(str::is_empty) {
            continue;
        }
        if rows.len() == MOST_ROWS {
            return Err(TableError::TooLong);
        }
        let line = record.position().map_or(0, csv::Position::line);
        let cells = Cells {
            columns: &columns,
            record: &record,
        };
        rows.push(cells.row(line).map_err(|(problem, what_to_do)| BadRow {
            line,
            problem,
            what_to_do,
        }));
    }
    Ok(rows)
}

/// Position of each column, and the unit its header gives.
type Columns = BTreeMap<String, (usize, Option<String>)>;

fn columns(header: &csv::StringRecord) -> Result<Columns, TableError> {
    let mut columns = Columns::new();
    for (at, title) in header.iter().enumerate() {
        let (name, unit) = match title.split_once('[') {
            Some((name, unit)) => (name, unit.strip_suffix(']').map(|u| u.trim().to_owned())),
            None => (title, None),
        };
        let name = name.trim().to_lowercase().replace([' ', '-'], "_");
        let known = NEEDED.iter().chain(&POSSIBLE).any(|known| *known == name);
        if !known {
            return Err(TableError::Unknown(title.to_owned()));
        }
        if columns.insert(name, (at, unit)).is_some() {
            return Err(TableError::Twice(title.to_owned()));
        }
    }
    for needed in NEEDED {
        if !columns.contains_key(needed) {
            return Err(TableError::Missing(needed));
        }
    }
    Ok(columns)
}

/// What is wrong, and what to write.
type Wrong = (String, String);

struct Cells<'a> {
    columns: &'a Columns,
    record: &'a csv::StringRecord,
}

impl<'a> Cells<'a> {
    fn text(&self, name: &str) -> &'a str {
        self.columns
            .get(name)
            .and_then(|&(at, _)| self.record.get(at))
            .unwrap_or("")
    }

    /// With the header's unit where the cell has none.
    fn with_unit(&self, name: &str) -> String {
        let text = self.text(name);
        let unit = self.columns.get(name).and_then(|(_, unit)| unit.as_deref());
        let bare = |text: &str| text.parse::<f64>().is_ok();
        match (unit, split_stated(text)) {
            (Some(unit), None) if bare(text) => format!("{text} {unit}"),
            (Some(unit), Some((value, std))) if bare(value) && bare(std) => {
                format!("{value} {unit} ± {std} {unit}")
            }
            _ => text.to_owned(),
        }
    }

    fn row(&self, line: u64) -> Result<Row, Wrong> {
        if self.record.len() > self.columns.len() {
            return Err((
                format!(
                    "it has {} cells under {} columns",
                    self.record.len(),
                    self.columns.len()
                ),
                "put a text with commas between quotes".into(),
            ));
        }
        let id = self.text("id");
        if !is_entry_id(id) {
            return Err((
                if id.is_empty() {
                    "it has no id, so importing it again would enter it again".into()
                } else {
                    format!("{id:?} cannot be an id")
                },
                "an id of at most 64 letters, digits, dots, dashes or underscores, such as the number of the delivery note".into(),
            ));
        }
        let kind = self.kind()?;
        let (mass_kg, std_kg) = self.mass(kind)?;
        Ok(Row {
            line,
            id: id.to_owned(),
            effective_at: self.effective_at()?,
            over: self.over()?,
            kind,
            mass_kg,
            std_kg,
            section: self.text("section").to_owned(),
            note: self.text("note").to_owned(),
            supersedes: self.text("supersedes").to_owned(),
        })
    }

    fn kind(&self) -> Result<BookingKind, Wrong> {
        let kind = self.text("kind").to_lowercase().replace(['-', '_'], " ");
        BookingKind::ALL
            .into_iter()
            .find(|known| known.words() == kind)
            .ok_or_else(|| {
                let known: Vec<_> = BookingKind::ALL.iter().map(|kind| kind.words()).collect();
                (
                    format!("{:?} is not a kind of entry", self.text("kind")),
                    format!("one of: {}", known.join(", ")),
                )
            })
    }

    fn effective_at(&self) -> Result<Timestamp, Wrong> {
        let text = self.text("effective_at");
        let zoned = || {
            let at: jiff::ZonedDateTime = text.parse().ok()?;
            Some(Timestamp::from_millis(at.timestamp().as_millisecond()))
        };
        Timestamp::parse(text).ok().or_else(zoned).ok_or_else(|| {
            let civil = text.parse::<jiff::civil::DateTime>().is_ok();
            (
                if civil {
                    format!("{text:?} does not say in which time zone")
                } else {
                    format!("{text:?} is not a date and time")
                },
                "for example 2026-11-25T14:30:00Z, 2026-11-25T15:30:00+01:00 or 2026-11-25T14:30[Europe/London]".into(),
            )
        })
    }

    fn over(&self) -> Result<Span, Wrong> {
        let text = self.with_unit("over");
        if text.is_empty() {
            return Ok(Span::ZERO);
        }
        quantity::parse(&text, QuantityKind::Duration)
            .map(|(seconds, _)| Span::from_seconds(seconds))
            .map_err(|error| wrong("over", &error, "how long it took, such as \"2 h\""))
    }

    /// Mass and standard uncertainty: weighed, metered, or by pressure change.
    fn mass(&self, kind: BookingKind) -> Result<(f64, f64), Wrong> {
        let text = self.with_unit("mass");
        let by_pressure =
            text == "pressure change" || (text.is_empty() && !self.text("volume").is_empty());
        if by_pressure {
            let (mass, std) = self.pressure_change()?;
            // The vessel may be the supplier's; the kind says which way the helium went.
            let mass = if kind == BookingKind::Correction {
                mass
            } else {
                mass.abs()
            };
            return Ok((mass, std));
        }
        let own = split_stated(&text);
        let (value, std) = match own {
            Some((value, std)) => (value.to_owned(), std.to_owned()),
            None => (text.clone(), self.with_unit("std")),
        };
        let (mass, per_unit) = amount(&value).map_err(|error| {
            wrong(
                "mass",
                &error,
                "for example \"42.5 kg\"; metered gas in Nm3 (0 °C, 1 atm), liquid in L liquid (saturated at 1 atm)",
            )
        })?;
        let how = "one standard uncertainty, such as \"0.2 kg\" or \"0.5 %\"";
        if std.is_empty() {
            return Err((
                "it does not say how sure the mass is".into(),
                format!("in std, {how}"),
            ));
        }
        let std = if std.ends_with('%') {
            quantity::parse(&std, QuantityKind::Fraction).map(|(part, _)| part * mass.abs())
        } else if let Some(number) = std
            .strip_suffix(metered(&value))
            .filter(|_| per_unit.is_some())
        {
            quantity::parse(&format!("{number} kg"), QuantityKind::Mass)
                .map(|(number, _)| number * per_unit.unwrap_or(1.0))
        } else {
            quantity::parse(&std, QuantityKind::Mass).map(|(kg, _)| kg)
        }
        .map_err(|error| wrong("std", &error, how))?;
        Ok((mass, std))
    }

    fn pressure_change(&self) -> Result<(f64, f64), Wrong> {
        let volume = self.stated::<Volume>("volume", "\"50 m3 ± 0.25 m3\"")?;
        let air = if self.text("air_pressure").is_empty() {
            None
        } else {
            Some(self.stated::<AbsolutePressure>("air_pressure", "\"1.013 bar(a) ± 0.005 bar\"")?)
        };
        let reading = |pressure: &str, temperature: &str| -> Result<GasReading, Wrong> {
            Ok(GasReading {
                pressure: self.pressure(pressure, air)?,
                temperature: self.stated(temperature, "\"293 K ± 1 K\"")?,
            })
        };
        let common = |name: &str, kind| -> Result<f64, Wrong> {
            let text = self.with_unit(name);
            if text.is_empty() {
                return Ok(0.0);
            }
            quantity::parse(&text, kind)
                .map(|(si, _)| si)
                .map_err(|error| wrong(name, &error, "a standard uncertainty"))
        };
        let gauge = ["p_before", "p_after"]
            .iter()
            .any(|name| self.with_unit(name).contains("(g)"));
        let p_common = common("p_common", QuantityKind::PressureDifference)?;
        // Both gauge readings stand on the same air.
        let air_std = air.filter(|_| gauge).map_or(0.0, |air| air.std);
        let found = by_pressure_change(
            volume,
            &reading("p_before", "t_before")?,
            &reading("p_after", "t_after")?,
            &CommonErrors {
                pressure_pa: libm::hypot(p_common, air_std),
                temperature_k: common("t_common", QuantityKind::TemperatureDifference)?,
            },
        )
        .map_err(|error| {
            (
                "its pressure change gives no mass".to_owned(),
                error.to_string(),
            )
        })?;
        Ok((found.mass.value.si(), found.mass.std))
    }

    fn pressure(
        &self,
        name: &str,
        air: Option<Stated<AbsolutePressure>>,
    ) -> Result<Stated<AbsolutePressure>, Wrong> {
        let text = self.with_unit(name);
        let example = "\"12.4 bar(a) ± 0.02 bar\"";
        if !text.contains("(g)") {
            return self.stated(name, example);
        }
        let air = air.ok_or_else(|| {
            (
                format!("{name} is a gauge pressure, and nothing says what the air had"),
                "the air's pressure in a column air_pressure, such as \"1.013 bar(a) ± 0.005 bar\", or an absolute pressure"
                    .to_owned(),
            )
        })?;
        let (gauge, std) = self.value_and_std(name, QuantityKind::GaugePressure, example)?;
        Ok(Stated {
            value: AbsolutePressure::new(gauge + air.value.si()),
            std,
        })
    }

    fn stated<Q: Quantity>(&self, name: &str, example: &str) -> Result<Stated<Q>, Wrong> {
        let (value, std) = self.value_and_std(name, Q::KIND, example)?;
        Ok(Stated {
            value: Q::from_si(value),
            std,
        })
    }

    fn value_and_std(
        &self,
        name: &str,
        kind: QuantityKind,
        example: &str,
    ) -> Result<(f64, f64), Wrong> {
        let text = self.with_unit(name);
        let Some((value, std)) = split_stated(&text) else {
            return Err((
                format!("{name}: {text:?} is no value with its standard uncertainty"),
                format!("for example {example}"),
            ));
        };
        let wrong = |error: UnitError| wrong(name, &error, &format!("for example {example}"));
        let (value, _) = quantity::parse(value, kind).map_err(wrong)?;
        let std = if std.ends_with('%') {
            quantity::parse(std, QuantityKind::Fraction).map(|(part, _)| part * value.abs())
        } else {
            quantity::parse(std, kind.difference()).map(|(si, _)| si)
        }
        .map_err(wrong)?;
        Ok((value, std))
    }
}

fn wrong(name: &str, error: &UnitError, what_to_do: &str) -> Wrong {
    (format!("{name}: {error}"), what_to_do.to_owned())
}

const METERED: [&str; 2] = ["Nm3", "L liquid"];

fn metered(text: &str) -> &'static str {
    METERED
        .into_iter()
        .find(|unit| text.ends_with(unit))
        .unwrap_or("kg")
}

/// A mass in kg; and how much one of the unit is, where it is a volume in a stated state.
fn amount(text: &str) -> Result<(f64, Option<f64>), UnitError> {
    let unit = metered(text);
    let per_unit = match unit {
        "Nm3" => kg_per_normal_cubic_metre().ok(),
        "L liquid" => kg_per_liquid_litre().ok(),
        _ => None,
    };
    let Some((number, per_unit)) = text.strip_suffix(unit).zip(per_unit) else {
        return quantity::parse(text, QuantityKind::Mass).map(|(kg, _)| (kg, None));
    };
    let (number, _) = quantity::parse(&format!("{number} kg"), QuantityKind::Mass)?;
    Ok((number * per_unit, Some(per_unit)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(header: &str, row: &str) -> Result<Row, BadRow> {
        let mut rows = read(&format!("{header}\n{row}\n")).unwrap();
        assert_eq!(rows.len(), 1);
        rows.remove(0)
    }

    const HEADER: &str = "effective_at,over,kind,mass,std,section,note,id";

    #[test]
    fn reads_a_row_with_its_units() {
        let row = one(
            HEADER,
            "2026-11-03T09:15:00+01:00,45 min,delivery,62.4 kg,0.3 kg,store,\"dewar, 500 L\",DN-1042",
        )
        .unwrap();
        assert_eq!(row.line, 2);
        assert_eq!(
            row.effective_at,
            Timestamp::parse("2026-11-03T08:15:00Z").unwrap()
        );
        assert_eq!(row.over, Span::from_seconds(2700.0));
        assert_eq!(row.kind, BookingKind::Delivery);
        assert!((row.mass_kg - 62.4).abs() < 1e-12 && (row.std_kg - 0.3).abs() < 1e-12);
        assert_eq!((&*row.section, &*row.note), ("store", "dewar, 500 L"));
        assert_eq!(row.id, "DN-1042");
    }

    #[test]
    fn takes_units_from_the_header_and_semicolons() {
        let row = one(
            "\u{feff}effective at;kind;mass [g];std [g];over [h];id",
            "2026-07-03T09:15[Europe/London];metered vent;1250;50;2;V7",
        )
        .unwrap();
        assert_eq!(
            row.effective_at,
            Timestamp::parse("2026-07-03T08:15:00Z").unwrap()
        );
        assert!((row.mass_kg - 1.25).abs() < 1e-12 && (row.std_kg - 0.05).abs() < 1e-12);
        assert_eq!(row.over, Span::from_seconds(7200.0));
    }

    /// `gas_volume_conversions.csv` and `liquid_gas_ratio.csv`.
    #[test]
    fn metered_gas_and_liquid_have_a_stated_state() {
        let at = "2026-11-03T09:15:00Z,,delivery";
        let gas = one(HEADER, &format!("{at},250 Nm3,1 %,,,a")).unwrap();
        assert!((gas.mass_kg / 44.620_291_914_3 - 1.0).abs() < 1e-5);
        assert!((gas.std_kg / gas.mass_kg - 0.01).abs() < 1e-12);
        let liquid = one(HEADER, &format!("{at},500 L liquid ± 5 L liquid,,,,a")).unwrap();
        assert!((liquid.mass_kg / (500.0 * 0.124_669_267_865) - 1.0).abs() < 1e-6);
        assert!((liquid.std_kg / liquid.mass_kg - 0.01).abs() < 1e-12);
    }

    #[test]
    fn a_pressure_change_becomes_a_mass() {
        let header =
            "effective_at,kind,mass,volume,p_before,p_after,t_before,t_after,air_pressure,id";
        let rest = "20 degC ± 0.5 K,293.15 K ± 0.5 K,1.013 bar(a) ± 5 mbar,P1";
        let gauge = one(
            header,
            &format!("2026-11-03T09:15:00Z,delivery,pressure change,50 m3 ± 0.5 %,2 bar(g) ± 5 mbar,9 bar(g) ± 5 mbar,{rest}"),
        )
        .unwrap();
        let absolute = one(
            header,
            &format!("2026-11-03T09:15:00Z,delivery,,50 m3 ± 0.5 %,10.013 bar(a) ± 5 mbar,3.013 bar(a) ± 5 mbar,{rest}"),
        )
        .unwrap();
        // 7 bar in 50 m3 at 20 °C: 57.5 kg as an ideal gas, some tenths less as a real one.
        assert!((57.0..57.5).contains(&gauge.mass_kg), "{}", gauge.mass_kg);
        assert!((gauge.mass_kg - absolute.mass_kg).abs() < 1e-9);
        assert!((0.25..0.5).contains(&gauge.std_kg), "{}", gauge.std_kg);
    }

    #[test]
    fn says_what_is_wrong_with_a_row() {
        for (row, says) in [
            ("2026-11-03T09:15:00,,delivery,1 kg,1 kg,,,a", "time zone"),
            ("yesterday,,delivery,1 kg,1 kg,,,a", "not a date"),
            ("2026-11-03T09:15:00Z,,gift,1 kg,1 kg,,,a", "not a kind"),
            ("2026-11-03T09:15:00Z,,delivery,1,1 kg,,,a", "mass"),
            ("2026-11-03T09:15:00Z,,delivery,1 m3,1 kg,,,a", "mass"),
            ("2026-11-03T09:15:00Z,,delivery,1 kg,,,,a", "how sure"),
            ("2026-11-03T09:15:00Z,,delivery,1 kg,x,,,a", "std"),
            ("2026-11-03T09:15:00Z,1,delivery,1 kg,1 kg,,,a", "over"),
            ("2026-11-03T09:15:00Z,,delivery,1 kg,1 kg,,,", "no id"),
            (
                "2026-11-03T09:15:00Z,,delivery,1 kg,1 kg,,,a b",
                "cannot be an id",
            ),
            ("2026-11-03T09:15:00Z,,delivery,1,5 kg,1 kg,,,a", "9 cells"),
            (
                "2026-11-03T09:15:00Z,,delivery,pressure change,,,,a",
                "volume",
            ),
        ] {
            let bad = one(HEADER, row).unwrap_err();
            assert!(bad.problem.contains(says), "{row}: {bad:?}");
            assert!(!bad.what_to_do.is_empty());
            assert_eq!(bad.line, 2);
        }
    }

    #[test]
    fn a_header_must_say_what_the_columns_are() {
        assert_eq!(read("kind,id\n"), Err(TableError::Missing("effective_at")));
        assert_eq!(
            read("effective_at,kind,id,price\n"),
            Err(TableError::Unknown("price".into()))
        );
        assert_eq!(
            read("effective_at,kind,id,id\n"),
            Err(TableError::Twice("id".into()))
        );
        assert_eq!(read(""), Err(TableError::Missing("effective_at")));
        assert_eq!(
            read("effective_at,kind,id\n\n# nothing\n,,\n"),
            Ok(Vec::new())
        );
    }
}
