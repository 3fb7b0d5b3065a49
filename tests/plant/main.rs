//! The plant description: what is loaded, what is refused and in which words, what is read together.

use std::path::{Path, PathBuf};

use coldledger::command::check;
use coldledger::plant::{Severity, examine, files};

/// Directories below a directory of this package, sorted.
fn directories(below: &str) -> Vec<PathBuf> {
    let mut found: Vec<_> = std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join(below))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.is_dir())
        .collect();
    found.sort();
    assert!(!found.is_empty());
    found
}

/// What `coldledger check` writes and its exit code.
fn check_text(directory: &Path, json: bool) -> (String, u8) {
    let mut out = Vec::new();
    let args = check::Args {
        directory: directory.to_owned(),
        json,
    };
    let code = check::run(&args, &mut out);
    (String::from_utf8(out).unwrap(), code)
}

#[test]
fn every_example_is_sound() {
    for directory in directories("config") {
        let (text, code) = check_text(&directory, false);
        assert_eq!(code, 0, "{text}");
        let examined = examine(&files::read(&directory).unwrap());
        assert_eq!(examined.problems.count(Severity::Error), 0);
        assert_eq!(examined.problems.count(Severity::Warning), 0, "{text}");
    }
}

#[test]
fn show() {
    for directory in directories("config") {
        println!("{}", check_text(&directory, false).0);
    }
}
