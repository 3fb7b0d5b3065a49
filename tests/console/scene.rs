//! A hand-made plant, picture, past and desk, and a server over them.

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use coldledger::console::{
    BoxHealth, Clocks, DeskKind, DeskRequest, DestinationHealth, DeviceHealth, InventoryOf,
    JournalLine, LossPoint, MassPoint, Office, Operators, Past, PastError, Progress, Receipt,
    Refusal, TrendBucket, TrendSeries, hash_password, serve_with_patience,
};
use coldledger::engine::view::{
    AlarmView, BudgetShare, ChannelView, DeviceView, LedgerView, LineView, VesselView, View,
};
use coldledger::engine::{
    AlarmState, ExcessLoss, InventoryReport, LossRate, LossReport, MassFigure, WindowBalance,
};
use coldledger::plant::files::SourceFile;
use coldledger::plant::{Passage, Plant, load};
use coldledger::quantity::{Quality, Reason};
use coldledger::time::{Monotonic, Span, Timestamp};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// The picture's time: 25 Nov 2026 14:32:10 at Tarn Hollow.
pub const NOW: i64 = 1_795_617_130_000;
pub const NAME: &str = "R. Ash";
pub const PASSWORD: &str = "seven cold kilograms";
const KG_PER_DAY: f64 = 1.0 / 86_400.0;

pub fn plant_text() -> String {
    include_str!("plant.toml").to_owned()
}

pub fn plant_of(text: &str) -> Plant {
    let file = SourceFile {
        name: "plant.toml".into(),
        text: text.into(),
    };
    load::load(&[file]).unwrap_or_else(|problems| panic!("{problems}"))
}

pub fn ago(span: Span) -> Timestamp {
    Timestamp::from_millis(NOW) - span
}

fn minutes(count: i64) -> Span {
    Span::from_millis(count * 60_000)
}

fn mass(mass_kg: f64, std_kg: f64) -> MassFigure {
    MassFigure {
        mass_kg,
        std_kg,
        quality: Quality::Good,
        reason: Reason::None,
    }
}

