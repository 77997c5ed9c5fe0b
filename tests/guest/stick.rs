//! A memory stick with export folders and a result folder, pulled in the middle of a file and plugged in again: nothing is
//! lost, nothing is doubled, and that nobody could read meanwhile is told.

use std::collections::BTreeSet;
use std::fs;
use std::ops::Range;
use std::path::Path;
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

use ridgepost_tests::drops::Drops;
use ridgepost_tests::guest::machine::PATIENCE;
use ridgepost_tests::guest::service::{Guest, Shell};
use ridgepost_tests::guest::stick::{LABEL, Stick};
use ridgepost_tests::instruments::number_of;
use ridgepost_tests::oracle::{self, Row, Store, field};
use ridgepost_tests::patience::within;

/// How the guest's shell writes an export with numbers from `$1` up to `$2`, each row of some kilobytes: the part's
/// number is long.
const EXPORT: &str = "export_() { printf 'No;Part;Ra\\r\\n'; i=$1; while [ $i -lt $2 ]; do \
                      printf '%06d;\"P%03000d\";%d.%03d\\r\\n' $i $i $((i/1000)) $((i%1000)); i=$((i+1)); done; }";

struct Bench {
    guest: Guest,
    shell: Shell,
    stick: Stick,
}

impl Bench {
    /// A guest with the service at work and no stick in it; the stick has its folders.
    fn new() -> Bench {
        let guest = Guest::new(super::DAEMON, &super::cache(), include_str!("stick-cell.toml"));
        let stick = Stick::new(&guest.path("stick"));
        let mut shell = guest.started(stick.options());
        shell.prepare();
        shell.sh(EXPORT);
        let mut bench = Bench { guest, shell, stick };
        bench.fill("mkdir moved kept out");
        bench.shell.sh("systemctl start ridgepost 2>&1");
        bench.until_said("/mnt/stick/moved can't be listed", 1);
        bench
    }

    /// Plugs the stick in and mounts it at `place`, for the service's user.
    #[track_caller]
    fn mount(&mut self, place: &str) {
        self.stick.plug_in(&self.shell.machine);
        self.until_guest(&format!("test -b /dev/disk/by-label/{LABEL} && echo there"), |said| said == "there");
        // It may have been pulled while it was written to, and the kernel writes no more to a damaged file system once it
        // comes upon the damage: it is repaired before, as a PC does. 1: something was (fsck.fat(8), "Exit status").
        self.shell.sh(&format!("fsck.vfat -a /dev/disk/by-label/{LABEL} 2>&1 || test $? = 1"));
        // A mount point that the service's user may not write into, as an administrator makes it.
        let options = "uid=$(id -u ridgepost),gid=$(id -g ridgepost)";
        self.shell.sh(&format!("mkdir -p {place} && mount -o {options} /dev/disk/by-label/{LABEL} {place} 2>&1"));
    }

    /// Pulls the stick and takes away what is left of it.
    #[track_caller]
    fn pull(&mut self) {
        self.stick.pull(&self.shell.machine);
        self.until_guest(&format!("test -e /dev/disk/by-label/{LABEL} || echo gone"), |said| said == "gone");
        self.shell.sh("umount -l /mnt/stick 2>&1");
    }

    /// An instrument writes to the stick, elsewhere; what it wrote is on it when it is pulled.
    #[track_caller]
    fn fill(&mut self, commands: &str) {
        self.mount("/mnt/instrument");
        self.shell.sh(&format!("cd /mnt/instrument && {commands} && cd / && umount /mnt/instrument 2>&1"));
        self.stick.pull(&self.shell.machine);
        self.until_guest(&format!("test -e /dev/disk/by-label/{LABEL} || echo gone"), |said| said == "gone");
    }

    #[track_caller]
    fn until_said(&self, words: &str, times: usize) {
        let said = || self.shell.machine.told().iter().filter(|line| line.contains(words)).count();
        let heard = within(PATIENCE, || (said() >= times).then_some(()));
        assert!(heard.is_some(), "{words:?} was not said {times} times:\n{}", self.shell.machine.last_words());
    }

