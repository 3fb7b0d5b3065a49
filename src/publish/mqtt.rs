//! The delivery to a message broker (MQTT 3.1.1).
//!
//! Two lanes on one connection. The durable lane (QoS 1) follows the outbox: at most
//! [`MOST_OUTSTANDING`] messages are on their way, the cursor moves when the broker has
//! acknowledged everything up to it, and the live lane (QoS 0) tells the newest values at most once
//! a second, marked provisional.
//!
//! The client library forgets what is on its way when it reconnects by itself. It is therefore
//! never the queue: its channel holds one message, and after **any** error client and event loop
//! are thrown away and the durable lane starts again from the first message not acknowledged.
//! Receivers may see a message twice; its `seq` and time tell.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming, LastWill,
    MqttOptions, NetworkOptions, Outgoing, QoS, TlsConfiguration, Transport,
};
use rustls::pki_types::{CertificateDer, pem::PemObject};
use tokio::sync::{Notify, watch};
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;

use super::encode::{self, Message};
use super::health::LinkHealth;
use super::outbox::{Outbox, Reader};
use super::settings::{MqttSettings, SettingsError, read, read_secret};
use crate::backoff::{Backoff, seed_of};
use crate::clock::Clock;
use crate::engine::{View, view::ChannelView};
use crate::plant::Id;
use crate::time::{Monotonic, Span, Timestamp};

/// Most messages of the durable lane on their way at once.
pub const MOST_OUTSTANDING: usize = 50;

/// Largest message that is sent; ours are a few kilobytes.
const LARGEST: usize = 256 * 1024;

/// Items read from the outbox at once.
const READ_AHEAD: usize = 500;

/// Wait between looks into an outbox that was empty.
const IDLE: Span = Span::from_millis(500);

/// Least time between two recordings of the cursor while messages are on their way.
const RECORD: Span = Span::from_millis(500);

/// Least time between two pictures of the live lane.
const LIVE: Span = Span::from_millis(1_000);

/// A broker that has acknowledged nothing for this long is given up.
const STALL: Span = Span::from_millis(30_000);

/// Time for the last acknowledgements and the farewell.
const FAREWELL: Duration = Duration::from_secs(2);

/// First and longest wait after a broken session.
const RETRY: (Duration, Duration) = (Duration::from_millis(500), Duration::from_mins(1));

/// Where the topics of a site begin: `ROOT/SITE`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Topics {
    prefix: String,
    site: Id,
}

impl Topics {
    /// `root` may have several levels, parted by `/`.
    #[must_use]
    pub fn new(root: &str, site: &Id) -> Self {
        let mut prefix = String::new();
        for part in root.split('/').filter(|part| !part.is_empty()) {
            prefix.push_str(&encode::level(part));
            prefix.push('/');
        }
        prefix.push_str(&encode::level(site));
        Self {
            prefix,
            site: Arc::clone(site),
        }
    }

    /// The whole topic of one below the site's.
    #[must_use]
    pub fn full(&self, below: &str) -> String {
        format!("{}/{below}", self.prefix)
    }
}

/// Delivers until stopped, then says farewell. `live` is the engine's picture; without it there is
/// no live lane.
pub async fn deliver_mqtt(
    settings: MqttSettings,
    topics: Topics,
    outbox: Box<dyn Outbox>,
    live: Option<watch::Receiver<Arc<View>>>,
    clock: Arc<dyn Clock>,
    health: Arc<LinkHealth>,
    stop: CancellationToken,
) {
    let mut delivery = MqttDelivery {
        backoff: Backoff::new(RETRY.0, RETRY.1, seed_of(&topics.prefix)),
        settings,
        topics,
        reader: Reader::new(outbox),
        live,
        clock,
        health: Arc::clone(&health),
        stop: stop.clone(),
        acknowledged: None,
    };
    while !stop.is_cancelled() {
        let Err(failure) = delivery.session().await else {
            break;
        };
        if stop.is_cancelled() {
            break;
        }
        if delivery.backoff.failures() == 0 {
            tracing::warn!(why = %failure.why, "delivery to the broker is held up");
        }
        health.failed(failure.why, failure.needs_a_person);
        let wait = delivery.backoff.failed();
        stop.run_until_cancelled(sleep(wait)).await;
    }
    if let Err(failure) = delivery.record().await {
        tracing::warn!(why = %failure.why, "the last acknowledgements are not recorded");
    }
    health.stopped();
}

