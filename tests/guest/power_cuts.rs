//! The plug is pulled at random moments: whatever the guest's memory held is gone, and what was acknowledged is not.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::thread::sleep;
use std::time::{Duration, Instant};

use ridgepost_tests::drops::Drops;
use ridgepost_tests::guest::disk::Disk;
use ridgepost_tests::guest::machine::Machine;
use ridgepost_tests::guest::power::{Acknowledged, Guest, Weakened};
use ridgepost_tests::guest::wire::Wire;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{self, Store, field};
use ridgepost_tests::seed::Seeded;

/// Cuts that one disk goes through before a new one is taken, which keeps looking at it quick.
const CUTS_PER_DISK: u64 = 25;

/// When the plug is pulled.
#[derive(Clone, Copy, Debug)]
enum Moment {
    /// A while after the disk was mounted: the daemon may be starting and recovering still.
    Starting,
    /// As soon as another acknowledgement that begins so was heard.
    On(&'static str),
    /// A while after the first acknowledgement.
    Later,
}

/// One disk and what is known of it.
struct Cuts<'g> {
    guest: &'g Guest,
    weakened: Weakened,
    disk: Disk,
    /// Where a copy of the disk is read after each cut.
    found: PathBuf,
    drops: Drops,
    seeded: Seeded,
    acknowledged: Acknowledged,
    /// Readings said so far; their numbers are 1 to this.
    said: u64,
    /// Exported files are numbered from here on in the next guest.
    export_from: u64,
    findings: Vec<String>,
}

