//! The record of a data directory.
//!
//! The newest snapshot gives the last thirty days by cause of error. What lies before is read from
//! the reports as they were stored (of a section: [`sections`]); only around the two ends of a longer
//! balance a few readings are replayed, so that a calibration cancels in it as it does in a shorter one.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

use super::course::{channel_words, longest_std, loss_point};
use super::{
    Gathered, KEPT, LossesArgs, LossesError, Stretch, area_words, balance_of, section_of, sections,
};
use crate::balance::window::{self, Average};
use crate::console::MassPoint;
use crate::console::facts::statement::{Course, Gap, Mark};
use crate::console::words::SiteTime;
use crate::daemon::recorder::{RecorderError, described_as};
use crate::engine::{
    Action, ActionKind, Actor, Engine, Event, EventKind, LossReport, OutcomeKind, View,
    WindowBalance,
};
use crate::history::{Dated, JournalRow, Reader};
use crate::plant::{End, Id, Passage, Plant};
use crate::quantity::Quality;
use crate::replay;
use crate::time::{Monotonic, Span, Stamp, Timestamp};

/// Points of a curve.
const POINTS: usize = 1_000;
/// A report this near to a time is that of the time.
pub(super) const NEAR: Span = Span::from_millis(3_600_000);
/// Around an end of a long balance so much is replayed before it, and so much after it.
const BEFORE: Span = Span::from_millis(2_400_000);
const AFTER: Span = Span::from_millis(1_200_000);
/// Gaps and restatements that are named.
const MOST_NAMED: usize = 50;
const MINUTE: Span = Span::from_millis(60_000);

/// What meters on the boundary counted in a day that ended then: in and out, kg.
type Metered = (Timestamp, (f64, f64));

/// What the record says of a stretch.
pub(super) fn gather(args: &LossesArgs, stretch: Stretch) -> Result<Gathered, LossesError> {
    let reader = Reader::open(&args.data)?;
    let until = stretch.to.filter(|_| args.at.is_some());
    let engine = replayed(&reader, &args.data, until)?;
    let plant = Arc::clone(engine.plant());
    let section = section_of(&plant, args.section.as_deref())?;
    let mut view = engine.view();
    let Some(newest) = view.at else {
        return Ok(Gathered {
            plant,
            view,
            course: Course::default(),
            between: None,
            area: None,
        });
    };
    let to = stretch.to.map_or(newest, |to| to.min(newest));
    let from = stretch.from.unwrap_or(to - KEPT);
    let record = Record {
        reader: &reader,
        engine: &engine,
        plant: &plant,
        from,
        to,
    };
    let mut course = record.course()?;
    if to + MINUTE < newest {
        if let Some(told) = record.picture_at(&mut view)? {
            course.notes.push(format!(
                "what could explain the loss stands as it was told at {told}; to weigh it with what was seen until then, take --at in place of --to"
            ));
        }
        // It is of the last day on record, not of the day before `to`.
        view.reconciliation = None;
    }
    let begin = course.from.unwrap_or(from);
    let mut area = None;
    let between = if newest - begin <= KEPT {
        area = section.map(|section| area_words(&engine, section, begin, to));
        balance_of(&engine, section, begin, to)
    } else if let Some(section) = section {
        let found = sections::balance(&record, section, &mut course)?;
        found.map(|(balance, words)| {
            area = Some(words);
            balance
        })
    } else {
        record.long_balance(&mut course)?
    };
    Ok(Gathered {
        plant,
        view,
        course,
        between,
        area,
    })
}

/// A stretch of a record.
pub(super) struct Record<'a> {
    pub reader: &'a Reader,
    pub engine: &'a Engine,
    pub plant: &'a Arc<Plant>,
    pub from: Timestamp,
    pub to: Timestamp,
}

