//! Three ways to see a loss, each with the range it is good for: the balance for kilograms, the rise
//! of an insulation vacuum for milligrams, oxygen in the room for a release at once.
//!
//! **Source** gas throughput: q = V dp/dt at constant temperature (textbook), helium at 20 °C by the
//! ideal gas law, M = 4.002602e-3 kg/mol (IUPAC); displaced oxygen: 20.95 % in dry air, warning at
//! 19.5 % (common practice, no source).

use serde::Serialize;

use super::Scene;
use crate::console::words::{Figure, loss_unit, window as window_name};
use crate::instrument::vacuum::{
    THROUGHPUT_TEMPERATURE_K, helium_mass_flow, leak_throughput_mbar_l_per_s,
};
use crate::plant::LossUnit;

/// Oxygen of dry air, and where monitors warn.
const OXYGEN_OF_AIR: f64 = 0.2095;
const OXYGEN_WARNING: f64 = 0.195;
/// One milligram a day, kg/s.
const MILLIGRAM_A_DAY: f64 = 1e-6 / 86_400.0;
/// The room that is spoken of, m3.
const ROOM_M3: f64 = 100.0;

/// One range.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RangeFact {
    /// How large a loss it is for.
    pub size: &'static str,
    /// What shows it.
    pub by: &'static str,
    /// What would be seen now.
    pub shows: String,
    /// What it cannot see.
    pub blind: &'static str,
}

/// The three ranges of a picture.
#[must_use]
pub fn range_facts(scene: Scene<'_>) -> Vec<RangeFact> {
    let unit = loss_unit(scene.plant);
    vec![
        RangeFact {
            size: "kilograms",
            by: "the balance",
            shows: balance(scene, &unit),
            blind: "Anything smaller, and anything that goes round inside the plant.",
        },
        RangeFact {
            size: "milligrams",
            by: "the rise of an insulation vacuum",
            shows: vacuum(scene),
            blind: "Losses to the room and the air. Cold walls pump helium, so a cold rise is a lower bound; ion gauges read helium five to seven times low.",
        },
        RangeFact {
            size: "a release into a room",
            by: "oxygen monitors",
            shows: oxygen(),
            blind: "What ventilation takes away as fast as it comes, and anything outdoors.",
        },
    ]
}

fn balance(scene: Scene<'_>, unit: &LossUnit) -> String {
    let plant = scene.view.losses.iter().find(|loss| loss.section.is_none());
    let seen: Vec<String> = plant
        .into_iter()
        .flat_map(|loss| &loss.windows)
        .filter(|window| window.over.days() >= 1.0 && window.detection_limit_kg.is_finite())
        .map(|window| {
            let rate = window.detection_limit_kg / window.over.seconds();
            format!(
                "{} over {}",
                Figure::two_digits(unit.from_si(rate), unit.symbol()).with_unit(),
                window_name(window.over)
            )
        })
        .collect();
    if seen.is_empty() {
        return "A limit comes with the first day of history.".into();
    }
    format!(
        "An extra loss is sure to be seen (95 %) from {}.",
        seen.join(", from ")
    )
}

fn vacuum(scene: Scene<'_>) -> String {
    let spaces: Vec<String> = scene
        .plant
        .all
        .vessel
        .iter()
        .filter_map(|vessel| {
            let space = vessel.insulation_vacuum.as_ref()?;
            let channel = scene.plant.channel(space.channel)?;
            let litres = space.volume.value.si() * 1e3;
            Some(format!(
                "{:.1e} mbar at {} ({}; {})",
                hourly_rise_mbar(MILLIGRAM_A_DAY, litres),
                vessel.name,
                channel.id,
                Figure::two_digits(litres, "L").with_unit()
            ))
        })
        .collect();
    if spaces.is_empty() {
        return format!(
            "1 mg/day into 1000 L raises it by {:.1e} mbar in an hour.",
            hourly_rise_mbar(MILLIGRAM_A_DAY, 1000.0)
        );
    }
    format!(
        "1 mg/day raises it in an hour by: {}. A rise of so much tells of no more than that, unless walls pump.",
        spaces.join("; ")
    )
}

/// Rise in an hour of a vacuum of that volume by that much helium at 20 °C, mbar.
fn hourly_rise_mbar(kg_per_s: f64, litres: f64) -> f64 {
    leak_throughput_mbar_l_per_s(kg_per_s) * 3600.0 / litres
}

fn oxygen() -> String {
    let displaced = 1.0 - OXYGEN_WARNING / OXYGEN_OF_AIR;
    let kg = helium_mass_flow(displaced * ROOM_M3 * 101_325.0, THROUGHPUT_TEMPERATURE_K);
    format!(
        "19.5 % of oxygen in a room of {ROOM_M3:.0} m3 means about {} of helium at once.",
        Figure::two_digits(kg, "kg").with_unit()
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/reference/leak_units.csv: SI definitions.
    #[test]
    fn throughput_is_as_in_the_reference() {
        let text = include_str!("../../../tests/reference/leak_units.csv");
        let mut rows = 0;
        for row in text.lines().filter(|row| row.starts_with("mbar_L_s,")) {
            let cells: Vec<f64> = row
                .split(',')
                .skip(1)
                .map(|cell| cell.parse().unwrap())
                .collect();
            let (mbar_l, kg_per_s) = (cells[0], cells[5]);
            let found = leak_throughput_mbar_l_per_s(kg_per_s);
            assert!((found / mbar_l - 1.0).abs() < 1e-9, "{row}: {found}");
            rows += 1;
        }
        assert!(rows >= 4);
    }

    /// tests/reference/vacuum_rate_of_rise.csv: q = V dp/dt, helium in g/day.
    #[test]
    fn a_rise_is_the_helium_that_the_reference_says() {
        let text = include_str!("../../../tests/reference/vacuum_rate_of_rise.csv");
        let rows: Vec<Vec<f64>> = text
            .lines()
            .filter(|row| row.starts_with(|c: char| c.is_ascii_digit()))
            .map(|row| row.split(',').map(|cell| cell.parse().unwrap()).collect())
            .collect();
        assert!(rows.len() >= 4);
        for row in rows {
            let per_hour = (row[2] - row[1]) / row[3] * 3600.0;
            let found = hourly_rise_mbar(row[6] * 1e-3 / 86_400.0, row[0]);
            assert!((found / per_hour - 1.0).abs() < 1e-6, "{row:?}: {found}");
        }
    }
}
