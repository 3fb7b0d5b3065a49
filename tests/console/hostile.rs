//! Junk, floods and slow clients do not wear the server out.

use std::time::Duration;

use proptest::prelude::*;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::scene::{House, Plan, house, plant_text, troubled};

async fn connect(house: &House) -> TcpStream {
    TcpStream::connect(house.url.trim_start_matches("http://"))
        .await
        .unwrap()
}

/// Sends bytes as they are and reads what comes until the server closes or falls silent.
async fn raw(house: &House, bytes: &[u8]) -> Vec<u8> {
    let mut stream = connect(house).await;
    _ = stream.write_all(bytes).await;
    _ = stream.shutdown().await;
    let mut answer = Vec::new();
    _ = tokio::time::timeout(Duration::from_secs(5), stream.read_to_end(&mut answer)).await;
    answer
}

#[tokio::test]
async fn raw_junk_does_not_kill_it() {
    let house = house(troubled).await;
    let long = format!(
        "GET /{} HTTP/1.1\r\nHost: localhost\r\n\r\n",
        "a".repeat(1 << 20)
    );
    let many = "X-N: y\r\n".repeat(2000);
    let many = format!("GET / HTTP/1.1\r\nHost: localhost\r\n{many}\r\n");
    let huge = format!(
        "GET / HTTP/1.1\r\nHost: localhost\r\nX: {}\r\n\r\n",
        "y".repeat(1 << 20)
    );
    let junk: &[&[u8]] = &[
        b"",
        b"\r\n\r\n\r\n",
        b"\x00\xff\x16\x03\x01\x02\x00",
        b"GET",
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: \xff\xfe\r\n\r\n",
        b"POST /ledger HTTP/1.1\r\nHost: localhost\r\nContent-Length: 99999999999\r\n\r\nx",
        b"POST /ledger HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"POST /login HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nFFFFFFFFFFFFFFFFF\r\n",
        b"GET /channels/%ff%00%2e%2e HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET /?over=%ff&before_seq=%00 HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nCookie: coldledger-session=\xff;;==;\r\nConnection: close\r\n\r\n",
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\nConnection: close\r\n\r\n",
        long.as_bytes(),
        many.as_bytes(),
        huge.as_bytes(),
    ];
    for bytes in junk {
        let answer = raw(&house, bytes).await;
        let start = String::from_utf8_lossy(&answer);
        assert!(
            !start.starts_with("HTTP/1.1 5"),
            "{:?} gives {start}",
            &bytes[..bytes.len().min(60)]
        );
    }
    assert_eq!(house.get("/").await.0, 200);
}

#[tokio::test]
async fn a_large_body_is_refused() {
    let house = house(troubled).await;
    let (cookie, token) = house.sign_in().await;
    let body = format!("csrf={token}&note={}", "x".repeat(200_000));
    let (status, _, _) = house.post("/ledger", &cookie, body).await;
    assert_eq!(status, 413);
    assert_eq!(house.asked(), []);
}

#[tokio::test]
async fn a_client_that_drips_its_header_is_closed() {
    let mut plan = Plan::of(&plant_text(), troubled);
    plan.patience = Duration::from_secs(6);
    let house = plan.build().await;
    let mut stream = connect(&house).await;
    stream
        .write_all(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
        .await
        .unwrap();
    let dripping = tokio::time::timeout(Duration::from_secs(20), async {
        // One byte every 100 ms for ever: reading alone must not keep the connection.
        loop {
            let mut byte = [0u8; 64];
            tokio::select! {
                got = stream.read(&mut byte) => if matches!(got, Ok(0) | Err(_)) { return },
                () = tokio::time::sleep(Duration::from_millis(100)) => {
                    if stream.write_all(b"y").await.is_err() { return }
                }
            }
        }
    });
    // A live page, to which the server writes, outlasts the same patience.
    let living = async {
        let mut live = house
            .client
            .get(format!("{}/live", house.url))
            .send()
            .await
            .unwrap();
        let mut beats = 0;
        while beats < 3 {
            assert!(live.chunk().await.unwrap().is_some(), "after {beats} beats");
            beats += 1;
        }
    };
    let (dripping, ()) = tokio::join!(dripping, living);
    assert!(dripping.is_ok(), "a dripping client is closed in time");
}

#[tokio::test]
async fn junk_questions_are_bad_requests_or_taken_as_nothing() {
    let house = house(troubled).await;
    for path in [
        "/api/v1/channels/PT-102/trend?over=for+ever",
        "/api/v1/channels/PT-102/trend?from_ms=5&to_ms=4",
        "/api/v1/channels/PT-102/trend?from_ms=-9223372036854775808&to_ms=9223372036854775807",
        "/api/v1/channels/PT-102/trend?points=-3",
        "/api/v1/losses/history?from_ms=NaN",
        "/api/v1/journal?limit=lots",
        "/api/v1/journal?before_seq=-1",
    ] {
        let (status, text) = house.get(path).await;
        assert_eq!(status, 400, "{path}");
        assert!(text.contains("what_to_do"));
    }
    for path in [
        "/?recorded=%3Cscript%3E",
        "/?before_seq=-1",
        "/?recorded=1&recorded=2",
        "/helium?over=x",
        "/channels/PT-102?over=%00",
        "/login?next=//evil.example",
        "/ledger?supersedes=%3Cb%3E",
        "/api/v1/channels/PT-102/trend?points=999999999&over=1h",
    ] {
        let (status, text) = house.get(path).await;
        assert_eq!(status, 200, "{path}");
        assert!(
            !text.contains("<script>") && !text.contains("<b>\""),
            "{path}"
        );
        assert!(!text.contains("evil.example"), "{path}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn no_request_line_or_header_brings_it_down(
        path in "/[ -~]{0,40}",
        query in "[ -~]{0,40}",
        header in "[ -~]{0,40}",
        body in proptest::collection::vec(any::<u8>(), 0..60),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        runtime.block_on(async {
            let house = house(troubled).await;
            let head = format!(
                "POST {path}?{query} HTTP/1.1\r\nHost: localhost\r\nCookie: {header}\r\n\
                 Authorization: {header}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
                body.len()
            );
            let mut bytes = head.into_bytes();
            bytes.extend(&body);
            let answer = raw(&house, &bytes).await;
            prop_assert!(!answer.starts_with(b"HTTP/1.1 5"), "{}", String::from_utf8_lossy(&answer));
            prop_assert_eq!(house.get("/healthz").await.0, 200);
            Ok(())
        })?;
    }
}
