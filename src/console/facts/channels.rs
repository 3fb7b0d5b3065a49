//! Every sensor as it reads now, and where it reads from.

use serde::Serialize;

use super::Scene;
use super::losses::UNCERTAINTY;
use crate::console::words::{Figure, Moment, QualityFact, short, span_or_never};
use crate::engine::view::ChannelView;
use crate::plant::{Channel, RegisterTable};
use crate::quantity::{Quality, Reason};
use crate::time::Span;

/// Every channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelFacts {
    /// What every ± on it means.
    pub uncertainty: &'static str,
    /// How many are good.
    pub good: usize,
    /// How many are uncertain.
    pub uncertain: usize,
    /// How many are bad.
    pub bad: usize,
    /// Each, in the order of the description.
    pub channels: Vec<ChannelFact>,
}

/// One channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelFact {
    /// Text id.
    pub id: String,
    /// What it measures.
    pub name: String,
    /// What it is.
    pub instrument: String,
    /// Section, by name; none for the site as a whole.
    pub section: Option<String>,
    /// Kind of quantity, in words.
    pub quantity: &'static str,
    /// Value now.
    pub value: Figure,
    /// How far it can be used.
    pub quality: QualityFact,
    /// When it was last read.
    pub read_at: Moment,
    /// Age of the last usable reading, s.
    pub age_s: Option<f64>,
    /// Age of the last usable reading, in words.
    pub age: String,
    /// Device that serves it, by id.
    pub device: String,
    /// That device by name.
    pub device_name: String,
    /// Registers on the wire: table, first register, number, function code.
    pub registers: String,
    /// First register, counted from 0 as on the wire.
    pub address: u16,
    /// Number of registers.
    pub words: u16,
    /// Modbus function that reads them.
    pub function: u8,
    /// Range that is believed, in the channel's unit.
    pub range: String,
    /// How often it is read, s.
    pub interval_s: f64,
    /// Stale after, s.
    pub stale_after_s: f64,
    /// A pulsed measurement is held this long, s.
    pub hold_s: Option<f64>,
    /// The calibration is valid to here; none when the description does not say.
    pub calibration_valid_to: Option<Moment>,
    /// Whether it is shown first.
    pub pinned: bool,
    /// Whether a person has taken it out of service.
    pub out_of_service: bool,
}

/// The channels of a picture.
#[must_use]
pub fn channel_facts(scene: Scene<'_>) -> ChannelFacts {
    let mut facts = ChannelFacts {
        uncertainty: UNCERTAINTY,
        good: 0,
        uncertain: 0,
        bad: 0,
        channels: Vec::with_capacity(scene.plant.all.channel.len()),
    };
    for (at, channel) in scene.plant.all.channel.iter().enumerate() {
        // Picture and description have the same order while they are of one description.
        let view = scene
            .view
            .channels
            .get(at)
            .filter(|view| view.id == channel.id)
            .or_else(|| {
                scene
                    .view
                    .channels
                    .iter()
                    .find(|view| view.id == channel.id)
            });
        let fact = fact(scene, at, channel, view);
        match fact.quality.quality {
            Quality::Good => facts.good += 1,
            Quality::Uncertain => facts.uncertain += 1,
            Quality::Bad => facts.bad += 1,
        }
        facts.channels.push(fact);
    }
    facts
}

fn fact(scene: Scene<'_>, at: usize, channel: &Channel, view: Option<&ChannelView>) -> ChannelFact {
    let device = scene.plant.device(channel.device);
    let table = match channel.table {
        RegisterTable::Holding => "holding",
        RegisterTable::Input => "input",
    };
    let words = channel.words().max(1);
    let (quality, reason) = view.map_or((Quality::Bad, Reason::NeverRead), |view| {
        (view.quality, view.reason)
    });
    let usable = quality != Quality::Bad;
    // The picture's age is that of its making; the page may be made some seconds later.
    let age = view.and_then(|view| view.age);
    let (low, high) = channel.range;
    let end = |si: f64| short(channel.unit.from_si(si));
    ChannelFact {
        id: channel.id.to_string(),
        name: channel.name.clone(),
        instrument: channel.instrument.clone(),
        section: channel
            .section
            .and_then(|ix| scene.plant.section(ix))
            .map(|section| section.name.clone()),
        quantity: channel.kind.words(),
        value: Figure::new(
            view.and_then(|view| view.value).filter(|_| usable),
            view.and_then(|view| view.std),
            view.map_or(channel.unit.symbol, |view| &view.unit),
        ),
        quality: QualityFact::new(quality, reason),
        read_at: scene.time.moment(view.and_then(|view| view.read_at)),
        age_s: age.map(Span::seconds),
        age: span_or_never(age),
        device: device.map_or_else(String::new, |device| device.id.to_string()),
        device_name: device.map_or_else(String::new, |device| device.name.clone()),
        registers: if words == 1 {
            format!("{table} {}", channel.address)
        } else {
            let last = u32::from(channel.address) + u32::from(words) - 1;
            format!("{table} {} to {last}", channel.address)
        },
        address: channel.address,
        words,
        function: channel.table.function(),
        range: format!("{} to {} {}", end(low), end(high), channel.unit.symbol),
        interval_s: channel.interval.seconds(),
        stale_after_s: channel.stale_after.seconds(),
        hold_s: channel.hold.map(Span::seconds),
        calibration_valid_to: channel
            .calibration_valid_to
            .map(|at| scene.time.minute(Some(at))),
        pinned: scene.plant.console.pinned.iter().any(|ix| ix.index() == at),
        out_of_service: reason == Reason::OutOfService,
    }
}
