//! Export folders: one large file, and very many small ones while another station works on.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use ridgepost_tests::cell::Cell;
use ridgepost_tests::pty::Line;

use crate::figures::{Figures, Goal, percentile};
use crate::peers::{Python, memory_most};
use crate::{Amounts, shop};

/// How long a folder may take in all before the run gives up.
const PATIENCE: Duration = Duration::from_secs(600);

/// Waits until a number of the store is reached; false where that takes too long.
fn reaches(cell: &Cell, sql: &str, wanted: i64) -> bool {
    let until = Instant::now() + PATIENCE;
    while Instant::now() < until {
        if shop::count(cell, sql) >= wanted {
            return true;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    false
}

/// Everything that was to be delivered is: nothing is due, and no parcel is still filling.
const OPEN_PARCELS: &str = "SELECT -count(*) FROM parcel WHERE state <> 'delivered'";

/// Rows in the files of a sink, without their headings.
fn delivered_rows(folder: &Path) -> i64 {
    let files = std::fs::read_dir(folder).unwrap().flatten();
    files.map(|file| std::fs::read_to_string(file.path()).unwrap().lines().count() as i64 - 1).sum()
}

fn check(cell: &Cell, drops: &Path, wanted: usize, figures: &mut Figures) {
    let stored = shop::count(cell, "SELECT count(*) FROM results WHERE kind = 'reading' AND station = 'stick'");
    let judged = "SELECT count(*) FROM results WHERE station = 'stick' AND kind = 'reading' AND job = 'W4711'";
    let judged = shop::count(cell, judged);
    let (rows, handed) = (shop::count(cell, "SELECT count(*) FROM results"), delivered_rows(drops));
    if stored != wanted as i64 || judged != stored || handed != rows {
        figures.lost(format!(
            "{stored} of {wanted} readings stored, {judged} judged, {handed} of {rows} rows handed over"
        ));
    }
}

fn close_job(cell: &Cell) {
    let said = cell.ask(&["job", "close"]);
    assert!(said.status.success(), "{said:?}");
}

/// One large file: recorded, judged, handed over.
pub fn large(python: &Python, amounts: &Amounts, figures: &mut Figures) {
    let folder = tempfile::tempdir().unwrap();
    let export = folder.path().join("big.csv");
    let (path, rows) = (export.display().to_string(), amounts.rows.to_string());
    python.run("gen.py", &["csv", &path, &rows]);
    let size = std::fs::metadata(&export).unwrap().len();
    println!("{rows} rows, {size} bytes");
    for _ in 0..amounts.rounds {
        let [rate, megabytes] = one_large(&export, amounts.rows, figures);
        figures.add("large file, rows/s", rate);
        figures.add("large file, MB", megabytes);
        for (mode, wanted) in [("csvmod", true), ("csv", python.has_pandas)] {
            if !wanted {
                continue;
            }
            let work = tempfile::tempdir().unwrap();
            let cost = python.run("baseline_batch.py", &[mode, &path, &work.path().display().to_string()]);
            figures.add(&format!("script {mode}, rows/s"), amounts.rows as f64 / cost.seconds);
            figures.add(&format!("script {mode}, MB"), cost.megabytes);
        }
    }
    let what = format!("f. an export of {rows} rows, judged and handed over");
    figures.alone(&format!("{what}: rows/s"), "large file, rows/s", Goal::Least(100_000.0));
    figures.alone(&format!("{what}: MB"), "large file, MB", Goal::Most(100.0));
    figures.beside("f. the same beside the script: rows/s", "large file, rows/s", "script csvmod, rows/s", Goal::Told);
    figures.beside("f. the same beside the script: MB", "large file, MB", "script csvmod, MB", Goal::Told);
    if python.has_pandas {
        figures.beside("f. the same beside pandas: rows/s", "large file, rows/s", "script csv, rows/s", Goal::Told);
    }
}

fn one_large(export: &Path, rows: usize, figures: &mut Figures) -> [f64; 2] {
    let mut cell = shop::cell(&[("Ra", "0.8"), ("Rz", "6.3")]);
    let folder = cell.folder("stick", "export", "RT-01", "*.csv");
    let drops = cell.sink("mes", "job");
    cell.set("RIDGEPOST_LOG", "error");
    shop::open(&cell);
    let aside = cell.path("exports/big.csv");
    std::fs::copy(export, &aside).unwrap();
    cell.start_listening(&[]);
    assert!(reaches(&cell, "SELECT count(*) FROM fact WHERE key = 'alive_at'", 1), "the daemon does not come up");
    std::thread::sleep(Duration::from_millis(500));
    let began = Instant::now();
    std::fs::rename(&aside, folder.join("big.csv")).unwrap();
    let recorded = reaches(&cell, "SELECT count(*) FROM file WHERE state IN ('recorded', 'archived')", 1);
    let until_recorded = began.elapsed().as_secs_f64();
    close_job(&cell);
    let handed = reaches(&cell, OPEN_PARCELS, 0);
    let seconds = began.elapsed().as_secs_f64();
    println!("recorded after {until_recorded:.2} s, handed over after {seconds:.2} s");
    let megabytes = memory_most(cell.process()) as f64 * 1024.0 / 1e6;
    if !recorded || !handed {
        figures.lost(format!("the large file was not done within {PATIENCE:?}"));
    }
    cell.stop();
    check(&cell, &drops, rows, figures);
    [rows as f64 / seconds, megabytes]
}

/// Many small files that wait when the daemon starts, while a port goes on.
pub fn many(python: &Python, amounts: &Amounts, figures: &mut Figures) {
    for _ in 0..amounts.rounds {
        many_waiting(python, amounts.files, figures, None);
        many_waiting(python, amounts.files, figures, Some("2031/04"));
        let work = tempfile::tempdir().unwrap();
        let (files, into) =
            (work.path().join("in").display().to_string(), work.path().join("out").display().to_string());
        python.run("gen.py", &["folder", &files, &amounts.files.to_string()]);
        let cost = python.run("baseline_batch.py", &["folder", &files, &into, "1000"]);
        figures.add("script, files/s", amounts.files as f64 / cost.seconds);
    }
    let figure = format!("g. {} waiting files, files/s; script in batches of 1,000", amounts.files);
    figures.beside(&figure, "small files/s", "script, files/s", Goal::Least(1.0));
    let figure = format!("g. the same {} files in a folder inside, files/s; in the folder itself", amounts.files);
    figures.beside(&figure, "small files inside/s", "small files/s", Goal::Told);
    for inside in ["", " inside"] {
        for share in ["p50", "p99"] {
            let name = |when: &str| format!("another station {when}{inside}, {share}, ms");
            let figure = format!("g. another station meanwhile{inside}, last byte -> row, {share}; alone before");
            figures.beside(&figure, &name("meanwhile"), &name("alone"), Goal::Told);
        }
    }
}

/// With `inner`, the files lie in a folder inside.
fn many_waiting(python: &Python, count: usize, figures: &mut Figures, inner: Option<&str>) {
    let mut cell = shop::cell(&[("Ra", "0.8"), ("Rz", "6.3")]);
    let root = cell.path("exports/stick");
    let folder = root.join(inner.unwrap_or(""));
    std::fs::create_dir_all(&folder).unwrap();
    let place =
        format!("folder = {{ path = \"{}\", pattern = \"*.txt\", subfolders = {} }}", root.display(), inner.is_some());
    cell.station("stick", "small", "RT-01", &place);
    let mut line = cell.port("a", "line", "RT-01");
    let drops = cell.sink("mes", "job");
    cell.set("RIDGEPOST_LOG", "error");
    shop::open(&cell);
    let aside = cell.path("exports/aside");
    python.run("gen.py", &["folder", &aside.display().to_string(), &count.to_string()]);
    cell.start_listening(&[&line]);
    let probe = Probe { store: cell.store_path() };
    let alone = probe.latencies(&mut line, |sent| sent < 200);
    // The daemon finds them all waiting when it starts.
    cell.stop();
    std::fs::remove_dir(&folder).unwrap();
    std::fs::rename(&aside, &folder).unwrap();
    let began = Instant::now();
    cell.start_listening(&[&line]);
    let done = AtomicBool::new(false);
    let (meanwhile, seconds) = std::thread::scope(|scope| {
        let measured = scope.spawn(|| probe.latencies(&mut line, |_| !done.load(Ordering::Relaxed)));
        let archived = "SELECT count(*) FROM file WHERE state = 'archived'";
        let all = reaches(&cell, archived, count as i64);
        println!("recorded and archived after {:.2} s", began.elapsed().as_secs_f64());
        close_job(&cell);
        let handed = reaches(&cell, OPEN_PARCELS, 0);
        let seconds = began.elapsed().as_secs_f64();
        done.store(true, Ordering::Relaxed);
        if !all || !handed {
            figures.lost(format!("the small files were not done within {PATIENCE:?}"));
        }
        (measured.join().unwrap(), seconds)
    });
    cell.until("the last deliveries", |cell| (shop::count(cell, OPEN_PARCELS) == 0).then_some(()));
    cell.stop();
    check(&cell, &drops, count, figures);
    let inside = if inner.is_some() { " inside" } else { "" };
    figures.add(&format!("small files{inside}/s"), count as f64 / seconds);
    for (when, latencies) in [("alone", alone), ("meanwhile", meanwhile)] {
        for (share, at) in [("p50", 0.5), ("p99", 0.99)] {
            figures.add(&format!("another station {when}{inside}, {share}, ms"), percentile(&latencies, at));
        }
    }
}

/// Looks into the store from outside for the readings of one port.
struct Probe {
    store: std::path::PathBuf,
}

impl Probe {
    /// Sends readings, one every 20 ms, as long as `goes_on` (given how many were sent): milliseconds from each one's last
    /// byte until a reader sees its row.
    fn latencies(&self, line: &mut Line, mut goes_on: impl FnMut(usize) -> bool) -> Vec<f64> {
        let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let store = rusqlite::Connection::open_with_flags(&self.store, flags).unwrap();
        store.busy_timeout(Duration::from_secs(5)).unwrap();
        let mut newest = store.prepare("SELECT coalesce(max(id), 0) FROM transmission WHERE station = 'a'").unwrap();
        let mut newest = || newest.query_row([], |row| row.get::<_, i64>(0)).unwrap();
        let mut latencies = Vec::new();
        while goes_on(latencies.len()) {
            let before = newest();
            line.send(format!("RD {:06} Ra 0.412 um\r\n", latencies.len()).as_bytes());
            let sent = Instant::now();
            while newest() == before && sent.elapsed() < Duration::from_secs(60) {
                std::thread::sleep(Duration::from_micros(100));
            }
            latencies.push(sent.elapsed().as_secs_f64() * 1e3);
            std::thread::sleep(Duration::from_millis(20));
        }
        latencies
    }
}
