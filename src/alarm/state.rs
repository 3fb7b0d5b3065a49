//! The state machine of one alarm.
//!
//! **Source** IEC 62682 (alarm state transition diagram): normal, unacknowledged, acknowledged,
//! returned to normal unacknowledged, shelved, suppressed by design, out of service.
//! An unknown cause (its instrument is bad) leaves the state as it is: a dead sensor neither
//! raises nor clears an alarm.

use serde::{Deserialize, Serialize};

use crate::actor::Actor;
use crate::plant::Id;
use crate::time::{Monotonic, Span};

/// States of an alarm, in the words of IEC 62682.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// No cause, nothing to acknowledge.
    Normal,
    /// Cause present, not acknowledged.
    Unacknowledged,
    /// Cause present, acknowledged.
    Acknowledged,
    /// Cause gone, not acknowledged.
    ReturnedUnacknowledged,
    /// Hidden by a person for a limited time.
    Shelved,
    /// Hidden by design.
    Suppressed,
    /// Out of service.
    OutOfService,
}

impl AlarmState {
    /// In words, for a screen.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned to normal, unacknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed by design",
            Self::OutOfService => "out of service",
        }
    }
}

/// An alarm changed its state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmTransition {
    /// The alarm.
    pub alarm: Id,
    /// Before.
    pub from: AlarmState,
    /// After.
    pub to: AlarmState,
    /// What was measured, in words with unit.
    pub detail: String,
    /// Who did it; none when the plant did.
    pub actor: Option<Actor>,
}

/// Whether the cause of an alarm is there now.
#[derive(Debug, Clone, PartialEq)]
pub enum Cause {
    /// It is; what is measured, in words with unit.
    Present(String),
    /// It is not.
    Absent,
    /// The instruments that would tell are not usable.
    Unknown,
}

/// One alarm's memory.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmMemory {
    /// State now.
    pub state: AlarmState,
    /// In this state since.
    pub since: Monotonic,
    /// When the cause that it is about appeared: acknowledging or shelving does not change it, and
    /// the time to respond counts from it.
    pub raised: Option<Monotonic>,
    /// What was measured when the cause was last seen.
    pub detail: String,
    /// Who acted last, while that explains the state.
    pub actor: Option<Actor>,
    /// Shelved to here.
    pub shelved_until: Option<Monotonic>,
    /// The cause as filtered by the delays.
    pub cause_present: bool,
    /// The raw cause differs from the filtered one since.
    changing_since: Option<Monotonic>,
}

impl AlarmMemory {
    /// An alarm that nothing is known of yet.
    #[must_use]
    pub fn new(now: Monotonic) -> Self {
        Self {
            state: AlarmState::Normal,
            since: now,
            raised: None,
            detail: String::new(),
            actor: None,
            shelved_until: None,
            cause_present: false,
            changing_since: None,
        }
    }

    /// Takes note of the cause at `now`; the new state if it changes.
    pub fn observe(
        &mut self,
        cause: Cause,
        now: Monotonic,
        on_delay: Span,
        off_delay: Span,
    ) -> Option<AlarmState> {
        self.filter(cause, now, on_delay, off_delay);
        if self.state == AlarmState::Shelved {
            let over = self.shelved_until.is_none_or(|until| now >= until);
            return if over { self.bring_back(now) } else { None };
        }
        let next = match (self.state, self.cause_present) {
            (AlarmState::Normal | AlarmState::ReturnedUnacknowledged, true) => {
                AlarmState::Unacknowledged
            }
            (AlarmState::Unacknowledged, false) => AlarmState::ReturnedUnacknowledged,
            (AlarmState::Acknowledged, false) => AlarmState::Normal,
            _ => return None,
        };
        if next != AlarmState::ReturnedUnacknowledged {
            self.actor = None;
        }
        Some(self.enter(next, now))
    }

