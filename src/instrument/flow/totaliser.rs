//! Totalisers: counters that only rise, roll over, and now and then start again.

/// A counter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Totaliser {
    /// Quantity per count, SI.
    pub per_count: f64,
    /// Counts at which it begins again at zero; 65,536 for a 16-bit register, 1,000,000 for six
    /// decimal digits.
    pub rollover_counts: f64,
    /// More counts than this between two readings is not credible.
    pub largest_step_counts: f64,
}

/// Why two readings give no increment.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TotalError {
    /// The counter went back by too little for a rollover: it was reset or exchanged.
    #[error(
        "the counter went from {previous} to {current}, which is no rollover; it was reset or exchanged, so enter what it missed in the ledger"
    )]
    WentBack {
        /// The reading before.
        previous: f64,
        /// The reading now.
        current: f64,
    },
    /// The counter went further than it can have.
    #[error("the counter rose by {counts} counts, more than the {largest} that are credible")]
    TooFar {
        /// Counts between the readings.
        counts: f64,
        /// The most that is credible.
        largest: f64,
    },
    /// A reading that is no number, negative, or at or beyond the rollover.
    #[error("{reading} is not a reading of a counter that rolls over at {rollover}")]
    NoReading {
        /// The reading.
        reading: f64,
        /// Where it rolls over.
        rollover: f64,
    },
}

impl Totaliser {
    /// What passed between two readings, SI, across one rollover at most.
    ///
    /// # Errors
    /// [`TotalError`] when the readings cannot follow each other.
    pub fn increment(&self, previous: f64, current: f64) -> Result<f64, TotalError> {
        let rollover = self.rollover_counts;
        for reading in [previous, current] {
            if !(reading >= 0.0 && reading < rollover) {
                return Err(TotalError::NoReading { reading, rollover });
            }
        }
        let largest = self.largest_step_counts;
        let counts = if current >= previous {
            let counts = current - previous;
            if counts > largest {
                return Err(TotalError::TooFar { counts, largest });
            }
            counts
        } else {
            let counts = current + rollover - previous;
            // A reset looks like a rollover far too long.
            if counts > largest {
                return Err(TotalError::WentBack { previous, current });
            }
            counts
        };
        Ok(counts * self.per_count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const COUNTER: Totaliser = Totaliser {
        per_count: 0.01,
        rollover_counts: 65_536.0,
        largest_step_counts: 1_000.0,
    };

    #[test]
    fn counts_on_across_the_rollover() {
        assert_eq!(COUNTER.increment(100.0, 150.0), Ok(0.5));
        assert_eq!(COUNTER.increment(65_500.0, 14.0), Ok(0.5));
        assert_eq!(COUNTER.increment(7.0, 7.0), Ok(0.0));
    }

    #[test]
    fn tells_a_reset_from_a_rollover() {
        assert_eq!(
            COUNTER.increment(30_000.0, 5.0),
            Err(TotalError::WentBack {
                previous: 30_000.0,
                current: 5.0
            })
        );
        assert!(matches!(
            COUNTER.increment(0.0, 2_000.0),
            Err(TotalError::TooFar { .. })
        ));
        for reading in [f64::NAN, -1.0, 65_536.0, f64::INFINITY] {
            assert!(matches!(
                COUNTER.increment(1.0, reading),
                Err(TotalError::NoReading { .. })
            ));
        }
    }
}
