//! Positions and times of many events as columns: one time column per group of registers that are
//! read together, not one per channel.

use pco::DeltaSpec;

use super::codec::{
    Input, MOST_VALUES, Malformed, column, put_column, put_len, put_signed, put_varint,
};
use super::error::StorageError;
use crate::time::{Monotonic, Stamp, Timestamp};

/// How columns are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Packing {
    /// Differences as variable-length integers: quick, for what is soon rewritten.
    Light,
    /// Compressed by pco: for what stays.
    Tight,
}

/// `seq` and [`Stamp`] of events, in order of `seq`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Stamps {
    seq: Vec<u64>,
    monotonic: Vec<i64>,
    /// UTC less monotonic; while UTC is unknown the last one known is repeated.
    offset: Vec<i64>,
    runs: Vec<Run>,
}

/// Neighbours that share what seldom changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Run {
    /// One past the last position.
    end: usize,
    boot: u64,
    epoch: u32,
    utc_known: bool,
}

impl Stamps {
    pub(super) fn len(&self) -> usize {
        self.seq.len()
    }

    pub(super) fn seqs(&self) -> &[u64] {
        &self.seq
    }

    pub(super) fn push(&mut self, seq: u64, stamp: &Stamp) {
        let offset = match stamp.utc {
            Some(utc) => utc.millis().wrapping_sub(stamp.monotonic.0),
            None => self.offset.last().copied().unwrap_or(0),
        };
        self.seq.push(seq);
        self.monotonic.push(stamp.monotonic.0);
        self.offset.push(offset);
        let run = Run {
            end: self.seq.len(),
            boot: stamp.boot,
            epoch: stamp.epoch,
            utc_known: stamp.utc.is_some(),
        };
        match self.runs.last_mut() {
            Some(last)
                if (last.boot, last.epoch, last.utc_known)
                    == (run.boot, run.epoch, run.utc_known) =>
            {
                last.end = run.end;
            }
            _ => self.runs.push(run),
        }
    }

    pub(super) fn get(&self, at: usize) -> Option<(u64, Stamp)> {
        let run = self
            .runs
            .get(self.runs.partition_point(|run| run.end <= at))?;
        let monotonic = *self.monotonic.get(at)?;
        let offset = *self.offset.get(at)?;
        let stamp = Stamp {
            utc: run
                .utc_known
                .then(|| Timestamp::from_millis(monotonic.wrapping_add(offset))),
            monotonic: Monotonic(monotonic),
            boot: run.boot,
            epoch: run.epoch,
        };
        Some((*self.seq.get(at)?, stamp))
    }

    pub(super) fn utc(&self, at: usize) -> Option<Timestamp> {
        self.get(at).and_then(|(_, stamp)| stamp.utc)
    }

    /// Earliest and latest wall time from a position on, where known.
    pub(super) fn utc_range(&self, from: usize) -> Option<(i64, i64)> {
        (from..self.len())
            .filter_map(|at| self.utc(at))
            .map(Timestamp::millis)
            .fold(None, |range, utc| match range {
                None => Some((utc, utc)),
                Some((low, high)) => Some((low.min(utc), high.max(utc))),
            })
    }

    /// Writes all from a position on, the count first.
    pub(super) fn encode(
        &self,
        from: usize,
        packing: Packing,
        out: &mut Vec<u8>,
    ) -> Result<(), StorageError> {
        let seq = self.seq.get(from..).unwrap_or_default();
        let monotonic = self.monotonic.get(from..).unwrap_or_default();
        let offset = self.offset.get(from..).unwrap_or_default();
        put_len(out, seq.len());
        if seq.is_empty() {
            return Ok(());
        }
        match packing {
            Packing::Light => {
                put_differences(out, seq.iter().map(|seq| seq.cast_signed()));
                put_differences(out, monotonic.iter().copied());
                put_differences(out, offset.iter().copied());
            }
            Packing::Tight => {
                put_column(out, seq, DeltaSpec::TryConsecutive(1))?;
                put_column(out, monotonic, DeltaSpec::TryConsecutive(1))?;
                put_column(out, offset, DeltaSpec::TryConsecutive(1))?;
            }
        }
        let runs = || self.runs.iter().filter(|run| run.end > from);
        put_len(out, runs().count());
        let mut start = from;
        for run in runs() {
            put_len(out, run.end.saturating_sub(start));
            put_varint(out, run.boot);
            put_varint(out, u64::from(run.epoch) << 1 | u64::from(run.utc_known));
            start = run.end;
        }
        Ok(())
    }

    pub(super) fn decode(input: &mut Input<'_>, packing: Packing) -> Result<Self, Malformed> {
        let count = input.len()?;
        if count > MOST_VALUES {
            return Err(Malformed("more events than a row holds"));
        }
        if count == 0 {
            return Ok(Self::default());
        }
        let (seq, monotonic, offset) = match packing {
            Packing::Light => (
                differences(input, count)?
                    .into_iter()
                    .map(i64::cast_unsigned)
                    .collect(),
                differences(input, count)?,
                differences(input, count)?,
            ),
            Packing::Tight => (
                column(input, count)?,
                column(input, count)?,
                column(input, count)?,
            ),
        };
        let mut runs = Vec::new();
        let mut end = 0usize;
        for _ in 0..input.len()? {
            end = end.saturating_add(input.len()?);
            let boot = input.varint()?;
            let flags = input.varint()?;
            runs.push(Run {
                end,
                boot,
                epoch: u32::try_from(flags >> 1).map_err(|_| Malformed("an impossible epoch"))?,
                utc_known: flags & 1 == 1,
            });
        }
        if end != count {
            return Err(Malformed("the runs do not cover the events"));
        }
        Ok(Self {
            seq,
            monotonic,
            offset,
            runs,
        })
    }
}

fn put_differences(out: &mut Vec<u8>, values: impl Iterator<Item = i64>) {
    let mut last = 0i64;
    for value in values {
        put_signed(out, value.wrapping_sub(last));
        last = value;
    }
}

fn differences(input: &mut Input<'_>, count: usize) -> Result<Vec<i64>, Malformed> {
    let mut last = 0i64;
    (0..count)
        .map(|_| {
            last = last.wrapping_add(input.signed()?);
            Ok(last)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamp(utc: Option<i64>, monotonic: i64, boot: u64, epoch: u32) -> Stamp {
        Stamp {
            utc: utc.map(Timestamp::from_millis),
            monotonic: Monotonic(monotonic),
            boot,
            epoch,
        }
    }

    #[test]
    fn stamps_read_back_through_boots_steps_and_unknown_time() {
        let given = [
            (1, stamp(None, 0, 7, 0)),
            (2, stamp(Some(1_000), 10, 7, 0)),
            (30, stamp(Some(i64::MIN), i64::MAX, 7, 1)),
            (31, stamp(Some(5), -5, u64::MAX, u32::MAX)),
            (99, stamp(None, 6, 8, 0)),
        ];
        let mut stamps = Stamps::default();
        for (seq, stamp) in &given {
            stamps.push(*seq, stamp);
        }
        for packing in [Packing::Light, Packing::Tight] {
            for from in 0..=given.len() {
                let mut out = Vec::new();
                stamps.encode(from, packing, &mut out).unwrap();
                let mut input = Input(&out);
                let back = Stamps::decode(&mut input, packing).unwrap();
                input.end().unwrap();
                let all: Vec<_> = (0..back.len()).filter_map(|at| back.get(at)).collect();
                assert_eq!(all, given[from..]);
            }
        }
    }
}
