//! The stated band of the inventory covers the truth as often as it says, for the plant and for
//! each vessel, when calibrations, volumes and holdups are drawn anew.

use coldledger::engine::outcome::{InventoryReport, OutcomeKind};
use coldledger::time::Span;
use coldledger_simulator::Truth;

use crate::support::{Site, over_seeds, rms, run, start};

const SEEDS: u64 = 50;

/// Of 50 bands of 95 %, 44 or more cover the truth with a probability of 98.8 % (binomial); all 50
/// may.
const LEAST_COVERED: usize = 44;

/// Band of the root mean square of 50 standardised differences: 1 +- 0.3 is three standard
/// deviations of chance.
const RMS: std::ops::RangeInclusive<f64> = 0.7..=1.3;

/// Of a single vessel: what is stated for sun and lag of an outdoor tank is for the worse hours, and
/// where the model brings them about itself most hours are better.
const RMS_OF_A_VESSEL: std::ops::RangeInclusive<f64> = 0.4..=1.3;

/// Six hours of plant, begun at any time of the day, so that sun and night are among them.
fn judge(site: &Site, seed: u64) -> (InventoryReport, Truth) {
    let at = start() + Span::from_millis(i64::try_from(seed % 8).unwrap() * 3 * 3_600_000);
    let mut last = None;
    let until = at + Span::from_millis(6 * 3_600_000);
    run(site.twin(seed, at, ""), until, |twin, _, outcomes| {
        for outcome in outcomes {
            if let OutcomeKind::Inventory(report) = &outcome.kind {
                last = Some((report.clone(), twin.truth()));
            }
        }
    });
    last.unwrap()
}

fn covers(site: &Site) {
    let found = over_seeds(1..SEEDS + 1, |seed| judge(site, seed));
    let name = &site.plant.site.name;
    let standardised: Vec<f64> = found
        .iter()
        .map(|(report, truth)| (report.plant.mass_kg - truth.total_kg) / report.plant.std_kg)
        .collect();
    let covered = standardised.iter().filter(|z| z.abs() <= 1.96).count();
    let (first, truth) = &found[0];
    println!(
        "{name}: {covered} of {SEEDS} bands cover, rms {:.2}, mean {:.2}; {:.1} kg +- {:.2} kg, \
         truth {:.1} kg",
        rms(standardised.iter().copied()),
        standardised.iter().sum::<f64>() / SEEDS as f64,
        first.plant.mass_kg,
        first.plant.std_kg,
        truth.total_kg,
    );
    let mut odd = Vec::new();
    for (at, (vessel, figure)) in first.vessels.iter().enumerate() {
        let each: Vec<f64> = found
            .iter()
            .filter_map(|(report, truth)| {
                let figure = &report.vessels[at].1;
                let off = figure.mass_kg - truth.vessels[at].mass_kg;
                // Nothing to judge where both agree that there is nothing.
                (figure.std_kg > 1e-9 || off.abs() > 1e-9).then(|| off / figure.std_kg.max(1e-9))
            })
            .collect();
        if each.is_empty() {
            continue;
        }
        let (spread, mean) = (
            rms(each.iter().copied()),
            each.iter().sum::<f64>() / each.len() as f64,
        );
        println!(
            "  {vessel}: rms {spread:.2}, mean {mean:.2}; {:.2} kg +- {:.3} kg",
            figure.mass_kg, figure.std_kg
        );
        if !RMS_OF_A_VESSEL.contains(&spread) {
            odd.push(format!("{vessel} {spread:.2}"));
        }
    }
    assert!(covered >= LEAST_COVERED, "{covered}");
    let spread = rms(standardised.iter().copied());
    assert!(RMS.contains(&spread), "{spread}");
    assert!(odd.is_empty(), "{odd:?}");
}

#[test]
fn inventory_bands_cover_the_truth_of_thirty_channels() {
    covers(&Site::thirty());
}

#[test]
fn inventory_bands_cover_the_truth_of_tarn_hollow() {
    covers(&Site::tarn_hollow());
}
