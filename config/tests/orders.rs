//! Job files of other systems: one job in four forms is one job, and what is ambiguous, for another cell or faulty is
//! refused with its reason.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::Path;

use example::{CELL_DIR, example};
use proptest::prelude::*;
use ridgepost_config::{Job, Order, load, read};

const TOML: &str = r#"
[order]
cell = "grind-2"
version = 3
[job]
id = "WO/50 117"
part_number = "4711"
revision = "C"
operation = "20"
edition = "ISO 21920"
accept_unknown_conditions = true
retests = 2
[[characteristic]]
balloon = "10"
feature = "bore, <left>"
quantity = "Ra"
upper = "0.80 µm"
traces = 3
[characteristic.conditions]
cutoff = "0.8 mm"
[[characteristic]]
balloon = "20"
feature = "face"
callout = "Rz 6.3"
"#;

const JSON: &str = r#"{
  "order": { "cell": "grind-2", "version": 3 },
  "job": { "id": "WO/50 117", "part_number": "4711", "revision": "C", "operation": "20", "edition": "ISO 21920",
           "accept_unknown_conditions": true, "retests": 2, "gate": null },
  "characteristic": [
    { "balloon": "10", "feature": "bore, <left>", "quantity": "Ra", "upper": "0.80 \u00b5m", "traces": 3,
      "conditions": { "cutoff": "0.8 mm" } },
    { "balloon": "20", "feature": "face", "callout": "Rz 6.3" }
  ]
}"#;

const XML: &str = r#"<?xml version="1.0"?>
<workorder xmlns="urn:example:orders">
  <order cell="grind-2" version="3"/>
  <job>
    <id>WO/50 117</id><part_number>4711</part_number><revision>C</revision><operation>20</operation>
    <edition>ISO 21920</edition><accept_unknown_conditions>true</accept_unknown_conditions><retests>2</retests>
  </job>
  <characteristic balloon="10" feature="bore, &lt;left>" quantity="Ra" upper="0.80 µm" traces="3">
    <conditions cutoff="0.8 mm"/>
  </characteristic>
  <characteristic balloon="20"><feature>face</feature><callout>Rz 6.3</callout></characteristic>
</workorder>"#;

const CSV: &str = "order.cell,order.version,job.id,job.part_number,job.revision,job.operation,job.edition,\
job.accept_unknown_conditions,job.retests,balloon,feature,quantity,upper,traces,conditions.cutoff,callout\n\
grind-2,3,WO/50 117,4711,C,20,ISO 21920,true,2,10,\"bore, <left>\",Ra,0.80 µm,3,0.8 mm,\n\
grind-2,3,WO/50 117,4711,C,20,ISO 21920,true,2,20,face,,,,,Rz 6.3\n";

/// The job of an order beside the example's other files, or every fault.
fn job(order: &Order) -> Result<Job, String> {
    let mut files = example();
    files.insert(Path::new("orders").join(order.file_name()), order.text.clone());
    let loaded = read(Path::new(CELL_DIR), &files);
    let faults: Vec<String> = loaded.faults().map(ToString::to_string).collect();
    let job = loaded.plan.and_then(|plan| plan.jobs.get(&order.id).cloned());
    job.map(|job| Job { text: ridgepost_config::Text::new(""), ..(*job).clone() }).ok_or(faults.join("\n"))
}

#[test]
fn one_job_in_four_forms_is_one_job() {
    let told = Order::read("a.toml", TOML.as_bytes()).unwrap();
    assert_eq!((told.cell.as_deref(), told.version), (Some("grind-2"), Some(3)));
    assert_eq!(told.file_name(), "WO%2F50%20117.toml");
    let expected = job(&told).unwrap();
    assert_eq!(expected.characteristics.len(), 2);
    assert_eq!(expected.characteristics[0].upper.unwrap().to_string(), "0.80");
    for (name, text) in
        [("a.json", JSON), ("b.XML", XML), ("c.csv", CSV), ("d.csv", &CSV.replace(',', ";").replace("bore;", "bore,"))]
    {
        for mark in ["", "\u{feff}"] {
            let order =
                Order::read(name, [mark, text].concat().as_bytes()).unwrap_or_else(|why| panic!("{name}: {why}"));
            assert_eq!((&order.id, &order.cell, order.version), (&told.id, &told.cell, told.version), "{name}");
            assert_eq!(
                job(&order).unwrap_or_else(|why| panic!("{name}: {why}")).characteristics,
                expected.characteristics
            );
            assert_eq!(format!("{:?}", job(&order).unwrap()), format!("{expected:?}"), "{name}");
            assert_eq!(Order::of(order.text.clone()).unwrap(), order, "what is kept says the same");
        }
    }
}

