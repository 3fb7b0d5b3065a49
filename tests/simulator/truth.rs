//! The truth agrees with the helium model: what a perfect instrument shows gives the true mass.

use coldledger::helium;
use coldledger::plant::{
    ChannelIx, Contents, LevelSource, LiquidState, PressureSource, PuritySource, TemperatureSource,
    VapourState, Vessel,
};
use coldledger::quantity::{AbsolutePressure, QuantityKind, Temperature};
use coldledger::time::Span;
use coldledger_simulator::{Imperfections, SimulatorSettings, VirtualPlant};

use crate::support::{beginning, load, scenario, tarn_hollow, thirty};

struct Shown<'a>(&'a VirtualPlant);

impl Shown<'_> {
    fn channel(&self, ix: ChannelIx) -> f64 {
        self.0.channel_truth(ix).unwrap()
    }

    fn pressure(&self, source: PressureSource) -> AbsolutePressure {
        let plant = self.0.plant();
        let PressureSource::Channel(ix) = source else {
            panic!("the test plants have pressure channels");
        };
        let barometer = self.channel(plant.site.barometer.unwrap());
        let over = match plant.channel(ix).unwrap().kind {
            QuantityKind::GaugePressure => barometer,
            _ => 0.0,
        };
        AbsolutePressure::new(self.channel(ix) + over)
    }

    fn temperature(&self, source: TemperatureSource) -> Temperature {
        match source {
            TemperatureSource::Channel(ix) => Temperature::new(self.channel(ix)),
            TemperatureSource::Stated(stated) => stated.value,
        }
    }

    fn purity(&self, source: Option<PuritySource>) -> f64 {
        match source {
            None => 1.0,
            Some(PuritySource::Channel(ix)) => self.channel(ix),
            Some(PuritySource::Stated(stated)) => stated.value.si(),
        }
    }

    /// What the description's instruments say, worked out anew with the exact helium functions.
    fn mass(&self, contents: &Contents) -> Option<f64> {
        Some(match contents {
            Contents::Fluid {
                volume,
                pressure,
                temperature,
                purity,
            } => {
                let t = self.temperature(*temperature);
                let rho = helium::density(t, self.pressure(*pressure)).unwrap();
                rho.si() * volume.value.si() * self.purity(*purity)
            }
            Contents::Bag {
                volume,
                over_pa,
                temperature,
                purity,
            } => {
                let air = self.channel(self.0.plant().site.barometer.unwrap());
                let t = self.temperature(*temperature);
                let rho = helium::density(t, AbsolutePressure::new(air + over_pa)).unwrap();
                rho.si() * self.channel(*volume) * self.purity(*purity)
            }
            Contents::Bath {
                strapping,
                level,
                pressure,
                liquid,
                vapour,
                ..
            } => {
                let p = self.pressure(*pressure);
                let (liquid, saturated_vapour) = if let LiquidState::Pumped(source) = liquid {
                    let t = self.temperature(*source);
                    let vapour = helium::saturation_at_temperature(t).unwrap().vapour;
                    (helium::liquid_bath_density(t).unwrap().density, vapour)
                } else {
                    let at = helium::saturation_at_pressure(p).unwrap();
                    (at.liquid, at.vapour)
                };
                let vapour = match vapour {
                    VapourState::Saturated => saturated_vapour,
                    VapourState::Superheated(source) => {
                        helium::density(self.temperature(*source), p).unwrap()
                    }
                };
                let height = match *level {
                    LevelSource::Height {
                        channel, bottom, ..
                    } => self.channel(channel) + bottom.si(),
                    LevelSource::DifferentialPressure {
                        channel,
                        bottom_tap,
                        top_tap,
                        ..
                    } => {
                        const GRAVITY: f64 = 9.80665;
                        let head = self.channel(channel) / GRAVITY;
                        let tall = top_tap.si() - bottom_tap.si();
                        let above = (head - vapour.si() * tall) / (liquid.si() - vapour.si());
                        bottom_tap.si() + above
                    }
                    LevelSource::Capacitance { .. } => return None,
                    LevelSource::Volume { channel } => {
                        strapping.height_at(self.channel(channel)).unwrap()
                    }
                };
                let filled = strapping.volume_at(height).unwrap().0;
                filled * liquid.si() + (strapping.total() - filled) * vapour.si()
            }
            Contents::Unmeasured => return None,
        })
    }
}

/// Worst relative difference of measured and true contents over the vessels of a kind.
fn worst(plant: &VirtualPlant, which: impl Fn(&Vessel) -> bool) -> (f64, String) {
    let truth = plant.truth();
    let mut worst = (0.0, String::new());
    for (vessel, truth) in plant.plant().all.vessel.iter().zip(&truth.vessels) {
        let contents = truth.mass_kg - truth.holdup_kg;
        if which(vessel)
            && let Some(shown) = Shown(plant).mass(&vessel.contents)
        {
            let off = (shown / contents - 1.0).abs();
            if off > worst.0 {
                worst = (off, format!("{}: {shown} for {contents}", vessel.id));
            }
        }
    }
    worst
}

#[test]
fn perfect_instruments_give_the_true_mass() {
    for plant in [
        thirty(1, Imperfections::NONE, ""),
        tarn_hollow(1, Imperfections::NONE),
    ] {
        let (off, which) = worst(&plant, |_| true);
        assert!(off < 1e-6, "{off:e} {which}");
    }
}

#[test]
fn later_only_what_the_estimator_does_not_model_is_between_them() {
    let mut plant = tarn_hollow(1, Imperfections::NONE);
    // The dewar's liquid lags its pressure, the tanks' thermometers their gas.
    let lags = |vessel: &Vessel| vessel.outdoors || &*vessel.id == "D1";
    let mut largest: f64 = 0.0;
    for _ in 0..24 {
        plant.advance(Span::HOUR);
        let (off, which) = worst(&plant, |_| true);
        largest = largest.max(off);
        assert!(off < 0.01, "{off:e} {which}");
        let (off, which) = worst(&plant, |vessel| !lags(vessel));
        assert!(off < 1e-6, "{off:e} {which}");
    }
    // Lag and sun are there: a few tenths of a kelvin in 284 K.
    assert!(largest > 5e-4, "{largest:e}");
}

#[test]
fn a_falling_barometer_moves_no_helium() {
    let plant = load("config/single-dewar");
    let ramp = scenario(
        &plant,
        r#"
        [[event]]
        at = "1 h"
        kind = "barometer"
        by = "-30 mbar"
        over = "6 h"
        "#,
    );
    let settings = SimulatorSettings::quiet(&plant);
    let begun = beginning(1, Imperfections::NONE);
    let mut plant = VirtualPlant::new(plant, &settings, ramp, begun).unwrap();
    let shown = |plant: &VirtualPlant| -> f64 {
        let vessels = plant.plant().all.vessel.iter();
        vessels
            .filter_map(|vessel| Shown(plant).mass(&vessel.contents))
            .sum()
    };
    let (before, air) = (shown(&plant), plant.truth().barometer_pa);
    plant.advance(Span::from_millis(8 * 3_600_000));
    assert!((plant.truth().barometer_pa - air + 3000.0).abs() < 1e-6);
    assert!((shown(&plant) - before).abs() < 1e-4, "{before}");
}
