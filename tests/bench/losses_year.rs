//! A year's `losses` at Tarn Hollow: anchor 5 s.
//!
//! `cargo bench -p coldledger-simulator --bench losses_year`; with `-- quick` a month that only shows
//! that it works. The store is made the short way: the first hours and the last day are real polls
//! through the engine, and between them stand the reports of a year (an inventory each minute, losses
//! each ten), drawn from the engine's own with a slow loss put on them. What `losses` reads of a year
//! is there in full; raw readings of the middle, which it does not read, are not.

#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    reason = "a benchmark prints, and may stop where something is wrong"
)]

use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use coldledger::command::losses::{LossesArgs, run};
use coldledger::engine::{
    Actor, Engine, Event, EventKind, InventoryReport, LedgerEntry, LossReport, Outcome, OutcomeKind,
};
use coldledger::history::{Store, StoreSettings};
use coldledger::plant::{self, Booking, BookingKind, Plant, SourceFile, Stated, files};
use coldledger::quantity::Mass;
use coldledger::time::{Monotonic, Span, Stamp, Timestamp};
use coldledger_simulator::{
    Beginning, Imperfections, Scenario, SimulatorSettings, VirtualPlant, past,
};

const ANCHOR_S: f64 = 5.0;
const MINUTE: Span = Span::from_millis(60_000);
const KG_PER_DAY: f64 = 0.4;

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

struct Site {
    texts: Vec<SourceFile>,
    plant: Arc<Plant>,
    settings: SimulatorSettings,
}

impl Site {
    fn tarn_hollow() -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
        let texts = files::read(&root.join("config/tarn-hollow")).unwrap();
        let plant = Arc::new(plant::load(&texts).unwrap());
        let name = "tarn-hollow.toml";
        let text = std::fs::read_to_string(root.join("simulator/plants").join(name)).unwrap();
        let settings = SimulatorSettings::parse(&plant, name, &text).unwrap();
        Self {
            texts,
            plant,
            settings,
        }
    }

    fn twin(&self, at: Timestamp) -> VirtualPlant {
        let scenario = Scenario::parse(&self.plant, "scenario.toml", "").unwrap();
        let beginning = Beginning {
            seed: 1,
            start: at,
            imperfections: Imperfections::AS_STATED,
        };
        VirtualPlant::new(Arc::clone(&self.plant), &self.settings, scenario, beginning).unwrap()
    }
}

/// A store being filled.
struct Filling {
    store: Store,
    engine: Engine,
    outcomes: Vec<Outcome>,
    inventory: Option<InventoryReport>,
    losses: Vec<LossReport>,
}

impl Filling {
    fn apply(&mut self, stamp: Stamp, kind: EventKind) {
        let event = Event {
            seq: self.engine.seq() + 1,
            stamp,
            kind,
        };
        self.outcomes.clear();
        self.engine.apply(&event, &mut self.outcomes).unwrap();
        for outcome in &self.outcomes {
            match &outcome.kind {
                OutcomeKind::Inventory(report) => self.inventory = Some(report.clone()),
                OutcomeKind::Losses(report) => {
                    self.losses.retain(|known| known.section != report.section);
                    self.losses.push(report.clone());
                }
                _ => {}
            }
        }
        self.store.append(&event, &self.outcomes).unwrap();
        if self.store.commit_due() {
            self.store.commit().unwrap();
        }
    }

    /// Polls and ticks of a stretch; the true mass at its end.
    fn live(&mut self, mut twin: VirtualPlant, to: Timestamp, origin: Timestamp) -> f64 {
        let mut events = past::events(&mut twin, to, 1);
        for (stamp, kind) in events.by_ref() {
            let stamp = Stamp {
                monotonic: Monotonic((stamp.utc.unwrap() - origin).millis()),
                ..stamp
            };
            self.apply(stamp, kind);
        }
        drop(events);
        twin.truth().total_kg
    }

    /// Books that much: the two twins do not begin with the same stock.
    fn book(&mut self, kg: f64, at: Timestamp, origin: Timestamp) {
        let actor = Actor {
            name: "bench".into(),
            place: "bench".into(),
        };
        let entry = LedgerEntry {
            id: "between-the-twins".into(),
            booking: Booking {
                effective_at: at,
                over: Span::ZERO,
                kind: BookingKind::Correction,
                mass: Stated {
                    value: Mass::new(kg),
                    std: 0.0,
                },
                author: actor.name.clone(),
                note: String::new(),
                section: None,
            },
            supersedes: None,
            actor,
        };
        let stamp = Stamp {
            utc: Some(at),
            monotonic: Monotonic((at - origin).millis()),
            boot: 1,
            epoch: 0,
        };
        self.apply(stamp, EventKind::Ledger(entry));
    }

