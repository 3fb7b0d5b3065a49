//! Items as lines of the InfluxDB line protocol.
//!
//! **Source**: the line protocol's public documentation: `measurement,tag=value field=value time`;
//! commas, spaces and equals signs escaped by a backslash; a tag without value is not allowed; no
//! field may be NaN or infinite, so such fields are left out, and a line without fields as well.

use std::fmt::Write;

use super::encode::signed_mass_kg;
use super::outbox::{Delivered, Item, MassOf};
use crate::engine::{AlarmState, LossReport};
use crate::plant::{AlarmClass, Priority};
use crate::quantity::Quality;

const SECONDS_PER_DAY: f64 = 86_400.0;

/// The lines of an item, none when its wall time is not known or nothing finite is left.
#[must_use]
pub fn lines(site: &str, delivered: &Delivered) -> Vec<String> {
    let Some(at) = delivered.stamp.utc else {
        return Vec::new();
    };
    let new = |measurement| {
        let mut line = Line::new(measurement);
        line.tag("site", site);
        line.tag("revision", &delivered.provenance.revision.to_string());
        line.tag("epoch", &delivered.stamp.epoch.to_string());
        line
    };
    let lines = match &delivered.item {
        Item::Channel(figure) => {
            let mut line = new("channel");
            line.tag("id", &figure.id);
            line.tag("unit", &figure.unit);
            if figure.quality != Quality::Bad {
                line.number("value", figure.value);
                line.number("std", figure.std);
            }
            line.quality(figure.quality, figure.reason.words());
            vec![line]
        }
        Item::Mass(of, figure) => {
            let mut line = new("mass");
            let (scope, id) = match of {
                MassOf::Plant => ("plant", ""),
                MassOf::Section(id) => ("section", &**id),
                MassOf::Vessel(id) => ("vessel", &**id),
            };
            line.tag("scope", scope);
            line.tag("id", id);
            line.tag("unit", "kg");
            if figure.quality != Quality::Bad {
                line.number("value", Some(figure.mass_kg));
                line.number("std", Some(figure.std_kg));
            }
            line.quality(figure.quality, figure.reason.words());
            vec![line]
        }
        Item::Loss(report) => loss(report, new),
        Item::Alarm(alarm) => {
            let mut line = new("alarm");
            line.tag("id", &alarm.transition.alarm);
            line.tag(
                "class",
                match alarm.class {
                    AlarmClass::Alarm => "alarm",
                    AlarmClass::Alert => "alert",
                },
            );
            line.tag(
                "priority",
                match alarm.priority {
                    Priority::High => "high",
                    Priority::Medium => "medium",
                    Priority::Low => "low",
                },
            );
            line.text("state", alarm.transition.to.words());
            line.integer("annunciated", annunciated(alarm.transition.to));
            line.text("detail", &alarm.transition.detail);
            vec![line]
        }
        Item::Booked(entry) => {
            let mut line = new("ledger");
            line.tag("id", &entry.id);
            line.tag("kind", entry.booking.kind.words());
            line.tag("unit", "kg");
            line.number("value", Some(signed_mass_kg(entry)));
            line.number("std", Some(entry.booking.mass.std));
            line.integer("effective_at_ms", entry.booking.effective_at.millis());
            line.text("author", &entry.booking.author);
            vec![line]
        }
    };
    lines
        .into_iter()
        .filter_map(|line| line.finish(at.millis()))
        .collect()
}

/// 1 while the alarm's cause stands or nobody has acknowledged it, 0 when it needs nobody.
fn annunciated(state: AlarmState) -> i64 {
    match state {
        AlarmState::Unacknowledged
        | AlarmState::Acknowledged
        | AlarmState::ReturnedUnacknowledged => 1,
        AlarmState::Normal
        | AlarmState::Shelved
        | AlarmState::Suppressed
        | AlarmState::OutOfService => 0,
    }
}