/// A picture in which everything is well.
#[expect(clippy::too_many_lines, reason = "one picture, written out")]
pub fn calm(plant: &Plant) -> View {
    let values: &[(&str, f64, f64, Quality, Reason)] = &[
        ("PDT-101", 17.482, 0.11, Quality::Good, Reason::None),
        ("PT-102", 1.2513, 0.0011, Quality::Good, Reason::None),
        ("PT-900", 1003.42, 0.5, Quality::Good, Reason::None),
        ("S1-LT-110", 618.3, 3.7, Quality::Good, Reason::Held),
        ("S1-PT-111", 1.2984, 0.0011, Quality::Good, Reason::None),
        ("S1-FT-112", 18.72, 0.29, Quality::Good, Reason::None),
        ("T1-PT-201", 7.613, 0.0116, Quality::Good, Reason::None),
        ("T1-TT-202", 6.4, 1.5, Quality::Good, Reason::None),
        ("T2-PT-211", 12.207, 0.0116, Quality::Good, Reason::None),
        ("T2-TT-212", 6.9, 1.5, Quality::Good, Reason::None),
    ];
    let channel = |(id, value, std, quality, reason): &(&str, f64, f64, Quality, Reason)| {
        let (_, described) = plant.channel_by_id(id).expect("a channel of the plant");
        ChannelView {
            id: (*id).into(),
            value: Some(*value),
            std: Some(*std),
            unit: described.unit.symbol.into(),
            quality: *quality,
            reason: *reason,
            read_at: Some(ago(Span::from_millis(4_000))),
            age: Some(Span::from_millis(4_000)),
        }
    };
    let vessel = |id: &str, mass_kg: f64, std_kg: f64| VesselView {
        id: id.into(),
        mode: "in-use".into(),
        mass_kg: Some(mass_kg),
        std_kg: Some(std_kg),
        liquid_kg: None,
        level_m: None,
        pressure_pa: Some(1.25e5),
        temperature_k: Some(4.46),
        density_kg_m3: Some(121.6),
        quality: Quality::Good,
        reason: Reason::None,
    };
    View {
        seq: 864_201,
        at: Some(Timestamp::from_millis(NOW)),
        epoch: 0,
        provenance: None,
        channels: values.iter().map(channel).collect(),
        inventory: Some(InventoryReport {
            plant: mass(1204.31, 12.4),
            constant_std_kg: 11.9,
            sections: vec![
                ("liquid".into(), mass(506.2, 5.1)),
                ("string-1".into(), mass(72.4, 0.8)),
                ("tanks".into(), mass(625.7, 9.6)),
            ],
            vessels: vec![
                ("D1".into(), mass(506.2, 5.1)),
                ("B1".into(), mass(72.4, 0.8)),
                ("T1".into(), mass(246.1, 5.2)),
                ("T2".into(), mass(379.6, 7.1)),
            ],
        }),
        vessels: vec![
            VesselView {
                level_m: Some(1.712),
                liquid_kg: Some(498.8),
                ..vessel("D1", 506.2, 5.1)
            },
            VesselView {
                level_m: Some(0.6183),
                liquid_kg: Some(48.1),
                pressure_pa: Some(1.2984e5),
                ..vessel("B1", 72.4, 0.8)
            },
            VesselView {
                pressure_pa: Some(8.6164e5),
                temperature_k: Some(279.55),
                density_kg_m3: Some(4.922),
                ..vessel("T1", 246.1, 5.2)
            },
            VesselView {
                pressure_pa: Some(13.21e5),
                temperature_k: Some(280.05),
                density_kg_m3: Some(7.592),
                ..vessel("T2", 379.6, 7.1)
            },
        ],
        lines: vec![
            LineView {
                id: "boil-off".into(),
                passage: Passage::Open,
                flow_kg_per_s: None,
            },
            LineView {
                id: "return".into(),
                passage: Passage::Open,
                flow_kg_per_s: Some(0.01872),
            },
            LineView {
                id: "vent-1".into(),
                passage: Passage::Shut,
                flow_kg_per_s: None,
            },
        ],
        losses: vec![quiet_losses()],
        alarms: plant
            .alarms
            .iter()
            .map(|rule| AlarmView {
                id: Arc::clone(&rule.id),
                class: rule.class,
                priority: rule.priority,
                state: AlarmState::Normal,
                since: None,
                age: None,
                detail: String::new(),
                actor: None,
                shelved_until: None,
            })
            .collect(),
        ledger: vec![
            LedgerView {
                id: "opening".into(),
                entered_seq: 0,
                entered_at: None,
                effective_at: ago(Span::from_millis(10 * 86_400_000)),
                over: Span::ZERO,
                kind: "correction".into(),
                mass_kg: 3.0,
                std_kg: 0.4,
                author: "P. Reed".into(),
                note: "carried over from the paper books".into(),
                superseded_by: Some("L-7QK2MWXA".into()),
            },
            LedgerView {
                id: "L-7QK2MWXA".into(),
                entered_seq: 310_022,
                entered_at: Some(ago(Span::from_millis(6 * 86_400_000))),
                effective_at: ago(Span::from_millis(10 * 86_400_000)),
                over: Span::ZERO,
                kind: "correction".into(),
                mass_kg: 3.6,
                std_kg: 0.4,
                author: NAME.into(),
                note: "paper books added up again".into(),
                superseded_by: None,
            },
            LedgerView {
                id: "L-B4TTZP3C".into(),
                entered_seq: 512_871,
                entered_at: Some(ago(Span::from_millis(3 * 86_400_000))),
                effective_at: ago(Span::from_millis(3 * 86_400_000 + 5_400_000)),
                over: Span::from_millis(5_400_000),
                kind: "delivery".into(),
                mass_kg: 118.4,
                std_kg: 0.6,
                author: NAME.into(),
                note: "portable dewar, weighed before and after".into(),
                superseded_by: None,
            },
        ],
        budget: vec![
            BudgetShare {
                source: "T2-PT-211".into(),
                std_kg: 6.2,
                share: 0.25,
            },
            BudgetShare {
                source: "tank wall temperature".into(),
                std_kg: 8.0,
                share: 0.416,
            },
            BudgetShare {
                source: "PDT-101".into(),
                std_kg: 2.5,
                share: 0.0406,
            },
        ],
        devices: ["IO-1", "IO-2", "IO-3"]
            .iter()
            .map(|id| DeviceView {
                id: (*id).into(),
                answers: true,
                fault: String::new(),
                good_polls: 86_390,
                failed_polls: 2,
                last_answer: Some(ago(Span::from_millis(4_000))),
            })
            .collect(),
        events: 864_201,
    }
}

