//! Register words to numbers and back.
//!
//! A Modbus register is 16 bits, its bytes high first on the wire; the order of the registers of a
//! wider number is not fixed by the protocol and so is configured per channel.

use serde::{Deserialize, Serialize};
use smallvec::SmallVec;

/// The registers of one number, in the order they are read.
pub type Words = SmallVec<[u16; 4]>;

/// How registers hold a number.
///
/// Integers of 64 bits beyond 2^53 (9.007e15) lose their last digits in `f64`; a totaliser in grams
/// would need nine million million kilograms to get there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// Unsigned, one register.
    U16,
    /// Two's complement, one register.
    I16,
    /// Unsigned, two registers.
    U32,
    /// Two's complement, two registers.
    I32,
    /// Unsigned, four registers.
    U64,
    /// Two's complement, four registers.
    I64,
    /// IEEE 754 single precision, two registers.
    F32,
    /// IEEE 754 double precision, four registers.
    F64,
}

impl Format {
    /// Every format.
    pub const ALL: [Self; 8] = [
        Self::U16,
        Self::I16,
        Self::U32,
        Self::I32,
        Self::U64,
        Self::I64,
        Self::F32,
        Self::F64,
    ];

    /// How many registers it takes.
    #[must_use]
    pub const fn words(self) -> u16 {
        match self {
            Self::U16 | Self::I16 => 1,
            Self::U32 | Self::I32 | Self::F32 => 2,
            Self::U64 | Self::I64 | Self::F64 => 4,
        }
    }

    /// Whole numbers only, so that one code is one.
    #[must_use]
    pub const fn is_integer(self) -> bool {
        !matches!(self, Self::F32 | Self::F64)
    }
}

/// Which register of a wide number comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum WordOrder {
    /// The most significant register at the lowest address.
    HighFirst,
    /// The least significant register at the lowest address.
    LowFirst,
}

/// Why words are not a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DecodeError {
    /// Not as many registers as the format takes.
    #[error("got {got} registers where {format:?} takes {}", format.words())]
    WrongLength {
        /// How many there were.
        got: usize,
        /// The format of the channel.
        format: Format,
    },
    /// A floating-point NaN or infinity.
    #[error("the registers hold no number (a NaN or an infinity)")]
    NotANumber,
}

/// Why a number has no words.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum EncodeError {
    /// Larger or smaller than the format can hold.
    #[error("{value} does not fit into {format:?}")]
    OutOfRange {
        /// The number.
        value: f64,
        /// The format of the channel.
        format: Format,
    },
    /// A NaN or an infinity.
    #[error("a NaN or an infinity has no code")]
    NotANumber,
}

/// The number that registers hold.
///
/// # Errors
/// [`DecodeError`] when the length is wrong or the words are a NaN or an infinity.
///
/// **Source**: Modbus application protocol V1.1b3 (byte order in a register); IEEE 754-2019.
#[expect(
    clippy::cast_precision_loss,
    reason = "64-bit integers beyond 2^53 are documented to round"
)]
pub fn decode(words: &[u16], format: Format, order: WordOrder) -> Result<f64, DecodeError> {
    let wrong_length = DecodeError::WrongLength {
        got: words.len(),
        format,
    };
    if words.len() != usize::from(format.words()) {
        return Err(wrong_length);
    }
    let append = |bits: u64, &word: &u16| (bits << 16) | u64::from(word);
    let bits = match order {
        WordOrder::HighFirst => words.iter().fold(0, append),
        WordOrder::LowFirst => words.iter().rev().fold(0, append),
    };
    // The length check leaves the upper bits zero, so each narrowing takes exactly its own bits.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_possible_wrap,
        reason = "reinterprets exactly the bits that the format names"
    )]
    let value = match format {
        Format::U16 | Format::U32 | Format::U64 => bits as f64,
        Format::I16 => f64::from(bits as u16 as i16),
        Format::I32 => f64::from(bits as u32 as i32),
        Format::I64 => bits as i64 as f64,
        Format::F32 => f64::from(f32::from_bits(bits as u32)),
        Format::F64 => f64::from_bits(bits),
    };
    if value.is_finite() {
        Ok(value)
    } else {
        Err(DecodeError::NotANumber)
    }
}

// Limits of the integer formats: powers of two, exact in f64.
const TWO_15: f64 = 32_768.0;
const TWO_16: f64 = 65_536.0;
const TWO_31: f64 = 2_147_483_648.0;
const TWO_32: f64 = 4_294_967_296.0;
const TWO_63: f64 = 9_223_372_036_854_775_808.0;
const TWO_64: f64 = 18_446_744_073_709_551_616.0;

