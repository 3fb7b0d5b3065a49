//! `cargo demo` from its first word to its last, and once more.

use std::fs;
use std::net::TcpStream;
use std::path::Path;
use std::time::Duration;

use serde_json::Value;

use crate::support::{Daemon, Process, folder, free_port, now, simulator, wait_for};

/// Begun ten days ago, the vent valve of string 3 has been passing for four.
const LEAK_AGE_MS: i64 = 4 * 86_400_000;
const DAY_MS: i64 = 86_400_000;
/// What it passes, kg/day.
const LEAK: f64 = 4.0;

#[test]
fn the_demonstration_shows_its_loss_stops_cleanly_and_finds_its_data_again() {
    let folder = folder();
    // Stopped while it computes its past: that leaves no half of one behind.
    let mut demo = start(folder.path(), "given-up");
    wait_for("a page with progress", 20, || {
        demo.try_get("/")
            .filter(|(_, page)| page.contains("Computing ten days"))
    });
    stop(&mut demo);

    let begun = now();
    let mut demo = start(folder.path(), "first");
    let progress = wait_for("a page with progress", 20, || {
        let (_, page) = demo.try_get("/")?;
        page.contains("Computing ten days").then_some(page)
    });
    println!("page with progress {:?} after the start", begun.elapsed());
    assert!(progress.contains("Tarn Hollow"), "{progress}");
    assert_eq!(demo.try_get("/healthz").unwrap().0, 503);

    demo.wait_until_well(240);
    println!("live {:?} after the start", begun.elapsed());
    let losses = wait_for("the losses", 30, || {
        let losses = demo.json("/api/v1/losses");
        losses["losses"].get(0)?;
        Some(losses)
    });
    is_the_loss_of_day_six(&losses["losses"][0]);
    wait_for("live readings", 60, || {
        let channels = demo.json("/api/v1/channels");
        let mut all = channels["channels"].as_array()?.iter();
        all.all(|channel| channel["age_s"].as_f64().is_some_and(|age| age < 90.0))
            .then_some(())
    });
    let journal = demo.json("/api/v1/journal");
    assert!(!journal.as_array().unwrap().is_empty());
    stop(&mut demo);

    let again = now();
    let mut demo = start(folder.path(), "second");
    demo.wait_until_well(60);
    println!("live again {:?} after the second start", again.elapsed());
    is_the_loss_of_day_six(&demo.json("/api/v1/losses")["losses"][0]);
    let newest = |lines: &Value| lines[0]["seq"].as_u64();
    let kept = demo.json("/api/v1/journal?limit=1000");
    assert!(
        kept.as_array()
            .unwrap()
            .iter()
            .any(|line| line["seq"].as_u64() == newest(&journal))
    );
    let notes = demo.json("/api/v1/health")["notes"].to_string();
    assert!(!notes.contains("did not end as asked"), "{notes}");
    stop(&mut demo);
}

fn start(folder: &Path, name: &str) -> Daemon {
    let port = free_port();
    let mut command = simulator();
    command
        .current_dir(folder)
        .args(["demo", "--data", "demo-data", "--listen"])
        .arg(format!("127.0.0.1:{port}"));
    let process = Process::start(command, folder, name);
    wait_for("the address to be printed", 10, || {
        let said = process.output();
        said.contains(&format!("http://127.0.0.1:{port}/"))
            .then_some(())
    });
    Daemon { process, port }
}

/// As Ctrl-C does; nothing may be left behind.
fn stop(demo: &mut Daemon) {
    let children = children_of(demo.process.id());
    demo.process.signal("INT");
    assert_eq!(
        demo.process.exit_code(20),
        0,
        "{}",
        demo.process.complaints()
    );
    for child in children {
        assert!(
            !Path::new("/proc").join(&child).exists(),
            "process {child} was left behind"
        );
    }
    let port = demo.port;
    assert!(
        TcpStream::connect(("127.0.0.1", port)).is_err(),
        "something still listens on {port}"
    );
}

fn children_of(id: u32) -> Vec<String> {
    let mut children = Vec::new();
    for entry in fs::read_dir("/proc").unwrap().flatten() {
        let Ok(stat) = fs::read_to_string(entry.path().join("stat")) else {
            continue;
        };
        // The parent's id is the second word after the name in brackets.
        let parent = stat.rsplit(')').next().unwrap().split_whitespace().nth(1);
        if parent == Some(id.to_string().as_str()) {
            children.push(entry.file_name().to_string_lossy().into_owned());
        }
    }
    children
}

fn is_the_loss_of_day_six(loss: &Value) {
    assert_eq!(loss["raised"], true, "{loss}");
    let excess = loss["excess"]["value"].as_f64().unwrap();
    let std = loss["excess"]["std_uncertainty"].as_f64().unwrap();
    println!(
        "{}; {excess} kg/day, standard uncertainty {std}",
        loss["statement"]
    );
    assert!((excess - LEAK).abs() < 3.0 * std, "{loss}");
    assert!(std < LEAK / 2.0, "{loss}");
    let since = loss["since"]["ms"].as_i64().unwrap();
    let wall = std::time::SystemTime::UNIX_EPOCH.elapsed().unwrap();
    let began = i64::try_from(wall.as_millis()).unwrap() - LEAK_AGE_MS;
    let late = Duration::from_millis((since - began).unsigned_abs());
    println!("told to have begun {late:?} from day six");
    assert!((since - began).abs() < DAY_MS, "{loss}");
}
