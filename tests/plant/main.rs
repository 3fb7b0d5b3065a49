//! The plant description: what is loaded, what is refused and in which words, what is read together.
#![expect(clippy::unwrap_used, reason = "helpers of tests fail as tests do")]

use std::path::{Path, PathBuf};

use coldledger::command::check;
use coldledger::instrument::SharedKind;
use coldledger::plant::{Behaviour, Examined, Severity, SourceFile, examine, files, load};
use coldledger::time::Span;

mod reading;

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

/// What `coldledger check` writes, and its exit code.
fn check_directory(directory: &Path, json: bool) -> (String, u8) {
    let mut out = Vec::new();
    let args = check::Args {
        directory: directory.to_owned(),
        json,
    };
    let code = check::run(&args, &mut out);
    (String::from_utf8(out).unwrap(), code)
}

fn one_file(text: &str) -> Vec<SourceFile> {
    vec![SourceFile {
        name: "plant.toml".into(),
        text: text.into(),
    }]
}

#[test]
fn every_example_is_sound() {
    for directory in directories("config") {
        let (text, code) = check_directory(&directory, false);
        assert_eq!(code, 0, "{text}");
        let examined = examine(&files::read(&directory).unwrap());
        assert!(examined.problems.0.is_empty(), "{text}");
    }
}

#[test]
fn a_whole_plant_may_stand_in_one_file() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/tarn-hollow");
    let (curves, tables): (Vec<_>, Vec<_>) = files::read(&directory)
        .unwrap()
        .into_iter()
        .partition(|file| file.name.starts_with("curves/"));
    let texts: Vec<_> = tables.iter().map(|file| file.text.as_str()).collect();
    let text = texts.join("\n");
    let mut one = one_file(&text);
    one.extend(curves);
    let plant = load(&one).unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!(plant.all.device.len(), 9);
    assert!((175..=200).contains(&plant.all.channel.len()));
}

/// Each wrong description says exactly what `expected.txt` beside it holds. After a change of words,
/// run with UPDATE_EXPECTED=1 and read what has changed.
#[test]
#[expect(
    clippy::disallowed_methods,
    reason = "a switch for the person who changes the words"
)]
fn wrong_descriptions_are_told_as_expected() {
    let update = std::env::var("UPDATE_EXPECTED").is_ok();
    let wrong = directories("tests/plant/wrong");
    assert!(wrong.len() >= 15);
    for directory in wrong {
        let (text, code) = check_directory(&directory, false);
        assert_eq!(code, 78, "{}: {text}", directory.display());
        let expected = directory.join("expected.txt");
        if update {
            std::fs::write(&expected, &text).unwrap();
        }
        let expected = std::fs::read_to_string(&expected).unwrap();
        assert_eq!(text, expected, "{}", directory.display());
    }
}

#[test]
fn five_faults_in_one_file_are_five_problems() {
    let text = std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("config/single-dewar/plant.toml"),
    )
    .unwrap();
    let mut faulty = text;
    for (right, wrong) in [
        ("noise = \"0.02 mbar\"", "noise = 0.02"),
        ("\"0.8 bar(a)\"", "\"0.8 bar\""),
        ("register = \"holding 4\"", "register = \"coil 4\""),
        ("volume-std = \"25 L\"", "volume-std = \"25 kg\""),
        ("state = \"shut\"", "state = \"closed\""),
    ] {
        assert!(faulty.contains(right), "{right}");
        faulty = faulty.replacen(right, wrong, 1);
    }
    let problems = load(&one_file(&faulty)).unwrap_err();
    assert_eq!(problems.count(Severity::Error), 5, "{problems}");
    let lines: Vec<_> = problems.0.iter().map(|problem| problem.line).collect();
    assert!(lines.is_sorted());
}

#[test]
fn the_text_of_a_check_is_also_json() {
    let wrong = directories("tests/plant/wrong");
    let (text, code) = check_directory(&wrong[0], true);
    assert_eq!(code, 78);
    let document: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(document["sound"], false);
    assert_eq!(document["errors"], 2);
    assert_eq!(document["problems"][0]["file"], "plant.toml");
    assert_eq!(document["problems"][0]["severity"], "error");
    assert!(document["problems"][0]["line"].as_u64().unwrap() > 1);
    let (text, code) = check_directory(&directories("config")[0], true);
    assert_eq!(code, 0);
    let document: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(document["plant"]["channels"], 5);
}

