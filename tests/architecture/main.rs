//! Holds the house to its picture: no import runs upwards, the pure floors touch neither clock,
//! disk nor network, only acquisition speaks Modbus, and nothing in the program can write to a
//! plant.

#![expect(
    clippy::expect_used,
    clippy::panic,
    reason = "helpers of tests: a failure here is a failed test"
)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Height of each floor; a file may import from its own height or below.
const FLOORS: &[(&str, u32)] = &[
    ("quantity", 0),
    ("time", 0),
    ("actor", 0),
    ("helium", 1),
    ("magnet", 1),
    ("air", 1),
    ("instrument", 2),
    ("plant", 3),
    ("balance", 4),
    ("alarm", 5),
    ("engine", 6),
    ("replay", 7),
    ("clock", 8),
    ("backoff", 8),
    ("history", 9),
    ("acquisition", 9),
    ("publish", 10),
    ("console", 10),
    ("daemon", 11),
    ("command", 12),
    ("main", 13),
    ("lib", 13),
];

/// Floors below this height are pure.
const SHELL_FROM: u32 = 8;

/// Floors of one height that must not know each other.
const APART: &[(&str, &str)] = &[
    ("history", "acquisition"),
    ("acquisition", "history"),
    ("publish", "console"),
    ("console", "publish"),
    ("console", "history"),
    ("publish", "history"),
    ("publish", "acquisition"),
    ("console", "acquisition"),
];

fn sources() -> Vec<(String, PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    let mut open = vec![root.clone()];
    while let Some(directory) = open.pop() {
        for entry in fs::read_dir(&directory).expect("src can be read") {
            let path = entry.expect("src can be read").path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let inside = path.strip_prefix(&root).expect("inside src");
                let first = inside.components().next().expect("a name");
                let floor = Path::new(first.as_os_str())
                    .file_stem()
                    .and_then(|stem| stem.to_str())
                    .expect("a plain name")
                    .to_owned();
                let text = fs::read_to_string(&path).expect("a source file");
                found.push((floor, path, text));
            }
        }
    }
    found.sort();
    assert!(found.len() > 20, "the walk found the sources");
    found
}

/// Code without comments and without what only tests see.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    text.lines()
        .enumerate()
        .take_while(|(_, line)| line.trim() != "#[cfg(test)]")
        .filter(|(_, line)| !line.trim_start().starts_with("//"))
        .map(|(number, line)| (number + 1, line))
}

fn height(floor: &str) -> u32 {
    let heights: BTreeMap<&str, u32> = FLOORS.iter().copied().collect();
    *heights
        .get(floor)
        .unwrap_or_else(|| panic!("src/{floor} has no place in the house; give it one here"))
}

#[test]
fn no_import_runs_upwards() {
    let mut wrong = Vec::new();
    for (floor, path, text) in sources() {
        for (number, line) in code(&text) {
            for part in line.split("crate::").skip(1) {
                let name: String = part
                    .chars()
                    .take_while(|c| c.is_ascii_alphanumeric() || *c == '_')
                    .collect();
                if name.is_empty() || !FLOORS.iter().any(|(known, _)| *known == name) {
                    continue;
                }
                let apart = APART.contains(&(floor.as_str(), name.as_str()));
                if height(&name) > height(&floor) || apart {
                    wrong.push(format!("{}:{number}: {}", path.display(), line.trim()));
                }
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "these imports run upwards:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn pure_floors_touch_no_clock_disk_or_network() {
    const FORBIDDEN: &[&str] = &[
        "tokio",
        "std::fs",
        "std::net",
        "std::io",
        "std::thread",
        "std::env::",
        "SystemTime",
        "Instant",
        "rusqlite",
        "reqwest",
        "axum",
        "rumqttc",
        "getrandom",
        "HashMap",
        "HashSet",
        "tracing",
    ];
    let mut wrong = Vec::new();
    for (floor, path, text) in sources() {
        // plant/files.rs is the one door through which a description's texts come in.
        if height(&floor) >= SHELL_FROM || path.ends_with("plant/files.rs") {
            continue;
        }
        for (number, line) in code(&text) {
            if FORBIDDEN.iter().any(|word| line.contains(word)) {
                wrong.push(format!("{}:{number}: {}", path.display(), line.trim()));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "these lines are not pure:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn nothing_can_write_to_a_plant() {
    const WRITING: &[&str] = &[
        "WriteSingle",
        "WriteMultiple",
        "write_single",
        "write_multiple",
        "MaskWrite",
        "masked_write",
        "ReadWriteMultiple",
        "read_write_multiple",
        "Request::Custom",
    ];
    let mut wrong = Vec::new();
    let mut modbus = Vec::new();
    for (floor, path, text) in sources() {
        for (number, line) in code(&text) {
            if WRITING.iter().any(|word| line.contains(word)) {
                wrong.push(format!("{}:{number}: {}", path.display(), line.trim()));
            }
            if line.contains("tokio_modbus") && floor != "acquisition" {
                modbus.push(format!("{}:{number}", path.display()));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "a request that writes:\n{}",
        wrong.join("\n")
    );
    assert!(
        modbus.is_empty(),
        "only acquisition speaks Modbus:\n{}",
        modbus.join("\n")
    );
}
