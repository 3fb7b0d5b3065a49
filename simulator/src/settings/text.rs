//! Reading the simulator's own files: quantities as text, every problem with file and line.

use std::fmt;

use coldledger::quantity::{Quantity, QuantityKind, parse};
use coldledger::time::Span;
use serde::de::DeserializeOwned;
use toml::Spanned;

/// One thing that is wrong in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Name of the file.
    pub file: String,
    /// Line, counted from 1.
    pub line: usize,
    /// What is wrong, and what to write instead.
    pub text: String,
}

/// All that is wrong in a file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct Problems(pub Vec<Problem>);

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (n, problem) in self.0.iter().enumerate() {
            let end = if n + 1 < self.0.len() { "\n" } else { "" };
            write!(
                f,
                "{}:{}: {}{end}",
                problem.file, problem.line, problem.text
            )?;
        }
        Ok(())
    }
}

/// A file being read, with what was found wrong so far.
pub(crate) struct Reader<'a> {
    file: &'a str,
    source: &'a str,
    problems: Vec<Problem>,
}

/// A text with its place.
pub(crate) type Text = Spanned<String>;

impl<'a> Reader<'a> {
    pub(crate) fn new(file: &'a str, source: &'a str) -> Self {
        Self {
            file,
            source,
            problems: Vec::new(),
        }
    }

    /// The file as its raw form, or what the parser says of it.
    pub(crate) fn raw<T: DeserializeOwned>(&mut self) -> Option<T> {
        match toml::from_str(self.source) {
            Ok(raw) => Some(raw),
            Err(error) => {
                let at = error.span().map_or(0, |span| span.start);
                self.problem_at(at, error.message().to_owned());
                None
            }
        }
    }

    pub(crate) fn problem<T>(&mut self, near: &Spanned<T>, text: impl Into<String>) {
        self.problem_at(near.span().start, text.into());
    }

    fn problem_at(&mut self, at: usize, text: String) {
        let before = self.source.get(..at).unwrap_or(self.source);
        self.problems.push(Problem {
            file: self.file.to_owned(),
            line: before.matches('\n').count() + 1,
            text,
        });
    }

    /// A quantity in SI.
    pub(crate) fn quantity<Q: Quantity>(&mut self, text: &Text) -> Option<f64> {
        self.of_kind(text, Q::KIND)
    }

    /// A quantity of that kind in SI.
    pub(crate) fn of_kind(&mut self, text: &Text, kind: QuantityKind) -> Option<f64> {
        match parse(text.get_ref(), kind) {
            Ok((si, _)) => Some(si),
            Err(error) => {
                self.problem(text, error.to_string());
                None
            }
        }
    }

    /// A quantity per time, such as `15 mbar/day`, in SI per second.
    pub(crate) fn rate(&mut self, text: &Text, kind: QuantityKind) -> Option<f64> {
        // A mass flow is a rate already.
        if kind == QuantityKind::Mass {
            return self.of_kind(text, QuantityKind::MassFlow);
        }
        let parsed = text.get_ref().rsplit_once('/').and_then(|(amount, time)| {
            let (si, _) = parse(amount, kind).ok()?;
            let per = QuantityKind::Duration.unit(time.trim())?;
            Some(si / per.to_si(1.0))
        });
        if parsed.is_none() {
            let example = format!("1.5 {}/day", kind.si_unit().symbol);
            self.problem(
                text,
                format!(
                    "{:?} is not a rate of {}; write for example {example:?}",
                    text.get_ref(),
                    kind.words()
                ),
            );
        }
        parsed
    }

    /// A duration.
    pub(crate) fn span(&mut self, text: &Text) -> Option<Span> {
        let seconds = self.of_kind(text, QuantityKind::Duration)?;
        Some(Span::from_seconds(seconds))
    }

    /// The value, or every problem.
    pub(crate) fn finish<T>(self, value: Option<T>) -> Result<T, Problems> {
        match value {
            Some(value) if self.problems.is_empty() => Ok(value),
            _ => Err(Problems(self.problems)),
        }
    }
}

/// Whether `id` fits a pattern with at most one `*`; gives what the star stands for.
pub(crate) fn fits<'i>(pattern: &str, id: &'i str) -> Option<&'i str> {
    match pattern.split_once('*') {
        None => (pattern == id).then_some(""),
        Some((before, after)) => id.strip_prefix(before)?.strip_suffix(after),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_star_stands_for_any_text() {
        assert_eq!(fits("S*-TT-1", "S4-TT-1"), Some("4"));
        assert_eq!(fits("S*-TT-1", "S4-TT-2"), None);
        assert_eq!(fits("DEWAR", "DEWAR"), Some(""));
    }
}
