//! Jobs of other systems, dropped as files: whole before they are read, taken once, refused with reasons, kept over
//! restarts and kills; an open job stays as it was opened.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::path::PathBuf;

use ridgepost_tests::cell::Cell;
use ridgepost_tests::instruments;
use ridgepost_tests::oracle::field;
use ridgepost_tests::pty::Line;

/// Job J-`number` as a system writes it, with this version and limit.
fn order(number: u32, version: u32, upper: &str) -> String {
    format!(
        r#"{{"order": {{"version": {version}}},
            "job": {{"id": "J-{number}", "part_number": "P-1", "revision": "A", "operation": "10", "edition": "ISO 21920",
                     "gate": "warn", "accept_unknown_conditions": true}},
            "characteristic": [{{"balloon": "1", "feature": "face", "quantity": "Ra", "upper": "{upper}",
                                 "plausible": {{"min": "0 µm", "max": "1000 µm"}}}}]}}"#
    )
}

struct Bench {
    cell: Cell,
    line: Line,
}

impl Bench {
    fn new() -> Bench {
        let (cell, line) = Cell::with_one_instrument(env!("CARGO_BIN_EXE_ridgepost"));
        let mut bench = Bench { cell, line };
        let text = fs::read_to_string(bench.cell.path("cell/cell.toml")).unwrap();
        fs::create_dir_all(bench.inbox()).unwrap();
        let orders = format!("{text}\n[orders]\npath = {:?}\nsettle_ms = 300\n", bench.inbox());
        bench.cell.write("cell.toml", &orders);
        bench.cell.start_listening(&[&bench.line]);
        bench
    }

    fn inbox(&self) -> PathBuf {
        self.cell.path("inbox")
    }

    fn drop_in(&self, name: &str, text: &str) {
        fs::write(self.inbox().join(name), text).unwrap();
    }

    fn until_put_away(&mut self, name: &str) {
        let path = self.inbox().join("recorded").join(name);
        self.cell.until("the order to be put away", |_| path.exists().then_some(()));
    }

    /// Codes and texts of what the store says of orders.
    fn noted(&self) -> Vec<(String, String)> {
        let rows = self.cell.store().query("SELECT code, text FROM event WHERE code LIKE 'order-%' ORDER BY rowid", []);
        rows.iter().map(|row| (field(row, "code").to_owned(), field(row, "text").to_owned())).collect()
    }

    fn troubles(&self) -> String {
        self.cell.ask_json(&["status"])[0]["daemon"]["troubles"].to_string()
    }

    fn opens(&self, id: &str) -> bool {
        self.cell.ask(&["job", "open", id]).status.success()
    }

    fn limits(&self) -> Vec<String> {
        self.cell.store().readings("a").iter().map(|row| field(row, "upper").to_owned()).collect()
    }

    fn measure(&mut self, number: u64) {
        self.line.send(&instruments::counted(number));
        let count = usize::try_from(number).unwrap();
        self.cell.until_recorded("a", count);
    }
}

#[test]
fn an_order_is_taken_once_and_an_open_job_stays_as_it_was_opened() {
    let mut bench = Bench::new();
    assert!(!bench.opens("J-1"));
    bench.drop_in("first.json", &order(1, 1, "900 µm"));
    bench.until_put_away("first.json");
    assert!(bench.opens("J-1"));
    bench.measure(1);

    // A newer version while the job is open, an older one behind it, the same twice.
    for (name, version, upper) in [("b.json", 3, "700 µm"), ("c.json", 2, "800 µm"), ("d.json", 3, "700 µm")] {
        bench.drop_in(name, &order(1, version, upper));
        bench.until_put_away(name);
    }
    bench.measure(2);
    assert!(bench.opens("J-1"));
    bench.measure(3);
    assert_eq!(bench.limits(), ["900", "900", "700"]);
    let codes: Vec<String> = bench.noted().into_iter().map(|(code, _)| code).collect();
    assert_eq!(codes, ["order-taken", "order-taken", "order-older", "order-known"]);
    let hash = field(&bench.cell.store().readings("a")[2], "job_hash").to_owned();

    // Killed and started again, it knows the job still, and nothing is read twice.
    bench.cell.kill();
    bench.line.let_go();
    bench.cell.start_listening(&[&bench.line]);
    bench.measure(4);
    assert_eq!(bench.limits()[3], "700");
    assert_eq!(field(&bench.cell.store().readings("a")[3], "job_hash"), hash);
    assert!(bench.opens("J-1"));
    assert_eq!(bench.noted().len(), 4);
    // A saved file of the cell does not make it forget the orders.
    bench.cell.write("jobs/other.toml", "[job]\n");
    bench.cell.until("the fault to be told", |cell| {
        let status = cell.ask_json(&["status"]).remove(0);
        status["daemon"]["faults"].as_array().is_some_and(|faults| !faults.is_empty()).then_some(())
    });
    bench.drop_in("e.json", &order(2, 1, "500 µm"));
    bench.until_put_away("e.json");
    assert!(bench.opens("J-2"), "a faulty file of the cell keeps no order out");
    let status = bench.cell.ask_json(&["status"]).remove(0);
    assert!(!status["daemon"]["faults"].as_array().unwrap().is_empty(), "and is told still");
    fs::remove_file(bench.cell.path("cell/jobs/other.toml")).unwrap();
    bench.cell.until("the fault to be gone", |cell| {
        let status = cell.ask_json(&["status"]).remove(0);
        status["daemon"]["faults"].as_array().is_some_and(Vec::is_empty).then_some(())
    });
    assert!(bench.opens("J-1") && bench.opens("J-2"));
}

