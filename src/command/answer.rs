//! Standard output as answers are written to it.

use std::io::{self, ErrorKind, StdoutLock, Write};

/// Standard output whose reader may leave before the end, as `head` does: it has then seen enough, which
/// is no fault.
pub(super) struct Answer(StdoutLock<'static>);

pub(super) fn answer() -> Answer {
    Answer(io::stdout().lock())
}

impl Write for Answer {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self.0.write(bytes) {
            Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(bytes.len()),
            told => told,
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self.0.flush() {
            Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
            told => told,
        }
    }
}
