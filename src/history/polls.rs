//! The readings of one block of registers as columns: in memory until sealed, on disk as a section
//! of a head frame and later as a sealed row.

use std::sync::Arc;

use pco::DeltaSpec;

use super::codec::{
    Input, MOST_VALUES, Malformed, checked, column, put_column, put_len, put_signed, put_varint,
    with_checksum,
};
use super::error::StorageError;
use super::stamps::{Packing, Stamps};
use crate::engine::PollFault;
use crate::plant::BlockKey;

/// Predicting each code from the four before it takes a third off the size of codes that are
/// noise around a trend, against plain differences.
const WORDS_DELTA: DeltaSpec = DeltaSpec::TryConv1(4);

const CONSTANT: u8 = 0;
const PACKED: u8 = 1;
const EXCEPTION: u16 = 0x100;

/// Readings of one block, or, with no words at all, ticks.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Polls {
    pub(super) stamps: Stamps,
    /// Registers per reading.
    width: usize,
    /// Readings one after the other; a fault repeats the words before it.
    words: Vec<u16>,
    /// Positions of faults, in order.
    faults: Vec<(usize, u16)>,
}

impl Polls {
    pub(super) fn new(width: usize) -> Self {
        Self {
            width,
            ..Self::default()
        }
    }

    pub(super) fn len(&self) -> usize {
        self.stamps.len()
    }

    pub(super) fn width(&self) -> usize {
        self.width
    }

    /// Adds a reading; it must have the width of the block.
    pub(super) fn push(&mut self, words: Result<&[u16], PollFault>) {
        match words {
            Ok(words) => self.words.extend_from_slice(words),
            Err(fault) => {
                let from = self.words.len().checked_sub(self.width);
                self.faults
                    .push((self.stamps.len().saturating_sub(1), fault_code(fault)));
                match from {
                    Some(from) => self.words.extend_from_within(from..),
                    None => self.words.resize(self.width, 0),
                }
            }
        }
    }

    /// The words read at a position, or why there are none.
    pub(super) fn words(&self, at: usize) -> Result<Vec<u16>, PollFault> {
        if let Ok(fault) = self.faults.binary_search_by_key(&at, |(at, _)| *at)
            && let Some((_, code)) = self.faults.get(fault)
        {
            return Err(fault_of(*code).unwrap_or(PollFault::Mismatch));
        }
        let from = at * self.width;
        Ok(self
            .words
            .get(from..from + self.width)
            .unwrap_or_default()
            .to_vec())
    }

    /// Appends a section of a head frame: all readings from a position on.
    pub(super) fn encode_light(&self, from: usize, out: &mut Vec<u8>) -> Result<(), StorageError> {
        self.stamps.encode(from, Packing::Light, out)?;
        self.put_faults(from, out);
        let words = self.words.get(from * self.width..).unwrap_or_default();
        for first in 0..self.width {
            let mut last = 0i64;
            for word in words.iter().skip(first).step_by(self.width) {
                let word = i64::from(*word);
                put_signed(out, word - last);
                last = word;
            }
        }
        Ok(())
    }

    pub(super) fn decode_light(input: &mut Input<'_>, width: usize) -> Result<Self, Malformed> {
        let stamps = Stamps::decode(input, Packing::Light)?;
        let count = stamps.len();
        let faults = take_faults(input, count)?;
        let mut words = room(count, width)?;
        for first in 0..width {
            let mut last = 0i64;
            for word in words.iter_mut().skip(first).step_by(width) {
                last = last.wrapping_add(input.signed()?);
                *word = u16::try_from(last).map_err(|_| Malformed("a word beyond 16 bits"))?;
            }
        }
        Ok(Self {
            stamps,
            width,
            words,
            faults,
        })
    }

    /// A sealed row of all readings.
    pub(super) fn encode_sealed(&self) -> Result<Vec<u8>, StorageError> {
        let mut out = Vec::new();
        self.stamps.encode(0, Packing::Tight, &mut out)?;
        self.put_faults(0, &mut out);
        put_len(&mut out, self.width);
        let mut codes: Vec<u32> = Vec::with_capacity(self.len());
        let mut body = Vec::new();
        for first in 0..self.width {
            codes.clear();
            codes.extend(
                self.words
                    .iter()
                    .skip(first)
                    .step_by(self.width)
                    .map(|word| u32::from(*word)),
            );
            let low = codes.iter().copied().min().unwrap_or(0);
            let high = codes.iter().copied().max().unwrap_or(0);
            put_varint(&mut out, u64::from(low));
            put_varint(&mut out, u64::from(high - low));
            body.clear();
            if low == high {
                body.push(CONSTANT);
            } else {
                body.push(PACKED);
                put_column(&mut body, &codes, WORDS_DELTA)?;
            }
            put_len(&mut out, body.len());
            out.extend_from_slice(&body);
        }
        Ok(with_checksum(out))
    }

