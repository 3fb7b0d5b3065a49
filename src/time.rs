//! Timestamps: wall time labels, monotonic time measures.
//!
//! Wall time may be unknown (a box without a battery clock) and may step; delays, rates and filters
//! therefore use monotonic time, and a step of the wall clock starts a new clock epoch.

use std::fmt;
use std::ops::{Add, Sub};

use serde::{Deserialize, Serialize};

/// An instant of UTC in milliseconds since 1970-01-01T00:00:00Z; leap seconds as POSIX has them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Timestamp(i64);

/// A signed duration in milliseconds.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Span(i64);

/// Milliseconds of the monotonic clock of one boot.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Monotonic(pub i64);

impl Timestamp {
    /// From milliseconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// Reads an RFC 3339 time such as `2026-11-25T07:00:00Z`.
    ///
    /// # Errors
    /// The parser's own words when the text is no such time.
    pub fn parse(text: &str) -> Result<Self, jiff::Error> {
        text.parse::<jiff::Timestamp>()
            .map(|at| Self(at.as_millisecond()))
    }
}

impl fmt::Display for Timestamp {
    /// RFC 3339 in UTC with milliseconds only where there are any.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match jiff::Timestamp::from_millisecond(self.0) {
            Ok(at) => write!(f, "{at}"),
            Err(_) => write!(f, "{} ms", self.0),
        }
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);
    /// One day.
    pub const DAY: Self = Self(86_400_000);
    /// One hour.
    pub const HOUR: Self = Self(3_600_000);

    /// From milliseconds.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// From seconds, rounded to the millisecond; beyond the range of the type it saturates.
    #[must_use]
    pub fn from_seconds(seconds: f64) -> Self {
        // A float-to-integer cast saturates and takes NaN to zero, which is what is promised.
        #[expect(clippy::cast_possible_truncation, reason = "saturates by definition")]
        let millis = libm::round(seconds * 1e3) as i64;
        Self(millis)
    }

    /// Milliseconds.
    #[must_use]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// Seconds.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "exact below 285,000 years")]
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e3
    }

    /// Days of 86,400 s.
    #[must_use]
    pub fn days(self) -> f64 {
        self.seconds() / 86_400.0
    }
}

impl fmt::Display for Span {
    /// The largest fitting unit, as a person would say it: `90 s`, `25 min`, `8.0 h`, `3.5 days`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.seconds();
        let size = seconds.abs();
        if size < 100.0 {
            write!(f, "{seconds:.0} s")
        } else if size < 100.0 * 60.0 {
            write!(f, "{:.0} min", seconds / 60.0)
        } else if size < 48.0 * 3600.0 {
            write!(f, "{:.1} h", seconds / 3600.0)
        } else {
            write!(f, "{:.1} days", seconds / 86_400.0)
        }
    }
}

impl Add<Span> for Timestamp {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for Timestamp {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}

impl Sub for Timestamp {
    type Output = Span;
    fn sub(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Sub for Monotonic {
    type Output = Span;
    fn sub(self, earlier: Self) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Span> for Monotonic {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Span {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

/// The time of an event: what the wall clock said, what the monotonic clock said, and which boot
/// and clock epoch both belong to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    /// Wall time, when it is known.
    pub utc: Option<Timestamp>,
    /// Monotonic time of this boot.
    pub monotonic: Monotonic,
    /// Which run of the daemon; monotonic times of two boots do not compare.
    pub boot: u64,
    /// Raised by one at each step of the wall clock.
    pub epoch: u32,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_reads_back_as_written() {
        let at = Timestamp::parse("2026-11-25T07:00:00.250Z").unwrap();
        assert_eq!(at.millis(), 1_795_590_000_250);
        assert_eq!(at.to_string(), "2026-11-25T07:00:00.25Z");
    }

    #[test]
    fn spans_speak_as_people_do() {
        assert_eq!(Span::from_seconds(90.0).to_string(), "90 s");
        assert_eq!(Span::from_seconds(1500.0).to_string(), "25 min");
        assert_eq!(Span::from_seconds(8.0 * 3600.0).to_string(), "8.0 h");
        assert_eq!(Span::from_seconds(f64::NAN), Span::ZERO);
    }

    #[test]
    fn arithmetic_saturates() {
        assert_eq!(
            Timestamp::from_millis(i64::MAX) + Span::DAY,
            Timestamp::from_millis(i64::MAX)
        );
    }
}
