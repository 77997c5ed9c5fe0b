//! How things stand at one moment: what metrics and the sign of life are made of.

use rusqlite::Connection;

use super::{Scene, free_bytes};
use crate::capture::StationStatus;
use crate::clock::Stamp;
use crate::deliver;
use crate::store::{StoreFault, babble, open_for_reading};

/// How things stand.
#[derive(Clone, Debug, Default)]
pub struct Picture {
    /// Name of the cell.
    pub cell: String,
    /// The moment.
    pub at: Stamp,
    /// Every station of the plan.
    pub stations: Vec<(String, StationStatus)>,
    /// Every sink of the plan; its `recorded` counts delivered parcels.
    pub sinks: Vec<(String, StationStatus)>,
    /// Faults of the configuration files as they are now.
    pub faults: usize,
    /// Number of the last result; `None` where the store could not be read.
    pub seq: Option<i64>,
    /// Undelivered parcels: sink, state, how many.
    pub parcels: Vec<(String, String, u64)>,
    /// Stations with an open gap by babbling.
    pub babbling: Vec<String>,
    /// Size of the store's file.
    pub store_bytes: Option<u64>,
    /// Size of the log beside it.
    pub wal_bytes: Option<u64>,
    /// Room on its disk.
    pub free_bytes: Option<u64>,
    /// Seconds since the writer last committed.
    pub commit_age_s: Option<f64>,
    /// Requests that wait for the writer.
    pub queue: usize,
    /// What keeps the writer from writing.
    pub store_trouble: Option<String>,
    /// Whether the writer answered when it was asked.
    pub writes: bool,
    /// Whether the daemon is stopping.
    pub stopped: bool,
    /// What the watch itself has to tell: code and words.
    pub troubles: Vec<(&'static str, String)>,
}

impl Picture {
    /// Looks at everything. Blocks for short reads.
    pub(super) fn take(scene: &Scene) -> Picture {
        let (cell, faults) = (scene.cell)();
        let board = scene.board.snapshot();
        let of = |key: &str| board.get(key).cloned().unwrap_or_default();
        let health = scene.health.lock().map(|health| health.clone()).unwrap_or_default();
        let size = |suffix: &str| {
            let path = format!("{}{suffix}", scene.store.display());
            std::fs::metadata(path).map(|file| file.len()).ok()
        };
        let plan = &cell.plan;
        let mut picture = Picture {
            cell: plan.cell.name.clone(),
            at: scene.clock.stamp(),
            stations: plan.stations.iter().map(|station| (station.name.clone(), of(&station.name))).collect(),
            sinks: plan.sinks.iter().map(|sink| (sink.name.clone(), of(&deliver::key(&sink.name)))).collect(),
            faults: faults.len(),
            store_bytes: size(""),
            wal_bytes: size("-wal").or(Some(0)),
            free_bytes: free_bytes(&scene.store),
            commit_age_s: health.committed.map(|at| at.elapsed().as_secs_f64()),
            queue: scene.pen.waiting(),
            store_trouble: health.trouble,
            writes: true,
            troubles: scene.ledger.open(),
            ..Picture::default()
        };
        if let Err(fault) = open_for_reading(&scene.store).and_then(|store| picture.look(&store)) {
            tracing::debug!(code = "not-looked", "the store could not be looked at: {fault}");
        }
        picture
    }

