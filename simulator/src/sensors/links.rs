//! Which truth each channel of a description measures.

use std::collections::BTreeMap;

use coldledger::plant::{
    ChannelIx, Contents, End, LevelSource, Line, LiquidState, PassageSource, Plant, PressureSource,
    PuritySource, TemperatureSource, VapourState,
};
use coldledger::quantity::QuantityKind;

use crate::settings::{ChannelRule, Follows, SimulatorSettings, VesselQuantity};

/// One rule for each channel: the settings' own first, then what the description ties to a vessel,
/// the barometer or a valve, then the middle of the range.
#[must_use]
pub fn links(plant: &Plant, settings: &SimulatorSettings) -> Vec<ChannelRule> {
    let tied = Tied::of(plant);
    (0u32..)
        .zip(&plant.all.channel)
        .map(|(n, _)| {
            let ix = ChannelIx(n);
            match (settings.channels.get(&ix), tied.0.get(&ix)) {
                (Some(rule), _) => rule.clone(),
                (None, Some(follows)) => ChannelRule::plain(*follows),
                (None, None) => {
                    let middle = SimulatorSettings::middle_of_range(plant, ix);
                    ChannelRule::plain(Follows::Constant(middle))
                }
            }
        })
        .collect()
}

/// Channels that the description ties to a truth; the first tie holds.
#[derive(Default)]
struct Tied(BTreeMap<ChannelIx, Follows>);

impl Tied {
    fn of(plant: &Plant) -> Self {
        let mut tied = Self::default();
        if let Some(ix) = plant.site.barometer {
            tied.tie(ix, Follows::Barometer);
        }
        for (n, vessel) in plant.all.vessel.iter().enumerate() {
            tied.contents(plant, n, &vessel.contents);
            // A channel that says the mode shows the mode that the description begins with.
            if let Some((ix, codes)) = &vessel.mode_channel
                && let Some((code, _)) = codes.iter().find(|(_, at)| *at == vessel.first_mode)
            {
                #[expect(clippy::cast_precision_loss, reason = "codes of modes are small")]
                tied.tie(*ix, Follows::Constant(*code as f64));
            }
        }
        for line in &plant.all.line {
            tied.line(plant, line);
        }
        tied
    }

    fn tie(&mut self, ix: ChannelIx, follows: Follows) {
        self.0.entry(ix).or_insert(follows);
    }

    fn contents(&mut self, plant: &Plant, n: usize, contents: &Contents) {
        match contents {
            Contents::Fluid {
                pressure,
                temperature,
                purity,
                ..
            } => {
                self.pressure(plant, n, *pressure);
                self.temperature(n, *temperature, VesselQuantity::Thermometer);
                self.purity(n, *purity);
            }
            Contents::Bath {
                level,
                pressure,
                liquid,
                vapour,
                ..
            } => {
                self.pressure(plant, n, *pressure);
                if let LiquidState::Subcooled(source) | LiquidState::Pumped(source) = liquid {
                    self.temperature(n, *source, VesselQuantity::Thermometer);
                }
                if let LiquidState::Stratified(layers) = liquid {
                    self.temperature(n, layers.bottom, VesselQuantity::Thermometer);
                    self.temperature(n, layers.surface, VesselQuantity::Thermometer);
                }
                if let VapourState::Superheated(source) = vapour {
                    self.temperature(n, *source, VesselQuantity::Vapour);
                }
                self.level(n, *level);
            }
            Contents::Bag {
                volume,
                temperature,
                purity,
                ..
            } => {
                self.tie(*volume, Follows::Vessel(n, VesselQuantity::Volume));
                self.temperature(n, *temperature, VesselQuantity::Thermometer);
                self.purity(n, *purity);
            }
            Contents::Unmeasured => {}
        }
    }

    fn pressure(&mut self, plant: &Plant, n: usize, source: PressureSource) {
        if let PressureSource::Channel(ix) = source {
            let gauge = plant
                .channel(ix)
                .is_some_and(|channel| channel.kind == QuantityKind::GaugePressure);
            let quantity = if gauge {
                VesselQuantity::Gauge
            } else {
                VesselQuantity::Pressure
            };
            self.tie(ix, Follows::Vessel(n, quantity));
        }
    }

    fn temperature(&mut self, n: usize, source: TemperatureSource, quantity: VesselQuantity) {
        if let TemperatureSource::Channel(ix) = source {
            self.tie(ix, Follows::Vessel(n, quantity));
        }
    }

    fn purity(&mut self, n: usize, source: Option<PuritySource>) {
        if let Some(PuritySource::Channel(ix)) = source {
            self.tie(ix, Follows::Vessel(n, VesselQuantity::Purity));
        }
    }

    fn level(&mut self, n: usize, source: LevelSource) {
        let (channel, quantity) = match source {
            LevelSource::Height {
                channel, bottom, ..
            } => {
                let bottom_m = bottom.si();
                (channel, VesselQuantity::Level { bottom_m })
            }
            LevelSource::DifferentialPressure {
                channel,
                bottom_tap,
                top_tap,
                ..
            } => {
                let (bottom_m, top_m) = (bottom_tap.si(), top_tap.si());
                (channel, VesselQuantity::Head { bottom_m, top_m })
            }
            // Its electrodes are not simulated; it shows the middle of its range.
            LevelSource::Capacitance { .. } => return,
            LevelSource::Volume { channel } => (channel, VesselQuantity::LiquidVolume),
        };
        self.tie(channel, Follows::Vessel(n, quantity));
    }

    /// A way out of the plant is shut, the others are open: half-way between the limit and the end
    /// of the range.
    fn line(&mut self, plant: &Plant, line: &Line) {
        let PassageSource::Channel {
            channel,
            open_above,
        } = line.passage
        else {
            return;
        };
        let Some((low, high)) = plant.channel(channel).map(|found| found.range) else {
            return;
        };
        let shown = if [line.from, line.to].contains(&End::Outside) {
            low.max(0.0)
        } else {
            open_above + 0.5 * (high - open_above)
        };
        self.tie(channel, Follows::Constant(shown));
    }
}
