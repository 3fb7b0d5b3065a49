//! What the store costs: bytes and processor time per reading, time of queries, rate of replay.
//!
//! `cargo bench --bench history`; with `-- quick` a small run that only shows that it works.
//! The signal is that of an analogue-to-digital converter: 16-bit codes, a slow drift, Gaussian
//! noise of 0.4, 1.5 or 4 codes, fixed seed.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::indexing_slicing,
    reason = "a benchmark prints, and may stop where something is wrong"
)]

use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use coldledger::engine::{
    Event, EventKind, InventoryReport, LossRate, LossReport, MassFigure, Outcome, OutcomeKind,
    Poll, Provenance, WindowBalance,
};
use coldledger::history::{Reader, Store, StoreSettings};
use coldledger::plant::{BlockKey, DescriptionHash, RegisterTable};
use coldledger::quantity::{Quality, Reason};
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};

const BEGIN: i64 = 1_795_590_000_000;

fn main() {
    let quick = std::env::args().any(|argument| argument == "quick" || argument == "--test");
    many_channels(if quick { 120 } else { 3_600 });
    one_day(if quick { 4_000 } else { 86_400 });
    demo_past(if quick { 1 } else { 10 });
    live_hour();
}

#[expect(clippy::disallowed_methods, reason = "a benchmark reads the clock")]
fn now() -> Instant {
    Instant::now()
}

/// Seconds this thread has been on a processor: unlike wall time, the same on a busy machine.
fn processor_seconds() -> f64 {
    std::fs::read_to_string("/proc/thread-self/schedstat")
        .unwrap_or_default()
        .split_whitespace()
        .next()
        .and_then(|nanoseconds| nanoseconds.parse::<f64>().ok())
        .unwrap_or(0.0)
        / 1e9
}

/// Bytes this process has sent towards the disk so far.
fn bytes_written() -> u64 {
    std::fs::read_to_string("/proc/self/io")
        .unwrap_or_default()
        .lines()
        .find_map(|line| line.strip_prefix("wchar: "))
        .and_then(|bytes| bytes.parse().ok())
        .unwrap_or(0)
}

struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
    fn uniform(&mut self) -> f64 {
        (self.next() >> 11) as f64 / 9_007_199_254_740_992.0
    }

    fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        radius * libm::cos(std::f64::consts::TAU * self.uniform())
    }
}

/// Converters that drift and hiss.
struct Codes {
    random: Random,
    levels: Vec<f64>,
}

impl Codes {
    fn new(channels: usize) -> Self {
        let mut random = Random(20_261_125);
        let levels = (0..channels)
            .map(|_| 20_000.0 + 25_000.0 * random.uniform())
            .collect();
        Self { random, levels }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "codes between 10,000 and 60,000"
    )]
    fn read(&mut self, channel: usize) -> u16 {
        let sigma = [0.4, 1.5, 4.0][channel % 3];
        let noise = self.random.normal() * sigma;
        let step = self.random.normal() * 0.02;
        let level = &mut self.levels[channel];
        *level += step;
        (*level + noise).round() as u16
    }
}

fn store(directory: &Path) -> Store {
    let settings = StoreSettings {
        disk_budget_bytes: 1 << 40,
        commit_every: Span::from_millis(10_000),
    };
    let (mut store, _) = Store::open(directory, &settings).unwrap();
    store
        .provenance(&Provenance {
            revision: 1,
            description: DescriptionHash([1; 32]),
            engine: "bench".into(),
        })
        .unwrap();
    store
}

fn blocks(count: u16, words: u16) -> Vec<Arc<BlockKey>> {
    (0..count)
        .map(|nth| {
            Arc::new(BlockKey {
                device: format!("device-{}", nth / 3).into(),
                table: RegisterTable::Input,
                address: nth * 125,
                words,
            })
        })
        .collect()
}

fn stamp(millis: i64) -> Stamp {
    Stamp {
        utc: Some(Timestamp::from_millis(BEGIN + millis)),
        monotonic: Monotonic(millis),
        boot: 1,
        epoch: 0,
    }
}

