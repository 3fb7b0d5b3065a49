//! The delivery to a real time-series store: every row is read back and compared. The store answers
//! 204 even to lines that it skips, so its status proves nothing.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::process::Child;
use std::sync::Arc;

use coldledger::clock::SystemClock;
use coldledger::engine::AlarmState;
use coldledger::publish::{Item, LinkHealth, MassOf, SeriesSettings, deliver_series};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::broker::{Relay, free_port, listening, start};
use crate::memory::{Memory, START, alarm, booked, channel, delivered, loss, mass, number};

/// A victoria-metrics of our own; killed when dropped.
struct Store {
    child: Child,
    address: SocketAddr,
    folder: tempfile::TempDir,
}

impl Store {
    async fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let address: SocketAddr = ([127, 0, 0, 1], free_port()).into();
        let child = Self::spawn(&folder, address);
        listening(address).await;
        Self {
            child,
            address,
            folder,
        }
    }

    fn spawn(folder: &tempfile::TempDir, address: SocketAddr) -> Child {
        start(
            "victoria-metrics",
            &[
                &format!("-storageDataPath={}", folder.path().display()),
                &format!("-httpListenAddr={address}"),
                "-retentionPeriod=100y",
                "-search.latencyOffset=0s",
                "-loggerLevel=ERROR",
            ],
            "victoria-metrics",
        )
    }

    async fn restart(&mut self) {
        self.child.wait().unwrap();
        self.child = Self::spawn(&self.folder, self.address);
        listening(self.address).await;
    }

    async fn get(&self, path: &str) -> String {
        let url = format!("http://{}{path}", self.address);
        let answer = client().get(url).send().await.unwrap();
        assert!(answer.status().is_success(), "{path}: {}", answer.status());
        answer.text().await.unwrap()
    }

    /// Every row: labels with name, then time and value.
    async fn rows(&self) -> BTreeMap<(String, i64), f64> {
        self.get("/internal/force_flush").await;
        let text = self
            .get("/api/v1/export?match[]=%7B__name__!=%22%22%7D")
            .await;
        let mut rows = BTreeMap::new();
        for line in text.lines() {
            let series: serde_json::Value = serde_json::from_str(line).unwrap();
            let labels: BTreeMap<String, String> =
                serde_json::from_value(series["metric"].clone()).unwrap();
            // VictoriaMetrics adds a label for the database; ours are the others.
            let labels: Vec<String> = labels
                .into_iter()
                .filter(|(name, _)| name != "db")
                .map(|(name, value)| format!("{name}={value}"))
                .collect();
            let values = series["values"].as_array().unwrap();
            let times = series["timestamps"].as_array().unwrap();
            for (value, time) in values.iter().zip(times) {
                let key = (labels.join(","), time.as_i64().unwrap());
                let before = rows.insert(key.clone(), value.as_f64().unwrap_or(f64::NAN));
                assert_eq!(before, None, "{key:?} is stored twice");
            }
        }
        rows
    }
}