    #[track_caller]
    fn until_guest(&mut self, command: &str, fits: impl Fn(&str) -> bool) -> String {
        let end = Instant::now() + PATIENCE;
        loop {
            let said = self.shell.tried(command).0;
            if fits(&said) {
                return said;
            }
            assert!(Instant::now() < end, "{command}: {said}\n{}", self.shell.machine.last_words());
            sleep(Duration::from_millis(50));
        }
    }

    /// Waits until so many readings of a station are stored, or more.
    #[track_caller]
    fn until_recorded(&mut self, station: &str, count: usize) {
        let count_all = format!(
            "ridgepost readings --json 2>&1 | grep '\"station\":\"{station}\"' | grep -c '\"kind\":\"reading\"'"
        );
        self.until_guest(&count_all, |said| said.parse::<usize>().is_ok_and(|stored| stored >= count));
    }

    #[track_caller]
    fn until_delivered(&mut self) {
        self.until_guest("ridgepost outbox list --json 2>&1 | wc -l", |said| said == "0");
    }

    /// Stops the service and fetches its store, and what is on the stick into a folder of the host.
    #[track_caller]
    fn fetched(&mut self) -> (Store, std::path::PathBuf) {
        self.shell.sh("systemctl stop ridgepost 2>&1");
        let (store, files, folder) = (self.guest.path("store.db"), self.guest.path("files"), self.guest.path("on"));
        self.shell.fetch("/var/lib/ridgepost/store.db", &store);
        self.shell.sh("tar -C /mnt/stick -czf /run/stick.tar . 2>&1");
        self.shell.fetch("/run/stick.tar", &files);
        fs::create_dir_all(&folder).unwrap();
        let unpacked = Command::new("tar").arg("-xzf").arg(&files).arg("-C").arg(&folder).status().unwrap();
        assert!(unpacked.success());
        (Store::open(&store).expect("a store"), folder)
    }
}

/// The numbers of a station's readings, and one line for each that is stored more than once.
fn numbers(station: &str, rows: &[Row]) -> (BTreeSet<u64>, Vec<String>) {
    let (mut once, mut again) = (BTreeSet::new(), Vec::new());
    for row in rows.iter().filter(|row| field(row, "station") == station && field(row, "kind") == "reading") {
        let number = number_of(row).unwrap();
        if !once.insert(number) {
            again.push(format!("{station}: {number} is stored twice"));
        }
    }
    (once, again)
}

fn set(range: Range<u64>) -> BTreeSet<u64> {
    range.collect()
}

fn csv_files(folder: &Path) -> usize {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    entries.filter(|name| name.ends_with(".csv")).count()
}

impl Bench {
    /// The stick is pulled while a large file of it is read.
    #[track_caller]
    fn pulled_in_a_file(&mut self) {
        self.fill("export_ 1 4 >kept/first.csv && export_ 1 3 >moved/first.csv && export_ 3 303 >moved/large.csv");
        self.mount("/mnt/stick");
        // From here on it is slow: the files are read once they have stood still.
        self.stick.pace(&self.shell.machine, 60_000);
        self.shell.sh("(cat /mnt/stick/moved/large.csv >/run/taken 2>/run/why; echo $? >/run/ended) &");
        self.until_guest("stat -c %s /run/taken", |said| said.parse::<u64>().is_ok_and(|size| size > 0));
        let opened = "ls -l /proc/$(systemctl show --value --property MainPID ridgepost)/fd | grep -c large.csv";
        self.until_guest(opened, |said| said == "1");
        self.pull();
        self.stick.pace(&self.shell.machine, 0);
        self.until_said("large.csv can't be read", 1);
        self.until_said("/mnt/stick/moved can't be listed", 2);
        self.until_said("/mnt/stick/kept can't be listed", 2);
        let ended = self.until_guest("cat /run/ended; stat -c %s /run/taken", |said| said.contains('\n'));
        let (status, taken) = ended.split_once('\n').unwrap();
        println!("another program has {taken} bytes of the file and ends with {status}");
        let whole = 300 * 3_000;
        assert!(status != "0" && (1..whole).contains(&taken.parse::<u64>().unwrap()), "pulled between files: {ended}");
    }

