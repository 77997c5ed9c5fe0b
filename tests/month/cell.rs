//! The cell of the month: a tester that numbers and proves its messages, a calliper that does neither, a scanner, and two
//! jobs; what is done in it is done by hand, so to speak.

use std::fs;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::drops::Drops;
use ridgepost_tests::oracle::Store;
use ridgepost_tests::pty::Line;

use super::plan::Message;

/// `N=0012;P=Ra;V=0.412;U=um;C=0.8 mm;S=5;G=7*5D`
const TESTER: &str = r#"
[instrument]
name = "tester"
[framing]
kind = "lines"
[checksum]
kind = "sum"
written = "hex"
after = "*"
[pairs]
pair = "="
between = ";"
[names]
N = "number"
P = "quantity"
V = "value"
U = "unit"
C = "cutoff"
S = "sections"
G = "program"
[[mark]]
pattern = '-+'
means = "none"
[reading]
required = ["number", "value"]
unique_by = ["number"]
"#;

const CALLIPER: &str = r#"
[instrument]
name = "calliper"
[framing]
kind = "lines"
[[line]]
pattern = '(?<quantity>D) (?<value>\d+\.\d+) (?<unit>mm|in)'
"#;

/// The tester and its specimen; a verification lasts for so many readings.
fn testers_entry(readings: u32) -> String {
    format!(
        r#"
id = "RT-1"
kind = "stylus"
skidded = true
settings = {{ filter = "gaussian" }}
verification = {{ specimen = "SP-2", traces = 3, permitted = {{ Ra = "5 %" }}, readings = {readings} }}

[[specimen]]
id = "SP-2"
certified = {{ Ra = "2.97 µm" }}
uncertainty = {{ Ra = "0.04 µm" }}
certificate = "K-17"
"#
    )
}

const CALLIPERS_ENTRY: &str =
    "id = \"CA-1\"\nkind = \"calliper\"\nverified = { on = \"2020-01-01\", source = \"gauge room\" }";

const LABELS: &str = r#"
need = ["serial"]
[[label]]
name = "piece"
pattern = 'SN-(?<serial>\d{4})'
[[label]]
name = "traveller"
pattern = 'WO/(?<job>[A-Z0-9-]+)'
[[label]]
name = "study"
pattern = 'STUDY'
set = { mode = "study" }
[[label]]
name = "making"
pattern = 'MAKE'
forget = ["mode"]
"#;

/// A job with limits for Ra (balloon 1), Rz (2) and a diameter (3), in micrometres and millimetres.
fn job(id: &str, ra: &str, rz: &str, d: [&str; 2]) -> String {
    format!(
        r#"
[job]
id = "{id}"
part_number = "P-{id}"
revision = "A"
operation = "10"
edition = "ISO 21920"
gate = "hold"
retests = 1
[[characteristic]]
balloon = "1"
feature = "face"
quantity = "Ra"
upper = "{ra} µm"
rule = "max"
conditions = {{ cutoff = "0.8 mm", sections = 5, program = "7" }}
plausible = {{ min = "0.05 µm", max = "4 µm" }}
[[characteristic]]
balloon = "2"
feature = "face"
quantity = "Rz"
upper = "{rz} µm"
rule = "max"
conditions = {{ cutoff = "0.8 mm", sections = 5, program = "7" }}
plausible = {{ min = "0.3 µm", max = "40 µm" }}
[[characteristic]]
balloon = "3"
feature = "seat"
quantity = "D"
lower = "{} mm"
upper = "{} mm"
plausible = {{ min = "10 mm", max = "14 mm" }}
"#,
        d[0], d[1]
    )
}

/// The cell at work.
pub struct Shop {
    pub cell: Cell,
    pub drops: Drops,
    tester: Line,
    calliper: Line,
    scanner: Line,
    store: Option<Store>,
    /// Number of the last trace on the specimen.
    specimen: u32,
}

impl Shop {
    /// A verification of the tester lasts for sixty readings.
    pub fn new() -> Shop {
        Shop::lasting(60)
    }

    /// A verification of the tester lasts for so many readings.
    pub fn lasting(readings: u32) -> Shop {
        let mut cell = Cell::new(env!("CARGO_BIN_EXE_ridgepost"));
        cell.instrument("tester", TESTER);
        cell.instrument("calliper", CALLIPER);
        cell.gauge(&testers_entry(readings));
        cell.gauge(CALLIPERS_ENTRY);
        let (tester, calliper) = (cell.port("tester", "tester", "RT-1"), cell.port("calliper", "calliper", "CA-1"));
        let scanner = cell.scanner("scanner", &[]);
        cell.sink("mes", "piece");
        cell.write("labels.toml", LABELS);
        cell.write("jobs/w1.toml", &job("W-1", "0.8", "6.3", ["11.99", "12.01"]));
        cell.write("jobs/w2.toml", &job("W-2", "0.4", "3.0", ["11.995", "12.005"]));
        cell.configure();
        let check = cell.ask(&["check"]);
        assert!(check.status.success(), "{check:?}");
        let drops = cell.drops("mes");
        let mut shop = Shop { cell, drops, tester, calliper, scanner, store: None, specimen: 5000 };
        shop.start();
        shop.store = Some(shop.cell.store());
        shop
    }

