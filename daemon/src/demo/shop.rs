//! The invented shop of the demo: its cell folder and the numbers its instruments show.

use std::path::Path;

use jiff::civil::Date;

/// The order being made.
pub(super) const JOB: &str = "WO-48213";
/// The cell's zone, which its instruments' clocks show too.
pub(super) const ZONE: &str = "Europe/Zurich";
/// Files of the cell folder, by name.
pub(super) type Files = Vec<(&'static str, String)>;

/// The cell folder for a demo in `dir` (absolute), with gauges that are in order on `today`.
pub(super) fn cell_files(dir: &Path, today: Date) -> Files {
    let dir = dir.display();
    let soon = today.saturating_add(jiff::Span::new().days(30));
    let later = today.saturating_add(jiff::Span::new().days(200));
    vec![
        ("cell.toml", CELL.replace("{dir}", &dir.to_string()).replace("{zone}", ZONE)),
        (
            "gauges.toml",
            GAUGES
                .replace("{today}", &today.to_string())
                .replace("{soon}", &soon.to_string())
                .replace("{later}", &later.to_string()),
        ),
        ("jobs/impeller-shaft.toml", JOB_FILE.to_owned()),
    ]
}

const CELL: &str = r#"# The demo's cell: what this PC listens to and where results go.
[cell]
name = "grind-2"
time_zone = "{zone}"

[store]
path = "{dir}/store.db"

# A stylus tester that prints a record after every measurement.
[[station]]
name = "tester-a"
instrument = "report-block"
gauge = "RT-07"
port = { path = "{dir}/ports/tester-a", baud = 9600 }

# A micrometer that sends a line per press.
[[station]]
name = "micrometer"
instrument = "single-line"
gauge = "MIC-03"
port = { path = "{dir}/ports/micrometer", baud = 9600 }

# A tester that exports a file per part.
[[station]]
name = "tester-b"
instrument = "csv-export"
gauge = "RT-09"
folder = { path = "{dir}/exports", pattern = "*.csv" }

[[sink]]
name = "mes"
csv = { folder = "{dir}/drops", per = "reading" }
"#;

const GAUGES: &str = r#"# The demo's gauge register.
[[gauge]]
id = "RT-07"
kind = "stylus"
calibration_due = "{later}"
verified = { on = "{today}", until = "{soon}", source = "demo: shift log, specimen SP-2" }

[[gauge]]
id = "RT-09"
kind = "stylus"
calibration_due = "{later}"
settings = { cutoff = "0.8 mm", sections = 5, filter = "gaussian" }   # declared: its files don't say
verified = { on = "{today}", until = "{soon}", source = "demo: shift log, specimen SP-2" }

[[gauge]]
id = "MIC-03"
kind = "micrometer"
calibration_due = "{later}"
verified = { on = "{today}", until = "{soon}", source = "demo: shift log, gauge block 25 mm" }

[[specimen]]
id = "SP-2"
certified = { Ra = "2.97 µm" }
uncertainty = { Ra = "0.06 µm" }
due = "{later}"
"#;

const JOB_FILE: &str = r#"# The demo's job: an impeller shaft after grinding.
[job]
id = "WO-48213"
part_number = "IS-2207"
revision = "C"
operation = "50"
edition = "ISO 21920"

# Two tracks on the bearing seat: both must be within the limit.
[[characteristic]]
balloon = "12"
feature = "bearing seat ø25 h6"
quantity = "Ra"
upper = "0.8 µm"
rule = "max"
traces = 2
conditions = { cutoff = "0.8 mm", sections = 5 }
station = "tester-a"

[[characteristic]]
balloon = "13"
feature = "bearing seat ø25 h6"
quantity = "Rz"
upper = "6.3 µm"
rule = "max"
traces = 2
conditions = { cutoff = "0.8 mm", sections = 5 }
station = "tester-a"

[[characteristic]]
balloon = "14"
feature = "sealing face"
quantity = "Ra"
upper = "0.8 µm"
rule = "max"
conditions = { cutoff = "0.8 mm", sections = 5 }
station = "tester-b"

[[characteristic]]
balloon = "20"
feature = "bearing seat ø25 h6"
quantity = "D"
lower = "24.987 mm"
upper = "25.000 mm"
rule = "max"
station = "micrometer"
"#;

/// Numbers that look like a good part's; the same seed gives the same numbers.
pub(super) struct Numbers(u64);

impl Numbers {
    /// Numbers of a seed.
    pub(super) fn new(seed: u64) -> Self {
        Numbers(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// A whole number from `low` up to and including `high` (xorshift, Marsaglia 2003: good enough for a show).
    pub(super) fn between(&mut self, low: u64, high: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        low + self.0 % (high - low + 1)
    }

    /// Thousandths as a decimal: 412 is `0.412`.
    pub(super) fn thousandths(&mut self, low: u64, high: u64) -> String {
        let number = self.between(low, high);
        format!("{}.{:03}", number / 1000, number % 1000)
    }

    /// Ra of a good seat in µm.
    pub(super) fn ra(&mut self) -> String {
        self.thousandths(390, 640)
    }

    /// Rz that goes with such an Ra, in µm.
    pub(super) fn rz(&mut self) -> String {
        self.thousandths(2_600, 4_400)
    }

    /// A good seat's diameter in mm, one more digit than the drawing.
    pub(super) fn diameter(&mut self) -> String {
        let number = self.between(249_890, 249_980);
        format!("+{}.{:04}", number / 10_000, number % 10_000)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;
    use std::collections::BTreeMap;
    use std::path::PathBuf;

    #[test]
    fn the_demo_s_cell_has_no_fault_wherever_it_lies() {
        for dir in ["/tmp/demo", "/srv/a folder with blanks/µ"] {
            let files: BTreeMap<PathBuf, String> = cell_files(Path::new(dir), "2026-11-25".parse().unwrap())
                .into_iter()
                .map(|(name, text)| (name.into(), text))
                .collect();
            let loaded = ridgepost_config::read(Path::new(dir), &files);
            assert_eq!(loaded.diagnostics, []);
            assert!(loaded.plan.unwrap().jobs.contains_key(JOB));
        }
    }

    #[test]
    fn a_seed_gives_the_same_good_numbers() {
        let (mut one, mut other) = (Numbers::new(7), Numbers::new(7));
        for _ in 0..1_000 {
            let ra = one.ra();
            assert_eq!(ra, other.ra());
            assert!((0.39..=0.64).contains(&ra.parse::<f64>().unwrap()), "{ra}");
        }
    }
}
