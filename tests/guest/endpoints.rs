//! A USB instrument without a driver of its own on a real kernel's USB: refused and allowed by a rule, pulled in
//! mid-message and plugged in again, stalled, sent to, and given back to the driver that had it.

use std::thread::sleep;
use std::time::{Duration, Instant};

use ridgepost_tests::guest::gadget;
use ridgepost_tests::guest::machine::PATIENCE;
use ridgepost_tests::guest::service::{Guest, Shell};
use ridgepost_tests::instruments::{self, number_of};
use ridgepost_tests::oracle::{self, Store, field};
use ridgepost_tests::patience::within;

/// How the daemon names what it listens to.
const PLACE: &str = "usb 1209:0002:RIG-1 interface 0";

/// The serial number that it listens to.
const OWN: &str = "RIG-1";

/// Where the kernel tells which driver has the interface.
const DRIVER: &str =
    "device=$(dirname $(grep -l 1209 /sys/bus/usb/devices/*/idVendor)); basename $(readlink $device/*:1.0/driver)";

/// A guest with the service at work and the instrument.
struct Bench {
    guest: Guest,
    shell: Shell,
}

impl Bench {
    /// Makes the instrument, plugs it in, runs `before` in the guest and starts the service.
    fn new(before: &str) -> Bench {
        let guest = Guest::new(super::DAEMON, &super::cache(), include_str!("usb-cell.toml"));
        let mut shell = guest.started(vec![]);
        shell.prepare();
        gadget::make(&mut shell);
        gadget::plug_in(&mut shell, OWN);
        shell.sh(before);
        shell.sh("systemctl start ridgepost 2>&1");
        Bench { guest, shell }
    }

    fn said(&self, words: &str) -> usize {
        self.shell.machine.told().iter().filter(|line| line.contains(words)).count()
    }

    #[track_caller]
    fn until_said(&mut self, words: &str, times: usize) {
        if within(PATIENCE, || (self.said(words) >= times).then_some(())).is_none() {
            let status = self.shell.tried("ridgepost status 2>&1; ridgepost ports 2>&1; dmesg | tail -n 20").0;
            panic!("{words:?} was not said {times} times:\n{status}\n{}", self.shell.machine.last_words());
        }
    }

    #[track_caller]
    fn until_listening(&mut self, times: usize) {
        self.until_said(&format!("listening on {PLACE}"), times);
    }

    /// Waits until a command of the guest's shell says what fits.
    #[track_caller]
    fn until_guest(&mut self, command: &str, fits: impl Fn(&str) -> bool) -> String {
        let end = Instant::now() + PATIENCE;
        loop {
            let said = self.shell.tried(command).0;
            if fits(&said) {
                return said;
            }
            assert!(Instant::now() < end, "{command}: {said}\n{}", self.shell.machine.last_words());
            sleep(Duration::from_millis(100));
        }
    }

    #[track_caller]
    fn say(&mut self, numbers: std::ops::RangeInclusive<u64>) {
        for number in numbers {
            gadget::say(&mut self.shell, &instruments::counted(number));
        }
    }

    #[track_caller]
    fn until_recorded(&mut self, count: usize) {
        let count = count.to_string();
        self.until_guest("ridgepost readings --json | grep -c '\"kind\":\"reading\"'", |said| said == count);
    }

    /// Seconds from the moment at which the kernel knew the instrument last until it was listened to.
    fn waited(&mut self) -> f64 {
        let journal = self.shell.sh("journalctl -b -o short-monotonic --no-pager");
        let last = |words: &str| journal.lines().rfind(|line| line.contains(words)).map(when).expect(words);
        last("listening on usb") - last("New USB device found, idVendor=1209")
    }

    fn store(&mut self) -> Store {
        let path = self.guest.path("store.db");
        self.shell.fetch("/var/lib/ridgepost/store.db", &path);
        Store::open(&path).expect("a store")
    }
}

/// Seconds since the start of the guest that stand at the head of a line of its journal.
fn when(line: &str) -> f64 {
    let between = line.strip_prefix('[').and_then(|rest| rest.split_once(']')).expect("a time").0;
    between.trim().parse().unwrap()
}

