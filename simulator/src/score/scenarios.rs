//! What the score tries: a table of scenarios, each with what would be the right answer.

use coldledger::plant::Plant;
use coldledger::time::Span;

use super::run::QUIET;
use crate::model::params::Refill;
use crate::model::{ModelParams, VesselParams};

const DAY_S: f64 = 86_400.0;

/// Weather and running of the plant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Conditions {
    /// A mild site.
    Usual,
    /// Neither weather nor fronts.
    Calm,
    /// Large days and strong sun.
    Hot,
    /// Deep fronts, one after the other.
    Stormy,
    /// Strings are refilled in batches instead of held level.
    Batches,
    /// The recovery compressor starts and stops every hour or so.
    Cycles,
}

impl Conditions {
    /// In one word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Usual => "usual",
            Self::Calm => "calm",
            Self::Hot => "hot",
            Self::Stormy => "stormy",
            Self::Batches => "batches",
            Self::Cycles => "cycles",
        }
    }

    pub(super) fn apply(self, plant: &Plant, model: &mut ModelParams) {
        let vessel = |id: &str| plant.vessel_by_id(id).map(|(ix, _)| ix.index());
        match self {
            Self::Usual => {}
            Self::Calm => {
                model.climate.day_k = 0.5;
                model.climate.wander_k = 0.3;
                model.climate.clear = 0.0;
                model.climate.front_pa = 100.0;
            }
            Self::Hot => {
                model.climate.mean_k += 12.0;
                model.climate.day_k = 9.0;
                model.climate.clear = 0.8;
                for params in &mut model.vessels {
                    if params.sun_k > 0.0 {
                        params.sun_k = 6.0;
                    }
                }
            }
            Self::Stormy => {
                model.climate.front_pa = 2_000.0;
                model.climate.wander_k = 3.0;
            }
            Self::Batches => {
                let dewar = vessel("DEWAR").unwrap_or(0);
                for params in &mut model.vessels {
                    batches(params, dewar);
                }
            }
            Self::Cycles => {
                for mover in &mut model.movers {
                    mover.start_above = 47.0;
                    mover.stop_below = 43.0;
                }
            }
        }
    }
}

fn batches(params: &mut VesselParams, from: usize) {
    if let Some(supply) = params.supply.take() {
        params.refill = Some(Refill {
            from,
            below: supply.hold - 0.1,
            until: supply.hold + 0.1,
            kg_per_s: supply.most_kg_per_s,
            flash: supply.flash,
        });
    }
}

