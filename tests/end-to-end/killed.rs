//! Killed under load, again and again: nothing that was told to a person may be lost.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::thread;
use std::time::Duration;

use coldledger::history::Reader;
use rand::{RngExt, SeedableRng};
use serde_json::{Value, json};

use crate::support::{Daemon, Plant, coldledger, folder, pause, wait_for};

const KILLS: usize = 5;

#[test]
fn kills_lose_nothing_that_was_told_and_an_end_as_asked_leaves_no_trace() {
    let folder = folder();
    let plant = Plant::serve("config/tarn-hollow", folder.path(), &[]);
    for number in 0..=KILLS {
        let file = plant.description.join(format!("alarm-probe-{number}.toml"));
        fs::write(file, probe(number)).unwrap();
    }
    let data = folder.path().join("data");
    // Moments that differ from kill to kill and repeat from run to run.
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    let mut acknowledged: Vec<String> = Vec::new();
    let mut entered: Vec<(String, u64)> = Vec::new();
    let mut hashes = Vec::new();

    for number in 0..KILLS {
        let mut daemon = Daemon::running(&plant.description, folder.path());
        assert_eq!(says_unclean(&daemon), number > 0);
        all_are_kept(&daemon, &acknowledged, &entered);

        let alarm = format!("probe-{number}");
        acknowledge(&daemon, &alarm);
        acknowledged.push(alarm);

        let load = thread::scope(|scope| {
            let asking = scope.spawn(|| {
                let mut taken = Vec::new();
                while let Some(entry) = enter(&daemon, format!("kill {number}-{}", taken.len())) {
                    taken.push(entry);
                }
                taken
            });
            pause(Duration::from_millis(random.random_range(1_000..5_000)));
            let committed = daemon.json("/api/v1/health")["committed_seq"]
                .as_u64()
                .unwrap();
            let reader = Reader::open(&data).unwrap();
            let point = reader.outcome_hash_at(committed).unwrap();
            hashes.push((committed, point.expect("what is committed has its hash")));
            daemon.process.signal("KILL");
            asking.join().unwrap()
        });
        assert!(!load.is_empty(), "there was no load");
        entered.extend(load);
        daemon.process.kill();

        let (committed, point) = hashes.last().unwrap();
        let verdict = verify(&data);
        assert_eq!(verdict["agrees"], true, "{verdict}");
        let events = verdict["events"].as_u64().unwrap();
        let told = entered.last().map_or(0, |(_, seq)| *seq).max(*committed);
        assert!(events >= told, "{told} were committed: {verdict}");
        let reader = Reader::open(&data).unwrap();
        assert_eq!(reader.last_seq().unwrap(), events);
        for (_, known) in &hashes {
            let kept = reader.outcome_hash_at(known.seq).unwrap().unwrap();
            assert_eq!((kept.seq, kept.hash), (known.seq, known.hash));
        }
        // And once more while it opens its record.
        let mut impatient = Daemon::start(&plant.description, folder.path());
        pause(Duration::from_millis(random.random_range(20..800)));
        impatient.process.kill();
        let again = verify(&data);
        assert_eq!(again["agrees"], true, "{again}");
        assert!(again["events"].as_u64().unwrap() >= events, "{again}");
        println!(
            "kill {number}: {told} told, {events} replayed, {} entries, hash at {}",
            entered.len(),
            point.seq
        );
    }

    let mut daemon = Daemon::running(&plant.description, folder.path());
    assert!(says_unclean(&daemon));
    let notes = daemon.json("/api/v1/health")["notes"].to_string();
    assert!(
        !notes.contains("set aside"),
        "no event is to blame for a kill: {notes}"
    );
    all_are_kept(&daemon, &acknowledged, &entered);
    daemon.process.signal("TERM");
    assert_eq!(
        daemon.process.exit_code(20),
        0,
        "{}",
        daemon.process.complaints()
    );

    let mut daemon = Daemon::running(&plant.description, folder.path());
    assert!(!says_unclean(&daemon));
    all_are_kept(&daemon, &acknowledged, &entered);
    daemon.process.signal("INT");
    assert_eq!(
        daemon.process.exit_code(20),
        0,
        "{}",
        daemon.process.complaints()
    );
    let verdict = verify(&data);
    assert_eq!(verdict["agrees"], true, "{verdict}");
}

/// An alarm whose cause is always there.
fn probe(number: usize) -> String {
    format!(
        "[[alarm]]\nid = \"probe-{number}\"\nname = \"Probe {number}\"\nclass = \"alarm\"\n\
         priority = \"low\"\n\
         above = {{ channel = \"S1-PT-104\", limit = \"0.6 bar(a)\", deadband = \"1 mbar\" }}\n\
         cause = \"The test wants one.\"\nconsequence = \"None.\"\nresponse = \"Acknowledge it.\"\n\
         time-to-respond = \"1 h\"\ncaution = \"None beyond the site's own rules.\"\n"
    )
}

fn says_unclean(daemon: &Daemon) -> bool {
    // The notes are read every two seconds; uptime tells that they have been.
    let health = wait_for("the health of the box", 20, || {
        let health = daemon.json("/api/v1/health");
        (health["seq"].as_u64()? > 0).then_some(health)
    });
    health["notes"]
        .as_array()
        .unwrap()
        .iter()
        .any(|note| note.as_str().unwrap().contains("did not end as asked"))
}

fn state(daemon: &Daemon, alarm: &str) -> Option<String> {
    let alarms = daemon.json("/api/v1/alarms");
    let found = alarms["alarms"]
        .as_array()?
        .iter()
        .find(|fact| fact["id"] == alarm)?;
    Some(found["state"].as_str()?.to_owned())
}

fn acknowledge(daemon: &Daemon, alarm: &str) {
    wait_for(&format!("{alarm} to ask for acknowledgement"), 60, || {
        (state(daemon, alarm)? == "unacknowledged").then_some(())
    });
    let path = format!("/api/v1/alarms/{alarm}/acknowledge");
    let (status, text) = daemon.post(&path, &json!({})).unwrap();
    assert_eq!(status, 200, "{text}");
    assert_eq!(state(daemon, alarm).as_deref(), Some("acknowledged"));
}

/// Enters something; its note and event when it was said to be on record.
fn enter(daemon: &Daemon, note: String) -> Option<(String, u64)> {
    let entry = json!({
        "kind": "delivery", "mass": "1 kg", "uncertainty": "0.1 kg", "note": note,
    });
    let (status, text) = daemon.post("/api/v1/ledger", &entry)?;
    assert_eq!(status, 200, "{text}");
    let receipt: Value = serde_json::from_str(&text).unwrap();
    Some((note, receipt["recorded_seq"].as_u64().unwrap()))
}

fn all_are_kept(daemon: &Daemon, acknowledged: &[String], entered: &[(String, u64)]) {
    for alarm in acknowledged {
        assert_eq!(
            state(daemon, alarm).as_deref(),
            Some("acknowledged"),
            "{alarm} lost its acknowledgement"
        );
    }
    let ledger = daemon.json("/api/v1/ledger");
    let notes: Vec<&str> = ledger
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|entry| entry["note"].as_str())
        .collect();
    for (note, _) in entered {
        assert!(
            notes.contains(&note.as_str()),
            "entry {note:?} was lost: {notes:?}"
        );
    }
}

fn verify(data: &Path) -> Value {
    let out = Command::new(coldledger())
        .args(["verify", "--json", "--data"])
        .arg(data)
        .output()
        .unwrap();
    assert!(out.status.success(), "{out:?}");
    serde_json::from_slice(&out.stdout).unwrap()
}
