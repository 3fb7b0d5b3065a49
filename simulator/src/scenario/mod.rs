//! What happens in a simulated plant, and when: a list of events in a small declarative file.

mod read;

use std::collections::{BTreeMap, BTreeSet};

use coldledger::plant::{BookingKind, ChannelIx, DeviceIx, Id};
use coldledger::time::{Span, Timestamp};

use crate::model::{Controls, Leak, Place};

/// Everything that will happen, in the order of the file.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Scenario {
    /// The events.
    pub events: Vec<Event>,
}

/// One thing that happens from a time on.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When it begins.
    pub at: At,
    /// How long it lasts; without it, for ever.
    pub lasts: Option<Span>,
    /// What it is.
    pub what: What,
}

/// When an event begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum At {
    /// This long after the start of the simulation.
    After(Span),
    /// At this instant.
    Instant(Timestamp),
}

/// What can happen.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// A hole.
    Leak(Leak),
    /// A transmitter that drifts, SI per second.
    Drift {
        /// Which.
        channel: ChannelIx,
        /// SI per second.
        per_s: f64,
    },
    /// A transmitter that jumps, SI.
    Step {
        /// Which.
        channel: ChannelIx,
        /// SI.
        by: f64,
    },
    /// A transmitter or meter that shows its value times this.
    Scale {
        /// Which.
        channel: ChannelIx,
        /// Shown over true.
        factor: f64,
    },
    /// A thermometer that lags the gas by this, s.
    ThermometerLag {
        /// Of what.
        store: usize,
        /// s.
        seconds: f64,
    },
    /// A person says that a vessel is run in another mode; its holdup is then so much, kg.
    Mode {
        /// Which vessel.
        store: usize,
        /// Id of the mode.
        mode: Id,
        /// kg.
        holdup_kg: f64,
    },
    /// A channel that shows its last value for ever.
    StuckSensor(ChannelIx),
    /// A broken wire: no current, or no number.
    BrokenLoop(ChannelIx),
    /// Helium from outside, evenly over the time the event lasts.
    Delivery {
        /// To where.
        into: Place,
        /// How much, kg.
        mass_kg: f64,
        /// How it stands in the ledger.
        booked: Option<Booked>,
    },
    /// Helium let out, evenly over the time the event lasts.
    Vent {
        /// Of what.
        from: usize,
        /// How much, kg.
        mass_kg: f64,
        /// How it stands in the ledger.
        booked: Option<Booked>,
    },
    /// Liquid from a vessel into a bath, evenly over the time the event lasts.
    Transfer {
        /// Out of.
        from: usize,
        /// Into.
        to: usize,
        /// What leaves, kg.
        mass_kg: f64,
        /// Part of it that returns as gas.
        flash: f64,
    },
    /// A pumped bath is brought to another temperature, evenly over the time the event lasts.
    PumpDown {
        /// Which bath.
        store: usize,
        /// K.
        to_k: f64,
    },
    /// A supply valve that stands where it is.
    StuckValve(usize),
    /// Energy into a bath, evenly over the time the event lasts, J.
    Quench {
        /// Which bath.
        store: usize,
        /// J.
        energy_j: f64,
    },
    /// A tank is taken off the common header.
    Isolate(usize),
    /// A device does not answer.
    LostDevice(DeviceIx),
    /// The air pressure changes by this over the time the event lasts, and stays there, Pa.
    Barometer {
        /// Pa.
        by_pa: f64,
    },
    /// Everything stands still.
    HoldStill,
}

/// How a delivery or vent stands in the ledger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Booked {
    /// As what.
    pub kind: BookingKind,
    /// Relative standard uncertainty of the booked mass.
    pub relative_std: f64,
    /// Entered this long after the helium has crossed.
    pub after: Span,
}

/// What the scenario does to the sensors at an instant.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SensorFaults {
    /// Added to the value, SI.
    pub offset: BTreeMap<ChannelIx, f64>,
    /// The value is multiplied by this first.
    pub factor: BTreeMap<ChannelIx, f64>,
    /// Channels that show their last value.
    pub stuck: BTreeSet<ChannelIx>,
    /// Channels whose wire is broken.
    pub broken: BTreeSet<ChannelIx>,
    /// Devices that do not answer.
    pub lost: BTreeSet<DeviceIx>,
    /// Nothing moves.
    pub held: bool,
}

