//! Instruments of the rig: they number what they say, so that every reading in the store can be held against the one
//! that was sent.

use crate::oracle::{Row, field};

/// Lines with a record number, one value and a check value: damage to a line is always found.
pub const COUNTED: &str = r#"
[instrument]
name = "counted"
description = "rig: numbered lines with a check value"

[framing]
kind = "lines"

[checksum]
kind = "sum"
written = "hex"
after = "*"

[pairs]
pair = "="
between = ";"

[names]
N = "number"
P = "quantity"
V = "value"
U = "unit"

[reading]
required = ["number", "value"]
"#;

/// The same without a check value.
pub const PLAIN: &str = r#"
[instrument]
name = "plain"
description = "rig: numbered lines without a check value"

[framing]
kind = "lines"

[[line]]
pattern = 'no (?<number>\d{6}) (?<quantity>R[az]) (?<value>\d+\.\d{3}) (?<unit>um)'
"#;

/// Exported rows under a heading.
pub const EXPORTED: &str = r#"
[instrument]
name = "exported"
description = "rig: rows of a file"

[framing]
kind = "rows"
quote = "\""

[table]
delimiter = ";"
header = 'No;Part;Ra'

[names]
No = "number"
Part = "part"

[reading]
unit = "µm"
required = ["number", "Ra"]
"#;

/// The digits a numbered reading shows: thousandths, so that a number and its value tell one another.
pub fn digits(number: u64) -> String {
    format!("{}.{:03}", number / 1000, number % 1000)
}

/// A line of [`COUNTED`].
pub fn counted(number: u64) -> Vec<u8> {
    let payload = format!("N={number:06};P=Ra;V={};U=um", digits(number));
    let sum = payload.bytes().fold(0_u8, u8::wrapping_add);
    format!("{payload}*{sum:02X}\r\n").into_bytes()
}

/// A line of [`PLAIN`].
pub fn plain(number: u64) -> Vec<u8> {
    format!("no {number:06} Ra {} um\r\n", digits(number)).into_bytes()
}

/// A file of [`EXPORTED`] with the readings from `first` on.
pub fn exported(first: u64, count: u64) -> Vec<u8> {
    let rows = (first..first + count).map(|number| format!("{number:06};\"P;{number}\";{}\r\n", digits(number)));
    format!("No;Part;Ra\r\n{}", rows.collect::<String>()).into_bytes()
}

/// The number that a stored row of these instruments stands for. `Err` where it is not what was sent under any number.
pub fn number_of(row: &Row) -> Result<u64, String> {
    let (value, as_sent, unit) = (field(row, "value"), field(row, "value_as_sent"), field(row, "unit"));
    let number = value.replace('.', "").parse::<u64>().map_err(|_| format!("{value:?} was not sent"))?;
    if value != digits(number) || as_sent != value || unit != "\u{b5}m" || field(row, "quantity") != "Ra" {
        return Err(format!("{row:?} is not reading {number} as it was sent"));
    }
    Ok(number)
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::corpus::{Piece, play};
    use ridgepost_parsers::Tick;

    fn values(definition: &str, bytes: Vec<u8>) -> Vec<(String, bool)> {
        let compiled = ridgepost_config::instrument(definition, Path::new("rig.toml"));
        let (instrument, _) = compiled.unwrap_or_else(|faults| panic!("{faults:#?}"));
        let played = play(&instrument, &[Piece { at: Tick(0), bytes }]).unwrap();
        let shown = played.readings().map(|reading| (reading.value.unwrap().to_string(), reading.protected));
        shown.collect()
    }

    #[test]
    fn their_messages_are_read_by_their_definitions() {
        assert_eq!(
            values(COUNTED, [counted(17), counted(12_345)].concat()),
            [("0.017".into(), true), ("12.345".into(), true)]
        );
        assert_eq!(values(PLAIN, plain(17)), [("0.017".into(), false)]);
        assert_eq!(values(EXPORTED, exported(9, 2)), [("0.009".into(), false), ("0.010".into(), false)]);
    }
}