fn window(over: Span, unaccounted_kg: f64, std_kg: f64, received_kg: f64) -> WindowBalance {
    let accepted_kg = 0.4 * over.days();
    WindowBalance {
        over,
        from: Some(ago(over)),
        opening_kg: 1204.31 + unaccounted_kg - received_kg,
        received_kg,
        dispatched_kg: 0.0,
        closing_kg: 1204.31,
        unaccounted_kg,
        std_kg,
        accepted_kg,
        excess_kg: unaccounted_kg - accepted_kg,
        excess_std_kg: std_kg,
        decision_threshold_kg: 1.645 * std_kg,
        detection_limit_kg: 3.29 * std_kg,
        coverage: 0.998,
        doubtful_vessels: Vec::new(),
    }
}

fn quiet_losses() -> LossReport {
    LossReport {
        section: None,
        windows: vec![
            window(Span::HOUR, 0.4, 1.1, 0.0),
            window(Span::from_millis(8 * 3_600_000), -0.6, 2.6, 0.0),
            window(Span::DAY, 0.9, 1.4, 0.0),
            window(Span::from_millis(7 * 86_400_000), 3.3, 1.9, 118.4),
        ],
        rate: Some(LossRate {
            over: Span::from_millis(4 * 86_400_000),
            rate_kg_per_s: 0.55 * KG_PER_DAY,
            std_kg_per_s: 0.31 * KG_PER_DAY,
            decision_threshold_kg_per_s: 0.51 * KG_PER_DAY,
            detection_limit_kg_per_s: 1.02 * KG_PER_DAY,
            white_std_kg: 0.9,
            correlated_std_kg: 1.4,
            correlation_time_s: 5400.0,
            daily_wave_kg: 3.1,
        }),
        excess: None,
        accepted_kg_per_s: (0.4 * KG_PER_DAY, 0.1 * KG_PER_DAY),
    }
}

