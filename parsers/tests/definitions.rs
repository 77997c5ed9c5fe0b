//! What definitions mean: for each, bytes and what every frame of them becomes.
//!
//! A frame is shown as `outcome reason | readings | remarks`; a reading as `quantity=value unit` with what goes
//! with it in braces. `Residue` frames are not shown, and `unprotected` is left out where nothing else is asked.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod shown;

use ridgepost_parsers::{Decoded, LimitMeant, Remark, Tick, Verdict, examine};
use shown::{fault, instrument, says, says_over_time, told};

const LINE: &str = r#"
[[line]]
pattern = '(?<quantity>\S+) (?<value>\S+) (?<unit>\S+)'
"#;

#[test]
fn lines_end_with_anything_or_with_what_is_declared() {
    let input = b"\r\n\r\nRa 0.412 um\rRa 0.413 um\nRa 0.414 um\r\n\n  \r\nRa 0.415 um";
    says(LINE, input, &["ok | Ra=0.412 µm", "ok | Ra=0.413 µm", "ok | Ra=0.414 µm", "incomplete cut-off"]);
    let strict = format!("[framing]\nterminator = \"\\r\\n\"\n{LINE}");
    says(
        &strict,
        b"\r\nRa 0.412 um\rRa 0.413 um\r\nRa 0.414 um\r\n",
        &["damaged number | suspect-terminator", "ok | Ra=0.414 µm"],
    );
    let semicolon = format!("[framing]\nterminator = \";\"\n{LINE}");
    says(&semicolon, b";Ra 0.412 um;\r\n;Ra 0.413 um;", &["ok | Ra=0.412 µm", "ok | Ra=0.413 µm"]);
}

#[test]
fn the_bad_field_is_told() {
    for (input, expected) in [
        (&b"Ra 0.4x2 um\n"[..], "damaged number"),
        (b"Ra 0,412 um\n", "damaged number | suspect-decimal-mark"),
        (b"Ra 0.412 furlong\n", "damaged unit"),
        (b"Ra 0.412 %\n", "damaged unit"),
        (b"Rx 0.412 um\n", "damaged missing-field"),
        (b"0.412 um\n", "damaged missing-field"),
        (b"Ra 0.412 \xe6m\n", "damaged encoding | suspect-encoding"),
        (b"Ra\x000.412 um\n", "damaged noise"),
        (b"\xd2\xe1\xa00.\xb4\xb1\xb2\xa0\xf5\xed\x8d\n", "damaged encoding | suspect-parity"),
    ] {
        says(LINE, input, &[expected]);
    }
    let strict = r#"
[[line]]
pattern = '(?<Ra>\d\.\d{3}) (?<Ra.unit>um|nm)'
"#;
    says(strict, b"0.41 um\n0.412 uq\n", &["damaged number", "damaged unit"]);
}

#[test]
fn a_wrong_encoding_is_suspected() {
    let utf8 = "[text]\nencoding = \"utf-8\"\n[[line]]\npattern = '(?<quantity>R\\S) (?<value>\\S+) (?<unit>µm)'\n";
    says(utf8, b"Ra 0.412 \xb5m\n", &["damaged encoding | suspect-encoding"]);
    let latin = utf8.replace("utf-8", "latin-1");
    says(&latin, "Ra 0.412 µm\n".as_bytes(), &["damaged unit | suspect-encoding"]);
    let comma = CSV.replace("[table]", "[text]\nencoding = \"latin-1\"\n[table]");
    says(&comma, "Nr;Ra [µm]\n".as_bytes(), &["damaged unit | suspect-encoding"]);
}

#[test]
fn a_known_line_outside_of_a_block_is_no_noise() {
    let definition = format!(
        "{BLOCK}[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<number>\\d) (?<Ra>\\S+)'\n[[line]]\npattern = 'DUMP'\nignore = true\n"
    );
    says(&definition, b"DUMP\r\nBEGIN 1\r\n1 0.4\r\nEND\r\n", &["ok", "ok | Ra=0.4 µm {no:1}"]);
    says(&definition, b"DUMQ\r\nBEGIN 1\r\n1 0.4\r\nEND\r\n", &["damaged noise", "ok | Ra=0.4 µm {no:1}"]);
}

#[test]
fn a_cut_before_a_restart_is_remembered() {
    let definition = "[reading]\nquantity = \"L\"\nunit = \"mm\"\n[[line]]\npattern = '(?<value>\\d+\\.\\d{3})'\n";
    let instrument = instrument(definition);
    let (mut framer, mut decoder) = (instrument.framer(), instrument.decoder());
    decoder.remember_cut(b"1");
    framer.push(b"2.347\r\n3.000\r\n", Tick(0));
    let told: Vec<_> = std::iter::from_fn(|| framer.poll()).map(|frame| decoder.decode(&frame)).collect();
    assert_eq!(told[0].reason, Some(ridgepost_parsers::Reason::CutOff));
    assert_eq!(told[1].readings.len(), 1);
}

#[test]
fn ambiguous_numbers_are_never_read() {
    let both = format!("[numbers]\ndecimal = \".,\"\ngrouping = \",.\"\n{LINE}");
    says(&both, b"L 1,234 mm\nL 1,23 mm\n", &["damaged ambiguous-number", "ok | L=1.23 mm"]);
}

