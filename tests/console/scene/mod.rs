//! A hand-made plant, picture, past and desk, and a server over them.

mod past;
mod picture;

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use coldledger::console::{
    BoxHealth, Clocks, DeskKind, DeskRequest, Office, Operators, Progress, Receipt, Refusal,
    hash_password, serve_with_patience,
};
use coldledger::engine::View;
use coldledger::plant::files::SourceFile;
use coldledger::plant::{Plant, load};
use coldledger::time::{Monotonic, Span, Timestamp};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

pub use self::past::MadeUpPast;
pub use self::picture::{blank, calm, healthy, troubled};

/// The picture's time: 25 Nov 2026 14:32:10 at Tarn Hollow.
pub const NOW: i64 = 1_795_617_130_000;
pub const NAME: &str = "R. Ash";
pub const PASSWORD: &str = "seven cold kilograms";
const KG_PER_DAY: f64 = 1.0 / 86_400.0;

pub fn plant_text() -> String {
    include_str!("../plant.toml").to_owned()
}

pub fn plant_of(text: &str) -> Plant {
    let file = SourceFile {
        name: "plant.toml".into(),
        text: text.into(),
    };
    load::load(&[file]).unwrap_or_else(|problems| panic!("{problems}"))
}

pub fn ago(span: Span) -> Timestamp {
    Timestamp::from_millis(NOW) - span
}

fn minutes(count: i64) -> Span {
    Span::from_millis(count * 60_000)
}

/// How the desk answers.
#[derive(Debug, Clone)]
pub enum DeskManner {
    Records,
    Refuses(Refusal),
}

/// A running server over hand-made facts.
pub struct House {
    pub url: String,
    pub view: watch::Sender<Arc<View>>,
    pub health: watch::Sender<Arc<BoxHealth>>,
    pub progress: watch::Sender<Progress>,
    /// Held, so that its receiver lives.
    _plant: watch::Sender<Arc<Plant>>,
    pub now: Arc<AtomicI64>,
    pub asked: Arc<Mutex<Vec<DeskKind>>>,
    pub stop: CancellationToken,
    pub server: JoinHandle<()>,
    pub client: reqwest::Client,
}

/// What a house is built from.
pub struct Plan {
    pub plant: Plant,
    pub view: View,
    pub past: MadeUpPast,
    pub desk: DeskManner,
    pub patience: Duration,
    /// Whether the wall clock is known.
    pub wall: bool,
}

impl Plan {
    pub fn of(text: &str, view: fn(&Plant) -> View) -> Self {
        let plant = plant_of(text);
        Self {
            view: view(&plant),
            plant,
            past: MadeUpPast::new(),
            desk: DeskManner::Records,
            patience: Duration::from_secs(30),
            wall: true,
        }
    }

