//! A store that answers by script: every status that a store or what stands before it may give.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use coldledger::publish::SeriesSettings;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

use crate::memory::{Memory, channel, delivered};
use crate::store::{Delivery, settings};

/// A request as the store saw it.
struct Asked {
    number: usize,
    head: String,
    headers: BTreeMap<String, String>,
    lines: Vec<String>,
}

enum Reply {
    /// Status line and further headers; `true` when all lines were stored, with an empty body.
    Status(&'static str, bool),
    /// 400 after storing the lines that do not hold this text.
    Partly(&'static str),
    Hang,
    Close,
}

/// What the store holds, and how often each line came.
type Stored = Arc<Mutex<BTreeMap<String, usize>>>;

struct Script {
    address: SocketAddr,
    stored: Stored,
    requests: Arc<std::sync::atomic::AtomicUsize>,
    _tasks: JoinSet<()>,
}

impl Script {
    async fn serve(script: impl Fn(&Asked) -> Reply + Send + Sync + 'static) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let stored = Stored::default();
        let requests = Arc::new(std::sync::atomic::AtomicUsize::new(0));
        let mut tasks = JoinSet::new();
        let (to, count, script) = (Arc::clone(&stored), Arc::clone(&requests), Arc::new(script));
        tasks.spawn(async move {
            let mut connections = JoinSet::new();
            loop {
                let (stream, _) = listener.accept().await.unwrap();
                let (to, count, script) =
                    (Arc::clone(&to), Arc::clone(&count), Arc::clone(&script));
                connections.spawn(async move {
                    // An error is the client going away.
                    drop(answer(stream, &to, &count, &*script).await);
                });
            }
        });
        Self {
            address,
            stored,
            requests,
            _tasks: tasks,
        }
    }

    fn requests(&self) -> usize {
        self.requests.load(std::sync::atomic::Ordering::SeqCst)
    }

    /// Which of the positions 1 to `last` are stored.
    fn missing(&self, last: u64) -> Vec<u64> {
        let stored = self.stored.lock().unwrap();
        (1..=last)
            .filter(|seq| {
                !stored
                    .keys()
                    .any(|line| line.contains(&format!(",id=C{seq},")))
            })
            .collect()
    }
}

async fn answer(
    stream: TcpStream,
    stored: &Stored,
    count: &std::sync::atomic::AtomicUsize,
    script: &(dyn Fn(&Asked) -> Reply + Send + Sync),
) -> std::io::Result<()> {
    let mut stream = BufReader::new(stream);
    loop {
        let mut head = String::new();
        if stream.read_line(&mut head).await? == 0 {
            return Ok(());
        }
        let mut headers = BTreeMap::new();
        loop {
            let mut line = String::new();
            stream.read_line(&mut line).await?;
            let Some((name, value)) = line.trim().split_once(": ") else {
                break;
            };
            headers.insert(name.to_lowercase(), value.to_owned());
        }
        let length = headers
            .get("content-length")
            .map_or(0, |n| n.parse().unwrap());
        let mut body = vec![0; length];
        stream.read_exact(&mut body).await?;
        let lines: Vec<String> = String::from_utf8(body)
            .unwrap()
            .lines()
            .map(str::to_owned)
            .collect();
        let asked = Asked {
            number: count.fetch_add(1, std::sync::atomic::Ordering::SeqCst),
            head,
            headers,
            lines,
        };
        let keep = |lines: &[String], without: &str| {
            let mut stored = stored.lock().unwrap();
            for line in lines
                .iter()
                .filter(|l| without.is_empty() || !l.contains(without))
            {
                *stored.entry(line.clone()).or_default() += 1;
            }
        };
        let status = match script(&asked) {
            Reply::Status(status, true) => {
                keep(&asked.lines, "");
                status
            }
            Reply::Status(status, false) => status,
            Reply::Partly(without) => {
                if asked.lines.iter().any(|line| line.contains(without)) {
                    keep(&asked.lines, without);
                    "400 Bad Request"
                } else {
                    keep(&asked.lines, "");
                    "204 No Content"
                }
            }
            Reply::Hang => std::future::pending().await,
            Reply::Close => return Ok(()),
        };
        let reply = format!("HTTP/1.1 {status}\r\nContent-Length: 0\r\n\r\n");
        stream.get_mut().write_all(reply.as_bytes()).await?;
    }
}

const STORED: Reply = Reply::Status("204 No Content", true);

fn numbered(last: u64) -> Memory {
    let memory = Memory::default();
    memory.commit((1..=last).map(|seq| delivered(seq, channel(&format!("C{seq}"), 1.0))));
    memory
}

/// The first two requests meet the fault, the others are stored; nothing may be missing, and
/// nothing may be taken as delivered early.
async fn survives(reply: fn() -> Reply, needs_a_person: bool, says: &str) {
    let script = Script::serve(move |asked| if asked.number < 2 { reply() } else { STORED }).await;
    let memory = numbered(10);
    let delivery = Delivery::start(settings(script.address), &memory);
    while script.requests() < 2 {
        assert_eq!(memory.position(), 0, "taken as delivered after {says}");
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let report = delivery.health.report();
    assert!(report.last_error.contains(says), "{report:?}");
    assert_eq!(report.needs_a_person, needs_a_person, "{report:?}");
    memory.delivered_through(10, 20).await;
    assert_eq!(script.missing(10), [] as [u64; 0]);
    let report = delivery.health.report();
    assert_eq!(report.set_aside, 0, "{report:?}");
    assert_eq!(report.last_error, "", "well again: {report:?}");
}

#[tokio::test]
async fn status_200_is_not_success() {
    survives(|| Reply::Status("200 OK", false), true, "200").await;
}

#[tokio::test]
async fn status_401_is_kept_and_needs_a_person() {
    survives(|| Reply::Status("401 Unauthorized", false), true, "401").await;
}

#[tokio::test]
async fn status_403_is_kept_and_needs_a_person() {
    survives(|| Reply::Status("403 Forbidden", false), true, "403").await;
}

#[tokio::test]
async fn status_404_is_kept_and_needs_a_person() {
    survives(|| Reply::Status("404 Not Found", false), true, "404").await;
}

#[tokio::test]
async fn status_429_is_kept() {
    survives(
        || Reply::Status("429 Too Many Requests\r\nRetry-After: 1", false),
        false,
        "429",
    )
    .await;
}

#[tokio::test]
async fn status_503_is_kept() {
    survives(
        || Reply::Status("503 Service Unavailable", false),
        false,
        "503",
    )
    .await;
}

#[tokio::test]
async fn close_within_a_request_is_kept() {
    survives(|| Reply::Close, false, "cannot be reached").await;
}

#[tokio::test]
async fn redirection_is_not_followed_into_a_false_success() {
    let elsewhere = Script::serve(|_| Reply::Status("204 No Content", false)).await;
    let target = elsewhere.address;
    let line: &'static str = Box::leak(format!("302 Found\r\nLocation: http://{target}/").into());
    let script = Script::serve(move |asked| {
        if asked.number < 2 {
            Reply::Status(line, false)
        } else {
            STORED
        }
    })
    .await;
    let memory = numbered(10);
    let delivery = Delivery::start(settings(script.address), &memory);
    memory.delivered_through(10, 20).await;
    assert_eq!(script.missing(10), [] as [u64; 0]);
    assert_eq!(elsewhere.requests(), 0, "followed");
    assert_eq!(delivery.health.report().failures, 2);
}

#[tokio::test]
async fn a_store_that_hangs_is_left_after_half_a_minute() {
    let script = Script::serve(|asked| {
        if asked.number == 0 {
            Reply::Hang
        } else {
            STORED
        }
    })
    .await;
    let memory = numbered(10);
    let delivery = Delivery::start(settings(script.address), &memory);
    memory.delivered_through(10, 40).await;
    assert_eq!(script.missing(10), [] as [u64; 0]);
    assert_eq!(delivery.health.report().failures, 1);
}

#[tokio::test]
async fn stopping_does_not_wait_for_a_store_that_hangs() {
    let script = Script::serve(|_| Reply::Hang).await;
    let memory = numbered(10);
    let mut delivery = Delivery::start(settings(script.address), &memory);
    while script.requests() == 0 {
        tokio::task::yield_now().await;
    }
    delivery.stop.cancel();
    tokio::time::timeout(Duration::from_secs(2), delivery.tasks.join_next())
        .await
        .expect("does not stop")
        .unwrap()
        .unwrap();
    assert_eq!(memory.position(), 0);
}

#[tokio::test]
async fn too_large_is_halved_until_it_fits() {
    let script = Script::serve(|asked| {
        if asked.lines.len() > 150 {
            Reply::Status("413 Payload Too Large", false)
        } else {
            STORED
        }
    })
    .await;
    let memory = numbered(3_000);
    let delivery = Delivery::start(settings(script.address), &memory);
    memory.delivered_through(3_000, 30).await;
    assert_eq!(script.missing(3_000), [] as [u64; 0]);
    assert_eq!(delivery.health.report().set_aside, 0);
    // 24 requests of 125 lines would do; halving and cautious growth may cost as many again.
    assert!(script.requests() < 80, "{} requests", script.requests());
}

#[tokio::test]
async fn malformed_lines_are_found_and_set_aside_and_all_others_stored() {
    let script = Script::serve(|_| Reply::Partly("77,")).await;
    let memory = numbered(1_000);
    let delivery = Delivery::start(settings(script.address), &memory);
    memory.delivered_through(1_000, 30).await;
    let poisoned: Vec<u64> = (1..=1_000).filter(|seq| seq % 100 == 77).collect();
    assert_eq!(script.missing(1_000), poisoned);
    let report = delivery.health.report();
    assert_eq!(report.set_aside, poisoned.len() as u64);
    assert!(report.last_set_aside.contains("77,"), "{report:?}");
}

#[tokio::test]
async fn a_store_that_refuses_everything_loses_nothing() {
    // A wrong bucket answered by 400 once would have thrown away every line.
    let script = Script::serve(|asked| {
        if asked.number < 25 {
            Reply::Status("400 Bad Request", false)
        } else {
            STORED
        }
    })
    .await;
    let memory = numbered(8);
    let delivery = Delivery::start(settings(script.address), &memory);
    while delivery.health.report().failures == 0 {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let report = delivery.health.report();
    assert!(report.needs_a_person, "{report:?}");
    assert_eq!((report.set_aside, memory.position()), (0, 0), "{report:?}");
    memory.delivered_through(8, 20).await;
    assert_eq!(script.missing(8), [] as [u64; 0]);
    assert_eq!(delivery.health.report().set_aside, 0);
}

#[tokio::test]
async fn the_token_is_read_again_after_a_refusal_and_never_told() {
    let script = Script::serve(|asked| {
        if asked.headers.get("authorization").map(String::as_str) == Some("Token new") {
            STORED
        } else {
            Reply::Status("401 Unauthorized", false)
        }
    })
    .await;
    let folder = tempfile::tempdir().unwrap();
    let token = folder.path().join("token");
    std::fs::write(&token, "old\n").unwrap();
    let memory = numbered(3);
    let settings = SeriesSettings {
        token_file: Some(token.clone()),
        ..settings(script.address)
    };
    let delivery = Delivery::start(settings, &memory);
    while script.requests() == 0 || delivery.health.report().failures == 0 {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let report = delivery.health.report();
    assert!(!report.last_error.contains("old"), "{report:?}");
    std::fs::write(&token, "new\n").unwrap();
    memory.delivered_through(3, 20).await;
}

#[tokio::test]
async fn requests_name_bucket_organisation_and_milliseconds() {
    let script = Script::serve(|asked| {
        assert!(
            asked.head.starts_with("POST /api/v2/write?"),
            "{}",
            asked.head
        );
        for part in ["bucket=helium", "org=plant", "precision=ms"] {
            assert!(asked.head.contains(part), "{} in {}", part, asked.head);
        }
        assert!(asked.lines.len() <= 2_000, "{} lines", asked.lines.len());
        assert!(!asked.headers.contains_key("authorization"));
        STORED
    })
    .await;
    let memory = numbered(4_500);
    let delivery = Delivery::start(settings(script.address), &memory);
    memory.delivered_through(4_500, 20).await;
    assert_eq!(script.missing(4_500), [] as [u64; 0]);
    assert_eq!(script.requests(), 3);
    assert_eq!(delivery.health.report().delivered, 4_500);
}

#[tokio::test]
async fn items_without_wall_time_are_counted_and_do_not_stop_the_others() {
    let script = Script::serve(|_| STORED).await;
    let memory = numbered(4);
    let mut undated = delivered(5, channel("C5", 1.0));
    undated.stamp.utc = None;
    memory.commit([undated, delivered(6, channel("C6", 1.0))]);
    let delivery = Delivery::start(settings(script.address), &memory);
    memory.delivered_through(6, 10).await;
    assert_eq!(script.missing(6), [5]);
    assert_eq!(delivery.health.report().undated, 1);
}

#[tokio::test]
async fn a_url_that_is_none_is_told_and_not_fatal() {
    let memory = numbered(1);
    let settings = SeriesSettings {
        url: "store:8086/influx".to_owned(),
        ..settings(([127, 0, 0, 1], 1).into())
    };
    let delivery = Delivery::start(settings, &memory);
    while delivery.health.report().failures == 0 {
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    let report = delivery.health.report();
    assert!(report.needs_a_person, "{report:?}");
    assert!(report.last_error.contains("http://HOST:PORT"), "{report:?}");
}
