//! Instruments that should read alike: how far each stands from its peers, in kilograms.
//!
//! Tanks on one header have one pressure, so a transmitter that drifts leaves the others, while a
//! leak takes all of them along. That is the only thing that tells a drift from a loss. Which
//! channels should agree, and while which lines are open, the description says where it asks for an
//! alarm on their disagreement.

use super::inventory::{Readings, VesselMass};
use crate::plant::{AlarmSource, ChannelIx, LineIx, Passage, Plant};

/// One channel with its peers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Comparison {
    /// The channel.
    pub channel: ChannelIx,
    /// What should read the same.
    pub peers: Vec<ChannelIx>,
    /// Only while each of these is open.
    pub while_open: Vec<LineIx>,
}

/// The comparisons that a description has, in the order of its alarms.
#[must_use]
pub fn comparisons(plant: &Plant) -> Vec<Comparison> {
    let mut found: Vec<Comparison> = Vec::new();
    for rule in &plant.alarms {
        let AlarmSource::Disagreement {
            channels,
            while_open,
            ..
        } = &rule.source
        else {
            continue;
        };
        for channel in channels {
            if found.iter().any(|known| known.channel == *channel) {
                continue;
            }
            let peers = channels.iter().copied().filter(|peer| peer != channel);
            found.push(Comparison {
                channel: *channel,
                peers: peers.collect(),
                while_open: while_open.clone(),
            });
        }
    }
    found
}

/// How much more helium each comparison's channel claims than its peers would, kg; none while they
/// cannot be compared.
pub fn unlike_kg<'a>(
    comparisons: &'a [Comparison],
    masses: &'a [VesselMass],
    readings: &'a dyn Readings,
    passages: &'a [Passage],
) -> impl Iterator<Item = Option<f64>> + 'a {
    let usable = |channel: ChannelIx| {
        readings
            .measured(channel)
            .filter(|measured| measured.is_usable())
            .map(|measured| measured.value.0)
    };
    comparisons.iter().map(move |comparison| {
        let open = comparison
            .while_open
            .iter()
            .all(|line| passages.get(line.index()) == Some(&Passage::Open));
        if !open {
            return None;
        }
        let own = usable(comparison.channel)?;
        let mut peers: Vec<f64> = comparison
            .peers
            .iter()
            .filter_map(|&ix| usable(ix))
            .collect();
        let slope: f64 = masses
            .iter()
            .flat_map(|mass| &mass.by_channel)
            .filter(|(channel, _)| *channel == comparison.channel)
            .map(|(_, slope)| slope)
            .sum();
        // A channel that counts in no mass only helps the others.
        (slope != 0.0).then_some(())?;
        Some((own - median(&mut peers)?) * slope)
    })
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let upper = *values.get(values.len() / 2)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *values.get(values.len() / 2 - 1)?;
    Some(0.5 * (lower + upper))
}
