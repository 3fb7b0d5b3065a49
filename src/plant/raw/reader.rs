//! Takes files apart into tables; a fault of form hides nothing but the key it stands in.

use std::collections::BTreeSet;
use std::ops::Range;

use serde::de::DeserializeOwned;
use toml::Spanned;
use toml::de::{DeTable, DeValue, ValueDeserializer};

use super::{
    Alarm, Channel, ChannelKeys, Conductor, Console, CoolDown, CurrentLead, Delivery, Device,
    Entry, Hall, Instrument, Joint, Ledger, Line, Magnet, Section, SharedError, Site, Vessel,
};

/// A fault of form at an offset of a file.
#[derive(Debug)]
pub(in crate::plant) struct Fault {
    pub file: usize,
    pub offset: usize,
    pub what: String,
    pub write: String,
}

/// All tables of all files, in the order of files and lines.
#[derive(Debug, Default)]
pub(in crate::plant) struct Raw {
    pub site: Vec<Entry<Site>>,
    pub shared_error: Vec<Entry<SharedError>>,
    pub device: Vec<Entry<Device>>,
    pub instrument: Vec<Entry<Instrument>>,
    pub channel: Vec<Entry<ChannelKeys>>,
    pub vessel: Vec<Entry<Vessel>>,
    pub section: Vec<Entry<Section>>,
    pub line: Vec<Entry<Line>>,
    pub conductor: Vec<Entry<Conductor>>,
    pub magnet: Vec<Entry<Magnet>>,
    pub joint: Vec<Entry<Joint>>,
    pub current_lead: Vec<Entry<CurrentLead>>,
    pub cool_down: Vec<Entry<CoolDown>>,
    pub ledger: Vec<Entry<Ledger>>,
    pub alarm: Vec<Entry<Alarm>>,
    pub delivery: Vec<Entry<Delivery>>,
    pub console: Vec<Entry<Console>>,
    pub hall: Vec<Entry<Hall>>,
}

const TOP_LEVEL: [&str; 18] = [
    "site",
    "shared-error",
    "device",
    "instrument",
    "channel",
    "vessel",
    "section",
    "line",
    "conductor",
    "magnet",
    "joint",
    "current-lead",
    "cool-down",
    "ledger",
    "alarm",
    "deliveries",
    "console",
    "hall",
];

const CHANNEL_KEYS: [&str; 7] = [
    "id",
    "name",
    "device",
    "register",
    "instrument",
    "section",
    "agrees-with",
];

impl Raw {
    /// Takes every table of one file, and every fault of its form.
    pub fn take(&mut self, file: usize, text: &str, faults: &mut Vec<Fault>) {
        let (document, errors) = DeTable::parse_recoverable(text);
        faults.extend(errors.into_iter().map(|error| Fault {
            file,
            offset: error.span().map_or(0, |span| span.start),
            what: format!("this is not TOML: {}", error.message()),
            write: "mend the line; a quote, bracket or equals sign is often what is missing".into(),
        }));
        for (key, value) in document.into_inner() {
            let start = key.span().start;
            let mut reader = Reader { file, faults };
            match key.get_ref().as_ref() {
                "site" => reader.one("site", value, &mut self.site),
                "console" => reader.one("console", value, &mut self.console),
                "shared-error" => reader.many("shared-error", value, &mut self.shared_error),
                "device" => reader.many("device", value, &mut self.device),
                "section" => reader.many("section", value, &mut self.section),
                "vessel" => reader.many("vessel", value, &mut self.vessel),
                "line" => reader.many("line", value, &mut self.line),
                "conductor" => reader.many("conductor", value, &mut self.conductor),
                "magnet" => reader.many("magnet", value, &mut self.magnet),
                "joint" => reader.many("joint", value, &mut self.joint),
                "current-lead" => reader.many("current-lead", value, &mut self.current_lead),
                "cool-down" => reader.many("cool-down", value, &mut self.cool_down),
                "hall" => reader.many("hall", value, &mut self.hall),
                "ledger" => reader.many("ledger", value, &mut self.ledger),
                "alarm" => reader.many("alarm", value, &mut self.alarm),
                "channel" => reader.channels(value, &mut self.channel),
                "instrument" => reader.named("instrument", value, &mut self.instrument),
                "deliveries" => reader.named("deliveries", value, &mut self.delivery),
                other => {
                    let near = nearest(other, TOP_LEVEL);
                    reader.fault(
                        start,
                        format!("a description has no table {other:?}"),
                        near.map_or_else(
                            || format!("one of {}", TOP_LEVEL.join(", ")),
                            |near| format!("[{near}] or [[{near}]], if that is meant"),
                        ),
                    );
                }
            }
        }
    }
}

