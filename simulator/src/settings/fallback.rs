//! A quiet plant for any description: each vessel in the middle of what its instruments can show,
//! nothing flows. A settings file then says what is different.

use coldledger::plant::{
    Channel, ChannelIx, Contents, LiquidState, Plant, PressureSource, PuritySource,
    TemperatureSource, Vessel,
};
use coldledger::quantity::QuantityKind;

use crate::model::VesselParams;

/// Usual temperature of gas in a building or outdoors, K.
const ROOM_K: f64 = 288.0;
/// Standard air pressure, Pa, for the middle of a gauge range.
const AIR_PA: f64 = 101_325.0;
/// Below this a fluid is cold process gas whose state a plant holds.
const COLD_K: f64 = 50.0;

pub(super) fn vessel(plant: &Plant, vessel: &Vessel) -> VesselParams {
    let mut params = VesselParams::default();
    match &vessel.contents {
        Contents::Fluid {
            pressure,
            temperature,
            purity,
            ..
        } => {
            params.pressure_pa = pressure_of(plant, *pressure);
            params.temperature_k = temperature_of(plant, *temperature, ROOM_K);
            params.held = params.temperature_k < COLD_K;
            params.purity = purity_of(plant, *purity);
        }
        Contents::Bath {
            pressure, liquid, ..
        } => {
            params.pressure_pa = pressure_of(plant, *pressure).clamp(90_000.0, 160_000.0);
            if let LiquidState::Pumped(source) = liquid {
                params.temperature_k = temperature_of(plant, *source, 1.9).clamp(1.7, 2.1);
            }
        }
        Contents::Bag {
            volume,
            temperature,
            purity,
            ..
        } => {
            params.bag_m3 = plant.channel(*volume).map_or(0.0, middle);
            params.temperature_k = temperature_of(plant, *temperature, ROOM_K);
            params.purity = purity_of(plant, *purity);
        }
        Contents::Unmeasured => {}
    }
    params
}

/// A value that a channel of unknown purpose may show: nothing for a flow, otherwise the middle of
/// its range, on a logarithmic scale where that spans more than three decades.
pub(super) fn middle(channel: &Channel) -> f64 {
    let (low, high) = channel.range;
    match channel.kind {
        QuantityKind::MassFlow | QuantityKind::Plain if low <= 0.0 && high >= 0.0 => 0.0,
        _ if low > 0.0 && high / low > 1e3 => libm::sqrt(low * high),
        _ => low + 0.5 * (high - low),
    }
}

fn pressure_of(plant: &Plant, source: PressureSource) -> f64 {
    match source {
        PressureSource::Channel(ix) => plant.channel(ix).map_or(AIR_PA, |channel| {
            let over = if channel.kind == QuantityKind::GaugePressure {
                AIR_PA
            } else {
                0.0
            };
            middle(channel) + over
        }),
        PressureSource::Air { over_pa } => AIR_PA + over_pa,
    }
}

fn temperature_of(plant: &Plant, source: TemperatureSource, usual_k: f64) -> f64 {
    match source {
        TemperatureSource::Channel(ix) => usual_within(plant, ix, usual_k),
        TemperatureSource::Stated(stated) => stated.value.si(),
    }
}

fn usual_within(plant: &Plant, ix: ChannelIx, usual: f64) -> f64 {
    plant.channel(ix).map_or(usual, |channel| {
        if (channel.range.0..=channel.range.1).contains(&usual) {
            usual
        } else {
            middle(channel)
        }
    })
}

fn purity_of(plant: &Plant, source: Option<PuritySource>) -> f64 {
    match source {
        None => 1.0,
        Some(PuritySource::Stated(stated)) => stated.value.si(),
        Some(PuritySource::Channel(ix)) => usual_within(plant, ix, 0.98),
    }
}
