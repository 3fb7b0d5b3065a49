//! All alarms of a plant.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::source::{Facts, SourceMemory};
use super::state::{AlarmMemory, AlarmState, AlarmTransition};
use crate::actor::Actor;
use crate::plant::{AlarmRule, Id, Plant};
use crate::time::{Monotonic, Span};

/// An alarm may be shelved this long at most; what needs longer goes out of service, with its
/// own entry in the journal (common practice: one shift).
pub const LONGEST_SHELVING: Span = Span::from_millis(12 * 3_600_000);

/// Why an action on an alarm was not carried out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// No such alarm.
    #[error("there is no alarm {0:?} in this description")]
    Unknown(Id),
    /// The alarm is not in a state where that means anything.
    #[error("alarm {alarm} is {}: nothing to {verb}", state.words())]
    NothingToDo {
        /// The alarm.
        alarm: Id,
        /// Its state.
        state: AlarmState,
        /// What was asked.
        verb: &'static str,
    },
    /// Shelving for ever, or for no time.
    #[error(
        "shelve for more than 0 s and at most {LONGEST_SHELVING}; for longer, take the alarm out of service"
    )]
    ShelvingTime,
    /// No reason was given.
    #[error("say why: the next person on shift must understand it")]
    NoReason,
}

/// The memories of every alarm, by text id: a change of description carries them over.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct AlarmBook {
    alarms: BTreeMap<Id, (AlarmMemory, SourceMemory)>,
}

impl AlarmBook {
    /// Takes up the alarms of `plant`; memories of alarms that stay are kept, others dropped.
    pub fn adopt(&mut self, plant: &Plant, now: Monotonic) {
        let mut old = std::mem::take(&mut self.alarms);
        for rule in &plant.alarms {
            let memory = old
                .remove(&rule.id)
                .unwrap_or_else(|| (AlarmMemory::new(now), SourceMemory::default()));
            self.alarms.insert(Id::clone(&rule.id), memory);
        }
    }

    /// Judges every alarm at a tick; transitions in the order of the description.
    pub fn judge(
        &mut self,
        plant: &Plant,
        facts: &dyn Facts,
        now: Monotonic,
        out: &mut Vec<AlarmTransition>,
    ) {
        for rule in &plant.alarms {
            let Some((alarm, source)) = self.alarms.get_mut(&rule.id) else {
                continue;
            };
            let cause = source.judge(&rule.source, plant, facts, now);
            let from = alarm.state;
            if let Some(to) = alarm.observe(cause, now, rule.on_delay, rule.off_delay) {
                out.push(AlarmTransition {
                    alarm: Id::clone(&rule.id),
                    from,
                    to,
                    detail: alarm.detail.clone(),
                    actor: None,
                });
            }
        }
    }

    /// "I have seen it."
    ///
    /// # Errors
    /// [`Refusal`] when there is no such alarm or nothing to acknowledge.
    pub fn acknowledge(
        &mut self,
        id: &Id,
        now: Monotonic,
        actor: &Actor,
    ) -> Result<AlarmTransition, Refusal> {
        self.act(id, "acknowledge", actor, "", |alarm| {
            alarm.acknowledge(now, actor)
        })
    }

    /// Hides an alarm for a limited time.
    ///
    /// # Errors
    /// [`Refusal`] when there is no such alarm, no reason, or no sensible time.
    pub fn shelve(
        &mut self,
        id: &Id,
        time: Span,
        reason: &str,
        now: Monotonic,
        actor: &Actor,
    ) -> Result<AlarmTransition, Refusal> {
        if time <= Span::ZERO || time > LONGEST_SHELVING {
            return Err(Refusal::ShelvingTime);
        }
        if reason.trim().is_empty() {
            return Err(Refusal::NoReason);
        }
        self.act(id, "shelve", actor, reason, |alarm| {
            alarm.shelve(now, time, actor)
        })
    }

    /// Brings a shelved alarm back.
    ///
    /// # Errors
    /// [`Refusal`] when there is no such alarm or it is not shelved.
    pub fn unshelve(
        &mut self,
        id: &Id,
        now: Monotonic,
        actor: &Actor,
    ) -> Result<AlarmTransition, Refusal> {
        self.act(id, "unshelve", actor, "", |alarm| {
            (alarm.state == AlarmState::Shelved)
                .then(|| alarm.bring_back(now))
                .flatten()
        })
    }

    /// Takes an alarm out of service or puts it back.
    ///
    /// # Errors
    /// [`Refusal`] when there is no such alarm, no reason, or it is there already.
    pub fn service(
        &mut self,
        id: &Id,
        in_service: bool,
        reason: &str,
        now: Monotonic,
        actor: &Actor,
    ) -> Result<AlarmTransition, Refusal> {
        if reason.trim().is_empty() {
            return Err(Refusal::NoReason);
        }
        let verb = if in_service { "put back" } else { "take out" };
        self.act(id, verb, actor, reason, |alarm| {
            match (in_service, alarm.state) {
                (false, _) => alarm.take_out(now, actor),
                (true, AlarmState::OutOfService) => alarm.bring_back(now),
                (true, _) => None,
            }
        })
    }

    /// The memory of one alarm.
    #[must_use]
    pub fn memory(&self, rule: &AlarmRule) -> Option<&AlarmMemory> {
        self.alarms.get(&rule.id).map(|(alarm, _)| alarm)
    }

    fn act(
        &mut self,
        id: &Id,
        verb: &'static str,
        actor: &Actor,
        reason: &str,
        change: impl FnOnce(&mut AlarmMemory) -> Option<AlarmState>,
    ) -> Result<AlarmTransition, Refusal> {
        let (alarm, _) = self
            .alarms
            .get_mut(id)
            .ok_or_else(|| Refusal::Unknown(Id::clone(id)))?;
        let from = alarm.state;
        let to = change(alarm).ok_or(Refusal::NothingToDo {
            alarm: Id::clone(id),
            state: from,
            verb,
        })?;
        let detail = if reason.is_empty() {
            alarm.detail.clone()
        } else {
            reason.to_owned()
        };
        Ok(AlarmTransition {
            alarm: Id::clone(id),
            from,
            to,
            detail,
            actor: Some(actor.clone()),
        })
    }
}
