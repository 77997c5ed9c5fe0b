//! Limits written as deviations are the sizes that they stand for, exactly, and masters are what the job says.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::Path;

use example::{CELL_DIR, example};
use ridgepost_config::read;

/// 25 h6: 0 / -13 µm (ISO 286-1, from memory); the other sums by hand. 0.0005 in = 12.7 µm exactly.
#[test]
fn deviations_become_sizes_exactly() {
    for (limits, expected) in [
        ("nominal = \"25 mm\"\nlower = \"-13 µm\"\nupper = \"0 µm\"", "24.987 25 mm"),
        ("nominal = \"25.000 mm\"\nlower = \"-0.0130 mm\"\nupper = \"0 mm\"", "24.9870 25.000 mm"),
        ("nominal = \"25000 µm\"\nlower = \"-0.0005 in\"\nupper = \"0 in\"", "24987.3 25000 µm"),
        ("lower = \"24.987 mm\"\nupper = \"25 mm\"", "24.987 25 mm"),
    ] {
        let mut files = example();
        let job = format!(
            "[job]\nid = \"W\"\npart_number = \"P\"\nrevision = \"A\"\noperation = \"1\"\n[[characteristic]]\n\
             balloon = \"1\"\nfeature = \"shaft\"\nquantity = \"D\"\n\
             master = {{ id = \"SM-25\", nominal = \"25.000 mm\", sign = \"-\", deviation = \"0.4 µm\" }}\n{limits}\n"
        );
        files.insert("jobs/case.toml".into(), job);
        let loaded = read(Path::new(CELL_DIR), &files);
        assert_eq!(loaded.faults().count(), 0, "{limits}: {:?}", loaded.diagnostics);
        let plan = loaded.partial.unwrap();
        let one = &plan.jobs["W"].characteristics[0];
        let (lower, upper) = (one.lower.unwrap(), one.upper.unwrap());
        assert_eq!(format!("{lower} {upper} {}", one.unit), expected);
        let master = one.master.as_ref().unwrap();
        assert_eq!((master.id.as_str(), master.larger, master.deviation_from), ("SM-25", false, None));
        let words = ridgepost_config::explain(&plan).join("\n");
        let told = "deviations: master SM-25 of 25.000 mm with its own deviation of 0.4 µm, minus what is indicated";
        assert!(words.contains(told), "{words}");
    }
}
