// The table of worst deviations in README.md beside this file, and what holds it to the truth: each
// comparison with a reference file looks its row up, and fails when the figure there is not the one
// just measured. With UPDATE_EXPECTED=1 it writes the row instead.

#![expect(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test that cannot go on fails"
)]

use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());

fn path() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference/README.md")
}

/// `name` is the file, then what of it was compared; `worst` the largest deviation seen.
pub fn hold(name: &str, worst: f64, tolerance: f64) {
    let (stem, what) = name
        .split_once(".csv")
        .expect("a name that begins with its file");
    let (file, what) = (format!("{stem}.csv"), what.trim_start_matches([',', ' ']));
    let stated = stated(worst);
    let tolerance = format!("{tolerance:.0e}");
    let guard = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let text = std::fs::read_to_string(path()).expect("tests/reference/README.md");
    let found = text.lines().find(|line| {
        let cells = cells(line);
        cells.len() == 5 && cells[0] == file && cells[1] == what
    });
    let source = found.map_or("", |line| cells(line)[4]);
    let row = format!("| {file} | {what} | {tolerance} | {stated} | {source} |");
    if found == Some(row.as_str()) {
        return;
    }
    if std::env::var_os("UPDATE_EXPECTED").is_some() {
        let text = match found {
            Some(line) => text.replacen(line, &row, 1),
            None => format!("{text}{row}\n"),
        };
        std::fs::write(path(), text).expect("tests/reference/README.md");
        drop(guard);
        return;
    }
    drop(guard);
    panic!(
        "tests/reference/README.md does not state what was measured.\n  there:    {}\n  measured: {row}\nSet UPDATE_EXPECTED=1, run the test again, and read the change.",
        found.unwrap_or("no such row")
    );
}

/// Two digits, rounded up.
fn stated(worst: f64) -> String {
    if worst == 0.0 {
        return "0".to_owned();
    }
    let text = format!("{worst:.1e}");
    let (mantissa, exponent) = text.split_once('e').expect("scientific form");
    if text.parse::<f64>().expect("a number") >= worst {
        return text;
    }
    let mantissa = mantissa.parse::<f64>().expect("a number") + 0.1;
    format!(
        "{:.1e}",
        format!("{mantissa:.1}e{exponent}")
            .parse::<f64>()
            .expect("a number")
    )
}

fn cells(line: &str) -> Vec<&str> {
    line.trim()
        .trim_matches('|')
        .split('|')
        .map(str::trim)
        .collect()
}
