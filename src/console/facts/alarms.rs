//! What is wrong now, how bad, what to do, and how long there is.

use serde::Serialize;

use super::Scene;
use crate::console::words::Moment;
use crate::engine::AlarmState;
use crate::engine::view::AlarmView;
use crate::plant::{AlarmClass, AlarmRule, Priority};
use crate::time::Span;

/// Every alarm, sorted into what a person must look at.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlarmFacts {
    /// Alarms whose cause is present: unacknowledged before acknowledged, then by priority, newest first.
    pub alarms: Vec<AlarmFact>,
    /// Alerts whose cause is present, for the engineer.
    pub alerts: Vec<AlarmFact>,
    /// Returned to normal, not acknowledged.
    pub returned: Vec<AlarmFact>,
    /// Shelved, suppressed by design or out of service.
    pub hidden: Vec<AlarmFact>,
    /// Alarms and alerts in the description.
    pub configured: usize,
    /// Of these, how many are normal.
    pub normal: usize,
    /// Alarms (not alerts) present and unacknowledged.
    pub unacknowledged: usize,
}

impl AlarmFacts {
    /// What is below for the engineer while no alarm stands; empty without any alert.
    #[must_use]
    pub fn alerts_waiting(&self) -> String {
        let count =
            |which: fn(&AlarmFact) -> bool| self.alerts.iter().filter(|alert| which(alert)).count();
        let mut words = match self.alerts.len() {
            0 => return String::new(),
            1 => "1 alert stands for the engineer".to_owned(),
            more => format!("{more} alerts stand for the engineer"),
        };
        for (number, what) in [
            (count(AlarmFact::is_unacknowledged), "not acknowledged"),
            (count(AlarmFact::is_overdue), "overdue"),
        ] {
            if number > 0 {
                words = format!("{words}, {number} {what}");
            }
        }
        words
    }
}

/// One alarm now, with the advice of its description.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AlarmFact {
    /// Text id.
    pub id: String,
    /// Short message.
    pub name: String,
    /// Alarm or alert.
    pub class: AlarmClass,
    /// How urgent.
    pub priority: Priority,
    /// State.
    pub state: AlarmState,
    /// State in words.
    pub state_words: &'static str,
    /// Since when.
    pub since: Moment,
    /// How long, s.
    pub age_s: Option<i64>,
    /// How long, in words.
    pub age: String,
    /// What was measured, with unit.
    pub detail: String,
    /// Section concerned.
    pub section: Option<String>,
    /// What has probably happened.
    pub cause: String,
    /// What follows when nothing is done.
    pub consequence: String,
    /// What the person should do.
    pub response: String,
    /// How long there is from the beginning, s.
    pub time_to_respond_s: i64,
    /// How long there is from the beginning, in words.
    pub time_to_respond: String,
    /// How long there is left, s; negative when it has run out.
    pub time_left_s: Option<i64>,
    /// The end of that time.
    pub respond_by: Moment,
    /// The hazard to people.
    pub caution: String,
    /// Who acknowledged, shelved or took it out of service.
    pub actor: Option<String>,
    /// A shelved alarm comes back at this time.
    pub shelved_until: Moment,
}

impl AlarmFact {
    /// Name of the shape that goes with its class and priority.
    #[must_use]
    pub fn shape(&self) -> &'static str {
        match (self.class, self.priority) {
            (AlarmClass::Alert, _) => "alert",
            (AlarmClass::Alarm, Priority::High) => "high",
            (AlarmClass::Alarm, Priority::Medium) => "medium",
            (AlarmClass::Alarm, Priority::Low) => "low",
        }
    }

    /// How bad, as a word.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match (self.class, self.priority) {
            (AlarmClass::Alert, _) => "alert",
            (AlarmClass::Alarm, Priority::High) => "high",
            (AlarmClass::Alarm, Priority::Medium) => "medium",
            (AlarmClass::Alarm, Priority::Low) => "low",
        }
    }

    /// What its priority asks for, as IEC 62682 uses it.
    #[must_use]
    pub fn urgency(&self) -> &'static str {
        match (self.class, self.priority) {
            (AlarmClass::Alert, _) => "when there is time",
            (AlarmClass::Alarm, Priority::High) => "act now",
            (AlarmClass::Alarm, Priority::Medium) => "act soon",
            (AlarmClass::Alarm, Priority::Low) => "act this shift",
        }
    }

    /// Whether it is an alert, which is no hurry.
    #[must_use]
    pub fn is_alert(&self) -> bool {
        self.class == AlarmClass::Alert
    }

    /// Alarm or alert, as a heading.
    #[must_use]
    pub fn class_word(&self) -> &'static str {
        match self.class {
            AlarmClass::Alarm => "Alarm",
            AlarmClass::Alert => "Alert",
        }
    }

    /// Whether a person's acknowledgement is awaited.
    #[must_use]
    pub fn awaits_acknowledgement(&self) -> bool {
        matches!(
            self.state,
            AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged
        )
    }

    /// Whether nobody has acknowledged it while its cause is present.
    #[must_use]
    pub fn is_unacknowledged(&self) -> bool {
        self.state == AlarmState::Unacknowledged
    }

    /// Whether the time to respond has run out.
    #[must_use]
    pub fn is_overdue(&self) -> bool {
        self.time_left_s.is_some_and(|left| left < 0)
    }

    /// Time left in words.
    #[must_use]
    pub fn time_left(&self) -> String {
        match self.time_left_s {
            None => format!("{} from its beginning", self.time_to_respond),
            Some(left) if left < 0 => {
                format!("overdue by {}", Span::from_millis(-left * 1000))
            }
            Some(left) => format!("{} left", Span::from_millis(left * 1000)),
        }
    }
}

