//! The past, as the pages ask for it: the store's records turned into what people read.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::watch;

use crate::console::{
    InventoryOf, JournalLine, LossPoint, MassPoint, Past, PastError, TrendBucket, TrendSeries,
};
use crate::engine::{Actor, MassFigure, OutcomeKind};
use crate::history::{JournalRow, Reader, StorageError};
use crate::plant::{Channel, Plant, channels_within};
use crate::quantity::Quality;
use crate::time::{Span, Timestamp};

/// Most lines of the journal that one question reads.
const MOST_ROWS_OF_JOURNAL: usize = 500;

/// The store of a data directory, opened anew for each question: readers are cheap, and one that
/// lingers would keep the store's log from being shortened.
pub struct StoredPast {
    directory: PathBuf,
    plant: watch::Receiver<Arc<Plant>>,
}

impl StoredPast {
    /// The past in `directory`, told in the words of the description in force.
    #[must_use]
    pub fn new(directory: PathBuf, plant: watch::Receiver<Arc<Plant>>) -> Self {
        Self { directory, plant }
    }

    fn reader(&self) -> Result<Reader, PastError> {
        Reader::open(&self.directory).map_err(unreadable)
    }
}

#[expect(clippy::needless_pass_by_value, reason = "passed to map_err")]
fn unreadable(error: StorageError) -> PastError {
    PastError::Unreadable(error.to_string())
}

