//! The header row of logged data: which column is the time, and which channels the others are.

use crate::console::words::SiteTime;
use crate::plant::{ChannelIx, Plant};
use crate::quantity::{QuantityKind, Unit};
use crate::time::Timestamp;

/// Names of the column of times, in lower case.
const TIME_NAMES: [&str; 7] = ["t", "time", "timestamp", "datetime", "date", "utc", "at"];

/// What the columns are.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    pub time: TimeColumn,
    pub values: Vec<ValueColumn>,
    /// What the reader should know of how the header was understood.
    pub notes: Vec<String>,
}

/// The column of times.
#[derive(Debug, Clone)]
pub(super) struct TimeColumn {
    pub at: usize,
    pub header: String,
    form: TimeForm,
    start: Timestamp,
    site: SiteTime,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum TimeForm {
    /// A number of so many ms each, since the start.
    Count(f64),
    /// A date and time.
    Text,
}

/// The column of one channel.
#[derive(Debug, Clone)]
pub(super) struct ValueColumn {
    pub at: usize,
    pub header: String,
    pub channel: ChannelIx,
    pub form: ValueForm,
}

/// What its numbers are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum ValueForm {
    /// Values in this unit.
    Value(&'static Unit),
    /// The number that the registers hold.
    Raw,
}

/// What is wrong with a header, and what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum HeaderError {
    #[error(
        "no column of times; call it time with dates such as 2026-05-04T07:00:00Z in it, or time_s, time_min, time_h or time_d for a count since the start"
    )]
    NoTime,
    #[error("columns {first:?} and {second:?} are both times; keep one of them")]
    TwoTimes { first: String, second: String },
    #[error(
        "no column has the name of a channel of the description; write the channel's id and its unit, such as {example}"
    )]
    NoChannel { example: String },
    #[error(
        "column {header:?}: {unit:?} is no unit of {kind}; use {known}, or \"raw\" for the number in the registers"
    )]
    Unit {
        header: String,
        unit: String,
        kind: &'static str,
        known: String,
    },
    #[error("columns {first:?} and {second:?} are both channel {channel}; keep one of them")]
    Twice {
        first: String,
        second: String,
        channel: String,
    },
}

impl Columns {
    /// Of a header row.
    pub fn read(headers: &[String], plant: &Plant, start: Timestamp) -> Result<Self, HeaderError> {
        let mut time: Option<TimeColumn> = None;
        let mut values: Vec<ValueColumn> = Vec::new();
        let mut notes = Vec::new();
        for (at, header) in headers.iter().enumerate() {
            let header = header.trim();
            if header.is_empty() {
                continue;
            }
            // A channel may be called "T": what the description names comes first.
            if let Some((channel, unit)) = channel_of(plant, header) {
                let form = form_of(plant, channel, header, unit, &mut notes)?;
                if let Some(before) = values.iter().find(|known| known.channel == channel) {
                    return Err(HeaderError::Twice {
                        first: before.header.clone(),
                        second: header.to_owned(),
                        channel: id_of(plant, channel),
                    });
                }
                values.push(ValueColumn {
                    at,
                    header: header.to_owned(),
                    channel,
                    form,
                });
            } else if let Some(found) = TimeColumn::of(header, at, plant, start) {
                if let Some(before) = &time {
                    return Err(HeaderError::TwoTimes {
                        first: before.header.clone(),
                        second: header.to_owned(),
                    });
                }
                time = Some(found);
            } else {
                notes.push(format!(
                    "column {header:?} is not used: the description has no such channel{}",
                    like(plant, header)
                ));
            }
        }
        let time = time.ok_or(HeaderError::NoTime)?;
        if values.is_empty() {
            let example = plant.all.channel.first().map_or_else(
                || "\"PT-1 [bar(a)]\"".to_owned(),
                |channel| format!("\"{} [{}]\"", channel.id, channel.unit.symbol),
            );
            return Err(HeaderError::NoChannel { example });
        }
        Ok(Self {
            time,
            values,
            notes,
        })
    }
}

impl TimeColumn {
    /// The column of times of that header, if it is one.
    pub fn of(header: &str, at: usize, plant: &Plant, start: Timestamp) -> Option<Self> {
        Some(Self {
            at,
            header: header.to_owned(),
            form: time_form(header)?,
            start,
            site: SiteTime::of(plant),
        })
    }

    /// The time of a cell; `comma` when numbers are written with a decimal comma.
    pub fn parse(&self, text: &str, comma: bool) -> Option<Timestamp> {
        let text = text.trim();
        match self.form {
            TimeForm::Count(ms) => {
                let count = number(text, comma).filter(|n| n.is_finite())?;
                let offset = count * ms;
                // Beyond this the calendar ends.
                (offset.abs() < 2.0e14)
                    .then(|| self.start + crate::time::Span::from_seconds(offset / 1e3))
            }
            TimeForm::Text => Timestamp::parse(text)
                .ok()
                .or_else(|| self.site.parse_local(&text.replacen(' ', "T", 1))),
        }
    }

