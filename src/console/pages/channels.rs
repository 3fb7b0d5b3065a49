//! Channels: every sensor as it reads now, and each one over time.

use std::sync::Arc;

use askama::Template;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::response::Response;

use super::{Asked, Frame, note, render};
use crate::console::api::{LENGTHS, length, newest};
use crate::console::facts::{
    ChannelFact, ChannelFacts, HallFacts, Scene, channel_facts, hall_facts,
};
use crate::console::http::{Problem, Shared, in_kind};
use crate::console::office::TrendSeries;
use crate::console::plot::{Plot, Point, stretches};
use crate::quantity::Quality;
use crate::time::{Span, Timestamp};

/// Buckets of a trend: about two pixels each.
const POINTS: usize = 400;

#[derive(Template)]
#[template(path = "channels.html", config = "src/console/askama.toml")]
struct ChannelsPage {
    frame: Frame,
    facts: ChannelFacts,
    halls: HallFacts,
}

impl ChannelsPage {
    /// What is pinned, then each section in the order of the description.
    fn groups(&self) -> Vec<(&str, Vec<&ChannelFact>)> {
        let mut groups: Vec<(&str, Vec<&ChannelFact>)> = Vec::new();
        let pinned: Vec<_> = self.facts.channels.iter().filter(|c| c.pinned).collect();
        if !pinned.is_empty() {
            groups.push(("Watched first", pinned));
        }
        for channel in &self.facts.channels {
            let name = channel.section.as_deref().unwrap_or("Site");
            match groups.iter_mut().find(|(known, _)| *known == name) {
                Some((_, list)) => list.push(channel),
                None => groups.push((name, vec![channel])),
            }
        }
        groups
    }
}

/// `GET /channels`.
pub(in crate::console) async fn page(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
) -> Response {
    let (facts, halls) = shared.with_scene(|scene| (channel_facts(scene), hall_facts(scene)));
    let page = ChannelsPage {
        frame: Frame::new(&shared, &headers, "/channels"),
        facts,
        halls,
    };
    render(StatusCode::OK, &page)
}

#[derive(Template)]
#[template(path = "channel.html", config = "src/console/askama.toml")]
struct ChannelPage {
    frame: Frame,
    channel: ChannelFact,
    lengths: Vec<(&'static str, bool)>,
    plot: Result<String, Problem>,
}

/// `GET /channels/ID`.
pub(in crate::console) async fn one(
    State(shared): State<Arc<Shared>>,
    headers: HeaderMap,
    Path(id): Path<String>,
    uri: Uri,
    asked: Asked,
) -> Response {
    let note = note(asked);
    let found = shared
        .with_scene(channel_facts)
        .channels
        .into_iter()
        .find(|channel| channel.id == id);
    let Some(channel) = found else {
        return in_kind(&shared, &uri, &headers, Problem::not_found(&id));
    };
    let (name, over) = note
        .over
        .as_deref()
        .and_then(length)
        .unwrap_or(("24 h", Span::DAY));
    let plot = match newest(&shared) {
        Ok(to) => {
            let from = to - over;
            shared
                .curve(
                    format!("channel {name} {id}"),
                    move |past| past.trend(&id, from, to, POINTS),
                    |scene, series| trend_plot(scene, from, to, &series),
                )
                .await
        }
        Err(problem) => Err(problem),
    };
    let page = ChannelPage {
        frame: Frame::new(&shared, &headers, "/channels").recorded(&note),
        channel,
        lengths: LENGTHS.iter().map(|(n, _)| (*n, *n == name)).collect(),
        plot,
    };
    render(StatusCode::OK, &page)
}

fn trend_plot(scene: Scene<'_>, from: Timestamp, to: Timestamp, series: &TrendSeries) -> String {
    let width = series.bucket_ms.max(1);
    let middle = |n: i64| series.from + Span::from_millis(n * width + width / 2);
    let mut points = Vec::new();
    let mut shades: Vec<(Timestamp, Timestamp, &'static str)> = Vec::new();
    for (n, bucket) in (0_i64..).zip(&series.buckets) {
        let Some(bucket) = bucket else { continue };
        if bucket.quality != Quality::Bad {
            points.push(Point {
                at: middle(n),
                value: bucket.mean,
                low: bucket.min,
                high: bucket.max,
            });
        }
        let class = match bucket.quality {
            Quality::Good => continue,
            Quality::Uncertain => "uncertain",
            Quality::Bad => "bad",
        };
        let start = series.from + Span::from_millis(n * width);
        let end = start + Span::from_millis(width);
        match shades.last_mut() {
            Some((_, last, known)) if *known == class && *last == start => *last = end,
            _ => shades.push((start, end, class)),
        }
    }
    Plot {
        title: "Trend with smallest and largest value",
        unit: &series.unit,
        from,
        to,
        time: scene.time,
        // A missing bucket is a gap.
        stretches: stretches(points, width + width / 2),
        limit: Vec::new(),
        level: None,
        shades,
        from_zero: false,
    }
    .svg()
}