/// The nearest of some names, when one is near enough to be meant.
pub(in crate::plant) fn nearest<'n>(
    name: &str,
    known: impl IntoIterator<Item = &'n str>,
) -> Option<&'n str> {
    let limit = (name.chars().count() / 3).max(2);
    known
        .into_iter()
        .map(|candidate| (strsim::damerau_levenshtein(name, candidate), candidate))
        .min()
        .filter(|&(distance, _)| distance <= limit)
        .map(|(_, candidate)| candidate)
}

struct Reader<'f> {
    file: usize,
    faults: &'f mut Vec<Fault>,
}

type Value<'t> = Spanned<DeValue<'t>>;

impl Reader<'_> {
    fn fault(&mut self, offset: usize, what: impl Into<String>, write: impl Into<String>) {
        self.faults.push(Fault {
            file: self.file,
            offset,
            what: what.into(),
            write: write.into(),
        });
    }

    /// `[kind]`
    fn one<T: DeserializeOwned + Default>(
        &mut self,
        kind: &str,
        value: Value<'_>,
        into: &mut Vec<Entry<T>>,
    ) {
        let start = value.span().start;
        match value.into_inner() {
            DeValue::Table(table) => into.push(self.entry(kind, start, table)),
            _ => self.fault(
                start,
                format!("{kind} must be a table"),
                format!("[{kind}] on a line of its own, its keys below"),
            ),
        }
    }

    /// `[[kind]]`
    fn many<T: DeserializeOwned + Default>(
        &mut self,
        kind: &str,
        value: Value<'_>,
        into: &mut Vec<Entry<T>>,
    ) {
        for (start, table) in self.tables(kind, value) {
            let entry = self.entry(kind, start, table);
            into.push(entry);
        }
    }

    /// `[kind.NAME]`
    fn named<T: DeserializeOwned + Default>(
        &mut self,
        kind: &str,
        value: Value<'_>,
        into: &mut Vec<Entry<T>>,
    ) {
        let start = value.span().start;
        let DeValue::Table(table) = value.into_inner() else {
            self.fault(
                start,
                format!("{kind} must hold named tables"),
                format!("[{kind}.NAME] on a line of its own, its keys below"),
            );
            return;
        };
        let first = into.len();
        for (name, value) in table {
            let start = name.span().start;
            match value.into_inner() {
                DeValue::Table(table) => {
                    let mut entry = self.entry(kind, start, table);
                    entry.name = name.get_ref().to_string();
                    into.push(entry);
                }
                _ => self.fault(
                    start,
                    format!("{kind}.{} must be a table", name.get_ref()),
                    format!("[{kind}.NAME] on a line of its own, its keys below"),
                ),
            }
        }
        if let Some(new) = into.get_mut(first..) {
            new.sort_by_key(|entry| entry.start);
        }
    }

    fn channels(&mut self, value: Value<'_>, into: &mut Vec<Entry<ChannelKeys>>) {
        for (start, table) in self.tables("channel", value) {
            let (mut own, mut instrument) = (DeTable::new(), DeTable::new());
            for (key, value) in table {
                if CHANNEL_KEYS.contains(&key.get_ref().as_ref()) {
                    own.insert(key, value);
                } else {
                    instrument.insert(key, value);
                }
            }
            let own: Entry<Channel> = self.entry("channel", start, own);
            let instrument: Entry<Instrument> = self.entry("channel", start, instrument);
            into.push(Entry {
                file: self.file,
                start,
                name: String::new(),
                dropped: own.dropped.into_iter().chain(instrument.dropped).collect(),
                keys: ChannelKeys {
                    own: own.keys,
                    instrument: instrument.keys,
                },
            });
        }
    }

    fn tables<'t>(&mut self, kind: &str, value: Value<'t>) -> Vec<(usize, DeTable<'t>)> {
        let start = value.span().start;
        let mut tables = Vec::new();
        let mut sound = false;
        if let DeValue::Array(array) = value.into_inner() {
            sound = true;
            for element in array {
                let start = element.span().start;
                match element.into_inner() {
                    DeValue::Table(table) => tables.push((start, table)),
                    _ => sound = false,
                }
            }
        }
        if !sound {
            self.fault(
                start,
                format!("every {kind} must be a table of a list"),
                format!("[[{kind}]] (two brackets) above the keys of each"),
            );
        }
        tables
    }

    /// Reads the keys of a table; a key that cannot be read is reported and left out, and the rest
    /// is read again, so that one fault hides no other.
    fn entry<T: DeserializeOwned + Default>(
        &mut self,
        kind: &str,
        start: usize,
        mut table: DeTable<'_>,
    ) -> Entry<T> {
        let mut dropped = BTreeSet::new();
        let keys = loop {
            let value = Spanned::new(start..start, DeValue::Table(table.clone()));
            match T::deserialize(ValueDeserializer::from(value)) {
                Ok(keys) => break keys,
                Err(error) => {
                    let at = error.span().unwrap_or(start..start);
                    let (what, write, meant) = in_words(kind, &error);
                    dropped.extend(meant);
                    if let Some(key) = drop_key(&mut table, &at) {
                        self.fault(at.start, what.replace("{key}", &key), write);
                        dropped.insert(key);
                    } else {
                        self.fault(at.start, what.replace("{key}", kind), write);
                        break T::default();
                    }
                }
            }
        };
        Entry {
            file: self.file,
            start,
            name: String::new(),
            dropped,
            keys,
        }
    }
}