#[test]
fn what_is_not_whole_not_for_this_cell_or_faulty_is_not_taken() {
    let mut bench = Bench::new();
    let whole = order(1, 1, "900 µm");
    // Written in pieces, slower than it takes to look; hidden; of another name; for another cell.
    let (head, tail) = whole.split_at(whole.len() / 2);
    bench.drop_in(".hidden.json", &order(5, 1, "1 µm"));
    bench.drop_in("notes.txt", "not an order");
    bench.drop_in("other.json", &order(6, 1, "1 µm").replace("\"version\"", "\"cell\": \"mill-9\", \"version\""));
    bench.drop_in("bad.json", &order(7, 1, "one µm"));
    bench.drop_in("twin.json", &order(8, 1, "1 µm").replace("\"id\"", "\"id\": \"X\", \"id\""));
    bench.drop_in("slow.json", head);
    bench.cell.until("the faults to be told", |cell| {
        let told = cell.ask_json(&["status"])[0]["daemon"]["troubles"].to_string();
        ["bad.json", "twin.json", "slow.json"].iter().all(|name| told.contains(name)).then_some(())
    });
    bench.drop_in("slow.json", &[head, tail].concat());
    bench.until_put_away("slow.json");
    assert!(bench.opens("J-1"));
    for id in ["J-5", "J-6", "J-7", "J-8", "X"] {
        assert!(!bench.opens(id), "{id}");
    }
    for name in [".hidden.json", "notes.txt", "other.json", "bad.json", "twin.json"] {
        assert!(bench.inbox().join(name).exists(), "{name} stays");
    }
    let told = bench.troubles();
    assert!(told.contains("bad.json") && !told.contains("slow.json") && !told.contains("other.json"), "{told}");
    let reason = bench.noted().into_iter().find(|(_, text)| text.starts_with("bad.json")).expect("noted").1;
    assert!(reason.contains("one µm") && reason.contains("sha256 "), "{reason}");
    let before = bench.noted().len();

    // Mended, or taken away.
    bench.drop_in("bad.json", &order(7, 1, "1 µm"));
    bench.until_put_away("bad.json");
    fs::remove_file(bench.inbox().join("twin.json")).unwrap();
    bench.cell.until("all to be well", |cell| {
        let told = cell.ask_json(&["status"])[0]["daemon"]["troubles"].to_string();
        (!told.contains("orders")).then_some(())
    });
    assert!(bench.opens("J-7"));
    assert_eq!(bench.noted().len(), before + 1, "nothing is told twice");
    // The folder goes away and comes back.
    let away = bench.cell.path("away");
    fs::rename(bench.inbox(), &away).unwrap();
    bench.cell.until_logged("can't be listed");
    fs::rename(&away, bench.inbox()).unwrap();
    bench.drop_in("last.json", &order(9, 1, "1 µm"));
    bench.until_put_away("last.json");
    assert!(bench.opens("J-9"));
}

/// Killed at any moment between dropping and putting away, an order is neither lost nor taken twice.
#[test]
fn an_order_outlives_kills() {
    let mut bench = Bench::new();
    for number in 1..=8 {
        let name = format!("{number}.json");
        bench.drop_in(&name, &order(number, 1, "900 µm"));
        let path = bench.inbox().join("recorded").join(&name);
        // Later and later, until it was put away before.
        std::thread::sleep(std::time::Duration::from_millis(u64::from(number) * 350));
        bench.cell.kill();
        bench.line.let_go();
        bench.cell.start_listening(&[&bench.line]);
        bench.cell.until("the order to be put away", |_| path.exists().then_some(()));
        assert!(bench.opens(&format!("J-{number}")));
    }
    let left = fs::read_dir(bench.inbox()).unwrap().filter(|entry| entry.as_ref().unwrap().path().is_file()).count();
    assert_eq!(left, 0);
    assert!(bench.opens("J-1"));
    let taken = bench.noted().iter().filter(|(code, _)| code == "order-taken" || code == "order-known").count();
    assert!(taken >= 8, "{taken}");
}

/// A file that can't be moved away is taken, and told once until somebody takes it away.
#[test]
fn an_order_that_can_not_be_moved_is_taken_and_told_once() {
    let mut bench = Bench::new();
    fs::write(bench.inbox().join("recorded"), "in the way").unwrap();
    bench.drop_in("a.json", &order(1, 1, "900 µm"));
    bench.cell.until("the job to be opened", |cell| cell.ask(&["job", "open", "J-1"]).status.success().then_some(()));
    bench.cell.until_logged("a.json is settled but can't be moved");
    // Some more looks at the folder.
    std::thread::sleep(std::time::Duration::from_secs(7));
    assert!(bench.troubles().contains("take it away by hand"), "{}", bench.troubles());
    assert_eq!(bench.cell.log().matches("a.json is settled but").count(), 1, "{}", bench.cell.log());
    assert_eq!(bench.noted().len(), 1);
    fs::remove_file(bench.inbox().join("a.json")).unwrap();
    bench.cell.until("all to be well", |cell| {
        let told = cell.ask_json(&["status"])[0]["daemon"]["troubles"].to_string();
        (!told.contains("orders")).then_some(())
    });
}
