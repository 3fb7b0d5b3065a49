//! A past made of sums of waves.

use coldledger::console::{
    InventoryOf, JournalLine, LossPoint, MassPoint, Past, PastError, TrendBucket, TrendSeries,
};
use coldledger::quantity::Quality;
use coldledger::time::{Span, Timestamp};

use super::{KG_PER_DAY, NAME, ago, minutes};

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
                    std_kg: 12.3,
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
