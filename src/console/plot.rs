//! Curves as SVG, drawn on the server: with their band, with gaps as gaps, readable without a
//! script. A script only adds the reading under the pointer.

use std::fmt::Write as _;

use super::words::{SiteTime, number};
use crate::time::Timestamp;

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 240.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 10.0;
const TOP: f64 = 22.0;
const BOTTOM: f64 = 26.0;

/// A value at a time, with its band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub(super) at: Timestamp,
    pub(super) value: f64,
    pub(super) low: f64,
    pub(super) high: f64,
}

/// What is drawn.
pub(super) struct Plot<'a> {
    /// Said to those who cannot see it.
    pub(super) title: &'a str,
    pub(super) unit: &'a str,
    pub(super) from: Timestamp,
    pub(super) to: Timestamp,
    pub(super) time: &'a SiteTime,
    /// The curve and its band, in stretches without gap.
    pub(super) stretches: Vec<Vec<Point>>,
    /// A second curve without band, such as a detection limit, in stretches without gap.
    pub(super) limit: Vec<Vec<(Timestamp, f64)>>,
    /// A level line with its words.
    pub(super) level: Option<(f64, &'a str)>,
    /// Stretches of doubtful quality, each with the word of its quality.
    pub(super) shades: Vec<(Timestamp, Timestamp, &'static str)>,
    /// Whether zero must be seen.
    pub(super) from_zero: bool,
}

/// Splits points where more than `gap_ms` lies between two of them, or where one is no number.
pub(super) fn stretches(points: impl IntoIterator<Item = Point>, gap_ms: i64) -> Vec<Vec<Point>> {
    let mut found: Vec<Vec<Point>> = Vec::new();
    let mut last: Option<Timestamp> = None;
    for point in points {
        if ![point.value, point.low, point.high]
            .iter()
            .all(|v| v.is_finite())
        {
            last = None;
            continue;
        }
        let joins = last.is_some_and(|last| (point.at - last).millis() <= gap_ms);
        match found.last_mut() {
            Some(stretch) if joins => stretch.push(point),
            _ => found.push(vec![point]),
        }
        last = Some(point.at);
    }
    found
}

#[derive(Clone, Copy)]
struct Scale {
    from_ms: f64,
    ms: f64,
    low: f64,
    high: f64,
}

impl Scale {
    #[expect(clippy::cast_precision_loss, reason = "milliseconds below 2^53")]
    fn x(self, at: Timestamp) -> f64 {
        let part = ((at.millis() as f64) - self.from_ms) / self.ms;
        LEFT + part.clamp(0.0, 1.0) * (WIDTH - LEFT - RIGHT)
    }

    fn y(self, value: f64) -> f64 {
        let part = (value - self.low) / (self.high - self.low);
        HEIGHT - BOTTOM - part.clamp(0.0, 1.0) * (HEIGHT - TOP - BOTTOM)
    }
}

impl Plot<'_> {
    /// As SVG. Holds no text but numbers, times, and the escaped title, unit and words.
    pub(super) fn svg(&self) -> String {
        let mut svg = String::with_capacity(16 * 1024);
        // Writing to a String cannot fail.
        _ = self.write(&mut svg);
        svg
    }

    fn write(&self, svg: &mut String) -> std::fmt::Result {
        let title = escape(self.title);
        let Some(scale) = self.scale() else {
            return write!(
                svg,
                "<p class=\"nothing\">{title}: nothing recorded in this time.</p>"
            );
        };
        write!(
            svg,
            "<svg class=\"plot\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{title}\" \
             data-unit=\"{}\" data-from=\"{}\" data-to=\"{}\" data-left=\"{LEFT}\" data-right=\"{}\">",
            escape(self.unit),
            self.from.millis(),
            self.to.millis(),
            WIDTH - RIGHT,
        )?;
        self.write_grid(svg, scale)?;
        for (from, to, class) in &self.shades {
            let (x0, x1) = (scale.x(*from), scale.x(*to));
            write!(
                svg,
                "<rect class=\"shade\" fill=\"url(#hatch-{class})\" x=\"{x0:.1}\" y=\"{TOP}\" width=\"{:.1}\" height=\"{:.1}\"/>",
                (x1 - x0).max(1.0),
                HEIGHT - TOP - BOTTOM
            )?;
        }
        for stretch in &self.stretches {
            write_stretch(svg, scale, stretch)?;
        }
        for stretch in &self.limit {
            svg.push_str("<path class=\"limit\" d=\"");
            for (n, (at, value)) in stretch.iter().enumerate() {
                let letter = if n == 0 { 'M' } else { 'L' };
                write!(svg, "{letter}{:.1} {:.1}", scale.x(*at), scale.y(*value))?;
            }
            svg.push_str("\"/>");
        }
        if let Some((level, words)) = self.level
            && level >= scale.low
            && level <= scale.high
        {
            let y = scale.y(level);
            write!(
                svg,
                "<path class=\"level\" d=\"M{LEFT} {y:.1}H{}\"/>\
                 <text class=\"level\" x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                WIDTH - RIGHT,
                WIDTH - RIGHT - 4.0,
                y - 4.0,
                escape(words)
            )?;
        }
        svg.push_str("</svg>");
        Ok(())
    }

    fn scale(&self) -> Option<Scale> {
        let points = || self.stretches.iter().flatten();
        let limits = self
            .limit
            .iter()
            .flatten()
            .map(|(_, value)| *value)
            .filter(|value| value.is_finite());
        let zero = self.from_zero.then_some(0.0);
        let (low, high) = points()
            .flat_map(|p| [p.low, p.high])
            .chain(limits)
            .chain(zero)
            .chain(self.level.map(|(level, _)| level))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
                (low.min(v), high.max(v))
            });
        if points().next().is_none() || self.to <= self.from || !(high - low).is_finite() {
            return None;
        }
        // A flat line gets room around it: a thousandth of its height, or one.
        let room = if high > low {
            (high - low) * 0.06
        } else {
            (high.abs() * 1e-3).max(1e-12)
        };
        #[expect(clippy::cast_precision_loss, reason = "milliseconds below 2^53")]
        Some(Scale {
            from_ms: self.from.millis() as f64,
            ms: (self.to - self.from).millis() as f64,
            low: low - room,
            high: high + room,
        })
    }

    fn write_grid(&self, svg: &mut String, scale: Scale) -> std::fmt::Result {
        let step = nice_step((scale.high - scale.low) / 4.0);
        let digits = digits_of(step);
        let first = libm::ceil(scale.low / step);
        for n in 0..12 {
            let value = (first + f64::from(n)) * step;
            if value > scale.high || !value.is_finite() {
                break;
            }
            let y = scale.y(value);
            write!(
                svg,
                "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{}\"/>\
                 <text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                WIDTH - RIGHT,
                LEFT - 6.0,
                y + 4.0,
                number(value, digits)
            )?;
        }
        write!(
            svg,
            "<text class=\"unit\" x=\"{}\" y=\"13\" text-anchor=\"end\">{}</text>",
            LEFT - 6.0,
            escape(self.unit)
        )?;
        for (at, words) in self.time_marks() {
            let x = scale.x(at);
            write!(
                svg,
                "<path class=\"grid\" d=\"M{x:.1} {TOP}V{}\"/>\
                 <text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{words}</text>",
                HEIGHT - BOTTOM,
                HEIGHT - 8.0
            )?;
        }
        Ok(())
    }

    /// Midnights for days, full hours or minutes for less, in the site's time.
    fn time_marks(&self) -> Vec<(Timestamp, String)> {
        const MINUTE: i64 = 60_000;
        let length = (self.to - self.from).millis();
        if length > 90 * 86_400_000 {
            let mut months = Vec::new();
            let mut at = self.from;
            while let Some(next) = self.time.next_month(at).filter(|next| *next < self.to) {
                months.push(next);
                at = next;
                if months.len() > 1200 {
                    break;
                }
            }
            let every = months.len() / 13 + 1;
            return months
                .into_iter()
                .step_by(every)
                .map(|at| (at, self.time.format(at, "%b %y")))
                .collect();
        }
        if length > 2 * 86_400_000 {
            let days = self.time.midnights(self.from, self.to);
            let every = days.len() / 10 + 1;
            return days
                .into_iter()
                .step_by(every)
                .map(|at| (at, self.time.format(at, "%-d %b")))
                .collect();
        }
        let step = [10 * MINUTE, 60 * MINUTE, 180 * MINUTE, 360 * MINUTE]
            .into_iter()
            .find(|step| length / step <= 9)
            .unwrap_or(360 * MINUTE);
        // Steps count from the site's midnight, so that the marks fall on its full hours.
        let day = crate::time::Span::DAY;
        let midnight = self
            .time
            .midnights(self.from - day, self.from + day)
            .into_iter()
            .rfind(|at| *at <= self.from)
            .unwrap_or(self.from);
        let skip = (self.from - midnight).millis() / step;
        (skip..skip + 400)
            .map(|n| midnight + crate::time::Span::from_millis(n * step))
            .skip_while(|at| *at < self.from)
            .take_while(|at| *at <= self.to)
            .map(|at| (at, self.time.format(at, "%H:%M")))
            .collect()
    }
}

