//! Processes, descriptions with free ports, and questions over HTTP.

use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

/// The person who may act, and the password.
pub const PERSON: (&str, &str) = ("Test Person", "a-long-enough-one");

/// How often a condition is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(50);

pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

pub fn simulator() -> Command {
    Command::new(env!("CARGO_BIN_EXE_coldledger-simulator"))
}

/// The daemon's binary, beside the simulator's.
pub fn coldledger() -> PathBuf {
    let daemon = Path::new(env!("CARGO_BIN_EXE_coldledger-simulator")).with_file_name("coldledger");
    assert!(
        daemon.exists(),
        "{} is missing: run `cargo build --workspace --bins` (with the profile of this test) first",
        daemon.display()
    );
    daemon
}

/// Python with what the independent computation needs.
pub fn python() -> Command {
    #[expect(
        clippy::disallowed_methods,
        reason = "tests are told their interpreter"
    )]
    let python = std::env::var("COLDLEDGER_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let found = Command::new(&python)
        .args(["-c", "import pymodbus, CoolProp, numpy"])
        .output();
    assert!(
        found.as_ref().is_ok_and(|out| out.status.success()),
        "{python} is no Python with pymodbus, CoolProp and numpy ({found:?}): make an environment \
         (python3 -m venv DIR; DIR/bin/pip install pymodbus==3.16.1 CoolProp==8.0.0 numpy) and \
         name its interpreter in COLDLEDGER_PYTHON"
    );
    Command::new(python)
}

/// Looks until there is an answer, at most so many seconds.
pub fn wait_for<T>(what: &str, seconds: u64, mut look: impl FnMut() -> Option<T>) -> T {
    let begun = now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(
            begun.elapsed() < Duration::from_secs(seconds),
            "waited {seconds} s in vain for: {what}"
        );
        pause(LOOK_EVERY);
    }
}

#[expect(clippy::disallowed_methods, reason = "a test measures real processes")]
pub fn now() -> Instant {
    Instant::now()
}

#[expect(clippy::disallowed_methods, reason = "between two looks at a process")]
pub fn pause(span: Duration) {
    std::thread::sleep(span);
}

pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0")
        .and_then(|listener| listener.local_addr())
        .expect("a free port")
        .port()
}

/// A process whose words go to files; killed when dropped.
pub struct Process {
    child: Child,
    pub said: PathBuf,
    pub complained: PathBuf,
}

impl Process {
    pub fn start(mut command: Command, folder: &Path, name: &str) -> Self {
        let said = folder.join(format!("{name}.out"));
        let complained = folder.join(format!("{name}.err"));
        let child = command
            .stdin(Stdio::piped())
            .stdout(fs::File::create(&said).unwrap())
            .stderr(fs::File::create(&complained).unwrap())
            .spawn()
            .unwrap_or_else(|error| panic!("{command:?} does not start: {error}"));
        Self {
            child,
            said,
            complained,
        }
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    pub fn output(&self) -> String {
        fs::read_to_string(&self.said).unwrap_or_default()
    }

    pub fn complaints(&self) -> String {
        fs::read_to_string(&self.complained).unwrap_or_default()
    }

    /// How it ended, if it has.
    pub fn ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().unwrap()
    }

    /// Its exit code, within so many seconds.
    pub fn exit_code(&mut self, seconds: u64) -> i32 {
        let status = wait_for("the process to end", seconds, || self.ended());
        status
            .code()
            .unwrap_or_else(|| panic!("ended by a signal: {status}"))
    }

    /// Sends a signal such as `TERM`.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("sh")
            .arg("-c")
            .arg(format!("kill -{name} {}", self.id()))
            .status()
            .unwrap();
        assert!(sent.success(), "no signal could be sent");
    }

    /// Ends it as a power cut would.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// A copy of a description in `folder/plant`, with texts replaced in every file.
pub fn copy_plant(name: &str, folder: &Path, replace: &[(String, String)]) -> PathBuf {
    let to = folder.join("plant");
    copy(&root().join(name), &to, replace);
    to
}

fn copy(from: &Path, to: &Path, replace: &[(String, String)]) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let target = to.join(path.file_name().unwrap());
        if path.is_dir() {
            copy(&path, &target, replace);
        } else {
            let mut text = fs::read_to_string(&path).unwrap();
            for (old, new) in replace {
                text = text.replace(old, new);
            }
            fs::write(target, text).unwrap();
        }
    }
}

/// A simulated plant and a description of it that names its ports.
pub struct Plant {
    _simulator: Process,
    pub description: PathBuf,
}