#[test]
fn numbers_come_in_many_forms() {
    let spaced = format!(
        "[names]\nRA = \"Ra\"\n[units]\nM = \"m\"\n[numbers]\nsign = \"spaced\"\nexponent = true\n{}",
        "[[line]]\npattern = '(?<quantity>[A-Z]+) = (?<value>.+) (?<unit>M)'"
    );
    says(&spaced, b"RA = + 4.120E-07 M\r\n", &["ok | Ra=0.0000004120 m"]);
    let implied = r#"
[reading]
quantity = "L"
unit = "mm"
[numbers]
sign = "after"
[[line]]
pattern = 'ch(?<channel>\d)d(?<decimals>\d) (?<value>\d{8}[+-])'
"#;
    says(
        implied,
        b"ch1d3 00001234-\rch2d4 00123456+\r",
        &["ok | L=-1.234 mm {channel:1}", "ok | L=12.3456 mm {channel:2}"],
    );
    let keyboard = r#"
[reading]
quantity = "L"
unit = "mm"
[numbers]
decimal = ",."
leading_point = true
[[line]]
pattern = '(?<value>\S+)'
"#;
    says(
        keyboard,
        b"0,412\r.415\r-0,02\r1,2,3\r",
        &["ok | L=0.412 mm", "ok | L=0.415 mm", "ok | L=-0.02 mm", "damaged number"],
    );
}

#[test]
fn echoes_and_events_hold_no_reading() {
    let poll = r#"
[reading]
quantity = "Ra"
[units]
UM = "µm"
[[line]]
pattern = 'M\?'
ignore = true
[[line]]
pattern = 'M (?<value>\S+),(?<unit>\S+)'
[[line]]
pattern = 'E (?<code>\d+)'
event = "instrument-error"
[[line]]
pattern = 'LOWBAT'
event = "battery-low"
"#;
    says(
        poll,
        b"M?\rM 0.412,UM\r\nM?\rE 21\r\nLOWBAT\r\n",
        &["ok", "ok | Ra=0.412 µm", "ok", "ok | instrument-error", "ok | battery-low"],
    );
}

#[test]
fn utf_16_comes_in_lines() {
    let utf16 = r#"
[text]
encoding = "utf-16le"
[framing]
kind = "rows"
[numbers]
decimal = ","
[table]
delimiter = "\t"
header = 'Nr\t.*'
heading = '(?<quantity>\S+) \((?<unit>\S+)\)'
[names]
Nr = "number"
"#;
    let text = "\u{feff}Nr\tRa (µm)\r\n1\t0,412\r\n2\t0,398\r\n";
    let bytes: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    says(utf16, &bytes, &["ok", "ok | Ra=0.412 µm {no:1}", "ok | Ra=0.398 µm {no:2}"]);
}

const STX: &str = r#"
[framing]
kind = "block"
start = "\u0002"
end = "\u0003"
"#;

#[test]
fn checksums_come_in_many_forms() {
    let value = "[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<quantity>R\\S)=(?<value>\\S+)'\n";
    // The sum of `Ra=0.412` is 0x1E5; with STX and ETX 0x1EA.
    let lrc = format!("{STX}[checksum]\nkind = \"lrc\"\ncovers = \"start+payload+end\"\nwritten = \"hex\"\n{value}");
    says(&lrc, b"\x02Ra=0.412\x0316\x02Ra=0.413\x0316", &["ok | Ra=0.412 µm", "damaged checksum"]);
    let decimal = format!("{STX}[checksum]\nkind = \"sum\"\nwritten = \"decimal\"\n{value}");
    says(&decimal, b"\x02Ra=0.412\x03229\x02Ra=0.412\x032x9", &["ok | Ra=0.412 µm", "damaged checksum"]);
    let star = format!(
        "[framing]\nkind = \"lines\"\nstart = \"$\"\n[checksum]\nkind = \"xor\"\nwritten = \"hex\"\nafter = \"*\"\n{value}"
    );
    // Exclusive or of `Ra=0.412`: 52^61^3D^30^2E^34^31^32 = 27.
    says(
        &star,
        b"$Ra=0.412*27\r\nRa=0.412*27\r\n$Ra=0.412\r\n$Ra=0.415*27\r\n",
        &["ok | Ra=0.412 µm", "damaged start-mark", "damaged checksum", "damaged checksum"],
    );
}

#[test]
fn a_block_of_lines_may_end_with_its_check_value() {
    // Behind BEGIN CR LF stands `1 0.4` CR LF: 31+20+30+2E+34+0D+0A = FA (hexadecimal).
    let definition = format!(
        "{}[checksum]\nkind = \"sum\"\nwritten = \"hex\"\nafter = \"#\"\n{}",
        BLOCK.replace(" (?<count>\\d+)", ""),
        "[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<number>\\d) (?<Ra>\\S+)'\n"
    );
    says(&definition, b"BEGIN\r\n1 0.4\r\n#FA\r\nEND\r\n", &["ok | Ra=0.4 µm {no:1}"]);
    says(&definition, b"BEGIN\r\n1 0.5\r\n#FA\r\nEND\r\n", &["damaged checksum"]);
    says(
        &definition,
        b"BEGIN\r\n1 0.4\r\nBEGIN\r\n1 0.4\r\n#FA\r\nEND\r\n",
        &["incomplete cut-off", "ok | Ra=0.4 µm {no:1}"],
    );
}

