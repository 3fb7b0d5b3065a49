//! Sequential detection of a loss that begins.
