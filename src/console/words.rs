//! Numbers, times and states as people read them, with the same numbers for programs beside.

use jiff::tz::TimeZone;
use serde::Serialize;

use crate::plant::{LossUnit, Plant};
use crate::quantity::{Quality, Reason, Unit, decimals_for};
use crate::time::{Span, Timestamp};

/// A number with its standard uncertainty and unit. A NaN or an infinity never gets this far: it
/// is no number, and the text says so.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Figure {
    /// The value in `unit`; none when there is nothing to say.
    pub value: Option<f64>,
    /// Standard uncertainty (k = 1) in `unit`.
    pub std_uncertainty: Option<f64>,
    /// Unit.
    pub unit: String,
    /// Value and uncertainty as shown, without unit.
    pub text: String,
}

/// What stands where a number cannot.
pub const NO_VALUE: &str = "no value";

impl Figure {
    /// Of a value and a standard uncertainty.
    #[must_use]
    pub fn new(value: Option<f64>, std: Option<f64>, unit: &str) -> Self {
        let value = value.filter(|v| v.is_finite());
        let std_uncertainty = value.and(std).filter(|s| s.is_finite() && *s >= 0.0);
        let text = match (value, std_uncertainty) {
            (None, _) => NO_VALUE.into(),
            (Some(v), None) => number(v, decimals_of_four(v)),
            (Some(v), Some(s)) => {
                let digits = decimals_for(s, v);
                format!("{} ± {}", number(v, digits), number(s, digits))
            }
        };
        Self {
            value,
            std_uncertainty,
            // A bare number has no unit to show.
            unit: if unit == "1" {
                String::new()
            } else {
                unit.into()
            },
            text,
        }
    }

    /// A chosen limit or a standard uncertainty: two significant digits, no ±.
    #[must_use]
    pub fn two_digits(value: f64, unit: &str) -> Self {
        let mut figure = Self::new(Some(value), None, unit);
        if let Some(value) = figure.value {
            figure.text = number(value, decimals_for(value.abs(), value).min(7));
        }
        figure
    }

    /// An end of this figure's band, in its unit and with the digits it has in a sentence; no ±.
    #[must_use]
    pub fn end_of_band(&self, end: f64) -> Self {
        let mut figure = Self::new(Some(end), None, &self.unit);
        if let (Some(end), Some(std)) = (figure.value, self.std_uncertainty) {
            figure.text = number(end, decimals_in_words(std, end));
        }
        figure
    }

    /// For a sentence: the uncertainty with one digit, or two when it begins with 1 or 2.
    #[must_use]
    pub fn in_words(&self) -> String {
        let (Some(value), Some(std)) = (self.value, self.std_uncertainty) else {
            return self.with_unit();
        };
        let digits = decimals_in_words(std, value);
        let text = format!("{} ± {}", number(value, digits), number(std, digits));
        format!("{text} {}", self.unit)
    }

    /// A mass in kg.
    #[must_use]
    pub fn kg(value: Option<f64>, std: Option<f64>) -> Self {
        Self::new(value, std, "kg")
    }

    /// Of SI numbers, in that unit.
    #[must_use]
    pub fn in_unit(si: Option<f64>, std_si: Option<f64>, unit: &Unit) -> Self {
        Self::new(
            si.map(|v| unit.from_si(v)),
            std_si.map(|s| unit.difference_from_si(s)),
            unit.symbol,
        )
    }

    /// A rate of loss, kg/s, in the reader's unit.
    #[must_use]
    pub fn rate(kg_per_s: f64, std_kg_per_s: Option<f64>, unit: &LossUnit) -> Self {
        Self::new(
            Some(unit.from_si(kg_per_s)),
            std_kg_per_s.map(|std| unit.from_si(std)),
            unit.symbol(),
        )
    }

    /// Text with unit.
    #[must_use]
    pub fn with_unit(&self) -> String {
        if self.value.is_none() || self.unit.is_empty() {
            self.text.clone()
        } else {
            format!("{} {}", self.text, self.unit)
        }
    }