    pub async fn build(self) -> House {
        let now = Arc::new(AtomicI64::new(NOW));
        let health = healthy(&self.plant);
        let (plant, plant_watch) = watch::channel(Arc::new(self.plant));
        let (view, view_watch) = watch::channel(Arc::new(self.view));
        let (health, health_watch) = watch::channel(Arc::new(health));
        let (progress, progress_watch) = watch::channel(Progress {
            phase: "ready".into(),
            fraction: 1.0,
            ready: true,
        });
        let (desk, mut requests) = mpsc::channel::<DeskRequest>(8);
        let asked = Arc::new(Mutex::new(Vec::new()));
        let noted = Arc::clone(&asked);
        let manner = self.desk;
        let desk_keeper = async move {
            while let Some(request) = requests.recv().await {
                noted.lock().unwrap().push(request.kind);
                let answer = match &manner {
                    DeskManner::Records => Ok(Receipt { seq: 864_300 }),
                    DeskManner::Refuses(refusal) => Err(refusal.clone()),
                };
                _ = request.reply.send(answer);
            }
        };
        let clock = |now: &Arc<AtomicI64>| {
            let now = Arc::clone(now);
            move || now.load(Ordering::Relaxed)
        };
        let wall_known = self.wall;
        let (wall, monotonic) = (clock(&now), clock(&now));
        let office = Office {
            plant: plant_watch,
            view: view_watch,
            health: health_watch,
            progress: progress_watch,
            past: Arc::new(self.past),
            desk,
            operators: operators(),
            host_names: vec!["ledger.tarn-hollow.example".into()],
            clocks: Clocks {
                wall: Arc::new(move || wall_known.then(|| Timestamp::from_millis(wall()))),
                monotonic: Arc::new(move || Monotonic(monotonic())),
            },
            version: "0.1.0",
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let stop = CancellationToken::new();
        let until = stop.clone();
        let patience = self.patience;
        #[expect(clippy::disallowed_methods, reason = "a test has no daemon")]
        let server = tokio::task::spawn(async move {
            tokio::select! {
                served = serve_with_patience(listener, office, until, patience) => served.unwrap(),
                () = desk_keeper => {}
            }
        });
        House {
            url,
            view,
            health,
            progress,
            _plant: plant,
            now,
            asked,
            stop,
            server,
            client: reqwest::Client::builder()
                .redirect(reqwest::redirect::Policy::none())
                .timeout(Duration::from_secs(20))
                .build()
                .unwrap(),
        }
    }
}

/// Hashing takes some tenths of a second: once is enough.
fn operators() -> Operators {
    static HASH: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    let hash = HASH.get_or_init(|| hash_password(PASSWORD).unwrap());
    Operators::parse(&format!(
        "[[operator]]\nname = {NAME:?}\npassword-hash = {hash:?}\n"
    ))
    .unwrap()
}

pub async fn house(view: fn(&Plant) -> View) -> House {
    Plan::of(&plant_text(), view).build().await
}

impl House {
    pub async fn get(&self, path: &str) -> (u16, String) {
        let answer = self
            .client
            .get(format!("{}{path}", self.url))
            .send()
            .await
            .unwrap();
        (answer.status().as_u16(), answer.text().await.unwrap())
    }

    pub async fn json(&self, path: &str) -> serde_json::Value {
        let (status, text) = self.get(path).await;
        assert_eq!(status, 200, "{path}: {text}");
        serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}: {text}"))
    }

    /// Moves the clocks on.
    pub fn wait(&self, span: Span) {
        self.now.fetch_add(span.millis(), Ordering::Relaxed);
    }

    /// Signs in and gives cookie and token.
    pub async fn sign_in(&self) -> (String, String) {
        let answer = self
            .client
            .post(format!("{}/login", self.url))
            .header("content-type", "application/x-www-form-urlencoded")
            .body("name=R.+Ash&password=seven+cold+kilograms&next=%2Fhelium")
            .send()
            .await
            .unwrap();
        assert_eq!(answer.status(), 303);
        assert_eq!(answer.headers()["location"], "/helium");
        let cookie = answer.headers()["set-cookie"].to_str().unwrap().to_owned();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"));
        let cookie = cookie.split(';').next().unwrap().to_owned();
        let page = self
            .client
            .get(format!("{}/ledger", self.url))
            .header("cookie", &cookie)
            .send()
            .await
            .unwrap()
            .text()
            .await
            .unwrap();
        let token = page
            .split("name=\"csrf\" value=\"")
            .nth(1)
            .and_then(|rest| rest.split('"').next())
            .expect("a token in the form")
            .to_owned();
        (cookie, token)
    }

    /// Posts a form.
    pub async fn post(&self, path: &str, cookie: &str, body: String) -> (u16, String, String) {
        let answer = self
            .client
            .post(format!("{}{path}", self.url))
            .header("cookie", cookie)
            .header("content-type", "application/x-www-form-urlencoded")
            .body(body)
            .send()
            .await
            .unwrap();
        let status = answer.status().as_u16();
        let location = answer
            .headers()
            .get("location")
            .map(|v| v.to_str().unwrap().to_owned())
            .unwrap_or_default();
        (status, location, answer.text().await.unwrap())
    }

    pub fn asked(&self) -> Vec<DeskKind> {
        self.asked.lock().unwrap().clone()
    }
}
