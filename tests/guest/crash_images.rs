//! A disk with a volatile cache loses the power: of what was written since the last flush anything may be there or not.

use std::collections::BTreeSet;
use std::thread::sleep;
use std::time::{Duration, Instant};

use ridgepost_tests::guest::crash_images::{Images, Logged};
use ridgepost_tests::guest::machine::{Machine, PATIENCE};
use ridgepost_tests::guest::power::{Acknowledged, Guest, Weakened};
use ridgepost_tests::guest::wire::Wire;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{self, Store};
use ridgepost_tests::seed::Seeded;

/// What was heard by when: entries that the log had afterwards, and the line.
type Heard = Vec<(u64, String)>;

/// Lets a guest work on a logged disk until `enough` rows are acknowledged; then the plug is pulled.
fn work(guest: &Guest, logged: &Logged, weakened: Weakened, enough: usize) -> (Heard, u64) {
    let mut machine = Machine::up(&guest.at_work(weakened, 1).with(logged.options()));
    let mut wire = Wire::new(machine.connect("line"));
    machine.until_told("listening");
    let (mut heard, mut said) = (Heard::new(), 0);
    let end = Instant::now() + PATIENCE;
    while rows_in(&heard) < enough {
        if wire.say(&instruments::counted(said + 1)) {
            said += 1;
        }
        sleep(Duration::from_millis(10));
        let told = machine.told();
        // Looked up after the lines were heard: whatever made them true is among the entries.
        let entries = logged.entries_by_now();
        heard.extend(told.into_iter().skip(heard.len()).map(|line| (entries, line)));
        let goes_on = Instant::now() < end && !machine.has_ended();
        assert!(goes_on, "{} of {enough} rows\n{}", rows_in(&heard), machine.last_words());
    }
    machine.cut();
    (heard, said)
}

/// Rows of the store among what was heard.
fn rows_in(heard: &Heard) -> usize {
    heard.iter().filter(|(_, line)| line.starts_with("row ")).count()
}

/// What an image shows, held against what was acknowledged before the entry it ends with.
fn judge(store: Option<&Store>, acknowledged: &Acknowledged, said: u64) -> Vec<String> {
    let Some(store) = store else { return vec!["acknowledged, and no store that can be opened".into()] };
    let rows = store.results();
    let mut findings = store.integrity();
    findings.extend(oracle::acknowledged_and_lost(&acknowledged.rows, &rows));
    findings.extend(oracle::doubled(&rows));
    let (counted, found) = oracle::numbers("counted", &rows, number_of);
    findings.extend(found);
    findings.extend(counted.iter().filter(|number| **number > said).map(|number| format!("{number} was never said")));
    let (exported, found) = oracle::numbers("exports", &rows, number_of);
    findings.extend(found);
    let exported: BTreeSet<u64> = exported.into_iter().collect();
    let lost = acknowledged.archived.difference(&exported);
    findings.extend(lost.map(|number| format!("file {number} was moved away and is not stored")));
    findings
}

/// Points of the log to make images for: random ones behind the first acknowledgement, and always the last.
fn points(images: &Images<'_>, first: u64, count: u64, seeded: &mut Seeded) -> Vec<u64> {
    let mut points: Vec<u64> = (1..count).map(|_| seeded.between(first, images.entries())).collect();
    points.push(images.entries());
    points
}

/// Makes `count` images of a guest's disk; findings by image.
fn images(weakened: Weakened, seed: u64, count: u64, enough: usize) -> Vec<Vec<String>> {
    let guest = super::small_guest();
    let mut seeded = Seeded::new(seed);
    let logged = Logged::new(&guest.disk("logged"));
    let (heard, said) = work(&guest, &logged, weakened, enough);
    let mut images = logged.finished();
    let first = heard.iter().find(|(_, line)| line.starts_with("row ")).expect("an acknowledgement").0;
    let (path, found) = (guest.path("image"), guest.path("found"));
    let mut findings = Vec::new();
    for point in points(&images, first, count, &mut seeded) {
        let mut acknowledged = Acknowledged::default();
        let before = heard.iter().filter(|(entries, _)| *entries <= point);
        before.for_each(|(_, line)| acknowledged.hear(line));
        let image = images.image(point, &mut seeded, &path);
        findings.push(match image.recovered_to(&found) {
            Ok(()) => judge(Store::open(&found.join("store/store.db")).as_ref(), &acknowledged, said),
            Err(fault) => vec![fault],
        });
    }
    println!(
        "{count} crash images ({weakened:?}): {} entries of the log, {} flushes, {said} readings said, {} rows acknowledged",
        images.entries(),
        images.flushes(),
        rows_in(&heard)
    );
    findings
}

fn count() -> u64 {
    std::env::var("RIDGEPOST_CRASH_IMAGES").ok().and_then(|text| text.parse().ok()).unwrap_or(200)
}

/// Whatever a disk kept of what it was not told to flush: what was acknowledged is stored, once, in a store that is
/// whole.
#[test]
#[ignore = "needs qemu, a kernel package, busybox and sqlite3"]
fn a_volatile_disk_cache_loses_nothing_that_was_acknowledged() {
    let seed = Seeded::seed_of_run();
    let findings = images(Weakened::No, seed, count(), 150).concat();
    assert!(findings.is_empty(), "RIDGEPOST_SEED={seed}\n{}", findings.join("\n"));
}

/// The rig can fail: of a daemon whose syncs do nothing acknowledged readings are lost.
#[test]
#[ignore = "needs qemu, a kernel package, busybox and sqlite3"]
fn a_volatile_disk_cache_finds_out_a_daemon_that_never_syncs() {
    let findings = images(Weakened::NeverSyncs, 9, 20, 30);
    let losing = findings.iter().filter(|image| image.iter().any(|finding| finding.contains("acknowledged"))).count();
    assert!(losing > 0, "20 images, and none lost what was acknowledged: {findings:?}");
}