/// A picture with every alarm state, every quality, a loss, and values that are no numbers.
#[expect(clippy::too_many_lines, reason = "one picture, written out")]
pub fn troubled(plant: &Plant) -> View {
    let mut view = calm(plant);
    let mut raise = |id: &str, state: AlarmState, age: Span, detail: &str, actor: Option<&str>| {
        let alarm = view
            .alarms
            .iter_mut()
            .find(|alarm| &*alarm.id == id)
            .expect("an alarm of the plant");
        alarm.state = state;
        alarm.since = Some(ago(age));
        alarm.age = Some(age);
        alarm.detail = detail.into();
        alarm.actor = actor.map(Into::into);
        if state == AlarmState::Shelved {
            alarm.shelved_until = Some(ago(Span::from_millis(-5_400_000)));
        }
    };
    raise(
        "dewar-pressure-high",
        AlarmState::Unacknowledged,
        minutes(4),
        "PT-102 is 1.467 bar(a), above 1.45 bar(a)",
        None,
    );
    raise(
        "string-1-level-low",
        AlarmState::Acknowledged,
        minutes(52),
        "S1-LT-110 is 231 mm, below 250 mm",
        Some(NAME),
    );
    raise(
        "tank-2-pressure-high",
        AlarmState::ReturnedUnacknowledged,
        minutes(200),
        "T2-PT-211 was 15.6 bar(g), above 15.5 bar(g)",
        None,
    );
    raise(
        "string-flow-high",
        AlarmState::Shelved,
        minutes(30),
        "S1-FT-112 is 36 g/s, above 35 g/s",
        Some("P. Reed"),
    );
    raise(
        "helium-lost",
        AlarmState::Unacknowledged,
        minutes(3 * 1440),
        "4.1 ± 0.6 kg/day beyond the accepted loss",
        None,
    );
    raise(
        "io-3-lost",
        AlarmState::OutOfService,
        minutes(1000),
        "",
        Some("P. Reed"),
    );
    let mut set = |at: usize, value: Option<f64>, quality: Quality, reason: Reason| {
        let channel = &mut view.channels[at];
        channel.value = value;
        channel.quality = quality;
        channel.reason = reason;
    };
    set(1, Some(1.467), Quality::Good, Reason::None);
    set(3, Some(231.0), Quality::Uncertain, Reason::Held);
    set(6, Some(f64::NAN), Quality::Bad, Reason::NotANumber);
    set(7, None, Quality::Bad, Reason::LoopLow);
    set(8, Some(12.207), Quality::Uncertain, Reason::Disagrees);
    set(9, Some(f64::INFINITY), Quality::Bad, Reason::OutOfService);
    view.channels[7].std = None;
    view.vessels[2].quality = Quality::Uncertain;
    view.vessels[2].reason = Reason::CarriedForward;
    view.vessels[3].mass_kg = Some(f64::NAN);
    view.vessels[3].std_kg = Some(f64::NAN);
    view.vessels[3].quality = Quality::Bad;
    view.vessels[3].reason = Reason::InputBad;
    view.lines[2].passage = Passage::Unknown;
    view.devices[2].answers = false;
    view.devices[2].fault = "no answer in time".into();
    let losses = &mut view.losses[0];
    losses.windows[2] = WindowBalance {
        doubtful_vessels: vec!["T1".into()],
        coverage: 0.93,
        ..window(Span::DAY, 4.6, 1.2, 0.0)
    };
    losses.windows[3] = window(Span::from_millis(7 * 86_400_000), 19.8, 1.9, 118.4);
    losses.excess = Some(ExcessLoss {
        raised: true,
        since: Some(ago(Span::from_millis(4 * 86_400_000 + 1_930_000))),
        since_band: Some((
            ago(Span::from_millis(4 * 86_400_000 + 30_000_000)),
            ago(Span::from_millis(4 * 86_400_000 - 20_000_000)),
        )),
        excess_kg_per_s: 4.1 * KG_PER_DAY,
        std_kg_per_s: 0.6 * KG_PER_DAY,
        lost_kg: 17.0,
        lost_std_kg: 2.1,
    });
    losses.rate.as_mut().expect("a rate").rate_kg_per_s = 4.5 * KG_PER_DAY;
    view
}

pub fn healthy(plant: &Plant) -> BoxHealth {
    BoxHealth {
        version: "0.1.0".into(),
        started: Some(ago(Span::from_millis(3 * 86_400_000))),
        uptime_s: 3 * 86_400,
        seq: 864_201,
        committed_seq: 864_196,
        last_commit_age_s: Some(0.8),
        recording: true,
        not_recording_because: String::new(),
        data_bytes: 412_300_000,
        disk_budget_bytes: 8_000_000_000,
        disk_free_bytes: Some(31_200_000_000),
        memory_bytes: Some(38_400_000),
        queue_depth: 3,
        queue_limit: 4096,
        devices: ["IO-1", "IO-2", "IO-3"]
            .iter()
            .map(|id| DeviceHealth {
                id: (*id).into(),
                polls: 86_392,
                timeouts: 2,
                resyncs: 1,
                round_trip_ms: Some(3.4),
            })
            .collect(),
        destinations: vec![
            DestinationHealth {
                name: "mqtt".into(),
                state: "connected".into(),
                well: true,
                cursor_seq: 864_190,
                lag_events: 6,
                last_error: None,
            },
            DestinationHealth {
                name: "series".into(),
                state: "waiting 30 s to try again".into(),
                well: false,
                cursor_seq: 861_000,
                lag_events: 3196,
                last_error: Some("connection refused".into()),
            },
        ],
        clock_known: true,
        clock_epoch: 0,
        description: plant.hash.to_string(),
        notes: Vec::new(),
    }
}