/// Sorts the alarms of a picture.
#[must_use]
pub fn alarm_facts(scene: Scene<'_>) -> AlarmFacts {
    let mut facts = AlarmFacts {
        alarms: Vec::new(),
        alerts: Vec::new(),
        returned: Vec::new(),
        hidden: Vec::new(),
        configured: scene.view.alarms.len(),
        normal: 0,
        unacknowledged: 0,
    };
    for alarm in &scene.view.alarms {
        // An alarm that left the description with the picture still in flight has no advice to
        // show; it is shown all the same, and says so.
        let rule = scene.plant.alarms.iter().find(|rule| rule.id == alarm.id);
        let place = match (alarm.state, alarm.class) {
            (AlarmState::Normal, _) => {
                facts.normal += 1;
                continue;
            }
            (AlarmState::Unacknowledged | AlarmState::Acknowledged, AlarmClass::Alarm) => {
                &mut facts.alarms
            }
            (AlarmState::Unacknowledged | AlarmState::Acknowledged, AlarmClass::Alert) => {
                &mut facts.alerts
            }
            (AlarmState::ReturnedUnacknowledged, _) => &mut facts.returned,
            (AlarmState::Shelved | AlarmState::Suppressed | AlarmState::OutOfService, _) => {
                &mut facts.hidden
            }
        };
        place.push(fact(scene, alarm, rule));
    }
    for list in [
        &mut facts.alarms,
        &mut facts.alerts,
        &mut facts.returned,
        &mut facts.hidden,
    ] {
        list.sort_by_key(|a| {
            (
                !a.is_unacknowledged(),
                a.class,
                a.priority,
                std::cmp::Reverse(a.since.ms),
            )
        });
    }
    facts.unacknowledged = facts
        .alarms
        .iter()
        .filter(|a| a.is_unacknowledged())
        .count();
    facts
}

fn fact(scene: Scene<'_>, alarm: &AlarmView, rule: Option<&AlarmRule>) -> AlarmFact {
    let text = |pick: fn(&AlarmRule) -> &String| {
        rule.map_or_else(
            || "not in the description in force".into(),
            |rule| pick(rule).clone(),
        )
    };
    // The age comes from the monotonic clock; the picture itself may be some seconds old.
    let since_picture = match (scene.now, scene.view.at) {
        (Some(now), Some(at)) if now > at => now - at,
        _ => Span::ZERO,
    };
    let age = alarm.age.map(|age| age + since_picture);
    let time_to_respond = rule.map_or(Span::ZERO, |rule| rule.time_to_respond);
    AlarmFact {
        id: alarm.id.to_string(),
        name: rule.map_or_else(|| alarm.id.to_string(), |rule| rule.name.clone()),
        class: alarm.class,
        priority: alarm.priority,
        state: alarm.state,
        state_words: alarm.state.words(),
        since: scene.time.moment(alarm.since),
        age_s: age.map(|age| age.millis() / 1000),
        age: age.map_or_else(|| "not known how long".into(), |age| age.to_string()),
        detail: alarm.detail.clone(),
        section: rule
            .and_then(|rule| rule.section)
            .and_then(|ix| scene.plant.section(ix))
            .map(|section| section.name.clone()),
        cause: text(|rule| &rule.cause),
        consequence: text(|rule| &rule.consequence),
        response: text(|rule| &rule.response),
        time_to_respond_s: time_to_respond.millis() / 1000,
        time_to_respond: time_to_respond.to_string(),
        time_left_s: age.map(|age| (time_to_respond.millis() - age.millis()) / 1000),
        respond_by: scene
            .time
            .moment(alarm.since.map(|since| since + time_to_respond)),
        caution: text(|rule| &rule.caution),
        actor: alarm.actor.clone(),
        shelved_until: scene.time.minute(alarm.shelved_until),
    }
}