/// The registers that hold a number: integers rounded to the nearest code.
///
/// # Errors
/// [`EncodeError`] when the number is not finite or does not fit; it never saturates.
pub fn encode(value: f64, format: Format, order: WordOrder) -> Result<Words, EncodeError> {
    if !value.is_finite() {
        return Err(EncodeError::NotANumber);
    }
    let out_of_range = EncodeError::OutOfRange { value, format };
    let code = libm::round(value);
    // Upper limits are excluded.
    let within = |low: f64, past: f64| {
        if code >= low && code < past {
            Ok(())
        } else {
            Err(out_of_range)
        }
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "each cast stands behind its range check"
    )]
    let bits: u64 = match format {
        Format::U16 => within(0.0, TWO_16).map(|()| code as u64)?,
        Format::U32 => within(0.0, TWO_32).map(|()| code as u64)?,
        Format::U64 => within(0.0, TWO_64).map(|()| code as u64)?,
        Format::I16 => within(-TWO_15, TWO_15).map(|()| code as i64 as u64)?,
        Format::I32 => within(-TWO_31, TWO_31).map(|()| code as i64 as u64)?,
        Format::I64 => within(-TWO_63, TWO_63).map(|()| code as i64 as u64)?,
        Format::F32 => {
            let single = value as f32;
            if !single.is_finite() {
                return Err(out_of_range);
            }
            u64::from(single.to_bits())
        }
        Format::F64 => value.to_bits(),
    };
    #[expect(clippy::cast_possible_truncation, reason = "takes one register")]
    let mut words: Words = (0..format.words())
        .map(|at| (bits >> (16 * at)) as u16)
        .collect();
    if order == WordOrder::HighFirst {
        words.reverse();
    }
    Ok(words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decodes_each_format_in_both_orders() {
        let cases: &[(&[u16], Format, f64)] = &[
            (&[0xFFFE], Format::U16, 65_534.0),
            (&[0xFFFE], Format::I16, -2.0),
            (&[0x0001, 0x0002], Format::U32, 65_538.0),
            (&[0xFFFF, 0xFFFE], Format::I32, -2.0),
            (&[0x3F80, 0x0000], Format::F32, 1.0),
            (&[0, 0, 1, 0], Format::U64, 65_536.0),
            (&[0xFFFF, 0xFFFF, 0xFFFF, 0xFFFD], Format::I64, -3.0),
            (&[0xC012, 0, 0, 0], Format::F64, -4.5),
        ];
        for &(words, format, expected) in cases {
            assert_eq!(decode(words, format, WordOrder::HighFirst), Ok(expected));
            let reversed: Words = words.iter().rev().copied().collect();
            assert_eq!(decode(&reversed, format, WordOrder::LowFirst), Ok(expected));
            assert_eq!(
                encode(expected, format, WordOrder::HighFirst)
                    .unwrap()
                    .as_slice(),
                words
            );
        }
    }

    #[test]
    fn refuses_wrong_length_and_what_is_no_number() {
        for format in Format::ALL {
            for length in (0..6).filter(|&n| n != usize::from(format.words())) {
                let words = vec![0; length];
                assert_eq!(
                    decode(&words, format, WordOrder::HighFirst),
                    Err(DecodeError::WrongLength {
                        got: length,
                        format
                    })
                );
            }
        }
        for words in [[0x7FC0, 0], [0x7F80, 0], [0xFF80, 0]] {
            assert_eq!(
                decode(&words, Format::F32, WordOrder::HighFirst),
                Err(DecodeError::NotANumber)
            );
        }
    }

    #[test]
    fn encoding_never_saturates() {
        for (value, format) in [
            (65_535.5, Format::U16),
            (-0.6, Format::U16),
            (32_767.5, Format::I16),
            (-32_768.6, Format::I16),
            (2.0_f64.powi(64), Format::U64),
            (1e39, Format::F32),
        ] {
            assert_eq!(
                encode(value, format, WordOrder::LowFirst),
                Err(EncodeError::OutOfRange { value, format })
            );
        }
        assert_eq!(
            encode(f64::NAN, Format::F64, WordOrder::LowFirst),
            Err(EncodeError::NotANumber)
        );
        assert_eq!(
            encode(65_535.4, Format::U16, WordOrder::LowFirst)
                .unwrap()
                .as_slice(),
            &[65_535]
        );
    }
}