impl Record<'_> {
    fn course(&self) -> Result<Course, LossesError> {
        let end = self.to + Span::from_millis(1);
        let inventories = self.reader.inventory_between(self.from, end, POINTS)?;
        let reports = self.reader.losses_between(self.from, end, POINTS)?;
        let mut course = Course {
            mass: inventories.reports.iter().filter_map(mass_point).collect(),
            loss: reports
                .reports
                .iter()
                .filter_map(|dated| loss_point(dated.stamp.utc?, &dated.report))
                .collect(),
            ..Course::default()
        };
        let damaged = inventories.damaged.len() + reports.damaged.len();
        if damaged > 0 {
            course
                .notes
                .push(format!("{damaged} rows of stored reports do not read back"));
        }
        course.from = course.mass.first().map(|point| point.at);
        let last = self.mark(self.to - NEAR, end, true)?;
        course.to = last.as_ref().map(|mark| mark.at).or(Some(self.to));
        if let Some(begin) = course.from {
            course.marks = self.marks(begin, last)?;
        }
        let first = inventories.reports.first().map_or(0, |dated| dated.seq);
        let rows = self.reader.journal_within(first, self.last_seq()?)?;
        self.journal(&rows, &mut course);
        Ok(course)
    }

    /// The last event of the stretch.
    fn last_seq(&self) -> Result<u64, LossesError> {
        let end = self.to + Span::from_millis(1);
        let near = self
            .reader
            .inventory_between(self.to - NEAR, end, usize::MAX)?;
        let last = near.reports.last().map(|dated| dated.seq);
        Ok(last.unwrap_or(self.engine.seq()))
    }

    /// The stock at the beginning, at the turns of months, and at the end.
    fn marks(&self, begin: Timestamp, last: Option<Mark>) -> Result<Vec<Mark>, LossesError> {
        let time = SiteTime::of(self.plant);
        let mut marks = Vec::new();
        marks.extend(self.mark(begin, begin + NEAR, false)?);
        let mut at = begin;
        while let Some(next) = time.next_month(at).filter(|next| *next < self.to) {
            marks.extend(self.mark(next, next + NEAR, false)?);
            at = next;
        }
        marks.extend(last.filter(|last| marks.last().is_none_or(|mark| mark.at < last.at)));
        let metered = self.metered(begin)?;
        for mark in &mut marks {
            let until = metered.iter().filter(|(at, _)| *at <= mark.at);
            mark.metered_kg = until.fold((0.0, 0.0), |sum, (_, kg)| (sum.0 + kg.0, sum.1 + kg.1));
        }
        Ok(marks)
    }

    /// The first or last stock between two times.
    fn mark(
        &self,
        from: Timestamp,
        to: Timestamp,
        last: bool,
    ) -> Result<Option<Mark>, LossesError> {
        let most = if last { usize::MAX } else { 1 };
        let found = self.reader.inventory_between(from, to, most)?;
        let point = if last {
            found.reports.iter().rev().find_map(mass_point)
        } else {
            found.reports.iter().find_map(mass_point)
        };
        let Some(point) = point else {
            return Ok(None);
        };
        let reports = self
            .reader
            .losses_between(point.at - NEAR, point.at + NEAR, usize::MAX)?;
        let difference_std_kg = reports
            .reports
            .iter()
            .rfind(|dated| dated.stamp.utc.is_some_and(|utc| utc <= point.at))
            .or(reports.reports.first())
            .and_then(|dated| longest_std(&dated.report));
        Ok(Some(Mark {
            at: point.at,
            mass_kg: point.mass_kg,
            difference_std_kg,
            metered_kg: (0.0, 0.0),
        }))
    }

    /// Day by day, what meters on the plant's boundary counted in and out, kg: the balance of each
    /// day less its books. Nothing where there are no such meters.
    fn metered(&self, begin: Timestamp) -> Result<Vec<Metered>, LossesError> {
        let any = self.plant.all.line.iter().any(|line| {
            line.meter.is_some() && (line.from == End::Outside || line.to == End::Outside)
        });
        if !any {
            return Ok(Vec::new());
        }
        let days = usize::try_from((self.to - begin).millis() / Span::DAY.millis()).unwrap_or(0);
        let end = begin + Span::from_millis(Span::DAY.millis() * i64::try_from(days).unwrap_or(0));
        let found = self
            .reader
            .losses_between(begin + Span::DAY, end + Span::DAY, days.max(1))?;
        let ledger = self.engine.ledger();
        Ok(found
            .reports
            .iter()
            .filter_map(|dated| {
                let day = dated.report.windows.iter().find(|w| w.over == Span::DAY)?;
                let from = day.from?;
                let booked = ledger.booked_between(from, from + Span::DAY);
                let (inwards, outwards) = (
                    day.received_kg - booked.received_kg,
                    day.dispatched_kg - booked.dispatched_kg,
                );
                Some((dated.stamp.utc?, (inwards.max(0.0), outwards.max(0.0))))
            })
            .collect())
    }

    /// Gaps and restatements in the journal.
    fn journal(&self, rows: &[JournalRow], course: &mut Course) {
        let mut bad: BTreeMap<Id, (Option<Timestamp>, Gap)> = BTreeMap::new();
        let mut skipped = 0;
        for row in rows {
            let outcome = &row.outcome.outcome;
            let Some(at) = outcome.stamp.utc else {
                continue;
            };
            match &outcome.kind {
                OutcomeKind::ChannelQuality {
                    channel,
                    quality,
                    reason,
                } => {
                    let known = bad.entry(Id::clone(channel)).or_insert_with(|| {
                        let gap = Gap {
                            what: channel_words(self.plant, channel),
                            why: String::new(),
                            first: None,
                            all: Some(Span::ZERO),
                            times: 0,
                        };
                        (None, gap)
                    });
                    if *quality == Quality::Bad {
                        known.0.get_or_insert(at);
                        known.1.first.get_or_insert(at);
                        known.1.times += 1;
                        reason.words().clone_into(&mut known.1.why);
                    } else if let Some(since) = known.0.take() {
                        known.1.all = known.1.all.map(|all| all + (at - since));
                    }
                }
                OutcomeKind::Restated {
                    from_kg,
                    to_kg,
                    why,
                } if course.restated.len() < MOST_NAMED => {
                    course.restated.push((at, to_kg - from_kg, why.clone()));
                }
                OutcomeKind::RecordingGap { polls } if course.gaps.len() < MOST_NAMED => {
                    course.gaps.push(Gap {
                        what: "The record".into(),
                        why: format!("{polls} polls are not on record"),
                        first: Some(at),
                        all: None,
                        times: 1,
                    });
                }
                OutcomeKind::ClockStepped { .. } => skipped += 1,
                _ => {}
            }
        }
        if skipped > 0 {
            course
                .notes
                .push(format!("the wall clock was set {skipped} times"));
        }
        let mut of_channels: Vec<Gap> = bad
            .into_values()
            .filter_map(|(open, mut gap)| {
                let still = open.map_or(Span::ZERO, |since| self.to - since);
                gap.all = gap.all.map(|all| all + still);
                (gap.times > 0).then_some(gap)
            })
            .collect();
        of_channels.sort_by_key(|gap| std::cmp::Reverse(gap.all));
        if of_channels.len() > MOST_NAMED {
            course.notes.push(format!(
                "{} more channels were not seen for a while",
                of_channels.len() - MOST_NAMED
            ));
            of_channels.truncate(MOST_NAMED);
        }
        course.gaps.extend(of_channels);
    }

    /// Makes a picture of now into one of the end of the stretch, as it was reported then. The books
    /// are those of now. Gives the time at which was told what could explain a loss.
    fn picture_at(&self, view: &mut View) -> Result<Option<Timestamp>, LossesError> {
        let end = self.to + Span::from_millis(1);
        let plant = self
            .reader
            .losses_between(self.to - NEAR, end, usize::MAX)?;
        let areas = self.reader.section_losses_between(self.to - NEAR, end)?;
        view.losses = last_of(plant.reports).into_iter().collect();
        let mut newest: BTreeMap<Option<Id>, (u64, LossReport)> = BTreeMap::new();
        for dated in areas.reports {
            newest.insert(dated.report.section.clone(), (dated.seq, dated.report));
        }
        // An area that valves have undone is not reported any more.
        let last = newest.values().map(|(seq, _)| *seq).max();
        view.losses.extend(
            newest
                .into_values()
                .filter(|(seq, _)| Some(*seq) == last)
                .map(|(_, report)| report),
        );
        let stock = self
            .reader
            .inventory_between(self.to - NEAR, end, usize::MAX)?;
        view.inventory = last_of(stock.reports);
        view.at = Some(self.to);
        view.vessels.clear();
        view.budget.clear();
        view.room = None;
        let first = self.seq_at(self.from)?;
        let standing = view.losses.iter().filter_map(|report| {
            let excess = report.excess.as_ref().filter(|excess| excess.raised)?;
            excess.since
        });
        // What is thought of a loss is told when it changes, which may have been before the stretch.
        let since = standing.min();
        let told_from = match since.filter(|since| *since < self.from) {
            Some(since) => self.seq_at(since)?,
            None => first,
        };
        view.explanation = None;
        view.happenings.clear();
        let mut told = None;
        for row in self.reader.journal_within(told_from, self.last_seq()?)? {
            match row.outcome.outcome.kind {
                OutcomeKind::Explained(found) if since.is_some() => {
                    view.explanation = Some(found);
                    told = row.outcome.outcome.stamp.utc;
                }
                OutcomeKind::Happening(happening) if row.outcome.outcome.seq > first => {
                    view.happenings.push(happening);
                }
                _ => {}
            }
        }
        Ok(told)
    }

    /// Position of the first report of the inventory from a time on; 0 where there is none.
    fn seq_at(&self, from: Timestamp) -> Result<u64, LossesError> {
        let found = self.reader.inventory_between(from, from + NEAR, 1)?;
        Ok(found.reports.first().map_or(0, |dated| dated.seq))
    }

    /// The plant's balance between two times more than thirty days ago, or apart.
    pub fn long_balance(&self, course: &mut Course) -> Result<Option<WindowBalance>, LossesError> {
        let (Some(from), Some(to)) = (course.from, course.to) else {
            return Ok(None);
        };
        let ends = if let (Some(opening), Some(closing)) =
            (self.average_at(from)?, self.closing(to)?)
        {
            Some((opening, closing))
        } else {
            course.notes.push(
                "the readings around one end are no longer on record: errors by cause are not known there, and all but the lasting part is taken as independent".into(),
            );
            let (opening, closing) = (self.stored(from)?, self.stored(to)?);
            opening.zip(closing)
        };
        let Some((mut opening, mut closing)) = ends else {
            return Ok(None);
        };
        // The two may come from engines that began at different times: wall time joins them.
        for average in [&mut opening, &mut closing] {
            average.at = Monotonic(average.utc.map_or(0, Timestamp::millis));
            average.metered_kg = (0.0, 0.0);
            average.restated_kg = 0.0;
        }
        closing.restated_kg = course
            .restated
            .iter()
            .filter(|(at, _, _)| *at > from && *at <= to)
            .map(|(_, kg, _)| kg)
            .sum();
        closing.metered_kg = course
            .marks
            .last()
            .map_or((0.0, 0.0), |mark| mark.metered_kg);
        let apart = closing.at - opening.at;
        let noise_kg2 = self.engine.losses().noise_kg2(apart);
        let mut found = window::across(
            self.plant,
            self.engine.ledger(),
            (&opening, &closing),
            apart,
            noise_kg2,
        );
        #[expect(clippy::cast_precision_loss, reason = "a thousand points")]
        if let Some(balance) = &mut found {
            balance.coverage = (course.mass.len() as f64 / POINTS as f64).min(1.0);
        }
        Ok(found)
    }

    /// The average at a time that the engine may still remember.
    fn closing(&self, at: Timestamp) -> Result<Option<Average>, LossesError> {
        let remembered = nearest(self.engine, at);
        match remembered {
            Some(average) => Ok(Some(average)),
            None => self.average_at(at),
        }
    }

    /// The average at a time, from a short replay around it by an engine of its own.
    fn average_at(&self, at: Timestamp) -> Result<Option<Average>, LossesError> {
        let begin = self
            .reader
            .inventory_between(at - BEFORE, at + AFTER, usize::MAX)?;
        let Some(first) = begin.reports.first() else {
            return Ok(None);
        };
        let after = first.seq.saturating_sub(1);
        let mut engine = Engine::new(Arc::clone(self.plant));
        let mut outcomes = Vec::new();
        let said = self.said_before(after)?;
        engine.resume_after(after.saturating_sub(said.len() as u64), []);
        for kind in said {
            let event = Event {
                seq: engine.seq() + 1,
                stamp: Stamp {
                    utc: first.stamp.utc,
                    ..first.stamp
                },
                kind: EventKind::Action(Action {
                    actor: Actor {
                        name: "record".into(),
                        place: "record".into(),
                    },
                    kind,
                }),
            };
            if engine.apply(&event, &mut outcomes).is_err() {
                return Ok(None);
            }
        }
        let mut refused = false;
        let replayed = self.reader.replay(after + 1, |event| {
            if event.stamp.utc.is_some_and(|utc| utc > at + AFTER) {
                return ControlFlow::Break(());
            }
            let mut describe = |hash| described_as(self.reader, None, hash).ok().flatten();
            if replay::step(&mut engine, &event, &mut describe, &mut outcomes).is_err() {
                refused = true;
                return ControlFlow::Break(());
            }
            ControlFlow::Continue(())
        })?;
        drop(replayed);
        Ok(nearest(&engine, at).filter(|_| !refused))
    }

    /// Modes and states of lines that held before an event, as actions that bring them about.
    fn said_before(&self, seq: u64) -> Result<Vec<ActionKind>, LossesError> {
        let mut modes: BTreeMap<Id, Id> = BTreeMap::new();
        let mut lines: BTreeMap<Id, Passage> = BTreeMap::new();
        let mut channels: BTreeMap<Id, bool> = BTreeMap::new();
        for row in self.reader.journal_within(0, seq)? {
            match row.outcome.outcome.kind {
                OutcomeKind::ModeChanged { vessel, mode, .. } => {
                    modes.insert(vessel, mode);
                }
                OutcomeKind::PassageChanged { line, passage, .. } => {
                    lines.insert(line, passage);
                }
                OutcomeKind::ChannelService {
                    channel,
                    in_service,
                    ..
                } => {
                    channels.insert(channel, in_service);
                }
                _ => {}
            }
        }
        let modes = modes
            .into_iter()
            .map(|(vessel, mode)| ActionKind::SetMode { vessel, mode });
        let lines = lines
            .into_iter()
            .map(|(line, passage)| ActionKind::SetPassage { line, passage });
        let channels = channels
            .into_iter()
            .filter(|(_, in_service)| !in_service)
            .map(|(channel, in_service)| ActionKind::ChannelInService {
                channel,
                in_service,
                reason: "as on record".into(),
            });
        Ok(modes.chain(lines).chain(channels).collect())
    }

    /// The stored stock nearest to a time, its uncertainty without what stays the same for weeks.
    fn stored(&self, at: Timestamp) -> Result<Option<Average>, LossesError> {
        let found = self
            .reader
            .inventory_between(at - NEAR, at + NEAR, usize::MAX)?;
        let off = |utc: Option<Timestamp>| utc.map_or(i64::MAX, |utc| (utc - at).millis().abs());
        let nearest = found
            .reports
            .iter()
            .filter(|dated| dated.report.plant.quality != Quality::Bad)
            .min_by_key(|dated| off(dated.stamp.utc));
        Ok(nearest.map(|dated| {
            let (all, constant) = (dated.report.plant.std_kg, dated.report.constant_std_kg);
            Average {
                at: Monotonic(0),
                utc: dated.stamp.utc,
                mass_kg: dated.report.plant.mass_kg,
                independent_kg2: (all * all - constant * constant).max(0.0),
                by_cause: Vec::new(),
                doubtful: Vec::new(),
                outdoor_kelvin: f64::NAN,
                restated_kg: 0.0,
                metered_kg: (0.0, 0.0),
            }
        }))
    }
}

