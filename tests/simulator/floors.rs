//! Truth must not come from the code under test.

use std::path::Path;

use crate::support::root;

/// Floors of the library that a text names.
fn floors(text: &str) -> Vec<&str> {
    text.split("coldledger::")
        .skip(1)
        .filter_map(|after| after.split(|c: char| !c.is_ascii_lowercase()).next())
        .filter(|floor| !floor.is_empty())
        .collect()
}

fn check(directory: &Path, allowed: &[&str], seen: &mut usize) {
    for entry in std::fs::read_dir(directory).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            check(&path, allowed, seen);
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap();
        for floor in floors(&text) {
            *seen += 1;
            assert!(allowed.contains(&floor), "{} names {floor}", path.display());
        }
    }
}

#[test]
fn the_model_knows_neither_balance_nor_alarm() {
    let source = root().join("simulator/src");
    let pure = ["helium", "instrument", "plant", "quantity", "time"];
    let mut seen = 0;
    check(&source.join("model"), &pure, &mut seen);
    assert!(seen > 5, "{seen}");
    let with_events = [
        "helium",
        "instrument",
        "plant",
        "quantity",
        "time",
        "engine",
    ];
    for part in ["sensors", "scenario", "settings"] {
        check(&source.join(part), &with_events, &mut seen);
    }
    let text = std::fs::read_to_string(source.join("virtual_plant.rs")).unwrap();
    for floor in floors(&text) {
        assert!(
            with_events.contains(&floor),
            "virtual_plant.rs names {floor}"
        );
    }
}
