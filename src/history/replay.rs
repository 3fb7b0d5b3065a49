//! The recorded events in their one order, streamed: sealed rows, head frames and single events
//! are merged by `seq`, one row of each at a time in memory.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, VecDeque};
use std::ops::ControlFlow;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, params};

use super::codec::{Malformed, checked};
use super::error::{Damage, StorageError};
use super::polls::{Polls, Series, frame_sections};
use super::reader::{Reader, View};
use crate::engine::{Event, EventKind, Poll};
use crate::plant::BlockKey;

/// Single events that are read together.
const ROWS: i64 = 1_000;

/// What a replay has gone through.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[must_use = "a replay that passed over damaged rows is not the whole record"]
pub struct Replayed {
    /// Events handed over.
    pub events: u64,
    /// Rows that did not read back; their events were passed over.
    pub damaged: Vec<Damage>,
}

impl Reader {
    /// Hands over every recorded event from `from_seq` on, in order, until there are no more or
    /// the caller breaks off. Sees the store as it is at the call; events committed meanwhile are
    /// for the next one.
    ///
    /// Damaged rows are passed over and reported. While a replay runs, the log of the database
    /// cannot be shortened, so a caller should not dawdle.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn replay(
        &self,
        from_seq: u64,
        mut on_event: impl FnMut(Event) -> ControlFlow<()>,
    ) -> Result<Replayed, StorageError> {
        let _view = View::begin(&self.db)?;
        let mut merge = Merge::start(self, from_seq)?;
        let mut events = 0;
        while let Some(event) = merge.next(&self.db)? {
            events += 1;
            if on_event(event).is_break() {
                break;
            }
        }
        Ok(Replayed {
            events,
            damaged: merge.damaged,
        })
    }
}

struct Merge {
    from: u64,
    feeds: Vec<Feed>,
    /// Next event of each feed that has one, earliest on top.
    next: BinaryHeap<Reverse<(u64, usize)>>,
    widths: BTreeMap<i64, Series>,
    damaged: Vec<Damage>,
}

enum Feed {
    Sealed {
        series: Series,
        polls: Polls,
        at: usize,
        /// Last event of the row at hand.
        through: u64,
    },
    Frames {
        events: VecDeque<Event>,
        /// First event of the row at hand.
        from: Option<i64>,
    },
    Rows {
        events: VecDeque<Event>,
        through: i64,
    },
}

impl Merge {
    fn start(reader: &Reader, from: u64) -> Result<Self, StorageError> {
        let from = from.min(i64::MAX.cast_unsigned());
        let all = reader.series()?;
        let before = from.saturating_sub(1);
        let mut feeds: Vec<Feed> = all
            .iter()
            .map(|series| Feed::Sealed {
                series: series.clone(),
                polls: Polls::default(),
                at: 0,
                through: before,
            })
            .collect();
        feeds.push(Feed::Frames {
            events: VecDeque::new(),
            from: None,
        });
        feeds.push(Feed::Rows {
            events: VecDeque::new(),
            through: before.cast_signed(),
        });
        let mut merge = Self {
            from,
            feeds,
            next: BinaryHeap::new(),
            widths: all.into_iter().map(|series| (series.id, series)).collect(),
            damaged: Vec::new(),
        };
        for feed in 0..merge.feeds.len() {
            merge.queue(&reader.db, feed)?;
        }
        Ok(merge)
    }

    fn next(&mut self, db: &Connection) -> Result<Option<Event>, StorageError> {
        let Some(Reverse((_, feed))) = self.next.pop() else {
            return Ok(None);
        };
        let event = self.feeds.get_mut(feed).and_then(Feed::take);
        self.queue(db, feed)?;
        Ok(event)
    }

    /// Notes the next event of a feed, loading another row where needed.
    fn queue(&mut self, db: &Connection, which: usize) -> Result<(), StorageError> {
        let Some(feed) = self.feeds.get_mut(which) else {
            return Ok(());
        };
        loop {
            if let Some(seq) = feed.peek() {
                if seq >= self.from {
                    self.next.push(Reverse((seq, which)));
                    return Ok(());
                }
                feed.skip();
            } else if !feed.load(db, self.from, &self.widths, &mut self.damaged)? {
                return Ok(());
            }
        }
    }
}

impl Feed {
    fn peek(&self) -> Option<u64> {
        match self {
            Self::Sealed { polls, at, .. } => polls.stamps.seqs().get(*at).copied(),
            Self::Frames { events, .. } | Self::Rows { events, .. } => {
                events.front().map(|event| event.seq)
            }
        }
    }

    fn skip(&mut self) {
        match self {
            Self::Sealed { at, .. } => *at += 1,
            Self::Frames { events, .. } | Self::Rows { events, .. } => {
                events.pop_front();
            }
        }
    }

    fn take(&mut self) -> Option<Event> {
        match self {
            Self::Sealed {
                series, polls, at, ..
            } => {
                let event = event(polls, *at, series.key.as_ref());
                *at += 1;
                event
            }
            Self::Frames { events, .. } | Self::Rows { events, .. } => events.pop_front(),
        }
    }