impl Event {
    /// First instant and, where it ends, the end.
    #[must_use]
    pub fn times(&self, start: Timestamp) -> (Timestamp, Option<Timestamp>) {
        let begins = match self.at {
            At::After(span) => start + span,
            At::Instant(at) => at,
        };
        (begins, self.lasts.map(|lasts| begins + lasts))
    }

    /// Seconds of the event from its beginning to `now`, at most as long as it lasts.
    fn elapsed_s(&self, start: Timestamp, now: Timestamp) -> f64 {
        let (begins, ends) = self.times(start);
        let until = ends.map_or(now, |ends| ends.min(now));
        (until - begins).seconds().max(0.0)
    }

    fn is_on(&self, start: Timestamp, now: Timestamp) -> bool {
        let (begins, ends) = self.times(start);
        now >= begins && ends.is_none_or(|ends| now < ends)
    }
}

impl Scenario {
    /// What the events do to the plant in the step of `dt` that ends at `now`. Rates are means over
    /// the step, so that an event which begins inside it moves exactly its mass.
    pub fn controls(&self, start: Timestamp, now: Timestamp, dt: Span, into: &mut Controls) {
        *into = Controls::default();
        let dt_s = dt.seconds();
        if dt_s <= 0.0 {
            return;
        }
        for event in &self.events {
            let part = (event.elapsed_s(start, now) - event.elapsed_s(start, now - dt)) / dt_s;
            let over_s = event.lasts.map_or(f64::INFINITY, Span::seconds);
            match &event.what {
                What::Leak(leak) if part > 0.0 => into.leaks.push(Leak {
                    kg_per_s: leak.kg_per_s * part,
                    ..*leak
                }),
                What::Delivery {
                    into: place,
                    mass_kg,
                    ..
                } if part > 0.0 => into.inflows.push((*place, mass_kg / over_s * part)),
                What::Vent { from, mass_kg, .. } if part > 0.0 => {
                    into.outflows.push((*from, mass_kg / over_s * part));
                }
                What::Transfer {
                    from,
                    to,
                    mass_kg,
                    flash,
                } if part > 0.0 => {
                    let rate = mass_kg / over_s * part;
                    into.transfers.push((*from, *to, rate, *flash));
                }
                What::PumpDown { store, to_k } if part > 0.0 => {
                    let done = event.elapsed_s(start, now) / over_s;
                    into.pumped.push((*store, *to_k, done.clamp(0.0, 1.0)));
                }
                What::Quench { store, energy_j } if part > 0.0 => {
                    into.heat.push((*store, energy_j / over_s * part));
                }
                What::StuckValve(store) if part > 0.0 => {
                    into.stuck.insert(*store);
                }
                What::Isolate(store) if part > 0.0 => {
                    into.isolated.insert(*store);
                }
                What::ThermometerLag { store, seconds } if part > 0.0 => {
                    into.thermometer_lags.insert(*store, *seconds);
                }
                What::Mode {
                    store, holdup_kg, ..
                } if part > 0.0 => {
                    into.holdups.insert(*store, *holdup_kg);
                }
                What::Barometer { by_pa } => {
                    let done = event.elapsed_s(start, now) / over_s;
                    into.barometer_pa += by_pa * done.clamp(0.0, 1.0);
                }
                _ => {}
            }
        }
    }

    /// What the events do to the sensors at `now`.
    pub fn faults(&self, start: Timestamp, now: Timestamp, into: &mut SensorFaults) {
        *into = SensorFaults::default();
        for event in &self.events {
            let on = event.is_on(start, now);
            match &event.what {
                // A drift that has ended leaves its offset behind.
                What::Drift { channel, per_s } => {
                    let offset = *per_s * event.elapsed_s(start, now);
                    *into.offset.entry(*channel).or_default() += offset;
                }
                What::Step { channel, by } if on => {
                    *into.offset.entry(*channel).or_default() += by;
                }
                What::Scale { channel, factor } if on => {
                    *into.factor.entry(*channel).or_insert(1.0) *= factor;
                }
                What::StuckSensor(channel) if on => {
                    into.stuck.insert(*channel);
                }
                What::BrokenLoop(channel) if on => {
                    into.broken.insert(*channel);
                }
                What::LostDevice(device) if on => {
                    into.lost.insert(*device);
                }
                What::HoldStill if on => into.held = true,
                _ => {}
            }
        }
    }
}
