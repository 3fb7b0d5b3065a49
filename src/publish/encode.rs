//! Items as MQTT topics and JSON payloads.
//!
//! Every number goes out with its unit beside it or in its field's name; a value that is not usable
//! is `null`, never a number. Standard uncertainties are k = 1 (JCGM 100).

use serde::Serialize;

use super::outbox::{AlarmMessage, ChannelFigure, Delivered, Item, MassOf};
use crate::engine::{AlarmState, View, view::ChannelView};
use crate::engine::{ExcessLoss, LedgerEntry, LossRate, LossReport, MassFigure, WindowBalance};
use crate::plant::{AlarmClass, Priority};
use crate::quantity::{Quality, Reason};
use crate::time::Timestamp;

const SECONDS_PER_DAY: f64 = 86_400.0;

/// A topic and what is sent to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// The topic below `ROOT/SITE/`.
    pub topic: String,
    /// JSON.
    pub payload: Vec<u8>,
    /// Whether the broker keeps it for those who come later.
    pub retain: bool,
}

/// The durable message of an item.
///
/// # Errors
/// The encoder's words; no item is known that it refuses.
pub fn message(delivered: &Delivered) -> Result<Message, serde_json::Error> {
    let retain = !matches!(delivered.item, Item::Booked(_));
    let (topic, body) = match &delivered.item {
        Item::Channel(figure) => (
            format!("channel/{}", level(&figure.id)),
            Body::Figure(Figure::of_channel(figure)),
        ),
        Item::Mass(of, figure) => (mass_topic(of), Body::Figure(Figure::of_mass(figure))),
        Item::Loss(report) => (
            report.section.as_ref().map_or_else(
                || "loss".to_owned(),
                |section| format!("section/{}/loss", level(section)),
            ),
            Body::Loss(Box::new(Loss::of(report))),
        ),
        Item::Alarm(alarm) => (
            format!("alarm/{}", level(&alarm.transition.alarm)),
            Body::Alarm(Alarm::of(alarm)),
        ),
        Item::Booked(entry) => ("ledger".to_owned(), Body::Ledger(Ledger::of(entry))),
    };
    let payload = serde_json::to_vec(&Envelope {
        body,
        time: delivered.stamp.utc.map(|at| at.to_string()),
        seq: delivered.seq,
        epoch: delivered.stamp.epoch,
        revision: Some(delivered.provenance.revision),
        description: Some(delivered.provenance.description.to_string()),
        engine: Some(&delivered.provenance.engine),
        provisional: false,
    })?;
    Ok(Message {
        topic,
        payload,
        retain,
    })
}

/// The live message of a channel: sent at once, before it is committed.
///
/// # Errors
/// As [`message`].
pub fn live(view: &View, channel: &ChannelView) -> Result<Message, serde_json::Error> {
    let usable = channel.quality != Quality::Bad;
    let payload = serde_json::to_vec(&Envelope {
        body: Body::Figure(Figure {
            value: channel.value.filter(|v| usable && v.is_finite()),
            unit: &channel.unit,
            uncertainty: channel.std.filter(|u| usable && u.is_finite()),
            quality: channel.quality,
            reason: words(channel.reason),
        }),
        time: channel.read_at.or(view.at).map(|at| at.to_string()),
        seq: view.seq,
        epoch: view.epoch,
        revision: view.provenance.as_ref().map(|p| p.revision),
        description: view.provenance.as_ref().map(|p| p.description.to_string()),
        engine: view.provenance.as_ref().map(|p| &*p.engine),
        provisional: true,
    })?;
    Ok(Message {
        topic: format!("live/channel/{}", level(&channel.id)),
        payload,
        retain: true,
    })
}

/// One level of a topic: what MQTT gives a meaning to (`/`, `+`, `#`, control characters, `$` at
/// the beginning) becomes `_`, and so does nothing at all.
#[must_use]
pub fn level(id: &str) -> String {
    let level: String = id
        .char_indices()
        .map(|(at, c)| match c {
            '/' | '+' | '#' => '_',
            '$' if at == 0 => '_',
            c if c.is_control() => '_',
            c => c,
        })
        .collect();
    if level.is_empty() {
        "_".to_owned()
    } else {
        level
    }
}