    /// Loads the next row; false when there is none.
    fn load(
        &mut self,
        db: &Connection,
        after: u64,
        all: &BTreeMap<i64, Series>,
        damaged: &mut Vec<Damage>,
    ) -> Result<bool, StorageError> {
        match self {
            Self::Sealed {
                series,
                polls,
                at,
                through,
            } => {
                let row = db
                    .prepare_cached(
                        "SELECT first_seq, last_seq, events, data FROM sealed
                         WHERE series = ? AND last_seq > ? ORDER BY last_seq LIMIT 1",
                    )?
                    .query_row(params![series.id, through.cast_signed()], |row| {
                        Ok((
                            row.get::<_, i64>(0)?.cast_unsigned(),
                            row.get::<_, i64>(1)?.cast_unsigned(),
                            row.get::<_, i64>(2)?,
                            row.get::<_, Vec<u8>>(3)?,
                        ))
                    })
                    .optional()?;
                let Some((first_seq, last_seq, events, data)) = row else {
                    return Ok(false);
                };
                *through = last_seq;
                *at = 0;
                *polls = sealed(&data, series.width(), first_seq, last_seq, events).unwrap_or_else(
                    |why| {
                        damaged.push(Damage {
                            table: "sealed",
                            first_seq,
                            last_seq,
                            why: why.to_string(),
                        });
                        Polls::default()
                    },
                );
                Ok(true)
            }
            Self::Frames { events, from } => {
                let row = db
                    .prepare_cached(
                        "SELECT first_seq, last_seq, data FROM frame
                         WHERE first_seq > ? AND last_seq >= ? ORDER BY first_seq LIMIT 1",
                    )?
                    .query_row(params![from.unwrap_or(-1), after.cast_signed()], |row| {
                        Ok((
                            row.get(0)?,
                            row.get::<_, i64>(1)?,
                            row.get::<_, Vec<u8>>(2)?,
                        ))
                    })
                    .optional()?;
                let Some((first_seq, last_seq, data)) = row else {
                    return Ok(false);
                };
                *from = Some(first_seq);
                match frame(&data, all) {
                    Ok(of_frame) => *events = of_frame,
                    Err(why) => damaged.push(Damage {
                        table: "frame",
                        first_seq: first_seq.cast_unsigned(),
                        last_seq: last_seq.cast_unsigned(),
                        why: why.to_string(),
                    }),
                }
                Ok(true)
            }
            Self::Rows { events, through } => load_rows(db, events, through, damaged),
        }
    }
}

fn load_rows(
    db: &Connection,
    events: &mut VecDeque<Event>,
    through: &mut i64,
    damaged: &mut Vec<Damage>,
) -> Result<bool, StorageError> {
    let mut statement =
        db.prepare_cached("SELECT seq, data FROM event WHERE seq > ? ORDER BY seq LIMIT ?")?;
    let mut rows = statement.query([*through, ROWS])?;
    let mut any = false;
    while let Some(row) = rows.next()? {
        any = true;
        *through = row.get(0)?;
        let data: Vec<u8> = row.get(1)?;
        let seq = through.cast_unsigned();
        match single(&data).filter(|event| event.seq == seq) {
            Some(event) => events.push_back(event),
            None => damaged.push(Damage {
                table: "event",
                first_seq: seq,
                last_seq: seq,
                why: "the event does not read back".to_owned(),
            }),
        }
    }
    Ok(any)
}

fn single(data: &[u8]) -> Option<Event> {
    match postcard::take_from_bytes(checked(data).ok()?.0) {
        Ok((event, [])) => Some(event),
        _ => None,
    }
}

/// A sealed row, if it holds what its key says.
pub(super) fn sealed(
    data: &[u8],
    width: usize,
    first_seq: u64,
    last_seq: u64,
    events: i64,
) -> Result<Polls, Malformed> {
    let polls = Polls::decode_sealed(data, 0, usize::MAX)?;
    let seqs = polls.stamps.seqs();
    if polls.width() != width
        || seqs.first() != Some(&first_seq)
        || seqs.last() != Some(&last_seq)
        || i64::try_from(seqs.len()) != Ok(events)
    {
        return Err(Malformed("the row does not hold what its key says"));
    }
    Ok(polls)
}

fn frame(data: &[u8], all: &BTreeMap<i64, Series>) -> Result<VecDeque<Event>, Malformed> {
    let mut events = Vec::new();
    for (id, mut section) in frame_sections(data)? {
        let series = all
            .get(&id)
            .ok_or(Malformed("a series that is not known"))?;
        let polls = Polls::decode_light(&mut section, series.width())?;
        section.end()?;
        events.extend(
            (0..polls.len())
                .filter_map(|at| event(&polls, at, series.key.as_ref()))
                .filter(|event| event.seq > series.sealed_through),
        );
    }
    events.sort_unstable_by_key(|event| event.seq);
    Ok(events.into())
}

fn event(polls: &Polls, at: usize, key: Option<&Arc<BlockKey>>) -> Option<Event> {
    let (seq, stamp) = polls.stamps.get(at)?;
    let kind = match key {
        None => EventKind::Tick,
        Some(key) => EventKind::Poll(Poll {
            block: Arc::clone(key),
            words: polls.words(at),
        }),
    };
    Some(Event { seq, stamp, kind })
}