/// The average of an engine nearest to a time, when it has one there.
fn nearest(engine: &Engine, at: Timestamp) -> Option<Average> {
    let off = |average: &&Average| {
        average
            .utc
            .map_or(i64::MAX, |utc| (utc - at).millis().abs())
    };
    engine
        .losses()
        .history()
        .averages()
        .iter()
        .filter(|average| average.mass_kg.is_finite() && average.utc.is_some())
        .min_by_key(off)
        .filter(|average| off(average) <= AFTER.millis())
        .cloned()
}

fn last_of<T>(mut reports: Vec<Dated<T>>) -> Option<T> {
    reports.pop().map(|dated| dated.report)
}

fn mass_point(dated: &Dated<crate::engine::InventoryReport>) -> Option<MassPoint> {
    let figure = dated.report.plant;
    (figure.quality != Quality::Bad).then_some(MassPoint {
        at: dated.stamp.utc?,
        mass_kg: figure.mass_kg,
        std_kg: figure.std_kg,
    })
}

/// Description and picture as the record has them, now or at a time.
///
/// # Errors
/// [`LossesError`] when the record cannot be read or is empty by then.
pub fn on_record(
    directory: &Path,
    until: Option<Timestamp>,
) -> Result<(Arc<Plant>, View), LossesError> {
    let reader = Reader::open(directory)?;
    let engine = replayed(&reader, directory, until)?;
    Ok((Arc::clone(engine.plant()), engine.view()))
}