impl Plant {
    /// Serves the description `name`, held still unless `arguments` say otherwise.
    pub fn serve(name: &str, folder: &Path, arguments: &[&str]) -> Self {
        let source = root().join(name);
        let mut command = simulator();
        command
            .args(["serve", "--plant"])
            .arg(&source)
            .args(arguments);
        let mut simulator = Process::start(command, folder, "simulator");
        let devices = addresses(&source);
        let served = wait_for("the simulator's ports", 60, || {
            if let Some(status) = simulator.ended() {
                panic!("the simulator ended: {status}\n{}", simulator.complaints());
            }
            let said = simulator.output();
            let complete = said.ends_with('\n') && said.lines().count() == devices.len();
            complete.then_some(said)
        });
        let replace: Vec<(String, String)> = served
            .lines()
            .map(|line| {
                let words: Vec<&str> = line.split_whitespace().collect();
                let (device, address) = (words[0], words[1]);
                let (_, was) = devices.iter().find(|(id, _)| id == device).unwrap();
                (format!("\"{was}\""), format!("\"{address}\""))
            })
            .collect();
        Self {
            description: copy_plant(name, folder, &replace),
            _simulator: simulator,
        }
    }
}

/// Each device with the address that its description gives.
fn addresses(description: &Path) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(description).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|extension| extension != "toml") {
            continue;
        }
        let table: toml::Table = fs::read_to_string(path).unwrap().parse().unwrap();
        let devices = table.get("device").and_then(toml::Value::as_array);
        for device in devices.into_iter().flatten() {
            let text = |key: &str| device[key].as_str().unwrap().to_owned();
            found.push((text("id"), text("tcp")));
        }
    }
    found
}

/// A running daemon.
pub struct Daemon {
    pub process: Process,
    pub port: u16,
}

impl Daemon {
    /// Writes settings and starts `coldledger run`. Its data go to `folder/data`.
    pub fn start(plant: &Path, folder: &Path) -> Self {
        let port = free_port();
        let settings = write_settings(plant, folder, port);
        let mut command = Command::new(coldledger());
        command.args(["run", "--settings"]).arg(settings);
        Self {
            process: Process::start(command, folder, "daemon"),
            port,
        }
    }

    /// Starts and waits until it is live and recording.
    pub fn running(plant: &Path, folder: &Path) -> Self {
        let mut daemon = Self::start(plant, folder);
        daemon.wait_until_well(60);
        daemon
    }

    pub fn wait_until_well(&mut self, seconds: u64) {
        wait_for("/healthz to be well", seconds, || {
            if let Some(status) = self.process.ended() {
                panic!("the daemon ended: {status}\n{}", self.process.complaints());
            }
            (self.try_get("/healthz")?.0 == 200).then_some(())
        });
    }

    /// Status and text of a page, if anybody answers.
    pub fn try_get(&self, path: &str) -> Option<(u16, String)> {
        fetch(&reqwest::Client::new().get(self.url(path)))
    }

    /// The JSON of a page.
    pub fn json(&self, path: &str) -> Value {
        let (status, text) = self.try_get(path).unwrap_or_else(|| {
            panic!("no answer to {path}\n{}", self.process.complaints());
        });
        assert_eq!(status, 200, "{path}: {text}");
        serde_json::from_str(&text).unwrap()
    }

    /// Sends JSON as the person who may act; status and answer, if anybody answers.
    pub fn post(&self, path: &str, body: &Value) -> Option<(u16, String)> {
        let (name, password) = PERSON;
        let request = reqwest::Client::new()
            .post(self.url(path))
            .basic_auth(name, Some(password))
            .header("content-type", "application/json")
            .body(body.to_string());
        fetch(&request)
    }

    fn url(&self, path: &str) -> String {
        format!("http://127.0.0.1:{}{path}", self.port)
    }

    /// The channel once it has been read.
    pub fn good_channel(&self, id: &str) -> f64 {
        wait_for(&format!("{id} to be good"), 40, || {
            let channel = self.json(&format!("/api/v1/channels/{id}"));
            (channel["quality"]["quality"] == "good").then(|| channel["value"]["value"].as_f64())?
        })
    }
}

fn fetch(request: &reqwest::RequestBuilder) -> Option<(u16, String)> {
    let request = request.try_clone()?.timeout(Duration::from_secs(30));
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap()
        .block_on(async {
            let answer = request.send().await.ok()?;
            let status = answer.status().as_u16();
            Some((status, answer.text().await.ok()?))
        })
}

/// Settings with an operators' file made by the command itself.
pub fn write_settings(plant: &Path, folder: &Path, port: u16) -> PathBuf {
    let operators = folder.join("operators.toml");
    if !operators.exists() {
        let (name, password) = PERSON;
        let password_file = folder.join("password.txt");
        fs::write(&password_file, format!("{password}\n")).unwrap();
        let made = Command::new(coldledger())
            .args(["operator", name])
            .stdin(fs::File::open(password_file).unwrap())
            .output()
            .unwrap();
        assert!(made.status.success(), "{made:?}");
        fs::write(&operators, made.stdout).unwrap();
    }
    let settings = folder.join("settings.toml");
    let mut table = toml::Table::new();
    for (key, path) in [
        ("plant", plant.to_owned()),
        ("data-directory", folder.join("data")),
        ("operators-file", operators),
    ] {
        table.insert(key.into(), path.to_str().unwrap().into());
    }
    table.insert("listen".into(), format!("127.0.0.1:{port}").into());
    table.insert("commit-every".into(), "1 s".into());
    let text = table.to_string();
    fs::write(&settings, text).unwrap();
    settings
}

pub fn folder() -> TempDir {
    tempfile::tempdir().unwrap()
}
