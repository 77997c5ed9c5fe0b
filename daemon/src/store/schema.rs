//! The store's tables, and how a store made by an earlier version is brought up to date.
//!
//! Every migration is one transaction and raises `user_version` in it. A store made by a *later* version is
//! refused: its rows may mean something this version does not know.

use rusqlite::Connection;

use super::StoreFault;

/// One script per version, applied in order; never edited once released.
const MIGRATIONS: &[&str] = &[
    include_str!("schema-1.sql"),
    include_str!("schema-2.sql"),
    include_str!("schema-3.sql"),
    include_str!("schema-4.sql"),
    include_str!("schema-5.sql"),
    include_str!("schema-6.sql"),
    include_str!("schema-7.sql"),
];

/// Brings the store to this version's tables.
pub(super) fn migrate(connection: &mut Connection) -> Result<(), StoreFault> {
    let version: u32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    let known = MIGRATIONS.len() as u32;
    if version > known {
        return Err(StoreFault::Newer { found: version, known });
    }
    for (number, script) in (1..).zip(MIGRATIONS).skip(version as usize) {
        let transaction = connection.transaction()?;
        transaction.execute_batch(script)?;
        transaction.pragma_update(None, "user_version", number)?;
        transaction.commit()?;
    }
    Ok(())
}
