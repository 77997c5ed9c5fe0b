//! Shares of a real file server, mounted by a real kernel: frozen, killed, unmounted, and filled from the other side.

use std::collections::BTreeMap;
use std::fs;
use std::time::Instant;

use ridgepost_tests::drops::Drops;
use ridgepost_tests::guest::machine::PATIENCE;
use ridgepost_tests::guest::service::{Guest, Shell};
use ridgepost_tests::guest::share::{Server, Share, network, version};
use ridgepost_tests::guest::wire::Wire;
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{self, Store};
use ridgepost_tests::patience::within;

/// What shows that a share is mounted.
const MARKER: &str = ".this-is-the-share";

/// A sink on a share.
const MES: &str = "[[sink]]\nname = \"mes\"\n\
                   csv = { folder = \"/mnt/mes\", per = \"reading\", marker = \".this-is-the-share\" }\n\n";

/// A guest with the service at work, its instrument, and the file server on the host.
struct Bench {
    shell: Shell,
    server: Server,
    wire: Wire,
    /// Readings said so far; their numbers are 1 to this.
    said: u64,
    guest: Guest,
}

impl Bench {
    /// Mounts the shares under `/mnt/NAME` and starts the service with more stations and sinks than the ones of the rig.
    fn new(shares: &[Share], more: &str) -> Bench {
        println!("file server: {}", version());
        let server = Server::started(shares);
        let cell = [include_str!("share-cell.toml"), "\n", more].concat();
        let guest = Guest::new(super::DAEMON, &super::cache(), &cell);
        let shell = guest.started(network());
        let wire = Wire::new(shell.machine.connect("line"));
        let mut bench = Bench { shell, server, wire, said: 0, guest };
        bench.shell.sh("modprobe virtio_net; modprobe cifs; udevadm settle");
        bench.shell.sh("ip link set eth0 up && ip address add 10.0.2.15/24 dev eth0");
        bench.shell.prepare();
        bench.shell.sh("mkdir -p /srv/drops && chown ridgepost: /srv/drops");
        for share in shares {
            // The user may write into the empty mount point: what keeps files out of there must be the daemon.
            bench.shell.sh(&format!("mkdir -p /mnt/{0} && chown ridgepost: /mnt/{0}", share.name));
            bench.mount(share.name);
        }
        // The unit gives no access to ports that are built in; its comments name this way.
        let drop_in = "/etc/systemd/system/ridgepost.service.d";
        bench.shell.sh(&format!(
            "mkdir -p {drop_in} && printf '[Service]\\nDeviceAllow=char-4 rw\\n' >{drop_in}/built-in.conf"
        ));
        bench.shell.sh("systemctl daemon-reload && systemctl start ridgepost 2>&1");
        bench.until_listening(1);
        bench
    }

    #[track_caller]
    fn mount(&mut self, share: &str) {
        let port = self.server.port();
        self.shell.sh(&format!(
            "mount -i -t cifs //10.0.2.2/{share} /mnt/{share} -o ip=10.0.2.2,port={port},username=x,password=x,vers=3.1.1,\
             uid=$(id -u ridgepost),gid=$(id -g ridgepost),file_mode=0644,dir_mode=0755,unc='\\\\10.0.2.2\\{share}' 2>&1"
        ));
    }

    /// A file that has its place may still be held open for a moment: the folder is synced behind it.
    #[track_caller]
    fn unmount(&mut self, share: &str) {
        let command = format!("umount /mnt/{share} 2>&1");
        let done = within(PATIENCE, || (self.shell.tried(&command).1 == 0).then_some(()));
        assert!(done.is_some(), "{share} stays held: {}", self.shell.tried("ridgepost status 2>&1").0);
    }

    #[track_caller]
    fn until_listening(&mut self, times: usize) {
        let said = |bench: &Bench| {
            bench.shell.machine.told().iter().filter(|line| line.contains("listening on /dev/ttyS1")).count()
        };
        let heard = within(PATIENCE, || (said(self) >= times).then_some(()));
        assert!(heard.is_some(), "the port is not listened to:\n{}", self.shell.machine.last_words());
    }

    /// The instrument says so many readings more, and all so far are recorded.
    #[track_caller]
    fn record(&mut self, count: u64) {
        for _ in 0..count {
            self.said += 1;
            let message = instruments::counted(self.said);
            let said = within(PATIENCE, || self.wire.say(&message).then_some(()));
            assert!(said.is_some(), "the guest takes nothing from the line");
        }
        let said = self.said;
        self.until_guest(
            "ridgepost readings --json 2>&1 | grep '\"station\":\"a\"' | grep -c '\"kind\":\"reading\"'",
            |count| count == said.to_string(),
        );
    }