#[test]
fn what_can_not_be_meant_one_way_is_refused_with_its_reason() {
    let long = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
    let deep = format!("{}{}", "<a>".repeat(50), "</a>".repeat(50));
    let bomb = "<!DOCTYPE a [<!ENTITY b \"bb\">]><a>&b;</a>";
    let bytes = |text: &str| text.as_bytes().to_vec();
    let refused: [(&str, Vec<u8>, &str); 15] = [
        ("a.txt", bytes(TOML), "end with .toml, .json, .xml, .csv"),
        ("a", bytes(TOML), "end with"),
        ("a.toml", bytes("[job\n"), "unclosed table"),
        ("a.toml", bytes("[job]\nid = \"\""), "names no job"),
        ("a.toml", bytes(&TOML.replace("revision = \"C\"", "id = \"X\"")), "duplicate key"),
        ("a.json", bytes(&JSON.replace("\"revision\"", "\"id\"")), "`id` stands there twice"),
        ("a.json", bytes(&JSON[..JSON.len() - 1]), "is not JSON"),
        ("a.json", bytes(&format!("{JSON} 1")), "trailing characters"),
        ("a.json", bytes("[1]"), "not an object"),
        ("a.json", bytes(&long), "recursion limit"),
        ("a.xml", bytes(&XML.replace("<revision>C</revision>", "<id>X</id>")), "<job> says `id` twice"),
        ("a.xml", bytes(&deep), "nested too deeply"),
        ("a.xml", bytes(bomb), "is not XML"),
        ("a.csv", bytes(&CSV.replacen("WO/50 117", "WO/50 118", 1)), "row 2: `job.id` says something else"),
        ("a.csv", b"job.id,balloon\nWO-\xff,1\n".to_vec(), "not UTF-8: byte 19"),
    ];
    for (name, raw, reason) in refused {
        let why = Order::read(name, &raw).expect_err(name);
        assert!(why.contains(reason), "{name}: {why} has no {reason:?}");
    }
    let faulty = [
        ("cell = \"grind-2\"", "cell = \"grind-3\"", "this job is for cell `grind-3`, and this is `grind-2`"),
        ("upper = \"0.80 µm\"", "upper = 0.80", "0.80 of what"),
        ("WO/50 117", "WO-48213", "is in jobs/"),
        ("traces = 3", "trace = 3", "unknown key"),
    ];
    for (from, to, reason) in faulty {
        let why = job(&Order::read("a.toml", TOML.replace(from, to).as_bytes()).unwrap()).expect_err(to);
        assert!(why.contains(reason), "{why} has no {reason:?}");
    }
}

/// Orders lie beside the store, and count where the cell has a folder for them.
#[test]
fn orders_that_were_taken_are_loaded_with_the_cell() {
    let root = tempfile::tempdir().unwrap();
    let cell = root.path().join("cell");
    for (path, text) in example() {
        let path = cell.join(path);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
    }
    let order = Order::read("a.json", JSON.as_bytes()).unwrap();
    let kept = load(&cell).plan.unwrap().store.parent().unwrap().join("orders");
    std::fs::create_dir_all(&kept).unwrap();
    std::fs::write(kept.join(order.file_name()), &order.text).unwrap();
    assert!(!load(&cell).plan.unwrap().jobs.contains_key(&order.id), "nobody asked for orders");
    let file = cell.join("cell.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, format!("{text}\n[orders]\npath = \"orders\"\nmarker = \"here\"\n")).unwrap();
    let loaded = load(&cell);
    let plan = loaded.plan.unwrap();
    assert!(plan.jobs.contains_key(&order.id), "{:?}", loaded.diagnostics);
    let orders = plan.orders.clone().unwrap();
    assert_eq!((orders.path, orders.settle_ms, orders.marker.as_deref()), (cell.join("orders"), 2000, Some("here")));
    assert!(ridgepost_config::explain(&plan).iter().any(|line| line.contains("job files of other systems from")));
    // What was kept of the whole says the same again.
    let texts = loaded.texts.into_iter().map(|(path, text)| (path, text.body.to_string())).collect();
    assert!(read(&cell, &texts).plan.unwrap().jobs.contains_key(&order.id));
}

proptest! {
    /// Whatever comes is read or refused, and what is read says the same when it is kept.
    #[test]
    fn rubbish_is_refused_and_never_more(raw in proptest::collection::vec(any::<u8>(), 0..200), form in 0..4usize) {
        let name = format!("a.{}", ridgepost_config::FORMS[form]);
        if let Ok(order) = Order::read(&name, &raw) {
            prop_assert_eq!(Order::of(order.text.clone()), Ok(order));
        }
    }

    /// Damaged files of each form too.
    #[test]
    fn a_damaged_order_is_refused_or_read(form in 0..4usize, at in 0..500usize, byte: u8) {
        let mut raw = [TOML, JSON, XML, CSV][form].as_bytes().to_vec();
        let at = at % raw.len();
        raw[at] = byte;
        if let Ok(order) = Order::read(&format!("a.{}", ridgepost_config::FORMS[form]), &raw) {
            let _ = job(&order);
        }
    }
}
