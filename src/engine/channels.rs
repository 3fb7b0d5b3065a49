//! The state of every channel: what was last read, what is shown, and what the balance may use.
//!
//! A channel that goes bad is *shown* bad, but the balance carries its last usable value forward
//! with an uncertainty that grows as the channel was seen to wander while it was well: a vessel
//! whose sensor dies becomes less sure, it does not vanish.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::totals::Totals;
use crate::instrument::agreement::agreement;
use crate::plant::{Channel, ChannelIx, Plant};
use crate::quantity::{Measured, Quality, QuantityKind, Reason, Si};
use crate::time::{Monotonic, Span, Timestamp};

/// Spacing of the values from which the wander of a channel is judged.
const WANDER_SPACING: Span = Span::from_millis(600_000);

/// Weight of one new step in the wander: a memory of about a day and a half.
const WANDER_WEIGHT: f64 = 1.0 / 200.0;

/// Before anything is known of it, a channel is taken to wander by this part of its range in a day.
const WANDER_PRIOR: f64 = 0.02;

/// Time over which air pressure forgets, s (common practice for mid-latitude weather, no source).
const WEATHER_TIME_S: f64 = 43_200.0;

/// Two channels disagree beyond this many standard uncertainties of their difference.
const AGREEMENT_COVERAGE: f64 = 3.0;

/// One channel's memory.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelState {
    /// As converted at the last answered poll.
    latest: Measured<Si>,
    /// When that was.
    read: Option<(Monotonic, Option<Timestamp>)>,
    /// The last usable value and when it was read.
    usable: Option<(Measured<Si>, Monotonic)>,
    /// Out of service by a person.
    out_of_service: bool,
    wander: Wander,
    /// Quality and reason as shown at the last tick.
    shown: (Quality, Reason),
    /// Stands in for `latest` in the balance while that is not usable.
    carried: Option<Measured<Si>>,
}

/// How far a channel wanders while it is well.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Wander {
    from: Option<(Monotonic, f64)>,
    /// Variance per second, SI2/s.
    variance_per_s: f64,
}

impl ChannelState {
    fn new(channel: &Channel) -> Self {
        let (low, high) = channel.range;
        let day = WANDER_PRIOR * (high - low);
        Self {
            latest: Measured::bad(Reason::NeverRead),
            read: None,
            usable: None,
            out_of_service: false,
            wander: Wander {
                from: None,
                variance_per_s: day * day / 86_400.0,
            },
            shown: (Quality::Bad, Reason::NeverRead),
            carried: None,
        }
    }

    /// The value as shown: its quality is that of the last tick.
    #[must_use]
    pub fn shown(&self) -> (&Measured<Si>, Quality, Reason) {
        (&self.latest, self.shown.0, self.shown.1)
    }

    /// The value that the balance uses.
    #[must_use]
    pub fn for_balance(&self) -> &Measured<Si> {
        self.carried.as_ref().unwrap_or(&self.latest)
    }

    /// The value that alarms judge: only one that is usable now.
    #[must_use]
    pub fn for_alarms(&self) -> &Measured<Si> {
        &self.latest
    }

    /// When it was last read.
    #[must_use]
    pub fn read_at(&self) -> Option<(Monotonic, Option<Timestamp>)> {
        self.read
    }

    /// Whether a person took it out of service.
    #[must_use]
    pub fn is_out_of_service(&self) -> bool {
        self.out_of_service
    }

    fn take(&mut self, measured: Measured<Si>, now: Monotonic, utc: Option<Timestamp>) {
        self.read = Some((now, utc));
        if measured.is_usable() && !self.out_of_service {
            self.wander.follow(&measured, now);
            self.usable = Some((measured.clone(), now));
        }
        self.latest = measured;
    }