fn mass_topic(of: &MassOf) -> String {
    match of {
        MassOf::Plant => "plant/inventory".to_owned(),
        MassOf::Section(id) => format!("section/{}", level(id)),
        MassOf::Vessel(id) => format!("vessel/{}", level(id)),
    }
}

#[derive(Serialize)]
struct Envelope<'a> {
    #[serde(flatten)]
    body: Body<'a>,
    time: Option<String>,
    seq: u64,
    epoch: u32,
    revision: Option<u32>,
    description: Option<String>,
    engine: Option<&'a str>,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    provisional: bool,
}

#[derive(Serialize)]
#[serde(untagged)]
enum Body<'a> {
    Figure(Figure<'a>),
    Loss(Box<Loss<'a>>),
    Alarm(Alarm<'a>),
    Ledger(Ledger<'a>),
}

#[derive(Serialize)]
struct Figure<'a> {
    value: Option<f64>,
    unit: &'a str,
    uncertainty: Option<f64>,
    quality: Quality,
    #[serde(skip_serializing_if = "str::is_empty")]
    reason: &'static str,
}

impl<'a> Figure<'a> {
    fn of_channel(figure: &'a ChannelFigure) -> Self {
        let usable = figure.quality != Quality::Bad;
        Self {
            value: figure.value.filter(|v| usable && v.is_finite()),
            unit: &figure.unit,
            uncertainty: figure.std.filter(|u| usable && u.is_finite()),
            quality: figure.quality,
            reason: words(figure.reason),
        }
    }

    fn of_mass(figure: &MassFigure) -> Self {
        let usable = figure.quality != Quality::Bad && figure.mass_kg.is_finite();
        Self {
            value: usable.then_some(figure.mass_kg),
            unit: "kg",
            uncertainty: Some(figure.std_kg).filter(|u| usable && u.is_finite()),
            quality: figure.quality,
            reason: words(figure.reason),
        }
    }
}

fn words(reason: Reason) -> &'static str {
    reason.words()
}

#[derive(Serialize)]
struct Loss<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    section: Option<&'a str>,
    unit: &'static str,
    accepted: f64,
    accepted_uncertainty: f64,
    rate: Option<Rate>,
    excess: Option<Excess>,
    windows: Vec<Window<'a>>,
}

/// kg/day throughout, as the unit beside it says.
#[derive(Serialize)]
struct Rate {
    value: f64,
    uncertainty: f64,
    decision_threshold: f64,
    detection_limit: f64,
    over_s: f64,
}

#[derive(Serialize)]
struct Excess {
    raised: bool,
    value: f64,
    uncertainty: f64,
    least: f64,
    most: f64,
    lost_kg: f64,
    lost_uncertainty_kg: f64,
    since: Option<String>,
    since_earliest: Option<String>,
    since_latest: Option<String>,
}

#[derive(Serialize)]
struct Window<'a> {
    over_s: f64,
    from: Option<String>,
    opening_kg: f64,
    received_kg: f64,
    dispatched_kg: f64,
    closing_kg: f64,
    unaccounted_kg: f64,
    uncertainty_kg: f64,
    accepted_kg: f64,
    excess_kg: f64,
    excess_uncertainty_kg: f64,
    decision_threshold_kg: f64,
    detection_limit_kg: f64,
    coverage: f64,
    doubtful_vessels: Vec<&'a str>,
}

impl<'a> Loss<'a> {
    fn of(report: &'a LossReport) -> Self {
        let (accepted, accepted_std) = report.accepted_kg_per_s;
        Self {
            section: report.section.as_deref(),
            unit: "kg/day",
            accepted: accepted * SECONDS_PER_DAY,
            accepted_uncertainty: accepted_std * SECONDS_PER_DAY,
            rate: report.rate.as_ref().map(Rate::of),
            excess: report.excess.as_ref().map(Excess::of),
            windows: report.windows.iter().map(Window::of).collect(),
        }
    }
}

impl Rate {
    fn of(rate: &LossRate) -> Self {
        Self {
            value: rate.rate_kg_per_s * SECONDS_PER_DAY,
            uncertainty: rate.std_kg_per_s * SECONDS_PER_DAY,
            decision_threshold: rate.decision_threshold_kg_per_s * SECONDS_PER_DAY,
            detection_limit: rate.detection_limit_kg_per_s * SECONDS_PER_DAY,
            over_s: rate.over.seconds(),
        }
    }
}