impl Drop for Store {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

fn client() -> reqwest::Client {
    reqwest::Client::builder().no_proxy().build().unwrap()
}

pub fn settings(address: SocketAddr) -> SeriesSettings {
    toml::from_str(&format!(
        "url = \"http://{address}\"\norg = \"plant\"\nbucket = \"helium\""
    ))
    .unwrap()
}

/// A delivery at work; stopped when dropped.
pub struct Delivery {
    pub health: Arc<LinkHealth>,
    pub stop: CancellationToken,
    pub tasks: JoinSet<()>,
}

impl Delivery {
    pub fn start(settings: SeriesSettings, memory: &Memory) -> Self {
        let health = Arc::new(LinkHealth::default());
        let stop = CancellationToken::new();
        let mut tasks = JoinSet::new();
        tasks.spawn(deliver_series(
            settings,
            "tarn-hollow".into(),
            Box::new(memory.clone()),
            Arc::new(SystemClock::new()),
            Arc::clone(&health),
            stop.clone(),
        ));
        Self {
            health,
            stop,
            tasks,
        }
    }
}

/// A value of nine decimals: this store keeps twelve digits or so, and those exactly. (That every
/// bit leaves us is shown on the line itself.)
fn value(seq: u64) -> f64 {
    ((4.2 + number(seq) * std::f64::consts::PI * 1e-4) * 1e9).round() / 1e9
}

#[tokio::test]
async fn every_row_is_stored_with_its_value() {
    let memory = Memory::default();
    let mut items = Vec::new();
    for seq in 1..=5_000_u64 {
        items.push(delivered(
            seq,
            channel(&format!("S1 TT,{}", seq % 7), value(seq)),
        ));
    }
    items.push(delivered(5_001, mass(MassOf::Plant, 1_203.123_456)));
    items.push(delivered(5_002, loss(Some("string-1"))));
    items.push(delivered(
        5_003,
        alarm("BATH-P-HI", AlarmState::Unacknowledged),
    ));
    items.push(delivered(5_004, booked("L-1")));
    memory.commit(items);
    let store = Store::start().await;
    let delivery = Delivery::start(settings(store.address), &memory);
    memory.delivered_through(5_004, 30).await;

    let rows = store.rows().await;
    let at = |seq: i64| START.millis() + 100 * seq;
    let holds = |labels: &str, seq: i64, expected: f64| {
        let key = (labels.to_owned(), at(seq));
        let stored = rows
            .get(&key)
            .unwrap_or_else(|| panic!("no row {key:?}; there are {:?}", rows.keys().take(20)));
        // Our own conversion to kg/day may round the last bit.
        assert!(
            (stored - expected).abs() <= 1e-15 * expected.abs(),
            "{labels}: {stored} instead of {expected}"
        );
    };
    let tags = "epoch=2,id=S1 TT,";
    for seq in 1..=5_000_i64 {
        let bits = value(seq.unsigned_abs());
        let id = seq % 7;
        let rest = format!("{tags}{id},revision=1,site=tarn-hollow,unit=K");
        holds(&format!("__name__=channel_value,{rest}"), seq, bits);
        holds(&format!("__name__=channel_std,{rest}"), seq, 0.012);
        holds(&format!("__name__=channel_severity,{rest}"), seq, 0.0);
    }
    let rest = "epoch=2,revision=1,scope=plant,site=tarn-hollow,unit=kg";
    holds(&format!("__name__=mass_value,{rest}"), 5_001, 1_203.123_456);
    holds(&format!("__name__=mass_std,{rest}"), 5_001, 1.75);
    let rest = "epoch=2,id=string-1,revision=1,scope=section,site=tarn-hollow,unit=kg/day";
    holds(&format!("__name__=loss_rate_value,{rest}"), 5_002, 4.32);
    holds(&format!("__name__=loss_rate_excess,{rest}"), 5_002, 3.9);
    let rest = "epoch=2,id=string-1,over_s=86400,revision=1,scope=section,site=tarn-hollow,unit=kg";
    holds(
        &format!("__name__=loss_window_unaccounted,{rest}"),
        5_002,
        3.5,
    );
    holds(
        &format!("__name__=loss_window_detection_limit,{rest}"),
        5_002,
        2.7,
    );
    let rest = "class=alarm,epoch=2,id=BATH-P-HI,priority=high,revision=1,site=tarn-hollow";
    holds(&format!("__name__=alarm_annunciated,{rest}"), 5_003, 1.0);
    let rest = "epoch=2,id=L-1,kind=dispatch,revision=1,site=tarn-hollow,unit=kg";
    holds(&format!("__name__=ledger_value,{rest}"), 5_004, -12.5);

    let report = delivery.health.report();
    assert_eq!(
        (report.lag, report.set_aside, report.failures),
        (0, 0, 0),
        "{report:?}"
    );
}

#[tokio::test]
async fn nothing_is_lost_while_the_store_is_stopped_and_the_network_breaks() {
    let memory = Memory::default();
    let mut store = Store::start().await;
    let relay = Relay::before(store.address).await;
    let delivery = Delivery::start(settings(relay.address), &memory);
    let mut last = 0;
    for round in 0..6_u64 {
        let items = (last + 1..=last + 3_000).map(|seq| delivered(seq, channel("A", value(seq))));
        memory.commit(items);
        last += 3_000;
        match round {
            1 | 3 => relay.cut(),
            2 => {
                // Stopped in order (its own data are its own business), away, and back.
                terminate(&store.child);
                store.restart().await;
            }
            4 => {
                relay.shut();
                while delivery.health.report().failures < 2 {
                    tokio::time::sleep(std::time::Duration::from_millis(20)).await;
                }
                relay.open();
            }
            _ => memory.delivered_through(last, 30).await,
        }
    }
    memory.delivered_through(last, 60).await;
    let rows = store.rows().await;
    let label = "__name__=channel_value,epoch=2,id=A,revision=1,site=tarn-hollow,unit=K";
    for item in memory.log() {
        let Item::Channel(figure) = &item.item else {
            continue;
        };
        let key = (label.to_owned(), item.stamp.utc.unwrap().millis());
        let stored = rows.get(&key).unwrap_or_else(|| panic!("lost {key:?}"));
        let expected = figure.value.unwrap();
        assert_eq!(*stored, expected, "{key:?}");
    }
    assert_eq!(
        rows.keys().filter(|(name, _)| name == label).count(),
        usize::try_from(last).unwrap()
    );
}

/// SIGTERM, without a crate for it.
fn terminate(child: &Child) {
    let status = std::process::Command::new("kill")
        .arg(child.id().to_string())
        .status()
        .unwrap();
    assert!(status.success());
}