    /// Reads a sealed row, of its words only those from `offset` on, at most `most` of them.
    pub(super) fn decode_sealed(
        blob: &[u8],
        offset: usize,
        most: usize,
    ) -> Result<Self, Malformed> {
        let mut input = checked(blob)?;
        let stamps = Stamps::decode(&mut input, Packing::Tight)?;
        let count = stamps.len();
        let faults = take_faults(&mut input, count)?;
        let stored = input.len()?;
        if stored > MOST_VALUES {
            return Err(Malformed("an impossible width"));
        }
        let width = stored.saturating_sub(offset).min(most);
        let mut words = room(count, width)?;
        for at in 0..stored {
            let low = input.varint()?;
            let _span = input.varint()?;
            let mut body = input.section()?;
            let Some(first) = at.checked_sub(offset).filter(|first| *first < width) else {
                continue;
            };
            let places = words.iter_mut().skip(first).step_by(width);
            match body.byte()? {
                CONSTANT => {
                    let word =
                        u16::try_from(low).map_err(|_| Malformed("a word beyond 16 bits"))?;
                    places.for_each(|place| *place = word);
                }
                PACKED => {
                    for (place, code) in places.zip(column::<u32>(&mut body, count)?) {
                        *place =
                            u16::try_from(code).map_err(|_| Malformed("a word beyond 16 bits"))?;
                    }
                }
                _ => return Err(Malformed("an unknown packing")),
            }
            body.end()?;
        }
        input.end()?;
        Ok(Self {
            stamps,
            width,
            words,
            faults,
        })
    }

    /// Keeps of each reading only the words from `offset` on, at most `most` of them.
    pub(super) fn narrowed(self, offset: usize, most: usize) -> Self {
        let width = self.width.saturating_sub(offset).min(most);
        if width == self.width {
            return self;
        }
        let words = self
            .words
            .chunks(self.width.max(1))
            .flat_map(|reading| reading.iter().skip(offset).take(width).copied())
            .collect();
        Self {
            width,
            words,
            ..self
        }
    }

    /// Appends all readings of another stretch of the same block.
    pub(super) fn extend(&mut self, other: &Self) {
        let base = self.len();
        for at in 0..other.len() {
            if let Some((seq, stamp)) = other.stamps.get(at) {
                self.stamps.push(seq, &stamp);
            }
        }
        self.words.extend_from_slice(&other.words);
        self.faults
            .extend(other.faults.iter().map(|(at, code)| (base + at, *code)));
    }

    /// Runs of one fault: readings skipped since the last run, length, code.
    fn put_faults(&self, from: usize, out: &mut Vec<u8>) {
        let mut runs: Vec<(usize, usize, u16)> = Vec::new();
        for (at, code) in self.faults.iter().filter(|(at, _)| *at >= from) {
            match runs.last_mut() {
                Some((start, len, last)) if *last == *code && *start + *len == at - from => {
                    *len += 1;
                }
                _ => runs.push((at - from, 1, *code)),
            }
        }
        put_len(out, runs.len());
        let mut end = 0;
        for (start, len, code) in runs {
            put_len(out, start - end);
            put_len(out, len);
            put_varint(out, u64::from(code));
            end = start + len;
        }
    }
}

fn take_faults(input: &mut Input<'_>, count: usize) -> Result<Vec<(usize, u16)>, Malformed> {
    let mut faults = Vec::new();
    let mut end = 0usize;
    for _ in 0..input.len()? {
        let start = end.saturating_add(input.len()?);
        end = start.saturating_add(input.len()?);
        let code =
            u16::try_from(input.varint()?).map_err(|_| Malformed("an unknown fault code"))?;
        if end > count || fault_of(code).is_none() {
            return Err(Malformed("a fault that cannot be"));
        }
        faults.extend((start..end).map(|at| (at, code)));
    }
    Ok(faults)
}

fn room(count: usize, width: usize) -> Result<Vec<u16>, Malformed> {
    count
        .checked_mul(width)
        .filter(|len| *len <= 16 * MOST_VALUES)
        .map(|len| vec![0; len])
        .ok_or(Malformed("more words than a row holds"))
}

fn fault_code(fault: PollFault) -> u16 {
    match fault {
        PollFault::NotConnected => 1,
        PollFault::TimedOut => 2,
        PollFault::Broken => 3,
        PollFault::Mismatch => 4,
        PollFault::Exception(code) => EXCEPTION | u16::from(code),
    }
}

