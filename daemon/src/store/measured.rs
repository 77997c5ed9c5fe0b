//! The readings of one quantity, in order and a stretch at a time, for statistics.

use rusqlite::{Connection, Row, params, params_from_iter};

use super::StoreFault;

/// Which readings are asked for; everything that is given must hold.
#[derive(Clone, Debug, Default)]
pub struct Asked {
    /// Of this quantity, by its symbol.
    pub quantity: String,
    /// Of this job.
    pub job: Option<String>,
    /// Of this characteristic.
    pub balloon: Option<String>,
    /// By this gauge.
    pub gauge: Option<String>,
    /// Received at or after this time (microseconds since 1970).
    pub since_us: Option<i64>,
}

/// What readings have in common that may stand on one chart.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub struct Origin {
    /// Job.
    pub job: Option<String>,
    /// Part number.
    pub part_number: Option<String>,
    /// Revision of the drawing.
    pub revision: Option<String>,
    /// Operation.
    pub operation: Option<String>,
    /// Gauge.
    pub gauge: Option<String>,
    /// Balloon number.
    pub balloon: Option<String>,
    /// Feature in words.
    pub feature: Option<String>,
    /// Unit of value and limits.
    pub unit: Option<String>,
    /// Lower limit, as digits.
    pub lower: Option<String>,
    /// Upper limit, as digits.
    pub upper: Option<String>,
}

/// One reading, with what decides whether it counts.
#[derive(Clone, Debug)]
pub struct Measured {
    /// Number of the row that was written when it was taken.
    pub seq: i64,
    /// `reading`; `correction` where a later row took its place.
    pub kind: String,
    /// When it was received.
    pub received_at: String,
    /// Serial number of the piece.
    pub serial: Option<String>,
    /// Counter of the piece.
    pub piece: Option<i64>,
    /// Which opening of the job.
    pub run: Option<i64>,
    /// The value as digits.
    pub value: Option<String>,
    /// Which of the values due for one verdict it is.
    pub trace: Option<i64>,
    /// Number of the retest; none for a first measurement.
    pub attempt: Option<i64>,
    /// `production`, `verification`, `study`, `training`.
    pub mode: Option<String>,
    /// Who measured.
    pub operator: Option<String>,
    /// Codes of why its outcome is what it is, blank-separated.
    pub reasons: String,
    /// What it has in common with others.
    pub origin: Origin,
    /// Its result_id.
    pub result_id: String,
}

/// Numbers looked at in one go. Nothing is being read between two of them, so that no long look keeps the log from being
/// brought back.
const STRETCH: i64 = 20_000;

/// Each reading at its place in the order of measuring, as it stands now.
const COLUMNS: &str = "SELECT o.seq, b.kind, e.received_at, e.serial, e.piece, e.run, e.value, e.attempt, b.mode, b.operator, \
    b.reasons, b.job, b.part_number, b.revision, b.operation, b.gauge, b.balloon, b.feature, b.unit, b.lower, b.upper, \
    b.store_id || '-' || e.seq, e.trace FROM entry AS o CROSS JOIN basis AS ob ON ob.id = o.basis AND ob.kind = 'reading' \
    CROSS JOIN entry AS e ON e.seq = coalesce((SELECT max(n.seq) FROM entry AS n WHERE n.root = o.seq), o.seq) \
    CROSS JOIN basis AS b ON b.id = e.basis WHERE o.seq > ?1 AND o.seq <= ?2 AND b.quantity = ?3";

fn measured(row: &Row) -> Result<Measured, rusqlite::Error> {
    Ok(Measured {
        seq: row.get(0)?,
        kind: row.get(1)?,
        received_at: row.get(2)?,
        serial: row.get(3)?,
        piece: row.get(4)?,
        run: row.get(5)?,
        value: row.get(6)?,
        attempt: row.get(7)?,
        mode: row.get(8)?,
        operator: row.get(9)?,
        reasons: row.get(10)?,
        origin: Origin {
            job: row.get(11)?,
            part_number: row.get(12)?,
            revision: row.get(13)?,
            operation: row.get(14)?,
            gauge: row.get(15)?,
            balloon: row.get(16)?,
            feature: row.get(17)?,
            unit: row.get(18)?,
            lower: row.get(19)?,
            upper: row.get(20)?,
        },
        result_id: row.get(21)?,
        trace: row.get(22)?,
    })
}

/// The readings there are now: what comes later is in none of the passes over them.
#[derive(Clone, Copy, Debug)]
pub struct Extent {
    behind: i64,
    last: i64,
}

impl Extent {
    /// From the first reading of a time on to the newest one.
    pub fn now(connection: &Connection, since_us: Option<i64>) -> Result<Extent, StoreFault> {
        let last: i64 = connection.query_row("SELECT coalesce(max(seq), 0) FROM entry", [], |row| row.get(0))?;
        let first = "SELECT coalesce(min(seq) - 1, ?2) FROM entry WHERE received_us >= ?1";
        let behind = match since_us {
            Some(us) => connection.query_row(first, params![us, last], |row| row.get(0))?,
            None => 0,
        };
        Ok(Extent { behind, last })
    }

    fn stretches(self) -> impl Iterator<Item = (i64, i64)> {
        let mut behind = self.behind;
        std::iter::from_fn(move || {
            let from = (behind < self.last).then_some(behind)?;
            behind = from.saturating_add(STRETCH).min(self.last);
            Some((from, behind))
        })
    }
}

/// Hands over the readings that fit, oldest first, one by one; `each` may end it with `false`.
pub fn each(
    connection: &Connection,
    extent: Extent,
    asked: &Asked,
    mut each: impl FnMut(Measured) -> bool,
) -> Result<(), StoreFault> {
    let mut sql = COLUMNS.to_owned();
    let mut values: Vec<&dyn rusqlite::ToSql> = vec![&asked.quantity];
    for (name, value) in [("b.job", &asked.job), ("b.balloon", &asked.balloon), ("b.gauge", &asked.gauge)] {
        let Some(value) = value else { continue };
        values.push(value);
        sql.push_str(&format!(" AND {name} = ?{}", values.len() + 2));
    }
    if let Some(us) = &asked.since_us {
        values.push(us);
        sql.push_str(&format!(" AND o.received_us >= ?{}", values.len() + 2));
    }
    sql.push_str(" ORDER BY o.seq");
    let mut statement = connection.prepare(&sql)?;
    for (from, to) in extent.stretches() {
        let bounds: [&dyn rusqlite::ToSql; 2] = [&from, &to];
        let rows = statement.query_map(params_from_iter(bounds.iter().chain(&values)), measured)?;
        let page = rows.collect::<Result<Vec<_>, _>>()?;
        if !page.into_iter().all(&mut each) {
            break;
        }
    }
    Ok(())
}