#[test]
fn a_check_byte_is_never_a_mark() {
    let definition = format!(
        "{STX}[checksum]\nkind = \"sum\"\nwritten = \"byte\"\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<quantity>R\\S)=(?<value>\\S+)'\n"
    );
    for wanted in [b'\r', b'\n', 2, 3] {
        let found = (100_000_000..100_001_000).find_map(|number| {
            let payload = format!("Ra={number}.0");
            (payload.bytes().fold(0_u8, u8::wrapping_add) == wanted).then_some((number, payload))
        });
        let Some((number, payload)) = found else { panic!("no number makes {wanted}") };
        let frame = [b"\x02", payload.as_bytes(), &[3, wanted]].concat();
        let twice = [&frame[..], b"\r\n", &frame].concat();
        let reading = format!("ok | Ra={number}.0 µm");
        says(&definition, &twice, &[&reading, &reading]);
    }
}

#[test]
fn a_start_mark_within_a_frame_restarts_only_a_protected_one() {
    let value = "[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<quantity>R\\S)=(?<value>\\S+)'\n";
    let bare = format!("{STX}{value}");
    says(&bare, b"\x02Ra=0.4\x02Ra=0.412\x03\x02Ra=0.413\x03", &["damaged end-mark", "ok | Ra=0.413 µm"]);
    let checked = format!("{STX}[checksum]\nkind = \"sum\"\nwritten = \"hex\"\n{value}");
    says(&checked, b"\x02Ra=0.4\x02Ra=0.412\x03E5", &["incomplete cut-off", "ok | Ra=0.412 µm"]);
}

#[test]
fn bytes_outside_marks_are_noise_and_fill_is_not() {
    let bare = format!("{STX}[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<quantity>R\\S)=(?<value>\\S+)'\n");
    says(
        &bare,
        b"\r\n \x02Ra=0.412\x03\r\nxx\x02Ra=0.413\x03\r\n",
        &["ok | Ra=0.412 µm", "damaged noise", "ok | Ra=0.413 µm"],
    );
    says(&bare, b"nothing of ours", &["damaged noise"]);
    says(&bare, b"\x02\x03\x02Ra=0.413\x03", &["ok", "ok | Ra=0.413 µm"]);
}

#[test]
fn a_lost_tail_costs_one_frame() {
    let definition = format!("{STX}tail = \"\\r\\n\"\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\S+)'\n");
    says(
        &definition,
        b"\x020.412\x03\r\n\x020.413\x03\x020.414\x03\r\n\x020.415\x03\r",
        &["ok | Ra=0.412 µm", "damaged end-mark", "ok | Ra=0.414 µm", "incomplete cut-off"],
    );
}

#[test]
fn frames_of_fixed_length_find_their_step_again() {
    let definition = r##"
[framing]
kind = "length"
length = 8
start = "#"
end = "\r"
[reading]
unit = "µm"
[[line]]
pattern = '(?<Ra>\d\.\d{4})'
"##;
    says(
        definition,
        b"#0.4120\r#0.413\r#0.4140\r#0.4150\rx#0.4160\r",
        &["ok | Ra=0.4120 µm", "damaged length", "ok | Ra=0.4150 µm", "damaged noise", "ok | Ra=0.4160 µm"],
    );
}

#[test]
fn silence_ends_frames() {
    let definition = r#"
[framing]
kind = "gap"
gap_ms = 80
[reading]
unit = "µm"
[[line]]
pattern = '(?<Ra>\d\.\d+)'
"#;
    says_over_time(
        definition,
        &[(0, b"0.4"), (60, b"12"), (150, b"0.413"), (230, b"0.414")],
        &["ok | Ra=0.412 µm", "ok | Ra=0.413 µm", "ok | Ra=0.414 µm"],
    );
}

#[test]
fn the_rest_of_a_cut_frame_is_never_taken_for_a_whole_one() {
    let definition = "[reading]\nquantity = \"L\"\nunit = \"mm\"\n[[line]]\npattern = '(?<value>\\d+\\.\\d{3})'\n";
    says_over_time(
        definition,
        &[(0, b"1"), (5_000, b"2.347\r\n"), (6_000, b"3.000\r\n")],
        &["incomplete cut-off", "damaged cut-off", "ok | L=3.000 mm"],
    );
    says_over_time(definition, &[(0, b"12.3"), (5_000, b"12.347\r\n")], &["incomplete cut-off", "ok | L=12.347 mm"]);
    // Within the idle time the pieces are one line.
    says_over_time(definition, &[(0, b"1"), (1_999, b"2.347\r\n")], &["ok | L=12.347 mm"]);
}

#[test]
fn too_long_frames_are_bounded_and_the_next_one_is_read() {
    let definition = format!("[framing]\nbytes_max = 32\n{LINE}");
    let input = [&[b'x'; 100][..], b"\nRa 0.412 um\n"].concat();
    let told = told(&instrument(&definition), &[(Tick(0), input)]);
    assert_eq!(told.first().map(String::as_str), Some("damaged too-long"));
    assert_eq!(told.last().map(String::as_str), Some("ok | Ra=0.412 µm"));
    assert!(told[..told.len() - 1].iter().all(|line| line == "damaged too-long"), "{told:?}");
}

