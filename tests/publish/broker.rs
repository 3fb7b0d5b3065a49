//! A real mosquitto on a free port, a relay before it, and a subscriber.

use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port()
}

/// Starts a program that is looked for in PATH and in the system's folders.
pub fn start(command: &str, arguments: &[&str], package: &str) -> Child {
    for program in [command.to_owned(), format!("/usr/sbin/{command}")] {
        match Command::new(&program)
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
        {
            Ok(child) => return child,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => panic!("{program} does not start: {error}"),
        }
    }
    panic!("this test needs {command}: apt-get install {package}");
}

/// Waits until something accepts connections there.
pub async fn listening(address: SocketAddr) {
    let tries = tokio::time::timeout(Duration::from_secs(15), async {
        while TcpStream::connect(address).await.is_err() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(tries.await.is_ok(), "nothing listens at {address}");
}

/// A mosquitto of our own, without persistence; killed when dropped.
pub struct Broker {
    child: Child,
    pub address: SocketAddr,
    folder: tempfile::TempDir,
}

impl Broker {
    pub async fn start() -> Self {
        Self::start_with("allow_anonymous true\n", |_| {}).await
    }

    /// `prepare` may put files beside the configuration, whose lines may name them as `DIR/...`.
    pub async fn start_with(lines: &str, prepare: impl Fn(&Path)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        prepare(folder.path());
        let port = free_port();
        let address: SocketAddr = ([127, 0, 0, 1], port).into();
        let lines = lines.replace("DIR", folder.path().to_str().unwrap());
        std::fs::write(
            folder.path().join("broker.conf"),
            // Started as root it would else become a user who cannot read the folder.
            format!(
                "user root\nper_listener_settings true\npersistence false\n\
                 listener {port} 127.0.0.1\n{lines}"
            ),
        )
        .unwrap();
        let child = Self::spawn(folder.path());
        listening(address).await;
        Self {
            child,
            address,
            folder,
        }
    }

    fn spawn(folder: &Path) -> Child {
        let configuration = folder.join("broker.conf");
        start(
            "mosquitto",
            &["-c", configuration.to_str().unwrap()],
            "mosquitto",
        )
    }

    /// A file beside the configuration.
    pub fn file(&self, name: &str) -> std::path::PathBuf {
        self.folder.path().join(name)
    }

    /// SIGKILL, then again on the same port, with nothing remembered.
    pub async fn kill_and_restart(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.child = Self::spawn(self.folder.path());
        listening(self.address).await;
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Stands between a delivery and a server: can be shut, and can cut what passes through it.
pub struct Relay {
    pub address: SocketAddr,
    open: Arc<AtomicBool>,
    cut: Arc<std::sync::Mutex<CancellationToken>>,
    _tasks: JoinSet<()>,
}

impl Relay {
    pub async fn before(server: SocketAddr) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let open = Arc::new(AtomicBool::new(true));
        let cut = Arc::new(std::sync::Mutex::new(CancellationToken::new()));
        let mut tasks = JoinSet::new();
        let (is_open, token) = (Arc::clone(&open), Arc::clone(&cut));
        tasks.spawn(async move {
            let mut passing = JoinSet::new();
            loop {
                let (mut near, _) = listener.accept().await.unwrap();
                if !is_open.load(Ordering::SeqCst) {
                    continue;
                }
                let cut = token.lock().unwrap().clone();
                passing.spawn(cut.run_until_cancelled_owned(async move {
                    if let Ok(mut far) = TcpStream::connect(server).await {
                        drop(tokio::io::copy_bidirectional(&mut near, &mut far).await);
                    }
                }));
            }
        });
        Self {
            address,
            open,
            cut,
            _tasks: tasks,
        }
    }

    /// Nothing passes any more.
    pub fn shut(&self) {
        self.shut_to_newcomers();
        self.cut();
    }

    /// What passes now goes on.
    pub fn shut_to_newcomers(&self) {
        self.open.store(false, Ordering::SeqCst);
    }

    pub fn open(&self) {
        self.open.store(true, Ordering::SeqCst);
    }

    /// Ends what passes now; new connections are let through.
    pub fn cut(&self) {
        std::mem::take(&mut *self.cut.lock().unwrap()).cancel();
    }
}

/// A message as a subscriber saw it.
#[derive(Debug, Clone)]
pub struct Seen {
    pub topic: String,
    pub payload: serde_json::Value,
    pub retained: bool,
}

/// Hears everything from the moment it is made, over one connection.
pub struct Subscriber {
    pub heard: mpsc::Receiver<Seen>,
    _tasks: JoinSet<()>,
}

impl Subscriber {
    /// Ready: the broker has confirmed the subscription. Asks for QoS 0, so that it never writes
    /// to a broker that dies and nothing already sent to it can be reset away.
    pub async fn at(options: MqttOptions) -> Self {
        let (client, mut events) = AsyncClient::new(options, 10);
        client.subscribe("#", QoS::AtMostOnce).await.unwrap();
        let (out, heard) = mpsc::channel(100_000);
        let (ready, is_ready) = tokio::sync::oneshot::channel();
        let mut tasks = JoinSet::new();
        tasks.spawn(async move {
            let mut ready = Some(ready);
            loop {
                // With the connection's end the library reports the error first, and keeps what it
                // had read before it.
                let (heard, ended) = match events.poll().await {
                    Ok(event) => (vec![event], false),
                    Err(_) => (events.state.events.drain(..).collect(), true),
                };
                for event in heard {
                    match event {
                        Event::Incoming(Incoming::SubAck(_)) => {
                            if let Some(ready) = ready.take() {
                                ready.send(()).unwrap();
                            }
                        }
                        Event::Incoming(Incoming::Publish(publish)) => {
                            let seen = Seen {
                                topic: publish.topic,
                                payload: serde_json::from_slice(&publish.payload).unwrap(),
                                retained: publish.retain,
                            };
                            if out.send(seen).await.is_err() {
                                return;
                            }
                        }
                        _ => {}
                    }
                }
                if ended {
                    return;
                }
            }
        });
        tokio::time::timeout(Duration::from_secs(10), is_ready)
            .await
            .expect("the broker does not confirm the subscription")
            .unwrap();
        Self {
            heard,
            _tasks: tasks,
        }
    }

    pub async fn of(broker: &Broker) -> Self {
        let mut options = MqttOptions::new(
            format!("watcher-{}", free_port()),
            "127.0.0.1",
            broker.address.port(),
        );
        options.set_max_packet_size(1 << 20, 1 << 20);
        Self::at(options).await
    }

    /// The next message, if one comes within that time.
    pub async fn next(&mut self, millis: u64) -> Option<Seen> {
        tokio::time::timeout(Duration::from_millis(millis), self.heard.recv())
            .await
            .ok()
            .flatten()
    }

    /// The next message that fits, or a failed test after ten seconds.
    pub async fn expect(&mut self, what: &str, fits: impl Fn(&Seen) -> bool) -> Seen {
        let wait = async {
            loop {
                let seen = self
                    .heard
                    .recv()
                    .await
                    .expect("the subscriber's connection ended");
                if fits(&seen) {
                    return seen;
                }
            }
        };
        tokio::time::timeout(Duration::from_secs(10), wait)
            .await
            .unwrap_or_else(|_| panic!("not heard within 10 s: {what}"))
    }
}
