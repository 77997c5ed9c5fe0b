//! Rows of a result as a sheet of text: RFC 4180, CR LF, header; what differs is the sink's to say.

use ridgepost_config::CsvSink;

use crate::store::{FIELDS, fields::position};

/// Fields whose decimal mark is the sink's.
const NUMBERS: &[&str] = &["value", "lower", "upper", "cutoff_mm", "lambda_s_um"];

/// A file in the making. The text of an error says why these rows can't be written this way.
pub struct Sheet<'a> {
    sink: &'a CsvSink,
    /// Position of each column among the fields, and whether its decimal mark is the sink's.
    columns: Vec<(usize, bool)>,
    writer: csv::Writer<Vec<u8>>,
}

impl<'a> Sheet<'a> {
    /// A file that holds its heading.
    pub fn begin(sink: &'a CsvSink) -> Result<Self, String> {
        let names: Vec<&str> = match sink.columns.as_slice() {
            [] => FIELDS.iter().map(|(name, _)| *name).collect(),
            chosen => chosen.iter().map(String::as_str).filter(|name| position(name).is_some()).collect(),
        };
        let columns = names.iter().filter_map(|name| Some((position(name)?, NUMBERS.contains(name)))).collect();
        let separator =
            u8::try_from(sink.separator).map_err(|_| format!("separator `{}` is not ASCII", sink.separator))?;
        let mut writer =
            csv::WriterBuilder::new().delimiter(separator).terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        writer.write_record(&names).map_err(|error| error.to_string())?;
        Ok(Sheet { sink, columns, writer })
    }

    /// One more row: every field of a result in their order, empty where unknown.
    pub fn add(&mut self, row: &[String]) -> Result<(), String> {
        let write = |writer: &mut csv::Writer<Vec<u8>>, (at, is_number): (usize, bool)| {
            let text = row.get(at).map_or("", String::as_str);
            if is_number && self.sink.decimal != '.' {
                writer.write_field(text.replace('.', &self.sink.decimal.to_string()))
            } else if is_number || !runs_as_formula(text) {
                writer.write_field(text)
            } else {
                writer.write_field(format!("'{text}"))
            }
        };
        for column in &self.columns {
            write(&mut self.writer, *column).map_err(|error| error.to_string())?;
        }
        self.writer.write_record(None::<&[u8]>).map_err(|error| error.to_string())
    }

    /// The bytes of the file.
    pub fn finish(self) -> Result<Vec<u8>, String> {
        encode(&self.sink.encoding, self.writer.into_inner().map_err(|error| error.to_string())?)
    }
}

/// Whether a spreadsheet would run a text: it starts like a formula and is no number (common practice, no source).
fn runs_as_formula(text: &str) -> bool {
    text.starts_with(['=', '+', '-', '@', '\t', '\r']) && !is_number(text)
}

fn is_number(text: &str) -> bool {
    let plain: String = text.chars().filter(|c| !c.is_whitespace()).map(|c| if c == ',' { '.' } else { c }).collect();
    ridgepost_parsers::Value::parse(&plain).is_ok()
}

fn encode(label: &str, text: Vec<u8>) -> Result<Vec<u8>, String> {
    if label.eq_ignore_ascii_case("utf-8") {
        return Ok(text);
    }
    let encoding =
        encoding_rs::Encoding::for_label(label.as_bytes()).ok_or_else(|| format!("unknown encoding `{label}`"))?;
    let text = String::from_utf8(text).map_err(|error| error.to_string())?;
    let (bytes, _, lost) = encoding.encode(&text);
    if lost {
        return Err(format!("the text holds characters that {label} does not have"));
    }
    Ok(bytes.into_owned())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;
    use ridgepost_config::Per;

    fn sink() -> CsvSink {
        CsvSink {
            folder: "/nowhere".into(),
            per: Per::Reading,
            kinds: Vec::new(),
            columns: ["seq", "value", "value_as_sent", "feature"].map(str::to_owned).to_vec(),
            separator: ',',
            rows_max: 50_000,
            decimal: '.',
            encoding: "utf-8".into(),
            name: "{seq}.csv".into(),
            ok_file: false,
            marker: None,
        }
    }

    fn row(cells: &[(&str, &str)]) -> Vec<String> {
        let mut row = vec![String::new(); FIELDS.len()];
        for (name, text) in cells {
            row[position(name).unwrap()] = (*text).to_owned();
        }
        row
    }

    fn render(sink: &CsvSink, rows: &[Vec<String>]) -> Result<Vec<u8>, String> {
        let mut sheet = Sheet::begin(sink)?;
        rows.iter().try_for_each(|row| sheet.add(row))?;
        sheet.finish()
    }

    fn text(sink: &CsvSink, cells: &[(&str, &str)]) -> String {
        String::from_utf8(render(sink, &[row(cells)]).unwrap()).unwrap()
    }

    #[test]
    fn quoting_and_line_ends_follow_rfc_4180() {
        let cells = [("seq", "7"), ("value", "-0.003"), ("value_as_sent", "-0000.003"), ("feature", "bore \"A\", Ø25")];
        let expected = "seq,value,value_as_sent,feature\r\n7,-0.003,-0000.003,\"bore \"\"A\"\", Ø25\"\r\n";
        assert_eq!(text(&sink(), &cells), expected);
    }

    #[test]
    fn formulas_are_defused_and_numbers_are_not() {
        for (sent, expected) in [
            ("+0012.347", "+0012.347"),
            ("-0,02", "\"-0,02\""),
            ("+ 4.120E-07", "+ 4.120E-07"),
            ("-----", "'-----"),
            ("=1+1", "'=1+1"),
            ("+1+cmd()", "'+1+cmd()"),
            ("@SUM(A1)", "'@SUM(A1)"),
            ("-2*A1", "'-2*A1"),
        ] {
            let text = text(&sink(), &[("value_as_sent", sent)]);
            assert_eq!(text.lines().nth(1).unwrap(), format!(",,{expected},"), "{sent}");
        }
    }

    #[test]
    fn decimal_mark_separator_and_encoding_are_the_sink_s() {
        let mut sink = sink();
        (sink.separator, sink.decimal, sink.encoding) = (';', ',', "windows-1252".into());
        let bytes =
            render(&sink, &[row(&[("seq", "7"), ("value", "0.820"), ("value_as_sent", "0.820"), ("feature", "ø25")])])
                .unwrap();
        assert!(bytes.ends_with(b"7;0,820;0.820;\xf825\r\n"), "{bytes:?}");
        assert!(render(&sink, &[row(&[("feature", "λ")])]).is_err());
    }
}