struct MqttDelivery {
    settings: MqttSettings,
    topics: Topics,
    reader: Reader,
    live: Option<watch::Receiver<Arc<View>>>,
    clock: Arc<dyn Clock>,
    health: Arc<LinkHealth>,
    backoff: Backoff,
    stop: CancellationToken,
    /// Acknowledged up to here, but not yet recorded.
    acknowledged: Option<u64>,
}

/// Why a session ended.
struct Failure {
    why: String,
    needs_a_person: bool,
}

impl Failure {
    fn passing(why: impl Into<String>) -> Self {
        Self {
            why: why.into(),
            needs_a_person: false,
        }
    }
}

impl MqttDelivery {
    /// One connection, from connecting to its end. `Ok` after a farewell.
    async fn session(&mut self) -> Result<(), Failure> {
        let options = self.options().await.map_err(|error| Failure {
            why: error.to_string(),
            needs_a_person: true,
        })?;
        self.record().await?;
        let position = self
            .reader
            .cursor()
            .await
            .map_err(|e| Failure::passing(e.to_string()))?;
        self.health.position(position);

        let (client, mut events) = AsyncClient::new(options, 1);
        let mut network = NetworkOptions::new();
        network.set_connection_timeout(5);
        network.set_tcp_nodelay(true);
        events.set_network_options(network);
        let shared = Shared::default();
        let feeder = Feeder {
            client,
            shared: &shared,
            window: VecDeque::new(),
            queue: VecDeque::new(),
            position,
            tickets: 0,
            told: BTreeMap::new(),
            look_at: self.clock.now().monotonic,
            live_at: self.clock.now().monotonic,
            moved_at: self.clock.now().monotonic,
            recorded_at: self.clock.now().monotonic,
        };
        // Polling is never interrupted while the session lives; both halves end together.
        tokio::select! {
            failure = drive(&mut events, &shared) => Err(failure),
            end = self.feed(feeder) => end,
        }
    }

    async fn options(&self) -> Result<MqttOptions, SettingsError> {
        let (settings, topics) = (self.settings.clone(), self.topics.clone());
        tokio::task::spawn_blocking(move || options(&settings, &topics))
            .await
            .map_err(|error| SettingsError::Client(error.to_string()))?
    }

    async fn feed(&mut self, mut feeder: Feeder<'_>) -> Result<(), Failure> {
        let connected = feeder.shared.connected();
        if self.stop.run_until_cancelled(connected).await.is_none() {
            return Ok(());
        }
        feeder.send_state(&self.topics, "online", self).await?;
        while !self.stop.is_cancelled() {
            self.settle(&mut feeder).await?;
            self.tell_live(&mut feeder).await?;
            let now = self.clock.now().monotonic;
            if feeder.window.len() < MOST_OUTSTANDING {
                if let Some((message, completes)) = feeder.queue.pop_front() {
                    feeder
                        .send_durable(&self.topics, message, completes, now)
                        .await?;
                    continue;
                }
                if feeder.look_at <= now {
                    self.look(&mut feeder).await?;
                    continue;
                }
            }
            if !feeder.window.is_empty() && now - feeder.moved_at > STALL {
                return Err(Failure::passing(
                    "the broker acknowledges nothing; the connection is given up",
                ));
            }
            // Woken by an acknowledgement, or to look again; the wait is short, so that no timer
            // of the above needs one of its own.
            tokio::select! {
                () = feeder.shared.changed.notified() => {}
                () = sleep(Duration::from_millis(100)) => {}
                () = self.stop.cancelled() => {}
            }
        }
        self.farewell(&mut feeder).await
    }

