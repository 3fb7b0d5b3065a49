//! Which truth each channel of a description measures.

use std::collections::BTreeMap;

use coldledger::plant::{
    ChannelIx, Contents, End, LevelSource, LiquidState, PassageSource, Plant, PressureSource,
    PuritySource, TemperatureSource, VapourState,
};
use coldledger::quantity::QuantityKind;

use crate::settings::{ChannelRule, Follows, SimulatorSettings, VesselQuantity};

/// One rule for each channel: the settings' own first, then what the description ties to a vessel,
/// the barometer or a valve, then the middle of the range.
#[must_use]
pub fn links(plant: &Plant, settings: &SimulatorSettings) -> Vec<ChannelRule> {
    let mut tied: BTreeMap<ChannelIx, Follows> = BTreeMap::new();
    let mut tie = |ix: ChannelIx, follows: Follows| {
        tied.entry(ix).or_insert(follows);
    };
    if let Some(ix) = plant.site.barometer {
        tie(ix, Follows::Barometer);
    }
    for (n, vessel) in plant.all.vessel.iter().enumerate() {
        let of = |quantity| Follows::Vessel(n, quantity);
        let mut pressure = |source: &PressureSource| {
            if let PressureSource::Channel(ix) = source {
                let gauge = plant
                    .channel(*ix)
                    .is_some_and(|channel| channel.kind == QuantityKind::GaugePressure);
                let quantity = if gauge {
                    VesselQuantity::Gauge
                } else {
                    VesselQuantity::Pressure
                };
                tie(*ix, of(quantity));
            }
        };
        let mut temperatures = Vec::new();
        let mut purities = Vec::new();
        match &vessel.contents {
            Contents::Fluid {
                pressure: p,
                temperature,
                purity,
                ..
            } => {
                pressure(p);
                temperatures.push((*temperature, VesselQuantity::Thermometer));
                purities.extend(*purity);
            }
            Contents::Bath {
                level,
                pressure: p,
                liquid,
                vapour,
                ..
            } => {
                pressure(p);
                if let LiquidState::Subcooled(source) | LiquidState::Pumped(source) = liquid {
                    temperatures.push((*source, VesselQuantity::Thermometer));
                }
                if let VapourState::Superheated(source) = vapour {
                    temperatures.push((*source, VesselQuantity::Vapour));
                }
                match *level {
                    LevelSource::Height { channel, bottom } => {
                        let bottom_m = bottom.si();
                        tie(channel, of(VesselQuantity::Level { bottom_m }));
                    }
                    LevelSource::DifferentialPressure {
                        channel,
                        bottom_tap,
                        top_tap,
                    } => tie(
                        channel,
                        of(VesselQuantity::Head {
                            bottom_m: bottom_tap.si(),
                            top_m: top_tap.si(),
                        }),
                    ),
                }
            }
            Contents::Bag {
                volume,
                temperature,
                purity,
                ..
            } => {
                tie(*volume, of(VesselQuantity::Volume));
                temperatures.push((*temperature, VesselQuantity::Thermometer));
                purities.extend(*purity);
            }
            Contents::Unmeasured => {}
        }
        for (source, quantity) in temperatures {
            if let TemperatureSource::Channel(ix) = source {
                tie(ix, of(quantity));
            }
        }
        for source in purities {
            if let PuritySource::Channel(ix) = source {
                tie(ix, of(VesselQuantity::Purity));
            }
        }
        // A channel that says the mode shows the mode that the description begins with.
        if let Some((ix, codes)) = &vessel.mode_channel
            && let Some((code, _)) = codes.iter().find(|(_, at)| *at == vessel.first_mode)
        {
            #[expect(clippy::cast_precision_loss, reason = "codes of modes are small")]
            tie(*ix, Follows::Constant(*code as f64));
        }
    }
    for line in &plant.all.line {
        if let PassageSource::Channel {
            channel,
            open_above,
        } = line.passage
            && let Some(found) = plant.channel(channel)
        {
            // A way out of the plant is shut, the others are open: half-way between the limit and
            // the end of the range.
            let outside = [line.from, line.to].contains(&End::Outside);
            let end = if outside {
                found.range.0.max(0.0)
            } else {
                found.range.1
            };
            let shown = if outside {
                end
            } else {
                open_above + 0.5 * (end - open_above)
            };
            tie(channel, Follows::Constant(shown));
        }
    }
    (0u32..)
        .zip(&plant.all.channel)
        .map(|(n, _)| {
            let ix = ChannelIx(n);
            match (settings.channels.get(&ix), tied.get(&ix)) {
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
