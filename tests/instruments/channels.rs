//! What time and other channels do to a channel: ageing, holding, disagreement, junctions.

use coldledger::engine::channels::Channels;
use coldledger::plant::{Channel, ChannelIx, Plant};
use coldledger::quantity::{Quality, Reason};
use coldledger::time::{Monotonic, Span, Timestamp};

use super::described::plant;

struct Desk {
    plant: Plant,
    channels: Channels,
}

impl Desk {
    fn new(plant: Plant) -> Self {
        let mut channels = Channels::default();
        channels.adopt(&plant, None);
        Self { plant, channels }
    }

    fn find(&self, id: &str) -> (ChannelIx, Channel) {
        let (ix, channel) = self.plant.channel_by_id(id).unwrap();
        (ix, channel.clone())
    }

    fn read(&mut self, id: &str, value: f64, seconds: i64, utc: Option<Timestamp>) {
        let (ix, channel) = self.find(id);
        let words = channel.chain.raw_for(value).unwrap();
        let now = Monotonic(seconds * 1000);
        self.channels.take(ix, &channel, &words, now, utc);
    }

    fn tick(&mut self, seconds: i64, utc: Option<Timestamp>) {
        let now = Monotonic(seconds * 1000);
        self.channels
            .refresh(&self.plant, &|_| true, now, utc, |_, _, _| {});
    }

    fn shown(&self, id: &str) -> (Quality, Reason) {
        let (_, quality, reason) = self.channels.get(self.find(id).0).unwrap().shown();
        (quality, reason)
    }

    fn std(&self, id: &str) -> f64 {
        let state = self.channels.get(self.find(id).0).unwrap();
        state.shown().0.combined_std()
    }
}

fn day(text: &str) -> Timestamp {
    Timestamp::parse(text).unwrap()
}

const AGEING: &str = r#"
[instrument.tested]
quantity = "absolute-pressure"
format = "f32"
scale = "1 bar"
range = ["0 bar(a)", "10 bar(a)"]
noise = "0 mbar"
calibration = "3 mbar"
calibrated-at = "2024-01-01T00:00:00Z"
calibration-valid-to = "2026-01-01T00:00:00Z"
drift = "0.02 % of span per year"
ageing = "0.05 % of span + 0.1 % of reading per year"
"#;

#[test]
fn a_calibration_drifts_and_once_past_its_date_it_ages() {
    let mut desk = Desk::new(plant(&[("X", "tested")], AGEING));
    let years = |days: f64| days / 365.25;
    let mut at = |when: &str, seconds: i64| {
        desk.read("X", 4e5, seconds, Some(day(when)));
        desk.tick(seconds, Some(day(when)));
        (desk.std("X"), desk.shown("X"))
    };
    let (std, shown) = at("2025-01-01T00:00:00Z", 10);
    let drift = 200.0 * years(366.0);
    assert!((std - libm::hypot(300.0, drift)).abs() < 0.02, "{std}");
    assert_eq!(shown, (Quality::Good, Reason::None));
    let (std, shown) = at("2027-01-01T00:00:00Z", 20);
    let passed = years(366.0 + 365.0 + 365.0);
    // 0.05 % of 10 bar and 0.1 % of 4 bar, from one cause.
    let (drift, ageing) = (200.0 * passed, (500.0 + 400.0) * passed);
    let expected = libm::sqrt(300.0 * 300.0 + drift * drift + ageing * ageing);
    assert!((std - expected).abs() < 0.1, "{std} {expected}");
    assert_eq!(shown, (Quality::Uncertain, Reason::CalibrationExpired));
}

/// Not a word on ageing: the calibration's own uncertainty for each length of its validity.
#[test]
fn what_no_one_states_of_ageing_is_assumed() {
    let keys = AGEING
        .lines()
        .filter(|line| !line.starts_with("ageing") && !line.starts_with("drift"))
        .collect::<Vec<_>>()
        .join("\n");
    let mut desk = Desk::new(plant(&[("X", "tested")], &keys));
    desk.read("X", 4e5, 10, Some(day("2025-12-31T00:00:00Z")));
    desk.tick(10, Some(day("2025-12-31T00:00:00Z")));
    assert!((desk.std("X") - 300.0).abs() < 0.02);
    // Twice the length of its validity after the calibration.
    desk.read("X", 4e5, 20, Some(day("2028-01-02T00:00:00Z")));
    desk.tick(20, Some(day("2028-01-02T00:00:00Z")));
    let expected = libm::hypot(300.0, 300.0 * 1462.0 / 731.0);
    assert!((desk.std("X") - expected).abs() < 0.1, "{}", desk.std("X"));
}

