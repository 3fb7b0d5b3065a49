//! What every part of the loader needs: where to put a problem, and how to read one field.

use std::collections::BTreeMap;

use toml::Spanned;

use crate::plant::files::SourceFile;
use crate::plant::model::Stated;
use crate::plant::problem::{Problem, Problems, Severity};
use crate::plant::raw::{Entry, Quantity, Text, Written, nearest};
use crate::quantity::{self, QuantityKind, Unit, UnitError, split_stated};
use crate::time::Span;

/// A place in a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub file: usize,
    pub offset: usize,
}

/// The files, and the problems found in them so far.
pub(super) struct Context<'f> {
    files: &'f [SourceFile],
    problems: Vec<Problem>,
}

/// One table while it is read: what to call it in a message, and where it stands.
pub(super) struct Here<'e, T> {
    pub entry: &'e Entry<T>,
    /// Such as `channel "S1-TT-101"`.
    pub called: String,
}

impl<T> Here<'_, T> {
    /// The heading of the table.
    pub fn place(&self) -> Place {
        Place {
            file: self.entry.file,
            offset: self.entry.start,
        }
    }

    /// A field of the table.
    pub fn at<F>(&self, field: &Spanned<F>) -> Place {
        Place {
            file: self.entry.file,
            offset: field.span().start,
        }
    }
}

impl<'f> Context<'f> {
    pub fn new(files: &'f [SourceFile]) -> Self {
        Self {
            files,
            problems: Vec::new(),
        }
    }

    pub fn error(&mut self, at: Place, what: impl Into<String>, write: impl Into<String>) {
        self.put(at, Severity::Error, what.into(), write.into());
    }

    pub fn warning(&mut self, at: Place, what: impl Into<String>, write: impl Into<String>) {
        self.put(at, Severity::Warning, what.into(), write.into());
    }

    fn put(&mut self, at: Place, severity: Severity, what: String, write: String) {
        let (file, line) = match self.files.get(at.file) {
            Some(file) => (file.name.clone(), line_of(&file.text, at.offset)),
            None => (String::new(), 1),
        };
        self.problems.push(Problem {
            file,
            line,
            severity,
            what,
            write,
        });
    }

    /// A problem in a line of a file that is not TOML.
    pub fn error_in_line(&mut self, file: &str, line: usize, what: String, write: String) {
        self.problems.push(Problem {
            file: file.to_owned(),
            line,
            severity: Severity::Error,
            what,
            write,
        });
    }

    pub fn has_errors(&self) -> bool {
        self.problems
            .iter()
            .any(|problem| problem.severity == Severity::Error)
    }

    pub fn into_problems(mut self) -> Problems {
        self.problems.sort();
        self.problems.dedup();
        Problems(self.problems)
    }

    /// "file.toml:12", for a message that points to a second place.
    pub fn name_of(&self, at: Place) -> String {
        self.files.get(at.file).map_or_else(String::new, |file| {
            format!("{}:{}", file.name, line_of(&file.text, at.offset))
        })
    }

