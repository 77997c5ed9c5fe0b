//! Devices that type on a real kernel's USB: their keys are readings and labels and land on no console; pulled in
//! mid-message and plugged in again; over a restart of the service.

use std::thread::sleep;
use std::time::{Duration, Instant};

use ridgepost_tests::guest::machine::PATIENCE;
use ridgepost_tests::guest::service::{Guest, Shell};
use ridgepost_tests::instruments::{counted, number_of};
use ridgepost_tests::oracle::{self, Store, field};
use ridgepost_tests::patience::within;
use serde_json::{Value, json};

/// Where udev puts the gauge.
const LINK: &str = "/dev/input/by-id/usb-QEMU_QEMU_USB_Keyboard_KEY-1-event-kbd";

/// Where udev puts the scanner. One of the two is plugged in at a time, because the emulator types on one device only.
const SCANNER: &str = "/dev/input/by-id/usb-QEMU_QEMU_USB_Keyboard_KEY-2-event-kbd";

/// What the scanner's labels mean.
const LABELS: &str = "[[label]]\nname = \"piece\"\npattern = \"SN-(?<serial>[0-9]+)\"\n";

/// What a device types on a US keyboard, by the machine's names of keys: its character, the key, whether with shift.
const KEYS: &[(char, &str, bool)] = &[
    ('=', "equal", false),
    (';', "semicolon", false),
    ('.', "dot", false),
    ('-', "minus", false),
    ('*', "8", true),
    ('\r', "ret", false),
    ('\n', "ret", false),
];

struct Bench {
    guest: Guest,
    shell: Shell,
}

impl Bench {
    /// A guest with the daemon installed and not started, the gauge plugged in, and a reader at the text console.
    fn new() -> Bench {
        let cell = include_str!("typist-cell.toml").replace("LINK", LINK).replace("SCANNER", SCANNER);
        let guest = Guest::new(super::DAEMON, &super::cache(), &cell);
        let mut shell = guest.started(["-device", "qemu-xhci,id=usb"].map(str::to_owned).to_vec());
        shell.prepare();
        shell.sh(&format!("cat >/etc/ridgepost/labels.toml <<'END'\n{LABELS}END"));
        // A login prompt would show as much; this one writes down what it is given.
        shell.sh("stty sane </dev/tty1; (cat </dev/tty1 >/run/console 2>&1 &)");
        let mut bench = Bench { guest, shell };
        bench.plug_in(LINK);
        bench
    }

    /// Plugs in what has this link and waits until udev has named it.
    #[track_caller]
    fn plug_in(&mut self, link: &str) {
        let serial = if link == SCANNER { "KEY-2" } else { "KEY-1" };
        let device = json!({ "driver": "usb-kbd", "id": serial, "bus": "usb.0", "serial": serial });
        self.shell.machine.command("device_add", &device);
        self.until("the device", &format!("test -e {link} && udevadm settle && echo yes"), |said| said == "yes");
    }

    #[track_caller]
    fn pull(&mut self, link: &str) {
        let serial = if link == SCANNER { "KEY-2" } else { "KEY-1" };
        self.shell.machine.command("device_del", &json!({ "id": serial }));
        self.until("the device to go", &format!("test -e {link} || echo gone"), |said| said == "gone");
    }

    /// Types a text, one key after the other, each held for long enough to be seen.
    fn types(&self, text: &str) {
        for char in text.chars() {
            let (key, shift) = match KEYS.iter().find(|(known, ..)| *known == char) {
                Some((_, key, shift)) => ((*key).to_owned(), *shift),
                None => (char.to_ascii_lowercase().to_string(), char.is_ascii_uppercase()),
            };
            let key = json!({ "type": "qcode", "data": key });
            let keys = if shift { vec![json!({ "type": "qcode", "data": "shift" }), key] } else { vec![key] };
            self.shell.machine.command("send-key", &json!({ "keys": keys, "hold-time": 60 }));
            sleep(Duration::from_millis(120));
        }
    }

    fn message(number: u64) -> String {
        let message = String::from_utf8(counted(number)).unwrap();
        message.trim_end().to_owned() + "\r"
    }

    fn console(&mut self) -> String {
        self.shell.sh("cat /run/console")
    }

    #[track_caller]
    fn until(&mut self, what: &str, command: &str, is_so: impl Fn(&str) -> bool) {
        let end = Instant::now() + PATIENCE;
        loop {
            let (said, _) = self.shell.tried(command);
            if is_so(&said) {
                return;
            }
            assert!(Instant::now() < end, "waited in vain for {what}: {said}\n{}", self.shell.machine.last_words());
        }
    }

    #[track_caller]
    fn until_said(&mut self, words: &str, times: usize) {
        let said = |shell: &Shell| shell.machine.told().iter().filter(|line| line.contains(words)).count();
        let heard = within(PATIENCE, || (said(&self.shell) >= times).then_some(()));
        assert!(heard.is_some(), "{words:?} was not said {times} times:\n{}", self.shell.machine.last_words());
    }

