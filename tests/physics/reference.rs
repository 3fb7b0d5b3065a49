//! Reading the reference files.
#![expect(
    clippy::panic,
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "test support: a broken reference file must stop the test, and deviations are shown"
)]

#[path = "../reference/table.rs"]
mod table;

use std::collections::BTreeMap;
use std::path::Path;

/// One row: column name to text.
pub struct Row(BTreeMap<String, String>);

impl Row {
    pub fn text(&self, column: &str) -> &str {
        self.0
            .get(column)
            .unwrap_or_else(|| panic!("no column {column}"))
    }

    pub fn number(&self, column: &str) -> f64 {
        let text = self.text(column);
        text.parse()
            .unwrap_or_else(|_| panic!("{column}: {text:?} is not a number"))
    }
}

/// Every row of a file under `tests/reference/`.
pub fn rows(name: &str) -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference")
        .join(name);
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_path(&path)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let headers = reader.headers().unwrap().clone();
    let rows: Vec<Row> = reader
        .records()
        .map(|record| {
            let record = record.unwrap();
            Row(headers
                .iter()
                .zip(record.iter())
                .map(|(name, value)| (name.to_owned(), value.to_owned()))
                .collect())
        })
        .collect();
    assert!(!rows.is_empty(), "{name} holds no rows");
    rows
}

/// The worst deviation seen, with where; prints itself for the table in the README.
pub struct Worst {
    name: String,
    value: f64,
    place: String,
}

impl Worst {
    pub fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            value: 0.0,
            place: String::new(),
        }
    }

    pub fn relative(&mut self, got: f64, expected: f64, place: &str) {
        self.note((got / expected - 1.0).abs(), place);
    }

    pub fn note(&mut self, deviation: f64, place: &str) {
        // Not a number is the worst of all.
        if deviation.is_nan() || deviation > self.value {
            self.value = if deviation.is_nan() {
                f64::INFINITY
            } else {
                deviation
            };
            place.clone_into(&mut self.place);
        }
    }

    pub fn within(self, tolerance: f64) {
        println!(
            "{}: worst {:.2e} at {} (tolerance {tolerance:.0e})",
            self.name, self.value, self.place
        );
        assert!(
            self.value <= tolerance,
            "{}: {:e} at {} exceeds {tolerance:e}",
            self.name,
            self.value,
            self.place
        );
        // What was not compared with a file has no row.
        if self.name.contains(".csv") {
            table::hold(&self.name, self.value, tolerance);
        }
    }
}