    /// A field that must be there.
    pub fn need<'r, T, F>(
        &mut self,
        here: &Here<'_, T>,
        field: Option<&'r Spanned<F>>,
        key: &str,
        example: &str,
    ) -> Option<&'r Spanned<F>> {
        if field.is_none() {
            self.missing(here, here.place(), key, example);
        }
        field
    }

    /// Says that a field is missing, unless it was there and unreadable.
    pub fn missing<T>(&mut self, here: &Here<'_, T>, at: Place, key: &str, example: &str) {
        if !here.entry.dropped.contains(key) {
            self.error(
                at,
                format!("{} has no {key}", here.called),
                format!("{key} = {example}"),
            );
        }
    }

    /// A key of an inline table, which must be there.
    pub fn part<'p, T, P, F>(
        &mut self,
        here: &Here<'_, T>,
        part: Option<&'p Spanned<P>>,
        table: &Spanned<F>,
        key: &str,
        example: &str,
    ) -> Option<&'p Spanned<P>> {
        if part.is_none() {
            self.missing(here, here.at(table), key, example);
        }
        part
    }

    /// A text that must be there and say something.
    pub fn text<T>(
        &mut self,
        here: &Here<'_, T>,
        field: Option<&Text>,
        key: &str,
        example: &str,
    ) -> Option<String> {
        let field = self.need(here, field, key, example)?;
        let text = field.get_ref().trim();
        if text.is_empty() {
            self.error(
                here.at(field),
                format!("{key} of {} is empty", here.called),
                format!("{key} = {example}"),
            );
            return None;
        }
        Some(text.to_owned())
    }

    /// One of a few words.
    pub fn word<T, W: Copy>(
        &mut self,
        here: &Here<'_, T>,
        field: &Text,
        key: &str,
        words: &[(&str, W)],
    ) -> Option<W> {
        let text = field.get_ref();
        let found = words.iter().find(|(word, _)| word == text);
        if found.is_none() {
            let known: Vec<_> = words.iter().map(|(word, _)| format!("{word:?}")).collect();
            self.error(
                here.at(field),
                format!("{text:?} is not a {key}"),
                format!("{key} = {}", known.join(" or ")),
            );
        }
        found.map(|&(_, word)| word)
    }

    /// A quantity with its unit.
    pub fn quantity<T>(
        &mut self,
        here: &Here<'_, T>,
        field: &Quantity,
        key: &str,
        kind: QuantityKind,
    ) -> Option<f64> {
        self.with_unit(here.at(field), &field.get_ref().0, key, kind)
            .map(|(si, _)| si)
    }

    /// A quantity with its unit, at a place.
    pub fn with_unit(
        &mut self,
        at: Place,
        text: &str,
        key: &str,
        kind: QuantityKind,
    ) -> Option<(f64, &'static Unit)> {
        match quantity::parse(text, kind) {
            Ok(parsed) => Some(parsed),
            Err(UnitError::MissingUnit { text, kind }) => {
                let known: Vec<_> = kind.units().map(|unit| unit.symbol).collect();
                self.error(
                    at,
                    format!("{key}: {text:?} has no unit"),
                    format!(
                        "{} in quotes with its unit, one of {}",
                        with_article(kind.words()),
                        known.join(", ")
                    ),
                );
                None
            }
            Err(error) => {
                let message = error.to_string();
                let (what, write) = message.split_once("; ").unwrap_or((&message, ""));
                let write = write
                    .trim_start_matches("write ")
                    .trim_start_matches("use ")
                    .to_owned();
                self.error(at, format!("{key}: {what}"), write);
                None
            }
        }
    }

    /// A quantity above zero (or at zero, where that makes sense).
    pub fn positive<T>(
        &mut self,
        here: &Here<'_, T>,
        field: &Quantity,
        key: &str,
        kind: QuantityKind,
        zero_allowed: bool,
    ) -> Option<f64> {
        let value = self.quantity(here, field, key, kind)?;
        if value > 0.0 || (zero_allowed && value == 0.0) {
            return Some(value);
        }
        let bound = if zero_allowed {
            "must not be below zero"
        } else {
            "must be above zero"
        };
        self.error(
            here.at(field),
            format!(
                "{key} of {} is {:?}, but it {bound}",
                here.called,
                field.get_ref().0
            ),
            format!("a larger {key}"),
        );
        None
    }

    /// A duration above zero.
    pub fn span<T>(&mut self, here: &Here<'_, T>, field: &Quantity, key: &str) -> Option<Span> {
        self.positive(here, field, key, QuantityKind::Duration, false)
            .map(Span::from_seconds)
    }

    /// A value with its standard uncertainty, such as `"600 L ± 3 L"` or `"600 L ± 0.5 %"`.
    pub fn stated<T, Q: quantity::Quantity>(
        &mut self,
        here: &Here<'_, T>,
        field: &Quantity,
        key: &str,
    ) -> Option<Stated<Q>> {
        let at = here.at(field);
        self.stated_text(at, &field.get_ref().0, key)
    }

    /// As [`Self::stated`], at a place.
    pub fn stated_text<Q: quantity::Quantity>(
        &mut self,
        at: Place,
        text: &str,
        key: &str,
    ) -> Option<Stated<Q>> {
        let kind = Q::KIND;
        let Some((value, std)) = split_stated(text) else {
            // A wrong unit is the nearer fault than a missing uncertainty.
            let (_, unit) = self.with_unit(at, text, key, kind)?;
            self.error(
                at,
                format!("{key}: {text:?} does not say how sure it is"),
                format!(
                    "\"{} ± ... {}\", with its standard uncertainty (k = 1)",
                    text.trim(),
                    unit_of_difference(unit, kind)
                ),
            );
            return None;
        };
        let value = self.with_unit(at, value, key, kind).map(|(si, _)| si);
        let relative = kind != QuantityKind::Fraction && std.ends_with('%');
        let std = if relative {
            self.with_unit(at, std, key, QuantityKind::Fraction)
                .and_then(|(part, _)| value.map(|value| part * value.abs()))
        } else {
            self.with_unit(at, std, key, kind.difference())
                .map(|(si, _)| si)
        };
        let (value, std) = (value?, std?);
        if std < 0.0 {
            self.error(
                at,
                format!("{key}: the uncertainty in {text:?} is below zero"),
                "the uncertainty without its sign",
            );
            return None;
        }
        Some(Stated {
            value: Q::from_si(value),
            std,
        })
    }

    /// The position of an id; an unknown one is a problem that names the nearest known one.
    pub fn find(&mut self, at: Place, id: &str, kind: &str, ids: &Ids) -> Option<u32> {
        let found = ids.by_id.get(id).map(|&(ix, _)| ix);
        if found.is_none() {
            let write = nearest(id, ids.by_id.keys().map(String::as_str)).map_or_else(
                || format!("the id of a {kind}, or a [[{kind}]] of that id"),
                |near| format!("{near:?}, if that is meant"),
            );
            self.error(at, format!("there is no {kind} {id:?}"), write);
        }
        found
    }
}

