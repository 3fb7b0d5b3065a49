//! The pulse: server-sent events arrive, end at the stop, and are bounded; what is old says so.

use std::sync::Arc;
use std::time::Duration;

use coldledger::console::live::MOST_OF_ONE;
use coldledger::time::{Span, Timestamp};

use super::scene::{House, NOW, calm, house, troubled};

async fn open(house: &House) -> reqwest::Response {
    house
        .client
        .get(format!("{}/live", house.url))
        .send()
        .await
        .unwrap()
}

/// The next pulse of a stream; none when it has ended.
async fn next(stream: &mut reqwest::Response, buffer: &mut String) -> Option<serde_json::Value> {
    loop {
        if let Some((event, rest)) = buffer.split_once("\n\n") {
            let data = event
                .lines()
                .find_map(|line| line.strip_prefix("data: "))
                .map(|data| serde_json::from_str(data).unwrap());
            let read = buffer.len() - rest.len();
            buffer.drain(..read);
            if data.is_some() {
                return data;
            }
            continue;
        }
        let chunk = stream.chunk().await.ok()??;
        buffer.push_str(std::str::from_utf8(&chunk).unwrap());
    }
}

fn tick(house: &House, seq: u64, millis: i64) {
    house.wait(Span::from_millis(millis));
    let at = house.now.load(std::sync::atomic::Ordering::Relaxed);
    house.view.send_modify(|view| {
        let mut next = (**view).clone();
        next.seq = seq;
        next.at = Some(Timestamp::from_millis(at));
        *view = Arc::new(next);
    });
}

#[tokio::test]
async fn a_new_picture_reaches_the_pages_and_the_stop_ends_the_streams() {
    let house = house(troubled).await;
    let mut stream = open(&house).await;
    assert_eq!(stream.headers()["content-type"], "text/event-stream");
    let mut buffer = String::new();
    let first = next(&mut stream, &mut buffer).await.unwrap();
    assert_eq!(first["seq"], 864_201);
    assert_eq!(first["at_ms"], NOW);
    assert_eq!(first["unacknowledged"], 1);
    assert_eq!(first["live"], true);
    tick(&house, 864_202, 10_000);
    let second = loop {
        let pulse = next(&mut stream, &mut buffer).await.unwrap();
        if pulse["seq"] == 864_202 {
            break pulse;
        }
    };
    assert_eq!(second["at_text"], "25 Nov 14:32:20 GMT");
    assert_eq!(second["alarms_mark"], first["alarms_mark"]);
    house.stop.cancel();
    let ended = tokio::time::timeout(Duration::from_secs(5), async {
        while next(&mut stream, &mut buffer).await.is_some() {}
    });
    ended.await.expect("the stream ends at the stop");
    tokio::time::timeout(Duration::from_secs(5), house.server)
        .await
        .expect("the server ends at the stop")
        .unwrap();
}

#[tokio::test]
async fn an_old_picture_is_not_live() {
    let house = house(calm).await;
    let (status, text) = house.get("/healthz").await;
    assert_eq!((status, text.as_str()), (200, "live and recording\n"));
    house.wait(Span::from_millis(60_000));
    let (status, text) = house.get("/healthz").await;
    assert_eq!(status, 503);
    assert!(text.contains("60 s old"), "{text}");
    let (_, html) = house.get("/").await;
    assert!(html.contains("This is not the plant as it is now"));
    assert!(html.contains("Not live"));
    tick(&house, 864_300, 10_000);
    tokio::time::timeout(Duration::from_secs(5), async {
        while house.get("/healthz").await.0 != 200 {}
    })
    .await
    .expect("live again after a tick");
    house.health.send_modify(|health| {
        let mut next = (**health).clone();
        next.recording = false;
        next.not_recording_because = "the disk is full".into();
        *health = Arc::new(next);
    });
    let (status, text) = house.get("/healthz").await;
    assert_eq!((status, text.contains("the disk is full")), (503, true));
}

#[tokio::test]
async fn one_page_too_many_of_an_address_is_told_so() {
    let house = house(calm).await;
    let mut streams = Vec::new();
    for _ in 0..MOST_OF_ONE {
        let stream = open(&house).await;
        assert_eq!(stream.status(), 200);
        streams.push(stream);
    }
    let refused = open(&house).await;
    assert_eq!(refused.status(), 503);
    assert!(
        refused
            .text()
            .await
            .unwrap()
            .contains("pages of this address are being kept live already")
    );
    let (status, _) = house.get("/").await;
    assert_eq!(status, 200, "the pages themselves still come");
    drop(streams);
    let freed = async {
        let mut seq = 864_500;
        while open(&house).await.status() != 200 {
            // A seat is freed when the server next writes to a client that has gone.
            seq += 1;
            tick(&house, seq, 1_000);
        }
    };
    tokio::time::timeout(Duration::from_secs(20), freed)
        .await
        .expect("seats come free");
}

#[tokio::test]
async fn the_pages_survive_a_host_that_has_gone() {
    let house = house(calm).await;
    let House {
        view, client, url, ..
    } = house;
    drop(view);
    let answer = client.get(format!("{url}/")).send().await.unwrap();
    assert_eq!(answer.status(), 200);
}