/// All blocks once, then a tick.
fn round(
    blocks: &[Arc<BlockKey>],
    codes: &mut Codes,
    seq: &mut u64,
    millis: i64,
    ticks: bool,
) -> Vec<Event> {
    let mut events = Vec::with_capacity(blocks.len() + 1);
    let mut channel = 0;
    for block in blocks {
        let words = (0..block.words)
            .map(|_| {
                channel += 1;
                codes.read(channel - 1)
            })
            .collect();
        *seq += 1;
        // Answers come a few milliseconds apart, as over a network.
        let late = i64::try_from(codes.random.next() % 4).unwrap();
        events.push(Event {
            seq: *seq,
            stamp: stamp(millis + late),
            kind: EventKind::Poll(Poll {
                block: Arc::clone(block),
                words: Ok(words),
            }),
        });
    }
    if ticks {
        *seq += 1;
        events.push(Event {
            seq: *seq,
            stamp: stamp(millis + 5),
            kind: EventKind::Tick,
        });
    }
    events
}

#[expect(clippy::cast_precision_loss, reason = "figures to be read")]
fn many_channels(seconds: u32) {
    let directory = tempfile::tempdir().unwrap();
    let mut store = store(directory.path());
    let blocks = blocks(16, 125);
    let mut codes = Codes::new(2_000);
    let mut seq = 0;
    let samples = f64::from(seconds) * 2_000.0;
    let mut worst = 0.0f64;
    let before = processor_seconds();
    for second in 0..seconds {
        round(
            &blocks,
            &mut codes,
            &mut seq,
            i64::from(second) * 1_000,
            false,
        );
    }
    let without = processor_seconds() - before;
    let (mut codes, mut seq) = (Codes::new(2_000), 0);
    let before = processor_seconds();
    let written = bytes_written();
    for second in 0..seconds {
        let events = round(
            &blocks,
            &mut codes,
            &mut seq,
            i64::from(second) * 1_000,
            false,
        );
        for event in &events {
            store.append(event, &[]).unwrap();
        }
        if second % 10 == 9 {
            let commit = now();
            store.commit().unwrap();
            worst = worst.max(commit.elapsed().as_secs_f64());
        }
    }
    store.seal_all().unwrap();
    let busy = processor_seconds() - before - without;
    let reader = Reader::open(directory.path()).unwrap();
    let statistics = reader.statistics().unwrap();
    let written = bytes_written() - written;
    println!(
        "2,000 channels, 1 Hz, {seconds} s, a commit each 10 s\n  \
         {:.3} byte/sample sealed (times and faults included), {:.3} us/sample of processor time, \
         {:.2} bytes written/sample, worst commit {:.0} ms",
        statistics.sealed_bytes as f64 / samples,
        busy / samples * 1e6,
        written as f64 / samples,
        worst * 1e3
    );
    let (from, to) = (BEGIN, BEGIN + i64::from(seconds) * 1_000);
    let block = &blocks[7];
    timed("one channel, all of it", 1_000, || {
        reader
            .words_between(
                block,
                60,
                1,
                Timestamp::from_millis(from),
                Timestamp::from_millis(to),
            )
            .unwrap()
            .count()
    });
    timed("block of 125 registers, all of it", 20, || {
        reader
            .raw_between(
                block,
                Timestamp::from_millis(from),
                Timestamp::from_millis(to),
            )
            .unwrap()
            .count()
    });
}

/// One channel over a day of one block.
fn one_day(seconds: u32) {
    let directory = tempfile::tempdir().unwrap();
    let mut store = store(directory.path());
    let blocks = blocks(1, 100);
    let mut codes = Codes::new(100);
    let mut seq = 0;
    for second in 0..seconds {
        for event in round(
            &blocks,
            &mut codes,
            &mut seq,
            i64::from(second) * 1_000,
            false,
        ) {
            store.append(&event, &[]).unwrap();
        }
        if second % 600 == 599 {
            store.commit().unwrap();
        }
    }
    store.commit().unwrap();
    let reader = Reader::open(directory.path()).unwrap();
    println!("100 channels, 1 Hz, {seconds} s");
    timed("one channel, all of it", 100, || {
        reader
            .words_between(
                &blocks[0],
                60,
                1,
                Timestamp::from_millis(BEGIN),
                Timestamp::from_millis(BEGIN + 86_400_000),
            )
            .unwrap()
            .count()
    });
}