impl Past for StoredPast {
    fn trend(
        &self,
        channel: &str,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<TrendSeries, PastError> {
        let plant = Arc::clone(&self.plant.borrow());
        let (ix, described) = plant
            .channel_by_id(channel)
            .ok_or_else(|| PastError::Unknown(channel.to_owned()))?;
        let reader = self.reader()?;
        let mut buckets = Buckets::new(described, from, to, most);
        for block in reader.blocks().map_err(unreadable)? {
            let within = channels_within(&plant, &block);
            let offset = within
                .iter()
                .find(|(known, _)| *known == ix)
                .and_then(|(_, range)| u16::try_from(range.start).ok());
            let Some(offset) = offset else {
                continue;
            };
            let mut samples = reader
                .words_between(&block, offset, described.words(), from, to)
                .map_err(unreadable)?;
            for (stamp, words) in samples.by_ref() {
                if let (Some(at), Ok(words)) = (stamp.utc, words) {
                    buckets.take(described, at, &words);
                }
            }
            if let Some(error) = samples.failed() {
                return Err(PastError::Unreadable(error.to_string()));
            }
        }
        Ok(buckets.close(described))
    }

    fn inventory(
        &self,
        of: &InventoryOf,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<Vec<MassPoint>, PastError> {
        let found = self
            .reader()?
            .inventory_between(from, to, most)
            .map_err(unreadable)?;
        let figure = |report: &crate::engine::InventoryReport| -> Option<MassFigure> {
            let named = |list: &[(crate::plant::Id, MassFigure)], id: &str| {
                list.iter()
                    .find(|(known, _)| **known == *id)
                    .map(|(_, figure)| *figure)
            };
            match of {
                InventoryOf::Plant => Some(report.plant),
                InventoryOf::Section(id) => named(&report.sections, id),
                InventoryOf::Vessel(id) => named(&report.vessels, id),
            }
        };
        Ok(found
            .reports
            .iter()
            .filter_map(|dated| {
                let figure =
                    figure(&dated.report).filter(|figure| figure.quality != Quality::Bad)?;
                Some(MassPoint {
                    at: dated.stamp.utc?,
                    mass_kg: figure.mass_kg,
                    std_kg: figure.std_kg,
                })
            })
            .collect())
    }

    fn loss(
        &self,
        section: Option<&str>,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<Vec<LossPoint>, PastError> {
        let reader = self.reader()?;
        let found = match section {
            None => reader.losses_between(from, to, most),
            Some(_) => reader.section_losses_between(from, to),
        }
        .map_err(unreadable)?;
        Ok(found
            .reports
            .iter()
            .filter(|dated| dated.report.section.as_deref() == section)
            .filter_map(|dated| {
                let rate = dated.report.rate.as_ref()?;
                Some(LossPoint {
                    at: dated.stamp.utc?,
                    rate_kg_per_s: rate.rate_kg_per_s,
                    std_kg_per_s: rate.std_kg_per_s,
                    detection_limit_kg_per_s: rate.detection_limit_kg_per_s,
                })
            })
            .collect())
    }

    fn journal(&self, before: Option<u64>, limit: usize) -> Result<Vec<JournalLine>, PastError> {
        let reader = self.reader()?;
        let limit = limit.min(MOST_ROWS_OF_JOURNAL);
        let mut rows = reader.journal_newest(limit).map_err(unreadable)?;
        if let Some(before) = before {
            // Pages of the journal are asked for newest first; walk back by number.
            while rows
                .last()
                .is_some_and(|row| row.outcome.outcome.seq >= before)
            {
                let Some(first) = rows.last().map(|row| row.id) else {
                    break;
                };
                let start = first.saturating_sub(limit as u64);
                let mut older = reader.journal(start, limit).map_err(unreadable)?;
                older.reverse();
                if older.is_empty() || first <= 1 {
                    break;
                }
                rows = older;
            }
            rows.retain(|row| row.outcome.outcome.seq < before);
        }
        let plant = Arc::clone(&self.plant.borrow());
        Ok(rows
            .iter()
            .filter_map(|row| journal_line(&plant, row))
            .collect())
    }
}

struct Buckets {
    from: Timestamp,
    width: Span,
    sums: Vec<Option<Sum>>,
}

#[derive(Clone, Copy)]
struct Sum {
    min: f64,
    max: f64,
    total: f64,
    count: u32,
    worst: Quality,
}

impl Buckets {
    fn new(channel: &Channel, from: Timestamp, to: Timestamp, most: usize) -> Self {
        let most = i64::try_from(most.clamp(1, 4_000)).unwrap_or(1);
        let whole = (to - from).millis().max(1);
        let width = (whole + most - 1)
            .div_euclid(most)
            .max(channel.interval.millis());
        let count = usize::try_from(whole.div_euclid(width) + 1).unwrap_or(1);
        Self {
            from,
            width: Span::from_millis(width),
            sums: vec![None; count],
        }
    }

    fn take(&mut self, channel: &Channel, at: Timestamp, words: &[u16]) {
        let place = (at - self.from).millis().div_euclid(self.width.millis());
        let Some(sum) = usize::try_from(place)
            .ok()
            .and_then(|place| self.sums.get_mut(place))
        else {
            return;
        };
        let measured = channel
            .chain
            .convert(words, channel.range, &channel.uncertainty);
        let value = channel.unit.from_si(measured.value.0);
        let usable = measured.is_usable() && value.is_finite();
        let sum = sum.get_or_insert(Sum {
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
            total: 0.0,
            count: 0,
            worst: Quality::Good,
        });
        sum.worst = sum.worst.max(measured.quality);
        if usable {
            sum.min = sum.min.min(value);
            sum.max = sum.max.max(value);
            sum.total += value;
            sum.count += 1;
        }
    }

    fn close(self, channel: &Channel) -> TrendSeries {
        TrendSeries {
            unit: channel.unit.symbol.to_owned(),
            from: self.from,
            bucket_ms: self.width.millis(),
            buckets: self
                .sums
                .into_iter()
                .map(|sum| {
                    sum.map(|sum| {
                        if sum.count == 0 {
                            return TrendBucket {
                                min: 0.0,
                                max: 0.0,
                                mean: 0.0,
                                quality: Quality::Bad,
                            };
                        }
                        TrendBucket {
                            min: sum.min,
                            max: sum.max,
                            mean: sum.total / f64::from(sum.count),
                            // Numbers from usable readings stand, however few; the worst quality
                            // beside them only warns.
                            quality: sum.worst.min(Quality::Uncertain),
                        }
                    })
                })
                .collect(),
        }
    }
}

/// What a row of the journal says to a person.
fn journal_line(plant: &Plant, row: &JournalRow) -> Option<JournalLine> {
    let outcome = &row.outcome.outcome;
    let (subject, words, who) = said(plant, &outcome.kind)?;
    Some(JournalLine {
        seq: outcome.seq,
        at: outcome.stamp.utc,
        subject,
        words,
        who: who.map(|actor| actor.name.clone()),
    })
}

type Said<'a> = (String, String, Option<&'a Actor>);

/// Subject, words, and who did it.
fn said<'a>(plant: &Plant, kind: &'a OutcomeKind) -> Option<Said<'a>> {
    Some(match kind {
        OutcomeKind::Alarm(transition) => {
            let rule = plant.alarms.iter().find(|rule| rule.id == transition.alarm);
            let words = format!(
                "{}: {} (was {}); {}",
                rule.map_or("", |rule| rule.name.as_str()),
                transition.to.words(),
                transition.from.words(),
                transition.detail
            );
            (
                transition.alarm.to_string(),
                words,
                transition.actor.as_ref(),
            )
        }
        OutcomeKind::Booked(entry) => {
            let booking = &entry.booking;
            let words = format!(
                "ledger: {} of {:.2} kg; {}",
                booking.kind.words(),
                booking.mass.value.si(),
                booking.note
            );
            (entry.id.to_string(), words, Some(&entry.actor))
        }
        OutcomeKind::Refused { actor, why } => ("refused".to_owned(), why.clone(), Some(actor)),
        OutcomeKind::ChannelService {
            channel,
            in_service,
            reason,
            actor,
        } => {
            let state = if *in_service {
                "back in service"
            } else {
                "out of service"
            };
            (
                channel.to_string(),
                format!("{state}: {reason}"),
                Some(actor),
            )
        }
        OutcomeKind::ModeChanged {
            vessel,
            mode,
            actor,
        } => (
            vessel.to_string(),
            format!("mode is now {mode}"),
            actor.as_ref(),
        ),
        OutcomeKind::PassageChanged {
            line,
            passage,
            actor,
        } => {
            let words = format!("line is now {}", passage_words(*passage));
            (line.to_string(), words, actor.as_ref())
        }
        other => {
            let (subject, words) = said_by_nobody(other)?;
            (subject, words, None)
        }
    })
}