    /// Applies the delays to the cause.
    fn filter(&mut self, cause: Cause, now: Monotonic, on: Span, off: Span) {
        let present = match &cause {
            // Not knowing for a moment neither ends a delay nor begins one anew.
            Cause::Unknown => return,
            Cause::Present(_) => true,
            Cause::Absent => false,
        };
        if present == self.cause_present {
            self.changing_since = None;
            if let Cause::Present(detail) = cause {
                self.detail = detail;
            }
            return;
        }
        let since = *self.changing_since.get_or_insert(now);
        if now - since < if present { on } else { off } {
            return;
        }
        self.changing_since = None;
        self.cause_present = present;
        if present {
            self.raised = Some(now);
        }
        if let Cause::Present(detail) = cause {
            self.detail = detail;
        }
    }

    /// "I have seen it."
    pub fn acknowledge(&mut self, now: Monotonic, actor: &Actor) -> Option<AlarmState> {
        let next = match self.state {
            AlarmState::Unacknowledged => AlarmState::Acknowledged,
            AlarmState::ReturnedUnacknowledged => AlarmState::Normal,
            _ => return None,
        };
        self.actor = (next == AlarmState::Acknowledged).then(|| actor.clone());
        Some(self.enter(next, now))
    }

    /// Hides it for a limited time.
    pub fn shelve(&mut self, now: Monotonic, time: Span, actor: &Actor) -> Option<AlarmState> {
        if self.state == AlarmState::OutOfService {
            return None;
        }
        self.shelved_until = Some(now + time);
        self.actor = Some(actor.clone());
        Some(self.enter(AlarmState::Shelved, now))
    }

    /// Takes it out of service.
    pub fn take_out(&mut self, now: Monotonic, actor: &Actor) -> Option<AlarmState> {
        if self.state == AlarmState::OutOfService {
            return None;
        }
        self.shelved_until = None;
        self.actor = Some(actor.clone());
        Some(self.enter(AlarmState::OutOfService, now))
    }

    /// Ends shelving or puts it back in service: as if the cause appeared now.
    pub fn bring_back(&mut self, now: Monotonic) -> Option<AlarmState> {
        if !matches!(self.state, AlarmState::Shelved | AlarmState::OutOfService) {
            return None;
        }
        self.shelved_until = None;
        self.actor = None;
        let next = if self.cause_present {
            AlarmState::Unacknowledged
        } else {
            AlarmState::Normal
        };
        Some(self.enter(next, now))
    }

