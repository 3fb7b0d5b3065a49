//! A plant of five areas reconciled from its accounts: what shows when all is well, when a meter is
//! wrong, when helium is lost, and how often it speaks by chance.

use std::fmt::Write as _;

use coldledger::actor::Actor;
use coldledger::balance::account::{AccountTick, Accounts, Flow};
use coldledger::balance::ledger::{Ledger, LedgerEntry};
use coldledger::balance::losses::{LossBook, LossTick};
use coldledger::balance::reconcile::Settings;
use coldledger::balance::reconciled::{Reconciliation, SuspectKind};
use coldledger::balance::tally::{Cause, Tally};
use coldledger::balance::window::TickMass;
use coldledger::console::facts::{ReconciliationFacts, Scene, reconciliation_facts};
use coldledger::console::words::SiteTime;
use coldledger::engine::View;
use coldledger::plant::files::SourceFile;
use coldledger::plant::{self, Booking, BookingKind, End, Passage, Plant, SectionIx, Stated};
use coldledger::quantity::{GroupIx, Mass, Quality, Reason};
use coldledger::time::{Monotonic, Span, Timestamp};

use crate::dice::Dice;

const TICK: Span = Span::from_millis(120_000);
/// Calibration of every meter, and noise of its readings in kg/s.
const CALIBRATION: f64 = 0.01;
const NOISE: f64 = 2e-5;
/// Noise of a section's mass, kg.
const MASS_NOISE: f64 = 0.25;

/// What the lines of the quiet plant carry, g/s.
const FLOWS: [(&str, f64); 5] = [
    ("supply-a", 2.0),
    ("supply-b", 0.4),
    ("return-a", 2.0),
    ("liquid", 2.5),
    ("recovery", 0.3),
];

