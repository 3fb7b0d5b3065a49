//! Not a test: serves the hand-made pictures for a look in a browser, for ten minutes.
//!
//! `cargo test --test console preview -- --ignored --nocapture`

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use coldledger::time::Timestamp;

use super::scene::{Plan, calm, plant_text, troubled};

#[tokio::test]
#[ignore = "for people: serves pages for ten minutes"]
async fn preview() {
    let trouble = Plan::of(&plant_text(), troubled).build().await;
    let quiet = Plan::of(&plant_text(), calm).build().await;
    let start = Plan::of(&plant_text(), calm).build().await;
    start.progress.send_modify(|progress| {
        progress.ready = false;
        progress.phase = "Computing the past: day 6 of 10".into();
        progress.fraction = 0.57;
    });
    println!(
        "troubled {}\ncalm {}\nstarting {}",
        trouble.url, quiet.url, start.url
    );
    for _ in 0..600 {
        tokio::time::sleep(Duration::from_secs(1)).await;
        for house in [&trouble, &quiet, &start] {
            let now = house.now.fetch_add(1000, Ordering::Relaxed) + 1000;
            house.view.send_modify(|view| {
                let mut next = (**view).clone();
                next.seq += 1;
                next.at = Some(Timestamp::from_millis(now));
                *view = Arc::new(next);
            });
        }
    }
}