    fn enter(&mut self, state: AlarmState, now: Monotonic) -> AlarmState {
        self.state = state;
        self.since = now;
        state
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Span = Span::from_millis(1000);

    fn at(seconds: i64) -> Monotonic {
        Monotonic(seconds * 1000)
    }

    fn person() -> Actor {
        Actor {
            name: "night shift".into(),
            place: "test".into(),
        }
    }

    fn present() -> Cause {
        Cause::Present("12 mbar".into())
    }

    #[test]
    fn goes_through_the_standard_life() {
        let mut alarm = AlarmMemory::new(at(0));
        let step = |alarm: &mut AlarmMemory, cause, t| alarm.observe(cause, at(t), SECOND, SECOND);
        assert_eq!(step(&mut alarm, present(), 0), None, "on-delay");
        assert_eq!(
            step(&mut alarm, present(), 1),
            Some(AlarmState::Unacknowledged)
        );
        assert_eq!(
            alarm.acknowledge(at(2), &person()),
            Some(AlarmState::Acknowledged)
        );
        assert_eq!(step(&mut alarm, Cause::Absent, 3), None, "off-delay");
        assert_eq!(step(&mut alarm, Cause::Absent, 4), Some(AlarmState::Normal));
        assert_eq!(step(&mut alarm, present(), 5), None);
        assert_eq!(
            step(&mut alarm, present(), 6),
            Some(AlarmState::Unacknowledged)
        );
        step(&mut alarm, Cause::Absent, 7);
        assert_eq!(
            step(&mut alarm, Cause::Absent, 8),
            Some(AlarmState::ReturnedUnacknowledged)
        );
        assert_eq!(
            alarm.acknowledge(at(9), &person()),
            Some(AlarmState::Normal)
        );
        assert_eq!(
            alarm.acknowledge(at(9), &person()),
            None,
            "nothing to acknowledge"
        );
    }

    #[test]
    fn a_dead_sensor_neither_raises_nor_clears() {
        let mut alarm = AlarmMemory::new(at(0));
        assert_eq!(
            alarm.observe(Cause::Unknown, at(0), Span::ZERO, Span::ZERO),
            None
        );
        alarm.observe(present(), at(1), Span::ZERO, Span::ZERO);
        assert_eq!(alarm.state, AlarmState::Unacknowledged);
        assert_eq!(
            alarm.observe(Cause::Unknown, at(100), Span::ZERO, Span::ZERO),
            None
        );
        assert_eq!(alarm.state, AlarmState::Unacknowledged);
    }

    #[test]
    fn a_glitch_of_the_sensor_does_not_begin_the_delay_anew() {
        let mut alarm = AlarmMemory::new(at(0));
        let delay = Span::from_millis(30_000);
        alarm.observe(present(), at(0), delay, delay);
        alarm.observe(Cause::Unknown, at(20), delay, delay);
        assert_eq!(
            alarm.observe(present(), at(30), delay, delay),
            Some(AlarmState::Unacknowledged)
        );
    }

    #[test]
    fn acknowledging_and_shelving_keep_when_it_came() {
        let mut alarm = AlarmMemory::new(at(0));
        alarm.observe(present(), at(5), Span::ZERO, Span::ZERO);
        alarm.acknowledge(at(100), &person());
        assert_eq!((alarm.since, alarm.raised), (at(100), Some(at(5))));
        alarm.shelve(at(200), SECOND, &person());
        alarm.observe(present(), at(300), Span::ZERO, Span::ZERO);
        assert_eq!(alarm.state, AlarmState::Unacknowledged);
        assert_eq!(alarm.raised, Some(at(5)));
    }

    #[test]
    fn the_detail_follows_what_is_measured() {
        let mut alarm = AlarmMemory::new(at(0));
        alarm.observe(present(), at(0), Span::ZERO, Span::ZERO);
        alarm.observe(
            Cause::Present("14 mbar".into()),
            at(10),
            Span::ZERO,
            Span::ZERO,
        );
        assert_eq!(alarm.detail, "14 mbar");
        alarm.observe(Cause::Absent, at(20), Span::ZERO, Span::ZERO);
        assert_eq!(alarm.detail, "14 mbar", "the last that was seen");
    }

    #[test]
    fn an_interrupted_cause_starts_its_delay_again() {
        let mut alarm = AlarmMemory::new(at(0));
        alarm.observe(present(), at(0), SECOND, SECOND);
        alarm.observe(Cause::Absent, at(0), SECOND, SECOND);
        assert_eq!(alarm.observe(present(), at(1), SECOND, SECOND), None);
        assert_eq!(
            alarm.observe(present(), at(2), SECOND, SECOND),
            Some(AlarmState::Unacknowledged)
        );
    }

    #[test]
    fn shelving_ends_by_itself_and_shows_what_is_there() {
        let mut alarm = AlarmMemory::new(at(0));
        alarm.observe(present(), at(0), Span::ZERO, Span::ZERO);
        assert_eq!(
            alarm.shelve(at(1), Span::from_seconds(60.0), &person()),
            Some(AlarmState::Shelved)
        );
        assert_eq!(
            alarm.observe(present(), at(30), Span::ZERO, Span::ZERO),
            None
        );
        assert_eq!(
            alarm.observe(present(), at(61), Span::ZERO, Span::ZERO),
            Some(AlarmState::Unacknowledged)
        );
    }
}