    /// Takes what the broker has acknowledged out of the window, and records the cursor.
    async fn settle(&mut self, feeder: &mut Feeder<'_>) -> Result<(), Failure> {
        let now = self.clock.now();
        let mut messages = 0;
        while let Some(front) = feeder.window.front() {
            if !feeder.shared.take_acknowledged(front.ticket) {
                break;
            }
            if let Some(completed) = front.completes {
                self.acknowledged = Some(completed);
            }
            feeder.window.pop_front();
            messages += 1;
        }
        if messages > 0 {
            feeder.moved_at = now.monotonic;
            self.backoff.worked();
            self.health.succeeded(messages, now);
        }
        if self.acknowledged.is_some()
            && (feeder.window.is_empty() || now.monotonic - feeder.recorded_at >= RECORD)
        {
            feeder.recorded_at = now.monotonic;
            self.record().await?;
        }
        Ok(())
    }

    async fn record(&mut self) -> Result<(), Failure> {
        if let Some(seq) = self.acknowledged {
            self.reader
                .advance(seq)
                .await
                .map_err(|e| Failure::passing(e.to_string()))?;
            self.acknowledged = None;
            self.health.position(seq);
        }
        Ok(())
    }

    /// Reads on in the outbox.
    async fn look(&mut self, feeder: &mut Feeder<'_>) -> Result<(), Failure> {
        let batch = self
            .reader
            .after(feeder.position, READ_AHEAD)
            .await
            .map_err(|e| Failure::passing(e.to_string()))?;
        self.health.head(batch.head);
        if batch.through <= feeder.position {
            feeder.look_at = self.clock.now().monotonic + IDLE;
            return Ok(());
        }
        feeder.position = batch.through;
        let mut items = batch.items.iter().peekable();
        while let Some(item) = items.next() {
            // The last message of a position completes it, and what lies empty behind it.
            let completes = match items.peek() {
                Some(next) => (next.seq > item.seq).then(|| next.seq.saturating_sub(1)),
                None => Some(batch.through),
            };
            let message = encode::message(item).map_err(|e| Failure::passing(e.to_string()))?;
            let size = message.topic.len() + message.payload.len();
            if size > LARGEST {
                let why = format!(
                    "a message of {size} bytes to {} is too large",
                    message.topic
                );
                tracing::error!(%why, "a message is given up");
                self.health.set_aside(why);
                feeder.complete_without_message(completes);
            } else {
                feeder.queue.push_back((message, completes));
            }
        }
        if batch.items.is_empty() {
            feeder.complete_without_message(Some(batch.through));
        }
        if feeder.window.is_empty() && feeder.queue.is_empty() {
            // Nothing on its way: the empty stretch itself is complete.
            self.acknowledged = Some(feeder.position);
            self.record().await?;
        }
        Ok(())
    }

    /// The newest picture, if it is time for one and there is one.
    async fn tell_live(&mut self, feeder: &mut Feeder<'_>) -> Result<(), Failure> {
        let now = self.clock.now().monotonic;
        let Some(live) = self.live.as_mut() else {
            return Ok(());
        };
        if now < feeder.live_at {
            return Ok(());
        }
        if !feeder.told.is_empty() && !live.has_changed().unwrap_or(false) {
            return Ok(());
        }
        feeder.live_at = now + LIVE;
        let view = Arc::clone(&live.borrow_and_update());
        for channel in &view.channels {
            // The age alone is no news, and a NaN would never be told for the same.
            let news = ChannelView {
                age: None,
                value: channel.value.filter(|v| v.is_finite()),
                std: channel.std.filter(|u| u.is_finite()),
                ..channel.clone()
            };
            if feeder.told.get(&news.id) == Some(&news) {
                continue;
            }
            let message =
                encode::live(&view, channel).map_err(|e| Failure::passing(e.to_string()))?;
            let topic = self.topics.full(&message.topic);
            feeder
                .publish(topic, QoS::AtMostOnce, message.retain, message.payload)
                .await?;
            feeder.told.insert(Arc::clone(&news.id), news);
        }
        Ok(())
    }

