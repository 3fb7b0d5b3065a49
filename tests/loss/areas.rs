//! Sections by themselves: what meters and valves let be told of one section.

use coldledger::actor::Actor;
use coldledger::balance::account::{AccountTick, Accounts, Flow};
use coldledger::balance::area::Area;
use coldledger::balance::chain::{self, Link};
use coldledger::balance::inventory::StatedSource;
use coldledger::balance::ledger::{Ledger, LedgerEntry};
use coldledger::balance::noise::NoiseModel;
use coldledger::balance::report::WindowBalance;
use coldledger::balance::tally::{Cause, Tally};
use coldledger::balance::whiten::NoiseParameters;
use coldledger::plant::files::SourceFile;
use coldledger::plant::{self, Booking, BookingKind, Passage, Plant, Stated};
use coldledger::quantity::{GroupIx, Mass, Quality, Reason};
use coldledger::time::{Monotonic, Span, Timestamp};

const TICK: Span = Span::from_millis(60_000);

/// Standard uncertainty of a vessel that is carried forward.
const CARRIED_KG: f64 = 4.0;

/// The plant of thirty channels with the return of string A metered, that of string B and the
/// boil-off of the dewar shut.
fn plant() -> Plant {
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
    let file = SourceFile {
        name: "plant.toml".into(),
        text,
    };
    plant::load(&[file]).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

/// A plant at rest with one thing after another changed by a test.
struct Run {
    plant: Plant,
    accounts: Accounts,
    ledger: Ledger,
    now: Monotonic,
    masses: Vec<f64>,
    /// g/s by line.
    flows: Vec<Option<f64>>,
    passages: Vec<Passage>,
    carried: Vec<plant::VesselIx>,
    /// How often meters are read.
    every: Span,
}

impl Run {
    fn new() -> Self {
        let plant = plant();
        let mut flows = vec![None; plant.all.line.len()];
        for (slot, line) in flows.iter_mut().zip(&plant.all.line) {
            *slot = line.meter.as_ref().map(|_| 0.0);
        }
        let passages = plant
            .all
            .line
            .iter()
            .map(|line| match line.passage {
                plant::PassageSource::Person(passage) => passage,
                plant::PassageSource::Channel { .. } => Passage::Unknown,
            })
            .collect();
        Self {
            accounts: Accounts::default(),
            ledger: Ledger::default(),
            now: Monotonic(0),
            masses: vec![60.0, 60.0, 400.0, 300.0, 10.0],
            flows,
            passages,
            carried: Vec::new(),
            every: TICK,
            plant,
        }
    }

    fn line(&self, id: &str) -> usize {
        self.plant.line_by_id(id).unwrap().0.index()
    }

    fn area(&self, ids: &[&str]) -> Area {
        Area {
            sections: ids
                .iter()
                .map(|id| self.plant.section_by_id(id).unwrap().0)
                .collect(),
        }
    }

    /// Lets time pass; the masses follow what the lines really carry, and string A also loses
    /// `leak` g/s.
    fn pass(&mut self, time: Span, leak: f64, carried: &[(&str, f64)]) {
        let end = self.now + time;
        while self.now < end {
            self.now = self.now + TICK;
            for (id, grams) in carried {
                let line = &self.plant.all.line[self.line(id)];
                let kg = grams * 1e-3 * TICK.seconds();
                for (end, sign) in [(line.from, -1.0), (line.to, 1.0)] {
                    if let plant::End::Section(ix) = end {
                        self.masses[ix.index()] += sign * kg;
                    }
                }
            }
            self.masses[0] -= leak * 1e-3 * TICK.seconds();
            let sections: Vec<Option<f64>> = self.masses.iter().map(|kg| Some(*kg)).collect();
            let flows: Vec<Option<Flow>> = self
                .flows
                .iter()
                .map(|grams| {
                    grams.map(|grams| Flow {
                        kg_per_s: grams * 1e-3,
                        independent_std: 1e-6,
                        lasting_std: 0.01 * grams.abs() * 1e-3,
                        every: self.every,
                    })
                })
                .collect();
            let tick = AccountTick {
                now: self.now,
                utc: Some(utc(self.now)),
                sections: &sections,
                pressures: &[],
                flows: &flows,
                passages: &self.passages,
                unlike: &[],
                outdoor_kelvin: None,
                doubtful: &self.carried,
                carried: &self.carried,
            };
            self.accounts.tick(&self.plant, &tick, |section| {
                let group = GroupIx(u16::try_from(section.0).unwrap());
                let carried = self.carried.iter().copied();
                let carried =
                    carried.filter(|ix| self.plant.vessel(*ix).unwrap().section == section);
                Tally {
                    mass_kg: 0.0,
                    independent_kg2: 0.06,
                    by_cause: std::iter::once((Cause::Group(group), 0.5))
                        .chain(
                            carried
                                .map(|ix| (Cause::Stated(StatedSource::Carried(ix)), CARRIED_KG)),
                        )
                        .collect(),
                    quality: Quality::Good,
                    reason: Reason::None,
                }
            });
        }
    }

    fn balance(&self, area: &Area, over: Span) -> WindowBalance {
        self.balance_with(area, over, None)
    }

    fn balance_with(&self, area: &Area, over: Span, noise: Option<&NoiseModel>) -> WindowBalance {
        self.accounts
            .balance(&self.plant, &self.ledger, area, over, noise)
            .unwrap()
    }

    fn ids(&self, over: Span, strictly: bool) -> Vec<String> {
        self.accounts
            .areas(&self.plant, over, strictly)
            .iter()
            .map(|area| area.id(&self.plant).to_string())
            .collect()
    }
}

fn utc(at: Monotonic) -> Timestamp {
    Timestamp::from_millis(1_780_000_000_000 + at.0)
}

fn hours(h: f64) -> Span {
    Span::from_seconds(3600.0 * h)
}

#[test]
fn metered_and_shut_lines_part_sections_and_open_ones_join_them() {
    let mut run = Run::new();
    run.pass(hours(9.0), 0.0, &[]);
    let apart = ["string-a", "string-b", "dewar", "gas", "recovery"];
    assert_eq!(run.ids(hours(8.0), true), apart);
    let ix = run.line("return-b");
    run.passages[ix] = Passage::Open;
    run.pass(hours(0.3), 0.0, &[]);
    run.passages[ix] = Passage::Shut;
    run.pass(hours(2.0), 0.0, &[]);
    // The hour since is parted again; the eight hours are not; a week only has a jump in it.
    assert_eq!(run.ids(hours(1.0), true), apart);
    assert_eq!(
        run.ids(hours(8.0), true),
        ["string-a", "string-b+gas", "dewar", "recovery"]
    );
    assert_eq!(run.ids(hours(24.0), false), apart);
    // An unknown state may be open.
    run.passages[ix] = Passage::Unknown;
    run.pass(hours(3.0), 0.0, &[]);
    assert_eq!(
        run.ids(hours(24.0), false),
        ["string-a", "string-b+gas", "dewar", "recovery"]
    );
}

/// Days of one area end to end are what the accounts make of the whole, no surer than that, and what is
/// booked late stands in them.
#[test]
fn balances_end_to_end_are_the_balance_of_the_whole() {
    let mut run = Run::new();
    let (supply, back) = (run.line("supply-a"), run.line("return-a"));
    run.flows[supply] = Some(2.0);
    run.flows[back] = Some(1.9);
    let area = run.area(&["string-a"]);
    let mut links: Vec<Link> = Vec::new();
    run.pass(hours(1.0), 0.0, &[("supply-a", 2.0), ("return-a", 1.9)]);
    for _ in 0..3 {
        run.pass(hours(24.0), 0.1, &[("supply-a", 2.0), ("return-a", 1.9)]);
        let balance = run.balance(&area, Span::DAY);
        let to = balance.from.unwrap() + Span::DAY;
        links.push(Link {
            balance,
            to,
            ledger_then: run.ledger.clone(),
        });
    }
    let whole = run.balance(&area, hours(72.0));
    let join = |ledger: &Ledger| chain::joined(&run.plant, ledger, &area, &links).unwrap();
    let joined = join(&run.ledger);
    for (got, expected) in [
        (joined.opening_kg, whole.opening_kg),
        (joined.received_kg, whole.received_kg),
        (joined.dispatched_kg, whole.dispatched_kg),
        (joined.closing_kg, whole.closing_kg),
        (joined.unaccounted_kg, 3.0 * 8.64),
    ] {
        assert!((got - expected).abs() < 0.05, "{got} and {expected}");
    }
    assert_eq!(joined.from, whole.from);
    assert_eq!(joined.over, hours(72.0));
    assert!((joined.coverage - 1.0).abs() < 0.01);
    // Meters err alike on all days: their errors add up.
    let ratio = joined.std_kg / whole.std_kg;
    assert!((0.999..1.2).contains(&ratio), "{ratio}");

    // On the second day five kilograms were vented, which is booked after the third.
    let mut ledger = run.ledger.clone();
    let vented = whole.from.unwrap() + hours(30.0) - utc(Monotonic(0));
    let late = entry(
        "late",
        BookingKind::MeteredVent,
        5.0,
        (Some("string-a"), vented),
    );
    ledger.book(late, 1, None).unwrap();
    let late = join(&ledger);
    assert!((late.unaccounted_kg - (joined.unaccounted_kg - 5.0)).abs() < 1e-9);
    assert!(late.std_kg >= joined.std_kg);
    assert!(chain::joined(&run.plant, &ledger, &area, &[]).is_none());
}

#[test]
fn a_metered_section_has_its_own_balance_with_the_meters_uncertainty() {
    let mut run = Run::new();
    let (supply, back) = (run.line("supply-a"), run.line("return-a"));
    run.flows[supply] = Some(2.0);
    run.flows[back] = Some(1.9);
    run.pass(hours(30.0), 0.1, &[("supply-a", 2.0), ("return-a", 1.9)]);
    let area = run.area(&["string-a"]);
    let day = run.balance(&area, Span::DAY);
    assert!((day.received_kg - 172.8).abs() < 0.2, "{day:?}");
    assert!((day.dispatched_kg - 164.16).abs() < 0.2);
    assert!((day.unaccounted_kg - 8.64).abs() < 0.02);
    // Two meters of 1 % each, whose errors have nothing in common; the section's own constant error
    // cancels.
    let meters = libm::hypot(1.728, 1.6416);
    assert!((day.std_kg / meters - 1.0).abs() < 0.01, "{}", day.std_kg);
    // The section without any flow is far better known.
    let still = run.area(&["string-b"]);
    let still = run.balance(&still, Span::DAY);
    assert!(
        still.std_kg < 0.12 && still.unaccounted_kg.abs() < 1e-9,
        "{still:?}"
    );
}

#[test]
fn a_dead_meter_widens_and_a_long_dead_one_joins() {
    let mut run = Run::new();
    let (supply, back) = (run.line("supply-a"), run.line("return-a"));
    run.flows[supply] = Some(2.0);
    run.flows[back] = Some(2.0);
    let truth = [("supply-a", 2.0), ("return-a", 2.0)];
    run.pass(hours(20.0), 0.0, &truth);
    run.flows[supply] = None;
    run.pass(hours(1.0), 0.0, &truth);
    run.flows[supply] = Some(2.0);
    run.pass(hours(6.0), 0.0, &truth);
    let area = run.area(&["string-a"]);
    let day = run.balance(&area, Span::DAY);
    // Its mean stands in for the hour: nothing is lost, and one hour's flow is in doubt.
    assert!(day.unaccounted_kg.abs() < 0.5, "{day:?}");
    assert!(day.std_kg > 7.0 && day.std_kg < 10.0, "{day:?}");
    // Of eight hours it is too much and joins it with the dewar; for a rate it is a jump.
    let joined = "string-a+dewar".to_owned();
    assert!(!run.ids(Span::DAY, true).contains(&joined));
    assert!(run.ids(hours(8.0), true).contains(&joined));
    assert!(run.ids(Span::DAY, false).contains(&"string-a".to_owned()));
    let series = run
        .accounts
        .series(&run.plant, &run.ledger, &area, Span::DAY)
        .unwrap();
    assert_eq!(series.jumps_s.len(), 1, "{:?}", series.jumps_s);
    // Both meters are calibrated to 1 %: so well is any change of the flow known.
    assert!(
        (series.meter_gain - 0.01).abs() < 1e-6,
        "{}",
        series.meter_gain
    );
    let jump = series.jumps_s[0];
    let (mut before, mut after) = (Vec::new(), Vec::new());
    for (ix, kg) in series
        .mass_kg
        .iter()
        .enumerate()
        .filter(|(_, kg)| kg.is_finite())
    {
        let at = series.start_s + 600.0 * f64::from(u32::try_from(ix).unwrap());
        if at < jump {
            before.push(*kg);
        } else {
            after.push(*kg);
        }
    }
    let flat = |side: &[f64]| side.iter().all(|kg| (kg - side[0]).abs() < 0.02);
    assert!(flat(&before) && flat(&after), "{before:?} {after:?}");
    // The seven steps that were not wholly seen brought 8.4 kg.
    assert!(
        (after[0] - before[0] - 8.4).abs() < 0.3,
        "{}",
        after[0] - before[0]
    );
}

/// An entry of a minute.
fn entry(id: &str, kind: BookingKind, kg: f64, (section, at): (Option<&str>, Span)) -> LedgerEntry {
    LedgerEntry {
        id: id.into(),
        booking: Booking {
            effective_at: utc(Monotonic(at.millis())),
            over: Span::from_millis(60_000),
            kind,
            mass: Stated {
                value: Mass::new(kg),
                std: 0.2,
            },
            author: "store keeper".into(),
            note: String::new(),
            section: section.map(Into::into),
        },
        supersedes: None,
        actor: Actor {
            name: "store keeper".into(),
            place: "test".into(),
        },
    }
}

#[test]
fn the_books_reach_the_section_they_name_and_leave_the_others_in_doubt_otherwise() {
    let mut run = Run::new();
    run.pass(hours(13.0), 0.0, &[]);
    run.masses[3] += 50.0;
    run.pass(hours(13.0), 0.0, &[]);
    let booking = |section: Option<&str>, id: &str| {
        entry(id, BookingKind::Delivery, 50.0, (section, hours(13.0)))
    };
    let gas = run.area(&["gas"]);
    let dewar = run.area(&["dewar"]);
    let balance = |run: &Run, area: &Area| run.balance(area, Span::DAY);
    assert!((balance(&run, &gas).unaccounted_kg + 50.0).abs() < 1e-9);
    run.ledger
        .book(booking(Some("gas"), "d1"), 1, None)
        .unwrap();
    assert!(balance(&run, &gas).unaccounted_kg.abs() < 1e-9);
    assert!((balance(&run, &gas).std_kg - 0.2).abs() < 0.05);
    assert!(balance(&run, &dewar).std_kg < 0.12);
    // An entry that names no section, in a plant where it could have been any, is all doubt.
    run.ledger.book(booking(None, "d2"), 2, None).unwrap();
    assert!(balance(&run, &dewar).std_kg > 49.0);
    assert!(balance(&run, &dewar).unaccounted_kg.abs() < 1e-9);
}

#[test]
fn what_is_carried_forward_is_named_and_is_no_sample() {
    let mut run = Run::new();
    run.pass(hours(12.0), 0.0, &[]);
    let (ix, _) = run.plant.vessel_by_id("DEWAR").unwrap();
    run.carried = vec![ix];
    run.pass(hours(4.0), 0.0, &[]);
    run.carried.clear();
    run.pass(hours(9.0), 0.0, &[]);
    let dewar = run.area(&["dewar"]);
    let day = run.balance(&dewar, Span::DAY);
    assert_eq!(day.doubtful_vessels, ["DEWAR".into()]);
    let series = run
        .accounts
        .series(&run.plant, &run.ledger, &dewar, Span::DAY)
        .unwrap();
    let missing = series.mass_kg.iter().filter(|kg| kg.is_nan()).count();
    assert!((24..=26).contains(&missing), "{missing}");
    let gas = run.area(&["gas"]);
    let gas = run.balance(&gas, Span::DAY);
    assert!(gas.doubtful_vessels.is_empty());
}

/// A balance that begins while a vessel is carried forward is as unsure as that, also when the errors on
/// record that lie nearest are of a time when it could be read.
#[test]
fn a_balance_that_begins_with_what_is_carried_forward_is_as_unsure() {
    let mut run = Run::new();
    run.pass(hours(12.0), 0.0, &[]);
    let (ix, _) = run.plant.vessel_by_id("DEWAR").unwrap();
    run.carried = vec![ix];
    run.pass(hours(4.75), 0.0, &[]);
    run.carried.clear();
    run.masses[2] += 6.0;
    run.pass(hours(0.9), 0.0, &[]);
    let dewar = run.balance(&run.area(&["dewar"]), Span::HOUR);
    assert!(dewar.unaccounted_kg < -5.0, "{dewar:?}");
    assert!((dewar.std_kg - CARRIED_KG).abs() < 0.5, "{dewar:?}");
    let gas = run.balance(&run.area(&["gas"]), Span::HOUR);
    assert!(gas.std_kg < 1.0, "{gas:?}");
}

/// What the data show counts where it is more than what is stated of the instruments.
#[test]
fn a_balance_is_no_surer_than_the_noise_found() {
    let mut run = Run::new();
    run.pass(hours(12.0), 0.0, &[]);
    let area = run.area(&["string-b"]);
    let noise = |white_std_kg: f64| {
        let parameters = NoiseParameters {
            white_std_kg,
            correlated_std_kg: 0.0,
            correlation_time_s: 3600.0,
            wave_std_kg: 0.0,
        };
        NoiseModel::known(parameters, 600.0, false).unwrap()
    };
    let stated = run.balance(&area, Span::HOUR).std_kg;
    let with = |noise: &NoiseModel| run.balance_with(&area, Span::HOUR, Some(noise)).std_kg;
    let (less, more) = (with(&noise(0.1 * stated)), with(&noise(10.0 * stated)));
    assert!((less / stated - 1.0).abs() < 1e-12, "{less} {stated}");
    // Two ends, each with that noise.
    assert!(
        (more / (10.0 * stated) - std::f64::consts::SQRT_2).abs() < 1e-9,
        "{more} {stated}"
    );
}

/// A compressor that stood while its meter could be seen may have run while it could not.
#[test]
fn what_a_blind_meter_let_pass_is_as_unsure_as_it_usually_goes_up_and_down() {
    let mut run = Run::new();
    let supply = run.line("supply-a");
    run.flows[supply] = Some(10.0);
    run.pass(hours(12.0), 0.0, &[("supply-a", 10.0)]);
    run.flows[supply] = Some(0.0);
    run.pass(hours(7.0), 0.0, &[]);
    run.flows[supply] = None;
    run.pass(Span::from_seconds(600.0), 0.0, &[("supply-a", 10.0)]);
    run.flows[supply] = Some(0.0);
    run.pass(hours(0.5), 0.0, &[]);
    let area = run.area(&["string-a"]);
    let found = run.balance(&area, hours(7.0));
    // 6 kg passed unseen; the meter showed nothing in all of the window.
    assert!(found.unaccounted_kg.abs() < 2.0 * found.std_kg, "{found:?}");
    assert!(found.std_kg > 4.0 && found.std_kg < 15.0, "{found:?}");
}

#[test]
fn a_lone_wrong_reading_of_a_meter_is_not_counted_and_a_step_is() {
    let passed = |readings: &[f64]| {
        let mut run = Run::new();
        let supply = run.line("supply-a");
        for grams in readings {
            run.flows[supply] = Some(*grams);
            run.pass(TICK, 0.0, &[]);
        }
        let steps = run.accounts.steps();
        steps
            .iter()
            .map(|step| step.passed_kg[supply])
            .collect::<Vec<f64>>()
    };
    let with = |at: std::ops::Range<usize>, grams: f64| {
        let mut readings = vec![2.0; 63];
        readings[at].fill(grams);
        passed(&readings)
    };
    let steady = with(0..0, 0.0);
    assert!((steady[2] - 1.2).abs() < 1e-12, "{steady:?}");
    // Nine grams a second for one reading, and half a gram: nobody believes them.
    for wrong in [9.0, 0.5] {
        let found = with(25..26, wrong);
        for (found, steady) in found.iter().zip(&steady).skip(1) {
            assert!((found - steady).abs() < 1e-12, "{found} {steady}");
        }
    }
    // Five readings are believed, all of them: 7 g/s more for five minutes.
    let found = with(25..30, 9.0);
    let more = found[1..].iter().sum::<f64>() - steady[1..].iter().sum::<f64>();
    assert!((more - 7e-3 * 300.0).abs() < 1e-12, "{more}");
}

#[test]
fn a_reading_that_is_seen_at_several_ticks_confirms_itself_only_once_it_is_read_anew() {
    let mut run = Run::new();
    let supply = run.line("supply-a");
    run.every = Span::from_millis(5 * 60_000);
    let mut passed = Vec::new();
    for (grams, minutes) in [(2.0, 20), (9.0, 5), (2.0, 25)] {
        run.flows[supply] = Some(grams);
        run.pass(hours(f64::from(minutes) / 60.0), 0.0, &[]);
    }
    for step in run.accounts.steps().iter().skip(1) {
        passed.push(step.passed_kg[supply]);
    }
    for kg in passed {
        assert!((kg - 1.2).abs() < 1e-12, "{kg}");
    }
}

#[test]
fn a_series_stays_where_it_is_when_its_window_moves_on() {
    let mut run = Run::new();
    let (supply, back) = (run.line("supply-a"), run.line("return-a"));
    // A meter that reads 5 % too much: what it has counted is no part of the masses.
    run.flows[supply] = Some(2.1);
    run.flows[back] = Some(2.0);
    let carried = [("supply-a", 2.0), ("return-a", 2.0)];
    let dispatch = entry(
        "d1",
        BookingKind::Dispatch,
        5.0,
        (Some("string-a"), hours(10.0)),
    );
    run.ledger.book(dispatch, 1, None).unwrap();
    let area = run.area(&["string-a"]);
    let over = hours(48.0);
    let mut known: Option<(f64, f64)> = None;
    for _ in 0..20 {
        run.pass(hours(6.0), 0.0, &carried);
        let series = run
            .accounts
            .series(&run.plant, &run.ledger, &area, over)
            .unwrap();
        let at = |time_s: f64| {
            let ix = ((time_s - series.start_s) / 600.0).round();
            series.mass_kg.get(ix as usize).copied()
        };
        if let Some((time_s, kg)) = known {
            let again = at(time_s).unwrap();
            assert!((again - kg).abs() < 1e-9, "{again} {kg}");
        }
        let last = series.mass_kg.len() - 1;
        known = Some((series.start_s + 600.0 * last as f64, series.mass_kg[last]));
        let [inwards, outwards, stayed] = series.metered.as_slice() else {
            panic!("one course in, one out, and what stayed");
        };
        assert!((inwards.relative_std - 0.01).abs() < 1e-6);
        // Half a kilogram of sixty lasts.
        assert!((stayed.relative_std - 0.5 / 60.0).abs() < 1e-3);
        assert!(inwards.passed_kg[last] > outwards.passed_kg[last] || last < 2);
    }
    // Nor when the first steps are no longer kept: thirty days are.
    let (time_s, kg) = known.unwrap();
    run.pass(hours(29.0 * 24.0), 0.0, &carried);
    let over = hours(30.0 * 24.0);
    let series = run
        .accounts
        .series(&run.plant, &run.ledger, &area, over)
        .unwrap();
    assert!(series.start_s > 600.0 && series.start_s <= time_s);
    let ix = ((time_s - series.start_s) / 600.0).round();
    let again = series.mass_kg[ix as usize];
    assert!((again - kg).abs() < 1e-9, "{again} {kg}");
}
