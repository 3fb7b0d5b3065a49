//! One plant through one scenario, registers to outcomes, with the truth beside.

use std::collections::BTreeMap;
use std::sync::Arc;

use coldledger::balance::area::section_ids_of;
use coldledger::engine::event::{Event, EventKind};
use coldledger::engine::outcome::{
    Explanation, Happening, InventoryReport, LossReport, OutcomeKind,
};
use coldledger::engine::{ApplyError, Engine, Outcome};
use coldledger::plant::files::SourceFile;
use coldledger::plant::{self, Id, Plant};
use coldledger::time::{Span, Timestamp};

use super::scenarios::{Conditions, Happened};
use crate::model::random::{normal, stream};
use crate::past;
use crate::scenario::Scenario;
use crate::sensors::Imperfections;
use crate::settings::SimulatorSettings;
use crate::virtual_plant::{Beginning, VirtualPlant};

/// Quiet days that every run begins with, so that the noise is estimated.
pub const QUIET: Span = Span::from_millis(8 * 86_400_000);

/// Alerts are counted from here on: before, there is too little to judge by.
pub const JUDGED_FROM: Span = Span::from_millis(2 * 86_400_000);

/// The plant is read once a minute, and the engine ticks as often.
const TICK: Span = Span::from_millis(60_000);

/// Figures are compared with the truth this often.
const SAMPLE_EVERY: Span = Span::from_millis(6 * 3_600_000);

/// Vessels of which one has the accepted loss.
const ACCEPTED_FROM: [&str; 6] = ["STRING-A", "STRING-B", "DEWAR", "TANK-3", "BAG", "RESERVE"];