#[test]
fn a_missing_directory_is_a_configuration_problem() {
    let (text, code) = check_directory(Path::new("/nowhere/at/all"), false);
    assert_eq!(code, 78);
    assert!(text.contains("/nowhere/at/all"), "{text}");
    let empty = tempfile::tempdir().unwrap();
    let (text, code) = check_directory(empty.path(), false);
    assert_eq!(code, 78);
    assert!(text.contains("no *.toml file"), "{text}");
}

#[test]
fn any_change_of_the_texts_changes_the_hash() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/single-dewar");
    let files = files::read(&directory).unwrap();
    let hash = load(&files).unwrap().hash;
    assert_eq!(load(&files).unwrap().hash, hash);
    let mut reversed = files.clone();
    reversed.reverse();
    assert_eq!(
        load(&reversed).unwrap().hash,
        hash,
        "the order of reading does not matter"
    );
    for at in 0..files.len() {
        let mut commented = files.clone();
        commented[at].text.push('#');
        assert_ne!(load(&commented).unwrap().hash, hash);
        let mut renamed = files.clone();
        renamed[at].name = format!("x-{}", renamed[at].name);
        assert_ne!(load(&renamed).unwrap().hash, hash);
    }
}

/// What cancels and what does not depends on it.
#[test]
fn errors_are_tied_to_their_sources() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/tarn-hollow");
    let plant = load(&files::read(&directory).unwrap()).unwrap();
    let sources = |id: &str| {
        let (_, channel) = plant.channel_by_id(id).unwrap();
        let mut sources: Vec<_> = channel
            .uncertainty
            .shared
            .iter()
            .map(|term| {
                let group = &plant.groups[usize::from(term.group.0)];
                (group.id.to_string(), group.behaviour, term.kind)
            })
            .collect();
        sources.sort_by(|a, b| a.0.cmp(&b.0));
        sources
    };
    let hour = Behaviour::Correlated { time: Span::HOUR };
    assert_eq!(
        sources("GT3-TT-402"),
        [
            (
                "GT3-TT-402".into(),
                Behaviour::Constant,
                SharedKind::Absolute(0.2)
            ),
            ("GT3-TT-402/slow".into(), hour, SharedKind::Absolute(1.5)),
        ]
    );
    assert_eq!(
        sources("GT3-PT-401"),
        [
            // 0.1 % of the 20 bar that the loop spans.
            (
                "GT3-PT-401".into(),
                Behaviour::Constant,
                SharedKind::Absolute(2000.0)
            ),
            (
                "pressure-balance".into(),
                Behaviour::Constant,
                SharedKind::Absolute(300.0)
            ),
        ]
    );
    let (_, thermometer) = plant.channel_by_id("S1-TT-107").unwrap();
    assert_eq!(thermometer.uncertainty.curve_std, 0.005);
    let group = thermometer.uncertainty.curve_group.unwrap();
    assert_eq!(&*plant.groups[usize::from(group.0)].id, "S1-TT-107");
}

fn assert_refused_with_reason(examined: &Examined) {
    let said = examined.problems.to_string();
    assert!(examined.plant.is_some() || !said.is_empty());
    assert!(!said.contains("does not say why"), "{said}");
}

/// Whatever a person leaves out or mistypes: problems, never a panic.
#[test]
fn no_prefix_of_a_description_panics() {
    let directory = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/single-dewar");
    let files = files::read(&directory).unwrap();
    let text = &files.last().unwrap().text;
    for (end, _) in text.char_indices().step_by(7) {
        let examined = examine(&one_file(text.get(..end).unwrap()));
        assert_refused_with_reason(&examined);
    }
    for line in 0..text.lines().count() {
        let without: Vec<_> = text
            .lines()
            .enumerate()
            .filter(|(at, _)| *at != line)
            .map(|(_, text)| text)
            .collect();
        let without = without.join("\n");
        let examined = examine(&one_file(&without));
        assert_refused_with_reason(&examined);
    }
}
