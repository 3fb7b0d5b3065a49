//! What people do: acts carried out or refused, and entries booked.

use std::sync::Arc;

use super::core::{Engine, Sink};
use super::event::{Action, ActionKind, Actor, Event};
use super::outcome::OutcomeKind;
use crate::balance::ledger::LedgerEntry;
use crate::plant::{Id, Passage, PassageSource};
use crate::time::Monotonic;

impl Engine {
    pub(super) fn act(&mut self, action: &Action, now: Monotonic, sink: &mut Sink) {
        let actor = &action.actor;
        let result = match &action.kind {
            ActionKind::Acknowledge { alarm } => self
                .state
                .alarms
                .acknowledge(alarm, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::Shelve {
                alarm,
                time,
                reason,
            } => self
                .state
                .alarms
                .shelve(alarm, *time, reason, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::Unshelve { alarm } => self
                .state
                .alarms
                .unshelve(alarm, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::AlarmInService {
                alarm,
                in_service,
                reason,
            } => self
                .state
                .alarms
                .service(alarm, *in_service, reason, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::SetMode { vessel, mode } => self.set_mode(vessel, mode, actor),
            ActionKind::SetPassage { line, passage } => self.set_passage(line, *passage, actor),
            ActionKind::ChannelInService {
                channel,
                in_service,
                reason,
            } => self.set_channel_service(channel, *in_service, reason, actor),
        };
        match result {
            Ok(outcome) => sink.push(outcome),
            Err(why) => sink.push(OutcomeKind::Refused {
                actor: actor.clone(),
                why,
            }),
        }
    }

    fn set_mode(&mut self, vessel: &Id, mode: &Id, actor: &Actor) -> Result<OutcomeKind, String> {
        let (ix, described) = self
            .plant
            .vessel_by_id(vessel)
            .ok_or_else(|| format!("there is no vessel {vessel:?} in this description"))?;
        if described.mode_channel.is_some() {
            return Err(format!(
                "the mode of {vessel} is told by a channel, not by a person"
            ));
        }
        let at = described
            .modes
            .iter()
            .position(|known| known.id == *mode)
            .and_then(|at| u32::try_from(at).ok())
            .ok_or_else(|| format!("vessel {vessel} has no mode {mode:?}"))?;
        let before = self.state.modes.get(ix.index()).copied();
        let counts = |at: Option<u32>| {
            let mode = at.and_then(|at| described.modes.get(at as usize));
            mode.map(|mode| mode.counts_contents)
        };
        // A person who says that a vessel's contents do not count moves no helium by saying so. A
        // mode that only changes the holdup does: what was measured has gone there.
        let recounted = counts(before) != counts(Some(at));
        let why = format!("{} said that {vessel} is {mode}", actor.name);
        let now = self.state.time.now();
        self.state.losses.mode_changed(ix, now);
        if recounted {
            self.restate_later(self.state.plant_mass, why, now);
        }
        if let Some(now) = self.state.modes.get_mut(ix.index()) {
            *now = at;
        }
        Ok(OutcomeKind::ModeChanged {
            vessel: Id::clone(vessel),
            mode: Id::clone(mode),
            actor: Some(actor.clone()),
        })
    }

    fn set_passage(
        &mut self,
        line: &Id,
        passage: Passage,
        actor: &Actor,
    ) -> Result<OutcomeKind, String> {
        let (ix, described) = self
            .plant
            .line_by_id(line)
            .ok_or_else(|| format!("there is no line {line:?} in this description"))?;
        if matches!(described.passage, PassageSource::Channel { .. }) {
            return Err(format!(
                "the state of {line} is told by a channel, not by a person"
            ));
        }
        if let Some(now) = self.state.passages.get_mut(ix.index()) {
            *now = passage;
        }
        Ok(OutcomeKind::PassageChanged {
            line: Id::clone(line),
            passage,
            actor: Some(actor.clone()),
        })
    }

    fn set_channel_service(
        &mut self,
        channel: &Id,
        in_service: bool,
        reason: &str,
        actor: &Actor,
    ) -> Result<OutcomeKind, String> {
        if reason.trim().is_empty() {
            return Err("say why: the next person on shift must understand it".into());
        }
        let (ix, _) = self
            .plant
            .channel_by_id(channel)
            .ok_or_else(|| format!("there is no channel {channel:?} in this description"))?;
        if !self.state.channels.set_service(ix, in_service) {
            return Err(format!(
                "channel {channel} is {} already",
                if in_service {
                    "in service"
                } else {
                    "out of service"
                }
            ));
        }
        Ok(OutcomeKind::ChannelService {
            channel: Id::clone(channel),
            in_service,
            reason: reason.to_owned(),
            actor: actor.clone(),
        })
    }

    pub(super) fn book(&mut self, entry: &LedgerEntry, event: &Event, sink: &mut Sink) {
        let result = self
            .state
            .ledger
            .book(entry.clone(), event.seq, event.stamp.utc);
        match result {
            Ok(()) => {
                sink.push(OutcomeKind::Booked(entry.clone()));
                let plant = Arc::clone(&self.plant);
                let jumps = self.jumps();
                self.state.losses.rebook(&plant, &self.state.ledger, &jumps);
                if let Some(report) = self.state.losses.report() {
                    sink.push(OutcomeKind::Losses(report.clone()));
                }
            }
            Err(refusal) => sink.push(OutcomeKind::Refused {
                actor: entry.actor.clone(),
                why: refusal.to_string(),
            }),
        }
    }
}