/// The plant of thirty channels with the return of string A metered, the other ways shut.
fn plant(accepted: &str) -> Plant {
    let text = include_str!("../plants/thirty/plant.toml")
        .replace(
            "from = \"string-a\"\nto = \"gas\"\nstate = \"open\"",
            "from = \"string-a\"\nto = \"gas\"\nstate = \"open\"\nmeter = \"FT-L2\"",
        )
        .replace(
            "from = \"string-b\"\nto = \"gas\"\nstate = \"open\"",
            "from = \"string-b\"\nto = \"gas\"\nstate = \"shut\"",
        )
        .replace(
            "from = \"dewar\"\nto = \"recovery\"\nstate = \"open\"",
            "from = \"dewar\"\nto = \"recovery\"\nstate = \"shut\"",
        );
    let text: String = text
        .lines()
        .map(|line| {
            if line.starts_with("accepted-loss = ") {
                format!("accepted-loss = \"{accepted}\"\n")
            } else {
                format!("{line}\n")
            }
        })
        .collect();
    assert!(text.contains(accepted));
    let file = SourceFile {
        name: "plant.toml".into(),
        text,
    };
    plant::load(&[file]).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

/// The plant run for 25 h with what a test makes of it.
struct Day {
    plant: Plant,
    accounts: Accounts,
    /// Fed with the same.
    book: Option<LossBook>,
    ledger: Ledger,
    /// By how much of itself each line's meter reads too much.
    scale: Vec<f64>,
    /// What leaves each section unseen, g/s.
    leaks: [f64; 5],
    /// Comes into the gas section at 13 h, kg.
    delivered: f64,
    dice: Option<Dice>,
}

impl Day {
    fn new(accepted: &str) -> Self {
        let plant = plant(accepted);
        Self {
            accounts: Accounts::default(),
            book: None,
            ledger: Ledger::default(),
            scale: vec![0.0; plant.all.line.len()],
            leaks: [0.0; 5],
            delivered: 0.0,
            dice: None,
            plant,
        }
    }

    /// One with errors of calibration and noise as stated, drawn anew.
    fn drawn(accepted: &str, seed: u64) -> Self {
        let mut day = Self::new(accepted);
        let mut dice = Dice::new(seed);
        for scale in &mut day.scale {
            *scale = CALIBRATION * dice.normal();
        }
        day.dice = Some(dice);
        day
    }

    fn line(&self, id: &str) -> usize {
        self.plant.line_by_id(id).unwrap().0.index()
    }

    fn section(&self, id: &str) -> usize {
        self.plant.section_by_id(id).unwrap().0.index()
    }

    fn noise(&mut self) -> f64 {
        self.dice.as_mut().map_or(0.0, Dice::normal)
    }

    fn run(&mut self) {
        let mut masses = [60.0, 60.0, 400.0, 300.0, 10.0];
        let mut carried = vec![0.0; self.plant.all.line.len()];
        for (id, grams) in FLOWS {
            carried[self.line(id)] = grams * 1e-3;
        }
        let passages: Vec<Passage> = self
            .plant
            .all
            .line
            .iter()
            .map(|line| match line.passage {
                plant::PassageSource::Person(passage) => passage,
                plant::PassageSource::Channel { .. } => Passage::Unknown,
            })
            .collect();
        let mut now = Monotonic(0);
        let delivery = Monotonic(13 * 3_600_000);
        while now < Monotonic(25 * 3_600_000) {
            now = now + TICK;
            for (line, kg_per_s) in self.plant.all.line.iter().zip(&carried) {
                for (end, sign) in [(line.from, -1.0), (line.to, 1.0)] {
                    if let End::Section(ix) = end {
                        masses[ix.index()] += sign * kg_per_s * TICK.seconds();
                    }
                }
            }
            for (mass, grams) in masses.iter_mut().zip(self.leaks) {
                *mass -= grams * 1e-3 * TICK.seconds();
            }
            if now == delivery {
                masses[self.section("gas")] += self.delivered;
            }
            let sections: Vec<Option<f64>> = masses
                .iter()
                .map(|kg| Some(kg + MASS_NOISE * self.noise()))
                .collect();
            let flows: Vec<Option<Flow>> = (0..carried.len())
                .map(|at| {
                    self.plant.all.line[at].meter.as_ref()?;
                    let noise = NOISE * self.noise();
                    Some(Flow {
                        kg_per_s: carried[at] * (1.0 + self.scale[at]) + noise,
                        independent_std: NOISE,
                        lasting_std: CALIBRATION * carried[at].abs(),
                        every: TICK,
                    })
                })
                .collect();
            let account = || AccountTick {
                now,
                utc: Some(utc(now)),
                sections: &sections,
                pressures: &[],
                flows: &flows,
                passages: &passages,
                unlike: &[],
                outdoor_kelvin: None,
                doubtful: &[],
                carried: &[],
            };
            let tally = |section: SectionIx| Tally {
                mass_kg: 0.0,
                independent_kg2: MASS_NOISE * MASS_NOISE,
                // Constant, so that it cancels.
                by_cause: vec![(
                    Cause::Group(GroupIx(u16::try_from(section.0).unwrap())),
                    0.5,
                )],
                quality: Quality::Good,
                reason: Reason::None,
            };
            self.accounts.tick(&self.plant, &account(), tally);
            if let Some(book) = &mut self.book {
                let tick = LossTick {
                    mass: TickMass {
                        now,
                        utc: Some(utc(now)),
                        mass_kg: Some(masses.iter().sum()),
                        doubtful: &[],
                        outdoor_kelvin: None,
                        metered_kg: (0.0, 0.0),
                    },
                    account: account(),
                    masses: &[],
                    comparisons: &[],
                    jumps: &Vec::new,
                    vacuum: &|_| None,
                };
                let whole = SectionIx(0);
                book.tick(&self.plant, &self.ledger, &tick, |section| {
                    tally(section.unwrap_or(whole))
                });
            }
        }
    }

    fn reconciled(&self, level: f64) -> Option<Reconciliation> {
        let settings = Settings { level };
        Reconciliation::of(
            &self.plant,
            &self.ledger,
            &self.accounts,
            Span::DAY,
            &settings,
        )
    }

    fn area(found: &Reconciliation, id: &str) -> u32 {
        let at = found
            .areas
            .iter()
            .position(|area| area.sections.iter().any(|section| **section == *id));
        u32::try_from(at.unwrap()).unwrap()
    }
}

fn utc(at: Monotonic) -> Timestamp {
    Timestamp::from_millis(1_780_000_000_000 + at.0)
}

const LITTLE: &str = "0 kg/day ± 0.001 kg/day";

#[test]
fn what_agrees_is_left_in_peace() {
    let mut day = Day::new(LITTLE);
    day.run();
    let found = day.reconciled(0.01).unwrap();
    assert!(found.agrees() && found.suspects.is_empty(), "{found:#?}");
    assert_eq!(found.lines.len(), 5);
    assert_eq!(found.areas.len(), 5);
    assert_eq!(found.degrees_of_freedom, 5);
    assert!(found.chi_square < 1e-3 && found.p_value > 0.99, "{found:?}");
    for line in &found.lines {
        let (measured, reconciled) = (line.measured.unwrap(), line.reconciled.unwrap());
        assert!(
            line.correction_kg.abs() < 0.05 * measured.std_kg,
            "{line:?}"
        );
        // The balances know more than any one meter.
        assert!(reconciled.std_kg < measured.std_kg, "{line:?}");
        assert!(!line.suspect);
    }
    // A meter of 1 % that passed 172.8 kg.
    let supply = found.lines.iter().find(|l| &*l.line == "supply-a").unwrap();
    let measured = supply.measured.unwrap();
    assert!((measured.kg - 172.8).abs() < 0.01, "{measured:?}");
    assert!((measured.std_kg - 1.728).abs() < 0.02, "{measured:?}");
}

#[test]
fn a_meter_that_reads_five_percent_wrong_is_the_suspect() {
    for (id, other) in [
        ("supply-a", "return-a"),
        ("return-a", "liquid"),
        ("liquid", "supply-a"),
    ] {
        let mut day = Day::drawn(LITTLE, 7);
        let at = day.line(id);
        day.scale[at] = 0.05;
        day.run();
        let found = day.reconciled(0.01).unwrap();
        assert!(!found.agrees(), "{id}");
        let meter = |id: &str| SuspectKind::Meter(id.into());
        let [set] = &found.suspects[..] else {
            panic!("{id}: {:#?}", found.suspects);
        };
        let member = set.members.iter().find(|one| one.what == meter(id));
        let size = member.unwrap_or_else(|| panic!("{id}: {set:?}")).size;
        let passed = FLOWS.iter().find(|(line, _)| *line == id).unwrap().1 * 86.4;
        assert!(
            (size.kg - 0.05 * passed).abs() < 3.0 * size.std_kg,
            "{id}: {size:?}"
        );
        assert!(set.members.iter().all(|one| one.what != meter(other)));
        let line = |id: &str| found.lines.iter().find(|l| &*l.line == id).unwrap();
        assert!(line(id).suspect && !line(other).suspect);
        // It is brought back towards what passed.
        let right = line(id).reconciled.unwrap().kg - passed;
        assert!(right.abs() < 0.05 * passed / 2.0, "{id}: {right}");
    }
}

#[test]
fn a_loss_is_seen_where_it_is_and_not_in_a_meter() {
    for id in ["string-a", "string-b", "dewar"] {
        let mut day = Day::drawn(LITTLE, 11);
        let at = day.section(id);
        day.leaks[at] = 0.15;
        day.run();
        let found = day.reconciled(0.01).unwrap();
        assert!(!found.agrees(), "{id}");
        let [set] = &found.suspects[..] else {
            panic!("{id}: {:#?}", found.suspects);
        };
        let area = Day::area(&found, id);
        // No reading tells it from an error of the inventory, and no meter does the same.
        let what: Vec<&SuspectKind> = set.members.iter().map(|one| &one.what).collect();
        assert_eq!(
            what,
            [&SuspectKind::Loss(area), &SuspectKind::Inventory(area)]
        );
        let size = set.members[0].size;
        assert!(
            (size.kg - 12.96).abs() < 3.0 * size.std_kg,
            "{id}: {size:?}"
        );
        let area = &found.areas[area as usize];
        assert!(area.suspect && area.residual.unwrap().kg > 9.0, "{area:?}");
        assert!(found.lines.iter().all(|line| !line.suspect));
    }
}

#[test]
fn the_accepted_loss_accuses_no_area_whichever_has_all_of_it() {
    for at in 0..5 {
        let mut day = Day::new("4 kg/day ± 0.4 kg/day");
        day.leaks[at] = 4.0 / 86.4;
        day.run();
        let found = day.reconciled(0.01).unwrap();
        assert!(found.agrees() && found.suspects.is_empty(), "{found:#?}");
        assert!(found.chi_square < 4.0, "{found:?}");
        // Eight times as much is not accepted.
        let mut day = Day::new("4 kg/day ± 0.4 kg/day");
        day.leaks[at] = 32.0 / 86.4;
        day.run();
        let found = day.reconciled(0.01).unwrap();
        assert!(!found.agrees(), "{at}: {found:?}");
    }
}

#[test]
fn what_is_booked_belongs_to_the_balance() {
    let mut day = Day::new(LITTLE);
    day.delivered = 50.0;
    day.run();
    let found = day.reconciled(0.01).unwrap();
    let gas = Day::area(&found, "gas");
    let [set] = &found.suspects[..] else {
        panic!("{found:#?}");
    };
    // A gain that nobody booked.
    assert_eq!(set.members[0].what, SuspectKind::Loss(gas));
    assert!((set.members[0].size.kg + 50.0).abs() < 3.0);
    day.ledger.book(delivery(), 1, None).unwrap();
    let found = day.reconciled(0.01).unwrap();
    assert!(found.agrees() && found.suspects.is_empty(), "{found:#?}");
    assert_eq!(found.areas[gas as usize].booked_kg, 50.0);
}

fn delivery() -> LedgerEntry {
    LedgerEntry {
        id: "d1".into(),
        booking: Booking {
            effective_at: utc(Monotonic(13 * 3_600_000)),
            over: Span::from_millis(60_000),
            kind: BookingKind::Delivery,
            mass: Stated {
                value: Mass::new(50.0),
                std: 0.2,
            },
            author: "store keeper".into(),
            note: String::new(),
            section: Some("gas".into()),
        },
        supersedes: None,
        actor: Actor {
            name: "store keeper".into(),
            place: "test".into(),
        },
    }
}

#[test]
fn the_book_of_losses_keeps_it_up_to_date() {
    let mut day = Day::drawn(LITTLE, 11);
    day.book = Some(LossBook::default());
    day.delivered = 50.0;
    day.run();
    let book = day.book.as_mut().unwrap();
    let kept = book.reconciliation().unwrap().clone();
    assert!(!kept.agrees());
    // A late entry reaches it at once.
    day.ledger.book(delivery(), 1, None).unwrap();
    book.rebook(&day.plant, &day.ledger, &[]);
    assert!(book.reconciliation().unwrap().agrees());
    // It is what the accounts give.
    let again = day.reconciled(kept.level).unwrap();
    let book = day.book.as_ref().unwrap();
    assert_eq!(book.reconciliation(), Some(&again));
}

#[test]
fn nothing_is_said_of_one_area_or_of_an_hour() {
    let mut day = Day::new(LITTLE);
    assert_eq!(day.reconciled(0.01), None);
    day.run();
    assert!(day.reconciled(0.01).is_some());
    day.accounts.restate();
    let short = Reconciliation::of(
        &day.plant,
        &day.ledger,
        &day.accounts,
        Span::from_seconds(72.0 * 3600.0),
        &Settings::default(),
    );
    assert_eq!(short, None);
    // With every line open and no meter in them there is nothing to hold against anything.
    let mut one = Day::new(LITTLE);
    for line in &mut one.plant.all.line {
        line.meter = None;
        line.passage = plant::PassageSource::Person(Passage::Open);
    }
    one.run();
    assert_eq!(one.reconciled(0.01), None);
}

fn told(day: &Day, found: Reconciliation) -> ReconciliationFacts {
    let view = View {
        reconciliation: Some(found),
        ..View::default()
    };
    let time = SiteTime::of(&day.plant);
    let scene = Scene {
        plant: &day.plant,
        view: &view,
        now: None,
        time: &time,
    };
    reconciliation_facts(scene).unwrap()
}

#[test]
fn what_stands_out_is_said_with_names_and_with_what_it_cannot_be_told_from() {
    let mut day = Day::drawn(LITTLE, 11);
    let at = day.section("string-b");
    day.leaks[at] = 0.15;
    day.run();
    let facts = told(&day, day.reconciled(0.01).unwrap());
    let name = &day.plant.all.section[at].name;
    let begins = "Meters and inventories of the last 24 h do not agree: 1";
    assert!(facts.statement.starts_with(begins), "{}", facts.statement);
    let lost = format!(
        "kg lost from {name}; this cannot be told apart from the change of inventory of {name} reading "
    );
    assert!(facts.statement.contains(&lost), "{}", facts.statement);
    assert!(
        facts.statement.ends_with("kg too low."),
        "{}",
        facts.statement
    );
    assert!(
        facts.test.contains("less than 0.1 % of days"),
        "{}",
        facts.test
    );

    let mut day = Day::drawn(LITTLE, 7);
    let at = day.line("liquid");
    day.scale[at] = -0.05;
    day.run();
    let facts = told(&day, day.reconciled(0.01).unwrap());
    let words = &facts.suspects[0].words;
    let name = &day.plant.all.line[at].name;
    let meter = format!("the meter of {name} (liquid) reading ");
    assert!(
        words.starts_with(&meter) && words.ends_with(" kg too little"),
        "{words}"
    );

    let mut day = Day::new(LITTLE);
    day.run();
    let facts = told(&day, day.reconciled(0.01).unwrap());
    assert_eq!(
        facts.statement,
        "Meters and inventories of the last 24 h agree within their uncertainty."
    );
}

/// A ring of a hundred areas with a way to the outside at each: as large as a plant gets.
#[test]
fn a_hundred_areas_are_reconciled_and_the_one_that_loses_is_found() {
    let mut text = String::from(
        "[site]\nid = \"p\"\nname = \"P\"\ntime-zone = \"UTC\"\nair-pressure = \"1000 mbar(a) ± 10 mbar\"\naccepted-loss = \"1 kg/day ± 0.1 kg/day\"\nlocal-rules = \"x\"\n",
    );
    for at in 0..100 {
        write!(
            text,
            "[[section]]\nid = \"s{at}\"\nname = \"S{at}\"\n[[vessel]]\nid = \"V{at}\"\nname = \"v\"\nsection = \"s{at}\"\nunmeasured = true\n[[vessel.mode]]\nid = \"in-use\"\nholdup = \"1 kg ± 0.1 kg\"\n"
        )
        .unwrap();
    }
    for at in 0..100 {
        for (id, to) in [
            ("r", format!("s{}", (at + 1) % 100)),
            ("o", "outside".into()),
        ] {
            write!(
            text,
                "[[line]]\nid = \"{id}{at}\"\nname = \"l\"\nfrom = \"s{at}\"\nto = \"{to}\"\nstate = \"open\"\n"
            )
        .unwrap();
        }
    }
    let file = SourceFile {
        name: "plant.toml".into(),
        text,
    };
    let mut large = plant::load(&[file]).unwrap_or_else(|problems| panic!("{problems:#?}"));
    let meter = plant(LITTLE)
        .all
        .line
        .iter()
        .find_map(|line| line.meter.clone());
    for line in &mut large.all.line {
        line.meter.clone_from(&meter);
    }
    let mut accounts = Accounts::default();
    let passages = vec![Passage::Open; 200];
    let flow = Flow {
        kg_per_s: 1e-3,
        independent_std: NOISE,
        lasting_std: 1e-5,
        every: TICK,
    };
    let flows: Vec<Option<Flow>> = (0..200)
        .map(|line| {
            let kg_per_s = if line % 2 == 0 { 1e-3 } else { 0.0 };
            Some(Flow { kg_per_s, ..flow })
        })
        .collect();
    let mut masses = [Some(50.0); 100];
    let mut now = Monotonic(0);
    while now < Monotonic(25 * 3_600_000) {
        now = now + TICK;
        masses[42] = masses[42].map(|kg| kg - 0.02);
        let tick = AccountTick {
            now,
            utc: Some(utc(now)),
            sections: &masses,
            pressures: &[],
            flows: &flows,
            passages: &passages,
            unlike: &[],
            outdoor_kelvin: None,
            doubtful: &[],
            carried: &[],
        };
        // All share one constant error.
        accounts.tick(&large, &tick, |section| Tally {
            mass_kg: 0.0,
            independent_kg2: MASS_NOISE * MASS_NOISE,
            by_cause: vec![(Cause::Group(GroupIx(0)), f64::from(section.0 % 7))],
            quality: Quality::Good,
            reason: Reason::None,
        });
    }
    let found = Reconciliation::of(
        &large,
        &Ledger::default(),
        &accounts,
        Span::DAY,
        &Settings::default(),
    )
    .unwrap();
    assert_eq!(found.degrees_of_freedom, 100);
    // Too little for the sum of a hundred, and plain by itself.
    assert!(found.agrees());
    let [set] = &found.suspects[..] else {
        panic!("{:#?}", found.suspects);
    };
    // Its own meter to the outside would show the same.
    assert!(
        set.members
            .iter()
            .any(|one| one.what == SuspectKind::Loss(42))
    );
    assert!(
        set.members
            .iter()
            .any(|one| one.what == SuspectKind::Meter("o42".into()))
    );
}

/// Binomial bounds: 300 days of which 5 % speak are 15, and 28 or more or 4 or fewer come once in a
/// thousand times each. The mean of the sum of squares is its degrees of freedom, with a standard
/// error of sqrt(2 * 5 / 300).
#[test]
fn it_speaks_by_chance_as_often_as_it_says() {
    let (mut spoke, mut accused, mut sum) = (0, 0, 0.0);
    for seed in 0..300 {
        let mut day = Day::drawn(LITTLE, 1000 + seed);
        day.run();
        let found = day.reconciled(0.05).unwrap();
        assert_eq!(found.degrees_of_freedom, 5);
        spoke += i32::from(!found.agrees());
        accused += i32::from(!found.suspects.is_empty());
        sum += found.chi_square;
    }
    let mean = sum / 300.0;
    println!("{spoke} of 300 speak, {accused} accuse, mean {mean:.2} of 5");
    assert!((5..=27).contains(&spoke), "{spoke}");
    // Sidak's limit is on the safe side where tests depend on one another.
    assert!(accused <= 27, "{accused}");
    assert!(
        (mean - 5.0).abs() < 3.0 * libm::sqrt(10.0 / 300.0),
        "{mean}"
    );
}