    #[track_caller]
    fn until_recorded(&mut self, count: usize) {
        self.until("readings", "ridgepost readings --json 2>&1", |said| {
            said.lines().filter(|line| line.contains("\"kind\":\"reading\"")).count() >= count
        });
    }

    /// What `ports` says of the device, to the user of the service.
    #[track_caller]
    fn listed(&mut self) -> Value {
        let said = self.shell.sh("setpriv --reuid ridgepost --regid ridgepost --init-groups ridgepost ports --json");
        let lines = said.lines().map(|line| serde_json::from_str::<Value>(line).expect(line));
        lines.into_iter().find(|port| port["links"].to_string().contains(LINK)).unwrap_or_else(|| panic!("{said}"))
    }

    /// Stops the service and fetches its store.
    fn store(&mut self) -> Store {
        self.shell.sh("systemctl stop ridgepost 2>&1");
        let path = self.guest.path("store.db");
        self.shell.fetch("/var/lib/ridgepost/store.db", &path);
        Store::open(&path).expect("a store")
    }
}

#[test]
#[ignore = "needs qemu, a kernel package, debootstrap and busybox"]
fn keys_are_readings_and_labels_and_land_on_no_console() {
    let mut bench = Bench::new();
    // The control: while nobody has taken the device, a console gets what is typed.
    bench.types(&Bench::message(1));
    let first = Bench::message(1).trim_end().to_owned();
    bench.until("the console to get it", "cat /run/console", |said| said == first);
    // The service may not open it until the rule that is told says so.
    let listed = bench.listed();
    assert_eq!(listed["trouble"], "this user may not open it", "{listed}");
    assert_eq!(listed["toml"], format!("keyboard = {{ path = \"{LINK}\", layout = \"us\" }}"));
    bench.shell.sh("systemctl start ridgepost 2>&1");
    bench.until_said("may not be opened by this user", 1);
    let cure = listed["cure"].as_str().unwrap();
    let (begin, end) = (cure.find("SUBSYSTEM").unwrap(), cure.find(" into ").unwrap());
    let rule = &cure[begin..end];
    bench
        .shell
        .sh(&format!("echo '{rule}' >/etc/udev/rules.d/71-ridgepost-keyboard.rules && udevadm control --reload"));
    bench.pull(LINK);
    bench.plug_in(LINK);
    bench.until_said(&format!("listening on {LINK}"), 1);
    assert_eq!(bench.listed()["trouble"], Value::Null);
    (2..=3).for_each(|number| bench.types(&Bench::message(number)));
    bench.until_recorded(2);
    // Pulled in mid-message.
    bench.types(&Bench::message(4)[..9]);
    sleep(Duration::from_secs(1));
    bench.pull(LINK);
    bench.until_said(&format!("{LINK} can't be listened to"), 2);
    // A label, from the scanner.
    bench.plug_in(SCANNER);
    bench.until_said(&format!("listening on {SCANNER}"), 1);
    bench.types("SN-17\r");
    bench.until("the label to be obeyed", "ridgepost status --json 2>&1", |said| said.contains("\"item\":\"serial\""));
    bench.pull(SCANNER);
    bench.plug_in(LINK);
    bench.until_said(&format!("listening on {LINK}"), 2);
    bench.types(&Bench::message(5));
    bench.until_recorded(3);
    // Over a restart it stays taken, whenever a key comes.
    bench.shell.sh("systemctl restart --no-block ridgepost");
    bench.types(&Bench::message(6));
    bench.until_said(&format!("listening on {LINK}"), 3);
    bench.types(&Bench::message(7));
    bench.types(&Bench::message(8));
    bench.until("the last reading", "ridgepost readings --json 2>&1", |said| said.contains("\"0.008\""));
    assert_eq!(bench.console(), first, "keys of the device landed on the console");
    let store = bench.store();
    let rows = store.results();
    let (mut numbers, findings) = oracle::numbers("a", &rows, number_of);
    assert_eq!(findings, Vec::<String>::new());
    println!("typed 2 to 8 with the device pulled in 4 and a restart in 6; stored {numbers:?}");
    // The one that was typed into the restart may be in two parts, and is no reading then.
    numbers.retain(|number| *number != 6);
    assert_eq!(numbers, [2, 3, 5, 7, 8]);
    for row in rows.iter().filter(|row| field(row, "station") == "a" && field(row, "kind") == "reading") {
        let serial = if number_of(row).unwrap() < 5 { "" } else { "17" };
        assert_eq!(field(row, "serial"), serial, "{row:?}");
    }
    assert!(store.frames("a").iter().any(|row| field(row, "outcome") == "incomplete"));
    assert!(store.coverage("a").iter().filter(|row| !field(row, "until_us").is_empty()).count() >= 1);
    // The control again: once nobody has it, the console gets what is typed.
    bench.types("77\r");
    bench.until("the console to get it", "cat /run/console", |said| said == format!("{first}\n77"));
    assert_eq!(store.integrity(), Vec::<String>::new());
}
