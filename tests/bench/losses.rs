//! What the books of losses cost: 1,000 vessels in 100 sections, a tick every 10 s.
//!
//! `cargo bench --bench losses`: a hundred books, each with thirty days behind it, are kept for six
//! hours of plant time, so that each finds its noise anew once. The cost of a tick is the mean over
//! all of them; the longest stands beside it, since a tick must be done before the next one comes.
//! Then the parts by themselves, and a book whose ledger has 2,000 entries.

#![expect(
    clippy::cast_precision_loss,
    clippy::disallowed_methods,
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a measurement for a person to read, not part of the program"
)]

use std::time::Instant;

use coldledger::actor::Actor;
use coldledger::balance::ledger::{Ledger, LedgerEntry};
use coldledger::balance::losses::LossBook;
use coldledger::balance::noise::{NoiseSettings, fit};
use coldledger::balance::series::LossSeries;
use coldledger::plant::{Booking, BookingKind, Plant, Stated};
use coldledger::quantity::Mass;
use coldledger::time::Span;

#[path = "../loss/book.rs"]
mod book;
#[path = "../loss/synthetic.rs"]
#[expect(dead_code, reason = "shared with the tests")]
mod synthetic;
use book::{OutdoorGas, PER_DAY, STEP_S, time_s, utc};
use synthetic::DAY;

const TICK_S: f64 = 10.0;
const BOOKS: usize = 100;

fn main() {
    // Called with --test there is no time for thirty days.
    let quick = std::env::args().any(|argument| argument == "--test");
    let (days, hours) = if quick { (2, 1) } else { (30, 6) };
    let plant = book::tarn_hollow();
    let ledger = Ledger::default();
    // Four different series stand for a hundred; every book has its own turn and state.
    let began = Instant::now();
    let histories: Vec<Vec<(f64, f64)>> = (0..4)
        .map(|seed| {
            let mut gas = OutdoorGas::new(seed);
            (0..=days * PER_DAY + hours * 6)
                .map(|_| gas.next())
                .collect()
        })
        .collect();
    let filled: Vec<LossBook> = histories
        .iter()
        .enumerate()
        .map(|(turn, history)| fill(&plant, &ledger, history, 9 * turn, days * PER_DAY))
        .collect();
    println!(
        "thirty days of four books, a tick every ten minutes: {:.1} s, {:.2} ms a step",
        began.elapsed().as_secs_f64(),
        began.elapsed().as_secs_f64() * 1e3 / (4 * days * PER_DAY) as f64
    );
    let mut books: Vec<LossBook> = (0..BOOKS).map(|i| filled[i % 4].clone()).collect();

    let ticks = hours * 360;
    let mut longest = 0.0_f64;
    let began = Instant::now();
    for tick in 0..ticks {
        let now_s = (days * PER_DAY) as f64 * STEP_S + tick as f64 * TICK_S;
        let one = Instant::now();
        for (i, book) in books.iter_mut().enumerate() {
            let (mass, kelvin) = histories[i % 4][days * PER_DAY + tick / 60];
            book::tick(book, &plant, &ledger, now_s, mass, kelvin);
        }
        longest = longest.max(one.elapsed().as_secs_f64());
    }
    let all = began.elapsed().as_secs_f64();
    let tick = all / ticks as f64;
    println!(
        "{BOOKS} books: {:.3} ms a tick, {:.2} us a book and tick; {:.3} % of one core at a tick every \
         {TICK_S} s (bar: 5 %); longest tick {:.0} ms",
        tick * 1e3,
        tick * 1e6 / BOOKS as f64,
        100.0 * tick / TICK_S,
        longest * 1e3
    );

    let week: Vec<f64> = histories[0][..7 * PER_DAY.min(days * PER_DAY / 7)]
        .iter()
        .map(|s| s.0)
        .collect();
    let series = LossSeries {
        step_s: STEP_S,
        mass_kg: &week,
        ..LossSeries::default()
    };
    let noise = fit(&series, &NoiseSettings::default(), None).unwrap();
    let time = |what: &str, previous| {
        let began = Instant::now();
        for _ in 0..10 {
            fit(&series, &NoiseSettings::default(), previous).unwrap();
        }
        let each = began.elapsed().as_secs_f64() * 1e2;
        println!("{what}, {} samples: {each:.1} ms", week.len());
    };
    time("noise::fit", None);
    time("noise::fit from the last one", Some(&noise));

    let mut book = filled[0].clone();
    for (what, ledger) in [
        ("an empty ledger", &ledger),
        ("2,000 entries", &busy(days as f64)),
    ] {
        let steps = 30;
        let mut each = Vec::new();
        for i in 0..steps {
            let (mass, kelvin) = histories[0][days * PER_DAY - 1];
            let now_s = time_s(days * PER_DAY + 1 + i)
                + if ledger.entries().is_empty() {
                    0.0
                } else {
                    30.0 * STEP_S
                };
            let began = Instant::now();
            book::tick(&mut book, &plant, ledger, now_s, mass, kelvin);
            each.push(began.elapsed().as_secs_f64() * 1e3);
        }
        each.sort_by(f64::total_cmp);
        println!(
            "a step of a book with {what}: median {:.2} ms, longest {:.1} ms",
            each[steps / 2],
            each[steps - 1]
        );
    }
}

fn fill(
    plant: &Plant,
    ledger: &Ledger,
    history: &[(f64, f64)],
    turn: usize,
    steps: usize,
) -> LossBook {
    let mut book = LossBook::in_turn(turn);
    for (i, (mass, kelvin)) in history.iter().enumerate().take(steps) {
        book::tick(&mut book, plant, ledger, time_s(i), *mass, *kelvin);
    }
    book
}

/// Bookings all over the time, none of any weight.
fn busy(days: f64) -> Ledger {
    let mut ledger = Ledger::default();
    for i in 0..2000 {
        let entry = LedgerEntry {
            id: format!("entry-{i}").into(),
            booking: Booking {
                effective_at: utc(f64::from(i) / 2000.0 * days * DAY),
                over: Span::HOUR,
                kind: BookingKind::Purge,
                mass: Stated {
                    value: Mass::new(1e-4),
                    std: 1e-5,
                },
                author: "store keeper".into(),
                note: String::new(),
                section: None,
            },
            supersedes: None,
            actor: Actor {
                name: "store keeper".into(),
                place: "benchmark".into(),
            },
        };
        ledger.book(entry, 1, None).unwrap();
    }
    ledger
}
