//! Plants described in a text, read by numbers instead of devices, and erring at random.

use std::collections::BTreeMap;
use std::fmt::Write;

use coldledger::balance::inventory::{Readings, StatedSource, VesselMass, vessel_mass};
use coldledger::plant::{ChannelIx, Plant, SourceFile, load};
use coldledger::quantity::{GroupIx, Measured, SharedParts, Si};

/// Everything but what a test is about.
const FRAME: &str = r#"
[site]
id = "site"
name = "Site"
time-zone = "UTC"
barometer = "PB"
accepted-loss = "0 kg/day ± 0.1 kg/day"
local-rules = "See the wall."
[[device]]
id = "D"
name = "Device"
tcp = "127.0.0.1"
[[section]]
id = "gas"
name = "Gas"
[instrument.gauge]
quantity = "gauge-pressure"
format = "f32"
scale = "1 bar"
range = ["-1 bar(g)", "200 bar(g)"]
noise = "1 mbar"
calibration = "5 mbar"
[instrument.absolute]
quantity = "absolute-pressure"
format = "f32"
scale = "1 bar"
range = ["0 bar(a)", "200 bar(a)"]
noise = "0.5 mbar"
calibration = "1 mbar"
[instrument.difference]
quantity = "pressure-difference"
format = "f32"
scale = "1 mbar"
range = ["-5 mbar", "200 mbar"]
noise = "0.02 mbar"
calibration = "0.1 mbar"
[instrument.warm]
quantity = "temperature"
format = "f32"
scale = "1 K"
range = ["200 K", "400 K"]
noise = "0.1 K"
calibration = "0.5 K"
[instrument.cold]
quantity = "temperature"
format = "f32"
scale = "1 K"
range = ["1 K", "20 K"]
noise = "2 mK"
calibration = "10 mK"
[instrument.level]
quantity = "length"
format = "f32"
scale = "1 mm"
range = ["0 mm", "3 m"]
noise = "2 mm"
calibration = "4 mm"
[instrument.flow]
quantity = "mass-flow"
format = "f32"
scale = "1 g/s"
range = ["-1 g/s", "100 g/s"]
noise = "0.05 g/s"
calibration = "1 % of reading"
[instrument.size]
quantity = "volume"
format = "f32"
scale = "1 m3"
range = ["0 m3", "200 m3"]
noise = "0.1 m3"
calibration = "0.5 m3"
[instrument.count]
quantity = "plain-number"
format = "u32"
scale = "1 count"
range = ["0 count", "1000000 count"]
[instrument.capacitance]
quantity = "capacitance"
format = "f32"
scale = "1 pF"
range = ["10 pF", "500 pF"]
noise = "0.005 pF"
calibration = "0.01 pF"
"#;

/// A plant of these channels (id, instrument) and these tables; the barometer is there.
pub fn plant(channels: &[(&str, &str)], tables: &str) -> Plant {
    load(&[SourceFile {
        name: "plant.toml".into(),
        text: text(channels, tables),
    }])
    .unwrap_or_else(|problems| panic!("{problems}"))
}

pub fn text(channels: &[(&str, &str)], tables: &str) -> String {
    let mut text = FRAME.to_owned();
    for (at, (id, instrument)) in [("PB", "absolute")].iter().chain(channels).enumerate() {
        write!(
            text,
            "[[channel]]\nid = \"{id}\"\nname = \"{id}\"\ndevice = \"D\"\nregister = \"holding {}\"\ninstrument = \"{instrument}\"\n",
            10 * at
        ).unwrap();
    }
    if !tables.contains("[[vessel]]") {
        text += "[[vessel]]\nid = \"V\"\nname = \"V\"\nsection = \"gas\"\nunmeasured = true\n[[vessel.mode]]\nid = \"in-use\"\nholdup = \"1 kg ± 1 kg\"\n";
    }
    text + tables
}

/// Numbers by channel, each with the uncertainty that its description gives it.
#[derive(Clone)]
pub struct Numbers(pub BTreeMap<ChannelIx, Measured<Si>>);

impl Readings for Numbers {
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>> {
        self.0.get(&channel)
    }
}

/// What each channel shows, in SI.
pub fn numbers(plant: &Plant, shown: &[(&str, f64)]) -> Numbers {
    Numbers(
        shown
            .iter()
            .map(|&(id, value)| {
                let (ix, channel) = plant.channel_by_id(id).unwrap();
                let words = channel.chain.raw_for(value).unwrap();
                let mut read = channel
                    .chain
                    .convert(&words, channel.range, &channel.uncertainty);
                read.value = Si(value);
                (ix, read)
            })
            .collect(),
    )
}

impl Numbers {
    /// The same with an error of each channel's noise and of each shared source.
    pub fn err(&self, normal: &mut impl FnMut() -> f64) -> Self {
        let mut sources: BTreeMap<GroupIx, f64> = BTreeMap::new();
        let mut erring = self.clone();
        for read in erring.0.values_mut() {
            read.value.0 += read.independent_std * normal();
            for &(group, u) in &read.shared {
                read.value.0 += u * *sources.entry(group).or_insert_with(&mut *normal);
            }
        }
        erring
    }
}

/// The first vessel of a plant in its first mode.
pub fn mass(plant: &Plant, readings: &dyn Readings) -> VesselMass {
    let (ix, vessel) = (coldledger::plant::VesselIx(0), &plant.all.vessel[0]);
    vessel_mass(plant, ix, vessel, &vessel.modes[0], readings)
}

/// Standard uncertainty of a vessel's mass from its readings alone, kg.
pub fn std_of_readings(mass: &VesselMass, readings: &Numbers) -> f64 {
    let mut variance = 0.0;
    let mut shared = SharedParts::new();
    for &(channel, slope) in &mass.by_channel {
        let read = readings.measured(channel).unwrap();
        variance += (slope * read.independent_std) * (slope * read.independent_std);
        coldledger::quantity::add_shared(&mut shared, &read.shared, slope);
    }
    libm::sqrt(variance + shared.iter().map(|(_, u)| u * u).sum::<f64>())
}

/// What a stated number brings, kg.
pub fn stated(mass: &VesselMass, source: StatedSource) -> f64 {
    mass.by_stated
        .iter()
        .find(|(known, _)| *known == source)
        .map_or(0.0, |(_, u)| *u)
}