    fn look(&mut self, store: &Connection) -> Result<(), StoreFault> {
        self.seq = store.query_row("SELECT coalesce(max(seq), 0) FROM entry", [], |row| row.get(0))?;
        let sql = "SELECT sink, state, count(*) FROM parcel WHERE state <> 'delivered' GROUP BY sink, state";
        let mut statement = store.prepare(sql)?;
        let parcels = statement.query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get::<_, i64>(2).map(|count| u64::try_from(count).unwrap_or(0))?))
        })?;
        self.parcels = parcels.collect::<Result<_, _>>()?;
        let sql = format!("SELECT station FROM coverage WHERE until_us IS NULL AND cause LIKE '{}%'", babble::CAUSE);
        let mut statement = store.prepare(&sql)?;
        self.babbling = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
        Ok(())
    }

    /// Parcels of a sink in a state.
    pub fn count(&self, sink: &str, state: &str) -> u64 {
        let fits = |(of, is, _): &&(String, String, u64)| of == sink && is == state;
        self.parcels.iter().find(fits).map_or(0, |(_, _, count)| *count)
    }

    /// Everything that needs a person, the worst first; nothing where all is well.
    pub fn causes(&self) -> Vec<String> {
        let mut causes = Vec::new();
        if self.stopped {
            causes.push("the daemon was stopped".to_owned());
        }
        if let Some(trouble) = &self.store_trouble {
            causes.push(format!("the store can't be written: {trouble}"));
        } else if !self.writes {
            causes.push("the store's writer does not answer".to_owned());
        }
        if self.seq.is_none() {
            causes.push("the store can't be read".to_owned());
        }
        for (name, status) in self.stations.iter().filter(|(_, status)| status.state == "deaf") {
            let why = status.trouble.as_deref().unwrap_or("no reason is known");
            causes.push(format!("station {name} is deaf: {why}"));
        }
        causes.extend(self.babbling.iter().map(|name| format!("station {name} babbles: rejects are not kept")));
        for (name, status) in &self.sinks {
            causes.extend(status.trouble.as_ref().map(|why| format!("sink {name} waits: {why}")));
            let parked = self.count(name, "parked");
            if parked > 0 {
                causes.push(format!("sink {name}: {parked} parked, see `ridgepost outbox`"));
            }
        }
        if self.faults > 0 {
            causes.push(format!("{} faults in the configuration, see `ridgepost check`", self.faults));
        }
        causes.extend(self.troubles.iter().map(|(code, text)| format!("{code}: {text}")));
        causes
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::capture::LineErrors;

    /// A cell where all is well.
    pub(crate) fn picture() -> Picture {
        let listening = StationStatus {
            state: "listening".into(),
            recorded: 40,
            rejected: 2,
            line: Some(LineErrors { framing: 3, ..LineErrors::default() }),
            ..Default::default()
        };
        Picture {
            cell: "grind-2".into(),
            at: Stamp { at: "2026-11-25T14:00:00.000+01:00".into(), us: 0, monotonic_ms: 61_500, synced: true },
            stations: vec![("tester-a".into(), listening)],
            sinks: vec![("mes".into(), StationStatus { recorded: 39, ..Default::default() })],
            seq: Some(42),
            parcels: vec![("mes".into(), "due".into(), 1)],
            store_bytes: Some(4096),
            wal_bytes: Some(0),
            free_bytes: Some(1 << 40),
            commit_age_s: Some(0.25),
            writes: true,
            ..Picture::default()
        }
    }

    #[test]
    fn what_needs_a_person_is_a_cause_and_nothing_else() {
        type Change = fn(&mut Picture);
        let cases: [(Change, &str); 11] = [
            (|_| {}, ""),
            (|it| it.at.synced = false, ""),
            (|it| it.stations[0].1.state = "starting".into(), ""),
            (|it| it.stopped = true, "the daemon was stopped"),
            (|it| it.store_trouble = Some("disk full".into()), "the store can't be written: disk full"),
            (|it| it.seq = None, "the store can't be read"),
            (|it| it.babbling = vec!["tester-a".into()], "station tester-a babbles: rejects are not kept"),
            (|it| it.sinks[0].1.trouble = Some("share away".into()), "sink mes waits: share away"),
            (|it| it.parcels[0].1 = "parked".into(), "sink mes: 1 parked, see `ridgepost outbox`"),
            (|it| it.faults = 2, "2 faults in the configuration, see `ridgepost check`"),
            (|it| it.troubles = vec![("low-space", "3 MiB free".into())], "low-space: 3 MiB free"),
        ];
        for (change, expected) in cases {
            let mut picture = picture();
            change(&mut picture);
            assert_eq!(picture.causes().join("; "), expected);
        }
    }
}