fn fault_of(code: u16) -> Option<PollFault> {
    match code {
        1 => Some(PollFault::NotConnected),
        2 => Some(PollFault::TimedOut),
        3 => Some(PollFault::Broken),
        4 => Some(PollFault::Mismatch),
        _ => match code.to_be_bytes() {
            [1, exception] => Some(PollFault::Exception(exception)),
            _ => None,
        },
    }
}

/// One series of readings: a block of registers, or the ticks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Series {
    pub(super) id: i64,
    /// None for the ticks.
    pub(super) key: Option<Arc<BlockKey>>,
    /// All up to here is in sealed rows.
    pub(super) sealed_through: u64,
}

impl Series {
    pub(super) fn width(&self) -> usize {
        self.key.as_ref().map_or(0, |key| usize::from(key.words))
    }
}

/// Writes a head frame: per series its id and a section that can be skipped.
pub(super) fn encode_frame<'a>(
    parts: impl Iterator<Item = (i64, &'a Polls, usize)>,
) -> Result<Vec<u8>, StorageError> {
    let mut out = Vec::new();
    let mut section = Vec::new();
    for (id, polls, from) in parts {
        section.clear();
        polls.encode_light(from, &mut section)?;
        put_varint(&mut out, id.cast_unsigned());
        put_len(&mut out, section.len());
        out.extend_from_slice(&section);
    }
    Ok(with_checksum(out))
}

/// The sections of a head frame, each with the id of its series.
pub(super) fn frame_sections(blob: &[u8]) -> Result<Vec<(i64, Input<'_>)>, Malformed> {
    let mut input = checked(blob)?;
    let mut sections = Vec::new();
    while !input.0.is_empty() {
        sections.push((input.varint()?.cast_signed(), input.section()?));
    }
    Ok(sections)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::{Monotonic, Stamp, Timestamp};

    fn polls() -> (Polls, Vec<Result<Vec<u16>, PollFault>>) {
        let mut polls = Polls::new(3);
        let mut given = Vec::new();
        for at in 0..500u16 {
            let words = match at {
                0 | 7..=9 => Err(PollFault::TimedOut),
                10 => Err(PollFault::Exception(0)),
                11 => Err(PollFault::Exception(255)),
                _ => Ok(vec![at, u16::MAX - at * 7, 5]),
            };
            let millis = i64::from(at) * 1000;
            polls.stamps.push(
                u64::from(at) * 3,
                &Stamp {
                    utc: Some(Timestamp::from_millis(millis + 17)),
                    monotonic: Monotonic(millis),
                    boot: 1,
                    epoch: 0,
                },
            );
            polls.push(words.as_deref().map_err(|fault| *fault));
            given.push(words);
        }
        (polls, given)
    }

    #[test]
    fn sealed_rows_read_back_bit_for_bit() {
        let (polls, given) = polls();
        let blob = polls.encode_sealed().unwrap();
        let back = Polls::decode_sealed(&blob, 0, 3).unwrap();
        assert_eq!(back, polls);
        for (at, words) in given.iter().enumerate() {
            assert_eq!(&back.words(at), words);
        }
        let one = Polls::decode_sealed(&blob, 1, 1).unwrap();
        assert_eq!(one.words(20), Ok(vec![u16::MAX - 140]));
        assert_eq!(one, polls.narrowed(1, 1));
    }

    #[test]
    fn frames_read_back_from_any_position() {
        let (polls, given) = polls();
        for from in [0, 8, 11, 499, 500] {
            let blob = encode_frame(std::iter::once((4, &polls, from))).unwrap();
            let mut sections = frame_sections(&blob).unwrap();
            let (id, mut section) = sections.pop().unwrap();
            assert_eq!(id, 4);
            let back = Polls::decode_light(&mut section, 3).unwrap();
            assert_eq!(back.len(), 500 - from);
            for (at, words) in given.iter().skip(from).enumerate() {
                assert_eq!(&back.words(at), words);
            }
        }
    }

    #[test]
    fn no_prefix_of_a_row_is_taken_for_a_row() {
        let blob = polls().0.encode_sealed().unwrap();
        for len in 0..blob.len() {
            assert!(Polls::decode_sealed(&blob[..len], 0, 3).is_err());
            // The same with a checksum that fits: the lengths inside must tell.
            let forged = with_checksum(blob[..len].to_vec());
            if len != blob.len() - 4 {
                assert!(Polls::decode_sealed(&forged, 0, 3).is_err(), "{len} bytes");
            }
        }
    }
}
