//! A slow or dead device costs the others nothing; a full queue costs what is counted.

use std::sync::Arc;
use std::time::Duration;

use coldledger::acquisition::Polled;
use coldledger::clock::{Clock, ClockStep};
use coldledger::engine::PollFault;
use coldledger::plant::RegisterTable;
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};
use tokio::net::TcpListener;
use tokio::task::JoinSet;

use crate::support::{Polling, Step, block, device, serve};

#[tokio::test]
async fn dead_devices_cost_the_others_no_poll() {
    let mut servers = JoinSet::new();
    let good = serve(&mut servers, |asked| vec![Step::Send(asked.reply())]).await;
    let mute = serve(&mut servers, |_| Vec::new()).await;
    // Bound and dropped: connections are refused.
    let refusing = TcpListener::bind("127.0.0.1:0")
        .await
        .unwrap()
        .local_addr()
        .unwrap();
    let blocks = || vec![block(RegisterTable::Holding, 0, 4, 50)];
    let dead: Vec<Polling> = [mute, refusing, mute, refusing]
        .into_iter()
        .map(|address| Polling::start(device("IO-dead", 300), address, blocks()))
        .collect();
    let mut polling = Polling::start(device("IO-1", 300), good, blocks());
    let first = polling.next().await;
    let mut last = first.stamp;
    for k in 1..=60 {
        let polled = polling.next().await;
        assert!(polled.poll.words.is_ok(), "poll {k}: {polled:?}");
        last = polled.stamp;
    }
    let took = (last.monotonic - first.stamp.monotonic).millis();
    assert!(
        (2_900..3_200).contains(&took),
        "60 intervals of 50 ms took {took} ms"
    );
    assert_eq!(polling.health.report().overruns, 0);
    assert!(
        dead.iter()
            .all(|polling| !polling.health.report().last_fault.is_empty())
    );
}

#[tokio::test]
async fn unreachable_device_is_told_at_every_interval() {
    let refusing = TcpListener::bind("127.0.0.1:0")
        .await
        .unwrap()
        .local_addr()
        .unwrap();
    let mut polling = Polling::start(
        device("IO-1", 300),
        refusing,
        vec![block(RegisterTable::Holding, 0, 4, 30)],
    );
    let first = polling.next().await.stamp.monotonic;
    for _ in 0..50 {
        assert_eq!(
            polling.next().await.poll.words,
            Err(PollFault::NotConnected)
        );
    }
    let took = (polling.next().await.stamp.monotonic - first).millis();
    assert!(
        (1_500..1_700).contains(&took),
        "51 intervals of 30 ms took {took} ms"
    );
    // 0.5 s doubling: a handful of attempts, not one a poll.
    let attempts = polling.health.report().failed_connects;
    assert!((2..=5).contains(&attempts), "{attempts} attempts in 1.5 s");
}

#[tokio::test]
async fn mute_blocks_do_not_hide_their_neighbours() {
    let mut servers = JoinSet::new();
    let address = serve(&mut servers, |asked| {
        if asked.address == 100 || asked.address == 200 {
            Vec::new()
        } else {
            vec![Step::Send(asked.reply())]
        }
    })
    .await;
    let mut polling = Polling::start(
        device("IO-1", 50),
        address,
        [0, 100, 200, 300]
            .map(|at| block(RegisterTable::Holding, at, 4, 300))
            .to_vec(),
    );
    for _ in 0..5 {
        for at in [0, 100, 200, 300] {
            let poll = polling.next().await.poll;
            assert_eq!(poll.block.address, at);
            if at == 100 || at == 200 {
                assert_eq!(poll.words, Err(PollFault::TimedOut));
            } else {
                assert!(poll.words.is_ok(), "{at}: {:?}", poll.words);
            }
        }
    }
}

