//! What is kept of a stretch of time while it passes: curves, the stock at the turn of each month,
//! and what was not seen.

use std::collections::BTreeMap;

use crate::balance::window::Average;
use crate::console::facts::statement::{Course, Gap, Mark};
use crate::console::words::SiteTime;
use crate::console::{LossPoint, MassPoint};
use crate::engine::{Engine, LossReport, MassFigure, Outcome, OutcomeKind};
use crate::plant::{Id, Plant};
use crate::quantity::{Quality, Reason};
use crate::time::{Span, Timestamp};

/// Points of a curve that are kept at most.
const MOST_POINTS: usize = 2_000;
/// Restatements that are named.
const MOST_NOTES: usize = 50;

/// Keeps what a report needs of a stretch of events.
pub(super) struct Collector<'p> {
    plant: &'p Plant,
    time: SiteTime,
    from: Option<Timestamp>,
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    mass: Thinned<MassPoint>,
    loss: Thinned<LossPoint>,
    marks: Vec<Mark>,
    newest: Option<MassPoint>,
    next_month: Option<Timestamp>,
    opening: Option<Average>,
    restated: Vec<(Timestamp, f64, String)>,
    unseen: BTreeMap<Id, Unseen>,
}

/// Keeps every so many of what comes, ever more sparsely.
struct Thinned<T> {
    kept: Vec<T>,
    every: usize,
    skip: usize,
}

/// What was missed of one channel.
#[derive(Default)]
struct Unseen {
    since: Option<Timestamp>,
    first: Option<Timestamp>,
    all: Span,
    times: u32,
    why: &'static str,
}

impl<T> Thinned<T> {
    fn new() -> Self {
        Self {
            kept: Vec::new(),
            every: 1,
            skip: 0,
        }
    }

    fn push(&mut self, one: T) {
        if self.skip > 0 {
            self.skip -= 1;
            return;
        }
        self.kept.push(one);
        if self.kept.len() > 2 * MOST_POINTS {
            let mut number = 0_usize;
            self.kept.retain(|_| {
                number += 1;
                number % 2 == 1
            });
            self.every *= 2;
        }
        self.skip = self.every - 1;
    }
}

impl<'p> Collector<'p> {
    pub fn new(plant: &'p Plant, from: Option<Timestamp>) -> Self {
        Self {
            plant,
            time: SiteTime::of(plant),
            from,
            first: None,
            last: None,
            mass: Thinned::new(),
            loss: Thinned::new(),
            marks: Vec::new(),
            newest: None,
            next_month: None,
            opening: None,
            restated: Vec::new(),
            unseen: BTreeMap::new(),
        }
    }

    /// Takes what followed from one event.
    pub fn take(&mut self, engine: &Engine, at: Timestamp, outcomes: &[Outcome]) {
        for outcome in outcomes {
            if let OutcomeKind::ChannelQuality {
                channel,
                quality,
                reason,
            } = &outcome.kind
            {
                let why = match reason {
                    // There are no registers here.
                    Reason::NotANumber => "no number in the file",
                    other => other.words(),
                };
                self.quality(channel, *quality, why, at);
            }
        }
        if self.from.is_some_and(|from| at < from) {
            return;
        }
        self.first.get_or_insert(at);
        self.last = Some(at);
        for outcome in outcomes {
            match &outcome.kind {
                OutcomeKind::Inventory(report) => self.inventory(engine, at, report.plant),
                OutcomeKind::Losses(report) if report.section.is_none() => {
                    self.losses(engine, at, report);
                }
                OutcomeKind::Restated {
                    from_kg,
                    to_kg,
                    why,
                } if self.restated.len() < MOST_NOTES => {
                    self.restated.push((at, to_kg - from_kg, why.clone()));
                }
                _ => {}
            }
        }
    }

