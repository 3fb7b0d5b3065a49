//! The description as written: one structure per table, every field optional, so that one missing
//! or wrong field hides nothing else. What is due where is decided in [`super::load`].
//!
//! Keys are in kebab-case; unknown keys are problems. Every quantity is a text with its unit.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::ops::Range;

use serde::de::{DeserializeOwned, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer};
use toml::Spanned;
use toml::de::{DeTable, DeValue, ValueDeserializer};

/// A text with its place in the file.
pub(super) type Text = Spanned<String>;
/// A quantity as written, with its place in the file.
pub(super) type Quantity = Spanned<Written>;

/// A quantity as written; a bare number is taken here and refused where its unit is known.
#[derive(Debug, Clone)]
pub(super) struct Written(pub String);

impl<'de> Deserialize<'de> for Written {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct AnyScalar;
        impl Visitor<'_> for AnyScalar {
            type Value = Written;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text with number and unit")
            }
            fn visit_str<E>(self, text: &str) -> Result<Written, E> {
                Ok(Written(text.to_owned()))
            }
            fn visit_i64<E>(self, number: i64) -> Result<Written, E> {
                Ok(Written(number.to_string()))
            }
            fn visit_f64<E>(self, number: f64) -> Result<Written, E> {
                Ok(Written(number.to_string()))
            }
        }
        deserializer.deserialize_any(AnyScalar)
    }
}

/// One word (`"all"`), or a list of texts.
#[derive(Debug, Clone)]
pub(super) enum WordOrList {
    Word(String),
    List(Vec<Text>),
}