    fn start(&mut self) {
        let Shop { cell, tester, calliper, scanner, .. } = self;
        cell.start_listening(&[tester, calliper, scanner]);
    }

    /// Rows of the store from outside.
    pub fn store(&self) -> &Store {
        self.store.as_ref().unwrap()
    }

    /// The next trace on the specimen, as the tester sends it.
    pub fn of_specimen(&mut self, value: &str) -> String {
        self.specimen += 1;
        let (number, value) = (self.specimen, value.to_owned());
        let (quantity, unit, cutoff, sections, program) = ("Ra", "um", "0.8", 5, "7");
        Message { number, quantity, value, unit, cutoff, sections, program }.text()
    }

    /// Sends lines, and waits until as many frames are in the store.
    pub fn send(&mut self, station: &str, text: &str) {
        let due = frames(self.store(), station) + text.lines().count();
        match station {
            "tester" => self.tester.send(text.as_bytes()),
            "calliper" => self.calliper.send(text.as_bytes()),
            _ => self.scanner.send(text.as_bytes()),
        }
        let store = self.store.take().unwrap();
        self.cell.until(&format!("{text:?} of {station}"), |_| (frames(&store, station) >= due).then_some(()));
        self.store = Some(store);
    }

    /// The tester's cable comes out behind a part of a message; what was read of it is kept.
    pub fn cut(&mut self, text: &str) {
        let due = frames(self.store(), "tester") + 1;
        self.tester.send(text.as_bytes());
        let Shop { cell, tester, .. } = self;
        cell.until("all bytes to be taken", |_| (tester.untaken() == 0).then_some(()));
        self.pull();
        let store = self.store.take().unwrap();
        self.cell.until("what was read", |_| (frames(&store, "tester") >= due).then_some(()));
        self.store = Some(store);
    }

    /// Three traces on the specimen.
    pub fn verify(&mut self, values: &[&str; 3]) {
        self.tell(&["verify", "RT-1"]);
        for value in values {
            let message = self.of_specimen(value);
            self.send("tester", &message);
        }
    }

    /// A command that must succeed, by M. K.
    pub fn tell(&mut self, arguments: &[&str]) {
        let said = self.cell.ask(&[arguments, &["--by", "M. K."]].concat());
        assert!(said.status.success(), "{arguments:?}: {said:?}");
    }

    /// Killed and started again.
    pub fn crash(&mut self) {
        self.cell.kill();
        for line in [&self.tester, &self.calliper, &self.scanner] {
            line.let_go();
        }
        self.start();
    }

    /// The tester's cable is out for a moment.
    pub fn pull(&mut self) {
        let old = self.tester.device().unwrap().to_owned();
        self.tester.unplug();
        self.cell.until("the port to be let go", |cell| (!cell.has_open(&old)).then_some(()));
        self.tester.replug();
        let new = self.tester.device().unwrap().to_owned();
        self.cell.until("the port again", |cell| cell.has_open(&new).then_some(()));
    }

    /// The results' folder goes away, or comes back.
    pub fn share(&mut self, there: bool) {
        let (folder, aside) = (self.cell.path("drops/mes"), self.cell.path("drops/away"));
        let (from, to) = if there { (aside, folder) } else { (folder, aside) };
        fs::rename(from, to).unwrap();
    }

    /// Somebody saves job W-1 with a limit of their own, or takes that back, and the daemon has seen it.
    pub fn edit(&mut self, edited: bool) {
        let seen = |cell: &Cell| cell.log().matches("code=\"reloaded\"").count();
        let before = seen(&self.cell);
        let ra = if edited { "3.2" } else { "0.8" };
        self.cell.write("jobs/w1.toml", &job("W-1", ra, "6.3", ["11.99", "12.01"]));
        self.cell.until("the edited job to be seen", |cell| (seen(cell) > before).then_some(()));
    }
}

fn frames(store: &Store, station: &str) -> usize {
    let sql = "SELECT count(*) AS n FROM frame JOIN transmission ON transmission.id = frame.transmission \
               WHERE transmission.station = ?1";
    store.query(sql, [station])[0]["n"].as_deref().unwrap().parse().unwrap()
}
