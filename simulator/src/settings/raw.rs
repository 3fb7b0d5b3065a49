//! The settings file as written.

use serde::Deserialize;
use toml::Spanned;

use super::text::Text;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawFile {
    #[serde(default)]
    pub header: Vec<Text>,
    /// Shared sources of error that the model brings about itself, so that they are not drawn.
    #[serde(default)]
    pub not_drawn: Vec<Text>,
    pub climate: Option<RawClimate>,
    pub liquefier: Option<RawLiquefier>,
    #[serde(default)]
    pub mover: Vec<RawMover>,
    #[serde(default)]
    pub vessel: Vec<RawVessel>,
    #[serde(default)]
    pub channel: Vec<RawChannel>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawClimate {
    pub mean: Option<Text>,
    pub day: Option<Text>,
    pub day_spread: Option<Text>,
    pub wander: Option<Text>,
    pub clear: Option<Text>,
    pub mean_pressure: Option<Text>,
    pub front: Option<Text>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawLiquefier {
    pub into: Text,
    pub hold: Text,
    pub most: Text,
    pub header_low: Text,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawMover {
    pub name: Text,
    pub from: Text,
    pub to: Text,
    pub start_above: Text,
    pub stop_below: Text,
    pub rate: Text,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawVessel {
    pub id: Text,
    pub fill: Option<Text>,
    pub pressure: Option<Text>,
    pub temperature: Option<Text>,
    pub bag_volume: Option<Text>,
    pub purity: Option<Text>,
    pub heat_load: Option<Text>,
    pub heat_load_wander: Option<Text>,
    pub boil_off_to: Option<Text>,
    pub pressure_wander: Option<Text>,
    pub superheat: Option<Text>,
    pub subcooling: Option<Text>,
    pub liquid_lag: Option<Text>,
    pub held: Option<bool>,
    pub gas_lag: Option<Text>,
    pub sun: Option<Text>,
    pub thermometer_lag: Option<Text>,
    pub thermometer_sun: Option<Text>,
    pub holdup_wander: Option<Spanned<f64>>,
    pub supply: Option<RawSupply>,
    pub refill: Option<RawRefill>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawSupply {
    pub from: Text,
    pub hold: Text,
    pub most: Text,
    pub flash: Text,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawRefill {
    pub from: Text,
    pub below: Text,
    pub until: Text,
    pub rate: Text,
    pub flash: Text,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct RawChannel {
    pub id: Text,
    pub follows: Option<Text>,
    pub value: Option<Text>,
    pub plus: Option<Text>,
    pub factor: Option<f64>,
    pub wander: Option<Text>,
    pub wander_time: Option<Text>,
}
