//! The book of losses: windows, rate and excess of one scope, brought up to date tick by tick.

use serde::{Deserialize, Serialize};

use super::leak::{self, Onset};
use super::ledger::Ledger;
use super::noise::{self, NoiseModel, NoiseSettings};
use super::report::{ExcessLoss, LossRate, LossReport};
use super::series::{LossSeries, LossSettings};
use super::tally::Tally;
use super::window::{Average, GRID, MassHistory, TickMass, WINDOWS};
use crate::plant::Plant;
use crate::time::{Monotonic, Span, Timestamp};

/// Longest stretch a rate is estimated over.
const RATE_OVER: Span = Span::from_millis(7 * 86_400_000);

/// The noise is found anew this often, in steps of the grid (six hours).
const NOISE_EVERY: u32 = 36;

/// Steps needed before noise is looked for.
const NOISE_FROM: usize = 72;

/// Losses of one scope.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LossBook {
    history: MassHistory,
    noise: Option<NoiseModel>,
    steps_since_noise: u32,
    report: Option<LossReport>,
}

impl LossBook {
    /// Takes a tick; true when a step of the grid is complete and the report was renewed.
    pub fn tick(
        &mut self,
        plant: &Plant,
        ledger: &Ledger,
        tick: &TickMass,
        tally: impl FnOnce() -> Tally,
    ) -> bool {
        if self.history.tick(tick, tally).is_none() {
            return false;
        }
        let series = Series::gather(&self.history, ledger);
        self.find_noise(series.as_ref());
        self.report = Some(self.make_report(plant, ledger, series.as_ref()));
        true
    }

    /// The reckoning changed by `kg` without helium moving.
    pub fn restate(&mut self, kg: f64) {
        self.history.restate(kg);
    }

    /// The last report.
    #[must_use]
    pub fn report(&self) -> Option<&LossReport> {
        self.report.as_ref()
    }

    /// The averages that it rests on.
    #[must_use]
    pub fn history(&self) -> &MassHistory {
        &self.history
    }

    fn find_noise(&mut self, series: Option<&Series>) {
        self.steps_since_noise += 1;
        let due = self.noise.is_none() || self.steps_since_noise >= NOISE_EVERY;
        let Some(series) = series.filter(|series| due && series.mass_kg.len() >= NOISE_FROM) else {
            return;
        };
        self.steps_since_noise = 0;
        series.with(RATE_OVER, |series| {
            // Without a fit the last one stands; too little data is no fault.
            if let Ok(found) = noise::fit(series, &NoiseSettings::default(), self.noise.as_ref()) {
                self.noise = Some(found);
            }
        });
    }

    fn make_report(&self, plant: &Plant, ledger: &Ledger, series: Option<&Series>) -> LossReport {
        let accepted = plant.site.accepted_loss;
        let windows = WINDOWS
            .iter()
            .filter_map(|&over| {
                let noise_kg2 = self.noise.as_ref().map(|noise| difference_kg2(noise, over));
                self.history.balance(plant, ledger, over, noise_kg2)
            })
            .collect();
        LossReport {
            section: None,
            windows,
            rate: series.and_then(|series| self.rate(plant, series)),
            excess: series.and_then(|series| self.excess(plant, series)),
            accepted_kg_per_s: (accepted.value.si(), accepted.std),
        }
    }

    fn rate(&self, plant: &Plant, series: &Series) -> Option<LossRate> {
        let noise = self.noise.as_ref()?;
        let settings = settings(plant);
        let (found, over) = series.with(RATE_OVER, |window| {
            (
                leak::estimate(window, noise, &settings).ok(),
                Span::from_seconds(window.span_s()),
            )
        });
        let found = found?;
        Some(LossRate {
            over,
            rate_kg_per_s: found.rate_kg_per_s,
            std_kg_per_s: found.std_uncertainty_kg_per_s,
            decision_threshold_kg_per_s: found.decision_threshold_kg_per_s,
            detection_limit_kg_per_s: found.detection_limit_kg_per_s,
            white_std_kg: noise.parameters.white_std_kg,
            correlated_std_kg: noise.parameters.correlated_std_kg,
            correlation_time_s: noise.parameters.correlation_time_s,
            daily_wave_kg: found.wave_amplitude_kg,
        })
    }

    fn excess(&self, plant: &Plant, series: &Series) -> Option<ExcessLoss> {
        let noise = self.noise.as_ref()?;
        let settings = settings(plant);
        let found = series.with(RATE_OVER, |window| {
            leak::estimate_with_onset(window, noise, &settings, Onset::Unknown).ok()
        })?;
        let at = |seconds: f64| series.utc_at(seconds);
        Some(ExcessLoss {
            raised: false,
            since: at(found.onset_s),
            since_band: at(found.onset_band_95_s.0).zip(at(found.onset_band_95_s.1)),
            excess_kg_per_s: found.excess_kg_per_s,
            std_kg_per_s: found.std_uncertainty_kg_per_s,
            lost_kg: found.lost_kg,
            lost_std_kg: found.lost_std_uncertainty_kg,
        })
    }
}