    /// Says that the daemon was stopped, waits for what is on its way, and takes leave.
    async fn farewell(&mut self, feeder: &mut Feeder<'_>) -> Result<(), Failure> {
        let last = async {
            feeder.send_state(&self.topics, "stopped", self).await?;
            while !feeder.window.is_empty() {
                self.settle(feeder).await?;
                if !feeder.window.is_empty() {
                    feeder.shared.changed.notified().await;
                }
            }
            feeder
                .client
                .disconnect()
                .await
                .map_err(|error| Failure::passing(error.to_string()))?;
            feeder.shared.left().await;
            Ok::<(), Failure>(())
        };
        let end = timeout(FAREWELL, last)
            .await
            .unwrap_or_else(|_| Err(Failure::passing("the broker did not hear the farewell")));
        self.record().await?;
        end
    }
}

/// The sending half of a session.
struct Feeder<'a> {
    client: AsyncClient,
    shared: &'a Shared,
    /// On their way, oldest first.
    window: VecDeque<OnItsWay>,
    /// Read from the outbox, with the position that each completes.
    queue: VecDeque<(Message, Option<u64>)>,
    /// Read from the outbox up to here.
    position: u64,
    /// Messages of this session that await an acknowledgement are numbered.
    tickets: u64,
    /// What the live lane said last.
    told: BTreeMap<Id, ChannelView>,
    look_at: Monotonic,
    live_at: Monotonic,
    moved_at: Monotonic,
    recorded_at: Monotonic,
}

struct OnItsWay {
    ticket: u64,
    completes: Option<u64>,
}

impl Feeder<'_> {
    async fn send_durable(
        &mut self,
        topics: &Topics,
        message: Message,
        completes: Option<u64>,
        now: Monotonic,
    ) -> Result<(), Failure> {
        if self.window.is_empty() {
            self.moved_at = now;
        }
        self.tickets += 1;
        let ticket = self.tickets;
        self.window.push_back(OnItsWay { ticket, completes });
        // Before the channel knows it: the event loop may send it at once.
        self.shared.flight().in_channel.push_back(ticket);
        let topic = topics.full(&message.topic);
        self.publish(topic, QoS::AtLeastOnce, message.retain, message.payload)
            .await
    }

    async fn send_state(
        &mut self,
        topics: &Topics,
        state: &str,
        delivery: &MqttDelivery,
    ) -> Result<(), Failure> {
        let now = delivery.clock.now();
        let message = Message {
            topic: "state".to_owned(),
            payload: state_payload(state, now.utc),
            retain: true,
        };
        self.send_durable(topics, message, None, now.monotonic)
            .await
    }

    async fn publish(
        &self,
        topic: String,
        qos: QoS,
        retain: bool,
        payload: Vec<u8>,
    ) -> Result<(), Failure> {
        // The library's error carries the whole message; only that it happened matters.
        self.client
            .publish(topic, qos, retain, payload)
            .await
            .map_err(|_| Failure::passing("the connection to the broker is gone"))
    }

    /// A position without a message completes with the message before it.
    fn complete_without_message(&mut self, completes: Option<u64>) {
        let Some(seq) = completes else {
            return;
        };
        if let Some((_, last)) = self.queue.back_mut() {
            *last = Some(seq);
        } else if let Some(last) = self.window.back_mut() {
            last.completes = Some(seq);
        }
    }
}

/// What the two halves of a session know together.
#[derive(Default)]
struct Shared {
    flight: Mutex<Flight>,
    changed: Notify,
}

#[derive(Default)]
struct Flight {
    connected: bool,
    left: bool,
    /// Given to the channel, not yet on the wire; first in, first out.
    in_channel: VecDeque<u64>,
    /// On the wire by packet id.
    sent: BTreeMap<u16, u64>,
    acknowledged: BTreeSet<u64>,
}

impl Shared {
    /// A panic while holding the lock cannot happen: nothing below panics.
    fn flight(&self) -> MutexGuard<'_, Flight> {
        self.flight.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn take_acknowledged(&self, ticket: u64) -> bool {
        self.flight().acknowledged.remove(&ticket)
    }

    async fn connected(&self) {
        while !self.flight().connected {
            self.changed.notified().await;
        }
    }

    async fn left(&self) {
        while !self.flight().left {
            self.changed.notified().await;
        }
    }
}