fn write_stretch(svg: &mut String, scale: Scale, stretch: &[Point]) -> std::fmt::Result {
    svg.push_str("<path class=\"band\" d=\"");
    for (n, point) in stretch.iter().enumerate() {
        let letter = if n == 0 { 'M' } else { 'L' };
        write!(
            svg,
            "{letter}{:.1} {:.1}",
            scale.x(point.at),
            scale.y(point.high)
        )?;
    }
    for point in stretch.iter().rev() {
        write!(svg, "L{:.1} {:.1}", scale.x(point.at), scale.y(point.low))?;
    }
    svg.push_str("Z\"/><path class=\"curve\" d=\"");
    for (n, point) in stretch.iter().enumerate() {
        let letter = if n == 0 { 'M' } else { 'L' };
        write!(
            svg,
            "{letter}{:.1} {:.1}",
            scale.x(point.at),
            scale.y(point.value)
        )?;
    }
    // A single point is a stretch too: a dot by the round cap of a line of no length.
    if stretch.len() == 1 {
        svg.push_str("h0.01");
    }
    svg.push_str("\" data-points=\"");
    for (n, point) in stretch.iter().enumerate() {
        let comma = if n == 0 { "" } else { "," };
        let digits = crate::quantity::decimals_for((point.high - point.low) / 4.0, point.value);
        write!(
            svg,
            "{comma}{},{:.digits$},{:.digits$},{:.digits$}",
            point.at.millis(),
            point.value,
            point.low,
            point.high
        )?;
    }
    svg.push_str("\"/>");
    Ok(())
}

