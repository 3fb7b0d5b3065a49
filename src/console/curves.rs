//! The curves of the Helium page and of reports.

use super::facts::{self, Scene};
use super::office::{LossPoint, MassPoint};
use super::plot::{Plot, Point, stretches};
use super::words::loss_unit;
use crate::time::Timestamp;

/// 95 % band of a normal distribution, in standard uncertainties.
const BAND_95: f64 = 1.96;
/// Reports this far apart belong together: inventory comes each minute, losses each ten.
const LEAST_GAP_MS: i64 = 15 * 60_000;

/// What a curve spans.
#[derive(Debug, Clone, Copy)]
pub(super) struct Span {
    from: Timestamp,
    to: Timestamp,
    /// Points lie so far apart.
    bucket_ms: i64,
}

impl Span {
    /// Of so many points.
    pub(super) fn of(from: Timestamp, to: Timestamp, points: usize) -> Self {
        let points = i64::try_from(points.max(1)).unwrap_or(1);
        Self {
            from,
            to,
            bucket_ms: (to - from).millis() / points,
        }
    }

    fn gap_ms(self) -> i64 {
        (3 * self.bucket_ms).max(LEAST_GAP_MS)
    }
}

/// A value with its 95 % band.
fn banded(at: Timestamp, value: f64, std: f64) -> Point {
    Point {
        at,
        value,
        low: value - BAND_95 * std,
        high: value + BAND_95 * std,
    }
}

/// The plant's inventory with its band.
pub(super) fn inventory(scene: Scene<'_>, span: Span, points: &[MassPoint]) -> String {
    let points = points.iter().map(|p| banded(p.at, p.mass_kg, p.std_kg));
    Plot {
        title: "Helium in the plant with its 95 % band",
        unit: "kg",
        from: span.from,
        to: span.to,
        time: scene.time,
        stretches: stretches(points, span.gap_ms()),
        limit: Vec::new(),
        level: None,
        shades: Vec::new(),
        from_zero: false,
    }
    .svg()
}

/// Its change apart from the books: a loss is a slope.
pub(super) fn change(scene: Scene<'_>, span: Span, points: &[MassPoint]) -> String {
    let changes = facts::change(scene, points);
    // What is left out stays a gap, however short the move was.
    let curve = changes
        .iter()
        .filter(|p| !p.moving)
        .map(|p| banded(p.at, p.unexplained_kg, p.std_kg));
    Plot {
        title: "Change of the helium in the plant apart from what was booked, with its 95 % band",
        unit: "kg",
        from: span.from,
        to: span.to,
        time: scene.time,
        stretches: stretches(curve, LEAST_GAP_MS.max(2 * span.bucket_ms)),
        limit: vec![changes.iter().map(|p| (p.at, p.accepted_kg)).collect()],
        level: None,
        shades: Vec::new(),
        from_zero: true,
    }
    .svg()
}

/// The loss rate with its band and what would have been seen.
pub(super) fn loss(scene: Scene<'_>, span: Span, points: &[LossPoint]) -> String {
    let unit = loss_unit(scene.plant);
    let show = |si: f64| unit.from_si(si);
    let accepted = scene.plant.site.accepted_loss.value.si();
    let still = || points.iter().filter(|p| !facts::is_moving(scene, p.at));
    let curve = still().map(|p| Point {
        at: p.at,
        value: show(p.rate_kg_per_s),
        low: show(p.rate_kg_per_s - BAND_95 * p.std_kg_per_s),
        high: show(p.rate_kg_per_s + BAND_95 * p.std_kg_per_s),
    });
    // Drawn as the loss that would just be seen, on the same scale as the loss itself.
    let limit = still().map(|p| {
        let value = show(accepted + p.detection_limit_kg_per_s);
        Point {
            at: p.at,
            value,
            low: value,
            high: value,
        }
    });
    let gap = span.gap_ms();
    Plot {
        title: "Loss rate with its 95 % band, accepted loss and detection limit",
        unit: unit.symbol(),
        from: span.from,
        to: span.to,
        time: scene.time,
        stretches: stretches(curve, gap),
        limit: stretches(limit, gap)
            .into_iter()
            .map(|stretch| stretch.into_iter().map(|p| (p.at, p.value)).collect())
            .collect(),
        level: Some((show(accepted), "accepted")),
        shades: Vec::new(),
        from_zero: true,
    }
    .svg()
}
