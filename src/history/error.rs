//! What can go wrong with the store, said so that a person knows what to do.

use std::path::{Path, PathBuf};

use rusqlite::{ErrorCode, ffi};

use super::format;

/// Why the store could not do what was asked.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StorageError {
    /// Another process has the data directory.
    #[error(
        "the data directory {} is in use by another coldledger (process {pid}, lock file {}); stop that one first, or give this one another data directory",
        directory.display(), lock.display()
    )]
    InUse {
        /// The data directory.
        directory: PathBuf,
        /// The lock file.
        lock: PathBuf,
        /// Who holds it, as far as the lock file says.
        pid: String,
    },
    /// There is nothing to read.
    #[error(
        "there is no store in {}: the daemon has not run with this data directory yet",
        directory.display()
    )]
    NoStore {
        /// The data directory.
        directory: PathBuf,
    },
    /// The store was written by a later version.
    #[error(
        "the store {} has format {found}, this coldledger knows formats up to {known}; run the version that wrote it, or give this one another data directory",
        path.display()
    )]
    NewerFormat {
        /// The store's file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The newest format known here.
        known: i64,
    },
    /// A file or directory could not be used.
    #[error("cannot {action} {}: {detail}; see that this user may write there and that the disk is well", path.display())]
    File {
        /// What was tried.
        action: &'static str,
        /// On what.
        path: PathBuf,
        /// What the operating system said.
        detail: String,
    },
    /// No room is left on the disk.
    #[error(
        "the disk is full: free space or lower the disk budget; nothing is recorded until then"
    )]
    Full,
    /// Stored data do not read back.
    #[error("stored data are damaged: {0}")]
    Damaged(Damage),
    /// The file is no sound database.
    #[error("the store's file is damaged ({detail}); it is moved aside at the next start")]
    Corrupt {
        /// What the database said.
        detail: String,
    },
    /// Events must follow each other without a gap.
    #[error("event {got} does not follow event {last}, which is the last one recorded")]
    OutOfOrder {
        /// The last event appended.
        last: u64,
        /// The one offered.
        got: u64,
    },
    /// Outcomes were offered before it was said what they rest on.
    #[error("outcomes of event {seq} came before their provenance")]
    NoProvenance {
        /// The event.
        seq: u64,
    },
    /// Too much waits for a commit.
    #[error("{events} events wait to be committed, which is as many as are held; commit first")]
    Backlog {
        /// How many.
        events: usize,
    },
    /// A write failed earlier; what the disk holds is only known after reopening.
    #[error("the store refuses to write since an earlier write failed ({cause}); reopen it")]
    Refusing {
        /// The earlier failure.
        cause: String,
    },
    /// A cursor may only advance.
    #[error("the cursor of {destination} stands at {at} and cannot go back to {asked}")]
    CursorBackwards {
        /// Whose cursor.
        destination: String,
        /// Where it stands.
        at: u64,
        /// Where it was sent.
        asked: u64,
    },
    /// Something could not be put into its stored form.
    #[error("cannot encode {what}: {detail}")]
    Encode {
        /// What.
        what: &'static str,
        /// Why.
        detail: String,
    },
    /// Anything else the database refuses.
    #[error("the database refuses: {detail}")]
    Database {
        /// What it said.
        detail: String,
    },
}

/// A row that does not read back, and what it held.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("table {table}, events {first_seq} to {last_seq}: {why}")]
pub struct Damage {
    /// The table.
    pub table: &'static str,
    /// First event in the row, as its key says.
    pub first_seq: u64,
    /// Last event in the row, as its key says.
    pub last_seq: u64,
    /// What does not fit.
    pub why: String,
}

const READ_ONLY_DISK: &str = "ead-only file system";

impl StorageError {
    /// Whether the system refused for want of permission.
    #[must_use]
    pub fn is_permission(&self) -> bool {
        // The last is what the database says of a file that may only be read.
        self.says(&["ermission denied", READ_ONLY_DISK, "readonly database"])
    }

    /// Whether it is the disk's doing, so that a later try may go better: it is full, it does not answer, or
    /// it was found faulty and takes nothing more. The last counts only where `directory` has been used
    /// before: otherwise it is a place where this user may not write.
    #[must_use]
    pub fn is_of_the_disk(&self, directory: &Path) -> bool {
        let used = || directory.join(format::FILE).exists();
        *self == Self::Full
            || self.says(&["nput/output error", "disk I/O error"])
            || (self.says(&[READ_ONLY_DISK]) && used())
    }

    /// Whether the system or the database said one of these.
    fn says(&self, words: &[&str]) -> bool {
        match self {
            Self::File { detail, .. } | Self::Database { detail } => {
                words.iter().any(|words| detail.contains(words))
            }
            _ => false,
        }
    }

    pub(super) fn file(action: &'static str, path: &Path, error: &std::io::Error) -> Self {
        if matches!(
            error.kind(),
            std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded
        ) {
            return Self::Full;
        }
        Self::File {
            action,
            path: path.to_owned(),
            detail: error.to_string(),
        }
    }

    pub(super) fn encode(what: &'static str, detail: &impl std::fmt::Display) -> Self {
        Self::Encode {
            what,
            detail: detail.to_string(),
        }
    }
}

impl From<rusqlite::Error> for StorageError {
    fn from(error: rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full,
            // The index of its log cannot grow.
            Some(_)
                if error.sqlite_error().map(|code| code.extended_code)
                    == Some(ffi::SQLITE_IOERR_SHMSIZE) =>
            {
                Self::Full
            }
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Self::Corrupt {
                detail: error.to_string(),
            },
            // A table or column is missing, or holds another type than it must.
            Some(ErrorCode::Unknown | ErrorCode::TypeMismatch) if is_schema(&error) => {
                Self::Corrupt {
                    detail: error.to_string(),
                }
            }
            None if matches!(
                error,
                rusqlite::Error::InvalidColumnType(..)
                    | rusqlite::Error::FromSqlConversionFailure(..)
                    | rusqlite::Error::IntegralValueOutOfRange(..)
            ) =>
            {
                Self::Corrupt {
                    detail: error.to_string(),
                }
            }
            _ => Self::Database {
                detail: error.to_string(),
            },
        }
    }
}

fn is_schema(error: &rusqlite::Error) -> bool {
    let text = error.to_string();
    text.contains("no such table") || text.contains("no such column")
}