/// Mean processor time, and the quickest run by the wall clock.
fn timed<T: std::fmt::Debug>(what: &str, runs: u32, mut run: impl FnMut() -> T) {
    let mut best = f64::INFINITY;
    let mut last = None;
    let processor = processor_seconds();
    for _ in 0..runs {
        let before = now();
        last = Some(run());
        best = best.min(before.elapsed().as_secs_f64() * 1e3);
    }
    let mean = (processor_seconds() - processor) * 1e3 / f64::from(runs);
    println!(
        "  {what}: {mean:.3} ms (quickest {best:.3}); {:?}",
        last.unwrap()
    );
}

fn figure(random: &mut Random) -> MassFigure {
    MassFigure {
        mass_kg: 100.0 + random.normal(),
        std_kg: 2.0 + 0.01 * random.normal(),
        quality: Quality::Good,
        reason: Reason::None,
    }
}

/// About 1.5 kB: a plant, 9 sections, 36 vessels.
fn inventory(random: &mut Random) -> InventoryReport {
    InventoryReport {
        plant: figure(random),
        constant_std_kg: 9.0,
        sections: (0..9)
            .map(|nth| (format!("section-number-{nth}").into(), figure(random)))
            .collect(),
        vessels: (0..36)
            .map(|nth| (format!("vessel-number-{nth}").into(), figure(random)))
            .collect(),
    }
}

fn losses(random: &mut Random, section: Option<u32>) -> LossReport {
    let mut some = || random.normal();
    LossReport {
        section: section.map(|nth| format!("section-number-{nth}").into()),
        windows: (0..4)
            .map(|_| WindowBalance {
                over: Span::HOUR,
                from: Some(Timestamp::from_millis(BEGIN)),
                opening_kg: some(),
                received_kg: 0.0,
                dispatched_kg: 0.0,
                closing_kg: some(),
                unaccounted_kg: some(),
                std_kg: some(),
                accepted_kg: 0.4,
                excess_kg: some(),
                excess_std_kg: some(),
                decision_threshold_kg: some(),
                detection_limit_kg: some(),
                coverage: 1.0,
                doubtful_vessels: vec![],
            })
            .collect(),
        rate: Some(LossRate {
            over: Span::DAY,
            rate_kg_per_s: some(),
            std_kg_per_s: some(),
            decision_threshold_kg_per_s: some(),
            detection_limit_kg_per_s: some(),
            white_std_kg: some(),
            correlated_std_kg: some(),
            correlation_time_s: some(),
            daily_wave_kg: some(),
        }),
        excess: None,
        accepted_kg_per_s: (4.6e-6, 1e-6),
    }
}

/// Ten days of the demo plant: 27 blocks each 10 s, an inventory a minute, losses of the plant and
/// nine sections every ten minutes, a commit every ten minutes of virtual time.
#[expect(clippy::cast_precision_loss, reason = "figures to be read")]
fn demo_past(days: i64) {
    let directory = tempfile::tempdir().unwrap();
    let blocks = blocks(27, 13);
    // The clock of processor time is coarse, so whole runs are compared: with a store and without.
    let before = processor_seconds();
    demo_stream(&blocks, days, None);
    let without = processor_seconds() - before;
    let mut store = store(directory.path());
    let before = processor_seconds();
    let (seq, busy) = demo_stream(&blocks, days, Some(&mut store));
    let processor = processor_seconds() - before - without;
    let reader = Reader::open(directory.path()).unwrap();
    let statistics = reader.statistics().unwrap();
    println!(
        "demo plant, {days} days, {seq} events\n  append and commit {busy:.2} s, of it processor \
         {processor:.2} s; file {:.1} MB, readings {:.1} MB, figures {:.1} MB",
        statistics.file_bytes as f64 / 1e6,
        statistics.sealed_bytes as f64 / 1e6,
        statistics.figure_bytes as f64 / 1e6
    );
    demo_queries(&reader, &blocks, days, seq);
}