/// The engine as it was after the last event, or at a time.
fn replayed(
    reader: &Reader,
    directory: &Path,
    until: Option<Timestamp>,
) -> Result<Engine, LossesError> {
    let mut engine: Option<Engine> = None;
    // The newest snapshot saves the replay of what lies before it, unless it lies after the time
    // asked for.
    if until.is_none()
        && let Some((header, bytes)) = reader.latest_snapshot()?
        && let Some(plant) = described_as(reader, None, header.description)?
    {
        engine = Engine::restore(plant, &header, &bytes).ok();
    }
    let from = engine.as_ref().map_or(1, |engine| engine.seq() + 1);
    let mut outcomes = Vec::new();
    let mut problem = None;
    let replayed = reader.replay(from, |event| {
        if until.is_some_and(|until| event.stamp.utc.is_some_and(|at| at > until)) {
            return ControlFlow::Break(());
        }
        let mut describe = |hash| described_as(reader, None, hash).ok().flatten();
        if engine.is_none()
            && let EventKind::DescriptionInForce { hash } = event.kind
        {
            engine = describe(hash).map(Engine::new);
        }
        let stepped = engine
            .as_mut()
            .map(|engine| replay::step(engine, &event, &mut describe, &mut outcomes));
        if let Some(Err(error)) = stepped {
            problem = Some(RecorderError::Replay {
                seq: event.seq,
                problem: error.to_string(),
            });
            return ControlFlow::Break(());
        }
        ControlFlow::Continue(())
    })?;
    drop(replayed);
    if let Some(problem) = problem {
        return Err(problem.into());
    }
    engine.ok_or_else(|| LossesError::Nothing(directory.to_owned()))
}