/// 1, 2 or 5 times a power of ten, at least `least`.
fn nice_step(least: f64) -> f64 {
    let power = libm::pow(10.0, libm::floor(libm::log10(least.max(1e-300))));
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * power)
        .find(|step| *step >= least)
        .unwrap_or(10.0 * power)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "clamped to 0..=12"
)]
fn digits_of(step: f64) -> usize {
    (-libm::floor(libm::log10(step.max(1e-300)) + 1e-9)).clamp(0.0, 12.0) as usize
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
        .replace('\'', "&#39;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(at: i64, value: f64) -> Point {
        Point {
            at: Timestamp::from_millis(at),
            value,
            low: value - 1.0,
            high: value + 1.0,
        }
    }

    #[test]
    fn gaps_stay_gaps_and_no_number_is_one() {
        let found = stretches(
            [
                point(0, 1.0),
                point(10, 2.0),
                point(20, f64::NAN),
                point(30, 3.0),
                point(90, 4.0),
            ],
            10,
        );
        let sizes: Vec<_> = found.iter().map(Vec::len).collect();
        assert_eq!(sizes, [2, 1, 1]);
    }

    #[test]
    fn steps_are_round() {
        for (least, step) in [
            (0.3, 0.5),
            (1.0, 1.0),
            (1.1, 2.0),
            (7.0, 10.0),
            (240.0, 500.0),
        ] {
            assert!((nice_step(least) - step).abs() < 1e-9 * step, "{least}");
        }
        assert_eq!(digits_of(0.05), 2);
        assert_eq!(digits_of(20.0), 0);
    }
}