/// "a length", "an absolute pressure".
pub(super) fn with_article(words: &str) -> String {
    let article = if words.starts_with(['a', 'e', 'i', 'o', 'u']) {
        "an"
    } else {
        "a"
    };
    format!("{article} {words}")
}

pub(super) fn unit_of_difference(unit: &'static Unit, kind: QuantityKind) -> &'static str {
    if kind.difference() == kind {
        return unit.symbol;
    }
    kind.difference()
        .units()
        .find(|difference| difference.scale == unit.scale)
        .map_or(kind.difference().si_unit().symbol, |found| found.symbol)
}

/// The ids of one kind of thing, each with its position and place.
#[derive(Debug, Default)]
pub(super) struct Ids {
    by_id: BTreeMap<String, (u32, Place)>,
}

impl Ids {
    /// Gathers the ids of a kind; missing, malformed and repeated ones are problems.
    pub fn gather<'e, T: 'e>(
        context: &mut Context<'_>,
        kind: &str,
        entries: &'e [Entry<T>],
        id_of: impl Fn(&'e Entry<T>) -> Option<(&'e str, usize)>,
    ) -> Self {
        let mut ids = Self::default();
        for (ix, entry) in (0u32..).zip(entries) {
            let heading = Place {
                file: entry.file,
                offset: entry.start,
            };
            let Some((id, offset)) = id_of(entry) else {
                if !entry.dropped.contains("id") {
                    context.error(
                        heading,
                        format!("a {kind} has no id"),
                        "id = \"...\", short, as on the drawing",
                    );
                }
                continue;
            };
            let place = Place {
                file: entry.file,
                offset,
            };
            if !is_id(id) {
                context.error(
                    place,
                    format!("{id:?} cannot be the id of a {kind}"),
                    "at most 64 letters, digits, dots, dashes or underscores, since ids stand in topics and addresses",
                );
            }
            if let Some(&(_, first)) = ids.by_id.get(id) {
                let first = context.name_of(first);
                context.error(
                    place,
                    format!("the {kind} {id:?} stands already in {first}"),
                    "another id, or drop one of the two",
                );
            } else {
                ids.by_id.insert(id.to_owned(), (ix, place));
            }
        }
        ids
    }

    pub fn contains(&self, id: &str) -> bool {
        self.by_id.contains_key(id)
    }
}

pub(super) fn is_id(id: &str) -> bool {
    (1..=64).contains(&id.len())
        && id
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'))
}

/// Line of an offset, from 1.
fn line_of(text: &str, offset: usize) -> usize {
    1 + text
        .bytes()
        .take(offset)
        .filter(|&byte| byte == b'\n')
        .count()
}

/// A place-holder field for texts that have no field of their own.
pub(super) fn written(text: &Text) -> Quantity {
    Spanned::new(text.span(), Written(text.get_ref().clone()))
}