impl<'de> Deserialize<'de> for WordOrList {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Either;
        impl<'de> Visitor<'de> for Either {
            type Value = WordOrList;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a word or a list of texts")
            }
            fn visit_str<E>(self, text: &str) -> Result<WordOrList, E> {
                Ok(WordOrList::Word(text.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<WordOrList, A::Error> {
                let mut list = Vec::new();
                while let Some(text) = seq.next_element()? {
                    list.push(text);
                }
                Ok(WordOrList::List(list))
            }
        }
        deserializer.deserialize_any(Either)
    }
}

macro_rules! raw {
    ($($(#[$doc:meta])* $name:ident { $($field:ident: $type:ty,)* })*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Default, Deserialize)]
        #[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
        pub(super) struct $name {
            $(pub(super) $field: Option<$type>,)*
        }
    )*};
}

raw! {
    /// `[site]`
    Site {
        id: Text,
        name: Text,
        time_zone: Text,
        barometer: Text,
        air_pressure: Quantity,
        accepted_loss: Quantity,
        false_alerts_per_year: Spanned<f64>,
        helium_price_per_kg: Quantity,
        local_rules: Text,
    }

    /// `[[shared-error]]`: a source of error that several channels name.
    SharedError {
        id: Text,
        name: Text,
        correlated_over: Quantity,
    }

    /// `[[device]]`
    Device {
        id: Text,
        name: Text,
        tcp: Text,
        unit_id: Spanned<i64>,
        timeout: Quantity,
        gap_limit: Spanned<i64>,
    }

    /// `[instrument.NAME]`, and the same keys in a `[[channel]]`, where they win.
    Instrument {
        is: Text,
        quantity: Text,
        unit: Text,
        format: Text,
        word_order: Text,
        scale: Quantity,
        offset: Quantity,
        current_loop: Spanned<Loop>,
        curve: Text,
        range: Spanned<Vec<Quantity>>,
        interval: Quantity,
        stale_after: Quantity,
        hold: Quantity,
        noise: Quantity,
        signal_noise: Quantity,
        resolution: Quantity,
        calibration: Quantity,
        zero: Quantity,
        slow: Spanned<Slow>,
        shared: Vec<Spanned<Shared>>,
        calibration_valid_to: Text,
    }

    /// `current-loop = { at-4-ma = "...", at-20-ma = "..." }`
    Loop {
        at_4_ma: Quantity,
        at_20_ma: Quantity,
    }

    /// `slow = { std = "...", time = "..." }`
    Slow {
        std: Quantity,
        time: Quantity,
    }

    /// `{ group = "...", std = "..." }`
    Shared {
        group: Text,
        std: Quantity,
    }

    /// `[[channel]]`, apart from the keys of [`Instrument`].
    Channel {
        id: Text,
        name: Text,
        device: Text,
        register: Text,
        instrument: Text,
        section: Text,
    }

    /// `[[vessel]]`
    Vessel {
        id: Text,
        name: Text,
        section: Text,
        outdoors: Spanned<bool>,
        first_mode: Text,
        mode_from: Spanned<ModeFrom>,
        fluid: Spanned<Fluid>,
        bath: Spanned<Bath>,
        bag: Spanned<Bag>,
        unmeasured: Spanned<bool>,
        mode: Vec<Spanned<Mode>>,
    }

    /// `mode-from = { channel = "...", codes = { 1 = "in-use" } }`
    ModeFrom {
        channel: Text,
        codes: BTreeMap<Spanned<String>, Text>,
    }

    /// `[vessel.fluid]`
    Fluid {
        volume: Quantity,
        pressure: Text,
        temperature: Text,
        purity: Text,
    }

    /// `[vessel.bath]`
    Bath {
        shape: Spanned<Shape>,
        volume_std: Quantity,
        level: Spanned<Level>,
        pressure: Text,
        liquid: Text,
        liquid_temperature: Text,
        vapour: Text,
        vapour_temperature: Text,
    }

    /// `[vessel.bath.shape]`: a form with its measures, or a table.
    Shape {
        form: Text,
        diameter: Quantity,
        length: Quantity,
        heads: Text,
        table: Spanned<Vec<Vec<Quantity>>>,
    }

    /// `level = { height = "...", bottom = "..." }` or
    /// `level = { pressure-difference = "...", bottom-tap = "...", top-tap = "..." }`
    Level {
        height: Text,
        bottom: Quantity,
        pressure_difference: Text,
        bottom_tap: Quantity,
        top_tap: Quantity,
    }

    /// `[vessel.bag]`
    Bag {
        volume: Text,
        overpressure: Quantity,
        temperature: Text,
        purity: Text,
    }

    /// `[[vessel.mode]]`
    Mode {
        id: Text,
        holdup: Quantity,
        counts_contents: Spanned<bool>,
    }

    /// `[[section]]`
    Section {
        id: Text,
        name: Text,
    }

    /// `[[line]]`
    Line {
        id: Text,
        name: Text,
        from: Text,
        to: Text,
        state: Text,
        valve: Spanned<Valve>,
        meter: Text,
    }

    /// `valve = { channel = "...", open-above = "..." }`
    Valve {
        channel: Text,
        open_above: Quantity,
    }

    /// `[[ledger]]`
    Ledger {
        at: Text,
        over: Quantity,
        kind: Text,
        mass: Quantity,
        author: Text,
        note: Text,
        section: Text,
    }

    /// `[[alarm]]`
    Alarm {
        id: Text,
        name: Text,
        class: Text,
        priority: Text,
        section: Text,
        above: Spanned<Limit>,
        below: Spanned<Limit>,
        rising: Spanned<Rate>,
        falling: Spanned<Rate>,
        not_usable: Spanned<Vec<Text>>,
        disagreement: Spanned<Disagreement>,
        mass_above: Spanned<MassLimit>,
        mass_below: Spanned<MassLimit>,
        excess_loss: Text,
        unaccounted_loss: Spanned<Unaccounted>,
        device_lost: Text,
        on_delay: Quantity,
        off_delay: Quantity,
        cause: Text,
        consequence: Text,
        response: Text,
        time_to_respond: Quantity,
        caution: Text,
    }

    /// `above = { channel = "...", limit = "...", deadband = "..." }`
    Limit {
        channel: Text,
        limit: Quantity,
        deadband: Quantity,
    }

    /// `rising = { channel = "...", by = "...", within = "..." }`
    Rate {
        channel: Text,
        by: Quantity,
        within: Quantity,
    }

    /// `disagreement = { channels = [...], limit = "...", while-open = [...] }`
    Disagreement {
        channels: Spanned<Vec<Text>>,
        limit: Quantity,
        while_open: Vec<Text>,
    }

    /// `mass-below = { vessel = "...", limit = "...", deadband = "..." }`
    MassLimit {
        vessel: Text,
        limit: Quantity,
        deadband: Quantity,
    }

    /// `unaccounted-loss = { of = "...", over = "...", limit = "..." }`
    Unaccounted {
        of: Text,
        over: Quantity,
        limit: Quantity,
    }

    /// `[deliveries.mqtt]`, `[deliveries.series]`
    Delivery {
        root: Text,
        channels: Spanned<WordOrList>,
        every: Quantity,
        inventory: Spanned<bool>,
        losses: Spanned<bool>,
        alarms: Spanned<bool>,
    }

    /// `[console]`
    Console {
        title: Text,
        loss_unit: Text,
        pinned: Vec<Text>,
    }
}

/// One table of a file: its keys, where it stands, and which keys were unreadable (and reported).
#[derive(Debug, Clone)]
pub(super) struct Entry<T> {
    /// Which file.
    pub file: usize,
    /// Offset of its first byte.
    pub start: usize,
    /// Name in its heading, for tables that have one.
    pub name: String,
    /// Keys that were dropped with a problem, so that they are not also called missing.
    pub dropped: BTreeSet<String>,
    /// The keys.
    pub keys: T,
}

/// A channel's own keys and those that override its instrument.
#[derive(Debug, Clone, Default)]
pub(super) struct ChannelKeys {
    pub own: Channel,
    pub instrument: Instrument,
}

/// A fault of form at an offset of a file.
#[derive(Debug)]
pub(super) struct Fault {
    pub file: usize,
    pub offset: usize,
    pub what: String,
    pub write: String,
}

/// All tables of all files, in the order of files and lines.
#[derive(Debug, Default)]
pub(super) struct Raw {
    pub site: Vec<Entry<Site>>,
    pub shared_error: Vec<Entry<SharedError>>,
    pub device: Vec<Entry<Device>>,
    pub instrument: Vec<Entry<Instrument>>,
    pub channel: Vec<Entry<ChannelKeys>>,
    pub vessel: Vec<Entry<Vessel>>,
    pub section: Vec<Entry<Section>>,
    pub line: Vec<Entry<Line>>,
    pub ledger: Vec<Entry<Ledger>>,
    pub alarm: Vec<Entry<Alarm>>,
    pub delivery: Vec<Entry<Delivery>>,
    pub console: Vec<Entry<Console>>,
}

const TOP_LEVEL: [&str; 12] = [
    "site",
    "shared-error",
    "device",
    "instrument",
    "channel",
    "vessel",
    "section",
    "line",
    "ledger",
    "alarm",
    "deliveries",
    "console",
];

const CHANNEL_KEYS: [&str; 6] = ["id", "name", "device", "register", "instrument", "section"];

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
pub(super) fn nearest<'n>(name: &str, known: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
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
                    let (what, write) = in_words(kind, &error);
                    match drop_key(&mut table, &at) {
                        Some(key) => {
                            self.fault(at.start, what.replace("{key}", &key), write);
                            dropped.insert(key);
                        }
                        None => {
                            self.fault(at.start, what.replace("{key}", kind), write);
                            break T::default();
                        }
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

/// The reader's message in words for people, with what to write; `{key}` stands for the key.
fn in_words(kind: &str, error: &toml::de::Error) -> (String, String) {
    let message = error.message();
    let mut quoted = message.split('`').skip(1).step_by(2);
    if message.starts_with("unknown field") {
        let unknown = quoted.next().unwrap_or_default();
        let mut known: Vec<&str> = quoted.collect();
        if kind == "channel" && known.contains(&"is") {
            known.extend(CHANNEL_KEYS);
        }
        let write = nearest(unknown, known.iter().copied()).map_or_else(
            || format!("one of {}", known.join(", ")),
            |near| format!("{near}, if that is meant"),
        );
        return (format!("{kind} has no key {unknown:?}"), write);
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
    (format!("{{key}} cannot be read: {message}"), write)
}
