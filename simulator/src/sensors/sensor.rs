//! Sampling the channels.

use std::sync::Arc;

use coldledger::instrument::decode::Words;
use coldledger::instrument::level::STANDARD_GRAVITY_M_PER_S2;
use coldledger::instrument::{ChannelUncertainty, Transform};
use coldledger::plant::{Behaviour, Channel, ChannelIx, Plant};
use coldledger::quantity::{GroupIx, SharedParts};
use coldledger::time::{Span, Timestamp};
use rand_chacha::ChaCha8Rng;

use super::links::links;
use crate::model::random::{Wander, normal, stream};
use crate::model::{PlantModel, StoreState};
use crate::scenario::SensorFaults;
use crate::settings::{ChannelRule, Follows, SimulatorSettings, VesselQuantity};

/// Which errors the sensors have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Imperfections {
    /// Shared errors (calibration, zero, representativeness) as stated; true volumes and holdups
    /// are drawn within theirs.
    pub biases: bool,
    /// Independent noise as stated.
    pub noise: bool,
}

impl Imperfections {
    /// As the description states.
    pub const AS_STATED: Self = Self {
        biases: true,
        noise: true,
    };
    /// Sensors that show the truth to the last code.
    pub const NONE: Self = Self {
        biases: false,
        noise: false,
    };
}

/// All channels of a plant.
#[derive(Debug, Clone)]
pub struct Sensors {
    plant: Arc<Plant>,
    groups: Vec<GroupError>,
    each: Vec<Sensor>,
    imperfections: Imperfections,
}

/// Where a shared source of error stands, in units of its standard uncertainty.
#[derive(Debug, Clone)]
enum GroupError {
    Constant(f64),
    Wandering(Box<Wander>),
}

impl GroupError {
    fn value(&self) -> f64 {
        match self {
            Self::Constant(z) => *z,
            Self::Wandering(wander) => wander.value(),
        }
    }
}

#[derive(Debug, Clone)]
struct Sensor {
    rule: ChannelRule,
    /// As stated, without the resolution: that comes from the rounding to codes.
    uncertainty: ChannelUncertainty,
    rng: ChaCha8Rng,
    wander: Option<Wander>,
    sampled: Option<Sampled>,
    errors: Option<Errors>,
}

#[derive(Debug, Clone)]
struct Sampled {
    at: Timestamp,
    words: Words,
}

/// Sizes of the errors near a value.
#[derive(Debug, Clone)]
struct Errors {
    at_value: f64,
    independent: f64,
    shared: SharedParts,
}

impl Sensors {
    /// The sensors of a seed.
    #[must_use]
    pub fn new(
        plant: Arc<Plant>,
        settings: &SimulatorSettings,
        seed: u64,
        imperfections: Imperfections,
    ) -> Self {
        let groups = plant
            .groups
            .iter()
            .map(|group| {
                let mut rng = stream(seed, &format!("group/{}", group.id));
                match group.behaviour {
                    _ if !imperfections.biases || settings.not_drawn.contains(&*group.id) => {
                        GroupError::Constant(0.0)
                    }
                    Behaviour::Constant => GroupError::Constant(normal(&mut rng)),
                    Behaviour::Correlated { time } => {
                        GroupError::Wandering(Box::new(Wander::new(1.0, time.seconds(), rng)))
                    }
                }
            })
            .collect();
        let each = plant
            .all
            .channel
            .iter()
            .zip(links(&plant, settings))
            .map(|(channel, rule)| Sensor::new(channel, rule, seed))
            .collect();
        Self {
            plant,
            groups,
            each,
            imperfections,
        }
    }

    /// Moves the wandering errors on.
    pub fn advance(&mut self, dt: Span) {
        let dt_s = dt.seconds();
        for group in &mut self.groups {
            if let GroupError::Wandering(wander) = group {
                wander.advance(dt_s);
            }
        }
    }