    /// Asks the guest until the answer fits.
    #[track_caller]
    fn until_guest(&mut self, command: &str, fits: impl Fn(&str) -> bool) -> String {
        let end = Instant::now() + PATIENCE;
        loop {
            let (answer, _) = self.shell.tried(command);
            if fits(&answer) {
                return answer;
            }
            assert!(Instant::now() < end, "{command}: {answer}\n{}", self.shell.machine.last_words());
        }
    }

    /// Waits until so many result files lie in a folder of the guest.
    #[track_caller]
    fn until_files(&mut self, folder: &str, count: u64) {
        self.until_guest(&format!("ls {folder} | grep -c 'csv$'"), |answer| answer == count.to_string());
    }

    /// Waits until so many result files lie in a share, as the server sees it.
    #[track_caller]
    fn until_served(&mut self, share: &str, count: u64) {
        let path = self.server.path(share);
        let served = || result_files(&path).len();
        if within(PATIENCE, || (served() as u64 == count).then_some(())).is_none() {
            let outbox = self.shell.sh("ridgepost status 2>&1; ridgepost outbox list 2>&1");
            panic!("{} of {count} files in {share}:\n{outbox}\n{}", served(), self.shell.machine.last_words());
        }
    }

    /// Waits until the status of the running daemon says this of a sink.
    #[track_caller]
    fn until_status(&mut self, words: &str) {
        self.until_guest("ridgepost status 2>&1", |status| status.contains(words));
    }

    /// What the processes of the service do: name and state of each thread.
    fn threads(&mut self) -> Threads {
        let list = "for p in $(cat /sys/fs/cgroup/system.slice/ridgepost.service/cgroup.procs); do \
                    for t in /proc/$p/task/*; do \
                    echo \"$(tr '\\0' ' ' </proc/$p/cmdline | cut -d' ' -f2) $(sed -n 's/^State:\\t//p' $t/status)\"; \
                    done; done 2>&1";
        let all = self.shell.sh(list);
        let held = |command: &str| all.lines().filter(|line| line.starts_with(&format!("{command} D"))).count();
        Threads { daemon: held("run"), porter: held("carry"), fetcher: held("fetch"), all: all.clone() }
    }

    /// Stops the service; the seconds that took, and how systemd takes it.
    fn stop(&mut self) -> (f64, String) {
        let said =
            self.shell.sh("cut -d' ' -f1 /proc/uptime; systemctl stop ridgepost 2>&1; cut -d' ' -f1 /proc/uptime; \
             systemctl show --value --property Result ridgepost");
        let words: Vec<&str> = said.split_whitespace().collect();
        let [from, to, result] = words[..] else { panic!("{said}") };
        (to.parse::<f64>().unwrap() - from.parse::<f64>().unwrap(), result.to_owned())
    }

    /// Runs the daemon weakened from its next start on.
    fn weaken(&mut self, how: &str) {
        let folder = "/etc/systemd/system/ridgepost.service.d";
        self.shell.sh(&format!("printf '[Service]\\nEnvironment=RIDGEPOST_WEAKEN={how}\\n' >{folder}/weaken.conf"));
        self.shell.sh("systemctl daemon-reload && systemctl restart ridgepost");
    }

    /// Stops the service and holds what a share holds against what is stored: every row in exactly one file, as it is.
    #[track_caller]
    fn judge(&mut self, share: &str) {
        self.shell.sh("systemctl stop ridgepost 2>&1");
        let path = self.guest.path("store.db");
        self.shell.fetch("/var/lib/ridgepost/store.db", &path);
        let store = Store::open(&path).expect("a store");
        let rows = store.results();
        let (numbers, mut findings) = oracle::numbers("a", &rows, number_of);
        assert_eq!(numbers, (1..=self.said).collect::<Vec<_>>());
        let mut drops = Drops::new(&self.server.path(share));
        findings.extend(drops.look_again());
        findings.extend(oracle::deliveries(&rows, &drops));
        findings.extend(store.integrity());
        assert!(findings.is_empty(), "\n{}\n{}", findings.join("\n"), self.shell.machine.last_words());
        let left: Vec<_> = names(&self.server.path(share)).into_keys().filter(|name| name.ends_with(".part")).collect();
        assert_eq!(left, Vec::<String>::new(), "parts of files are left behind");
    }
}

