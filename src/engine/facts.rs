//! What alarms may ask about the plant.

use super::core::Engine;
use super::magnets::{MarginState, Until};
use crate::alarm::Facts;
use crate::balance::report::{ExcessLoss, Explanation, RoomLeft, WindowBalance};
use crate::plant::{ChannelIx, CoolDownIx, DeviceIx, LineIx, MagnetIx, Passage, Scope, VesselIx};
use crate::quantity::{Measured, Quality, Si};
use crate::time::Span;

impl Facts for Engine {
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>> {
        self.state
            .channels
            .get(channel)
            .map(super::channels::ChannelState::for_alarms)
    }

    fn vessel_mass_kg(&self, vessel: VesselIx) -> Option<f64> {
        self.masses
            .get(vessel.index())
            .filter(|mass| mass.quality != Quality::Bad)
            .map(|mass| mass.mass_kg)
    }

    fn excess(&self, scope: Scope) -> Option<&ExcessLoss> {
        match scope {
            Scope::Plant => self.state.losses.report()?.excess.as_ref(),
            Scope::Section(ix) => self.state.losses.area_of(ix)?.excess.as_ref(),
        }
    }

    fn explanation(&self) -> Option<&Explanation> {
        self.state.losses.explanation()
    }

    fn window(&self, scope: Scope, over: Span) -> Option<&WindowBalance> {
        let losses = &self.state.losses;
        let report = match scope {
            Scope::Plant => losses.report(),
            Scope::Section(ix) => losses.area_of(ix),
        };
        report?.windows.iter().find(|window| window.over == over)
    }

    fn room(&self) -> Option<&RoomLeft> {
        self.state.room.as_ref()
    }

    fn passage(&self, line: LineIx) -> Passage {
        self.state
            .passages
            .get(line.index())
            .copied()
            .unwrap_or(Passage::Unknown)
    }

    fn margin_k(&self, magnet: MagnetIx) -> Option<(f64, f64)> {
        let now = self.state.magnets.report.magnets.get(magnet.index())?;
        match now.state {
            MarginState::Standing => now.margin_k.map(|margin| (margin.value, margin.std)),
            MarginState::Lost => Some((f64::NEG_INFINITY, 0.0)),
            MarginState::NotKnown => None,
        }
    }

    fn time_until_low_s(&self, vessel: VesselIx) -> Option<f64> {
        let id = &self.plant.vessel(vessel)?.id;
        let mut baths = self.state.magnets.report.baths.iter();
        match baths.find(|bath| bath.id == *id)?.until_low {
            Until::NotKnown => None,
            Until::Reached => Some(0.0),
            Until::Never => Some(f64::INFINITY),
            Until::After { after_s, .. } => Some(after_s),
        }
    }

    fn gradient_k(&self, cool_down: CoolDownIx) -> Option<(f64, f64)> {
        let now = self
            .state
            .magnets
            .report
            .cool_downs
            .get(cool_down.index())?;
        now.difference_k
            .map(|difference| (difference.value, now.limit_k))
    }

    fn device_answers(&self, device: DeviceIx) -> Option<bool> {
        self.state.devices.get(device.index())?.answers
    }
}