impl<'g> Cuts<'g> {
    fn new(guest: &'g Guest, name: &str, seed: u64, weakened: Weakened) -> Cuts<'g> {
        let found = guest.path(&format!("{name}.found"));
        Cuts {
            guest,
            weakened,
            disk: guest.disk(name),
            drops: Drops::new(&found.join("drops")),
            found,
            seeded: Seeded::new(seed),
            acknowledged: Acknowledged::default(),
            said: 0,
            export_from: 1,
            findings: vec![],
        }
    }

    /// Starts the guest, lets the instruments talk, and pulls the plug.
    fn cut(&mut self, moment: Moment) {
        let build = self.guest.at_work(self.weakened, self.export_from).with(self.disk.options());
        self.export_from += 1000;
        let mut machine = Machine::up(&build);
        let on = Instant::now();
        let mut wire = Wire::new(machine.connect("line"));
        let heard =
            |machine: &Machine, start: &str| machine.told().iter().filter(|line| line.starts_with(start)).count();
        match moment {
            Moment::Starting => {
                let span = Duration::from_millis(self.seeded.between(0, 4000));
                self.talk(&mut wire, span, || false);
            }
            Moment::On(start) => {
                machine.until_told("listening");
                let count = self.seeded.between(1, 8) as usize;
                self.talk(&mut wire, Duration::from_secs(60), || heard(&machine, start) >= count);
            }
            Moment::Later => {
                machine.until_told("listening");
                self.talk(&mut wire, Duration::from_secs(60), || heard(&machine, "row ") > 0);
                let span = Duration::from_millis(self.seeded.between(0, 2000));
                self.talk(&mut wire, span, || false);
            }
        }
        assert!(!machine.has_ended(), "{}", machine.last_words());
        machine.cut();
        println!("cut {:.1} s after the disk was mounted ({moment:?})", on.elapsed().as_secs_f64());
        for line in machine.told() {
            self.acknowledged.hear(&line);
            assert!(!line.starts_with("ended"), "the daemon ended:\n{}", machine.last_words());
        }
    }

    /// Instruments talk for a while, or until something has come.
    fn talk(&mut self, wire: &mut Wire, span: Duration, come: impl Fn() -> bool) {
        let end = Instant::now() + span;
        while Instant::now() < end && !come() {
            if wire.say(&instruments::counted(self.said + 1)) {
                self.said += 1;
            }
            sleep(Duration::from_millis(self.seeded.between(5, 40)));
        }
    }

    /// Reads a copy of the disk and holds it against what was acknowledged.
    fn look(&mut self) {
        let copy = self.disk.copied(&self.disk.path.with_extension("copy"));
        if let Err(fault) = copy.recovered_to(&self.found) {
            self.findings.push(fault);
            return;
        }
        self.findings.extend(self.drops.look_again());
        // A result file in place tells its reader as much as an answer does.
        let delivered = self.drops.rows().into_iter().filter_map(|(_, mut row)| row.remove("result_id"));
        self.acknowledged.rows.extend(delivered);
        match Store::open(&self.found.join("store/store.db")) {
            Some(store) => self.judge(&store),
            None if self.acknowledged.count() == 0 => {}
            None => self.findings.push("acknowledged readings, and no store that can be opened".into()),
        }
    }

    fn judge(&mut self, store: &Store) {
        let rows = store.results();
        self.findings.extend(store.integrity());
        self.findings.extend(oracle::acknowledged_and_lost(&self.acknowledged.rows, &rows));
        self.findings.extend(oracle::doubled(&rows));
        let (counted, findings) = oracle::numbers("counted", &rows, number_of);
        self.findings.extend(findings);
        let unsaid = counted.iter().filter(|number| **number > self.said);
        self.findings.extend(unsaid.map(|number| format!("counted: {number} is stored and was never said")));
        let (exported, findings) = oracle::numbers("exports", &rows, number_of);
        self.findings.extend(findings);
        let exported: BTreeSet<u64> = exported.into_iter().collect();
        let lost = self.acknowledged.archived.difference(&exported);
        self.findings.extend(lost.map(|number| format!("file {number} was moved away and is not stored")));
    }

    /// Starts the guest once more, and lets it deliver everything and stop.
    fn settle(&mut self) {
        self.said += 1;
        let mut machine = Machine::up(&self.guest.settling(self.said).with(self.disk.options()));
        let mut wire = Wire::new(machine.connect("line"));
        machine.until_told("listening");
        sleep(Duration::from_millis(300));
        assert!(wire.say(&instruments::counted(self.said)));
        machine.until_told("settled");
        let ended = machine.until_told("ended");
        machine.until_off();
        assert_eq!(ended, "ended 0", "{}", machine.last_words());
        for line in machine.told() {
            self.acknowledged.hear(&line);
        }
        self.look();
        let rows = Store::open(&self.found.join("store/store.db")).expect("a store").results();
        self.findings.extend(oracle::deliveries(&rows, &self.drops));
        let gone = self.acknowledged.drops.iter().filter(|name| !self.drops.files().contains_key(*name));
        self.findings.extend(gone.map(|name| format!("{name} was in place and is not")));
        let last = rows.iter().any(|row| field(row, "station") == "counted" && number_of(row) == Ok(self.said));
        assert!(last, "the daemon does not go on after the cuts");
    }

    fn moment(&mut self) -> Moment {
        *self.seeded.pick(&[
            Moment::Starting,
            Moment::On("row "),
            Moment::On("archived "),
            Moment::On("drop "),
            Moment::Later,
        ])
    }
}

fn cuts() -> u64 {
    std::env::var("RIDGEPOST_POWER_CUTS").ok().and_then(|text| text.parse().ok()).unwrap_or(20)
}

/// Cuts the power of one guest again and again; what is wrong afterwards.
fn series(guest: &Guest, name: &str, seed: u64, cuts: u64) -> Vec<String> {
    let mut series = Cuts::new(guest, name, seed, Weakened::No);
    for _ in 0..cuts {
        let moment = series.moment();
        series.cut(moment);
        series.look();
    }
    series.settle();
    let acknowledged = &series.acknowledged;
    println!(
        "{cuts} power cuts: {} readings said, {} files archived, {} rows acknowledged, {} result files seen in place",
        series.said,
        acknowledged.archived.len(),
        acknowledged.rows.len(),
        acknowledged.drops.len()
    );
    assert!(acknowledged.count() > 0, "nothing was acknowledged before any cut, so nothing is shown");
    series.findings
}

/// Whenever the power fails: what was acknowledged is stored, once; the store is whole; the daemon starts and goes on.
#[test]
#[ignore = "needs qemu, a kernel package, busybox and sqlite3"]
fn a_power_cut_loses_nothing_that_was_acknowledged() {
    let seed = Seeded::seed_of_run();
    let guest = super::small_guest();
    let mut findings = Vec::new();
    let mut left = cuts();
    while left > 0 {
        let both = left.min(2 * CUTS_PER_DISK);
        let shares = [both.div_ceil(2), both / 2];
        let found: Vec<String> = std::thread::scope(|scope| {
            let series = [0, 1].map(|which| {
                let (guest, share) = (&guest, shares[which]);
                scope.spawn(move || series(guest, &format!("cuts-{which}"), seed + left + which as u64, share))
            });
            series.into_iter().flat_map(|series| series.join().unwrap()).collect()
        });
        findings.extend(found);
        left -= both;
    }
    assert!(findings.is_empty(), "RIDGEPOST_SEED={seed} RIDGEPOST_POWER_CUTS={}\n{}", cuts(), findings.join("\n"));
}

/// Cuts the power of a weakened daemon until an acknowledged reading is lost.
#[track_caller]
fn is_found_out(weakened: Weakened, moment: Moment, words: &str) {
    let guest = super::small_guest();
    let mut cuts = Cuts::new(&guest, "control", 7, weakened);
    for _ in 0..6 {
        cuts.cut(moment);
        cuts.look();
        if cuts.findings.iter().any(|finding| finding.contains(words)) {
            return;
        }
    }
    panic!("6 cuts of a daemon that is weakened ({weakened:?}), and nothing was lost: {:?}", cuts.findings);
}

/// The rig can fail: a daemon whose syncs do nothing is found out.
#[test]
#[ignore = "needs qemu, a kernel package, busybox and sqlite3"]
fn a_daemon_that_never_syncs_loses_what_it_acknowledged() {
    is_found_out(Weakened::NeverSyncs, Moment::On("row "), "acknowledged");
}

/// The rig can fail: a daemon that moves files away before their readings are committed is found out.
#[test]
#[ignore = "needs qemu, a kernel package, busybox and sqlite3"]
fn a_daemon_that_acknowledges_early_loses_readings_of_archived_files() {
    is_found_out(Weakened::AcknowledgesEarly, Moment::On("archived "), "was moved away and is not stored");
}