/// Why a run cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum ScoreError {
    /// The bundled description is not sound.
    #[error("the score's own plant description is not sound\n{0}")]
    Description(plant::Problems),
    /// Settings or events are wrong.
    #[error(transparent)]
    Problems(#[from] crate::settings::Problems),
    /// The helium model refused.
    #[error("the helium tables cannot be made: {0}")]
    Helium(#[from] coldledger::helium::HeliumError),
    /// The engine refused an event.
    #[error(transparent)]
    Engine(#[from] ApplyError),
    /// The engine's state could not be kept or taken up again.
    #[error("the engine's state cannot be kept: {0}")]
    State(String),
}

/// The plant's loss, or that of an area by its id.
pub type ScopeId = Option<Id>;

/// Figures at one time, with the truth.
#[derive(Debug, Clone)]
pub struct Sample {
    /// Since the start.
    pub at: Span,
    /// Inventories of the plant, then of the sections: shown, standard uncertainty, true, kg.
    pub inventory: Vec<(ScopeId, f64, f64, f64)>,
    /// Unaccounted losses by window: length, shown, standard uncertainty, true, kg.
    pub windows: Vec<(ScopeId, Span, f64, f64, f64)>,
    /// Rates: shown, standard uncertainty, true mean over the same time, kg/s.
    pub rates: Vec<(ScopeId, f64, f64, f64)>,
}

/// What a run showed.
#[derive(Debug, Clone, Default)]
pub struct Shown {
    /// When a test said that more is lost than accepted.
    pub alerts: Vec<(ScopeId, Span)>,
    /// Figures from time to time.
    pub samples: Vec<Sample>,
    /// The reports at the end.
    pub reports: Vec<LossReport>,
    /// What explained the loss that stood at the end.
    pub explanation: Option<Explanation>,
    /// What was last told of a loss, also of one that no longer stands.
    pub told: Option<Explanation>,
    /// Happenings that were told.
    pub happenings: Vec<Happening>,
    /// Helium truly lost beyond the accepted loss since the onset, kg.
    pub lost_kg: f64,
    /// When it ended.
    pub end: Span,
}

impl Shown {
    /// The plant's report at the end.
    #[must_use]
    pub fn plant(&self) -> Option<&LossReport> {
        self.reports.iter().find(|report| report.section.is_none())
    }

    /// Detection limit of the area that a section belongs to, kg/s; the plant's where there is none.
    #[must_use]
    pub fn limit_of(&self, section: &str) -> Option<f64> {
        let of_section = |report: &&LossReport| {
            let area = report.section.as_deref();
            area.is_some_and(|area| section_ids_of(area).any(|part| part == section))
        };
        let found = self.reports.iter().find(of_section).or(self.plant());
        let rate = found.and_then(|report| report.rate.as_ref());
        rate.map(|rate| rate.detection_limit_kg_per_s)
    }
}

/// The score's plant with what drives it.
#[derive(Debug, Clone)]
pub struct Site {
    plant: Arc<Plant>,
    settings: SimulatorSettings,
}

/// A plant after its quiet days.
pub struct Prefix {
    seed: u64,
    accepted: String,
    twin: VirtualPlant,
    engine: Vec<u8>,
    header: coldledger::engine::snapshot::SnapshotHeader,
    tracker: Tracker,
    /// What the quiet days showed.
    pub shown: Shown,
}

impl Site {
    /// The plant that comes with the simulator.
    ///
    /// # Errors
    /// [`ScoreError`] when description or settings are not sound.
    pub fn bundled() -> Result<Self, ScoreError> {
        let file = SourceFile {
            name: "simulator/plants/score/plant.toml".into(),
            text: include_str!("../../plants/score/plant.toml").into(),
        };
        let plant = Arc::new(plant::load(&[file]).map_err(ScoreError::Description)?);
        let settings = SimulatorSettings::bundled_or_quiet(&plant)?;
        Ok(Self { plant, settings })
    }

    /// Its description.
    #[must_use]
    pub fn plant(&self) -> &Arc<Plant> {
        &self.plant
    }

    /// The start of all runs.
    #[must_use]
    pub fn start() -> Timestamp {
        // 2026-05-04T00:00:00Z
        Timestamp::from_millis(1_777_852_800_000)
    }

    /// The quiet days of a seed.
    ///
    /// # Errors
    /// [`ScoreError`], which would be a fault of the program.
    pub fn quiet_days(&self, conditions: Conditions, seed: u64) -> Result<Prefix, ScoreError> {
        let mut rng = stream(seed, "accepted loss");
        let accepted = self.plant.site.accepted_loss;
        let rate = (accepted.value.si() + accepted.std * normal(&mut rng)) * 86_400.0;
        let from = usize::try_from(seed % 6).unwrap_or(0);
        let accepted = format!(
            "[[event]]\nat = \"0 s\"\nkind = \"leak\"\nvessel = \"{}\"\nrate = \"{} kg/day\"\n",
            ACCEPTED_FROM.get(from).unwrap_or(&"DEWAR"),
            rate.max(0.01)
        );
        let mut settings = self.settings.clone();
        conditions.apply(&self.plant, &mut settings.model);
        let beginning = Beginning {
            seed,
            start: Self::start(),
            imperfections: Imperfections::AS_STATED,
        };
        let scenario = self.scenario(&accepted)?;
        let mut twin = VirtualPlant::new(Arc::clone(&self.plant), &settings, scenario, beginning)?;
        let mut engine = Engine::new(Arc::clone(&self.plant));
        let mut tracker = Tracker::new(&self.plant);
        let mut shown = Shown::default();
        let times = (Self::start(), Self::start() + QUIET);
        go_on(
            &mut twin,
            &mut engine,
            times,
            &mut tracker,
            None,
            &mut shown,
        )?;
        let (header, bytes) = engine
            .snapshot()
            .map_err(|error| ScoreError::State(error.to_string()))?;
        Ok(Prefix {
            seed,
            accepted,
            twin,
            engine: bytes,
            header,
            tracker,
            shown,
        })
    }

    fn scenario(&self, events: &str) -> Result<Scenario, ScoreError> {
        Ok(Scenario::parse(&self.plant, "score", events)?)
    }

    /// What follows the quiet days.
    ///
    /// # Errors
    /// [`ScoreError`], which would be a fault of the program.
    pub fn follow(
        &self,
        prefix: &Prefix,
        happened: &Happened,
        lasts: Span,
    ) -> Result<Shown, ScoreError> {
        let events = format!("{}{}", prefix.accepted, happened.events);
        let mut twin = prefix.twin.with_scenario(self.scenario(&events)?);
        let mut engine = Engine::restore(Arc::clone(&self.plant), &prefix.header, &prefix.engine)
            .map_err(|error| ScoreError::State(error.to_string()))?;
        let mut tracker = prefix.tracker.clone();
        let mut shown = Shown::default();
        let from = twin.now() + TICK;
        let until = Self::start() + happened.onset + lasts;
        go_on(
            &mut twin,
            &mut engine,
            (from, until),
            &mut tracker,
            Some(happened),
            &mut shown,
        )?;
        Ok(shown)
    }
}

impl Prefix {
    /// Its seed.
    #[must_use]
    pub fn seed(&self) -> u64 {
        self.seed
    }
}

/// What is true by section, remembered as long as windows reach.
#[derive(Debug, Clone)]
struct Tracker {
    seq: u64,
    /// Section of each store.
    section_of: Vec<usize>,
    sections: Vec<Id>,
    /// Every ten minutes: since the start, helium lost by section, kg.
    lost: Vec<(Span, Vec<f64>)>,
    raised: BTreeMap<ScopeId, bool>,
    inventory: Option<InventoryReport>,
    next_sample: Span,
    lost_before: Option<f64>,
}

impl Tracker {
    fn new(plant: &Plant) -> Self {
        Self {
            seq: 0,
            section_of: plant
                .all
                .vessel
                .iter()
                .map(|vessel| vessel.section.index())
                .collect(),
            sections: plant
                .all
                .section
                .iter()
                .map(|section| Id::clone(&section.id))
                .collect(),
            lost: Vec::new(),
            raised: BTreeMap::new(),
            inventory: None,
            next_sample: JUDGED_FROM,
            lost_before: None,
        }
    }

    fn by_section(&self, of_store: &[f64]) -> Vec<f64> {
        let mut sums = vec![0.0; self.sections.len()];
        for (section, kg) in self.section_of.iter().zip(of_store) {
            if let Some(sum) = sums.get_mut(*section) {
                *sum += kg;
            }
        }
        sums
    }

    /// Helium that truly left the sections of a scope between two times, kg.
    fn lost_between(&self, scope: &ScopeId, from: Span, to: Span) -> f64 {
        let at = |time: Span| {
            let ix = self.lost.partition_point(|(at, _)| *at < time);
            let row = self.lost.get(ix).or(self.lost.last());
            row.map_or(0.0, |(_, by_section)| self.of_scope(scope, by_section))
        };
        at(to) - at(from)
    }

    /// What was lost over the quiet days: the accepted loss, kg/s.
    fn quiet_kg_per_s(&self) -> f64 {
        self.lost
            .iter()
            .rfind(|(at, _)| *at <= QUIET)
            .map_or(0.0, |(at, by_section)| {
                by_section.iter().sum::<f64>() / at.seconds().max(1.0)
            })
    }

    fn of_scope(&self, scope: &ScopeId, by_section: &[f64]) -> f64 {
        self.sections
            .iter()
            .zip(by_section)
            .filter(|(id, _)| {
                scope
                    .as_ref()
                    .is_none_or(|scope| section_ids_of(scope).any(|part| part == &***id))
            })
            .map(|(_, kg)| kg)
            .sum()
    }
}

fn go_on(
    twin: &mut VirtualPlant,
    engine: &mut Engine,
    (from, until): (Timestamp, Timestamp),
    tracker: &mut Tracker,
    happened: Option<&Happened>,
    shown: &mut Shown,
) -> Result<(), ScoreError> {
    let mut outcomes: Vec<Outcome> = Vec::new();
    let mut lost_kg = 0.0;
    let mut past = past::events_every(twin, (from, until), TICK, 1);
    while let Some((stamp, kind)) = past.next() {
        tracker.seq += 1;
        let is_tick = matches!(kind, EventKind::Tick);
        let event = Event {
            seq: tracker.seq,
            stamp,
            kind,
        };
        outcomes.clear();
        engine.apply(&event, &mut outcomes)?;
        if !is_tick {
            continue;
        }
        let now = past.plant().now() - Site::start();
        let model = past.plant().model();
        let mut lost = tracker.by_section(&model.leaked_kg);
        if happened.is_some_and(|happened| happened.unbooked) {
            for (sum, kg) in lost.iter_mut().zip(tracker.by_section(&model.crossed_kg)) {
                *sum += kg;
            }
        }
        if let Some(happened) = happened
            && now >= happened.onset
        {
            // Beside the accepted loss, which goes on as before.
            let all = lost.iter().sum::<f64>() - tracker.quiet_kg_per_s() * now.seconds();
            let before = *tracker.lost_before.get_or_insert(all);
            lost_kg = all - before;
        }
        if tracker
            .lost
            .last()
            .is_none_or(|(at, _)| now - *at >= Span::from_millis(300_000))
        {
            tracker.lost.push((now, lost));
        }
        let mut reports: Vec<LossReport> = Vec::new();
        for outcome in outcomes.drain(..) {
            match outcome.kind {
                OutcomeKind::Inventory(report) => tracker.inventory = Some(report),
                OutcomeKind::Losses(report) => reports.push(report),
                OutcomeKind::Explained(explanation) => shown.told = Some(explanation),
                OutcomeKind::Happening(happening) => shown.happenings.push(happening),
                _ => {}
            }
        }
        if reports.is_empty() {
            continue;
        }
        for report in &reports {
            let raised = report.excess.as_ref().is_some_and(|excess| excess.raised);
            let before = tracker.raised.insert(report.section.clone(), raised);
            if raised && before != Some(true) && now >= JUDGED_FROM {
                shown.alerts.push((report.section.clone(), now));
            }
        }
        if now >= tracker.next_sample {
            tracker.next_sample = now + SAMPLE_EVERY;
            shown
                .samples
                .push(sample(past.plant(), tracker, &reports, now));
        }
        shown.reports = reports;
        shown.lost_kg = lost_kg;
        shown.end = now;
    }
    let raised = shown
        .reports
        .iter()
        .any(|report| report.excess.as_ref().is_some_and(|excess| excess.raised));
    shown.explanation = engine.losses().explanation().filter(|_| raised).cloned();
    Ok(())
}

fn sample(plant: &VirtualPlant, tracker: &Tracker, reports: &[LossReport], now: Span) -> Sample {
    let model = plant.model();
    let masses: Vec<f64> = model.stores.iter().map(|store| store.mass_kg).collect();
    let by_section = tracker.by_section(&masses);
    let mut inventory = Vec::new();
    if let Some(report) = &tracker.inventory {
        let plant = &report.plant;
        inventory.push((None, plant.mass_kg, plant.std_kg, model.total_kg()));
        for ((section, figure), truth) in report.sections.iter().zip(&by_section) {
            let scope = Some(Id::clone(section));
            inventory.push((scope, figure.mass_kg, figure.std_kg, *truth));
        }
    }
    let mut windows = Vec::new();
    let mut rates = Vec::new();
    for report in reports {
        for window in &report.windows {
            let Some(from) = window.from.map(|from| from - Site::start()) else {
                continue;
            };
            // The step's mean stands for its middle at both ends.
            let half = Span::from_millis(300_000);
            let truth = tracker.lost_between(&report.section, from - half, now - half);
            windows.push((
                report.section.clone(),
                window.over,
                window.unaccounted_kg,
                window.std_kg,
                truth,
            ));
        }
        if let Some(rate) = &report.rate {
            let truth = tracker.lost_between(&report.section, now - rate.over, now)
                / rate.over.seconds().max(1.0);
            rates.push((
                report.section.clone(),
                rate.rate_kg_per_s,
                rate.std_kg_per_s,
                truth,
            ));
        }
    }
    Sample {
        at: now,
        inventory,
        windows,
        rates,
    }
}
