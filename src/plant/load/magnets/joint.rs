//! Joints between cables.

use super::Reader;
use crate::plant::magnets::Joint;
use crate::plant::raw;
use crate::quantity::{QuantityKind, Resistance, Voltage};

impl Reader<'_, '_, '_, raw::Joint> {
    pub(super) fn joint(mut self) -> Option<Joint> {
        let keys = &self.here.entry.keys;
        let name = self.name(keys.name.as_ref());
        let section = self.section(keys.section.as_ref());
        let current = self.current(keys.current.as_ref());
        let voltage = self.channel(
            keys.voltage.as_ref(),
            "voltage",
            QuantityKind::Voltage,
            "a joint's voltage",
        );
        let zero = self.stated::<Voltage>(
            keys.zero.as_ref(),
            "zero",
            "\"0.2 uV ± 0.1 uV\", what stands at no current",
        );
        let resolution = self.above_zero(
            keys.resolution.as_ref(),
            "resolution",
            "\"1 nV\", the smallest step that the converter tells",
            QuantityKind::Voltage,
        );
        let wanted = self.above_zero(
            keys.wanted.as_ref(),
            "wanted",
            "\"1 nohm\", the resistance that is to be seen",
            QuantityKind::Resistance,
        );
        Some(Joint {
            id: self.id.into(),
            name: name?,
            section: section?,
            voltage: voltage?,
            current: current?,
            zero: zero?,
            resolution: Voltage::new(resolution?),
            wanted: Resistance::new(wanted?),
        })
    }
}