/// A past made of sums of waves, with a gap and a stretch of doubtful quality.
pub struct MadeUpPast {
    pub journal: Vec<JournalLine>,
    pub broken: bool,
}

impl MadeUpPast {
    pub fn new() -> Self {
        let line = |seq: u64, minutes_ago: i64, subject: &str, words: &str, who: Option<&str>| {
            JournalLine {
                seq,
                at: Some(ago(minutes(minutes_ago))),
                subject: subject.into(),
                words: words.into(),
                who: who.map(Into::into),
            }
        };
        Self {
            journal: vec![
                line(
                    864_177,
                    4,
                    "dewar-pressure-high",
                    "raised: PT-102 is 1.467 bar(a), above 1.45 bar(a)",
                    None,
                ),
                line(
                    863_950,
                    30,
                    "string-flow-high",
                    "shelved for 2.0 h: meter being washed",
                    Some("P. Reed"),
                ),
                line(
                    863_801,
                    47,
                    "string-1-level-low",
                    "acknowledged",
                    Some(NAME),
                ),
                line(
                    863_770,
                    52,
                    "string-1-level-low",
                    "raised: S1-LT-110 is 231 mm, below 250 mm",
                    None,
                ),
                line(
                    512_871,
                    4320,
                    "L-B4TTZP3C",
                    "booked: delivery of 118.4 ± 0.6 kg",
                    Some(NAME),
                ),
            ],
            broken: false,
        }
    }

    fn times(from: Timestamp, to: Timestamp, most: usize) -> Vec<Timestamp> {
        let count = i64::try_from(most.min(300)).unwrap();
        let step = (to - from).millis() / count;
        (0..count)
            .map(|n| from + Span::from_millis(n * step))
            .collect()
    }

    fn check(&self) -> Result<(), PastError> {
        if self.broken {
            return Err(PastError::Unreadable("the disk does not answer".into()));
        }
        Ok(())
    }
}

fn wave(at: Timestamp, period_s: f64) -> f64 {
    let seconds = Span::from_millis(at.millis()).seconds();
    libm::sin(std::f64::consts::TAU * seconds / period_s)
}

