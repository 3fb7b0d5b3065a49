//! What is wrong is said, with a remedy and an exit code, and harms nothing else.

use std::fs;
use std::io::{Read, Write};
use std::net::TcpListener;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::Path;
use std::process::Command;

use crate::support::{
    Daemon, Plant, Process, coldledger, copy_plant, folder, free_port, wait_for, write_settings,
};

/// Exit codes of `sysexits.h`.
const NOT_PERMITTED: i32 = 77;
const CONFIGURATION: i32 = 78;
const FAULT: i32 = 70;

#[test]
fn a_wrong_description_is_refused_with_file_and_line() {
    let folder = folder();
    let wrong = (
        "unit = \"bar(a)\"".to_owned(),
        "unit = \"barrels\"".to_owned(),
    );
    let plant = copy_plant("config/single-dewar", folder.path(), &[wrong]);
    let text = fs::read_to_string(plant.join("plant.toml")).unwrap();
    let line = 1 + text
        .lines()
        .position(|line| line.contains("barrels"))
        .unwrap();
    let mut daemon = Daemon::start(&plant, folder.path());
    assert_eq!(daemon.process.exit_code(30), CONFIGURATION);
    let said = daemon.process.complaints();
    assert!(
        said.contains(&format!("plant.toml:{line}: error:")) && said.contains("barrels"),
        "{said}"
    );
    assert!(!folder.path().join("data").exists(), "nothing was begun");
}

#[test]
fn a_second_daemon_on_the_same_data_or_address_is_refused() {
    let folder = folder();
    let plant = copy_plant("config/single-dewar", folder.path(), &[]);
    let first = Daemon::running(&plant, folder.path());

    let mut second = Daemon::start(&plant, folder.path());
    assert_eq!(second.process.exit_code(30), FAULT);
    let said = second.process.complaints();
    let holder = format!("process {}", first.process.id());
    assert!(
        said.contains("is in use by another coldledger") && said.contains(&holder),
        "{said}"
    );

    let elsewhere = folder.path().join("elsewhere");
    fs::create_dir(&elsewhere).unwrap();
    let settings = write_settings(&plant, &elsewhere, first.port);
    let mut command = Command::new(coldledger());
    command.args(["run", "--settings"]).arg(settings);
    let mut third = Process::start(command, &elsewhere, "third");
    assert_eq!(third.exit_code(30), FAULT);
    let said = third.complaints();
    assert!(
        said.contains(&format!("cannot listen on 127.0.0.1:{}", first.port)),
        "{said}"
    );
    assert_eq!(
        first.try_get("/healthz").unwrap().0,
        200,
        "the first goes on"
    );
}

#[test]
fn a_data_directory_that_may_not_be_written_is_said_to_be_so() {
    let folder = folder();
    let plant = copy_plant("config/single-dewar", folder.path(), &[]);
    let settings = write_settings(&plant, folder.path(), free_port());
    let data = folder.path().join("data");
    fs::create_dir(&data).unwrap();
    for path in [folder.path(), &data] {
        fs::set_permissions(path, fs::Permissions::from_mode(0o555)).unwrap();
    }
    // The superuser may write everywhere, so he steps down to nobody.
    let mut command = if fs::metadata("/proc/self").unwrap().uid() == 0 {
        let mut command = Command::new("setpriv");
        command.args(["--reuid=65534", "--regid=65534", "--clear-groups"]);
        command.arg(coldledger());
        command
    } else {
        Command::new(coldledger())
    };
    command.args(["run", "--settings"]).arg(settings);
    let words = crate::support::folder();
    let mut daemon = Process::start(command, words.path(), "daemon");
    let code = daemon.exit_code(30);
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let said = daemon.complaints();
    assert_eq!(code, NOT_PERMITTED, "{said}");
    assert!(said.contains(data.to_str().unwrap()), "{said}");
}

#[test]
fn a_device_that_answers_garbage_stops_no_other() {
    let folder = folder();
    let plant = Plant::serve("config/tarn-hollow", folder.path(), &[]);
    let babbler = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = babbler.local_addr().unwrap().to_string();
    give_address(&plant.description, "IO-S1", &address);
    std::thread::spawn(move || {
        for stream in babbler.incoming() {
            let Ok(mut stream) = stream else { continue };
            std::thread::spawn(move || {
                let mut asked = [0; 64];
                // Answers each request with its own words, reversed, and far too many of them.
                while let Ok(length @ 1..) = stream.read(&mut asked) {
                    let mut babble: Vec<u8> = asked[..length]
                        .iter()
                        .rev()
                        .copied()
                        .cycle()
                        .take(700)
                        .collect();
                    babble.extend([0xFF; 9]);
                    if stream.write_all(&babble).is_err() {
                        break;
                    }
                }
            });
        }
    });

    let mut daemon = Daemon::running(&plant.description, folder.path());
    let channels = wait_for("all others to be read", 60, || {
        let channels = daemon.json("/api/v1/channels");
        let others_are_read = channels["channels"]
            .as_array()?
            .iter()
            .all(|channel| channel["device"] == "IO-S1" || channel["quality"]["quality"] == "good");
        others_are_read.then_some(channels)
    });
    let mut good = 0;
    for channel in channels["channels"].as_array().unwrap() {
        if channel["device"] == "IO-S1" {
            assert_eq!(channel["quality"]["quality"], "bad", "{channel}");
            assert!(channel["value"]["value"].is_null(), "{channel}");
        } else if channel["quality"]["quality"] == "good" {
            good += 1;
        }
    }
    // Noise may carry a reading of nothing out of its range.
    assert!(
        good > 140,
        "only {good} channels of the other devices are good"
    );
    let health = daemon.json("/api/v1/health");
    for device in health["devices"].as_array().unwrap() {
        let fault = device["timeouts"].as_u64().unwrap() + device["resyncs"].as_u64().unwrap();
        assert_eq!(fault > 0, device["id"] == "IO-S1", "{device}");
    }
    daemon.process.signal("TERM");
    assert_eq!(daemon.process.exit_code(20), 0);
}

/// Puts another address to a device of a description.
fn give_address(description: &Path, device: &str, address: &str) {
    let file = description.join("devices.toml");
    let text = fs::read_to_string(&file).unwrap();
    let (before, rest) = text.split_once(&format!("id = \"{device}\"")).unwrap();
    let (head, tail) = rest.split_once("tcp = \"").unwrap();
    let (_, tail) = tail.split_once('"').unwrap();
    let text = format!("{before}id = \"{device}\"{head}tcp = \"{address}\"{tail}");
    fs::write(file, text).unwrap();
}
