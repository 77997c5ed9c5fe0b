//! Writes what was received, byte for byte, and the texts it was read and judged by.

use std::sync::Arc;

use ridgepost_config::{Station, Text};
use rusqlite::params;
use rusqlite::types::ToSqlOutput;

use super::StoreFault;
use super::record::{Burst, Recorder, sha256};
use crate::clock::Stamp;

/// Bytes of a transmission that are handed to the database as one value.
const RAW_BOUND_MAX: usize = 256 * 1024;

impl Recorder<'_> {
    /// Writes the bytes of a port's transmission.
    pub(super) fn raw(&mut self, burst: &Burst) -> Result<i64, StoreFault> {
        let raw = &burst.heard.frame.raw;
        self.transmission(&burst.origin, &burst.station, &burst.source, &burst.received, (&sha256(raw), raw))
    }

    /// Writes the row of a transmission, of whose bytes the SHA-256 is given too, and the definition it was read with.
    pub fn transmission(
        &mut self,
        origin: &str,
        station: &Station,
        source: &str,
        received: &Stamp,
        bytes: (&str, &[u8]),
    ) -> Result<i64, StoreFault> {
        let place = (station.name.as_str(), station.instrument.name(), &station.definition);
        self.received(origin, place, source, received, bytes)
    }

    /// Writes the row of a transmission of a station by its name, with the definition's name and text.
    pub(super) fn received(
        &mut self,
        origin: &str,
        (station, name, definition): (&str, &str, &Text),
        source: &str,
        received: &Stamp,
        (sha256, raw): (&str, &[u8]),
    ) -> Result<i64, StoreFault> {
        self.wording("definition", name, definition)?;
        // Large ones go in piece by piece: bound as a value they would stand in memory three times.
        let large = raw.len() > RAW_BOUND_MAX;
        let content = match large {
            true => ToSqlOutput::ZeroBlob(raw.len() as u64),
            false => ToSqlOutput::Borrowed(raw.into()),
        };
        self.tx
            .prepare_cached(
                "INSERT INTO transmission (origin, station, source, received_at, received_us, monotonic_ms, \
                 clock_synced, definition, sha256, raw) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            )?
            .execute(params![
                origin,
                station,
                source,
                received.at,
                received.us,
                i64::try_from(received.monotonic_ms).unwrap_or(i64::MAX),
                received.synced,
                definition.hash,
                sha256,
                content
            ])?;
        let transmission = self.tx.last_insert_rowid();
        if large {
            let mut blob = self.tx.blob_open("main", "transmission", "raw", transmission, false)?;
            blob.write_all_at(raw, 0)?;
            blob.close()?;
        }
        Ok(transmission)
    }

    /// Keeps a text of the configuration once, under its hash.
    pub fn wording(&mut self, kind: &str, name: &str, text: &Text) -> Result<(), StoreFault> {
        if self.context.kept_texts.contains(&text.hash) {
            return Ok(());
        }
        self.tx
            .prepare_cached("INSERT OR IGNORE INTO wording (hash, kind, name, body) VALUES (?1, ?2, ?3, ?4)")?
            .execute(params![text.hash, kind, name, &*text.body])?;
        Arc::make_mut(&mut self.context.kept_texts).insert(text.hash.clone());
        Ok(())
    }
}
