//! Happenings: things that move much helium, recognised from the readings and mass-accounted.
//!
//! Masses of vessels and plant go into steps of five minutes, each the median of its ticks: a spike
//! of one reading does not reach it. A vessel or the plant *moves* when it changes over 5, 15, 30 or
//! 60 minutes by more than six standard uncertainties of that change. The uncertainty is the larger
//! of two: the propagated one, in which errors that last cancel ([`lasting_difference_kg2`]), and
//! what such changes have been on ordinary days, learned all the time. The second one holds what no
//! description states: the ripple of a level control, the daily wave of outdoor tanks, the trend of
//! a bath that boils. A bath must also change by 3 % of what it holds.
//!
//! Only the plant as a whole and baths can begin a happening. Gas stores come and go with the
//! compressors all day; they are counted in what each vessel gave and took. A happening ends once
//! all that moved has stood still for a quarter of an hour, and is told then; what has come back to
//! where it was (an instrument that jumped and recovered) was none. One that goes on is told after
//! twelve hours, and goes on as the next. A fall of the plant that goes on longer than two hours is
//! a leak, not a vent: it is left to the estimate of losses.
//!
//! Never a happening: a change of the reckoning (restatement, another description, a mode whose
//! contents do not count), a vessel carried forward or coming back from that, a holdup that changes
//! with a mode. So helium that moves while its instruments are dead is not recognised here.
//!
//! [`lasting_difference_kg2`]: super::tally::lasting_difference_kg2

mod account;
mod book;
mod track;

#[cfg(test)]
mod tests;

pub use account::Jump;
pub use book::{HappeningBook, MassTick};
pub use track::STEP;