/// The polling half of a session; returns only with a failure.
async fn drive(events: &mut EventLoop, shared: &Shared) -> Failure {
    loop {
        let event = match events.poll().await {
            Ok(event) => event,
            Err(error) => return explain(&error),
        };
        let mut flight = shared.flight();
        match event {
            Event::Incoming(Incoming::ConnAck(_)) => flight.connected = true,
            // Messages of the live lane have no packet id.
            Event::Outgoing(Outgoing::Publish(0)) => {}
            Event::Outgoing(Outgoing::Publish(packet)) => {
                let Some(ticket) = flight.in_channel.pop_front() else {
                    return Failure::passing("a message was sent that nobody gave");
                };
                flight.sent.insert(packet, ticket);
            }
            Event::Incoming(Incoming::PubAck(ack)) => {
                let Some(ticket) = flight.sent.remove(&ack.pkid) else {
                    return Failure::passing("the broker acknowledges what was not sent");
                };
                flight.acknowledged.insert(ticket);
            }
            Event::Outgoing(Outgoing::Disconnect) => flight.left = true,
            _ => continue,
        }
        drop(flight);
        shared.changed.notify_one();
    }
}

fn explain(error: &ConnectionError) -> Failure {
    let needs_a_person = match error {
        ConnectionError::ConnectionRefused(code) => {
            !matches!(code, ConnectReturnCode::ServiceUnavailable)
        }
        ConnectionError::Tls(_) => true,
        _ => false,
    };
    Failure {
        why: format!("broker: {error}"),
        needs_a_person,
    }
}

fn options(settings: &MqttSettings, topics: &Topics) -> Result<MqttOptions, SettingsError> {
    let id = settings
        .client_id
        .clone()
        .unwrap_or_else(|| format!("coldledger-{}", topics.site));
    let mut options = MqttOptions::new(id, &settings.host, settings.port);
    options
        .set_keep_alive(Duration::from_secs(15))
        .set_clean_session(true)
        // Above the window: a packet id is free again before it is needed.
        .set_inflight(100)
        .set_max_packet_size(64 * 1024, LARGEST + 1024)
        .set_last_will(LastWill::new(
            topics.full("state"),
            state_payload("offline", None),
            QoS::AtLeastOnce,
            true,
        ));
    if let Some(user) = &settings.user {
        let password = match &settings.password_file {
            Some(file) => read_secret("password", file)?,
            None => String::new(),
        };
        options.set_credentials(user, password);
    }
    if settings.tls {
        let config = tls(&read("certificates", &settings.ca_file)?)?;
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(
            Arc::new(config),
        )));
    }
    Ok(options)
}

/// TLS by the named provider: nothing is left to what else the process has loaded.
fn tls(pem: &str) -> Result<rustls::ClientConfig, SettingsError> {
    let wrong = |why: String| SettingsError::Client(why);
    let mut roots = rustls::RootCertStore::empty();
    for certificate in CertificateDer::pem_slice_iter(pem.as_bytes()) {
        let certificate = certificate.map_err(|e| wrong(e.to_string()))?;
        // A bundle may hold authorities of a form that is not supported; the others count.
        let _unsupported = roots.add(certificate).is_err();
    }
    if roots.is_empty() {
        return Err(wrong("the file of authorities holds no certificate".into()));
    }
    rustls::ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|e| wrong(e.to_string()))
        .map(|builder| builder.with_root_certificates(roots).with_no_client_auth())
}

fn state_payload(state: &str, time: Option<Timestamp>) -> Vec<u8> {
    serde_json::json!({
        "state": state,
        "time": time.map(|at| at.to_string()),
        "engine": env!("CARGO_PKG_VERSION"),
    })
    .to_string()
    .into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics_have_the_levels_of_root_and_site() {
        let topics = Topics::new("/helium/plants/", &"tarn/hollow".into());
        assert_eq!(
            topics.full("channel/S1-TT-101"),
            "helium/plants/tarn_hollow/channel/S1-TT-101"
        );
    }

    #[test]
    fn a_bundle_without_certificates_is_refused() {
        assert!(matches!(tls("nothing"), Err(SettingsError::Client(_))));
    }
}