    /// Whether times are counted rather than dated.
    pub fn counts(&self) -> bool {
        self.form != TimeForm::Text
    }
}

/// A number, with a decimal comma where the file has them.
pub(super) fn number(text: &str, comma: bool) -> Option<f64> {
    let text = text.trim();
    text.parse().ok().or_else(|| {
        comma
            .then(|| text.replacen(',', ".", 1).parse().ok())
            .flatten()
    })
}

/// Whether a cell says that nothing was measured.
pub(super) fn says_nothing(text: &str) -> bool {
    let text = text.trim();
    text.is_empty()
        || ["nan", "null", "none", "na", "n/a", "-", "--", "bad", "#n/a"]
            .iter()
            .any(|word| text.eq_ignore_ascii_case(word))
}

fn id_of(plant: &Plant, channel: ChannelIx) -> String {
    plant
        .channel(channel)
        .map_or_else(String::new, |channel| channel.id.to_string())
}

fn time_form(header: &str) -> Option<TimeForm> {
    if header.trim().eq_ignore_ascii_case("effective_at") {
        return Some(TimeForm::Text);
    }
    let (name, unit) = split_unit(header);
    let name = name.to_ascii_lowercase();
    if !TIME_NAMES.contains(&name.as_str()) {
        return None;
    }
    Some(match unit.map(str::to_ascii_lowercase).as_deref() {
        Some("ms") => TimeForm::Count(1.0),
        Some("s" | "unix") => TimeForm::Count(1e3),
        Some("min") => TimeForm::Count(60e3),
        Some("h") => TimeForm::Count(3600e3),
        Some("d" | "day" | "days") => TimeForm::Count(86_400e3),
        None | Some("utc" | "iso" | "") => TimeForm::Text,
        Some(_) => return None,
    })
}

/// Name and unit of `name_unit`, `name [unit]`, `name (unit)` and `name unit`.
fn split_unit(header: &str) -> (&str, Option<&str>) {
    let header = header.trim();
    for (open, close) in [('[', ']'), ('(', ')')] {
        if let Some((name, rest)) = header.split_once(open)
            && let Some(unit) = rest.strip_suffix(close)
            && !name.trim().is_empty()
        {
            return (name.trim(), Some(unit.trim()));
        }
    }
    match header.rsplit_once(['_', ' ']) {
        Some((name, unit)) if !name.is_empty() => (name.trim(), Some(unit.trim())),
        _ => (header, None),
    }
}

/// The channel whose id a header begins with, and what follows it; the longest such id.
fn channel_of<'h>(plant: &Plant, header: &'h str) -> Option<(ChannelIx, Option<&'h str>)> {
    (0u32..)
        .zip(&plant.all.channel)
        .filter_map(|(number, channel)| {
            let rest = header.strip_prefix(&*channel.id)?;
            let unit = unit_after(rest)?;
            Some((channel.id.len(), ChannelIx(number), unit))
        })
        .max_by_key(|(length, _, _)| *length)
        .map(|(_, channel, unit)| (channel, unit))
}

/// The unit in what follows an id; none when that is no unit at all.
#[expect(
    clippy::option_option,
    reason = "nothing there, or something else there"
)]
fn unit_after(rest: &str) -> Option<Option<&str>> {
    let parted = rest.starts_with([' ', '_', '/']);
    let rest = rest.trim_start_matches([' ', '_', '/']).trim_end();
    if rest.is_empty() {
        return Some(None);
    }
    for (open, close) in [('[', ']'), ('(', ')')] {
        if let Some(unit) = rest
            .strip_prefix(open)
            .and_then(|rest| rest.strip_suffix(close))
        {
            return Some(Some(unit.trim()));
        }
    }
    parted.then_some(Some(rest))
}

fn form_of(
    plant: &Plant,
    ix: ChannelIx,
    header: &str,
    unit: Option<&str>,
    notes: &mut Vec<String>,
) -> Result<ValueForm, HeaderError> {
    let Some(channel) = plant.channel(ix) else {
        return Ok(ValueForm::Raw);
    };
    let Some(symbol) = unit else {
        if channel.unit.symbol != "1" {
            notes.push(format!(
                "column {header:?} names no unit: taken as {}, the channel's own",
                channel.unit.symbol
            ));
        }
        return Ok(ValueForm::Value(channel.unit));
    };
    if symbol.eq_ignore_ascii_case("raw") {
        return Ok(ValueForm::Raw);
    }
    if let Some(unit) = unit_named(channel.kind, symbol) {
        return Ok(ValueForm::Value(unit));
    }
    // A pressure without (a) or (g) is what the description says that the channel measures.
    let suffix = match channel.kind {
        QuantityKind::AbsolutePressure => Some("(a)"),
        QuantityKind::GaugePressure => Some("(g)"),
        _ => None,
    };
    if let Some(suffix) = suffix
        && let Some(unit) = unit_named(channel.kind, &format!("{symbol}{suffix}"))
    {
        notes.push(format!(
            "column {header:?}: {symbol} taken as {}, since the description says that {} measures {}",
            unit.symbol,
            channel.id,
            channel.kind.words()
        ));
        return Ok(ValueForm::Value(unit));
    }
    let known: Vec<&str> = channel.kind.units().map(|unit| unit.symbol).collect();
    Err(HeaderError::Unit {
        header: header.to_owned(),
        unit: symbol.to_owned(),
        kind: channel.kind.words(),
        known: known.join(", "),
    })
}

