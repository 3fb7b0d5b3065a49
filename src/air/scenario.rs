//! Oxygen against time: a release, then recovery.

use super::error::{AirError, within};
use super::hall::{FLOW_M3_PER_S, Fan, Hall};
use crate::quantity::{Duration, Fraction, VolumeFlow};

/// Longest time looked at, s: thirty years.
const TIME_S: (f64, f64) = (0.0, 1e9);

/// While fan and release are steady: the oxygen goes exponentially from `start` to `steady`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stage {
    begins_s: f64,
    start: f64,
    steady: f64,
    per_s: f64,
}

/// Oxygen in a hall during a steady release and after it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scenario {
    release: Stage,
    recovery: Option<Stage>,
}

/// When the oxygen falls to a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reaches {
    /// It is at the limit or below it from the start.
    AlreadyBelow,
    /// It falls to the limit after this time.
    After(Duration),
    /// It stays above the limit.
    Never,
}

/// The least oxygen of a scenario.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lowest {
    /// The least fraction, or the value that it nears.
    pub oxygen: Fraction,
    /// When it is reached; none when it is only neared, as the steady state of a release without
    /// end.
    pub at: Option<Duration>,
}

impl Stage {
    fn new(hall: &Hall, release: f64, begins_s: f64, start: f64) -> Self {
        let (steady, flow) = match hall.fan {
            Fan::Exhaust(fan) if fan.si() > release => {
                (hall.outside * (1.0 - release / fan.si()), fan.si())
            }
            Fan::Supply(fan) if fan.si() > 0.0 => {
                let whole = fan.si() + release;
                (hall.outside * (fan.si() / whole), whole)
            }
            Fan::Off | Fan::Exhaust(_) | Fan::Supply(_) => (0.0, release),
        };
        Self {
            begins_s,
            start,
            // With neither fan nor release nothing moves.
            steady: if flow > 0.0 { steady } else { start },
            per_s: flow / hall.volume_m3,
        }
    }

    fn at(&self, t_s: f64) -> f64 {
        let gone = -libm::expm1(-self.per_s * (t_s - self.begins_s));
        self.start + (self.steady - self.start) * gone
    }

    /// Time from its begin to a value between its start and its steady state.
    fn until(&self, value: f64) -> Option<f64> {
        let part = (value - self.start) / (self.steady - self.start);
        let t = -libm::log1p(-part) / self.per_s;
        (t.is_finite() && t >= 0.0).then_some(t)
    }
}

impl Scenario {
    /// From `start`, with `release` of helium at the state of the hall for `lasting`, or without end.
    ///
    /// **Range**: oxygen 0 to 1, release to 1e6 m3/s, times to 1e9 s.
    ///
    /// # Errors
    /// [`AirError::OutOfRange`].
    pub fn new(
        hall: &Hall,
        start: Fraction,
        release: VolumeFlow,
        lasting: Option<Duration>,
    ) -> Result<Self, AirError> {
        let start = within("oxygen at the start", start.si(), "", (0.0, 1.0))?;
        let flow = within("release as a gas", release.si(), "m3/s", FLOW_M3_PER_S)?;
        let release = Stage::new(hall, flow, 0.0, start);
        let recovery = match lasting {
            None => None,
            Some(lasting) => {
                let end = within("time of the release", lasting.si(), "s", TIME_S)?;
                Some(Stage::new(hall, 0.0, end, release.at(end)))
            }
        };
        Ok(Self { release, recovery })
    }

    /// Oxygen at a time from the start of the release.
    ///
    /// **Range**: 0 to 1e9 s.
    ///
    /// # Errors
    /// [`AirError::OutOfRange`].
    pub fn oxygen_at(&self, time: Duration) -> Result<Fraction, AirError> {
        let t = within("time", time.si(), "s", TIME_S)?;
        let stage = match &self.recovery {
            Some(recovery) if t >= recovery.begins_s => recovery,
            _ => &self.release,
        };
        Ok(Fraction::new(stage.at(t)))
    }