    /// The value alone as text, with the digits its uncertainty bears.
    #[must_use]
    pub fn value_text(&self) -> &str {
        self.text.split(" ± ").next().unwrap_or("")
    }

    /// The uncertainty alone as text.
    #[must_use]
    pub fn std_text(&self) -> &str {
        self.text.split_once(" ± ").map_or("", |(_, std)| std)
    }
}

/// Decimals in a sentence: of one digit of the uncertainty, or two when it begins with 1 or 2.
fn decimals_in_words(std: f64, value: f64) -> usize {
    let decimals = decimals_for(std, value);
    let leading = number(std, decimals)
        .chars()
        .find(|c| matches!(c, '1'..='9'))
        .unwrap_or('1');
    if leading > '2' {
        decimals.saturating_sub(1)
    } else {
        decimals
    }
}

/// A number with thin spaces between thousands and a true minus sign.
#[must_use]
pub fn number(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return NO_VALUE.into();
    }
    let plain = format!("{:.digits$}", value.abs());
    let (whole, rest) = match plain.split_once('.') {
        Some((whole, rest)) => (whole, format!(".{rest}")),
        None => (plain.as_str(), String::new()),
    };
    let zero = plain.bytes().all(|b| matches!(b, b'0' | b'.'));
    let mut text = String::with_capacity(plain.len() + 6);
    if value < 0.0 && !zero {
        text.push('\u{2212}');
    }
    let count = whole.chars().count();
    for (at, digit) in whole.chars().enumerate() {
        if at > 0 && count > 4 && (count - at) % 3 == 0 {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text + &rest
}

/// Decimals that show four significant digits, at most six.
fn decimals_of_four(value: f64) -> usize {
    // Two digits of an uncertainty of a hundredth are four of the value.
    decimals_for(value.abs() * 1e-2, value).min(6)
}

/// A number as short as it can be written with at most four decimals.
#[must_use]
pub fn short(value: f64) -> String {
    let text = number(value, 4);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// A length of time as people name windows: `1 h`, `24 h`, `7 days`.
#[must_use]
pub fn window(span: Span) -> String {
    let hours = span.seconds() / 3600.0;
    if hours < 48.5 {
        format!("{} h", short(hours))
    } else {
        format!("{} days", short(libm::round(hours / 2.4) / 10.0))
    }
}

/// Bytes as people say them.
#[must_use]
#[expect(clippy::cast_precision_loss, reason = "shown with three digits")]
pub fn bytes(count: u64) -> String {
    let count = count as f64;
    if count < 1e3 {
        format!("{count:.0} B")
    } else if count < 1e6 {
        format!("{:.1} kB", count / 1e3)
    } else if count < 1e9 {
        format!("{:.1} MB", count / 1e6)
    } else {
        format!("{:.2} GB", count / 1e9)
    }
}

/// An instant for people and programs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Moment {
    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub ms: Option<i64>,
    /// RFC 3339, UTC.
    pub utc: Option<String>,
    /// In the site's time zone with its abbreviation.
    pub text: String,
}

/// Says times as the site's clocks do.
#[derive(Debug, Clone)]
pub struct SiteTime {
    zone: TimeZone,
    /// The year of which times are shown without it.
    year: Option<i16>,
}

impl SiteTime {
    /// Of a plant. A zone that this machine does not know is shown as UTC, by that name.
    #[must_use]
    pub fn of(plant: &Plant) -> Self {
        Self {
            zone: TimeZone::get(&plant.site.time_zone).unwrap_or(TimeZone::UTC),
            year: None,
        }
    }

    /// The same for readers of that time: what is of another year is shown with its year.
    #[must_use]
    pub fn read_at(self, now: Option<Timestamp>) -> Self {
        Self {
            year: now.and_then(|now| self.year_of(now)),
            ..self
        }
    }

    fn year_of(&self, at: Timestamp) -> Option<i16> {
        let instant = jiff::Timestamp::from_millisecond(at.millis()).ok()?;
        Some(instant.to_zoned_datetime(self.zone.clone()).date().year())
    }

    /// Day and time, the time in a `strftime` form.
    fn day_and(&self, at: Timestamp, time_form: &str) -> String {
        let year = match self.year {
            Some(year) if self.year_of(at) != Some(year) => " %Y",
            _ => "",
        };
        self.format(at, &format!("%-d %b{year} {time_form} %Z"))
    }

    /// Day and time to the second: `25 Nov 14:32:10 GMT`, and the year when it is not the reader's.
    #[must_use]
    pub fn moment(&self, at: Option<Timestamp>) -> Moment {
        Moment {
            ms: at.map(Timestamp::millis),
            utc: at.map(|at| at.to_string()),
            text: at.map_or_else(
                || "time not known".into(),
                |at| self.day_and(at, "%H:%M:%S"),
            ),
        }
    }

    /// Day and time to the minute: `25 Nov 14:32 GMT`, and the year when it is not the reader's.
    #[must_use]
    pub fn minute(&self, at: Option<Timestamp>) -> Moment {
        Moment {
            text: at.map_or_else(|| "time not known".into(), |at| self.day_and(at, "%H:%M")),
            ..self.moment(at)
        }
    }

    /// Day, year and time to the minute: `25 Nov 2026 14:32 GMT`.
    #[must_use]
    pub fn dated(&self, at: Option<Timestamp>) -> Moment {
        Moment {
            text: at.map_or_else(
                || "time not known".into(),
                |at| self.format(at, "%-d %b %Y %H:%M %Z"),
            ),
            ..self.moment(at)
        }
    }

    /// In a `strftime` form; a time beyond what the calendar holds is shown as milliseconds.
    #[must_use]
    pub fn format(&self, at: Timestamp, form: &str) -> String {
        let Ok(instant) = jiff::Timestamp::from_millisecond(at.millis()) else {
            return format!("{} ms", at.millis());
        };
        let zoned = instant.to_zoned_datetime(self.zone.clone());
        jiff::fmt::strtime::format(form, &zoned).unwrap_or_else(|_| at.to_string())
    }

    /// A local date and time as a form sends it (`2026-11-25T14:30`), in the site's time zone.
    #[must_use]
    pub fn parse_local(&self, text: &str) -> Option<Timestamp> {
        let civil: jiff::civil::DateTime = text.trim().parse().ok()?;
        let zoned = civil.to_zoned_datetime(self.zone.clone()).ok()?;
        Some(Timestamp::from_millis(zoned.timestamp().as_millisecond()))
    }

    /// The first instant of the next calendar month of the site.
    #[must_use]
    pub fn next_month(&self, at: Timestamp) -> Option<Timestamp> {
        let instant = jiff::Timestamp::from_millisecond(at.millis()).ok()?;
        let first = instant
            .to_zoned_datetime(self.zone.clone())
            .date()
            .last_of_month()
            .tomorrow()
            .ok()?;
        let zoned = first.to_zoned_datetime(self.zone.clone()).ok()?;
        Some(Timestamp::from_millis(zoned.timestamp().as_millisecond()))
    }

    /// Midnights of the site between two times, at most a hundred.
    #[must_use]
    pub fn midnights(&self, from: Timestamp, to: Timestamp) -> Vec<Timestamp> {
        let Ok(start) = jiff::Timestamp::from_millisecond(from.millis()) else {
            return Vec::new();
        };
        let mut day = start.to_zoned_datetime(self.zone.clone()).date();
        let mut found = Vec::new();
        while found.len() < 100 {
            let Ok(next) = day.tomorrow() else { break };
            day = next;
            let Ok(midnight) = day.to_zoned_datetime(self.zone.clone()) else {
                break;
            };
            let at = Timestamp::from_millis(midnight.timestamp().as_millisecond());
            if at >= to {
                break;
            }
            found.push(at);
        }
        found
    }
}

/// How far a value can be used, by word and by shape; never by colour alone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct QualityFact {
    /// `good`, `uncertain` or `bad`.
    pub quality: Quality,
    /// Why not plainly good, in words.
    pub reason: &'static str,
}

