//! Small pieces that the stored forms are made of: variable-length integers, columns compressed by
//! pco, and a CRC-32C over every blob.

use pco::standalone::{simple_compress, simple_decompress};
use pco::{ChunkConfig, DeltaSpec};

use super::error::StorageError;

/// Bytes that do not read back as what they should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub(super) struct Malformed(pub &'static str);

const CHECKSUM_BYTES: usize = 4;

/// Ends a blob with the CRC-32C of all before it.
pub(super) fn with_checksum(mut blob: Vec<u8>) -> Vec<u8> {
    let sum = crc32c::crc32c(&blob);
    blob.extend_from_slice(&sum.to_le_bytes());
    blob
}

/// The blob without its checksum, if that fits.
pub(super) fn checked(blob: &[u8]) -> Result<Input<'_>, Malformed> {
    let Some((body, sum)) = blob.split_last_chunk::<CHECKSUM_BYTES>() else {
        return Err(Malformed("shorter than its checksum"));
    };
    if crc32c::crc32c(body) != u32::from_le_bytes(*sum) {
        return Err(Malformed("the checksum does not fit"));
    }
    Ok(Input(body))
}

pub(super) fn put_varint(out: &mut Vec<u8>, mut value: u64) {
    while value >= 0x80 {
        #[expect(clippy::cast_possible_truncation, reason = "seven bits at a time")]
        out.push(value as u8 | 0x80);
        value >>= 7;
    }
    #[expect(clippy::cast_possible_truncation, reason = "below 128 here")]
    out.push(value as u8);
}

pub(super) fn put_len(out: &mut Vec<u8>, len: usize) {
    // usize is at most 64 bits on every platform Rust knows.
    put_varint(out, u64::try_from(len).unwrap_or(u64::MAX));
}

/// Small signed numbers as small unsigned ones.
pub(super) fn put_signed(out: &mut Vec<u8>, value: i64) {
    put_varint(
        out,
        (value.cast_unsigned() << 1) ^ (value >> 63).cast_unsigned(),
    );
}

/// Bytes still to be read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Input<'a>(pub &'a [u8]);

impl<'a> Input<'a> {
    pub(super) fn byte(&mut self) -> Result<u8, Malformed> {
        let (first, rest) = self.0.split_first().ok_or(Malformed("cut short"))?;
        self.0 = rest;
        Ok(*first)
    }

    pub(super) fn bytes(&mut self, len: usize) -> Result<&'a [u8], Malformed> {
        let (taken, rest) = self.0.split_at_checked(len).ok_or(Malformed("cut short"))?;
        self.0 = rest;
        Ok(taken)
    }

    pub(super) fn varint(&mut self) -> Result<u64, Malformed> {
        let mut value = 0u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            value |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(value);
            }
        }
        Err(Malformed("a number that does not end"))
    }

    pub(super) fn len(&mut self) -> Result<usize, Malformed> {
        usize::try_from(self.varint()?).map_err(|_| Malformed("a length beyond this machine"))
    }

    /// A count of things that take at least one byte each of what is left.
    pub(super) fn signed(&mut self) -> Result<i64, Malformed> {
        let raw = self.varint()?;
        Ok((raw >> 1).cast_signed() ^ -((raw & 1).cast_signed()))
    }

    /// A length and so many bytes.
    pub(super) fn section(&mut self) -> Result<Input<'a>, Malformed> {
        let len = self.len()?;
        self.bytes(len).map(Input)
    }

    pub(super) fn end(self) -> Result<(), Malformed> {
        if self.0.is_empty() {
            Ok(())
        } else {
            Err(Malformed("bytes left over"))
        }
    }
}

/// Most values in one compressed column; guards the memory a wrong count could ask for.
pub(super) const MOST_VALUES: usize = 1 << 22;

/// Appends a column, its compressed length before it.
pub(super) fn put_column<T: pco::data_types::Number>(
    out: &mut Vec<u8>,
    values: &[T],
    delta: DeltaSpec,
) -> Result<(), StorageError> {
    let config = ChunkConfig::default().with_delta_spec(delta);
    let packed =
        simple_compress(values, &config).map_err(|error| StorageError::encode("column", &error))?;
    put_len(out, packed.len());
    out.extend_from_slice(&packed);
    Ok(())
}

/// Reads a column of exactly `count` values.
pub(super) fn column<T: pco::data_types::Number>(
    input: &mut Input<'_>,
    count: usize,
) -> Result<Vec<T>, Malformed> {
    let packed = input.section()?;
    let values =
        simple_decompress::<T>(packed.0).map_err(|_| Malformed("a column does not unpack"))?;
    if values.len() == count {
        Ok(values)
    } else {
        Err(Malformed("a column of another length"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_back() {
        let mut out = Vec::new();
        let unsigned = [0, 1, 127, 128, 300, u64::MAX];
        let signed = [0, -1, 1, i64::MIN, i64::MAX, -64];
        for value in unsigned {
            put_varint(&mut out, value);
        }
        for value in signed {
            put_signed(&mut out, value);
        }
        let mut input = Input(&out);
        for value in unsigned {
            assert_eq!(input.varint(), Ok(value));
        }
        for value in signed {
            assert_eq!(input.signed(), Ok(value));
        }
        assert_eq!(input.end(), Ok(()));
    }

    #[test]
    fn every_flipped_bit_is_found() {
        let blob = with_checksum(vec![1, 2, 3, 4, 5]);
        assert!(checked(&blob).is_ok());
        for bit in 0..blob.len() * 8 {
            let mut wrong = blob.clone();
            wrong[bit / 8] ^= 1 << (bit % 8);
            assert!(checked(&wrong).is_err(), "bit {bit}");
        }
    }

    #[test]
    fn every_prefix_is_refused() {
        let blob = with_checksum(vec![1, 2, 3, 4, 5]);
        for len in 0..blob.len() {
            assert!(checked(&blob[..len]).is_err(), "{len} bytes");
        }
    }
}