    fn quality(&mut self, channel: &Id, quality: Quality, why: &'static str, at: Timestamp) {
        let unseen = self.unseen.entry(Id::clone(channel)).or_default();
        if quality == Quality::Bad {
            unseen.since.get_or_insert(at);
            unseen.first.get_or_insert(at);
            unseen.times += 1;
            unseen.why = why;
        } else if let Some(since) = unseen.since.take() {
            unseen.all = unseen.all + (at - since);
        }
    }

    fn inventory(&mut self, engine: &Engine, at: Timestamp, figure: MassFigure) {
        if figure.quality == Quality::Bad {
            return;
        }
        let point = MassPoint {
            at,
            mass_kg: figure.mass_kg,
            std_kg: figure.std_kg,
        };
        self.mass.push(point);
        let turned = match self.next_month {
            None => true,
            Some(next) => at >= next,
        };
        if turned {
            self.mark(engine, point);
            self.next_month = self.time.next_month(at);
        }
        self.newest = Some(point);
    }

    fn mark(&mut self, engine: &Engine, point: MassPoint) {
        let losses = engine.losses();
        self.marks.push(Mark {
            at: point.at,
            mass_kg: point.mass_kg,
            difference_std_kg: losses.report().and_then(longest_std),
            metered_kg: losses.accounts().boundary_kg(),
        });
    }

    fn losses(&mut self, engine: &Engine, at: Timestamp, report: &LossReport) {
        if self.opening.is_none() {
            let newest = engine.losses().history().averages().back();
            self.opening = newest
                .filter(|average| average.mass_kg.is_finite())
                .cloned();
        }
        self.loss.extend(loss_point(at, report));
    }

    /// What was kept, up to where the engine stands, and the first average of the stretch.
    pub fn close(mut self, engine: &Engine) -> (Course, Option<Average>) {
        if let Some(newest) = self.newest
            && self.marks.last().is_some_and(|mark| mark.at < newest.at)
        {
            self.mark(engine, newest);
        }
        let end = self.last;
        let gaps = self
            .unseen
            .into_iter()
            .filter_map(|(channel, unseen)| {
                let open = unseen.since.zip(end).map(|(since, end)| end - since);
                let all = unseen.all + open.unwrap_or(Span::ZERO);
                // Before its first reading a channel is bad for a moment.
                (all > Span::ZERO).then(|| Gap {
                    what: channel_words(self.plant, &channel),
                    why: unseen.why.to_owned(),
                    first: unseen.first,
                    all: Some(all),
                    times: unseen.times,
                })
            })
            .collect();
        let course = Course {
            from: self.first,
            to: self.last,
            mass: self.mass.kept,
            loss: self.loss.kept,
            marks: self.marks,
            restated: self.restated,
            gaps,
            notes: Vec::new(),
        };
        (course, self.opening)
    }
}

impl<T> Extend<T> for Thinned<T> {
    fn extend<I: IntoIterator<Item = T>>(&mut self, iter: I) {
        for one in iter {
            self.push(one);
        }
    }
}

/// Id and name of a channel.
pub(super) fn channel_words(plant: &Plant, id: &str) -> String {
    plant.channel_by_id(id).map_or_else(
        || id.to_owned(),
        |(_, channel)| format!("{id} ({})", channel.name),
    )
}

/// Standard uncertainty of the longest window's loss, kg.
pub(super) fn longest_std(report: &LossReport) -> Option<f64> {
    report
        .windows
        .last()
        .map(|window| window.std_kg)
        .filter(|std| std.is_finite())
}

/// The rate of a report, as a point of a curve.
pub(super) fn loss_point(at: Timestamp, report: &LossReport) -> Option<LossPoint> {
    let rate = report.rate.as_ref()?;
    Some(LossPoint {
        at,
        rate_kg_per_s: rate.rate_kg_per_s,
        std_kg_per_s: rate.std_kg_per_s,
        detection_limit_kg_per_s: rate.detection_limit_kg_per_s,
    })
}