/// The rule that lets the service open the instrument.
const RULE: &str = "printf 'SUBSYSTEM==\"usb\", ATTR{idVendor}==\"1209\", GROUP=\"dialout\", MODE=\"0660\"\\n' \
                    >/etc/udev/rules.d/71-ridgepost-usb.rules && udevadm control --reload && \
                    udevadm trigger --settle --action=add --subsystem-match=usb 2>&1";

/// How many bytes a packet of the instrument has at most.
const PACKET: usize = 512;

/// What the instrument said when it was pulled.
struct Pulled {
    /// Numbers of the messages that it said to their ends.
    whole: Vec<u64>,
    /// The beginning of the next one.
    half: Vec<u8>,
}

impl Bench {
    /// The instrument says messages from this number on, and is pulled in the middle of one, for the so-manieth time. Its
    /// last packet is full, so nothing says that a transfer is over.
    #[track_caller]
    fn pull_while_it_speaks(&mut self, first: u64, times: usize) -> Pulled {
        let stream: Vec<u8> = (first..first + 40).flat_map(instruments::counted).collect();
        let length = instruments::counted(first).len();
        let begun = length / 3;
        let count = (begun + PACKET) / length;
        let half = stream[count * length..begun + PACKET].to_vec();
        assert!(!half.is_empty());
        gadget::say(&mut self.shell, &stream[..begun]);
        gadget::say_last(&mut self.shell, &stream[begun..begun + PACKET]);
        self.until_said("can't be listened to", times);
        Pulled { whole: (first..first + u64::try_from(count).unwrap()).collect(), half }
    }
}

/// Pulled in mid-message: what was whole is stored once, the rest is kept and is no reading, the time without is told,
/// and 2 s after the kernel knows the instrument again it is listened to. A stranger of the kind is not.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap and busybox"]
fn an_endpoint_that_is_pulled_comes_back_within_two_seconds() {
    let mut bench = Bench::new(RULE);
    bench.until_listening(1);
    bench.say(1..=5);
    bench.until_recorded(5);
    let mut pulled = vec![bench.pull_while_it_speaks(101, 1)];
    // The control: another instrument of the kind is not listened to.
    gadget::plug_in(&mut bench.shell, "RIG-2");
    sleep(Duration::from_secs(4));
    assert_eq!(bench.said("listening on usb"), 1, "a stranger is listened to");
    gadget::pull(&mut bench.shell);
    // Three times, because a guest may stumble once where its host is busy.
    let mut waits = [0.0; 3];
    for (time, wait) in waits.iter_mut().enumerate() {
        if time > 0 {
            let first = 101 + 100 * u64::try_from(time).unwrap();
            pulled.push(bench.pull_while_it_speaks(first, 1 + time));
        }
        gadget::plug_in(&mut bench.shell, OWN);
        bench.until_listening(2 + time);
        *wait = bench.waited();
    }
    // More than a packet at once, so that messages stand in two of them.
    let many: Vec<u8> = (901..=940).flat_map(instruments::counted).collect();
    gadget::say(&mut bench.shell, &many[..20]);
    gadget::say(&mut bench.shell, &many[20..]);
    let whole = pulled.iter().flat_map(|pulled| pulled.whole.clone());
    let said: Vec<u64> = (1..=5).chain(whole).chain(901..=940).collect();
    bench.until_recorded(said.len());
    bench.shell.sh("systemctl stop ridgepost 2>&1");
    println!("listening {waits:.2?} s after the kernel found the instrument");
    let store = bench.store();
    let (numbers, findings) = oracle::numbers("a", &store.results(), number_of);
    assert_eq!(findings, Vec::<String>::new());
    assert_eq!(numbers, said, "what was whole and nothing else");
    let raw = store.raw("a");
    for Pulled { half, .. } in &pulled {
        assert!(raw.windows(half.len()).any(|window| window == half), "a half message is not kept");
    }
    let spans =
        store.coverage("a").into_iter().filter(|row| !field(row, "until_us").is_empty()).map(|row| {
            field(&row, "until_us").parse::<i64>().unwrap() - field(&row, "from_us").parse::<i64>().unwrap()
        });
    let longest = spans.max();
    assert!(longest >= Some(4_000_000), "the store does not say that nobody listened for 4 s: {longest:?}");
    assert_eq!(store.integrity(), Vec::<String>::new());
    waits.sort_by(f64::total_cmp);
    assert!(waits[1] < 2.0, "listening only {waits:?} s after the instrument was there");
}