/// Subject and words of what no person did.
fn said_by_nobody(kind: &OutcomeKind) -> Option<(String, String)> {
    let (subject, words) = match kind {
        OutcomeKind::ChannelQuality {
            channel,
            quality,
            reason,
        } => (&**channel, format!("quality {quality} {}", reason.words())),
        OutcomeKind::Restated {
            from_kg,
            to_kg,
            why,
        } => (
            "inventory",
            format!("restated from {from_kg:.2} kg to {to_kg:.2} kg, no helium moved: {why}"),
        ),
        OutcomeKind::DescriptionChanged { hash } => {
            ("description", format!("description {hash} is in force"))
        }
        OutcomeKind::ClockStepped { by: Some(by) } => {
            ("clock", format!("the wall clock stepped by {by}"))
        }
        OutcomeKind::ClockStepped { by: None } => ("clock", "the wall clock was set".to_owned()),
        OutcomeKind::RecordingGap { polls } => {
            ("recording", format!("{polls} polls are not on record"))
        }
        OutcomeKind::Happening(happening) => ("helium", happening.words()),
        OutcomeKind::Explained(explanation) => ("loss", explanation.words()),
        _ => return None,
    };
    Some((subject.to_owned(), words))
}

fn passage_words(passage: crate::plant::Passage) -> &'static str {
    match passage {
        crate::plant::Passage::Open => "open",
        crate::plant::Passage::Shut => "shut",
        crate::plant::Passage::Unknown => "in an unknown state",
    }
}