    /// The registers of a channel at `now`: one sample per instant, however often it is read.
    pub fn words(
        &mut self,
        ix: ChannelIx,
        model: &PlantModel,
        faults: &SensorFaults,
        now: Timestamp,
    ) -> Option<&[u16]> {
        let channel = self.plant.channel(ix)?;
        let sensor = self.each.get_mut(ix.index())?;
        let due = match &sensor.sampled {
            None => true,
            Some(last) => {
                // A pulsed probe fires twice within the time that its value may be held.
                let pulse = Span::from_millis(channel.hold.map_or(0, |hold| hold.millis() / 2));
                let still = faults.held || faults.stuck.contains(&ix);
                !still && now > last.at && now >= last.at + pulse
            }
        };
        if due {
            let offset = faults.offset.get(&ix).copied().unwrap_or(0.0);
            let factor = faults.factor.get(&ix).copied().unwrap_or(1.0);
            let words = if faults.broken.contains(&ix) {
                broken(channel)
            } else {
                let groups = &self.groups;
                sensor.sample(
                    channel,
                    model,
                    groups,
                    self.imperfections,
                    (factor, offset),
                    now,
                )
            };
            sensor.sampled = Some(Sampled { at: now, words });
        }
        sensor.sampled.as_ref().map(|sampled| &*sampled.words)
    }

    /// What the channel would show without any error, SI.
    #[must_use]
    pub fn truth(&self, ix: ChannelIx, model: &PlantModel) -> Option<f64> {
        let sensor = self.each.get(ix.index())?;
        Some(truth_of(&sensor.rule, model) + sensor.wander.as_ref().map_or(0.0, Wander::value))
    }

    /// Where a shared source of error stands, in units of its standard uncertainty.
    #[must_use]
    pub fn shared_error(&self, group: GroupIx) -> Option<f64> {
        self.groups.get(usize::from(group.0)).map(GroupError::value)
    }
}

impl Sensor {
    fn new(channel: &Channel, rule: ChannelRule, seed: u64) -> Self {
        let wander = (rule.wander > 0.0).then(|| {
            let rng = stream(seed, &format!("channel/{}/wander", channel.id));
            Wander::new(rule.wander, rule.wander_time_s, rng)
        });
        let mut uncertainty = channel.uncertainty.clone();
        uncertainty.resolution = 0.0;
        Self {
            rule,
            uncertainty,
            rng: stream(seed, &format!("channel/{}", channel.id)),
            wander,
            sampled: None,
            errors: None,
        }
    }

    fn sample(
        &mut self,
        channel: &Channel,
        model: &PlantModel,
        groups: &[GroupError],
        imperfections: Imperfections,
        (factor, offset): (f64, f64),
        now: Timestamp,
    ) -> Words {
        let mut value = truth_of(&self.rule, model) * factor + offset;
        if let Some(wander) = &mut self.wander {
            let since = self
                .sampled
                .as_ref()
                .map_or(Span::ZERO, |last| now - last.at);
            value += wander.advance(since.seconds());
        }
        self.size_errors(channel, value);
        if let Some(errors) = &self.errors {
            let shared: f64 = errors
                .shared
                .iter()
                .map(|(group, u)| {
                    let z = groups.get(usize::from(group.0));
                    u * z.map_or(0.0, GroupError::value)
                })
                .sum();
            value += shared;
            if imperfections.noise {
                value += errors.independent * normal(&mut self.rng);
            }
        }
        self.encode(channel, value)
    }

    /// Sizes of the errors, from the channel's own statement; anew when the value has moved 1 %.
    fn size_errors(&mut self, channel: &Channel, value: f64) {
        if let Some(errors) = &self.errors {
            let span = channel.range.1 - channel.range.0;
            let near = 0.01 * errors.at_value.abs().max(0.01 * span);
            if (value - errors.at_value).abs() <= near {
                return;
            }
        }
        let inside = value.clamp(channel.range.0, channel.range.1);
        let Ok(words) = channel.chain.raw_for(inside) else {
            return;
        };
        let measured = channel.chain.convert(
            &words,
            (f64::NEG_INFINITY, f64::INFINITY),
            &self.uncertainty,
        );
        if measured.independent_std.is_finite() {
            self.errors = Some(Errors {
                at_value: value,
                independent: measured.independent_std,
                shared: measured.shared,
            });
        }
    }

