//! What is kept whole: every description ever in force, and the newest snapshots of the engine.

use rusqlite::{OptionalExtension, params};

use super::codec::{checked, with_checksum};
use super::error::StorageError;
use super::format::SNAPSHOTS;
use super::reader::Reader;
use super::writer::Store;
use crate::engine::snapshot::SnapshotHeader;
use crate::plant::DescriptionHash;

/// Most bytes that one kept thing unpacks to; guards the memory a wrong length could ask for.
const MOST_BYTES: u32 = 1 << 30;

impl Store {
    /// Keeps a description's texts, by name, under its hash; what is kept already stays.
    ///
    /// # Errors
    /// As [`Store::commit`].
    pub fn keep_description(
        &mut self,
        hash: DescriptionHash,
        texts: &[(String, String)],
    ) -> Result<(), StorageError> {
        self.willing()?;
        let data = pack(
            &postcard::to_allocvec(texts)
                .map_err(|error| StorageError::encode("description", &error))?,
        );
        self.db
            .execute(
                "INSERT INTO description (hash, data) VALUES (?, ?) ON CONFLICT DO NOTHING",
                params![hash.0, data],
            )
            .map_err(|error| self.refuse(error.into()))?;
        Ok(())
    }

    /// Commits what waits, then keeps a snapshot; older ones but the last three go.
    ///
    /// # Errors
    /// As [`Store::commit`]; [`StorageError::OutOfOrder`] for a snapshot of events that were never
    /// appended.
    pub fn save_snapshot(
        &mut self,
        header: &SnapshotHeader,
        bytes: &[u8],
    ) -> Result<(), StorageError> {
        let durable = self.commit()?;
        if header.seq > durable {
            return Err(StorageError::OutOfOrder {
                last: durable,
                got: header.seq,
            });
        }
        let encoded = postcard::to_allocvec(header)
            .map_err(|error| StorageError::encode("snapshot header", &error))?;
        self.write_snapshot(header.seq, &with_checksum(encoded), &pack(bytes))
            .map_err(|error| self.refuse(error))
    }

    fn write_snapshot(&mut self, seq: u64, header: &[u8], data: &[u8]) -> Result<(), StorageError> {
        let tx = self.db.transaction()?;
        tx.execute(
            "INSERT INTO snapshot (seq, header, data) VALUES (?, ?, ?)",
            params![seq.cast_signed(), header, data],
        )?;
        tx.execute(
            "DELETE FROM snapshot WHERE id NOT IN (SELECT id FROM snapshot ORDER BY id DESC LIMIT ?)",
            [SNAPSHOTS],
        )?;
        Ok(tx.commit()?)
    }
}

impl Reader {
    /// The texts of a description, by name.
    ///
    /// # Errors
    /// What the database refuses, and [`StorageError::Corrupt`] when it does not read back.
    pub fn description(
        &self,
        hash: DescriptionHash,
    ) -> Result<Option<Vec<(String, String)>>, StorageError> {
        let data: Option<Vec<u8>> = self
            .db
            .query_row(
                "SELECT data FROM description WHERE hash = ?",
                [hash.0],
                |row| row.get(0),
            )
            .optional()?;
        data.map(|data| {
            unpack(&data)
                .and_then(|texts| postcard::from_bytes(&texts).ok())
                .ok_or_else(|| StorageError::Corrupt {
                    detail: format!("description {hash} does not read back"),
                })
        })
        .transpose()
    }

    /// The newest snapshot that reads back.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn latest_snapshot(&self) -> Result<Option<(SnapshotHeader, Vec<u8>)>, StorageError> {
        let mut statement = self
            .db
            .prepare("SELECT header, data FROM snapshot ORDER BY id DESC")?;
        let mut rows = statement.query([])?;
        while let Some(row) = rows.next()? {
            let header: Vec<u8> = row.get(0)?;
            let data: Vec<u8> = row.get(1)?;
            let header = checked(&header)
                .ok()
                .and_then(|header| postcard::from_bytes(header.0).ok());
            if let (Some(header), Some(bytes)) = (header, unpack(&data)) {
                return Ok(Some((header, bytes)));
            }
        }
        Ok(None)
    }
}

fn pack(bytes: &[u8]) -> Vec<u8> {
    with_checksum(lz4_flex::block::compress_prepend_size(bytes))
}

fn unpack(data: &[u8]) -> Option<Vec<u8>> {
    let packed = checked(data).ok()?.0;
    let size = u32::from_le_bytes(*packed.first_chunk::<4>()?);
    if size > MOST_BYTES {
        return None;
    }
    lz4_flex::block::decompress_size_prepended(packed).ok()
}