/// Threads of the service that are held in the kernel, where no signal reaches them but the one that kills.
struct Threads {
    daemon: usize,
    porter: usize,
    fetcher: usize,
    all: String,
}

/// Names of everything in a folder, with what is inside.
fn names(folder: &std::path::Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap());
    let files = entries.filter(|entry| entry.path().is_file());
    files.map(|file| (file.file_name().into_string().unwrap(), fs::read(file.path()).unwrap_or_default())).collect()
}

fn result_files(folder: &std::path::Path) -> BTreeMap<String, Vec<u8>> {
    names(folder).into_iter().filter(|(name, _)| name.ends_with(".csv") && !name.starts_with('.')).collect()
}

fn share(name: &'static str) -> Share {
    Share { name, leases: true }
}

/// A guest with the sink `mes` on a share that is marked.
fn with_a_sink() -> Bench {
    let mut bench = Bench::new(&[share("mes")], MES);
    fs::write(bench.server.path("mes").join(MARKER), "").unwrap();
    bench.record(3);
    bench.until_served("mes", 3);
    bench.until_files("/srv/drops", 3);
    bench
}

/// Nothing but the sink on it notices a share that hangs, and what went into it meanwhile is neither lost nor doubled.
///
/// The control: a daemon that writes to the share by itself is held in the kernel.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap, busybox and samba"]
fn a_share_that_hangs_stops_only_its_own_sink() {
    let mut bench = with_a_sink();
    bench.server.freeze();
    bench.record(5);
    bench.until_files("/srv/drops", 8);
    bench.until_status("the share hangs");
    let status = bench.shell.sh("ridgepost status 2>&1");
    assert!(status.contains("sink mes waits: /mnt/mes: no answer within") && !status.contains("sink here"), "{status}");
    let end = Instant::now() + PATIENCE;
    loop {
        let threads = bench.threads();
        assert_eq!(threads.daemon, 0, "the daemon itself is held: {}", threads.all);
        if threads.porter > 0 {
            break;
        }
        assert!(Instant::now() < end, "nobody is held by the share, so nothing is shown: {}", threads.all);
    }
    bench.record(2);
    bench.until_files("/srv/drops", 10);
    let (took, result) = bench.stop();
    println!("stopped in {took:.1} s while a porter was held by the share");
    assert!(took < 10.0 && result == "success", "the stop took {took} s: {result}");

    bench.shell.sh("systemctl start ridgepost 2>&1");
    bench.until_listening(2);
    bench.record(2);
    bench.until_files("/srv/drops", 12);
    bench.server.thaw();
    bench.until_served("mes", 12);
    bench.judge("mes");

    bench.weaken("no-porter");
    bench.until_listening(3);
    bench.server.freeze();
    bench.record(1);
    let held = within(PATIENCE, || (bench.threads().daemon > 0).then_some(()));
    assert!(held.is_some(), "a daemon that writes to the share by itself is not held, so the rig shows nothing");
    bench.server.thaw();
    bench.until_served("mes", 13);
}

/// The server dies and comes back: every file is there once. So is one that was in place when its sink had given up
/// because it never heard so.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap, busybox and samba"]
fn a_server_that_comes_back_has_every_file_once() {
    let mut bench = with_a_sink();
    // Killed while files are on their way to it, and away for a while.
    for already in [5, 25, 45] {
        bench.record(1);
        let message = |number: u64| instruments::counted(number);
        for number in bench.said + 1..=bench.said + 19 {
            let said = within(PATIENCE, || bench.wire.say(&message(number)).then_some(()));
            assert!(said.is_some(), "the guest takes nothing from the line");
        }
        bench.said += 19;
        let path = bench.server.path("mes");
        let on_their_way = within(PATIENCE, || (result_files(&path).len() >= already).then_some(()));
        assert!(on_their_way.is_some(), "{}", bench.shell.machine.last_words());
        bench.server.kill();
        bench.record(1);
        bench.until_status("sink mes waits");
        bench.until_files("/srv/drops", bench.said);
        bench.server.start();
        // Delivered to the last one before the next time.
        bench.until_served("mes", bench.said);
        bench.until_guest("ridgepost status 2>&1", |status| !status.contains("sink mes waits"));
    }

    // The rename is done and its answer never comes: given up, tried again, found to be there.
    let next = next_name(&bench.server.path("mes"));
    bench.server.keep_answers_back_once_there_is("mes", &next);
    bench.record(1);
    bench.until_status("the share hangs");
    let path = bench.server.path("mes").join(&next);
    assert!(path.exists(), "{next} is not there, so nothing is shown");
    let there = fs::metadata(&path).unwrap();
    let open = bench.shell.sh("ridgepost outbox list 2>&1");
    assert!(open.contains(&next), "{next} counts as delivered: {open}");
    bench.server.give_answers();
    bench.until_guest("ridgepost status 2>&1", |status| !status.contains("sink mes waits"));
    bench.record(1);
    bench.until_served("mes", bench.said);
    let now = fs::metadata(&path).unwrap();
    assert_eq!((now.modified().unwrap(), now.len()), (there.modified().unwrap(), there.len()), "written again");
    bench.judge("mes");
}

