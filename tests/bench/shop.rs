//! The cells that are measured: instruments, gauges and the job, as a user would write them for these inputs.

use ridgepost_tests::cell::Cell;

/// The program, built as for use.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_ridgepost");

/// The lines that `bench.py` sends.
const LINE: &str = r#"
[instrument]
name = "line"
[framing]
kind = "lines"
terminator = "\r\n"
[[line]]
pattern = 'RD (?<number>\d+) (?<quantity>R\w+) (?<value>\S+) (?<unit>\w+)'
[reading]
required = ["number"]
"#;

/// The large file of `gen.py`.
const EXPORT: &str = r#"
[instrument]
name = "export"
[framing]
kind = "rows"
[table]
delimiter = ";"
header = 'ts;job;serial;feature;param;value_um'
[names]
ts = "time"
serial = "part"
param = "quantity"
value_um = "value"
[numbers]
decimal = ","
[reading]
unit = "µm"
required = ["time", "part"]
"#;

/// The small files of `gen.py`.
const SMALL: &str = r#"
[instrument]
name = "small"
[framing]
kind = "block"
start_line = 'TIME=(?<time>\S+)'
end_line = 'CUTOFF=(?<cutoff>\S+)'
[pairs]
pair = "="
[names]
SERIAL = "part"
PARAM = "quantity"
VALUE = "value"
UNIT = "unit"
[field.cutoff]
unit = "mm"
[reading]
required = ["time", "part", "quantity", "unit"]
"#;

const JOB: &str = r#"
[job]
id = "W4711"
part_number = "P-1001"
revision = "C"
operation = "50"
edition = "ISO 21920"
gate = "warn"
"#;

fn characteristic(balloon: &str, quantity: &str, upper: &str) -> String {
    format!(
        "[[characteristic]]\nballoon = \"{balloon}\"\nfeature = \"seat\"\nquantity = \"{quantity}\"\nupper = \"{upper} µm\"\n\
         rule = \"max\"\ntraces = 1\nconditions = {{ cutoff = \"0.8 mm\", sections = 5 }}\n"
    )
}

/// A cell that knows the instruments of the bench, one gauge with declared settings, and an open job with a limit for each
/// of these quantities.
pub fn cell(limits: &[(&str, &str)]) -> Cell {
    let mut cell = Cell::new(PROGRAM);
    for (name, definition) in [("line", LINE), ("export", EXPORT), ("small", SMALL)] {
        cell.instrument(name, definition);
    }
    cell.gauge(
        "id = \"RT-01\"\nkind = \"stylus\"\nskidded = false\ncalibration_due = \"2099-01-01\"\n\
         settings = { cutoff = \"0.8 mm\", sections = 5, filter = \"gaussian\" }",
    );
    let limits = limits.iter().zip(1..);
    let limits = limits.map(|((quantity, upper), number)| characteristic(&number.to_string(), quantity, upper));
    cell.write("jobs/w4711.toml", &format!("{JOB}\n{}", limits.collect::<String>()));
    cell
}

/// Writes the configuration, which must be without fault, and opens the job.
pub fn open(cell: &Cell) {
    cell.configure();
    for command in [&["check"][..], &["job", "open", "W4711"]] {
        let said = cell.ask(command);
        assert!(said.status.success(), "{command:?}: {said:?}");
    }
}

/// One number that the store tells.
pub fn count(cell: &Cell, sql: &str) -> i64 {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let Ok(store) = rusqlite::Connection::open_with_flags(cell.store_path(), flags) else { return -1 };
    let _ = store.busy_timeout(std::time::Duration::from_secs(5));
    store.query_row(sql, [], |row| row.get(0)).unwrap_or(-1)
}