fn settings(plant: &Plant) -> LossSettings {
    LossSettings {
        accepted_kg_per_s: plant.site.accepted_loss.value.si(),
        accepted_std_kg_per_s: plant.site.accepted_loss.std,
        ..LossSettings::default()
    }
}

/// Variance of the difference of two averages that far apart, as the noise found has it, kg2.
fn difference_kg2(noise: &NoiseModel, apart: Span) -> f64 {
    let found = &noise.parameters;
    let forgotten = 1.0 - libm::exp(-apart.seconds() / found.correlation_time_s);
    let white = found.white_std_kg * found.white_std_kg;
    let correlated = found.correlated_std_kg * found.correlated_std_kg;
    let wave = noise.wave_amplitude_kg() * libm::sin(std::f64::consts::PI * apart.days());
    2.0 * (white + correlated * forgotten) + 2.0 * wave * wave
}

/// The book-corrected mass on a regular grid.
struct Series {
    /// End of the first step, s of continuous time.
    start_s: f64,
    mass_kg: Vec<f64>,
    /// Rate of the outdoor gas temperature, K/h: a lagging thermometer's error follows it.
    weather: Vec<f64>,
    /// Last step, by both clocks.
    last: (Monotonic, Timestamp),
}

impl Series {
    /// The last thirty days; none while no average has wall time.
    fn gather(history: &MassHistory, ledger: &Ledger) -> Option<Self> {
        let averages = history.averages();
        let first = averages.front()?;
        let last = averages.back()?;
        let step = |average: &Average| average.at.0.div_euclid(GRID.millis());
        let origin = averages.iter().find_map(|average| average.utc)?;
        let steps = usize::try_from(step(last) - step(first))
            .ok()?
            .min(super::window::KEPT)
            + 1;
        let mut mass_kg = vec![f64::NAN; steps];
        let mut outdoor = vec![f64::NAN; steps];
        let half = Span::from_millis(GRID.millis() / 2);
        for average in averages {
            let at = usize::try_from(step(average) - step(first)).ok();
            let (Some(at), Some(utc)) = (at, average.utc) else {
                continue;
            };
            let booked = ledger.booked_between(origin - half, utc - half).net_kg();
            if let Some(mass) = mass_kg.get_mut(at) {
                *mass = average.mass_kg - average.restated_kg - booked;
            }
            if let Some(kelvin) = outdoor.get_mut(at) {
                *kelvin = average.outdoor_kelvin;
            }
        }
        Some(Self {
            start_s: Span::from_millis(first.at.0).seconds(),
            mass_kg,
            weather: rates_per_hour(&outdoor),
            last: (last.at, last.utc?),
        })
    }

    /// Calls `f` with the last `over` of it.
    fn with<R>(&self, over: Span, f: impl FnOnce(&LossSeries) -> R) -> R {
        let wanted = usize::try_from(over.millis() / GRID.millis()).unwrap_or(0);
        let from = self.mass_kg.len().saturating_sub(wanted);
        let mass_kg = self.mass_kg.get(from..).unwrap_or(&[]);
        let weather = self.weather.get(from..).unwrap_or(&[]);
        // A plant without outdoor gas, or with a gap in its weather, does without the regressor
        // rather than without the samples.
        let told =
            weather.iter().all(|rate| rate.is_finite()) && weather.iter().any(|rate| *rate != 0.0);
        let regressors: &[&[f64]] = if told { &[weather] } else { &[] };
        #[expect(clippy::cast_precision_loss, reason = "at most a few thousand steps")]
        let skipped = from as f64 * GRID.seconds();
        f(&LossSeries {
            start_s: self.start_s + skipped,
            step_s: GRID.seconds(),
            mass_kg,
            regressors,
            steps_s: &[],
            bends_s: &[],
        })
    }

    fn utc_at(&self, seconds: f64) -> Option<Timestamp> {
        let (at, utc) = self.last;
        seconds
            .is_finite()
            .then(|| utc + (Span::from_seconds(seconds) + Span::from_millis(-at.0)))
    }
}

/// Central differences per hour over two steps; ends repeat their neighbour.
fn rates_per_hour(values: &[f64]) -> Vec<f64> {
    let per_hour = 3600.0 / (2.0 * GRID.seconds());
    let mut rates: Vec<f64> = values
        .windows(3)
        .map(|window| match window {
            [before, _, after] => (after - before) * per_hour,
            _ => f64::NAN,
        })
        .collect();
    if let (Some(&first), Some(&last)) = (rates.first(), rates.last()) {
        rates.insert(0, first);
        rates.push(last);
    } else {
        rates = vec![f64::NAN; values.len()];
    }
    rates
}