/// The name that comes after the last one: names are numbered without a gap here.
fn next_name(folder: &std::path::Path) -> String {
    let number = |name: &str| name.strip_prefix("rig-")?.strip_suffix(".csv")?.parse::<u64>().ok();
    let last = result_files(folder).keys().filter_map(|name| number(name)).max().expect("a numbered file");
    format!("rig-{:09}.csv", last + 1)
}

/// A share that is not mounted is waited for, and its empty mount point stays empty.
///
/// The control: the same without a marker, whose files do land there.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap, busybox and samba"]
fn an_unmounted_share_is_not_written_into_its_mount_point() {
    let bare = "[[sink]]\nname = \"bare\"\ncsv = { folder = \"/mnt/bare\", per = \"reading\" }\n";
    let mut bench = Bench::new(&[share("mes"), share("bare")], &[MES, bare].concat());
    fs::write(bench.server.path("mes").join(MARKER), "").unwrap();
    bench.record(3);
    bench.until_served("mes", 3);
    bench.until_served("bare", 3);
    bench.unmount("mes");
    bench.unmount("bare");
    bench.record(4);
    bench.until_status("sink mes waits");
    bench.until_files("/mnt/bare", 4);
    assert_eq!(bench.shell.sh("ls -A /mnt/mes"), "", "written into an empty mount point");
    bench.mount("mes");
    bench.until_served("mes", 7);
    bench.unmount("mes");
    assert_eq!(bench.shell.sh("ls -A /mnt/mes"), "");
    bench.judge("mes");
}

/// Files that other machines put into a share are read although the kernel tells nothing of them, also where the
/// server promises nothing about files that are open; a share that hangs keeps nothing else from being recorded, and
/// the service from being stopped.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap, busybox and samba"]
fn files_made_on_the_server_are_read() {
    let station = |name: &str, gauge: &str| {
        format!(
            "[[station]]\nname = \"{name}\"\ninstrument = \"exported\"\ngauge = \"{gauge}\"\n\
             folder = {{ path = \"/mnt/{name}\", pattern = \"*.csv\" }}\n\n"
        )
    };
    let shares = [share("leased"), Share { name: "unleased", leases: false }];
    let more = [station("leased", "G-2"), station("unleased", "G-3")].concat();
    let mut bench = Bench::new(&shares, &more);
    bench.record(2);
    for number in 1..=3 {
        for share in ["leased", "unleased"] {
            let path = bench.server.path(share);
            fs::write(path.join(".part"), instruments::exported(number, 1)).unwrap();
            fs::rename(path.join(".part"), path.join(format!("{number}.csv"))).unwrap();
            let moved = path.join(format!("recorded/{number}.csv"));
            if within(PATIENCE, || moved.exists().then_some(())).is_none() {
                let status = bench.shell.sh("ridgepost status 2>&1");
                panic!("{share}: {number}.csv is not read:\n{status}\n{}", bench.shell.machine.last_words());
            }
        }
    }
    bench.server.freeze();
    let end = Instant::now() + PATIENCE;
    loop {
        let threads = bench.threads();
        assert_eq!(threads.daemon, 0, "the daemon itself is held: {}", threads.all);
        if threads.fetcher > 0 {
            break;
        }
        assert!(Instant::now() < end, "nobody is held by the share, so nothing is shown: {}", threads.all);
    }
    bench.record(3);
    bench.until_files("/srv/drops", 11);
    let (took, result) = bench.stop();
    println!("stopped in {took:.1} s while stations were held by the share");
    assert!(took < 10.0 && result == "success", "the stop took {took} s: {result}");
    bench.server.thaw();
    let path = bench.guest.path("store.db");
    bench.shell.fetch("/var/lib/ridgepost/store.db", &path);
    let rows = Store::open(&path).expect("a store").results();
    for station in ["leased", "unleased"] {
        let (numbers, findings) = oracle::numbers(station, &rows, number_of);
        assert_eq!((numbers, findings), (vec![1, 2, 3], vec![]), "{station}");
    }
}