const BLOCK: &str = r#"
[framing]
kind = "block"
start_line = 'BEGIN (?<count>\d+)'
end_line = 'END'
"#;

#[test]
fn blocks_hold_as_many_records_as_they_state() {
    let lines = "[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<number>\\d) (?<Ra>\\S+)'\n";
    let definition = format!("{BLOCK}{lines}");
    says(&definition, b"BEGIN 2\r\n1 0.4\r\n2 0.5\r\nEND\r\n", &["ok | Ra=0.4 µm {no:1}, Ra=0.5 µm {no:2}"]);
    says(&definition, b"BEGIN 3\r\n1 0.4\r\n2 0.5\r\nEND\r\n", &["damaged count"]);
    says(&definition, b"BEGIN 0\r\nEND\r\n", &["ok"]);
    says(&definition, b"BEGIN 2\r\n1 0.4\r\n2 0.x\r\nEND\r\n", &["damaged number"]);
    says(&definition, b"BEGIN 2\r\n1 0.4\r\nBEGIN 2\r\n1 0.4\r\n2 0.5\r\nEND\r\n", &["damaged end-mark"]);
    says(&definition, b"BEGIN 2\r\n1 0.4\r\n", &["incomplete cut-off"]);
    says(&definition, b"1 0.4\r\nBEGIN 1\r\n2 0.5\r\nEND\r\n", &["damaged noise", "ok | Ra=0.5 µm {no:2}"]);
}

#[test]
fn fields_of_a_block_go_to_its_records() {
    let definition = r#"
[framing]
kind = "block"
end = "\f"
[reading]
unit = "µm"
[[line]]
pattern = 'batch (?<program>\d+)'
[[line]]
pattern = 'no (?<number>\d+) cut (?<cutoff>.+)'
starts_record = true
[[line]]
pattern = '(?<quantity>R\S) (?<value>\S+)'
"#;
    says(
        definition,
        b"batch 7\nno 1 cut 0.80 mm\nRa 0.4\nRz 2.8\nno 2 cut 0.25 mm\nRa 0.1\n\x0c",
        &["ok | Ra=0.4 µm {no:1 program:7 cutoff:0.80 mm}, Rz=2.8 µm {no:1 program:7 cutoff:0.80 mm}, \
           Ra=0.1 µm {no:2 program:7 cutoff:0.25 mm} | settings-changed"],
    );
    says(definition, b"batch 7\nbatch 8\nRa 0.4\n\x0c", &["damaged sanity"]);
    says(definition, b"batch 7\nRa 0.4\nRa 0.5\n\x0c", &["damaged sanity"]);
    says(definition, b"batch 7\n\x0c", &["damaged missing-field"]);
    says(definition, b"batch 7\nRa 0.4\nwhat is this\n\x0c", &["damaged missing-field"]);
    let again = definition.replace("[[line]]\npattern = 'batch", "quantity_again = true\n[[line]]\npattern = 'batch");
    says(&again, b"batch 7\nRa 0.4\nRa 0.5\n\x0c", &["ok | Ra=0.4 µm {program:7}, Ra=0.5 µm {program:7}"]);
}

#[test]
fn pairs_are_read_by_key() {
    let definition = r#"
[pairs]
pair = "="
between = ";"
[names]
P = "quantity"
V = "value"
U = "unit"
[labels.de]
Nummer = "number"
"#;
    says(definition, b"Nummer=7;P=Ra;V=0.4;U=um;T=21.5;\n", &["ok | Ra=0.4 µm {no:7 T:21.5}"]);
    says(definition, b"P=Ra;P=Ra;V=0.4;U=um\nT=1;T=2;P=Ra;V=1;U=um\n", &["damaged sanity", "damaged sanity"]);
    says(
        definition,
        b"T=21.5\nP=Ra;V=0.4\nP=Ra;V;U=um\n",
        &["damaged missing-field", "damaged unit", "damaged missing-field"],
    );
    let measured =
        "[pairs]\npair = \":\"\nbetween = \",\"\n[field.Ra]\nunit_in_text = true\n[field.Rz]\nunit = \"µm\"\n";
    says(measured, b"Ra: 0.412um, Rz: 2.870\nRa: 0.412\n", &["ok | Ra=0.412 µm, Rz=2.870 µm", "damaged unit"]);
}

const CSV: &str = r#"
[framing]
kind = "rows"
[table]
delimiter = ";"
header = 'Nr;.*'
heading = '(?<quantity>\S+) \[(?<unit>\S+)\]'
[names]
Nr = "number"
Teil = "part"
Urteil = "verdict"
[verdicts]
OK = "in"
"#;

