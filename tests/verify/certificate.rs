//! Specimens whose certificate is a file.

use super::Bench;

/// From the certificate's file to the verification that rests on it: no value is typed.
#[test]
fn a_specimen_is_registered_from_its_certificate() {
    let mut bench = Bench::new();
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../parsers/tests/certificates/specimen.xml");
    let bytes = std::fs::read(file).unwrap();
    let said =
        bench.cell.ask(&["certificate", file, "--specimen", "SP-7", "--due", "2099-01-10", "--serial", "SPEC-7"]);
    assert!(said.status.success(), "{said:?}");
    assert!(said.stderr.contains("its signature was not checked"), "{said:?}");
    let register = std::fs::read_to_string(bench.cell.path("cell/gauges.toml")).unwrap();
    bench.cell.write("gauges.toml", &format!("{register}\n{}", said.stdout));
    let check = bench.cell.ask(&["check"]);
    assert!(check.status.success(), "{check:?}");
    bench.cell.until("the specimen to be known", |cell| {
        cell.ask(&["verify", "RT-1", "--by", "M. K.", "--specimen", "SP-7"]).status.success().then_some(())
    });
    bench.specimen(&["Ra 3.05 um", "Ra 3.06 um", "Ra 3.04 um"]);
    assert_eq!(bench.status()["state"], "verified");
    bench.measure("Ra 0.4 um");
    let why = bench.why_of_last();
    let body = &why["gauge"]["before"]["body"];
    assert_eq!((&body["certificate"], &body["quantities"][0]["certified"]), (&"CERT-2026-0042".into(), &"3.05".into()));
    assert_eq!(body["certificate_sha256"], sha256(&bytes).as_str());

    for (arguments, why) in [
        (&["--serial", "OTHER"][..], "it is of a specimen with the number SPEC-7, not OTHER"),
        (&["--due", "2025-01-01"], "it would have been due before its calibration ended on 2026-01-10"),
        (&["--take", "Rz=1"], "3.05 µm U 0.06 (k = 2)"),
        (&["--take", "Rz=9"], "it states 2 values"),
        (&["--take", "RPc=1"], "RPc can't be 3.05 µm"),
        (&["--take", "sweet=1"], "unknown quantity `sweet`"),
    ] {
        let said = bench.cell.ask(&[&["certificate", file], arguments].concat());
        let is_taken = arguments == ["--take", "Rz=1"];
        assert_eq!(said.status.code(), Some(i32::from(!is_taken)), "{arguments:?}: {said:?}");
        assert!(is_taken || said.stderr.contains(why), "{arguments:?}: {said:?}");
    }
    let read = bench.cell.ask_json(&["certificate", file]).remove(0);
    assert_eq!(
        read["taken"]["Rz"],
        serde_json::json!({"value": "9.81", "unit": "µm", "uncertainty": "0.25", "coverage_factor": "2"})
    );
    assert_eq!(bench.cell.ask(&["certificate", "/nowhere.xml"]).status.code(), Some(3));
    bench.cell.stop();
}

fn sha256(bytes: &[u8]) -> String {
    use sha2::Digest;
    sha2::Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}