fn loss(report: &LossReport, new: impl Fn(&'static str) -> Line) -> Vec<Line> {
    let scoped = |measurement| {
        let mut line = new(measurement);
        match &report.section {
            Some(section) => {
                line.tag("scope", "section");
                line.tag("id", section);
            }
            None => line.tag("scope", "plant"),
        }
        line
    };
    let mut lines = Vec::with_capacity(2 + report.windows.len());
    let mut line = scoped("loss_rate");
    line.tag("unit", "kg/day");
    let daily = |kg_per_s: f64| Some(kg_per_s * SECONDS_PER_DAY);
    let (accepted, accepted_std) = report.accepted_kg_per_s;
    line.number("accepted", daily(accepted));
    line.number("accepted_std", daily(accepted_std));
    if let Some(rate) = &report.rate {
        line.number("value", daily(rate.rate_kg_per_s));
        line.number("std", daily(rate.std_kg_per_s));
        line.number(
            "decision_threshold",
            daily(rate.decision_threshold_kg_per_s),
        );
        line.number("detection_limit", daily(rate.detection_limit_kg_per_s));
    }
    if let Some(excess) = &report.excess {
        line.integer("excess_raised", i64::from(excess.raised));
        line.number("excess", daily(excess.excess_kg_per_s));
        line.number("excess_std", daily(excess.std_kg_per_s));
    }
    lines.push(line);
    for window in &report.windows {
        let mut line = scoped("loss_window");
        line.tag("over_s", &(window.over.millis() / 1000).to_string());
        line.tag("unit", "kg");
        line.number("unaccounted", Some(window.unaccounted_kg));
        line.number("std", Some(window.std_kg));
        line.number("accepted", Some(window.accepted_kg));
        line.number("excess", Some(window.excess_kg));
        line.number("excess_std", Some(window.excess_std_kg));
        line.number("decision_threshold", Some(window.decision_threshold_kg));
        line.number("detection_limit", Some(window.detection_limit_kg));
        line.number("coverage", Some(window.coverage));
        lines.push(line);
    }
    lines
}

/// A line in the making: tags first, then fields.
struct Line {
    head: String,
    fields: String,
}

impl Line {
    fn new(measurement: &str) -> Self {
        let mut head = String::new();
        escape(&mut head, measurement);
        Self {
            head,
            fields: String::new(),
        }
    }

    /// A tag without a value is left out.
    fn tag(&mut self, key: &str, value: &str) {
        if !value.is_empty() {
            self.head.push(',');
            escape(&mut self.head, key);
            self.head.push('=');
            escape(&mut self.head, value);
        }
    }

    /// Left out when there is none or it is not finite.
    fn number(&mut self, key: &str, value: Option<f64>) {
        if let Some(value) = value.filter(|v| v.is_finite()) {
            self.field(key);
            // The shortest text that reads back as the same bits.
            push(&mut self.fields, format_args!("{value:?}"));
        }
    }

    fn integer(&mut self, key: &str, value: i64) {
        self.field(key);
        push(&mut self.fields, format_args!("{value}i"));
    }

    fn text(&mut self, key: &str, value: &str) {
        self.field(key);
        self.fields.push('"');
        for c in value.chars() {
            match c {
                '"' | '\\' => self.fields.extend(['\\', c]),
                c if c.is_control() => self.fields.push(' '),
                c => self.fields.push(c),
            }
        }
        self.fields.push('"');
    }

    /// The quality word, its OPC UA severity (0 good, 1 uncertain, 2 bad: the two top bits of a
    /// status code, IEC 62541-4) for stores that keep numbers only, and the reason if there is one.
    fn quality(&mut self, quality: Quality, reason: &str) {
        self.text("quality", &quality.to_string());
        self.integer(
            "severity",
            match quality {
                Quality::Good => 0,
                Quality::Uncertain => 1,
                Quality::Bad => 2,
            },
        );
        if !reason.is_empty() {
            self.text("reason", reason);
        }
    }

    fn field(&mut self, key: &str) {
        if !self.fields.is_empty() {
            self.fields.push(',');
        }
        escape(&mut self.fields, key);
        self.fields.push('=');
    }

    fn finish(self, millis: i64) -> Option<String> {
        let Self { mut head, fields } = self;
        if fields.is_empty() {
            return None;
        }
        push(&mut head, format_args!(" {fields} {millis}"));
        Some(head)
    }
}

fn push(to: &mut String, text: std::fmt::Arguments<'_>) {
    let written = to.write_fmt(text);
    debug_assert!(written.is_ok(), "writing to a string does not fail");
}

/// A backslash before a separator would be read as its escape, so none is let through.
fn escape(to: &mut String, text: &str) {
    for c in text.chars() {
        match c {
            ',' | '=' | ' ' => to.extend(['\\', c]),
            '\\' => to.push('/'),
            c if c.is_control() => to.push('_'),
            c => to.push(c),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::super::outbox::ChannelFigure;
    use super::*;
    use crate::engine::Provenance;
    use crate::plant::DescriptionHash;
    use crate::quantity::Reason;
    use crate::time::{Monotonic, Stamp, Timestamp};

    fn channel(id: &str, value: f64, std: f64, quality: Quality) -> Delivered {
        Delivered {
            seq: 7,
            stamp: Stamp {
                utc: Some(Timestamp::from_millis(1_795_600_000_123)),
                monotonic: Monotonic(5),
                boot: 1,
                epoch: 3,
            },
            provenance: Arc::new(Provenance {
                revision: 1,
                description: DescriptionHash([7; 32]),
                engine: "1".into(),
            }),
            item: Item::Channel(ChannelFigure {
                id: id.into(),
                value: Some(value),
                std: Some(std),
                unit: "K".into(),
                quality,
                reason: if quality == Quality::Good {
                    Reason::None
                } else {
                    Reason::OutOfRange
                },
            }),
        }
    }

    #[test]
    fn a_channel_is_one_line_with_its_exact_value() {
        let value = 4.1 + 0.3e-15;
        let lines = lines(
            "tarn hollow",
            &channel("S1-TT", value, 1e-20, Quality::Good),
        );
        assert_eq!(
            lines,
            [format!(
                "channel,site=tarn\\ hollow,revision=1,epoch=3,id=S1-TT,unit=K \
                 value={value:?},std=1e-20,quality=\"good\",severity=0i 1795600000123"
            )]
        );
    }

    #[test]
    fn what_is_not_finite_or_bad_is_not_sent_as_a_number() {
        let sent = |value, std, quality| lines("s", &channel("c", value, std, quality)).concat();
        let line = sent(f64::NAN, f64::INFINITY, Quality::Uncertain);
        assert!(!line.contains("value") && !line.contains("std"), "{line}");
        let line = sent(4.0, 1.0, Quality::Bad);
        assert!(!line.contains("value"), "{line}");
        assert!(line.contains("reason=\"outside the channel's range\""));
    }

    #[test]
    fn separators_and_line_ends_in_an_id_cannot_break_a_line() {
        let line = lines("s", &channel("a b,c=d\\\n e\\", 1.0, 1.0, Quality::Good)).concat();
        assert!(line.contains(r",id=a\ b\,c\=d/_\ e/,unit=K "), "{line}");
        assert!(!line.contains('\n'));
    }

    #[test]
    fn without_wall_time_there_is_no_line() {
        let mut item = channel("c", 1.0, 1.0, Quality::Good);
        item.stamp.utc = None;
        assert!(lines("s", &item).is_empty());
    }
}