impl Past for MadeUpPast {
    fn trend(
        &self,
        channel: &str,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<TrendSeries, PastError> {
        self.check()?;
        let times = Self::times(from, to, most);
        let count = times.len();
        let bucket = |(n, at): (usize, &Timestamp)| {
            if (count / 3..count / 3 + count / 12).contains(&n) {
                return None;
            }
            let mean = 12.2 + 0.2 * wave(*at, 86_400.0) + 0.02 * wave(*at, 3000.0);
            Some(TrendBucket {
                min: mean - 0.02,
                max: mean + 0.03,
                mean,
                quality: match n * 20 / count {
                    12 | 13 => Quality::Uncertain,
                    17 => Quality::Bad,
                    _ => Quality::Good,
                },
            })
        };
        assert!(!channel.is_empty());
        Ok(TrendSeries {
            unit: "bar(g)".into(),
            from,
            bucket_ms: (to - from).millis() / i64::try_from(count).unwrap(),
            buckets: times.iter().enumerate().map(bucket).collect(),
        })
    }

    fn inventory(
        &self,
        of: &InventoryOf,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<Vec<MassPoint>, PastError> {
        self.check()?;
        if *of == InventoryOf::Vessel("nowhere".into()) {
            return Err(PastError::Unknown("nowhere".into()));
        }
        let leak_began = ago(Span::from_millis(4 * 86_400_000));
        let delivered = ago(Span::from_millis(3 * 86_400_000));
        Ok(Self::times(from, to, most)
            .into_iter()
            .map(|at| {
                let lost = 0.4 * (at - ago(Span::from_millis(7 * 86_400_000))).days()
                    + 4.1 * (at - leak_began).days().max(0.0);
                let got = if at >= delivered { 118.4 } else { 0.0 };
                let noise = 1.9 * wave(at, 86_400.0) + 0.7 * wave(at, 9000.0);
                MassPoint {
                    at,
                    mass_kg: 1106.0 - lost + got + noise,
                    std_kg: 3.2,
                }
            })
            .collect())
    }

    fn loss(
        &self,
        _section: Option<&str>,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<Vec<LossPoint>, PastError> {
        self.check()?;
        let leak_began = ago(Span::from_millis(4 * 86_400_000));
        Ok(Self::times(from, to, most)
            .into_iter()
            .map(|at| {
                let grown = ((at - leak_began).days() / 1.5).clamp(0.0, 1.0);
                LossPoint {
                    at,
                    rate_kg_per_s: (0.5 + 4.0 * grown + 0.25 * wave(at, 50_000.0)) * KG_PER_DAY,
                    std_kg_per_s: 0.4 * KG_PER_DAY,
                    detection_limit_kg_per_s: 1.1 * KG_PER_DAY,
                }
            })
            .collect())
    }

    fn journal(&self, before: Option<u64>, limit: usize) -> Result<Vec<JournalLine>, PastError> {
        self.check()?;
        Ok(self
            .journal
            .iter()
            .filter(|line| before.is_none_or(|before| line.seq < before))
            .take(limit)
            .cloned()
            .collect())
    }
}

/// How the desk answers.
#[derive(Debug, Clone)]
pub enum DeskManner {
    Records,
    Refuses(Refusal),
}

/// A running server over hand-made facts.
pub struct House {
    pub url: String,
    pub view: watch::Sender<Arc<View>>,
    pub health: watch::Sender<Arc<BoxHealth>>,
    pub progress: watch::Sender<Progress>,
    /// Held, so that its receiver lives.
    _plant: watch::Sender<Arc<Plant>>,
    pub now: Arc<AtomicI64>,
    pub asked: Arc<Mutex<Vec<DeskKind>>>,
    pub stop: CancellationToken,
    pub server: JoinHandle<()>,
    pub client: reqwest::Client,
}

/// What a house is built from.
pub struct Plan {
    pub plant: Plant,
    pub view: View,
    pub past: MadeUpPast,
    pub desk: DeskManner,
    pub patience: Duration,
}

impl Plan {
    pub fn of(text: &str, view: fn(&Plant) -> View) -> Self {
        let plant = plant_of(text);
        Self {
            view: view(&plant),
            plant,
            past: MadeUpPast::new(),
            desk: DeskManner::Records,
            patience: Duration::from_secs(30),
        }
    }

    pub async fn build(self) -> House {
        let now = Arc::new(AtomicI64::new(NOW));
        let health = healthy(&self.plant);
        let (plant, plant_watch) = watch::channel(Arc::new(self.plant));
        let (view, view_watch) = watch::channel(Arc::new(self.view));
        let (health, health_watch) = watch::channel(Arc::new(health));
        let (progress, progress_watch) = watch::channel(Progress {
            phase: "ready".into(),
            fraction: 1.0,
            ready: true,
        });
        let (desk, mut requests) = mpsc::channel::<DeskRequest>(8);
        let asked = Arc::new(Mutex::new(Vec::new()));
        let noted = Arc::clone(&asked);
        let manner = self.desk;
        let desk_keeper = async move {
            while let Some(request) = requests.recv().await {
                noted.lock().unwrap().push(request.kind);
                let answer = match &manner {
                    DeskManner::Records => Ok(Receipt { seq: 864_300 }),
                    DeskManner::Refuses(refusal) => Err(refusal.clone()),
                };
                _ = request.reply.send(answer);
            }
        };
        let clock = |now: &Arc<AtomicI64>| {
            let now = Arc::clone(now);
            move || now.load(Ordering::Relaxed)
        };
        let (wall, monotonic) = (clock(&now), clock(&now));
        let office = Office {
            plant: plant_watch,
            view: view_watch,
            health: health_watch,
            progress: progress_watch,
            past: Arc::new(self.past),
            desk,
            operators: operators(),
            host_names: vec!["ledger.tarn-hollow.example".into()],
            clocks: Clocks {
                wall: Arc::new(move || Some(Timestamp::from_millis(wall()))),
                monotonic: Arc::new(move || Monotonic(monotonic())),
            },
            version: "0.1.0",
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let stop = CancellationToken::new();
        let until = stop.clone();
        let patience = self.patience;
        #[expect(clippy::disallowed_methods, reason = "a test has no daemon")]
        let server = tokio::task::spawn(async move {
            tokio::select! {
                served = serve_with_patience(listener, office, until, patience) => served.unwrap(),
                () = desk_keeper => {}
            }
        });
        House {
            url,
            view,
            health,
            progress,
            _plant: plant,
            now,
            asked,
            stop,
            server,
            client: reqwest::Client::builder()
                .redirect(reqwest::redirect::Policy::none())
                .timeout(Duration::from_secs(20))
                .build()
                .unwrap(),
        }
    }
}

/// Hashing takes some tenths of a second: once is enough.
fn operators() -> Operators {
    static HASH: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    let hash = HASH.get_or_init(|| hash_password(PASSWORD).unwrap());
    Operators::parse(&format!(
        "[[operator]]\nname = {NAME:?}\npassword-hash = {hash:?}\n"
    ))
    .unwrap()
}

pub async fn house(view: fn(&Plant) -> View) -> House {
    Plan::of(&plant_text(), view).build().await
}

impl House {
    pub async fn get(&self, path: &str) -> (u16, String) {
        let answer = self
            .client
            .get(format!("{}{path}", self.url))
            .send()
            .await
            .unwrap();
        (answer.status().as_u16(), answer.text().await.unwrap())
    }

    pub async fn json(&self, path: &str) -> serde_json::Value {
        let (status, text) = self.get(path).await;
        assert_eq!(status, 200, "{path}: {text}");
        serde_json::from_str(&text).unwrap_or_else(|e| panic!("{path}: {e}: {text}"))
    }

    /// Moves the clocks on.
    pub fn wait(&self, span: Span) {
        self.now.fetch_add(span.millis(), Ordering::Relaxed);
    }

    /// Signs in and gives cookie and token.
    pub async fn sign_in(&self) -> (String, String) {
        let answer = self
            .client
            .post(format!("{}/login", self.url))
            .header("content-type", "application/x-www-form-urlencoded")
            .body("name=R.+Ash&password=seven+cold+kilograms&next=%2Fhelium")
            .send()
            .await
            .unwrap();
        assert_eq!(answer.status(), 303);
        assert_eq!(answer.headers()["location"], "/helium");
        let cookie = answer.headers()["set-cookie"].to_str().unwrap().to_owned();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"));
        let cookie = cookie.split(';').next().unwrap().to_owned();
        let page = self
            .client
            .get(format!("{}/ledger", self.url))
            .header("cookie", &cookie)
            .send()
            .await
            .unwrap()
            .text()
            .await
            .unwrap();
        let token = page
            .split("name=\"csrf\" value=\"")
            .nth(1)
            .and_then(|rest| rest.split('"').next())
            .expect("a token in the form")
            .to_owned();
        (cookie, token)
    }

    /// Posts a form.
    pub async fn post(&self, path: &str, cookie: &str, body: String) -> (u16, String, String) {
        let answer = self
            .client
            .post(format!("{}{path}", self.url))
            .header("cookie", cookie)
            .header("content-type", "application/x-www-form-urlencoded")
            .body(body)
            .send()
            .await
            .unwrap();
        let status = answer.status().as_u16();
        let location = answer
            .headers()
            .get("location")
            .map(|v| v.to_str().unwrap().to_owned())
            .unwrap_or_default();
        (status, location, answer.text().await.unwrap())
    }

    pub fn asked(&self) -> Vec<DeskKind> {
        self.asked.lock().unwrap().clone()
    }
}
