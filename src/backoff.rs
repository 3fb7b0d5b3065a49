//! How long to wait before trying again: doubling to a limit, with jitter from a seeded generator.

use std::time::Duration;

/// Waits between the attempts on one link. It never gives up.
#[derive(Debug, Clone)]
pub struct Backoff {
    first: Duration,
    limit: Duration,
    failures: u32,
    seed: u64,
}

impl Backoff {
    /// Begins with `first` and doubles with each failure up to `limit`; the same seed gives the
    /// same waits.
    #[must_use]
    pub fn new(first: Duration, limit: Duration, seed: u64) -> Self {
        Self {
            first,
            limit,
            failures: 0,
            seed,
        }
    }

    /// Counts a failure and says how long to wait: between half and all of the doubled time, so
    /// that links that failed together do not come back together.
    pub fn failed(&mut self) -> Duration {
        let doubled = self
            .first
            .saturating_mul(1_u32.checked_shl(self.failures).unwrap_or(u32::MAX))
            .min(self.limit);
        self.failures = self.failures.saturating_add(1);
        // 53 random bits over 2^53 are exact in a double.
        #[expect(clippy::cast_precision_loss, reason = "53 bits")]
        let part = (self.draw() >> 11) as f64 / 9_007_199_254_740_992.0;
        doubled.mul_f64(0.5 + 0.5 * part)
    }

    /// The link works: the next failure starts from the first wait.
    pub fn worked(&mut self) {
        self.failures = 0;
    }

    /// Failures since it last worked.
    #[must_use]
    pub fn failures(&self) -> u32 {
        self.failures
    }

    /// One step of SplitMix64. **Source**: Steele, Lea and Flood 2014, as in its public-domain
    /// reference code; constants from memory.
    fn draw(&mut self) -> u64 {
        self.seed = self.seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.seed;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

/// A seed from a text id: 64-bit FNV-1a (its published offset basis and prime).
#[must_use]
pub fn seed_of(id: &str) -> u64 {
    id.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubles_to_its_limit_and_starts_again() {
        let first = Duration::from_millis(500);
        let limit = Duration::from_secs(30);
        let mut backoff = Backoff::new(first, limit, 7);
        for doubling in 0..40_u32 {
            let whole = (first * 2_u32.pow(doubling.min(10))).min(limit);
            let wait = backoff.failed();
            assert!(
                wait >= whole / 2 && wait <= whole,
                "{doubling}: {wait:?} of {whole:?}"
            );
        }
        backoff.worked();
        assert!(backoff.failed() <= first);
    }

    #[test]
    fn same_seed_same_waits_other_seed_other_waits() {
        let new = |id| {
            Backoff::new(
                Duration::from_millis(500),
                Duration::from_secs(30),
                seed_of(id),
            )
        };
        let (mut a, mut b, mut c) = (new("IO-1"), new("IO-1"), new("IO-2"));
        let waits = |x: &mut Backoff| (0..5).map(|_| x.failed()).collect::<Vec<_>>();
        let (a, b, c) = (waits(&mut a), waits(&mut b), waits(&mut c));
        assert_eq!(a, b);
        assert_ne!(a, c);
    }
}