impl QualityFact {
    /// Of a quality and reason.
    #[must_use]
    pub fn new(quality: Quality, reason: Reason) -> Self {
        Self {
            quality,
            reason: reason.words(),
        }
    }

    /// The word.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self.quality {
            Quality::Good => "good",
            Quality::Uncertain => "uncertain",
            Quality::Bad => "bad",
        }
    }

    /// Name of the shape that goes with the word.
    #[must_use]
    pub fn shape(&self) -> &'static str {
        match self.quality {
            Quality::Good => "plain",
            Quality::Uncertain => "half",
            Quality::Bad => "crossed",
        }
    }
}

/// A duration as people say it; none is "never".
#[must_use]
pub fn span_or_never(span: Option<Span>) -> String {
    span.map_or_else(|| "never".into(), |span| span.to_string())
}

/// The unit that loss rates are shown in: the description's, or kg/day.
#[must_use]
pub fn loss_unit(plant: &Plant) -> LossUnit {
    let price = plant.site.helium_price_per_kg.as_ref();
    LossUnit::parse(&plant.console.loss_unit, price).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_carry_the_digits_of_their_uncertainty() {
        assert_eq!(Figure::kg(Some(1234.567), Some(1.23)).text, "1234.6 ± 1.2");
        assert_eq!(
            Figure::kg(Some(123_456.7), Some(12.3)).with_unit(),
            "123\u{202f}457 ± 12 kg"
        );
        assert_eq!(Figure::kg(Some(-0.001), Some(0.5)).text, "0.00 ± 0.50");
    }

    #[test]
    fn a_small_rate_in_a_large_unit_keeps_its_digits() {
        let unit = LossUnit::parse("kg/s", None).unwrap();
        let rate = Figure::rate(4.6e-5, Some(1.2e-6), &unit);
        assert_eq!(rate.with_unit(), "0.0000460 ± 0.0000012 kg/s");
        let limit = Figure::two_digits(unit.from_si(2.44e-5), unit.symbol());
        assert_eq!(limit.with_unit(), "0.000024 kg/s");
    }

    #[test]
    fn a_time_of_another_year_carries_its_year() {
        let time = SiteTime {
            zone: TimeZone::UTC,
            year: None,
        };
        let at = |text: &str| Timestamp::parse(text).ok();
        let time = time.read_at(at("2026-01-05T06:00:00Z"));
        let said = |text: &str| time.minute(at(text)).text;
        assert_eq!(said("2026-01-04T23:59:00Z"), "4 Jan 23:59 UTC");
        assert_eq!(said("2025-12-31T23:59:00Z"), "31 Dec 2025 23:59 UTC");
    }

    #[test]
    fn what_is_no_number_is_never_printed_as_one() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let figure = Figure::kg(Some(bad), Some(bad));
            assert_eq!((figure.value, figure.text.as_str()), (None, NO_VALUE));
            let figure = Figure::kg(Some(3.0), Some(bad));
            assert!(!figure.text.contains("NaN") && !figure.text.contains("inf"));
        }
    }

    #[test]
    fn local_times_are_those_of_the_site() {
        let time = SiteTime {
            zone: TimeZone::get("Europe/London").unwrap(),
            year: None,
        };
        let summer = Timestamp::parse("2026-07-01T12:00:00Z").unwrap();
        assert_eq!(time.minute(Some(summer)).text, "1 Jul 13:00 BST");
        assert_eq!(time.parse_local("2026-07-01T13:00"), Some(summer));
        assert_eq!(time.parse_local("junk"), None);
    }
}
