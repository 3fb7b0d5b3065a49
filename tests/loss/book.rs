//! A book of losses fed with masses, for the tests and the benchmark: the plant is that of the
//! demonstration, its inventory made up.

use std::path::Path;

use coldledger::balance::account::AccountTick;
use coldledger::balance::ledger::Ledger;
use coldledger::balance::losses::{LossBook, LossTick};
use coldledger::balance::tally::Tally;
use coldledger::balance::window::TickMass;
use coldledger::plant::{self, Plant};
use coldledger::quantity::{Quality, Reason};
use coldledger::time::{Monotonic, Span, Timestamp};

use super::synthetic::{DAY, Dice};

pub const STEP_S: f64 = 600.0;
pub const PER_DAY: usize = 144;

pub fn tarn_hollow() -> Plant {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let files = plant::files::read(&root.join("config/tarn-hollow")).unwrap();
    plant::load(&files).unwrap()
}

pub fn utc(time_s: f64) -> Timestamp {
    Timestamp::parse("2026-05-04T00:00:00Z").unwrap() + Span::from_seconds(time_s)
}

/// One tick, of a mass and an outdoor temperature.
pub fn tick(
    book: &mut LossBook,
    plant: &Plant,
    ledger: &Ledger,
    time_s: f64,
    mass_kg: f64,
    outdoor_kelvin: f64,
) -> bool {
    let now = Monotonic(Span::from_seconds(time_s).millis());
    let tick = LossTick {
        mass: TickMass {
            now,
            utc: Some(utc(time_s)),
            mass_kg: Some(mass_kg),
            doubtful: &[],
            outdoor_kelvin: Some(outdoor_kelvin),
            metered_kg: (0.0, 0.0),
        },
        // The plant alone is looked at: it has no sections of its own here.
        account: AccountTick {
            now,
            utc: Some(utc(time_s)),
            sections: &[],
            pressures: &[],
            flows: &[],
            passages: &[],
            unlike: &[],
            outdoor_kelvin: None,
            doubtful: &[],
            carried: &[],
        },
        masses: &[],
        comparisons: &[],
        jumps: &Vec::new,
        vacuum: &|_| None,
    };
    let renewed = book.tick(plant, ledger, &tick, |_| Tally {
        mass_kg,
        independent_kg2: 0.25,
        by_cause: Vec::new(),
        quality: Quality::Good,
        reason: Reason::None,
    });
    renewed.reports
}

/// 300 m3 of outdoor gas at 10 bar whose thermometers lag by an hour behind a day of +-5 K, of
/// another size and phase every day, beside instruments of ordinary noise and an accepted loss.
pub struct OutdoorGas {
    dice: Dice,
    step: usize,
    day: (f64, f64),
    next_day: (f64, f64),
    thermometer_k: f64,
    ar_kg: f64,
    pub accepted_kg_per_day: f64,
}

impl OutdoorGas {
    /// 10 bar x 300 m3 x 4.0026 g/mol / (8.3145 J/mol K x 288.15 K).
    pub const GAS_KG: f64 = 501.2;
    const MEAN_K: f64 = 288.15;

    pub fn new(seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let (day, next_day) = (Self::weather(&mut dice), Self::weather(&mut dice));
        let ar_kg = 0.4 * dice.normal();
        Self {
            dice,
            step: 0,
            day,
            next_day,
            thermometer_k: Self::MEAN_K,
            ar_kg,
            accepted_kg_per_day: 0.4,
        }
    }

    /// Size of a day's wave, K, and the mean temperature it swings about.
    fn weather(dice: &mut Dice) -> (f64, f64) {
        (5.0 * (0.7 + 0.6 * dice.uniform()), 2.0 * dice.normal())
    }

    /// Mass as reckoned from the lagging thermometers, kg, and what they show, K; every ten minutes.
    pub fn next(&mut self) -> (f64, f64) {
        let share = (self.step % PER_DAY) as f64 / PER_DAY as f64;
        // From noon to noon one day's weather passes into the next one's.
        let soft = 0.5 - 0.5 * libm::cos(std::f64::consts::PI * share);
        let mix = |a: f64, b: f64| a + (b - a) * soft;
        let size = mix(self.day.0, self.next_day.0);
        let gas_k = Self::MEAN_K
            + mix(self.day.1, self.next_day.1)
            + size * libm::sin(std::f64::consts::TAU * (share - 0.1));
        let lag = -libm::expm1(-STEP_S / 3600.0);
        self.thermometer_k += (gas_k - self.thermometer_k) * lag;
        let phi = libm::exp(-STEP_S / 3600.0);
        self.ar_kg = phi * self.ar_kg + 0.4 * (1.0 - phi * phi).sqrt() * self.dice.normal();
        // The pressure is right: mass is reckoned in proportion to 1/T.
        let false_kg = Self::GAS_KG * (gas_k / self.thermometer_k - 1.0);
        let days = self.step as f64 / PER_DAY as f64;
        let mass = 900.0 + false_kg + self.ar_kg + 0.3 * self.dice.normal()
            - self.accepted_kg_per_day * days;
        self.step += 1;
        if self.step.is_multiple_of(PER_DAY) {
            self.day = self.next_day;
            self.next_day = Self::weather(&mut self.dice);
        }
        (mass, self.thermometer_k)
    }
}

/// Time of step `i`, s: the middle of the step, so that one tick is its mean.
pub fn time_s(i: usize) -> f64 {
    (i as f64 + 0.5) * STEP_S
}

const _: () = assert!(PER_DAY as f64 * STEP_S == DAY);
