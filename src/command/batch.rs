//! CSV in, CSV out: each row as it came, with its answer behind it.

use std::io::{self, BufRead, BufReader, Read, Write};

/// Why a whole batch failed; what concerns one row stands in that row.
#[derive(Debug, thiserror::Error)]
pub enum BatchError {
    /// The CSV lacks a column.
    #[error("the input has no column {column}; its first line names: {found}")]
    MissingColumn {
        /// What is needed, in words.
        column: &'static str,
        /// What the header names.
        found: String,
    },
    /// Reading or writing CSV failed.
    #[error("CSV on standard input or output: {0}")]
    Csv(#[from] csv::Error),
    /// Writing failed.
    #[error("writing the answer: {0}")]
    Write(#[from] io::Error),
}

/// The columns that the first line names.
pub struct Header {
    names: Vec<String>,
}

impl Header {
    /// Where a column stands.
    #[must_use]
    pub fn find(&self, column: &str) -> Option<usize> {
        self.names.iter().position(|name| name == column)
    }

    /// As [`Self::find`], when it cannot do without.
    ///
    /// # Errors
    /// [`BatchError::MissingColumn`].
    pub fn need(&self, column: &'static str) -> Result<usize, BatchError> {
        self.find(column).ok_or_else(|| self.missing(column))
    }

    /// The error that says which column is missing.
    #[must_use]
    pub fn missing(&self, column: &'static str) -> BatchError {
        let found = self.names.join(", ");
        BatchError::MissingColumn {
            column,
            found: if found.is_empty() {
                "nothing, since it is empty".to_owned()
            } else {
                found
            },
        }
    }
}

/// The answer of one row, from its fields; as many texts as there are output columns.
pub type Answer<'a> = Box<dyn FnMut(&Fields<'_>) -> Vec<String> + 'a>;

/// The fields of one row.
pub struct Fields<'a>(&'a [String]);

impl Fields<'_> {
    /// The field of a column found in the header; empty when there is none.
    #[must_use]
    pub fn get(&self, place: usize) -> &str {
        self.0.get(place).map_or("", String::as_str)
    }
}

/// Reads CSV and writes each row with its answer behind it. `plan` looks at the header and says which
/// columns come out, the last of them the problem, and how a row is answered.
///
/// # Errors
/// [`BatchError`], only for what concerns the whole of it.
pub fn run<'a>(
    input: impl Read,
    output: impl Write,
    plan: impl FnOnce(&Header) -> Result<(Vec<&'static str>, Answer<'a>), BatchError>,
) -> Result<(), BatchError> {
    // Without quoting a stray quotation mark spoils its own row and not all that follow, so a line is
    // a row.
    let mut lines = BufReader::new(input).split(b'\n');
    let mut writer = csv::WriterBuilder::new().flexible(true).from_writer(output);
    let header = Header {
        names: match lines.find(|line| line.as_ref().map_or(true, |line| !is_blank(line))) {
            Some(line) => cells(&line?),
            None => Vec::new(),
        },
    };
    let (outputs, mut answer) = plan(&header)?;
    let width = header.names.len();
    writer.write_record(
        header
            .names
            .iter()
            .map(String::as_str)
            .chain(outputs.iter().copied()),
    )?;
    // In a file of one column a blank line is a row with nothing in it; but not at the end.
    let mut blank = 0_usize;
    for line in lines {
        let line = line?;
        if is_blank(&line) {
            blank += usize::from(width == 1);
            continue;
        }
        for cells in (0..blank)
            .map(|_| vec![String::new()])
            .chain([cells(&line)])
        {
            write_row(&mut writer, cells, width, outputs.len(), &mut answer)?;
        }
        blank = 0;
    }
    writer.flush()?;
    Ok(())
}

fn write_row(
    writer: &mut csv::Writer<impl Write>,
    mut cells: Vec<String>,
    width: usize,
    outputs: usize,
    answer: &mut Answer<'_>,
) -> Result<(), BatchError> {
    let answered = if cells.len() == width {
        answer(&Fields(&cells))
    } else {
        let mut row = vec![String::new(); outputs.saturating_sub(1)];
        row.push(format!(
            "the row has {} fields where the first line names {width}",
            cells.len()
        ));
        row
    };
    cells.resize(width, String::new());
    writer.write_record(cells.iter().chain(&answered))?;
    Ok(())
}

fn is_blank(line: &[u8]) -> bool {
    line.trim_ascii().is_empty()
}

fn cells(line: &[u8]) -> Vec<String> {
    line.trim_ascii_end()
        .split(|&byte| byte == b',')
        .map(cell)
        .collect()
}

/// A field as text: bytes that are no text are replaced, outer quotation marks and a byte-order mark
/// are dropped.
fn cell(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes)
        .trim_start_matches('\u{feff}')
        .trim()
        .trim_matches('"')
        .to_owned()
}