/// What would be the right answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Right {
    /// That nothing is wrong: no alert.
    Nothing,
    /// A leak in the area of this section.
    Leak(&'static str),
    /// A drifting instrument of this vessel, which its peers show.
    Drift(&'static str),
    /// A drifting instrument of this vessel or a leak of its section: nothing tells them apart.
    DriftOrLeak(&'static str, &'static str),
    /// An instrument of this vessel that stepped: said so, or that it drifts, since in the first hour
    /// the two look alike.
    Step(&'static str),
    /// A meter on this line.
    Meter(&'static str),
    /// Helium vented from this section and not booked.
    Vent(&'static str),
    /// Helium delivered into this section and not booked.
    Delivery(&'static str),
    /// A holdup of this vessel.
    Holdup(&'static str),
}

/// A scenario of the score.
#[derive(Debug, Clone, Copy)]
pub struct Scenario {
    /// Its name.
    pub name: &'static str,
    /// Weather and running.
    pub conditions: Conditions,
    /// What happens after the quiet days.
    pub what: What,
    /// Days after it began.
    pub days: f64,
}

/// What happens.
#[derive(Debug, Clone, Copy)]
pub enum What {
    /// Nothing.
    Quiet,
    /// A leak of so many times the detection limit of its own area.
    Leak {
        /// Out of this vessel.
        vessel: &'static str,
        /// In this section.
        section: &'static str,
        /// Times the detection limit of that section's area.
        times: f64,
        /// What else.
        with: With,
    },
    /// Events as they stand, with `ONSET` for when they begin.
    Events {
        /// TOML.
        text: &'static str,
        /// The right answer.
        right: Right,
        /// Helium that truly left and is in no book, beside leaks.
        unbooked: bool,
    },
    /// Wrong readings for a minute each, of several channels.
    Spikes,
}

/// What a leak comes with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum With {
    /// Nothing.
    Alone,
    /// A rate that follows the pressure behind the hole, which holds at this pressure, bar(a); and
    /// other events.
    Pressure(f64, &'static str),
    /// An end after so many days.
    Ends(f64),
    /// Another one of the same multiple a day later.
    Another {
        /// Out of this vessel.
        vessel: &'static str,
        /// In this section.
        section: &'static str,
    },
    /// Other events.
    Events(&'static str),
    /// Wrong readings.
    Spikes,
}

/// What happens in one run.
#[derive(Debug, Clone)]
pub struct Happened {
    /// Events as a scenario file has them.
    pub events: String,
    /// When it begins, since the start of the run.
    pub onset: Span,
    /// Its rate when it goes on steadily to the end, kg/s; only of leaks.
    pub steady_kg_per_s: Option<f64>,
    /// The right answer.
    pub right: Right,
    /// Helium that truly left and is in no book, beside leaks.
    pub unbooked: bool,
    /// It has one beginning and goes on to the end.
    pub goes_on: bool,
}

impl Scenario {
    /// Sections whose detection limit its leaks are multiples of.
    pub fn leaks_from(&self) -> impl Iterator<Item = &'static str> {
        let (first, second) = match self.what {
            What::Leak { section, with, .. } => (
                Some(section),
                match with {
                    With::Another { section, .. } => Some(section),
                    _ => None,
                },
            ),
            _ => (None, None),
        };
        first.into_iter().chain(second)
    }

    /// What happens in the run of a seed. `limit` gives the detection limit of
    /// the area that a section belongs to, kg/s.
    #[must_use]
    pub fn happened(&self, seed: u64, limit: impl Fn(&str) -> f64) -> Happened {
        // Not always at the same time of the day.
        let minutes = i64::try_from(seed.wrapping_mul(7_919) % 1_440).unwrap_or(0);
        let onset = QUIET + Span::from_millis(60_000 * (60 + minutes));
        let mut happened = Happened {
            events: String::new(),
            onset,
            steady_kg_per_s: None,
            right: Right::Nothing,
            unbooked: false,
            goes_on: true,
        };
        match self.what {
            What::Quiet => {}
            What::Spikes => happened.events = spikes(onset, self.days),
            What::Events {
                text,
                right,
                unbooked,
            } => {
                happened.events = placed(text, onset);
                happened.right = right;
                happened.unbooked = unbooked;
            }
            What::Leak {
                vessel,
                section,
                times,
                with,
            } => {
                let rate = times * limit(section);
                happened.right = Right::Leak(section);
                let steady = matches!(with, With::Alone | With::Events(_) | With::Spikes);
                happened.steady_kg_per_s = steady.then_some(rate);
                happened.goes_on = !matches!(with, With::Ends(_) | With::Another { .. });
                happened.events = leak(vessel, rate, onset, with);
                match with {
                    With::Another { vessel, section } => {
                        let later = onset + Span::DAY;
                        let rate = times * limit(section);
                        happened.events += &leak(vessel, rate, later, With::Alone);
                    }
                    With::Events(text) | With::Pressure(_, text) => {
                        happened.events += &placed(text, onset);
                    }
                    With::Spikes => happened.events += &spikes(onset, self.days),
                    With::Alone | With::Ends(_) => {}
                }
            }
        }
        happened
    }
}

fn placed(text: &str, onset: Span) -> String {
    let mut placed = text.to_owned();
    // Later ones first: "ONSET+2d" holds "ONSET".
    for (name, after) in [
        ("ONSET+12h", Span::from_millis(43_200_000)),
        ("ONSET+1d", Span::DAY),
        ("ONSET", Span::ZERO),
    ] {
        placed = placed.replace(name, &at(onset + after));
    }
    placed
}

fn at(since_start: Span) -> String {
    format!("{} s", since_start.millis() / 1000)
}

fn leak(vessel: &str, kg_per_s: f64, onset: Span, with: With) -> String {
    let more = match with {
        With::Pressure(bar, _) => format!("at-pressure = \"{bar} bar(a)\"\n"),
        With::Ends(days) => format!("lasts = \"{days} days\"\n"),
        _ => String::new(),
    };
    format!(
        "[[event]]\nat = \"{}\"\nkind = \"leak\"\nvessel = \"{vessel}\"\nrate = \"{} kg/day\"\n{more}",
        at(onset),
        kg_per_s * DAY_S
    )
}

/// A wrong reading of a minute every few hours, of one channel after the other.
fn spikes(onset: Span, days: f64) -> String {
    const CHANNELS: [(&str, &str); 6] = [
        ("PT-T1", "900 mbar"),
        ("LT-A1", "200 mm"),
        ("TT-T3", "-40 K"),
        ("PDT-D1", "6 mbar"),
        ("FT-L1", "9 g/s"),
        ("PT-R1", "-700 mbar"),
    ];
    let mut events = Vec::new();
    let end = onset + Span::from_seconds(days * DAY_S);
    let mut time = onset;
    for (channel, by) in CHANNELS.iter().cycle() {
        // Not on the grid of ten minutes.
        time = time + Span::from_millis(10_860_000);
        if time >= end {
            break;
        }
        events.push(format!(
            "[[event]]\nat = \"{}\"\nkind = \"step\"\nchannel = \"{channel}\"\nby = \"{by}\"\nlasts = \"60 s\"\n",
            at(time)
        ));
    }
    events.concat()
}

const fn quiet(name: &'static str, conditions: Conditions) -> Scenario {
    Scenario {
        name,
        conditions,
        what: What::Quiet,
        days: 6.0,
    }
}

const fn leaking(
    name: &'static str,
    (vessel, section): (&'static str, &'static str),
    times: f64,
    with: With,
) -> Scenario {
    Scenario {
        name,
        conditions: Conditions::Usual,
        what: What::Leak {
            vessel,
            section,
            times,
            with,
        },
        days: 4.0,
    }
}

const fn events(name: &'static str, text: &'static str, right: Right, days: f64) -> Scenario {
    Scenario {
        name,
        conditions: Conditions::Usual,
        what: What::Events {
            text,
            right,
            unbooked: false,
        },
        days,
    }
}

const fn unbooked(name: &'static str, text: &'static str, right: Right, days: f64) -> Scenario {
    Scenario {
        name,
        conditions: Conditions::Usual,
        what: What::Events {
            text,
            right,
            unbooked: true,
        },
        days,
    }
}

const STRING_A: (&str, &str) = ("STRING-A", "string-a");
const STRING_B: (&str, &str) = ("STRING-B", "string-b");
const DEWAR: (&str, &str) = ("DEWAR", "dewar");
const GAS: (&str, &str) = ("TANK-1", "gas");
const BAG: (&str, &str) = ("BAG", "recovery");
const RESERVE: (&str, &str) = ("RESERVE", "reserve");

/// A delivery that doubles the pressure of the tank that stands alone.
const DELIVERY_INTO_RESERVE: &str = "[[event]]\nat = \"ONSET+1d\"\nkind = \"delivery\"\nvessel = \"RESERVE\"\nmass = \"150 kg\"\nover = \"4 h\"\n";

/// All scenarios, in the order of the table.
pub const ALL: &[Scenario] = &[
    quiet("quiet", Conditions::Usual),
    quiet("quiet-calm", Conditions::Calm),
    quiet("quiet-hot", Conditions::Hot),
    quiet("quiet-storms", Conditions::Stormy),
    quiet("quiet-batches", Conditions::Batches),
    quiet("quiet-cycles", Conditions::Cycles),
    events(
        "barometer-falls",
        "[[event]]\nat = \"ONSET\"\nkind = \"barometer\"\nby = \"-30 mbar\"\nover = \"12 h\"\n",
        Right::Nothing,
        4.0,
    ),
    events(
        "delivery-booked",
        "[[event]]\nat = \"ONSET\"\nkind = \"delivery\"\nvessel = \"TANK-1\"\nmass = \"30 kg\"\nover = \"4 h\"\n",
        Right::Nothing,
        4.0,
    ),
    events(
        "vent-booked",
        "[[event]]\nat = \"ONSET\"\nkind = \"vent\"\nvessel = \"TANK-1\"\nmass = \"20 kg\"\nover = \"2 h\"\n",
        Right::Nothing,
        4.0,
    ),
    Scenario {
        name: "spikes",
        conditions: Conditions::Usual,
        what: What::Spikes,
        days: 5.0,
    },
    events(
        "cold-station-silent",
        "[[event]]\nat = \"ONSET\"\nkind = \"lost-device\"\ndevice = \"IO-COLD\"\nlasts = \"6 h\"\n",
        Right::Nothing,
        4.0,
    ),
    events(
        "gas-station-silent",
        "[[event]]\nat = \"ONSET\"\nkind = \"lost-device\"\ndevice = \"IO-GAS\"\nlasts = \"6 h\"\n",
        Right::Nothing,
        4.0,
    ),
    events(
        "level-probe-dies",
        "[[event]]\nat = \"ONSET\"\nkind = \"broken-loop\"\nchannel = \"LT-B1\"\n",
        Right::Nothing,
        4.0,
    ),
    leaking("string-a-1x", STRING_A, 1.0, With::Alone),
    leaking("string-a-3x", STRING_A, 3.0, With::Alone),
    leaking("string-a-10x", STRING_A, 10.0, With::Alone),
    leaking("dewar-1x", DEWAR, 1.0, With::Alone),
    leaking("dewar-3x", DEWAR, 3.0, With::Alone),
    leaking("dewar-10x", DEWAR, 10.0, With::Alone),
    leaking("gas-1x", GAS, 1.0, With::Alone),
    leaking("gas-3x", GAS, 3.0, With::Alone),
    leaking("gas-10x", GAS, 10.0, With::Alone),
    leaking("recovery-1x", BAG, 1.0, With::Alone),
    leaking("recovery-3x", BAG, 3.0, With::Alone),
    leaking("recovery-10x", BAG, 10.0, With::Alone),
    leaking("reserve-1x", RESERVE, 1.0, With::Alone),
    leaking("reserve-3x", RESERVE, 3.0, With::Alone),
    leaking("reserve-10x", RESERVE, 10.0, With::Alone),
    leaking("string-b-3x", STRING_B, 3.0, With::Alone),
    leaking("gas-3x-by-pressure", GAS, 3.0, With::Pressure(6.0, "")),
    leaking(
        "reserve-10x-by-pressure",
        RESERVE,
        10.0,
        With::Pressure(5.0, ""),
    ),
    leaking(
        "reserve-5x-by-pressure-and-delivery",
        RESERVE,
        5.0,
        With::Pressure(5.0, DELIVERY_INTO_RESERVE),
    ),
    leaking("dewar-3x-ends", DEWAR, 3.0, With::Ends(2.0)),
    leaking(
        "string-a-and-reserve-3x",
        STRING_A,
        3.0,
        With::Another {
            vessel: "RESERVE",
            section: "reserve",
        },
    ),
    leaking(
        "gas-3x-probe-dies",
        GAS,
        3.0,
        With::Events(
            "[[event]]\nat = \"ONSET+12h\"\nkind = \"broken-loop\"\nchannel = \"LT-A1\"\n",
        ),
    ),
    leaking(
        "dewar-3x-station-silent",
        DEWAR,
        3.0,
        With::Events(
            "[[event]]\nat = \"ONSET+12h\"\nkind = \"lost-device\"\ndevice = \"IO-GAS\"\nlasts = \"4 h\"\n",
        ),
    ),
    leaking("string-b-3x-spikes", STRING_B, 3.0, With::Spikes),
    events(
        "header-tank-drifts-15-mbar",
        "[[event]]\nat = \"ONSET\"\nkind = \"drift\"\nchannel = \"PT-T2\"\nrate = \"-15 mbar/day\"\n",
        Right::Drift("TANK-2"),
        8.0,
    ),
    events(
        "header-tank-drifts-150-mbar",
        "[[event]]\nat = \"ONSET\"\nkind = \"drift\"\nchannel = \"PT-T2\"\nrate = \"-150 mbar/day\"\n",
        Right::Drift("TANK-2"),
        6.0,
    ),
    events(
        "reserve-drifts-15-mbar",
        "[[event]]\nat = \"ONSET\"\nkind = \"drift\"\nchannel = \"PT-R1\"\nrate = \"-15 mbar/day\"\n",
        Right::DriftOrLeak("RESERVE", "reserve"),
        8.0,
    ),
    events(
        "reserve-drifts-150-mbar",
        "[[event]]\nat = \"ONSET\"\nkind = \"drift\"\nchannel = \"PT-R1\"\nrate = \"-150 mbar/day\"\n",
        Right::DriftOrLeak("RESERVE", "reserve"),
        6.0,
    ),
    events(
        "header-tank-steps",
        "[[event]]\nat = \"ONSET\"\nkind = \"step\"\nchannel = \"PT-T2\"\nby = \"-400 mbar\"\n",
        Right::Step("TANK-2"),
        4.0,
    ),
    events(
        "reserve-steps",
        "[[event]]\nat = \"ONSET\"\nkind = \"step\"\nchannel = \"PT-R1\"\nby = \"-100 mbar\"\n",
        Right::Step("RESERVE"),
        4.0,
    ),
    events(
        "supply-meter-5-percent",
        "[[event]]\nat = \"ONSET\"\nkind = \"scale\"\nchannel = \"FT-A1\"\nby = \"5 %\"\n",
        Right::Meter("supply-a"),
        6.0,
    ),
    events(
        "liquid-meter-5-percent",
        "[[event]]\nat = \"ONSET\"\nkind = \"scale\"\nchannel = \"FT-L1\"\nby = \"-5 %\"\n",
        Right::Meter("liquid"),
        6.0,
    ),
    unbooked(
        "delivery-unbooked",
        "[[event]]\nat = \"ONSET\"\nkind = \"delivery\"\nvessel = \"TANK-1\"\nmass = \"15 kg\"\nover = \"2 h\"\nbooked = false\n",
        Right::Delivery("gas"),
        4.0,
    ),
    unbooked(
        "vent-unbooked",
        "[[event]]\nat = \"ONSET\"\nkind = \"vent\"\nvessel = \"TANK-1\"\nmass = \"10 kg\"\nover = \"1 h\"\nbooked = false\n",
        Right::Vent("gas"),
        4.0,
    ),
    unbooked(
        "vent-48-h-unbooked",
        "[[event]]\nat = \"ONSET\"\nkind = \"vent\"\nvessel = \"TANK-1\"\nmass = \"10 kg\"\nover = \"48 h\"\nbooked = false\n",
        Right::Leak("gas"),
        2.0,
    ),
    events(
        "vent-48-h-booked-late",
        "[[event]]\nat = \"ONSET\"\nkind = \"vent\"\nvessel = \"TANK-1\"\nmass = \"10 kg\"\nover = \"48 h\"\nbooked-after = \"24 h\"\n",
        Right::Nothing,
        3.5,
    ),
    Scenario {
        name: "thermometer-lags",
        conditions: Conditions::Hot,
        what: What::Events {
            text: "[[event]]\nat = \"ONSET\"\nkind = \"thermometer-lag\"\nvessel = \"TANK-2\"\nlag = \"6 h\"\n",
            right: Right::Nothing,
            unbooked: false,
        },
        days: 5.0,
    },
    events(
        "level-probe-sticks",
        "[[event]]\nat = \"ONSET\"\nkind = \"stuck-sensor\"\nchannel = \"LT-A1\"\n",
        Right::Nothing,
        4.0,
    ),
    events(
        "level-probe-steps",
        "[[event]]\nat = \"ONSET\"\nkind = \"step\"\nchannel = \"LT-A1\"\nby = \"-60 mm\"\n",
        Right::Step("STRING-A"),
        4.0,
    ),
    events(
        "mode-as-stated",
        "[[event]]\nat = \"ONSET\"\nkind = \"mode\"\nvessel = \"COLD-BOX\"\nmode = \"standing\"\nholdup = \"2 kg\"\n",
        Right::Nothing,
        4.0,
    ),
    events(
        "mode-holds-more",
        "[[event]]\nat = \"ONSET\"\nkind = \"mode\"\nvessel = \"COLD-BOX\"\nmode = \"standing\"\nholdup = \"6 kg\"\n",
        Right::Holdup("COLD-BOX"),
        4.0,
    ),
];
