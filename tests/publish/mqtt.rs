//! The delivery to a broker.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;

use coldledger::clock::SystemClock;
use coldledger::engine::{AlarmState, View, view::ChannelView};
use coldledger::publish::{LinkHealth, MassOf, MqttSettings, Topics, deliver_mqtt};
use coldledger::quantity::{Quality, Reason};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::broker::{Broker, Relay, Seen, Subscriber};
use crate::memory::{Memory, alarm, booked, channel, delivered, loss, mass, number};

fn settings(address: SocketAddr) -> MqttSettings {
    toml::from_str(&format!("host = \"127.0.0.1\"\nport = {}", address.port())).unwrap()
}

/// A delivery at work.
struct Delivery {
    health: Arc<LinkHealth>,
    stop: CancellationToken,
    tasks: JoinSet<()>,
}

impl Delivery {
    fn start(
        settings: MqttSettings,
        memory: &Memory,
        live: Option<watch::Receiver<Arc<View>>>,
    ) -> Self {
        let health = Arc::new(LinkHealth::default());
        let stop = CancellationToken::new();
        let mut tasks = JoinSet::new();
        tasks.spawn(deliver_mqtt(
            settings,
            Topics::new("helium", &"tarn-hollow".into()),
            Box::new(memory.clone()),
            live,
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

    async fn stop(mut self) {
        self.stop.cancel();
        tokio::time::timeout(Duration::from_secs(5), self.tasks.join_next())
            .await
            .expect("does not stop")
            .unwrap()
            .unwrap();
    }
}

fn is_state(seen: &Seen, state: &str) -> bool {
    seen.topic == "helium/tarn-hollow/state" && seen.payload["state"] == state
}

/// What was heard of each series, in order of arrival.
#[derive(Default)]
struct Heard {
    series: BTreeMap<String, Vec<u64>>,
    messages: usize,
}

impl Heard {
    fn take(&mut self, seen: Seen) {
        if let Some(seq) = seen.payload["seq"].as_u64() {
            self.messages += 1;
            self.series.entry(seen.topic).or_default().push(seq);
        }
    }

    /// Takes all that comes until so many messages were heard in all.
    async fn until(&mut self, subscriber: &mut Subscriber, messages: usize) {
        while self.messages < messages {
            let seen = subscriber.next(20_000).await;
            self.take(seen.expect("the delivery stands still"));
        }
    }

    /// Takes what is still coming from a connection that has ended or is quiet.
    async fn rest(&mut self, subscriber: &mut Subscriber) {
        while let Some(seen) = subscriber.next(500).await {
            self.take(seen);
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn loses_nothing_and_keeps_order_while_the_broker_is_killed() {
    let memory = Memory::default();
    let items = (1..=4_000_u64).flat_map(|seq| {
        let series = format!("S{}-TT-{}", seq % 4, seq % 37);
        let mut items = vec![delivered(seq, channel(&series, 4.2 + 1e-3 * number(seq)))];
        if seq % 2 == 0 {
            items.push(delivered(
                seq,
                mass(MassOf::Plant, 1200.0 - 1e-3 * number(seq)),
            ));
        }
        if seq % 50 == 0 {
            items.push(delivered(
                seq,
                alarm("BATH-P-HI", AlarmState::Unacknowledged),
            ));
            items.push(delivered(seq, booked(&format!("L-{seq}"))));
        }
        items
    });
    memory.commit(items);
    let all = memory.log();

    let mut broker = Broker::start().await;
    let relay = Relay::before(broker.address).await;
    let mut heard = Heard::default();
    let mut subscriber = Subscriber::of(&broker).await;
    let delivery = Delivery::start(settings(relay.address), &memory, None);
    for messages in [700, 2_500, 4_300] {
        heard.until(&mut subscriber, messages).await;
        // The broker dies in the middle of the stream. The relay stays shut until the subscriber
        // is back, so that all that is acknowledged can be heard.
        relay.shut_to_newcomers();
        broker.kill_and_restart().await;
        heard.rest(&mut subscriber).await;
        subscriber = Subscriber::of(&broker).await;
        relay.open();
    }
    // The network breaks, with messages and acknowledgements on their way.
    for messages in [5_000, 5_300, 5_600] {
        heard.until(&mut subscriber, messages).await;
        relay.cut();
    }
    memory.delivered_through(4_000, 60).await;
    heard.rest(&mut subscriber).await;

    let mut expected: BTreeMap<String, BTreeSet<u64>> = BTreeMap::new();
    for item in &all {
        let topic = coldledger::publish::encode::message(item).unwrap().topic;
        expected
            .entry(format!("helium/tarn-hollow/{topic}"))
            .or_default()
            .insert(item.seq);
    }
    for (topic, seqs) in &expected {
        let mut seen = BTreeSet::new();
        let mut highest = 0;
        for seq in heard.series.get(topic).into_iter().flatten() {
            if seen.insert(*seq) {
                assert!(
                    *seq > highest,
                    "{topic}: {seq} was first heard after {highest}"
                );
                highest = *seq;
            }
        }
        let lost: Vec<_> = seqs.difference(&seen).collect();
        assert!(lost.is_empty(), "{topic} lost {lost:?}");
    }
    let report = delivery.health.report();
    assert!(report.failures >= 6, "six breaks were made: {report:?}");
    assert_eq!((report.lag, report.set_aside), (0, 0));
    println!(
        "{} items, {} messages heard, {} broken sessions",
        all.len(),
        heard.messages,
        report.failures
    );
    delivery.stop().await;
}

#[tokio::test]
async fn the_last_will_tells_of_our_death_and_the_last_values_stay() {
    let broker = Broker::start().await;
    let mut subscriber = Subscriber::of(&broker).await;
    let memory = Memory::default();
    memory.commit([
        delivered(1, channel("S1-TT-101", 4.5)),
        delivered(2, mass(MassOf::Vessel("DEWAR".into()), 410.25)),
        delivered(3, channel("S1-TT-101", 4.75)),
        delivered(4, booked("L-1")),
    ]);
    let delivery = Delivery::start(settings(broker.address), &memory, None);
    subscriber
        .expect("online", |seen| is_state(seen, "online"))
        .await;
    memory.delivered_through(4, 10).await;

    // Death: the task is gone without a word.
    drop(delivery);
    subscriber
        .expect("the last will", |seen| is_state(seen, "offline"))
        .await;

    let mut late = Subscriber::of(&broker).await;
    let mut kept = BTreeMap::new();
    while let Some(seen) = late.next(500).await {
        assert!(seen.retained, "{seen:?}");
        kept.insert(seen.topic.clone(), seen.payload);
    }
    let value = |topic: &str| kept[&format!("helium/tarn-hollow/{topic}")]["value"].clone();
    assert_eq!(value("channel/S1-TT-101"), 4.75);
    assert_eq!(value("vessel/DEWAR"), 410.25);
    assert_eq!(kept["helium/tarn-hollow/state"]["state"], "offline");
    assert_eq!(
        kept.len(),
        3,
        "a ledger entry is an event, not a state: {kept:?}"
    );
}

#[tokio::test]
async fn stopping_says_farewell_after_the_last_acknowledgement() {
    let broker = Broker::start().await;
    let mut subscriber = Subscriber::of(&broker).await;
    let memory = Memory::default();
    memory.commit((1..=20).map(|seq| delivered(seq, channel("S1-TT-101", number(seq)))));
    memory.commit_through(25);
    let delivery = Delivery::start(settings(broker.address), &memory, None);
    memory.delivered_through(25, 10).await;
    let health = Arc::clone(&delivery.health);
    delivery.stop().await;
    subscriber
        .expect("farewell", |seen| is_state(seen, "stopped"))
        .await;
    while let Some(seen) = subscriber.next(300).await {
        assert!(!is_state(&seen, "offline"), "no last will after a farewell");
    }
    assert!(!health.report().connected);
    assert_eq!(health.report().cursor, 25);
}

#[tokio::test]
async fn goes_on_where_the_last_run_stopped() {
    let broker = Broker::start().await;
    let mut subscriber = Subscriber::of(&broker).await;
    let memory = Memory::default();
    memory.commit((1..=10).map(|seq| delivered(seq, channel("A", number(seq)))));
    let delivery = Delivery::start(settings(broker.address), &memory, None);
    memory.delivered_through(10, 10).await;
    delivery.stop().await;
    memory.commit((11..=15).map(|seq| delivered(seq, channel("A", number(seq)))));
    let delivery = Delivery::start(settings(broker.address), &memory, None);
    memory.delivered_through(15, 10).await;
    delivery.stop().await;
    let mut heard = Heard::default();
    heard.rest(&mut subscriber).await;
    assert_eq!(
        heard.series["helium/tarn-hollow/channel/A"],
        (1..=15).collect::<Vec<_>>()
    );
}

#[tokio::test]
async fn a_wrong_password_needs_a_person_and_heals_when_the_file_does() {
    let broker = Broker::start_with("allow_anonymous false\npassword_file DIR/pw\n", |folder| {
        run(
            "mosquitto_passwd",
            &["-b", "-c", &path(folder, "pw"), "edge", "s3cret"],
            "mosquitto",
        );
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let password = folder.path().join("password");
    std::fs::write(&password, "wrong\n").unwrap();
    let memory = Memory::default();
    memory.commit([delivered(1, loss(None))]);
    let mut settings = settings(broker.address);
    settings.user = Some("edge".to_owned());
    settings.password_file = Some(password.clone());
    assert!(!format!("{settings:?}").contains("wrong"));
    let delivery = Delivery::start(settings, &memory, None);
    until("a refusal", || delivery.health.report().failures > 0).await;
    let report = delivery.health.report();
    assert!(report.needs_a_person, "{report:?}");
    assert!(report.last_error.contains("NotAuthorized"), "{report:?}");
    std::fs::write(&password, "s3cret\n").unwrap();
    memory.delivered_through(1, 10).await;
    until("the error to clear", || {
        delivery.health.report().last_error.is_empty()
    })
    .await;
    delivery.stop().await;
}

#[tokio::test]
async fn tls_trusts_only_the_stated_authority() {
    let broker = Broker::start_with(
        "allow_anonymous true\ncafile DIR/ca.crt\ncertfile DIR/srv.crt\nkeyfile DIR/srv.key\n",
        certificates,
    )
    .await;
    let other = tempfile::tempdir().unwrap();
    certificates(other.path());
    let memory = Memory::default();
    memory.commit([delivered(1, channel("A", 1.0))]);
    let mut settings = settings(broker.address);
    settings.tls = true;
    settings.ca_file = other.path().join("ca.crt");
    let stranger = Delivery::start(settings.clone(), &memory, None);
    until("a refusal", || stranger.health.report().failures > 0).await;
    assert!(stranger.health.report().needs_a_person);
    assert_eq!(memory.position(), 0);
    drop(stranger);

    settings.ca_file = broker.file("ca.crt");
    let delivery = Delivery::start(settings, &memory, None);
    memory.delivered_through(1, 10).await;
    delivery.stop().await;
}

#[tokio::test]
async fn live_values_leave_at_once_are_marked_and_come_once_a_second() {
    let broker = Broker::start().await;
    let mut subscriber = Subscriber::of(&broker).await;
    let (view, live) = watch::channel(Arc::new(picture(1, 4.5)));
    let delivery = Delivery::start(settings(broker.address), &Memory::default(), Some(live));
    let first = subscriber
        .expect("the first picture", |seen| {
            seen.topic == "helium/tarn-hollow/live/channel/S1-TT-101"
        })
        .await;
    assert_eq!(first.payload["provisional"], true);
    assert_eq!(first.payload["value"], 4.5);
    assert_eq!(first.payload["unit"], "K");
    // The first picture is whole: the bad channel says so, without a number.
    let bad = subscriber
        .expect("the bad channel", |seen| {
            seen.topic == "helium/tarn-hollow/live/channel/S1-LT-102"
        })
        .await;
    assert_eq!(bad.payload["quality"], "bad");
    assert_eq!(bad.payload["value"], serde_json::Value::Null);

    // A thousand pictures in two seconds are told as two or three.
    let mut told = Vec::new();
    for seq in 2..=1_001_u64 {
        view.send_replace(Arc::new(picture(seq, 4.5 + number(seq))));
        if let Some(seen) = subscriber.next(2).await {
            told.push(seen);
        }
    }
    while let Some(seen) = subscriber.next(1_500).await {
        told.push(seen);
    }
    assert!(
        told.iter().all(|seen| seen.topic.ends_with("S1-TT-101")),
        "the channel that did not change is not told again: {told:?}"
    );
    assert!((2..=5).contains(&told.len()), "{} pictures", told.len());
    let last = told.last().unwrap();
    assert_eq!(last.payload["value"], 1_005.5, "the newest is always told");
    delivery.stop().await;
}

#[tokio::test]
async fn a_broker_that_is_away_costs_nothing_but_lag() {
    let memory = Memory::default();
    memory.commit((1..=100).map(|seq| delivered(seq, channel("A", number(seq)))));
    let broker = Broker::start().await;
    let relay = Relay::before(broker.address).await;
    relay.shut();
    let delivery = Delivery::start(settings(relay.address), &memory, None);
    until("two failures", || delivery.health.report().failures >= 2).await;
    let report = delivery.health.report();
    assert!(
        !report.connected && !report.last_error.is_empty(),
        "{report:?}"
    );
    assert!(!report.needs_a_person, "{report:?}");
    relay.open();
    memory.delivered_through(100, 20).await;
    delivery.stop().await;
}

fn picture(seq: u64, value: f64) -> View {
    let channel = |id: &str, value: f64, quality, reason| ChannelView {
        id: id.into(),
        value: Some(value),
        std: Some(0.01),
        unit: "K".into(),
        quality,
        reason,
        read_at: None,
        age: None,
    };
    View {
        seq,
        at: Some(crate::memory::START),
        epoch: 0,
        provenance: None,
        channels: vec![
            channel("S1-TT-101", value, Quality::Good, Reason::None),
            channel("S1-LT-102", f64::NAN, Quality::Bad, Reason::NoAnswer),
        ],
        inventory: None,
        vessels: Vec::new(),
        lines: Vec::new(),
        losses: Vec::new(),
        magnets: coldledger::engine::view::MagnetReport::default(),
        alarms: Vec::new(),
        ledger: Vec::new(),
        budget: Vec::new(),
        devices: Vec::new(),
        events: seq,
    }
}

async fn until(what: &str, condition: impl Fn() -> bool) {
    let wait = tokio::time::timeout(Duration::from_secs(15), async {
        while !condition() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(wait.await.is_ok(), "waited in vain for {what}");
}

/// An authority and a server certificate for 127.0.0.1 signed by it.
fn certificates(folder: &Path) {
    std::fs::write(
        folder.join("ext"),
        "subjectAltName=DNS:localhost,IP:127.0.0.1\nbasicConstraints=CA:FALSE\n\
         extendedKeyUsage=serverAuth\n",
    )
    .unwrap();
    let file = |name| path(folder, name);
    run(
        "openssl",
        &[
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "30",
            "-subj",
            "/CN=test ca",
            "-keyout",
            &file("ca.key"),
            "-out",
            &file("ca.crt"),
        ],
        "openssl",
    );
    run(
        "openssl",
        &[
            "req",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-subj",
            "/CN=localhost",
            "-keyout",
            &file("srv.key"),
            "-out",
            &file("srv.csr"),
        ],
        "openssl",
    );
    run(
        "openssl",
        &[
            "x509",
            "-req",
            "-in",
            &file("srv.csr"),
            "-CA",
            &file("ca.crt"),
            "-CAkey",
            &file("ca.key"),
            "-CAcreateserial",
            "-days",
            "30",
            "-extfile",
            &file("ext"),
            "-out",
            &file("srv.crt"),
        ],
        "openssl",
    );
}

fn path(folder: &Path, name: &str) -> String {
    folder.join(name).to_str().unwrap().to_owned()
}

fn run(program: &str, arguments: &[&str], package: &str) {
    let output = Command::new(program)
        .args(arguments)
        .output()
        .unwrap_or_else(|error| {
            panic!("this test needs {program} ({error}): apt-get install {package}")
        });
    assert!(
        output.status.success(),
        "{program}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
}
