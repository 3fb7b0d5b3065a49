//! A disk that fills up: the daemon lives, says that it does not record, takes no act, and records
//! again once there is room.

use std::fs::{self, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::json;

use crate::support::{
    Daemon, Plant, Process, coldledger, folder, free_port, wait_for, write_settings,
};

#[test]
fn a_full_disk_is_said_and_survived() {
    let folder = folder();
    let plant = Plant::serve("config/single-dewar", folder.path(), &[]);
    let mut daemon = on_a_small_disk(&plant.description, folder.path(), "true");
    daemon.wait_until_well(60);
    let enter = |daemon: &Daemon, note: &str| {
        let entry = json!({
            "kind": "delivery", "mass": "1 kg", "uncertainty": "0.1 kg", "note": note,
        });
        daemon.post("/api/v1/ledger", &entry).unwrap()
    };
    let (status, text) = enter(&daemon, "before");
    assert_eq!(status, 200, "{text}");

    let ballast = seen_by(&daemon.process, &folder.path().join("data")).join("ballast");
    fill(&ballast);
    wait_for("the daemon to say that it does not record", 60, || {
        let health = daemon.json("/api/v1/health");
        (health["recording"] == false).then_some(())
    });
    let health = daemon.json("/api/v1/health");
    let why = health["not_recording_because"].as_str().unwrap();
    assert!(why.contains("the disk is full"), "{why}");
    let (status, text) = daemon.try_get("/healthz").unwrap();
    assert_eq!(status, 503, "{text}");
    assert!(text.contains("not recording"), "{text}");
    let (status, text) = enter(&daemon, "meanwhile");
    assert_eq!(status, 409, "{text}");
    assert!(text.contains("could not be recorded"), "{text}");
    // It lives: pictures go on.
    let seen = daemon.json("/api/v1/helium")["at"]["ms"].as_i64().unwrap();
    wait_for("the next picture", 30, || {
        (daemon.json("/api/v1/helium")["at"]["ms"].as_i64()? > seen).then_some(())
    });

    fs::remove_file(ballast).unwrap();
    daemon.wait_until_well(60);
    let (status, text) = enter(&daemon, "after");
    assert_eq!(status, 200, "{text}");
    let ledger = daemon.json("/api/v1/ledger").to_string();
    assert!(ledger.contains("before") && ledger.contains("after"));
    assert!(
        !ledger.contains("meanwhile"),
        "refused, so not done: {ledger}"
    );
    // What was concluded unrecorded left no trace: the record replays to itself.
    let out = Command::new("nsenter")
        .args(["--user", "--mount", "--preserve-credentials", "--target"])
        .arg(daemon.process.id().to_string())
        .arg(coldledger())
        .args(["verify", "--data"])
        .arg(folder.path().join("data"))
        .output()
        .unwrap();
    assert!(out.status.success(), "{out:?}");
    daemon.process.signal("TERM");
    assert_eq!(
        daemon.process.exit_code(20),
        0,
        "{}",
        daemon.process.complaints()
    );
}

#[test]
fn a_start_on_a_full_disk_is_said_and_survived() {
    let folder = folder();
    let plant = Plant::serve("config/single-dewar", folder.path(), &[]);
    // A run that ends as asked leaves no files of the database beside the history.
    let before = "\"$2\" run --settings \"$3\" & run=$!; sleep 5; kill -TERM $run; wait $run; \
                  head -c 16m /dev/zero > \"$1/ballast\" 2> /dev/null";
    let mut daemon = on_a_small_disk(&plant.description, folder.path(), before);
    // Pages and alarms are there, and say it.
    wait_for("the health of the box", 60, || {
        let (status, text) = daemon.try_get("/healthz")?;
        (status == 503 && text.contains("the disk is full")).then_some(())
    });
    let notes = daemon.json("/api/v1/health")["notes"].to_string();
    assert!(!notes.contains("could not be read"), "{notes}");
    wait_for("what the vessel holds", 60, || {
        daemon.json("/api/v1/helium")["plant"]["mass"]["value"].as_f64()
    });
    fs::remove_file(seen_by(&daemon.process, &folder.path().join("data")).join("ballast")).unwrap();
    daemon.wait_until_well(60);
    daemon.process.signal("TERM");
    assert_eq!(
        daemon.process.exit_code(20),
        0,
        "{}",
        daemon.process.complaints()
    );
}

/// A daemon whose data directory is a file system of 12 MB in a mount namespace of its own, started after
/// a shell command that has it as `$1`.
fn on_a_small_disk(plant: &Path, folder: &Path, before: &str) -> Daemon {
    let data = folder.join("data");
    fs::create_dir(&data).unwrap();
    let port = free_port();
    let settings = write_settings(plant, folder, port);
    let mut command = Command::new("unshare");
    command
        .args(["--user", "--map-root-user", "--mount", "sh", "-c"])
        .arg(format!(
            "mount -t tmpfs -o size=12m tmpfs \"$1\" && {{ {before}; exec \"$2\" run --settings \"$3\"; }}"
        ))
        .arg("sh")
        .args([&data, &coldledger(), &settings]);
    Daemon {
        process: Process::start(command, folder, "daemon"),
        port,
    }
}

/// A path as that process sees it.
fn seen_by(process: &Process, path: &Path) -> PathBuf {
    let inside = path.strip_prefix("/").unwrap();
    Path::new("/proc")
        .join(process.id().to_string())
        .join("root")
        .join(inside)
}

/// Writes until nothing more goes in.
fn fill(path: &Path) {
    let mut file = OpenOptions::new()
        .create_new(true)
        .write(true)
        .open(path)
        .unwrap();
    for piece in [65_536, 4_096, 1] {
        while file.write_all(&vec![0_u8; piece]).is_ok() {}
    }
}
