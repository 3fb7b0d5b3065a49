//! The description in force, as far as the pages name it.

use serde::Serialize;

use crate::plant::{Link, Plant};

/// The plant as described.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlantFacts {
    /// Text id of the site.
    pub site: String,
    /// Name of the site.
    pub name: String,
    /// IANA time zone.
    pub time_zone: String,
    /// The site's own rules, and whom to call.
    pub local_rules: String,
    /// Hash of the description, as shown.
    pub description: String,
    /// Numbers of things described.
    pub channels: usize,
    /// Numbers of things described.
    pub vessels: usize,
    /// Numbers of things described.
    pub sections: usize,
    /// Numbers of things described.
    pub lines: usize,
    /// Text ids of the sections.
    pub section_ids: Vec<String>,
    /// Alarms and alerts.
    pub alarms: usize,
    /// Devices.
    pub devices: Vec<DeviceFact>,
}

/// A device as described.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct DeviceFact {
    /// Text id.
    pub id: String,
    /// Name.
    pub name: String,
    /// How it is reached.
    pub link: String,
    /// Modbus unit identifier.
    pub unit_id: u8,
}

/// The plant as described.
#[must_use]
pub fn plant_facts(plant: &Plant) -> PlantFacts {
    PlantFacts {
        site: plant.site.id.to_string(),
        name: plant.site.name.clone(),
        time_zone: plant.site.time_zone.clone(),
        local_rules: plant.site.local_rules.clone(),
        description: plant.hash.to_string(),
        channels: plant.all.channel.len(),
        vessels: plant.all.vessel.len(),
        sections: plant.all.section.len(),
        lines: plant.all.line.len(),
        section_ids: plant
            .all
            .section
            .iter()
            .map(|section| section.id.to_string())
            .collect(),
        alarms: plant.alarms.len(),
        devices: plant
            .all
            .device
            .iter()
            .map(|device| DeviceFact {
                id: device.id.to_string(),
                name: device.name.clone(),
                link: match &device.link {
                    Link::Tcp { host, port } => format!("Modbus TCP {host}:{port}"),
                },
                unit_id: device.unit_id,
            })
            .collect(),
    }
}
