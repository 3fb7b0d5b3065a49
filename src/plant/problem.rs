//! What is wrong with a description: where, how badly, and what to write instead.

use std::fmt;

use serde::Serialize;

/// How badly.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// The description cannot be used.
    Error,
    /// The description can be used, but probably says what was not meant.
    Warning,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Error => "error",
            Self::Warning => "warning",
        })
    }
}

/// One thing that is wrong. Sorts by file and line.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Problem {
    /// Name of the file, relative to the description's directory.
    pub file: String,
    /// Line in it, from 1.
    pub line: usize,
    /// How badly.
    pub severity: Severity,
    /// What is wrong.
    pub what: String,
    /// What to write instead.
    pub write: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            file,
            line,
            severity,
            what,
            write,
        } = self;
        write!(f, "{file}:{line}: {severity}: {what}")?;
        if !write.is_empty() {
            write!(f, "\n    write: {write}")?;
        }
        Ok(())
    }
}

/// Everything wrong with a description, sorted by file and line; never empty as an error.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
#[serde(transparent)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// How many of that severity.
    #[must_use]
    pub fn count(&self, severity: Severity) -> usize {
        self.0
            .iter()
            .filter(|problem| problem.severity == severity)
            .count()
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, problem) in self.0.iter().enumerate() {
            if at > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}