    /// Reports of a stretch without the readings under them.
    fn told(&mut self, from: Timestamp, to: Timestamp, origin: Timestamp) {
        let begin = self.inventory.clone().unwrap();
        let losses = self.losses.clone();
        let mut at = from;
        let mut seq = self.engine.seq();
        let mut minutes = 0_u64;
        while at < to {
            seq += 1;
            let stamp = Stamp {
                utc: Some(at),
                monotonic: Monotonic((at - origin).millis()),
                boot: 1,
                epoch: 0,
            };
            let days = (at - from).days();
            let off = 0.8 * libm::sin(std::f64::consts::TAU * days) - KG_PER_DAY * days;
            let mut report = begin.clone();
            report.plant.mass_kg += off;
            for (_, figure) in report.sections.iter_mut().chain(&mut report.vessels) {
                figure.mass_kg *= 1.0 + off / begin.plant.mass_kg;
            }
            let mut kinds = vec![OutcomeKind::Inventory(report)];
            if minutes.is_multiple_of(10) {
                kinds.extend(losses.iter().map(|report| {
                    let mut report = report.clone();
                    for window in &mut report.windows {
                        window.from = Some(at - window.over);
                        window.closing_kg += off;
                        window.unaccounted_kg += 1e-3 * off;
                    }
                    OutcomeKind::Losses(report)
                }));
            }
            let outcomes: Vec<Outcome> = (0..)
                .zip(kinds)
                .map(|(index, kind)| Outcome {
                    seq,
                    index,
                    stamp,
                    kind,
                })
                .collect();
            let event = Event {
                seq,
                stamp,
                kind: EventKind::Tick,
            };
            self.store.append(&event, &outcomes).unwrap();
            minutes += 1;
            if minutes.is_multiple_of(1440) {
                self.store.commit().unwrap();
            }
            at = at + MINUTE;
        }
        self.store.commit().unwrap();
        self.engine.resume_after(seq, []);
    }
}

/// The beginning, the end, and what the balance between them should not account for, kg.
fn fill(directory: &Path, days: i64, live: Span) -> (Timestamp, Timestamp, f64) {
    let site = Site::tarn_hollow();
    let settings = StoreSettings {
        disk_budget_bytes: 1 << 40,
        commit_every: Span::from_millis(60_000),
    };
    let (mut store, _) = Store::open(directory, &settings).unwrap();
    let texts: Vec<(String, String)> = site
        .texts
        .iter()
        .map(|file| (file.name.clone(), file.text.clone()))
        .collect();
    store.keep_description(site.plant.hash, &texts).unwrap();
    let engine = Engine::new(Arc::clone(&site.plant));
    store.provenance(&engine.provenance()).unwrap();
    let begin = Timestamp::parse("2026-01-05T00:00:00Z").unwrap();
    let end = begin + Span::from_millis(days * Span::DAY.millis());
    let mut filling = Filling {
        store,
        engine,
        outcomes: Vec::new(),
        inventory: None,
        losses: Vec::new(),
    };
    let first = Stamp {
        utc: Some(begin),
        monotonic: Monotonic(0),
        boot: 1,
        epoch: 0,
    };
    let hash = site.plant.hash;
    filling.apply(first, EventKind::DescriptionInForce { hash });
    let three = Span::from_millis(3 * 3_600_000);
    let before = filling.live(site.twin(begin), begin + three, begin);
    filling.told(begin + three, end - live, begin);
    let twin = site.twin(end - live);
    let after = twin.truth().total_kg;
    filling.book(after - before, end - live, begin);
    let at_end = filling.live(twin, end, begin);
    // The description's own books hold loans that the twins know nothing of.
    let booked = filling.engine.ledger().booked_between(begin, end).net_kg();
    let expected_kg = booked - (at_end - before);
    let (header, bytes) = filling.engine.snapshot().unwrap();
    println!("snapshot {} bytes", bytes.len());
    filling.store.commit().unwrap();
    filling.store.save_snapshot(&header, &bytes).unwrap();
    filling.store.close().unwrap();
    (begin, end, expected_kg)
}

fn main() {
    let quick = std::env::args().any(|argument| argument == "quick" || argument == "--test");
    let (days, live) = if quick {
        (40, Span::from_millis(2 * 3_600_000))
    } else {
        (365, Span::DAY)
    };
    let directory = tempfile::tempdir().unwrap();
    let start = now();
    let (begin, end, expected_kg) = fill(directory.path(), days, live);
    let bytes: u64 = std::fs::read_dir(directory.path())
        .unwrap()
        .map(|entry| entry.unwrap().metadata().unwrap().len())
        .sum();
    println!(
        "{days} days of Tarn Hollow written in {:.0} s: {:.1} MB",
        start.elapsed().as_secs_f64(),
        bytes as f64 / 1e6
    );
    for report in [false, true] {
        let args = LossesArgs {
            data: directory.path().to_owned(),
            from: Some((begin + Span::HOUR).to_string()),
            to: Some((end - MINUTE).to_string()),
            json: true,
            report: report.then(|| directory.path().join("report.html")),
            ..LossesArgs::default()
        };
        let (start, before) = (now(), processor_seconds());
        let mut out = Vec::new();
        run(&args, &mut out).unwrap();
        let (wall, own) = (start.elapsed().as_secs_f64(), processor_seconds() - before);
        let text = String::from_utf8(out).unwrap();
        let answer: serde_json::Value = serde_json::from_str(&text).unwrap();
        let unaccounted = &answer["between"]["unaccounted"];
        let kg = unaccounted["value"].as_f64().unwrap();
        let std = unaccounted["std_uncertainty"].as_f64().unwrap();
        assert!(
            (kg - expected_kg).abs() < 4.0 * std,
            "{kg} +- {std} kg, truth {expected_kg} kg"
        );
        println!(
            "losses over {days} days{}: {wall:.2} s, {own:.2} s of processor; anchor {ANCHOR_S} s\n  unaccounted {} kg (truth {expected_kg:.1}), sure above {} kg, {} months, notes {}",
            if report { " with report" } else { "" },
            answer["between"]["unaccounted"]["text"],
            answer["between"]["detection_limit"]["text"],
            answer["months"].as_array().map_or(0, Vec::len),
            answer["notes"],
        );
    }
}