    /// Plugged in again, all is recorded and delivered; then it is taken out as one should.
    #[track_caller]
    fn plugged_in_again(&mut self) {
        self.mount("/mnt/stick");
        self.until_recorded("moved", 302);
        self.until_recorded("kept", 3);
        self.until_delivered();
        // The folder may be listed at just this moment.
        let unmounted = within(PATIENCE, || (self.shell.tried("sync && umount /mnt/stick 2>&1").1 == 0).then_some(()));
        assert!(unmounted.is_some(), "the stick stays held: {}", self.shell.tried("ridgepost status 2>&1").0);
        self.stick.pull(&self.shell.machine);
        self.until_guest(&format!("test -e /dev/disk/by-label/{LABEL} || echo gone"), |said| said == "gone");
        self.until_said("/mnt/stick/moved can't be listed", 3);
    }

    /// The stick is pulled while small files are moved away and results are written, and plugged in again.
    #[track_caller]
    fn pulled_between_moves_and_results(&mut self) {
        self.fill(
            "n=303; while [ $n -lt 343 ]; do \
             export_ $n $((n+1)) >moved/$n.csv && export_ $n $((n+1)) >kept/$n.csv || exit 1; n=$((n+1)); done",
        );
        self.mount("/mnt/stick");
        // Slow enough that the files are still being moved and the results still being written.
        self.stick.pace(&self.shell.machine, 100_000);
        self.until_recorded("moved", 305);
        self.until_guest("ls /mnt/stick/out/*.csv | wc -l", |said| said.parse::<u64>().is_ok_and(|files| files > 310));
        self.pull();
        self.stick.pace(&self.shell.machine, 0);
        let waits = self.shell.sh("ridgepost outbox list --json 2>&1 | wc -l");
        println!("{waits} parcels waited when the stick was pulled");
        assert_ne!(waits, "0", "nothing was on its way to the stick, so nothing is shown");
        self.until_said("/mnt/stick/moved can't be listed", 4);
        self.mount("/mnt/stick");
        self.until_recorded("moved", 302 + 40);
        self.until_recorded("kept", 3 + 40);
        self.until_delivered();
        // Whatever is read a second time is read by then.
        self.until_guest("ls /mnt/stick/moved/*.csv 2>/dev/null | wc -l", |said| said == "0");
        sleep(Duration::from_secs(6));
    }
}

/// Pulled in the middle of a large file, and again while small files are moved away and results are written. The
/// controls: a program that takes what it can read has a part of the large file and no more; results are on their way.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap, busybox and mkfs.vfat"]
fn a_stick_that_is_pulled_loses_nothing_and_doubles_nothing() {
    let mut bench = Bench::new();
    bench.pulled_in_a_file();
    bench.plugged_in_again();
    bench.pulled_between_moves_and_results();
    let (store, folder) = bench.fetched();
    let rows = store.results();
    let mut findings = store.integrity();
    for (station, expected) in [("moved", set(1..343)), ("kept", &set(1..4) | &set(303..343))] {
        let (stored, again) = numbers(station, &rows);
        findings.extend(again);
        if stored != expected {
            findings.push(format!("{station}: {:?}", stored.symmetric_difference(&expected)));
        }
        let gaps = store.coverage(station).iter().filter(|row| !field(row, "until_us").is_empty()).count();
        assert!(gaps >= 3, "{station}: {gaps} times without the stick are told");
    }
    let mut drops = Drops::new(&folder.join("out"));
    findings.extend(drops.look_again());
    findings.extend(oracle::deliveries(&rows, &drops));
    assert!(findings.is_empty(), "\n{}\n{}", findings.join("\n"), bench.shell.machine.last_words());
    assert_eq!(csv_files(&folder.join("kept")), 41, "files that are to stay have gone");
    println!(
        "{} files of results on the stick, {} exports moved",
        drops.count(),
        csv_files(&folder.join("moved/recorded"))
    );
}