/// A unit by its symbol as people also write it.
fn unit_named(kind: QuantityKind, symbol: &str) -> Option<&'static Unit> {
    let plain = match symbol {
        "litre" | "liter" | "l" => "L",
        "C" | "celsius" => "degC",
        "percent" | "pct" => "%",
        "m³" | "m^3" => "m3",
        "kg/m³" => "kg/m3",
        "Ω" | "Ohm" => "ohm",
        "" => "1",
        other => other,
    };
    // Names of columns in many programs hold no stroke.
    kind.unit(plain)
        .or_else(|| kind.unit(&plain.replace("_per_", "/").replace("per", "/")))
}

/// The nearest id, for a message.
fn like(plant: &Plant, header: &str) -> String {
    let (name, _) = split_unit(header);
    plant
        .all
        .channel
        .iter()
        .map(|channel| {
            let near =
                strsim::jaro_winkler(&channel.id.to_ascii_lowercase(), &name.to_ascii_lowercase());
            (near, &channel.id)
        })
        .filter(|(near, _)| *near > 0.9)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(String::new, |(_, id)| format!(" (is {id} meant?)"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{files, load};

    fn plant() -> Plant {
        let directory = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/tarn-hollow");
        load(&files::read(&directory).unwrap()).unwrap()
    }

    fn read(headers: &[&str]) -> Result<Columns, HeaderError> {
        let headers: Vec<String> = headers.iter().map(ToString::to_string).collect();
        Columns::read(&headers, &plant(), Timestamp::from_millis(0))
    }

    #[test]
    fn channels_are_known_by_id_however_the_unit_is_written() {
        let plant = plant();
        for (header, symbol) in [
            ("GT1-PT-401 [bar(g)]", "bar(g)"),
            ("GT1-PT-401_mbar(g)", "mbar(g)"),
            ("GT1-PT-401 (kPa)", "kPa(g)"),
            ("GT1-PT-401", "bar(g)"),
        ] {
            let columns = read(&["time", header]).unwrap();
            let value = &columns.values[0];
            assert_eq!(
                &*plant.channel(value.channel).unwrap().id,
                "GT1-PT-401",
                "{header}"
            );
            match value.form {
                ValueForm::Value(unit) => assert_eq!(unit.symbol, symbol, "{header}"),
                ValueForm::Raw => panic!("{header}"),
            }
        }
        let columns = read(&["time_s", "GT1-PT-401 raw", "notes", "gt1-pt-401 [bar(g)]"]).unwrap();
        assert_eq!(columns.values.len(), 1);
        assert_eq!(columns.values[0].form, ValueForm::Raw);
        assert!(
            columns.notes[1].contains("GT1-PT-401"),
            "{:?}",
            columns.notes
        );
    }

    #[test]
    fn what_a_header_lacks_is_said() {
        assert_eq!(read(&["GT1-PT-401"]).unwrap_err(), HeaderError::NoTime);
        assert!(matches!(
            read(&["time", "x"]),
            Err(HeaderError::NoChannel { .. })
        ));
        // Gauge is never taken for absolute.
        assert!(matches!(
            read(&["time", "GT1-PT-401 [bar(a)]"]),
            Err(HeaderError::Unit { .. })
        ));
        assert!(matches!(
            read(&["t_s", "time", "GT1-PT-401"]),
            Err(HeaderError::TwoTimes { .. })
        ));
        assert!(matches!(
            read(&["t_s", "GT1-PT-401", "GT1-PT-401 raw"]),
            Err(HeaderError::Twice { .. })
        ));
    }

    #[test]
    fn times_are_counted_or_dated() {
        let hours = read(&["t_h", "GT1-PT-401"]).unwrap().time;
        assert_eq!(
            hours.parse("1,5", true),
            Some(Timestamp::from_millis(5_400_000))
        );
        assert_eq!(hours.parse("1,5", false), None);
        let dated = read(&["Time", "GT1-PT-401"]).unwrap().time;
        let summer = Timestamp::parse("2026-07-01T12:00:00Z").ok();
        assert_eq!(dated.parse("2026-07-01T12:00:00Z", false), summer);
        // Without a zone it is the site's own time.
        assert_eq!(dated.parse("2026-07-01 13:00:00", false), summer);
        assert_eq!(dated.parse("yesterday", false), None);
    }
}