#[test]
fn headers_may_come_again_in_another_order() {
    says(
        CSV,
        "Nr;Teil;Ra [um];Rz [um]\n1;A;0.4;2.8\nNr;Rz [um];Teil;Ra [nm]\n2;2.9;B;398\n".as_bytes(),
        &[
            "ok",
            "ok | Ra=0.4 µm {no:1 part:A}, Rz=2.8 µm {no:1 part:A}",
            "ok",
            "ok | Rz=2.9 µm {no:2 part:B}, Ra=398 nm {no:2 part:B}",
        ],
    );
    says(CSV, b"1;0.4\nNr;Ra [um]\n2;0.5\n", &["damaged missing-field", "ok", "ok | Ra=0.5 µm {no:2}"]);
    says(CSV, b"Nr;Ra [um]\n1;0.4;7\n2\n3;0.5\n", &["ok", "damaged count", "damaged count", "ok | Ra=0.5 µm {no:3}"]);
    says(CSV, b"Nr;Ra [furlong]\n1;0.4\n", &["damaged unit", "damaged missing-field"]);
    says(CSV, b"Nr;Nr;Ra [um]\n1;1;0.4\n", &["damaged sanity", "damaged missing-field"]);
    says(CSV, b"Nr;Ra [um];Temp [C];Urteil\n1;0.4;21;OK\n", &["ok", "ok | Ra=0.4 µm {verdict:OK no:1 Temp [C]:21}"]);
    says(CSV, b"Nr;Ra [um]\n1;\n", &["ok", "damaged number"]);
    // A heading that lost a letter must not leave the rows under it to the heading before.
    says(
        CSV,
        b"Nr;Ra [um];Rz [um]\n1;0.4;2.8\nNx;Rz [um];Ra [um]\n2;2.9;0.5\n",
        &["ok", "ok | Ra=0.4 µm {no:1}, Rz=2.8 µm {no:1}", "damaged number", "damaged missing-field"],
    );
}

#[test]
fn the_last_row_counts_only_with_its_line_end() {
    says(CSV, b"Nr;Ra [um]\n1;2.87", &["ok", "incomplete cut-off"]);
    let lenient = CSV.replace("kind = \"rows\"", "kind = \"rows\"\nunterminated_last_row = true");
    says(&lenient, b"Nr;Ra [um]\n1;2.87", &["ok", "ok | Ra=2.87 µm {no:1}"]);
}

#[test]
fn tables_without_header_have_declared_columns() {
    let long = r#"
[table]
delimiter = ","
columns = ["number", "quantity", "value", "unit", "verdict", "station"]
[verdicts]
OK = "in"
"#;
    says(long, b"1,Ra,0.4,um,OK,A\n", &["ok | Ra=0.4 µm {verdict:OK no:1 station:A}"]);
    let wide = r#"
[reading]
unit = "µm"
[field."Rmr(0.5)"]
unit = "%"
[table]
delimiter = ","
columns = ["number", "Ra", "Ra.verdict", "Ra.limit_upper", "Rsk", "Rmr(0.5)"]
[verdicts]
OUT = "out"
"#;
    says(
        wide,
        b"1,0.4,OUT,0.3,-1.2,55\n",
        &["ok | Ra=0.4 µm {verdict:OUT upper:0.3 no:1}, Rsk=-1.2 1 {no:1}, Rmr(0.5)=55 % {no:1}"],
    );
}

/// A word that nobody has explained is neither a pass nor a failure: it is kept and remarked upon.
#[test]
fn verdicts_that_are_not_listed_mean_nothing() {
    let definition = |verdicts: &str| {
        format!("[table]\ndelimiter = \",\"\ncolumns = [\"Ra\", \"verdict\"]\n[reading]\nunit = \"µm\"\n{verdicts}")
    };
    let listed = definition("[verdicts]\nIN = \"in\"\nOUT = \"out\"\n");
    for (line, meaning, shown) in [
        ("0.4,IN\n", Some(Verdict::In), "ok | Ra=0.4 µm {verdict:IN}"),
        ("0.4,OUT\n", Some(Verdict::Out), "ok | Ra=0.4 µm {verdict:OUT}"),
        ("0.4,In\n", None, "ok | Ra=0.4 µm {verdict:In} | verdict-unknown"),
        ("0.4,INOUT\n", None, "ok | Ra=0.4 µm {verdict:INOUT} | verdict-unknown"),
        ("0.4,\n", None, "ok | Ra=0.4 µm"),
    ] {
        says(&listed, line.as_bytes(), &[shown]);
        let found = examine(&instrument(&listed), &[(Tick(0), line.as_bytes().to_vec())]);
        assert_eq!(found[0].1.readings[0].verdict, meaning, "{line}");
        let told = found[0].1.detail.as_ref().is_some_and(|detail| detail.contains("`verdicts`"));
        assert_eq!(told, shown.contains("verdict-unknown"), "{:?}", found[0].1.detail);
    }
    says(&definition(""), b"0.4,IN\n", &["ok | Ra=0.4 µm {verdict:IN} | verdict-unknown"]);
}