impl Excess {
    fn of(excess: &ExcessLoss) -> Self {
        let text = |at: Timestamp| at.to_string();
        let (least, most) = excess.band_95_kg_per_s();
        Self {
            raised: excess.raised,
            value: excess.excess_kg_per_s * SECONDS_PER_DAY,
            uncertainty: excess.std_kg_per_s * SECONDS_PER_DAY,
            least: least * SECONDS_PER_DAY,
            most: most * SECONDS_PER_DAY,
            lost_kg: excess.lost_kg,
            lost_uncertainty_kg: excess.lost_std_kg,
            since: excess.since.map(text),
            since_earliest: excess.since_band.map(|(earliest, _)| text(earliest)),
            since_latest: excess.since_band.map(|(_, latest)| text(latest)),
        }
    }
}

impl<'a> Window<'a> {
    fn of(window: &'a WindowBalance) -> Self {
        Self {
            over_s: window.over.seconds(),
            from: window.from.map(|at| at.to_string()),
            opening_kg: window.opening_kg,
            received_kg: window.received_kg,
            dispatched_kg: window.dispatched_kg,
            closing_kg: window.closing_kg,
            unaccounted_kg: window.unaccounted_kg,
            uncertainty_kg: window.std_kg,
            accepted_kg: window.accepted_kg,
            excess_kg: window.excess_kg,
            excess_uncertainty_kg: window.excess_std_kg,
            decision_threshold_kg: window.decision_threshold_kg,
            detection_limit_kg: window.detection_limit_kg,
            coverage: window.coverage,
            doubtful_vessels: window.doubtful_vessels.iter().map(|id| &**id).collect(),
        }
    }
}

#[derive(Serialize)]
struct Alarm<'a> {
    #[serde(rename = "alarm")]
    id: &'a str,
    name: &'a str,
    class: AlarmClass,
    priority: Priority,
    state: AlarmState,
    was: AlarmState,
    state_words: &'static str,
    detail: &'a str,
    actor: Option<&'a str>,
    cause: &'a str,
    consequence: &'a str,
    response: &'a str,
    time_to_respond_s: f64,
    caution: &'a str,
}

impl<'a> Alarm<'a> {
    fn of(alarm: &'a AlarmMessage) -> Self {
        let transition = &alarm.transition;
        Self {
            id: &transition.alarm,
            name: &alarm.name,
            class: alarm.class,
            priority: alarm.priority,
            state: transition.to,
            was: transition.from,
            state_words: transition.to.words(),
            detail: &transition.detail,
            actor: transition.actor.as_ref().map(|actor| actor.name.as_str()),
            cause: &alarm.cause,
            consequence: &alarm.consequence,
            response: &alarm.response,
            time_to_respond_s: alarm.time_to_respond.seconds(),
            caution: &alarm.caution,
        }
    }
}

#[derive(Serialize)]
struct Ledger<'a> {
    entry: &'a str,
    kind: &'static str,
    /// Signed: positive came in.
    mass_kg: f64,
    uncertainty_kg: f64,
    effective_at: String,
    over_s: f64,
    author: &'a str,
    note: &'a str,
    section: Option<&'a str>,
    supersedes: Option<&'a str>,
    entered_by: &'a str,
}

impl<'a> Ledger<'a> {
    fn of(entry: &'a LedgerEntry) -> Self {
        let booking = &entry.booking;
        Self {
            entry: &entry.id,
            kind: booking.kind.words(),
            mass_kg: signed_mass_kg(entry),
            uncertainty_kg: booking.mass.std,
            effective_at: booking.effective_at.to_string(),
            over_s: booking.over.seconds(),
            author: &booking.author,
            note: &booking.note,
            section: booking.section.as_deref(),
            supersedes: entry.supersedes.as_deref(),
            entered_by: &entry.actor.name,
        }
    }
}

/// The mass of an entry, kg; positive came in.
pub(super) fn signed_mass_kg(entry: &LedgerEntry) -> f64 {
    entry.booking.kind.sign() * entry.booking.mass.value.si()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_become_single_topic_levels() {
        assert_eq!(level("S1-TT-101"), "S1-TT-101");
        assert_eq!(level("a/b+c#d\n"), "a_b_c_d_");
        assert_eq!(level("$SYS"), "_SYS");
        assert_eq!(level("a$"), "a$");
        assert_eq!(level(""), "_");
    }
}