/// The rig can fail: a daemon that asks for many packets at once loses those of the transfer that breaks off. A few
/// times, because a read that has just run out of time keeps what it got.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap and busybox"]
fn an_endpoint_that_is_read_in_long_transfers_loses_what_was_said_last() {
    let folder = "/etc/systemd/system/ridgepost.service.d";
    let weakened = format!(
        "{RULE} && mkdir -p {folder} && \
         printf '[Service]\\nEnvironment=RIDGEPOST_WEAKEN=long-transfers\\n' >{folder}/weaken.conf && \
         systemctl daemon-reload"
    );
    let mut bench = Bench::new(&weakened);
    bench.until_listening(1);
    bench.say(1..=5);
    bench.until_recorded(5);
    let mut said: Vec<u64> = (1..=5).collect();
    for time in 1..=6 {
        bench.until_listening(time);
        said.extend(bench.pull_while_it_speaks(100 * u64::try_from(time).unwrap(), time).whole);
        gadget::plug_in(&mut bench.shell, OWN);
    }
    bench.until_listening(7);
    bench.shell.sh("systemctl stop ridgepost 2>&1");
    let (numbers, _) = oracle::numbers("a", &bench.store().results(), number_of);
    println!("{} readings said whole and read in long transfers, {} stored", said.len(), numbers.len());
    assert!(numbers.starts_with(&[1, 2, 3, 4, 5]), "it reads nothing at all: {numbers:?}");
    assert!(numbers.len() < said.len(), "nothing was lost, so the rig shows nothing");
}

/// Without a rule the service may not open it, and the line that it tells is the cure. It is asked for what the cell
/// and its definition say, heard on after it refused once, and given back to the driver that had it.
#[test]
#[ignore = "needs qemu, a kernel package, debootstrap and busybox"]
fn an_endpoint_is_allowed_by_the_rule_that_is_told_and_given_back_to_its_driver() {
    let driven = "modprobe usbserial vendor=0x1209 product=0x0002 && \
                  printf '[dialogue]\\nstart = [{ send = \"REMOTE\\\\r\" }]\\n' >>/etc/ridgepost/instruments/counted.toml";
    let mut bench = Bench::new(driven);
    bench.until_guest(DRIVER, |driver| driver == "usbserial_generic");
    bench.until_said("may not be opened by this user", 1);
    let told = bench.shell.machine.told();
    let line = told.iter().find(|line| line.contains("may not be opened")).expect("just seen");
    let rule = line.split_once("write ").and_then(|(_, rest)| rest.split_once(" into ")).expect("a rule").0.to_owned();
    let ports = bench.shell.sh("ridgepost ports");
    assert!(ports.contains(OWN), "{ports}");
    let allow = format!("echo '{rule}' >/etc/udev/rules.d/71-ridgepost-usb.rules && udevadm control --reload");
    bench.shell.sh(&allow);
    gadget::pull(&mut bench.shell);
    gadget::plug_in(&mut bench.shell, OWN);
    bench.until_listening(1);
    assert_eq!(bench.shell.sh(DRIVER), "usbfs");
    bench.until_guest("cat /run/sent", |sent| sent == "REMOTE");
    // By the fields of a setup packet: type, request, value, index, length, then the data.
    assert_eq!(bench.shell.sh("cat /run/asked"), "41 07 1234 0000 80 25 00 00");
    bench.say(1..=3);
    bench.until_recorded(3);
    gadget::stall(&mut bench.shell);
    bench.until_said("halted (the device refused), and was freed", 1);
    bench.until_listening(2);
    bench.say(4..=6);
    bench.until_recorded(6);
    bench.shell.sh("systemctl stop ridgepost 2>&1");
    assert_eq!(bench.shell.sh(DRIVER), "usbserial_generic", "the driver has it again");
    let (numbers, findings) = oracle::numbers("a", &bench.store().results(), number_of);
    assert_eq!(findings, Vec::<String>::new());
    assert_eq!(numbers, [1, 2, 3, 4, 5, 6]);
}
