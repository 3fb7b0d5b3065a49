//! Reading of the reference tables in `tests/reference`.

#[path = "../reference/table.rs"]
mod table;

/// A CSV with `#` comment lines above its header.
pub struct Table {
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
}

pub struct Row<'a> {
    columns: &'a [String],
    fields: &'a [String],
}

impl Table {
    pub fn read(name: &str) -> Self {
        let path = format!("{}/tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
        let split = |line: &str| line.split(',').map(|f| f.trim().to_owned()).collect();
        let mut lines = text.lines().filter(|line| !line.starts_with('#'));
        let columns = split(lines.next().expect("a header"));
        let rows: Vec<Vec<String>> = lines.map(split).collect();
        assert!(!rows.is_empty(), "{name} has no rows");
        Self { columns, rows }
    }

    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|fields| Row {
            columns: &self.columns,
            fields,
        })
    }
}

impl Row<'_> {
    pub fn text(&self, column: &str) -> &str {
        let at = self.columns.iter().position(|name| name == column);
        &self.fields[at.unwrap_or_else(|| panic!("no column {column}"))]
    }

    pub fn number(&self, column: &str) -> f64 {
        let text = self.text(column);
        text.parse()
            .unwrap_or_else(|_| panic!("{column}: {text:?}"))
    }
}

/// The worst deviation seen, and a limit it must keep.
pub struct Worst {
    what: &'static str,
    limit: f64,
    largest: f64,
    count: usize,
}

impl Worst {
    pub fn new(what: &'static str, limit: f64) -> Self {
        Self {
            what,
            limit,
            largest: 0.0,
            count: 0,
        }
    }

    pub fn see(&mut self, deviation: f64) {
        assert!(deviation.is_finite(), "{}: {deviation}", self.what);
        self.largest = self.largest.max(deviation.abs());
        self.count += 1;
    }

    pub fn report(self, rows: usize) {
        println!(
            "{}: worst {:.3e} of {:.1e} over {} rows",
            self.what, self.largest, self.limit, self.count
        );
        assert_eq!(self.count, rows, "{}: rows compared", self.what);
        assert!(
            self.largest <= self.limit,
            "{}: {} beyond {}",
            self.what,
            self.largest,
            self.limit
        );
        table::hold(self.what, self.largest, self.limit);
    }
}