    /// Brings quality and the carried value up to date; true when what is shown changed.
    fn refresh(
        &mut self,
        channel: &Channel,
        weather_std: Option<f64>,
        (answers, disagrees): (bool, bool),
        now: Monotonic,
        utc: Option<Timestamp>,
    ) -> bool {
        let shown = self.judge(channel, (answers, disagrees), now, utc);
        if shown.0 == Quality::Bad {
            // What is shown bad must not be judged by an alarm as if it were there.
            if self.latest.quality != Quality::Bad {
                self.latest.quality = Quality::Bad;
                self.latest.reason = shown.1;
            }
            self.carried = self.usable.as_ref().map(|(value, at)| {
                let age = (now - *at - channel.interval).max(Span::ZERO).seconds();
                self.wander.carry(value, age, weather_std)
            });
        } else {
            self.latest.quality = shown.0;
            self.latest.reason = shown.1;
            self.carried = None;
        }
        let changed = shown != self.shown;
        self.shown = shown;
        changed
    }

    fn judge(
        &self,
        channel: &Channel,
        (answers, disagrees): (bool, bool),
        now: Monotonic,
        utc: Option<Timestamp>,
    ) -> (Quality, Reason) {
        let Some((read, _)) = self.read else {
            let reason = if answers {
                Reason::NeverRead
            } else {
                Reason::NoAnswer
            };
            return (Quality::Bad, reason);
        };
        if self.out_of_service {
            return (Quality::Bad, Reason::OutOfService);
        }
        let age = now - read;
        // Between pulses a held sample is the normal state of its instrument.
        let held = channel.hold.is_some_and(|hold| age <= hold);
        if age > channel.stale_after && !held {
            let reason = if answers {
                Reason::Stale
            } else {
                Reason::NoAnswer
            };
            return (Quality::Bad, reason);
        }
        let (quality, reason) = (self.latest.quality, self.latest.reason);
        let expired = channel
            .calibration_valid_to
            .zip(utc)
            .is_some_and(|(valid_to, utc)| utc > valid_to);
        if quality == Quality::Good && disagrees {
            return (Quality::Uncertain, Reason::Disagrees);
        }
        if quality == Quality::Good && expired {
            return (Quality::Uncertain, Reason::CalibrationExpired);
        }
        if quality == Quality::Good && held && age > channel.stale_after {
            return (Quality::Good, Reason::Held);
        }
        (quality, reason)
    }
}

impl Wander {
    fn follow(&mut self, measured: &Measured<Si>, now: Monotonic) {
        let value = measured.value.0;
        let Some((then, before)) = self.from else {
            self.from = Some((now, value));
            return;
        };
        let elapsed = now - then;
        if elapsed < WANDER_SPACING {
            return;
        }
        let step = value - before;
        let noise = 2.0 * measured.independent_std * measured.independent_std;
        let variance = (step * step - noise).max(0.0) / elapsed.seconds();
        self.variance_per_s += WANDER_WEIGHT * (variance - self.variance_per_s);
        self.from = Some((now, value));
    }

    /// `value` after `age` seconds without a reading.
    fn carry(&self, value: &Measured<Si>, age: f64, weather_std: Option<f64>) -> Measured<Si> {
        let mut carried = value.clone();
        let wandered = match weather_std {
            // Air pressure wanders no further than weather does: twice its variance in the end.
            Some(std) => 2.0 * std * std * (1.0 - libm::exp(-age / WEATHER_TIME_S)),
            None => self.variance_per_s * age,
        };
        let independent = carried.independent_std * carried.independent_std + wandered;
        carried.independent_std = libm::sqrt(independent);
        carried.with_quality(Quality::Uncertain, Reason::CarriedForward)
    }
}

/// The channels of a plant, in the order of its description.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Channels {
    states: Vec<ChannelState>,
    totals: Totals,
}