/// A scale that the instrument converted from: by the definition or by the message. Its own scale is no other one.
#[test]
fn converted_hardness_says_what_it_was_measured_in() {
    let definition = |more: &str| {
        format!(
            "[[line]]\npattern = '(?<hardness>\\S+) (?<unit>\\S+)( by (?<converted_from>\\S+))?( raw (?<raw>\\S+))?'\n{more}"
        )
    };
    let declared = definition("[field.hardness]\nconverted_from = \"HLD\"\n");
    for (definition, line, from) in [
        (definition(""), "60.3 HRC", None),
        (definition(""), "60.3 HRC by HLD raw 785", Some("HLD")),
        (definition(""), "60.3 HRC by HRC", None),
        (declared.clone(), "60.3 HRC", Some("HLD")),
        (declared, "60.3 HRC by HV", Some("HV")),
    ] {
        let found = examine(&instrument(&definition), &[(Tick(0), format!("{line}\n").into_bytes())]);
        let reading = &found[0].1.readings[0];
        assert_eq!(reading.converted_from.as_deref(), from, "{line}");
        assert_eq!(reading.value_as_sent, "60.3", "never converted here");
        let raw = reading.other.get("raw").map(String::as_str);
        assert_eq!(raw, line.contains("raw").then_some("785"), "raw beside rounded");
        let shown = serde_json::to_value(reading).unwrap();
        assert_eq!(shown["other"].get("converted_from").and_then(|from| from.as_str()), from);
    }
    let of_length = "[[line]]\npattern = '(?<Ra>\\S+)'\n[field.Ra]\nunit = \"um\"\nconverted_from = \"mil\"\n";
    assert!(fault(of_length).contains("only a hardness"), "{}", fault(of_length));
}

/// Limits of the instrument are kept to the letter, and understood where they are numbers.
#[test]
fn limits_of_the_instrument_have_the_unit_of_their_value_or_their_own() {
    let definition = "[[line]]\npattern = '(?<Ra>\\S+) (?<unit>\\S+) lim (?<limit_lower>.*) to (?<limit_upper>.*)'\n";
    for (line, lower, upper) in [
        ("0.4 um lim 0.2 to 0.800", Some("0.2 µm"), Some("0.800 µm")),
        ("400 nm lim 200 to 0.8 um", Some("200 nm"), Some("0.8 µm")),
        ("400 nm lim 0.2um to 31.5uin", Some("0.2 µm"), Some("31.5 µin")),
        ("0.4 um lim --- to 0,8", None, None),
        ("0.4 um lim  to 0.8 furlong", None, None),
    ] {
        let found = examine(&instrument(definition), &[(Tick(0), format!("{line}\n").into_bytes())]);
        let limits = &found[0].1.readings[0].instrument_limits;
        let shown = |meant: Option<LimitMeant>| meant.map(|meant| format!("{} {}", meant.value, meant.unit));
        assert_eq!(
            (shown(limits.lower_meant).as_deref(), shown(limits.upper_meant).as_deref()),
            (lower, upper),
            "{line}"
        );
    }
}

/// The other byte order, with a byte order mark or without one, in any length: a hint names it, and nothing is read.
#[test]
fn utf_16_of_the_other_order_is_recognised() {
    let texts = ["1,0.4\r\n", "1,0.4\r\n2,0.5\r\n", "\u{feff}1,0.4\r\n", &"1,0.4\r\n".repeat(2_000)];
    for (kind, text) in texts.iter().flat_map(|text| [("lines", text), ("rows", text)]) {
        let le: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let be: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
        for (declared, sent, other) in [("utf-16le", &be, "utf-16be"), ("utf-16be", &le, "utf-16le")] {
            let definition = format!(
                "[text]\nencoding = \"{declared}\"\n[framing]\nkind = \"{kind}\"\n[table]\ndelimiter = \",\"\n\
                 columns = [\"number\", \"Ra\"]\n[reading]\nunit = \"µm\"\n"
            );
            let found = examine(&instrument(&definition), &[(Tick(0), sent.clone())]);
            assert!(found.iter().all(|(_, decoded)| decoded.readings.is_empty()), "{declared} {kind}: {found:?}");
            let hinted = |decoded: &Decoded| {
                decoded.remarks.contains(&Remark::SuspectEncoding)
                    && decoded.detail.as_ref().is_some_and(|detail| detail.contains(other))
            };
            assert!(found.iter().any(|(_, decoded)| hinted(decoded)), "{declared} {kind}: {found:?}");
        }
    }
}

#[test]
fn a_file_counts_its_rows() {
    let definition = format!("{CSV}[[line]]\npattern = 'rows (?<count>\\d+)'\n");
    says(&definition, b"Nr;Ra [um]\n1;0.4\nrows 1\n", &["ok", "ok | Ra=0.4 µm {no:1}", "ok"]);
    says(&definition, b"Nr;Ra [um]\n1;0.4\nrows 2\n", &["ok", "ok | Ra=0.4 µm {no:1}", "damaged count"]);
}

#[test]
fn marks_stand_in_place_of_numbers_or_beside_them() {
    let definition = r#"
[[line]]
pattern = '(?<quantity>R\S) (?<value>\S+)( (?<unit>um))?'
[[mark]]
pattern = 'E(?<code>\d\d)'
means = "error"
[[mark]]
pattern = '<+'
means = "under"
[[mark]]
pattern = '~(?<value>.+)'
means = "unstable"
"#;
    says(
        definition,
        b"Ra E05\nRa <<< um\nRa ~0.412 um\nRa ~x um\nRa 0.412\n",
        &[
            "ok | Ra=<error> {code:05}",
            "ok | Ra=<under> µm",
            "ok | Ra=0.412<unstable> µm",
            "damaged number",
            "damaged unit",
        ],
    );
}