/// The events of so many days, and seconds spent in the store.
fn demo_stream(blocks: &[Arc<BlockKey>], days: i64, mut store: Option<&mut Store>) -> (u64, f64) {
    let mut codes = Codes::new(27 * 13);
    let mut random = Random(7);
    let mut seq = 0;
    let mut busy = 0.0;
    for tens in 0..days * 144 {
        let mut batch = Vec::new();
        for tick in 0..60 {
            let millis = (tens * 60 + tick) * 10_000;
            for event in round(blocks, &mut codes, &mut seq, millis, true) {
                let mut kinds = Vec::new();
                if event.kind == EventKind::Tick {
                    if tick % 6 == 0 {
                        kinds.push(OutcomeKind::Inventory(inventory(&mut random)));
                    }
                    if tick == 0 {
                        kinds.push(OutcomeKind::Losses(losses(&mut random, None)));
                        kinds.extend(
                            (0..9).map(|nth| OutcomeKind::Losses(losses(&mut random, Some(nth)))),
                        );
                    }
                }
                let outcomes: Vec<Outcome> = kinds
                    .into_iter()
                    .zip(0..)
                    .map(|(kind, index)| Outcome {
                        seq: event.seq,
                        index,
                        stamp: event.stamp,
                        kind,
                    })
                    .collect();
                batch.push((event, outcomes));
            }
        }
        let before = now();
        if let Some(store) = &mut store {
            for (event, outcomes) in &batch {
                store.append(event, outcomes).unwrap();
            }
            store.commit().unwrap();
        }
        busy += before.elapsed().as_secs_f64();
    }
    (seq, busy)
}

#[expect(clippy::cast_precision_loss, reason = "figures to be read")]
fn demo_queries(reader: &Reader, blocks: &[Arc<BlockKey>], days: i64, seq: u64) {
    let before = processor_seconds();
    let mut events = 0u64;
    let replayed = reader
        .replay(1, |_| {
            events += 1;
            ControlFlow::Continue(())
        })
        .unwrap();
    assert_eq!((events, replayed.damaged.len()), (seq, 0));
    println!(
        "  replay {:.2} million events/s",
        events as f64 / (processor_seconds() - before) / 1e6
    );
    let (from, to) = (
        Timestamp::from_millis(BEGIN),
        Timestamp::from_millis(BEGIN + days * 86_400_000),
    );
    timed("inventory, all days, 500 points", 10, || {
        reader
            .inventory_between(from, to, 500)
            .unwrap()
            .reports
            .len()
    });
    timed("inventory, all days, every one", 5, || {
        reader
            .inventory_between(from, to, usize::MAX)
            .unwrap()
            .reports
            .len()
    });
    timed("losses, all days", 100, || {
        reader
            .losses_between(from, to, 2_000)
            .unwrap()
            .reports
            .len()
    });
    timed("losses of sections, all days", 5, || {
        reader
            .section_losses_between(from, to)
            .unwrap()
            .reports
            .len()
    });
    let noon = Timestamp::from_millis(BEGIN + 43_200_000);
    timed("one block, one hour", 1_000, || {
        reader
            .raw_between(&blocks[5], noon, noon + Span::HOUR)
            .unwrap()
            .count()
    });
    timed("one channel, all days", 100, || {
        reader
            .words_between(&blocks[5], 3, 1, from, to)
            .unwrap()
            .count()
    });
    timed("500 outcomes after a position", 20, || {
        reader.outcomes_after(seq / 2, 500).unwrap().len()
    });
}

/// The last hour of the demo plant while it is polled: a commit each 10 s, nothing sealed yet.
fn live_hour() {
    let directory = tempfile::tempdir().unwrap();
    let mut store = store(directory.path());
    let blocks = blocks(27, 13);
    let mut codes = Codes::new(27 * 13);
    let mut seq = 0;
    let written = bytes_written();
    let mut commits = Vec::new();
    let rounds = 3_000;
    for tick in 0..rounds {
        for event in round(&blocks, &mut codes, &mut seq, tick * 10_000, true) {
            store.append(&event, &[]).unwrap();
        }
        let before = now();
        store.commit().unwrap();
        commits.push(before.elapsed().as_secs_f64() * 1e3);
    }
    commits.sort_by(f64::total_cmp);
    let kilobytes = (bytes_written() - written) / 1_000 / u64::try_from(rounds).unwrap();
    println!(
        "demo plant, live\n  commit each 10 s: median {:.2} ms, worst {:.1} ms, {kilobytes} kB written each",
        commits[commits.len() / 2],
        commits[commits.len() - 1]
    );
    let reader = Reader::open(directory.path()).unwrap();
    let end = Timestamp::from_millis(BEGIN + rounds * 10_000);
    timed("one block, the last hour", 1_000, || {
        reader
            .raw_between(&blocks[5], end - Span::HOUR, end)
            .unwrap()
            .count()
    });
    timed("one block, the last eight hours", 100, || {
        reader
            .raw_between(&blocks[5], end - Span::from_millis(8 * 3_600_000), end)
            .unwrap()
            .count()
    });
}