impl Channels {
    /// Takes up the channels of `plant`; states of channels whose id, quantity and registers stay
    /// are kept.
    pub fn adopt(&mut self, plant: &Plant, before: Option<&Plant>) {
        let mut states: Vec<ChannelState> =
            plant.all.channel.iter().map(ChannelState::new).collect();
        if let Some(before) = before {
            for (channel, state) in plant.all.channel.iter().zip(&mut states) {
                let same = before
                    .channel_by_id(&channel.id)
                    .filter(|(_, old)| {
                        old.kind == channel.kind
                            && old.chain == channel.chain
                            && (old.table, old.address) == (channel.table, channel.address)
                    })
                    .and_then(|(ix, _)| self.states.get(ix.index()));
                if let Some(old) = same {
                    *state = old.clone();
                }
            }
        }
        self.states = states;
        self.totals.adopt(plant, before);
    }

    /// What the counters of metered lines say.
    #[must_use]
    pub fn totals(&self) -> &Totals {
        &self.totals
    }

    /// The state of a channel.
    #[must_use]
    pub fn get(&self, ix: ChannelIx) -> Option<&ChannelState> {
        self.states.get(ix.index())
    }

    /// Takes the registers of a channel.
    pub fn take(
        &mut self,
        ix: ChannelIx,
        channel: &Channel,
        words: &[u16],
        now: Monotonic,
        utc: Option<Timestamp>,
    ) {
        let (chain, range, u) = (&channel.chain, channel.range, &channel.uncertainty);
        let mut measured = match channel.cold_junction {
            None => chain.convert(words, range, u),
            // The junction as last read; polls of two devices do not come at one instant.
            Some(junction) => match self.states.get(junction.index()) {
                Some(junction) => chain.convert_at_junction(words, range, u, &junction.latest),
                None => Measured::bad(Reason::InputBad),
            },
        };
        if let Some(utc) = utc {
            u.ageing.add_to(&mut measured, utc);
        }
        if let Some(state) = self.states.get_mut(ix.index()) {
            state.take(measured, now, utc);
        }
    }

    /// Takes a channel out of service or puts it back; false when it is so already.
    pub fn set_service(&mut self, ix: ChannelIx, in_service: bool) -> bool {
        match self.states.get_mut(ix.index()) {
            Some(state) if state.out_of_service == in_service => {
                state.out_of_service = !in_service;
                if in_service {
                    // What was read meanwhile was not judged; the next reading is.
                    state.latest = Measured::bad(Reason::NeverRead);
                    state.read = None;
                    state.shown = (Quality::Bad, Reason::NeverRead);
                }
                true
            }
            _ => false,
        }
    }

    /// Channels that differ from the one they should agree with, and those.
    fn disagreeing(&self, plant: &Plant) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        for (at, channel) in plant.all.channel.iter().enumerate() {
            let Some(partner) = channel.agrees_with.map(ChannelIx::index) else {
                continue;
            };
            if let (Some(one), Some(other)) = (self.states.get(at), self.states.get(partner))
                && agreement(&one.latest, &other.latest, AGREEMENT_COVERAGE)
                    .is_some_and(|compared| compared.disagree)
            {
                found.extend([at, partner]);
            }
        }
        found
    }

    /// Brings every channel up to date at a tick and calls `changed` for each whose shown quality
    /// changed.
    pub fn refresh(
        &mut self,
        plant: &Plant,
        answers: &dyn Fn(&Channel) -> bool,
        now: Monotonic,
        utc: Option<Timestamp>,
        mut changed: impl FnMut(&Channel, Quality, Reason),
    ) {
        let barometer = plant.site.barometer.map(ChannelIx::index);
        let disagreeing = self.disagreeing(plant);
        for (at, (channel, state)) in plant.all.channel.iter().zip(&mut self.states).enumerate() {
            let weather = (barometer == Some(at) && channel.kind == QuantityKind::AbsolutePressure)
                .then_some(plant.site.air_pressure.std);
            let disagrees = disagreeing.contains(&at);
            if state.refresh(channel, weather, (answers(channel), disagrees), now, utc) {
                changed(channel, state.shown.0, state.shown.1);
            }
        }
        self.totals.refresh(plant, &self.states);
    }
}
