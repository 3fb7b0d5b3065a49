//! The weather: a daily wave whose size changes from day to day, passing fronts, sun and cloud.
//!
//! Common practice for a mild inland site, no source; every number is a parameter.

use coldledger::time::{Span, Timestamp};

use super::random::{Lag, Wander, stream};

/// What the weather is like.
#[derive(Debug, Clone, PartialEq)]
pub struct Climate {
    /// Mean air temperature, K.
    pub mean_k: f64,
    /// Half the usual difference between afternoon and night, K.
    pub day_k: f64,
    /// Relative change of that from day to day.
    pub day_spread: f64,
    /// Standard deviation of the air temperature beside the daily wave, K.
    pub wander_k: f64,
    /// How much of the day's sun gets through on average, 0 to 1.
    pub clear: f64,
    /// Mean air pressure, Pa.
    pub mean_pa: f64,
    /// Standard deviation of the air pressure as fronts pass, Pa.
    pub front_pa: f64,
}

impl Default for Climate {
    fn default() -> Self {
        Self {
            mean_k: 284.0,
            day_k: 5.0,
            day_spread: 0.35,
            wander_k: 1.5,
            clear: 0.5,
            mean_pa: 98_500.0,
            front_pa: 700.0,
        }
    }
}

impl Climate {
    /// Weather that does not change: for a plant that is to stand still.
    #[must_use]
    pub fn calm() -> Self {
        Self {
            day_k: 0.0,
            wander_k: 0.0,
            clear: 0.0,
            front_pa: 0.0,
            ..Self::default()
        }
    }
}

/// The weather at an instant.
#[derive(Debug, Clone)]
pub struct Weather {
    climate: Climate,
    day_size: Wander,
    cloud: Wander,
    drift: Wander,
    front: Wander,
    front_smoothed: Lag,
    /// Air temperature, K.
    pub ambient_k: f64,
    /// Air pressure, Pa.
    pub barometer_pa: f64,
    /// Sun on the tanks, 0 to 1.
    pub sun: f64,
}

const HOUR_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;

impl Weather {
    /// The weather of a seed.
    #[must_use]
    pub fn new(climate: Climate, seed: u64, at: Timestamp) -> Self {
        let wander = |std, time_s, name| Wander::new(std, time_s, stream(seed, name));
        let front = wander(
            // Smoothing by an equal time halves the variance.
            climate.front_pa * std::f64::consts::SQRT_2,
            DAY_S,
            "weather/front",
        );
        let mut weather = Self {
            day_size: wander(climate.day_spread, 1.5 * DAY_S, "weather/day"),
            cloud: wander(0.35, 6.0 * HOUR_S, "weather/cloud"),
            drift: wander(climate.wander_k, 18.0 * HOUR_S, "weather/air"),
            front_smoothed: Lag::new(front.value(), DAY_S),
            front,
            ambient_k: climate.mean_k,
            barometer_pa: climate.mean_pa,
            sun: 0.0,
            climate,
        };
        weather.advance(at, Span::ZERO, 0.0);
        weather
    }

    /// Moves on by `dt` to `at`; `barometer_shift_pa` is what a scenario adds to the air pressure.
    pub fn advance(&mut self, at: Timestamp, dt: Span, barometer_shift_pa: f64) {
        let dt_s = dt.seconds();
        let of_day = Span::from_millis(at.millis().rem_euclid(Span::DAY.millis())).days();
        let phase = std::f64::consts::TAU * of_day;
        let size = (1.0 + self.day_size.advance(dt_s)).max(0.0);
        // Warmest at 15 h, coldest at 3 h.
        let wave = libm::cos(phase - std::f64::consts::TAU * (15.0 / 24.0));
        self.ambient_k =
            self.climate.mean_k + self.climate.day_k * size * wave + self.drift.advance(dt_s);
        let height = libm::sin(phase - std::f64::consts::FRAC_PI_2).max(0.0);
        let clear = if self.climate.clear > 0.0 {
            (self.climate.clear + self.cloud.advance(dt_s)).clamp(0.0, 1.0)
        } else {
            0.0
        };
        self.sun = height * clear;
        let front = self.front.advance(dt_s);
        self.barometer_pa =
            self.climate.mean_pa + self.front_smoothed.advance(front, dt_s) + barometer_shift_pa;
    }
}
