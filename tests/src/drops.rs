//! Reads result files by RFC 4180, strictly, and keeps watch over a folder of them: what was seen whole under its
//! final name must never change.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// A result file, read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Table {
    /// Column names.
    pub header: Vec<String>,
    /// Rows of as many fields.
    pub rows: Vec<Vec<String>>,
}

/// Reads RFC 4180: fields between `separator`, quoted with `"` where needed, every line ended by CR LF, as many fields
/// in each row as in the header. `Err` says what is wrong and where.
pub fn read_table(text: &str, separator: char) -> Result<Table, String> {
    let mut rows = split_rows(text, separator)?;
    if rows.is_empty() {
        return Err("there is no header".into());
    }
    let header = rows.remove(0);
    for (at, row) in rows.iter().enumerate() {
        if row.len() != header.len() {
            return Err(format!("row {} has {} fields and the header {}", at + 1, row.len(), header.len()));
        }
    }
    Ok(Table { header, rows })
}

fn split_rows(text: &str, separator: char) -> Result<Vec<Vec<String>>, String> {
    let mut rows = Vec::new();
    let mut row = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let (field, behind) = take_field(rest, separator).map_err(|fault| format!("row {}: {fault}", rows.len()))?;
        row.push(field);
        if let Some(behind) = behind.strip_prefix("\r\n") {
            rows.push(std::mem::take(&mut row));
            rest = behind;
        } else if let Some(behind) = behind.strip_prefix(separator) {
            rest = behind;
            if rest.is_empty() {
                return Err(format!("row {}: the file ends inside of a line", rows.len()));
            }
        } else {
            let shown: String = behind.chars().take(10).collect();
            return Err(format!("row {}: {shown:?} behind a field", rows.len()));
        }
    }
    if row.is_empty() { Ok(rows) } else { Err("the last line has no end".into()) }
}

/// One field and what stands behind it.
fn take_field(text: &str, separator: char) -> Result<(String, &str), String> {
    let Some(quoted) = text.strip_prefix('"') else {
        let end = text.find([separator, '\r', '\n', '"']).unwrap_or(text.len());
        let (field, behind) = text.split_at(end);
        return if behind.starts_with('"') {
            Err(format!("a quote inside of {field:?}"))
        } else {
            Ok((field.into(), behind))
        };
    };
    let mut field = String::new();
    let mut rest = quoted;
    loop {
        let end = rest.find('"').ok_or("a quoted field has no end")?;
        field.push_str(&rest[..end]);
        rest = &rest[end + 1..];
        let Some(behind) = rest.strip_prefix('"') else { return Ok((field, rest)) };
        field.push('"');
        rest = behind;
    }
}

impl Table {
    /// The field of `row` under `column`.
    pub fn field<'a>(&self, row: &'a [String], column: &str) -> Option<&'a str> {
        let at = self.header.iter().position(|name| name == column)?;
        row.get(at).map(String::as_str)
    }
}

/// A folder that result files are dropped into.
#[derive(Debug)]
pub struct Drops {
    folder: PathBuf,
    /// Every file ever seen under a final name.
    seen: BTreeMap<String, Vec<u8>>,
    rows: usize,
}

impl Drops {
    /// Watches `folder`.
    pub fn new(folder: &Path) -> Drops {
        Drops { folder: folder.to_owned(), seen: BTreeMap::new(), rows: 0 }
    }

    /// Takes in what is new in the folder. A finding for each file that is not whole.
    pub fn look(&mut self) -> Vec<String> {
        let mut findings = Vec::new();
        for (name, path) in self.listing() {
            if self.seen.contains_key(&name) {
                continue;
            }
            let Ok(bytes) = fs::read(path) else { continue };
            match read_file(&bytes) {
                Ok(table) => self.rows += table.rows.len(),
                Err(fault) => findings.push(format!("{name}: {fault}")),
            }
            self.seen.insert(name, bytes);
        }
        findings
    }

    /// Reads every file anew. A finding for each that is not what it was when it was seen first.
    pub fn look_again(&mut self) -> Vec<String> {
        let mut findings = self.look();
        for (name, path) in self.listing() {
            let changed = fs::read(path).is_ok_and(|bytes| self.seen.get(&name) != Some(&bytes));
            if changed {
                findings.push(format!("{name}: is not what it was before"));
            }
        }
        findings
    }

    /// Names and paths of the files that are there now under a final name.
    fn listing(&self) -> Vec<(String, PathBuf)> {
        let Ok(entries) = fs::read_dir(&self.folder) else { return vec![] };
        let named = entries.flatten().map(|entry| (entry.file_name().to_string_lossy().into_owned(), entry.path()));
        named.filter(|(name, _)| is_final(name)).collect()
    }

    /// Rows in all files seen.
    pub fn count(&self) -> usize {
        self.rows
    }

    /// Every file seen, by name.
    pub fn files(&self) -> &BTreeMap<String, Vec<u8>> {
        &self.seen
    }

    /// Rows of every file seen as (file, column -> field), in the order of names and rows.
    pub fn rows(&self) -> Vec<(String, BTreeMap<String, String>)> {
        let mut rows = Vec::new();
        for (name, bytes) in &self.seen {
            let Ok(table) = read_file(bytes) else { continue };
            for row in &table.rows {
                let fields = table.header.iter().cloned().zip(row.iter().cloned()).collect();
                rows.push((name.clone(), fields));
            }
        }
        rows
    }
}

/// Under a final name a file is whole; hidden files and other endings are none of a reader's business.
fn is_final(name: &str) -> bool {
    name.ends_with(".csv") && !name.starts_with('.')
}

fn read_file(bytes: &[u8]) -> Result<Table, String> {
    let text = std::str::from_utf8(bytes).map_err(|error| error.to_string())?;
    if text.is_empty() {
        return Err("is empty".into());
    }
    read_table(text, ',')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quoting_is_read_as_written() {
        let table = read_table("a,\"b \"\"c\"\"\",d\r\n1,\"x,\r\ny\",\r\n,,\r\n", ',').unwrap();
        assert_eq!(table.header, ["a", "b \"c\"", "d"]);
        assert_eq!(table.rows, [["1", "x,\r\ny", ""], ["", "", ""]]);
        assert_eq!(table.field(&table.rows[0], "d"), Some(""));
        assert_eq!(read_table("a;b\r\n1,5;2\r\n", ';').unwrap().rows, [["1,5", "2"]]);
    }

    #[test]
    fn what_is_not_whole_is_refused() {
        for text in [
            "",
            "a,b\r\n1,2",
            "a,b\r\n1,",
            "a,b\r\n1\r\n",
            "a,b\r\n\"1,2\r\n",
            "a,b\n1,2\n",
            "a\r\nx\"y\r\n",
            "a\r\n\"x\"y\r\n",
        ] {
            assert!(read_table(text, ',').is_err(), "{text:?}");
        }
    }

    #[test]
    fn a_file_that_changes_is_found() {
        let folder = tempfile::tempdir().unwrap();
        let mut drops = Drops::new(folder.path());
        fs::write(folder.path().join("1.csv"), "a\r\n1\r\n").unwrap();
        fs::write(folder.path().join(".2.csv"), "a\r\n").unwrap();
        fs::write(folder.path().join("2.csv.part"), "a").unwrap();
        assert_eq!(drops.look(), Vec::<String>::new());
        fs::write(folder.path().join("1.csv"), "a\r\n2\r\n").unwrap();
        fs::write(folder.path().join("3.csv"), "a\r\n2").unwrap();
        assert_eq!(drops.look_again().len(), 2);
        assert_eq!((drops.rows().len(), drops.count()), (1, 1));
    }
}
