//! Callouts of drawings in jobs: what they become, and that a job written with keys is the same.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::Path;

use example::{CELL_DIR, example};
use ridgepost_config::{Loaded, explain, read};

fn job(edition: &str, characteristic: &str) -> Loaded {
    let mut files = example();
    let job = format!(
        "[job]\nid = \"W\"\npart_number = \"P\"\nrevision = \"A\"\noperation = \"1\"\nedition = \"{edition}\"\n\
         [[characteristic]]\nballoon = \"12\"\nfeature = \"seat\"\n{characteristic}\n"
    );
    files.insert("jobs/case.toml".into(), job);
    read(Path::new(CELL_DIR), &files)
}

/// What `check` says of each characteristic of the job.
fn said(edition: &str, characteristic: &str) -> Vec<String> {
    let loaded = job(edition, characteristic);
    assert_eq!(loaded.faults().count(), 0, "{characteristic}: {:?}", loaded.diagnostics);
    let lines = explain(&loaded.partial.unwrap());
    lines.into_iter().filter_map(|line| line.strip_prefix("job W, balloon ").map(str::to_owned)).collect()
}

const OLD: &str = "ISO 1302 / ISO 4288";
const NEW: &str = "ISO 21920";

/// Forms of ISO 1302:2002 and ISO 21920-1 as in the callout reader's own tests; defaults by edition: ISO 21920-3 class Sc3
/// for Ra up to 2 µm (seen in a national table), ISO 4288:1996 5.2 for the 16 % rule (from memory).
#[test]
fn callouts_say_what_their_keys_say() {
    assert_eq!(
        said(NEW, "callout = 'Ra 1.6'"),
        [
            "12: Ra at most 1.6 µm, as U Ra 1.6 µm, rule max (not written: under ISO 21920 no value may pass the limit), \
          conditions by ISO 21920 for this limit (not written): class Sc3, 0.8 mm x 5, λs 2.5 µm"
        ]
    );
    assert_eq!(
        said(OLD, "callout = 'Ra 1.6'"),
        [
            "12: Ra at most 1.6 µm, as U Ra 1.6 µm, rule 16% (not written: ISO 1302 / ISO 4288 means that at most 16 % may pass), \
          cutoff by ISO 1302 / ISO 4288 for the measured value (not written)"
        ]
    );
    assert_eq!(
        said(OLD, "callout = 'U \"2RC\" 0.008-0.8 / Ra 8max 3.1; L Ra 0.9'"),
        [
            "12.1: Ra at most 3.1 µm, as U \"2RC\" 0.008-0.8/Ra 8max 3.1 µm, rule max, conditions required: cutoff 0.8 mm, λs 8 µm, \
             sections 8, filter 2RC",
            "12.2: Ra at least 0.9 µm, as L Ra 0.9 µm, rule 16% (not written: ISO 1302 / ISO 4288 means that at most 16 % may \
             pass), cutoff by ISO 1302 / ISO 4288 for the measured value (not written)",
        ]
    );
    assert_eq!(
        said(NEW, "callout = '-0.8/Ra max 1.6; L -0.8/Ra max 0.4'"),
        [
            "12: Ra from 0.4 µm to 1.6 µm, as U -0.8/Ra max 1.6 µm; L -0.8/Ra max 0.4 µm, rule max, conditions required: cutoff 0.8 mm"
        ]
    );
    assert_eq!(
        said(NEW, "callout = 'U Rz 10 T16%'"),
        [
            "12: Rz at most 10 µm, as U Rz 10 µm T16%, rule 16%, conditions by ISO 21920 for this limit (not written): class Sc3, \
          0.8 mm x 5, λs 2.5 µm"
        ]
    );
    assert_eq!(
        said("ASME B46.1", "callout = 'Ra 63 µin'"),
        [
            "12: Ra at most 63 µin, as U Ra 63 µin, rule max (not written: under ASME B46.1 no value may pass the limit), cutoff by \
          ASME B46.1 for the measured value (not written)"
        ]
    );
}

#[test]
fn keys_beside_a_callout_may_say_the_same_and_nothing_else() {
    let same = "callout = '-0.8/Ra3 max 1.60'\nquantity = \"Ra\"\nupper = \"1600 nm\"\nrule = \"max\"\n\
                conditions = { cutoff = \"0.8 mm\", sections = 3 }";
    assert_eq!(job(NEW, same).faults().count(), 0);
    for (slip, message) in [
        (same.replace("\"Ra\"", "\"Rz\""), "the callout says Ra here"),
        (same.replace("1600 nm", "1600.1 nm"), "the callout says 1.60 µm here"),
        (same.replace("\"max\"", "\"16%\""), "the callout says max here"),
        (same.replace("\"0.8 mm\"", "\"2.5 mm\""), "the callout says 0.8 mm here"),
        (same.replace("sections = 3", "sections = 5"), "the callout says 3 here"),
        (format!("{same}\nlower = \"0.1 µm\""), "the callout has no lower limit"),
        ("callout = 'Ra 1.6 Xmax'".to_owned(), "nothing is expected here"),
        ("callout = '-0.8/5/Ra 1.6'".to_owned(), "does not go with sampling lengths of 0.8 mm"),
        ("upper = \"1 µm\"".to_owned(), "`quantity` is missing in this characteristic"),
    ] {
        let loaded = job(NEW, &slip);
        let faults: Vec<_> = loaded.faults().collect();
        assert!(faults.iter().any(|fault| fault.message.contains(message)), "{slip}: {faults:#?}");
    }
}

/// The column is that of the character in the text.
#[test]
fn a_fault_stands_where_it_is_in_the_text() {
    for (line, column) in [
        ("callout = 'Rq 0.8; Xa 3'", 20),
        ("callout = \"Rq 0.8; Xa 3\"", 20),
        ("callout = '''\nRq 0.8; Xa 3'''", 9),
        ("callout = 'Ra 0.8 µx'", 19),
        // Written with an escape: the whole text is meant.
        ("callout = \"R\\u0071 0.8; Xa 3\"", 11),
    ] {
        let loaded = job(OLD, line);
        let fault = loaded.faults().next().expect(line);
        assert_eq!(fault.column, column, "{line}: {fault}");
    }
}