/// Removes the key that the fault stands in, the innermost that is a table's own; tells its name.
fn drop_key(table: &mut DeTable<'_>, at: &Range<usize>) -> Option<String> {
    let covers = |span: Range<usize>| span.start <= at.start && at.end <= span.end;
    let mut found = None;
    for (key, value) in table.iter_mut() {
        let inner = match value.get_mut() {
            DeValue::Table(inner) => drop_key(inner, at),
            DeValue::Array(elements) => {
                elements
                    .iter_mut()
                    .find_map(|element| match element.get_mut() {
                        DeValue::Table(inner) => drop_key(inner, at),
                        _ => None,
                    })
            }
            _ => None,
        };
        if inner.is_some() {
            return inner;
        }
        if covers(key.span()) || covers(value.span()) {
            found = Some(key.get_ref().to_string());
        }
    }
    let found = found?;
    table.remove(found.as_str());
    Some(found)
}

/// The reader's message in words for people, with what to write, and the known key that an unknown
/// one probably means; `{key}` stands for the key.
fn in_words(kind: &str, error: &toml::de::Error) -> (String, String, Option<String>) {
    let message = error.message();
    let mut quoted = message.split('`').skip(1).step_by(2);
    if message.starts_with("unknown field") {
        let unknown = quoted.next().unwrap_or_default();
        let mut known: Vec<&str> = quoted.collect();
        if kind == "channel" && known.contains(&"is") {
            known.extend(CHANNEL_KEYS);
        }
        let meant = nearest(unknown, known.iter().copied());
        let write = meant.map_or_else(
            || format!("one of {}", known.join(", ")),
            |near| format!("{near}, if that is meant"),
        );
        let what = format!("{kind} has no key {unknown:?}");
        return (what, write, meant.map(str::to_owned));
    }
    let expected = message.rsplit_once("expected ").map_or("", |(_, e)| e);
    let write = match expected {
        "a string" => "a text in quotes".to_owned(),
        "a boolean" => "true or false, without quotes".to_owned(),
        "i64" => "a whole number, without quotes".to_owned(),
        "f64" => "a number, without quotes".to_owned(),
        "a sequence" => "a list in brackets".to_owned(),
        other => other.to_owned(),
    };
    (format!("{{key}} cannot be read: {message}"), write, None)
}
