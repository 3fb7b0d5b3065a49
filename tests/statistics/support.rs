//! Plants, and the way from their registers to outcomes.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use coldledger::engine::event::{Event, EventKind};
use coldledger::engine::{Engine, Outcome};
use coldledger::plant::files::SourceFile;
use coldledger::plant::{self, Plant};
use coldledger::time::{Stamp, Timestamp};
use coldledger_simulator::{
    Beginning, Imperfections, Scenario, SimulatorSettings, VirtualPlant, past,
};

pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

pub fn files(directory: &str) -> Vec<SourceFile> {
    plant::files::read(&root().join(directory)).expect("the description is there")
}

pub fn load(files: &[SourceFile]) -> Arc<Plant> {
    match plant::load(files) {
        Ok(plant) => Arc::new(plant),
        Err(problems) => panic!("{problems:#?}"),
    }
}

pub fn start() -> Timestamp {
    Timestamp::parse("2026-05-04T00:00:00Z").unwrap()
}

/// A description with what drives its twin; seeds share it.
pub struct Site {
    pub plant: Arc<Plant>,
    pub settings: SimulatorSettings,
}

impl Site {
    pub fn new(directory: &str, name: &str) -> Self {
        let plant = load(&files(directory));
        let path = root().join("simulator/plants").join(name);
        let text = std::fs::read_to_string(&path).expect("the settings are there");
        let settings = SimulatorSettings::parse(&plant, name, &text)
            .unwrap_or_else(|problems| panic!("{problems}"));
        Self { plant, settings }
    }

    pub fn thirty() -> Self {
        Self::new("tests/plants/thirty", "thirty.toml")
    }

    pub fn tarn_hollow() -> Self {
        Self::new("config/tarn-hollow", "tarn-hollow.toml")
    }

    pub fn twin(&self, seed: u64, at: Timestamp, events: &str) -> VirtualPlant {
        let scenario = Scenario::parse(&self.plant, "scenario.toml", events)
            .unwrap_or_else(|problems| panic!("{problems}"));
        let beginning = Beginning {
            seed,
            start: at,
            imperfections: Imperfections::AS_STATED,
        };
        VirtualPlant::new(Arc::clone(&self.plant), &self.settings, scenario, beginning).unwrap()
    }
}

/// The events of a stretch of past, numbered from 1.
pub fn recorded(twin: &mut VirtualPlant, until: Timestamp) -> Vec<Event> {
    (1..)
        .zip(past::events(twin, until, 1))
        .map(|(seq, (stamp, kind))| Event { seq, stamp, kind })
        .collect()
}

/// Runs a twin through a fresh engine; `each` sees the twin as it is at every event, and what
/// followed from it.
pub fn run(
    mut twin: VirtualPlant,
    until: Timestamp,
    mut each: impl FnMut(&VirtualPlant, &Event, &[Outcome]),
) -> VirtualPlant {
    let mut engine = Engine::new(Arc::clone(twin.plant()));
    let mut outcomes = Vec::new();
    let mut past = past::events(&mut twin, until, 1);
    let mut seq = 0;
    while let Some((stamp, kind)) = past.next() {
        seq += 1;
        let event = numbered(seq, stamp, kind);
        outcomes.clear();
        engine.apply(&event, &mut outcomes).unwrap();
        each(past.plant(), &event, &outcomes);
    }
    twin
}

fn numbered(seq: u64, stamp: Stamp, kind: EventKind) -> Event {
    Event { seq, stamp, kind }
}

/// Calls `job` for every seed, on two threads, and gives the results in the order of the seeds.
pub fn over_seeds<R: Send>(seeds: std::ops::Range<u64>, job: impl Fn(u64) -> R + Sync) -> Vec<R> {
    let next = std::sync::atomic::AtomicU64::new(seeds.start);
    let mut found: Vec<(u64, R)> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..2)
            .map(|_| {
                scope.spawn(|| {
                    let mut mine = Vec::new();
                    loop {
                        let seed = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
                        if seed >= seeds.end {
                            return mine;
                        }
                        mine.push((seed, job(seed)));
                    }
                })
            })
            .collect();
        workers
            .into_iter()
            .flat_map(|worker| worker.join().unwrap())
            .collect()
    });
    found.sort_by_key(|(seed, _)| *seed);
    found.into_iter().map(|(_, result)| result).collect()
}

pub fn rms(values: impl IntoIterator<Item = f64>) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for value in values {
        sum += value * value;
        count += 1.0;
    }
    libm::sqrt(sum / count)
}
