//! A cell with one tester at a port, one sink, and jobs: readings are measured one by one, and the rows that they bring are
//! told in short.

use crate::cell::Cell;
use crate::drops::Drops;
use crate::oracle::{Row, field};
use crate::pty::Line;
use crate::said::Said;

/// A tester that names quantity, unit and, if it knows one, the part: `Ra 0.41 um of A-1`.
pub const TESTER: &str = r#"
[instrument]
name = "tester"
[[line]]
pattern = '(?<quantity>R\w+) (?<value>\d+\.\d+) (?<unit>um)( of (?<part>\S+))?'
"#;

/// Its entry in the register, verified.
const REGISTER: &str = r#"
id = "RT-1"
kind = "stylus"
settings = { cutoff = "0.8 mm", sections = 5 }
verified = { on = "2020-01-01", source = "test" }
"#;

/// The cell.
pub struct Bench {
    /// The cell with its daemon.
    pub cell: Cell,
    /// The tester's port, station `bench`.
    pub tester: Line,
    /// What the sink has put into its folder.
    pub drops: Drops,
}

impl Bench {
    /// It runs and listens. `jobs` are file names and texts.
    pub fn new(program: &str, jobs: &[(&str, String)]) -> Bench {
        let mut cell = Cell::new(program);
        cell.instrument("tester", TESTER);
        cell.gauge(REGISTER);
        let tester = cell.port("bench", "tester", "RT-1");
        cell.sink("mes", "reading");
        for (file, text) in jobs {
            cell.write(&format!("jobs/{file}.toml"), text);
        }
        cell.configure();
        let drops = cell.drops("mes");
        let mut bench = Bench { cell, tester, drops };
        bench.cell.start_listening(&[&bench.tester]);
        bench
    }

    /// Opens a job.
    pub fn open(&mut self, job: &str) {
        let opens = |cell: &mut Cell| cell.ask(&["job", "open", job]).status.success().then_some(());
        self.cell.until("the job to be opened", opens);
    }

    /// Measures; the rows that this brought, in short.
    pub fn measure(&mut self, text: &str) -> Vec<String> {
        let behind = self.last();
        let before = self.cell.store().readings("bench").len();
        self.tester.send(format!("{text}\r\n").as_bytes());
        self.cell.until_recorded("bench", before + 1);
        self.since(behind)
    }

    /// Number of the last row.
    pub fn last(&self) -> i64 {
        self.cell.store().results().last().map_or(0, |row| field(row, "seq").parse().unwrap())
    }

    /// The rows behind one, in short.
    pub fn since(&self, behind: i64) -> Vec<String> {
        self.cell.store().results_since(behind).iter().map(said).collect()
    }

    /// A decision of M. K.; the rows that it made, in short.
    #[track_caller]
    pub fn decide(&self, arguments: &[&str]) -> Vec<String> {
        let before = self.cell.store().results();
        let said = self.told(arguments);
        assert!(said.status.success(), "{said:?}");
        let after = self.cell.store().results();
        assert_eq!(after[..before.len()], before, "what was written was changed");
        self.since(before.last().map_or(0, |row| field(row, "seq").parse().unwrap()))
    }

    /// What a decision of M. K. says.
    pub fn told(&self, arguments: &[&str]) -> Said {
        self.cell.ask(&[arguments, &["--by", "M. K.", "--reason", "dirt"]].concat())
    }

    /// Kills the daemon and starts it again.
    pub fn restart(&mut self) {
        self.cell.kill();
        self.cell.start_listening(&[&self.tester]);
    }

    /// Everything is delivered, then the daemon stops.
    pub fn end(mut self) {
        assert_eq!(self.cell.until_delivered(&mut self.drops), Vec::<String>::new());
        self.cell.stop();
    }
}

/// `correction>3 12 #1 J-1/A-1 0.41 conforms within-limits trace 1`
pub fn said(row: &Row) -> String {
    let of = |name: &str| field(row, name);
    let mut words = vec![of("kind").to_owned()];
    if let Some((_, seq)) = of("supersedes").rsplit_once('-') {
        words[0].push_str(&format!(">{seq}"));
    }
    let piece = if of("serial").is_empty() { format!("#{}", of("piece")) } else { of("serial").to_owned() };
    words.extend([of("balloon").to_owned(), format!("{}/{piece}", of("job")), of("value").to_owned()]);
    words.extend([of("outcome").to_owned(), of("reasons").to_owned()]);
    if !of("trace").is_empty() {
        words.push(format!("trace {}", of("trace")));
    }
    words.retain(|word| !word.is_empty());
    words.join(" ")
}

/// Rows that no later row took the place of, in order.
pub fn standing(rows: &[Row]) -> Vec<&Row> {
    let gone: Vec<&str> = rows.iter().map(|row| field(row, "supersedes")).collect();
    rows.iter().filter(|row| !gone.contains(&field(row, "result_id"))).collect()
}