#[test]
fn times_are_never_completed() {
    let definition = r#"
[reading]
unit = "µm"
[[line]]
pattern = '(?<date>\S+) ((?<time>\S+) )?(?<Ra>\S+)'
[field.date]
format = "D.M.YY"
[field.time]
format = "hh:mm p"
"#;
    let definition = definition.replace("((?<time>\\S+) )?", "((?<time>\\S+ .M) )?");
    says(
        &definition,
        b"2.3.26 0.4\n2.3.26 02:07 PM 0.4\n31.2.26 0.4\n",
        &["ok | Ra=0.4 µm {time:2026-03-02}", "ok | Ra=0.4 µm {time:2026-03-02T14:07}", "damaged sanity"],
    );
    // A time that can't be read is told, whether its format is declared or not; it never stands in a result as sent.
    let line = "[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<time>\\S+) (?<Ra>\\S+)'\n";
    says(
        line,
        b"14:07 0.4\n14h07 0.4\n25:07 0.4\nnoon 0.4\n",
        &["ok | Ra=0.4 µm {time:14:07}", "damaged sanity", "damaged sanity", "damaged sanity"],
    );
    let letters = format!("{line}[field.time]\nformat = \"hh'h'mm\"\n");
    says(
        &letters,
        b"14h07 0.4\n14:07 0.4\n24h07 0.4\n",
        &["ok | Ra=0.4 µm {time:14:07}", "damaged sanity", "damaged sanity"],
    );
}

#[test]
fn conditions_carry_their_unit_from_the_text_or_the_definition() {
    let definition = r#"
[numbers]
leading_point = true
decimal = ".,"
[reading]
unit = "µm"
[field.cutoff]
unit = "µm"
[[line]]
pattern = '(?<cutoff>\S+( ?(mm|in))?)/(?<sections>\S+)/(?<lambda_s>\S*) (?<Ra>\S+)'
"#;
    says(
        definition,
        b"0,8 mm/05/ 0.4\n.030in/5/2.5um 0.4\n0800/5/ 0.4\n0.8 mm/0/ 0.4\n0.8 mm/5/2.5 0.4\n",
        &[
            "ok | Ra=0.4 µm {cutoff:0.8 mm sections:5}",
            "ok | Ra=0.4 µm {cutoff:0.030 in ls:2.5 µm sections:5} | settings-changed",
            "ok | Ra=0.4 µm {cutoff:800 µm sections:5} | settings-changed",
            "damaged number",
            "damaged unit",
        ],
    );
}

#[test]
fn identity_tells_repeats_from_equal_readings() {
    let line = "[[line]]\npattern = '(?<number>\\d+) (?<quantity>R\\S) (?<value>\\S+)'\n";
    let unique = format!("[reading]\nunit = \"µm\"\nunique_by = [\"number\"]\n{line}");
    says(
        &unique,
        b"1 Ra 0.4\n1 Ra 0.4\n1 Rz 2.8\n1 Ra 0.5\n4 Ra 0.4\n",
        &[
            "ok | Ra=0.4 µm {no:1}",
            "ok | repeat",
            "ok | Rz=2.8 µm {no:1}",
            "ok | Ra=0.5 µm {no:1}",
            "ok | Ra=0.4 µm {no:4} | number-gap",
        ],
    );
    let plain = format!("[reading]\nunit = \"µm\"\n{line}");
    says(&plain, b"1 Ra 0.4\n1 Ra 0.4\n", &["ok | Ra=0.4 µm {no:1}", "ok | Ra=0.4 µm {no:1}"]);

    let (unique, plain) = (instrument(&unique), instrument(&plain));
    let mut readings = examine(&unique, &[(Tick(0), b"1 Ra 0.4\n2 Ra 0.4\n".to_vec())])
        .into_iter()
        .flat_map(|(_, told)| told.readings);
    let (mut first, second) = (readings.next().unwrap(), readings.next().unwrap());
    assert_ne!(unique.identity_key(&first), unique.identity_key(&second));
    assert_eq!(plain.identity_key(&first), None);
    first.identity.number = None;
    assert_eq!(unique.identity_key(&first), None, "a key with a hole would be shared by strangers");
}

#[test]
fn equal_traces_of_one_record_are_no_repeats() {
    let table = "[framing]\nkind = \"lines\"\n[table]\ndelimiter = \";\"\ncolumns = [\"number\", \"Ra\", \"Ra\"]\n\
                 [reading]\nunit = \"µm\"\nunique_by = [\"number\"]\n";
    says(
        table,
        b"1;0.5;0.5\n1;0.5;0.5\n2;0.5;0.6\n",
        &["ok | Ra=0.5 µm {no:1}, Ra=0.5 µm {no:1}", "ok | repeat", "ok | Ra=0.5 µm {no:2}, Ra=0.6 µm {no:2}"],
    );
    let block = "[framing]\nkind = \"block\"\nstart_line = 'No (?<number>\\d)'\nend_line = 'end'\n\
                 [[line]]\npattern = 'Ra (?<Ra>\\S+)'\n\
                 [reading]\nunit = \"µm\"\nquantity_again = true\nunique_by = [\"number\"]\n";
    says(
        block,
        b"No 1\nRa 0.5\nRa 0.5\nend\nNo 1\nRa 0.5\nRa 0.5\nend\n",
        &["ok | Ra=0.5 µm {no:1}, Ra=0.5 µm {no:1}", "ok | repeat"],
    );
}