#[tokio::test]
async fn slow_device_skips_and_counts_but_never_bursts() {
    let mut servers = JoinSet::new();
    let address = serve(&mut servers, |asked| {
        vec![
            Step::Pause(Duration::from_millis(130)),
            Step::Send(asked.reply()),
        ]
    })
    .await;
    let mut polling = Polling::start(
        device("IO-1", 1_000),
        address,
        vec![block(RegisterTable::Holding, 0, 4, 100)],
    );
    let first = polling.next().await.stamp.monotonic;
    let mut last = first;
    for _ in 0..10 {
        let polled = polling.next().await;
        assert!(polled.poll.words.is_ok());
        let gap = (polled.stamp.monotonic - last).millis();
        assert!(gap >= 130, "a burst: {gap} ms after the last");
        last = polled.stamp.monotonic;
    }
    // Every other grid point.
    let took = (last - first).millis();
    assert!((1_950..2_100).contains(&took), "{took} ms for 10 polls");
    let overruns = polling.health.report().overruns;
    assert!((10..=11).contains(&overruns), "{overruns}");
}

#[tokio::test]
async fn stops_within_a_request() {
    let mut servers = JoinSet::new();
    let address = serve(&mut servers, |_| Vec::new()).await;
    let mut polling = Polling::start(
        device("IO-1", 60_000),
        address,
        vec![block(RegisterTable::Holding, 0, 4, 10)],
    );
    while polling.health.report().requests == 0 {
        tokio::task::yield_now().await;
    }
    polling.stop.cancel();
    tokio::time::timeout(Duration::from_secs(5), polling.tasks.join_next())
        .await
        .expect("does not stop")
        .unwrap()
        .unwrap();
    assert!(!polling.health.report().connected);
}

/// Follows the paused timer of the test.
#[derive(Debug)]
struct TimerClock(tokio::time::Instant);

impl Clock for TimerClock {
    fn now(&self) -> Stamp {
        let millis = i64::try_from(self.0.elapsed().as_millis()).unwrap();
        Stamp {
            utc: Some(Timestamp::from_millis(1_795_600_000_000 + millis)),
            monotonic: Monotonic(millis),
            boot: 1,
            epoch: 0,
        }
    }

    fn take_step(&self) -> Option<ClockStep> {
        None
    }
}

#[tokio::test(start_paused = true)]
async fn full_queue_is_waited_for_then_polls_are_counted_as_left_out() {
    #[expect(
        clippy::disallowed_methods,
        reason = "the paused timer is the clock here"
    )]
    let clock = Arc::new(TimerClock(tokio::time::Instant::now()));
    // Nobody listens there: each poll says so at once and no real time is needed.
    let nowhere = "127.0.0.1:1".parse().unwrap();
    let mut polling = Polling::start_with(
        device("IO-1", 300),
        nowhere,
        vec![block(RegisterTable::Holding, 0, 4, 1_000)],
        clock,
        4,
    );
    // Stuck for 50 s: the poll in hand waits, and only its grid points are lost.
    tokio::time::sleep(Duration::from_secs(50)).await;
    assert_eq!(polling.health.report().not_polled, 0, "waits up to 60 s");
    for _ in 0..6 {
        polling.next().await;
    }
    let lost = polling.health.report().not_polled;
    assert!((44..=46).contains(&lost), "{lost} of 50 left out");
    let told = polling.health.take_not_polled().unwrap();
    assert_eq!(told.polls, lost);
    assert_eq!(polling.health.take_not_polled(), None, "told once");

    // Stuck for an hour: nothing grows, everything is counted.
    tokio::time::sleep(Duration::from_hours(1)).await;
    let told = polling.health.take_not_polled().unwrap();
    assert!((3_590..=3_600).contains(&told.polls), "{told:?}");
    // Room again: the four that were kept come out, then fresh ones, one an interval.
    let mut last: Option<Polled> = None;
    for k in 0..10 {
        let polled = polling.next().await;
        if let (Some(last), true) = (&last, k > 4) {
            assert_eq!(
                polled.stamp.monotonic - last.stamp.monotonic,
                Span::from_millis(1_000)
            );
        }
        last = Some(polled);
    }
}
