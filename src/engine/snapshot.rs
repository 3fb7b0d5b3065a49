//! Keeping and restoring the engine's state, so that a restart need not replay from the beginning.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::core::{ENGINE_VERSION, Engine, State};
use crate::plant::{DescriptionHash, Id, Plant};

/// Layout of the bytes; raised when the state changes.
pub const SNAPSHOT_FORMAT: u32 = 8;

/// What a snapshot was made by and of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SnapshotHeader {
    /// Layout of the bytes.
    pub format: u32,
    /// Engine that made it.
    pub engine_version: Id,
    /// Description in force.
    pub description: DescriptionHash,
    /// Last event taken.
    pub seq: u64,
}

/// Why a snapshot is of no use; the state is then rebuilt by replay.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RestoreError {
    /// Made by another engine or format, or of another description.
    #[error(
        "the snapshot was made by engine {found}, this is {ENGINE_VERSION}; or its description is another"
    )]
    Mismatch {
        /// Engine that made it.
        found: String,
    },
    /// The bytes are not a state.
    #[error("the snapshot cannot be read: {0}")]
    Unreadable(String),
}

impl Engine {
    /// The state as bytes, with what they were made by.
    ///
    /// # Errors
    /// The encoder's words; it fails only for want of memory.
    pub fn snapshot(&self) -> Result<(SnapshotHeader, Vec<u8>), postcard::Error> {
        let header = SnapshotHeader {
            format: SNAPSHOT_FORMAT,
            engine_version: Id::from(ENGINE_VERSION),
            description: self.plant.hash,
            seq: self.seq(),
        };
        postcard::to_allocvec(&self.state).map(|bytes| (header, bytes))
    }

    /// An engine that goes on where the snapshot was made.
    ///
    /// # Errors
    /// [`RestoreError`] when the snapshot does not fit this engine and description.
    pub fn restore(
        plant: Arc<Plant>,
        header: &SnapshotHeader,
        bytes: &[u8],
    ) -> Result<Self, RestoreError> {
        if header.format != SNAPSHOT_FORMAT
            || *header.engine_version != *ENGINE_VERSION
            || header.description != plant.hash
        {
            return Err(RestoreError::Mismatch {
                found: header.engine_version.to_string(),
            });
        }
        let state: State = postcard::from_bytes(bytes)
            .map_err(|error| RestoreError::Unreadable(error.to_string()))?;
        let mut engine = Self::new(plant);
        engine.state = state;
        Ok(engine)
    }
}