#[test]
fn an_empty_page_is_no_frame() {
    let page = "[framing]\nkind = \"block\"\nend = \"\\f\"\n[[line]]\npattern = 'Ra (?<Ra>\\S+)'\n\
                [reading]\nunit = \"µm\"\n";
    says(page, b"\x0c\x0cRa 0.4\n\x0c\r\n\x0cRa 0.5\n\x0c\x0c", &["ok | Ra=0.4 µm", "ok | Ra=0.5 µm"]);
}

#[test]
fn a_discriminator_tells_mine_from_others() {
    let definition = format!("[envelope]\nmine = 'R'\n{LINE}");
    says(&definition, b"L 1.0 mm\nRa 0.x um\nRa 0.4 um\n", &["not-mine", "damaged number", "ok | Ra=0.4 µm"]);
    let file = format!("{CSV}[envelope]\nmine = 'RT-INV'\n[[line]]\npattern = 'RT-INV'\nignore = true\n");
    says(&file, b"RT-INV\nNr;Ra [um]\n1;0.4\n", &["ok", "ok", "ok | Ra=0.4 µm {no:1}"]);
    says(&file, b"other\nNr;Ra [um]\n1;0.4\n", &["not-mine", "not-mine", "not-mine"]);
}

#[test]
fn places_are_exact() {
    let definition =
        "[places]\nnumber = \"1-2\"\nRa = \"4-8\"\n[field.number]\npattern = '\\d+'\n[reading]\nunit = \"µm\"\n";
    says(
        definition,
        b" 1 0.412\n 10.4120\n 1 0.41\n 1x0.412\n x 0.412\n",
        &["ok | Ra=0.412 µm {no:1}", "damaged sanity", "damaged length", "damaged sanity", "damaged sanity"],
    );
}

#[test]
fn required_fields_are_required() {
    let definition = r#"
[framing]
kind = "block"
end_blank_line = true
[pairs]
pair = "="
[names]
N = "number"
[reading]
unit = "µm"
required = ["number", "Rz"]
"#;
    says(definition, b"N=1\nRa=0.4\nRz=2.8\n\n", &["ok | Ra=0.4 µm {no:1}, Rz=2.8 µm {no:1}"]);
    says(definition, b"Ra=0.4\nRz=2.8\n\n", &["damaged missing-field"]);
    says(definition, b"N=1\nRa=0.4\n\nN=\nRz=2.8\n\n", &["damaged missing-field", "damaged missing-field"]);
}

#[test]
fn faults_name_their_place() {
    let line = "[[line]]\npattern = '(?<quantity>\\S+) (?<value>\\S+) (?<unit>\\S+)'\n";
    for (text, expected) in [
        ("", ": nothing says how a line is read"),
        ("[[line]]\npattern = '(?<value>\\S+'", "line.0.pattern: the pattern can't be read: unclosed group"),
        (
            "[[line]]\npattern = '(?<value>\\S+) (?<unit>\\S+)'",
            "line.0.pattern: nothing says which quantity the value is of",
        ),
        ("[[line]]\npattern = '(?<Ra>\\S+)'", "line.0.pattern: nothing says which unit Ra has"),
        ("[[line]]\npattern = 'x'", ": no pattern, column or place holds a value"),
        (&format!("[framing]\nkind = \"block\"\n{line}"), "framing: nothing says where a block ends"),
        (&format!("[framing]\nend = \"x\"\n{line}"), "framing.end: `end` means nothing for framing of this kind"),
        (&format!("[framing]\nterminator = \"\u{2192}\"\n{line}"), "framing.terminator: this can't be a line end"),
        (&format!("[framing]\nkind = \"gap\"\n{line}"), "framing: kind \"gap\" needs `gap_ms`"),
        (&format!("[units]\nx = \"furlong\"\n{line}"), "units.x: unknown unit `furlong`"),
        (&format!("[field.Ra]\nunit = \"%\"\n{line}"), "field.Ra.unit: Ra does not come in %"),
        (
            &format!("[field.station]\npattern = 'A'\n{line}"),
            "field.station: no pattern, column or place fills a field `station`",
        ),
        (
            &format!("[reading]\nunique_by = [\"value\"]\n{line}"),
            "reading.unique_by.0: `value` does not tell measurements apart",
        ),
        (&format!("[reading]\nquantity = \"Rx\"\n{line}"), "reading.quantity: unknown quantity `Rx`"),
        (
            &format!("[reading]\nrequired = [\"number\"]\n{line}"),
            "reading.required.0: no pattern, column or place fills a field `number`",
        ),
        (&format!("[numbers]\ndecimal = \"\"\n{line}"), "numbers.decimal: `` can't be a decimal mark"),
        ("[places]\nRa = \"4-2\"\n[reading]\nunit = \"µm\"", "places.Ra: `4-2` ends before it begins"),
    ] {
        let found = fault(text);
        assert!(found.starts_with(expected), "{text}\n{found}");
    }
}