    /// When the oxygen first falls to a limit: the exact inverse of [`Self::oxygen_at`].
    ///
    /// # Errors
    /// [`AirError::OutOfRange`] for a limit outside 0 to 1.
    pub fn falls_to(&self, limit: Fraction) -> Result<Reaches, AirError> {
        let limit = within("oxygen limit", limit.si(), "", (0.0, 1.0))?;
        if self.release.start <= limit {
            return Ok(Reaches::AlreadyBelow);
        }
        // Recovery can fall as well: when the start was richer than the air outside.
        for (stage, ends_s) in self.stages() {
            if stage.steady >= limit || stage.start <= limit {
                continue;
            }
            if let Some(t) = stage.until(limit).map(|after| stage.begins_s + after)
                && ends_s.is_none_or(|end| t <= end)
            {
                return Ok(Reaches::After(Duration::new(t)));
            }
        }
        Ok(Reaches::Never)
    }

    /// When, after the release, the oxygen is back at a limit that it fell below; none when it does
    /// not come back or was never below.
    ///
    /// # Errors
    /// [`AirError::OutOfRange`] for a limit outside 0 to 1.
    pub fn back_at(&self, limit: Fraction) -> Result<Option<Duration>, AirError> {
        let limit = within("oxygen limit", limit.si(), "", (0.0, 1.0))?;
        Ok(self.recovery.as_ref().and_then(|stage| {
            (stage.start < limit && stage.steady > limit)
                .then(|| stage.until(limit))
                .flatten()
                .map(|after| Duration::new(stage.begins_s + after))
        }))
    }

    /// The least oxygen, over all time.
    #[must_use]
    pub fn lowest(&self) -> Lowest {
        let start = (self.release.start, Some(0.0));
        let last = self.recovery.as_ref().unwrap_or(&self.release);
        let turn = self
            .recovery
            .as_ref()
            .map(|stage| (stage.start, Some(stage.begins_s)));
        let end = (last.steady, None);
        let (oxygen, at) = [Some(start), turn, Some(end)]
            .into_iter()
            .flatten()
            .reduce(|least, next| if next.0 < least.0 { next } else { least })
            .unwrap_or(start);
        Lowest {
            oxygen: Fraction::new(oxygen),
            at: at.map(Duration::new),
        }
    }