    /// A device at its stop shows the end of its range.
    fn encode(&self, channel: &Channel, value: f64) -> Words {
        let (low, high) = channel.range;
        channel
            .chain
            .raw_for(value)
            .or_else(|_| channel.chain.raw_for(value.clamp(low, high)))
            .unwrap_or_else(|_| match &self.sampled {
                Some(last) => last.words.clone(),
                None => broken(channel),
            })
    }
}

/// Registers of a channel whose wire is broken: no current, or no number.
fn broken(channel: &Channel) -> Words {
    let dead_loop = matches!(
        channel.chain.transform,
        Transform::CurrentLoop(_) | Transform::CurrentLoopThenCurve { .. }
    );
    if dead_loop && let Ok(words) = channel.chain.raw_for_signal(0.0) {
        return words;
    }
    let words = usize::from(channel.words());
    // All ones is a NaN as a float and the end of the scale as an integer.
    std::iter::repeat_n(u16::MAX, words).collect()
}

fn truth_of(rule: &ChannelRule, model: &PlantModel) -> f64 {
    let truth = match rule.follows {
        Follows::Constant(value) => value,
        Follows::Barometer => model.weather.barometer_pa,
        Follows::Ambient => model.weather.ambient_k,
        Follows::HeaderPressure => model.header_pa().unwrap_or(0.0),
        Follows::HeaderGauge => model
            .header_pa()
            .map_or(0.0, |pa| pa - model.weather.barometer_pa),
        Follows::Liquefier => model.liquefied_kg_per_s,
        Follows::Returned => model.returned_kg_per_s,
        Follows::Mover(n) => model.moved_kg_per_s.get(n).copied().unwrap_or(0.0),
        Follows::Vessel(n, quantity) => model.stores.get(n).map_or(0.0, |store| {
            let most = store.params.supply.as_ref().map(|s| s.most_kg_per_s);
            match quantity {
                VesselQuantity::Gauge => store.state.pressure_pa - model.weather.barometer_pa,
                VesselQuantity::Valve => {
                    most.map_or(0.0, |most| store.state.supply_kg_per_s / most)
                }
                VesselQuantity::Mass => store.mass_kg,
                other => of_state(&store.state, other),
            }
        }),
    };
    truth * rule.factor + rule.plus
}

fn of_state(state: &StoreState, quantity: VesselQuantity) -> f64 {
    match quantity {
        VesselQuantity::Pressure => state.pressure_pa,
        VesselQuantity::Temperature => state.temperature_k,
        VesselQuantity::Thermometer => state.thermometer_k,
        VesselQuantity::Vapour => state.vapour_k,
        VesselQuantity::Level { bottom_m } => (state.level_m - bottom_m).max(0.0),
        VesselQuantity::Head { bottom_m, top_m } => {
            let level = state.level_m.clamp(bottom_m, top_m.max(bottom_m));
            STANDARD_GRAVITY_M_PER_S2
                * (state.liquid_density * (level - bottom_m)
                    + state.vapour_density * (top_m - level))
        }
        VesselQuantity::Volume => state.volume_m3,
        VesselQuantity::LiquidVolume => state.fill * state.volume_m3,
        VesselQuantity::Purity => state.purity,
        VesselQuantity::Supply => state.supply_kg_per_s,
        VesselQuantity::BoilOff => state.boil_off_kg_per_s,
        VesselQuantity::Return => state.return_kg_per_s,
        VesselQuantity::Heat => state.heat_w,
        VesselQuantity::OnHeader => f64::from(u8::from(state.on_header)),
        // Told where the whole store is known.
        VesselQuantity::Gauge | VesselQuantity::Valve | VesselQuantity::Mass => 0.0,
    }
}
