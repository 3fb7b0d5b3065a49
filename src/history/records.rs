//! Many reports of one kind in one blob. Reports of the same shape are as long as each other, so
//! they are laid side by side and written byte position by byte position: ids become runs of one
//! byte, and only what really changes costs anything.

use super::codec::{Input, MOST_VALUES, Malformed, checked, put_len, put_varint, with_checksum};
use super::error::StorageError;
use super::stamps::{Packing, Stamps};
use crate::time::Stamp;

/// Most bytes of records in one row; guards the memory a wrong length could ask for.
const MOST_BYTES: usize = 1 << 28;

/// Below this many records columns by pco cost more than they save.
const FEW: usize = 16;

/// Encoded outcomes of one kind, with their positions and times.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Records {
    pub(super) stamps: Stamps,
    pub(super) index: Vec<u32>,
    pub(super) bytes: Vec<Vec<u8>>,
}

impl Records {
    pub(super) fn len(&self) -> usize {
        self.bytes.len()
    }

    pub(super) fn push(&mut self, seq: u64, index: u32, stamp: &Stamp, bytes: Vec<u8>) {
        self.stamps.push(seq, stamp);
        self.index.push(index);
        self.bytes.push(bytes);
    }

    pub(super) fn extend(&mut self, other: Self) {
        for at in 0..other.stamps.len() {
            if let Some((seq, stamp)) = other.stamps.get(at) {
                self.stamps.push(seq, &stamp);
            }
        }
        self.index.extend(other.index);
        self.bytes.extend(other.bytes);
    }

    /// A row of all records from a position on.
    pub(super) fn encode(&self, from: usize) -> Result<Vec<u8>, StorageError> {
        let bytes = self.bytes.get(from..).unwrap_or_default();
        let mut out = Vec::new();
        if bytes.len() < FEW {
            out.push(0);
            self.stamps.encode(from, Packing::Light, &mut out)?;
        } else {
            out.push(1);
            self.stamps.encode(from, Packing::Tight, &mut out)?;
        }
        for index in self.index.iter().skip(from) {
            put_varint(&mut out, u64::from(*index));
        }
        let same_length = || bytes.chunk_by(|a, b| a.len() == b.len());
        put_len(&mut out, same_length().count());
        let mut side_by_side = Vec::new();
        for chunk in same_length() {
            let len = chunk.first().map_or(0, Vec::len);
            put_len(&mut out, chunk.len());
            put_len(&mut out, len);
            for at in 0..len {
                side_by_side.extend(chunk.iter().filter_map(|record| record.get(at)));
            }
        }
        let packed = lz4_flex::block::compress_prepend_size(&side_by_side);
        put_len(&mut out, packed.len());
        out.extend_from_slice(&packed);
        Ok(with_checksum(out))
    }

    /// Reads the positions and times, and leaves the records packed.
    pub(super) fn open(blob: &[u8]) -> Result<Packed<'_>, Malformed> {
        let mut input = checked(blob)?;
        let packing = match input.byte()? {
            0 => Packing::Light,
            1 => Packing::Tight,
            _ => return Err(Malformed("an unknown packing")),
        };
        let stamps = Stamps::decode(&mut input, packing)?;
        let index = (0..stamps.len())
            .map(|_| {
                u32::try_from(input.varint()?).map_err(|_| Malformed("an impossible position"))
            })
            .collect::<Result<Vec<_>, _>>()?;
        let mut shapes = Vec::new();
        let mut records = 0usize;
        let mut total = 0usize;
        for _ in 0..input.len()? {
            let (count, len) = (input.len()?, input.len()?);
            records = records.saturating_add(count);
            total = total.saturating_add(count.saturating_mul(len));
            shapes.push((count, len));
        }
        if records != stamps.len() || records > MOST_VALUES || total > MOST_BYTES {
            return Err(Malformed("the records do not fit their positions"));
        }
        let body = input.section()?;
        input.end()?;
        Ok(Packed {
            stamps,
            index,
            shapes,
            total,
            body,
        })
    }
}

/// A row whose records are still packed.
#[derive(Debug)]
pub(super) struct Packed<'a> {
    pub(super) stamps: Stamps,
    pub(super) index: Vec<u32>,
    /// How many neighbours of which length.
    shapes: Vec<(usize, usize)>,
    total: usize,
    body: Input<'a>,
}

impl Packed<'_> {
    /// Unpacks those records that are asked for, in order, with their places in the row.
    pub(super) fn unpack(
        &self,
        wanted: impl Fn(usize) -> bool,
    ) -> Result<Vec<(usize, Vec<u8>)>, Malformed> {
        let size = self
            .body
            .0
            .first_chunk::<4>()
            .map(|size| u32::from_le_bytes(*size));
        if size.and_then(|size| usize::try_from(size).ok()) != Some(self.total) {
            return Err(Malformed("the records have another length"));
        }
        let side_by_side = lz4_flex::block::decompress_size_prepended(self.body.0)
            .map_err(|_| Malformed("the records do not unpack"))?;
        let mut rest = Input(&side_by_side);
        let mut records = Vec::new();
        let mut place = 0;
        for (count, len) in &self.shapes {
            let chunk = rest.bytes(count * len)?;
            for nth in 0..*count {
                if wanted(place) {
                    let record = chunk.iter().skip(nth).step_by(*count).copied().collect();
                    records.push((place, record));
                }
                place += 1;
            }
        }
        Ok(records)
    }

    pub(super) fn unpack_all(self) -> Result<Records, Malformed> {
        let bytes = self.unpack(|_| true)?;
        Ok(Records {
            stamps: self.stamps,
            index: self.index,
            bytes: bytes.into_iter().map(|(_, bytes)| bytes).collect(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Monotonic;

    fn records(count: u8) -> Records {
        let mut records = Records::default();
        for at in 0..count {
            let stamp = Stamp {
                utc: None,
                monotonic: Monotonic(i64::from(at)),
                boot: 0,
                epoch: 0,
            };
            let len = if at % 5 == 0 {
                0
            } else {
                usize::from(at / 7) + 3
            };
            records.push(u64::from(at / 2), u32::from(at % 2), &stamp, vec![at; len]);
        }
        records
    }

    #[test]
    fn records_of_changing_length_read_back() {
        for count in [0, 1, 15, 16, 100] {
            let records = records(count);
            let blob = records.encode(0).unwrap();
            assert_eq!(Records::open(&blob).unwrap().unpack_all().unwrap(), records);
        }
    }

    #[test]
    fn single_records_read_back() {
        let records = records(40);
        let blob = records.encode(3).unwrap();
        let packed = Records::open(&blob).unwrap();
        let one = packed.unpack(|place| place == 6).unwrap();
        assert_eq!(one, [(6, records.bytes[9].clone())]);
    }

    #[test]
    fn lying_lengths_are_refused() {
        let blob = records(20).encode(0).unwrap();
        for len in 0..blob.len() {
            assert!(Records::open(&blob[..len]).is_err());
            if len != blob.len() - 4 {
                let forged = with_checksum(blob[..len].to_vec());
                assert!(Records::open(&forged).is_err(), "{len} bytes");
            }
        }
    }
}