#[test]
fn a_pulsed_reading_is_held_and_not_stale() {
    let mut desk = Desk::new(plant(
        &[("X", "tested"), ("Y", "level")],
        "[instrument.tested]\nquantity = \"length\"\nformat = \"f32\"\nscale = \"1 mm\"\nrange = [\"0 mm\", \"1 m\"]\nnoise = \"1 mm\"\ncalibration = \"2 mm\"\nhold = \"10 min\"\n",
    ));
    let (_, channel) = desk.find("X");
    assert!(channel.hold.unwrap() > channel.stale_after);
    desk.read("X", 0.4, 0, None);
    desk.read("Y", 0.4, 0, None);
    let mut at = |seconds: i64| {
        desk.tick(seconds, None);
        (desk.shown("X"), desk.shown("Y"))
    };
    let good = (Quality::Good, Reason::None);
    assert_eq!(at(20), (good, good));
    let stale = (Quality::Bad, Reason::Stale);
    assert_eq!(at(60), ((Quality::Good, Reason::Held), stale));
    assert_eq!(at(600), ((Quality::Good, Reason::Held), stale));
    assert_eq!(at(601), (stale, stale));
    assert!(channel.hold.unwrap() == Span::from_millis(600_000));
}

/// What both share does not excuse a difference; what each errs by itself does.
#[test]
fn two_sensors_that_disagree_are_both_uncertain() {
    let mut text = super::described::text(&[("X", "cold"), ("Y", "cold")], "");
    text = text.replace("id = \"X\"\n", "id = \"X\"\nagrees-with = \"Y\"\n");
    let plant = coldledger::plant::load(&[coldledger::plant::SourceFile {
        name: "plant.toml".into(),
        text,
    }])
    .unwrap();
    let mut desk = Desk::new(plant);
    // Each: 2 mK of noise and 10 mK of its own calibration; 14.4 mK for the difference.
    let mut at = |other: f64, seconds: i64| {
        desk.read("X", 4.5, seconds, None);
        desk.read("Y", other, seconds, None);
        desk.tick(seconds, None);
        (desk.shown("X"), desk.shown("Y"))
    };
    let good = (Quality::Good, Reason::None);
    let apart = (Quality::Uncertain, Reason::Disagrees);
    assert_eq!(at(4.54, 10), (good, good));
    assert_eq!(at(4.55, 20), (apart, apart));
    assert_eq!(at(4.51, 30), (good, good));
}

#[test]
fn a_thermocouple_follows_the_channel_of_its_junction() {
    let mut desk = Desk::new(plant(
        &[("X", "tested"), ("TJ", "warm")],
        "[instrument.tested]\nquantity = \"temperature\"\nformat = \"i32\"\nscale = \"0.1 uV\"\nthermocouple = \"T\"\ncold-junction = \"TJ\"\nrange = [\"20 K\", \"400 K\"]\nsignal-noise = \"1 uV\"\ncalibration = \"1 K\"\n",
    ));
    // What raw_for makes of 80 K is made for a junction at 296.15 K.
    desk.read("X", 80.0, 0, None);
    desk.tick(0, None);
    assert_eq!(desk.shown("X").0, Quality::Bad);
    desk.read("TJ", 296.15, 1, None);
    desk.read("X", 80.0, 1, None);
    desk.tick(1, None);
    let value = |desk: &Desk| {
        let state = desk.channels.get(desk.find("X").0).unwrap();
        state.shown().0.value.0
    };
    assert_eq!(desk.shown("X"), (Quality::Good, Reason::None));
    assert!((value(&desk) - 80.0).abs() < 0.01);
    // A junction 2 K warmer: 41 uV/K there against 17 uV/K at 80 K (NIST Monograph 175).
    desk.read("TJ", 298.15, 2, None);
    desk.read("X", 80.0, 2, None);
    assert!(
        (4.0..6.0).contains(&(value(&desk) - 80.0)),
        "{}",
        value(&desk)
    );
}
