//! A plant held still, and a second computation of every mass that shares nothing with ours.

use serde_json::Value;

use crate::support::{Daemon, Plant, folder, python, root, wait_for};

/// Largest relative difference of a mass.
const MASS_TOLERANCE: f64 = 1e-6;
/// Largest difference of the density of a bath below the lambda line, kg/m3.
const HELIUM_II_TOLERANCE: f64 = 0.03;

#[test]
fn masses_agree_with_an_independent_computation_from_the_registers() {
    let folder = folder();
    let plant = Plant::serve("config/tarn-hollow", folder.path(), &["--hold-still"]);
    let daemon = Daemon::running(&plant.description, folder.path());
    let mine = wait_for("every channel to be read", 60, || {
        let channels = daemon.json("/api/v1/channels");
        let mut all = channels["channels"].as_array()?.iter();
        all.all(|channel| !channel["read_at"]["ms"].is_null())
            .then_some(channels)
    });
    let vessels = daemon.json("/api/v1/vessels");

    let out = python()
        .arg(root().join("tests/end-to-end/independent.py"))
        .arg(&plant.description)
        .arg(root().join("tests/reference/helium_ii_saturated.csv"))
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let theirs: Value = serde_json::from_slice(&out.stdout).unwrap();

    let channels = mine["channels"].as_array().unwrap();
    assert_eq!(
        channels.len(),
        theirs["channels"].as_object().unwrap().len()
    );
    let (mut good, mut worst) = (0, 0.0_f64);
    for channel in channels {
        let id = channel["id"].as_str().unwrap();
        let Some(ours) = channel["value"]["value"].as_f64() else {
            // Noise may carry a reading of nothing below the meter's range; no more than that.
            println!("{id}: {}", channel["quality"]);
            continue;
        };
        let other = theirs["channels"][id].as_f64().unwrap();
        let difference = (ours - other).abs() / other.abs().max(1e-3);
        assert!(difference < 1e-9, "{id}: {ours} here, {other} there");
        good += 1;
        worst = worst.max(difference);
    }
    assert!(good + 2 >= channels.len(), "only {good} channels are good");
    println!("{good} channels, worst relative difference {worst:e}");

    let vessels = vessels.as_array().unwrap();
    assert_eq!(vessels.len(), theirs["vessels"].as_object().unwrap().len());
    for vessel in vessels {
        let id = vessel["id"].as_str().unwrap();
        let other = &theirs["vessels"][id];
        let ours = vessel["mass"]["mass"]["value"].as_f64().unwrap();
        let mass = other["mass_kg"].as_f64().unwrap();
        let difference = (ours / mass - 1.0).abs();
        println!("{id}: {ours} kg, relative difference {difference:e}");
        if other["helium_ii"] == true {
            let density = vessel["density"]["value"].as_f64().unwrap();
            let reference = other["density_kg_m3"].as_f64().unwrap();
            assert!(
                (density - reference).abs() < HELIUM_II_TOLERANCE,
                "{id}: {density} kg/m3 here, {reference} in the table"
            );
            let step = HELIUM_II_TOLERANCE / reference;
            assert!(difference < step, "{id}: {ours} here, {mass} there");
        } else {
            assert!(
                difference < MASS_TOLERANCE,
                "{id}: {ours} here, {mass} there"
            );
        }
    }
}
