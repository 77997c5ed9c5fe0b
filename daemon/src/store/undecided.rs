//! Parts that do not conform and of which nobody has said what becomes of them.

use rusqlite::Connection;

use super::StoreFault;

/// One of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Undecided {
    /// Number of the row that says so.
    pub seq: i64,
    /// Its job.
    pub job: Option<String>,
    /// Its serial number, or its place in the job.
    pub part: String,
    /// When it was measured.
    pub at: String,
}

/// Those whose last reading came in a stretch of time, in microseconds, in their order; `most` at most. A part that was disposed of, by whichever of
/// its results, is none; neither is one that another outcome took the place of.
pub fn undecided(connection: &Connection, from_us: i64, to_us: i64, most: u32) -> Result<Vec<Undecided>, StoreFault> {
    let sql = "SELECT e.seq, b.job, coalesce(e.serial, '#' || e.piece), e.received_at \
               FROM entry AS e CROSS JOIN basis AS b ON b.id = e.basis \
               WHERE e.received_us BETWEEN ?1 AND ?2 AND b.outcome = 'nonconforming' AND b.balloon IS NULL \
               AND b.kind IN ('part', 'correction') AND e.piece IS NOT NULL \
               AND NOT EXISTS (SELECT 1 FROM entry AS n WHERE n.root = coalesce(e.root, e.seq) AND n.seq > e.seq) \
               AND NOT EXISTS (SELECT 1 FROM entry AS n JOIN decided AS of ON of.seq = n.seq \
                   JOIN decision AS d ON d.id = of.decision \
                   WHERE n.run = e.run AND n.piece = e.piece AND d.kind = 'dispose') \
               ORDER BY e.seq LIMIT ?3";
    let mut statement = connection.prepare_cached(sql)?;
    let rows = statement.query_map(rusqlite::params![from_us, to_us, most], |row| {
        Ok(Undecided { seq: row.get(0)?, job: row.get(1)?, part: row.get(2)?, at: row.get(3)? })
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}