    /// Each stage with its end.
    fn stages(&self) -> impl Iterator<Item = (&Stage, Option<f64>)> {
        let end = self.recovery.as_ref().map(|stage| stage.begins_s);
        std::iter::once((&self.release, end)).chain(self.recovery.iter().map(|stage| (stage, None)))
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::air::{DEFICIENT_OXYGEN, LEAVE_OXYGEN, OUTSIDE_OXYGEN};
    use crate::quantity::Volume;

    fn hall(fan: Fan) -> Hall {
        Hall::new(Volume::new(500.0), fan, OUTSIDE_OXYGEN).unwrap()
    }

    fn flow(m3_per_s: f64) -> VolumeFlow {
        VolumeFlow::new(m3_per_s)
    }

    fn fans() -> impl Strategy<Value = Fan> {
        prop_oneof![
            Just(Fan::Off),
            (0.0..5.0).prop_map(|q| Fan::Exhaust(flow(q))),
            (0.0..5.0).prop_map(|q| Fan::Supply(flow(q))),
        ]
    }

    proptest! {
        #[test]
        fn the_time_to_a_limit_is_the_inverse(fan in fans(), r in 0.0..5.0_f64, lasting in 1.0..1e4_f64) {
            let s = Scenario::new(&hall(fan), OUTSIDE_OXYGEN, flow(r), Some(Duration::new(lasting))).unwrap();
            for limit in [DEFICIENT_OXYGEN, LEAVE_OXYGEN, Fraction::new(0.05)] {
                match s.falls_to(limit).unwrap() {
                    Reaches::After(t) => {
                        prop_assert!((s.oxygen_at(t).unwrap().si() - limit.si()).abs() < 1e-12);
                        prop_assert!(t.si() <= lasting);
                        prop_assert!(s.lowest().oxygen.si() <= limit.si() + 1e-12);
                    }
                    Reaches::Never => prop_assert!(s.lowest().oxygen.si() > limit.si() - 1e-12),
                    Reaches::AlreadyBelow => prop_assert!(false),
                }
                if let Some(back) = s.back_at(limit).unwrap() {
                    prop_assert!(back.si() >= lasting);
                    if back.si() < 1e9 {
                        prop_assert!((s.oxygen_at(back).unwrap().si() - limit.si()).abs() < 1e-12);
                    }
                }
            }
        }

        /// The balance itself, by a numerical derivative: what the closed forms must satisfy.
        #[test]
        fn the_balance_holds(fan in fans(), r in 0.0..5.0_f64, t in 1.0..3000.0_f64) {
            let s = Scenario::new(&hall(fan), OUTSIDE_OXYGEN, flow(r), None).unwrap();
            let x = |t: f64| s.oxygen_at(Duration::new(t)).unwrap().si();
            let slope = (x(t + 0.5) - x(t - 0.5)) * 500.0;
            let q = fan.flow().si();
            let (air_in, out) = match fan {
                Fan::Supply(_) => (q, q + r),
                _ => ((q - r).max(0.0), q.max(r)),
            };
            let balance = OUTSIDE_OXYGEN.si() * air_in - x(t) * out;
            prop_assert!((slope - balance).abs() < 1e-4 * (1.0 + balance.abs()), "{slope} {balance}");
        }

        #[test]
        fn no_float_makes_it_panic(a in any::<f64>(), b in any::<f64>(), c in any::<f64>()) {
            for x in [a, 0.0, 0.1, 1.0, f64::NAN, f64::INFINITY, 5e-324] {
                for fan in [Fan::Off, Fan::Exhaust(flow(x)), Fan::Supply(flow(b)), Fan::Exhaust(flow(1.0))] {
                    let Ok(hall) = Hall::new(Volume::new(x.abs()), fan, Fraction::new(0.209)) else { continue };
                    for lasting in [None, Some(Duration::new(c)), Some(Duration::new(0.0))] {
                        let Ok(s) = Scenario::new(&hall, Fraction::new(x), flow(b.abs()), lasting) else { continue };
                        for t in [c, 0.0, 1e9] {
                            if let Ok(found) = s.oxygen_at(Duration::new(t)) {
                                prop_assert!((0.0..=1.0).contains(&found.si()), "{s:?} {t}");
                            }
                        }
                        if let Ok(Reaches::After(t)) = s.falls_to(Fraction::new(x)) {
                            prop_assert!(t.si().is_finite());
                        }
                        s.back_at(Fraction::new(c)).ok();
                        prop_assert!(s.lowest().oxygen.si().is_finite());
                    }
                }
            }
        }
    }

    #[test]
    fn says_never_and_already() {
        let strong = hall(Fan::Exhaust(flow(10.0)));
        let s = Scenario::new(&strong, OUTSIDE_OXYGEN, flow(0.5), None).unwrap();
        // 20.9 % (1 - 0.05) stays above 19.5 %.
        assert_eq!(s.falls_to(DEFICIENT_OXYGEN), Ok(Reaches::Never));
        assert_eq!(s.lowest().at, None);
        assert!((s.lowest().oxygen.si() - 0.19855).abs() < 1e-15);
        let low = Scenario::new(&strong, Fraction::new(0.19), flow(0.0), None).unwrap();
        assert_eq!(low.falls_to(DEFICIENT_OXYGEN), Ok(Reaches::AlreadyBelow));
        assert!(matches!(
            low.falls_to(Fraction::new(f64::NAN)),
            Err(AirError::OutOfRange { .. })
        ));
        let still = Scenario::new(&hall(Fan::Off), OUTSIDE_OXYGEN, flow(0.0), None).unwrap();
        assert_eq!(still.falls_to(LEAVE_OXYGEN), Ok(Reaches::Never));
    }

    #[test]
    fn a_short_release_stops_the_fall() {
        let off = hall(Fan::Off);
        let s = Scenario::new(&off, OUTSIDE_OXYGEN, flow(0.5), Some(Duration::new(60.0))).unwrap();
        let after = s.oxygen_at(Duration::new(600.0)).unwrap();
        assert_eq!(s.falls_to(LEAVE_OXYGEN), Ok(Reaches::Never));
        assert_eq!(after, s.lowest().oxygen);
        assert_eq!(s.back_at(DEFICIENT_OXYGEN), Ok(None));
    }
}
