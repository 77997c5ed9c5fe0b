//! Frames that are documents, bytes or profiles: for each, what it becomes, and what it never becomes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod shown;

use ridgepost_parsers::Tick;
use shown::{fault, instrument, says, told};

/// What the only frame of `input` becomes.
fn one(definition: &str, input: &[u8]) -> String {
    let told = told(&instrument(definition), &[(Tick(0), input.to_vec())]);
    let [one] = told.as_slice() else { panic!("{told:?}") };
    one.clone()
}

const XML: &str = r#"
[framing]
kind = "file"
[xml]
namespaces = { m = "urn:m" }
record = "//m:run"
values = "m:v"
[xml.fields]
number = "@no"
part = "../@part"
remark = "note"
cutoff = "preceding::m:set/@lc"
[xml.value]
quantity = "@p"
value = "."
unit = "@u"
state = "@s"
[states]
over = "over"
ok = "good"
soft = "unstable"
[field.cutoff]
unit = "mm"
"#;

/// The document of `XML` with `inner` as its only value's attributes and text.
fn with_value(inner: &str) -> Vec<u8> {
    format!("<x xmlns='urn:m'><run no='1'><v p='Ra' u='um'{inner}</run></x>").into_bytes()
}

#[test]
fn xml_context_comes_from_around_and_before() {
    let text = "<?xml version='1.0'?>\n<a:log xmlns:a='urn:m'><!-- <a:run no='9'><a:v p='Ra' u='um'>9</a:v></a:run> -->\
        <a:set lc='0.8'/><a:batch part='P 1'><a:run no='1' tool='T3'><a:v p='Ra' u='&#181;m' s='ok'><![CDATA[0.410]]></a:v>\
        <a:v p='Rz' u='\u{3bc}m' s='over'>999</a:v><note>a &amp; b</note></a:run></a:batch>\
        <a:set lc='0.25'/><a:batch part='P2'><a:run no='2'><a:v p='Ra' u='nm' s='soft'> 398 </a:v></a:run></a:batch>\
        <run xmlns='urn:other' no='3'><v p='Ra' u='um'>7</v></run></a:log>";
    says(
        XML,
        text.as_bytes(),
        &["ok | Ra=0.410 µm {no:1 part:P 1 remark:a & b cutoff:0.8 mm tool:T3}, \
           Rz=<over> µm {code:over no:1 part:P 1 remark:a & b cutoff:0.8 mm tool:T3}, \
           Ra=398<unstable> nm {code:soft no:2 part:P2 cutoff:0.25 mm} | settings-changed"],
    );
}

#[test]
fn xml_that_can_be_read_two_ways_is_damaged() {
    let damaged = [
        (">0.4</v><v p='Ra' u='um'>0.5</v>", "damaged sanity"),
        (">0.4<b/>12</v>", "damaged sanity"),
        (" u='nm'>0.4</v>", "damaged sanity"),
        (">0,4</v>", "damaged number | suspect-decimal-mark"),
        (">1e3</v>", "damaged number"),
        ("/>", "damaged missing-field"),
        (" s='hm'>0.4</v>", "damaged sanity"),
        (">0.4&eacute;</v>", "damaged entity"),
        (">0.4</v", "damaged sanity"),
        (">0.4</w>", "damaged sanity"),
        (">0.4</v><note>a</note><note>b</note>", "damaged sanity"),
    ];
    for (inner, expected) in damaged {
        assert_eq!(one(XML, &with_value(inner)), expected, "{inner}");
    }
    assert_eq!(one(XML, &with_value(">0.4<!-- b -->12</v>")), "ok | Ra=0.412 µm {no:1}", "a comment is no text");
    assert_eq!(one(XML, &with_value(">0.4&#49;2</v>")), "ok | Ra=0.412 µm {no:1}");
    assert_eq!(one(XML, b"<x xmlns='urn:m'><run no='1'><v p='Ra' u='um'>0.4</v></run>"), "incomplete cut-off");
    assert_eq!(one(XML, b"<x xmlns='urn:n'><run no='1'><v p='Ra' u='um'>0.4</v></run></x>"), "damaged missing-field");
    assert_eq!(one(XML, b"<x xmlns='urn:m'><run no='1'/></x>"), "damaged missing-field");
    assert_eq!(one(XML, b"<x/><x/>"), "damaged sanity");
    let twice = [with_value(">0.4</v>"), with_value(">0.5</v>")].concat();
    assert_eq!(one(XML, &twice), "damaged sanity", "two documents are not one");
}

#[test]
fn xml_bombs_cost_nothing() {
    let lol: String = (1..9).map(|n| format!("<!ENTITY l{n} '{}'>", format!("&l{};", n - 1).repeat(10))).collect();
    let dtd = format!("<!DOCTYPE x [<!ENTITY l0 'lol'>{lol}]><x>&l8;</x>");
    let external = "<!DOCTYPE x SYSTEM 'file:///etc/passwd'><x/>";
    let deep = format!("{}{}", "<a>".repeat(100_000), "</a>".repeat(100_000));
    let wide = format!("<a {}/>", (0..100_000).map(|n| format!("b{n}='' ")).collect::<String>());
    let spaces: String = (0..2_000).map(|n| format!("<a xmlns:n{n}='u'>")).collect();
    let long = format!("<a b='{}'/>", "x".repeat(1_000_000));
    let many = format!("<a>{}</a>", "<b/>".repeat(1_100_000));
    for (text, expected) in [
        (dtd.as_str(), "damaged entity"),
        (external, "damaged entity"),
        (&deep, "damaged too-long"),
        (&wide, "damaged too-long"),
        (&spaces, "damaged too-long"),
        (&long, "damaged missing-field"),
        (&many, "damaged too-long"),
    ] {
        assert_eq!(one(XML, text.as_bytes()), expected, "{}", &text[..text.len().min(60)]);
    }
}

#[test]
fn xml_says_its_encoding_itself() {
    let text = |encoding: &str| {
        format!(
            "<?xml version='1.0' encoding='{encoding}'?><x xmlns='urn:m'><run no='1'><v p='Ra' u='\u{b5}m'>0.4</v></run></x>"
        )
    };
    let latin = |text: &str| -> Vec<u8> { text.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect() };
    let wide =
        |text: &str, mark: &[u8]| [mark, &text.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>()].concat();
    let good = "ok | Ra=0.4 µm {no:1}";
    assert_eq!(one(XML, text("utf-8").as_bytes()), good);
    assert_eq!(one(XML, &[b"\xef\xbb\xbf", text("UTF-8").as_bytes()].concat()), good);
    assert_eq!(one(XML, &latin(&text("ISO-8859-1"))), good);
    assert_eq!(one(XML, &wide(&text("UTF-16"), b"\xff\xfe")), good);
    assert_eq!(one(XML, &wide(&text("UTF-16LE"), b"")), good);
    assert_eq!(one(XML, &latin(&text("utf-8"))), "damaged encoding");
    assert_eq!(one(XML, &latin(&text("klingon"))), "damaged encoding");
    assert_eq!(one(XML, &[b"\xef\xbb\xbf", &latin(&text("ISO-8859-1"))[..]].concat()), "damaged encoding");
    assert_eq!(one(XML, text("UTF-16").as_bytes()), "damaged encoding", "its bytes are not wide");
    let told = format!("[text]\nencoding = \"latin-1\"\n{XML}");
    assert_eq!(
        one(&told, text("utf-8").as_bytes()),
        "damaged encoding | suspect-encoding",
        "the definition says otherwise"
    );
    assert_eq!(one(&told, &latin(&text("latin1"))), good);
}

/// Values as elements of their names; a stream of documents, each up to the end of its root element.
#[test]
fn xml_comes_over_lines_as_well() {
    let definition = r#"
[framing]
kind = "block"
start = "<result"
end = "</result>"
[xml.fields]
number = "@n"
Ra = "Ra"
"Ra.unit" = "Ra/@unit"
"Ra.limit_upper" = "lim[@of='Ra']/hi"
Rz = "Rz[kind='mean']/val"
"Rz.verdict" = "Rz/ok"
[verdicts]
no = "out"
[[mark]]
pattern = ''
means = "none"
[reading]
unit = "um"
"#;
    let first = "<result n='1'>\r\n<Ra unit='nm'>412</Ra><lim of='Rz'><hi>9</hi></lim><lim of='Ra'><hi>0.8</hi></lim></result>\r\n";
    let second = "<result n='2'><Ra/><Rz><kind>mean</kind><val>2.70</val><ok>no</ok></Rz></result>";
    says(
        definition,
        format!("{first}{second}").as_bytes(),
        &["ok | Ra=412 nm {upper:0.8 no:1}", "ok | Ra=<none> µm {no:2}, Rz=2.70 µm {verdict:no no:2}"],
    );
    says(definition, b"<result n='3'><Ra>0.4</Ra>", &["incomplete cut-off"]);
    says(definition, b"<result n='3'><Ra>0.4</result>", &["damaged sanity"]);
}

const JSON: &str = r#"
[framing]
kind = "lines"
[json]
values = "results[*]"
[json.fields]
number = "id"
part = "job.part"
cutoff = "$.setup.'lc mm'"
[json.value]
quantity = "name"
value = "v"
unit = "u"
[field.cutoff]
unit = "mm"
[[line]]
pattern = 'READY'
ignore = true
"#;

#[test]
fn json_lines_keep_their_digits() {
    says(
        JSON,
        "READY\n{\"id\":17,\"job\":{\"part\":\"A-1\"},\"setup\":{\"lc mm\":0.80},\"hall\":3,\"results\":[{\"name\":\"Ra\",\"v\":0.410,\"u\":\"\\u00b5m\"},\
         {\"name\":\"Rz\",\"v\":\"2.870\",\"u\":\"\u{3bc}m\"},{\"name\":\"Rq\",\"v\":5.20E-1,\"u\":\"um\"}]}\n".as_bytes(),
        &[
            "ok",
            "ok | Ra=0.410 µm {no:17 part:A-1 cutoff:0.80 mm hall:3}, Rz=2.870 µm {no:17 part:A-1 cutoff:0.80 mm hall:3}, \
             Rq=0.520 µm {no:17 part:A-1 cutoff:0.80 mm hall:3}",
        ],
    );
    let with = |value: &str| {
        format!("{{\"id\":1,\"results\":[{{\"name\":\"Ra\",\"u\":\"um\",\"v\":{value}}}]}}\n").into_bytes()
    };
    for (value, expected) in [
        ("0.41", "ok | Ra=0.41 µm {no:1}"),
        ("null", "damaged missing-field"),
        ("\"\"", "damaged missing-field"),
        ("\"0,41\"", "damaged number | suspect-decimal-mark"),
        ("\"4.1E-1\"", "damaged number"),
        ("true", "damaged number"),
        ("[1]", "damaged sanity"),
        ("0.41,\"v\":0.42", "damaged sanity"),
        ("0.41,\"v2\":1,\"v2\":2", "damaged sanity"),
        ("00.41", "damaged sanity"),
        ("+1", "damaged sanity"),
        ("NaN", "damaged sanity"),
        ("1e99999", "damaged number"),
        ("0.41}]}{\"id\":2,\"results\":[{\"name\":\"Ra\",\"u\":\"um\",\"v\":0.42", "damaged sanity"),
    ] {
        assert_eq!(one(JSON, &with(value)), expected, "{value}");
    }
    let marked = format!("{JSON}[[mark]]\npattern = ''\nmeans = \"none\"\n");
    assert_eq!(one(&marked, &with("null")), "ok | Ra=<none> µm {no:1}");
    assert_eq!(one(&marked, b"{\"id\":1,\"results\":[{\"name\":\"Ra\",\"u\":\"um\"}]}\n"), "ok | Ra=<none> µm {no:1}");
    assert_eq!(one(JSON, b"{\"id\":1,\"results\":[{\"name\":\"Ra\n"), "incomplete cut-off");
    assert_eq!(one(JSON, b"{\"id\":1,\"results\":{}}\n"), "damaged sanity");
    let deep = format!("{}{}\n", "[".repeat(20_000), "]".repeat(20_000));
    assert_eq!(one(JSON, deep.as_bytes()), "damaged too-long");
}

#[test]
fn json_files_hold_records() {
    let definition = r#"
[framing]
kind = "file"
[json]
record = "data[*]"
[json.fields]
number = "n"
D = "m[k=dia].val"
L = "m[k=len].val"
sections = "$.n"
[reading]
unit = "mm"
required = ["D"]
[numbers]
decimals = 3
"#;
    let text = r#"{ "n": 5, "data": [ {"n":"1","m":[{"k":"len","val":1250},{"k":"dia","val":"00500"}]}, {"n":"2","m":[{"k":"dia","val":0.5}]} ] }"#;
    says(
        definition,
        text.as_bytes(),
        &["ok | D=0.500 mm {no:1 sections:5}, L=1.250 mm {no:1 sections:5}, D=0.5 mm {no:2 sections:5}"],
    );
    says(
        definition,
        b"{\"n\":5,\"data\":[{\"n\":\"1\",\"m\":[{\"k\":\"len\",\"val\":1}]}]}",
        &["damaged missing-field"],
    );
    says(
        definition,
        b"{\"data\":[{\"m\":[{\"k\":\"dia\",\"val\":1},{\"k\":\"dia\",\"val\":2}]}]}",
        &["damaged sanity"],
    );
}

const BINARY: &str = r#"
[framing]
kind = "gap"
gap_ms = 50
[binary]
order = "big"
records = "count"
[[binary.field]]
kind = "text"
bytes = 2
equals = "GX"
[[binary.field]]
name = "number"
kind = "bcd"
bytes = 2
[[binary.field]]
kind = "u8"
[[binary.field.bit]]
at = "0"
name = "verdict"
words = { "0" = "IN", "1" = "OUT" }
[[binary.field.bit]]
at = "1"
event = "battery-low"
[[binary.field.bit]]
at = "4-7"
equals = 0
[[binary.field]]
name = "count"
kind = "u8"
at = 6
[[binary.record]]
name = "quantity"
kind = "u8"
words = { "1" = "Ra", "2" = "Rz" }
[[binary.record]]
name = "value"
kind = "i16"
scale = "0.001"
states = { "32767" = "over", "-32768" = "none" }
[reading]
unit = "um"
[verdicts]
IN = "in"
OUT = "out"
"#;

#[test]
fn binary_fields_are_read_by_place() {
    says(
        BINARY,
        b"GX\x00\x42\x01\x00\x02\x01\x01\x9c\x02\xff\xfe",
        &["ok | Ra=0.412 µm {verdict:OUT no:0042}, Rz=-0.002 µm {verdict:OUT no:0042}"],
    );
    says(
        BINARY,
        b"GX\x00\x42\x02\x00\x02\x01\x7f\xff\x02\x80\x00",
        &[
            "ok | Ra=<over> µm {code:32767 verdict:IN no:0042}, Rz=<none> µm {code:-32768 verdict:IN no:0042} | battery-low",
        ],
    );
    for (bytes, expected) in [
        (&b"GY\x00\x42\x01\x00\x01\x01\x01\x9c"[..], "damaged sanity"),
        (b"GX\x00\x4a\x01\x00\x01\x01\x01\x9c", "ok | Ra=0.412 µm {verdict:OUT no:004}"),
        (b"GX\x0a\x42\x01\x00\x01\x01\x01\x9c", "damaged number"),
        (b"GX\x00\x42\x11\x00\x01\x01\x01\x9c", "damaged sanity"),
        (b"GX\x00\x42\x05\x00\x01\x01\x01\x9c", "damaged sanity"),
        (b"GX\x00\x42\x01\x07\x01\x01\x01\x9c", "damaged sanity"),
        (b"GX\x00\x42\x01\x00\x01\x03\x01\x9c", "damaged sanity"),
        (b"GX\x00\x42\x01\x00\x02\x01\x01\x9c", "damaged count"),
        (b"GX\x00\x42\x01\x00\x01\x01\x01\x9c\x00", "damaged length"),
        (b"GX\x00\x42\x01\x00\x01\x01\x01", "damaged count"),
        (b"GX\x00\x42", "damaged length"),
        (b"GX\x00\x42\x01\x00\x02\x01\x01\x9c\x01\x01\x9d", "damaged sanity"),
        (b"GX\x00\x42\x01\x00\x00", "ok"),
    ] {
        assert_eq!(one(BINARY, bytes), expected, "{bytes:02x?}");
    }
}

#[test]
fn binary_numbers_are_exact() {
    let value = |field: &str, bytes: &[u8]| {
        let definition = format!(
            "[framing]\nkind = \"file\"\n[binary]\norder = \"little\"\n[[binary.field]]\nname = \"L\"\n{field}\n[reading]\nunit = \"mm\"\n"
        );
        one(&definition, bytes)
    };
    for (field, bytes, expected) in [
        ("kind = \"u24\"", &b"\x01\x00\x80"[..], "ok | L=8388609 mm"),
        ("kind = \"i24\"", b"\x01\x00\x80", "ok | L=-8388607 mm"),
        ("kind = \"u64\"", b"\xff\xff\xff\xff\xff\xff\xff\xff", "ok | L=18446744073709551615 mm"),
        ("kind = \"i64\"\norder = \"big\"", b"\x80\x00\x00\x00\x00\x00\x00\x00", "ok | L=-9223372036854775808 mm"),
        ("kind = \"i32\"\nscale = \"0.0001\"\noffset = \"-1.5\"", b"\x10\x27\x00\x00", "ok | L=-0.5000 mm"),
        // 0.1 in 32 bits is 3DCCCCCD, in 64 bits 3FB999999999999A (IEEE 754-2019; worked by hand).
        ("kind = \"f32\"", b"\xcd\xcc\xcc\x3d", "ok | L=0.1 mm"),
        ("kind = \"f64\"", b"\x9a\x99\x99\x99\x99\x99\xb9\x3f", "ok | L=0.1 mm"),
        ("kind = \"f32\"\ndecimals = 3", b"\xcd\xcc\xcc\x3d", "ok | L=0.100 mm"),
        ("kind = \"f32\"\nscale = \"25.4\"", b"\xcd\xcc\xcc\x3d", "ok | L=2.54 mm"),
        ("kind = \"f32\"", b"\x00\x00\xc0\x7f", "damaged number"),
        ("kind = \"f32\"", b"\x00\x00\x80\x7f", "damaged number"),
        (
            "kind = \"f32\"\nstates = { nan = \"none\", inf = \"over\" }",
            b"\x00\x00\xc0\x7f",
            "ok | L=<none> mm {code:nan}",
        ),
        (
            "kind = \"f32\"\nstates = { nan = \"none\", inf = \"over\" }",
            b"\x00\x00\x80\x7f",
            "ok | L=<over> mm {code:inf}",
        ),
        ("kind = \"f64\"", b"\xff\xff\xff\xff\xff\xff\xef\x7f", "damaged number"),
        ("kind = \"bcd\"\nbytes = 3\nscale = \"0.01\"", b"\x01\x23\x4d", "ok | L=-12.34 mm"),
        ("kind = \"u16\"", b"\x01", "damaged length"),
    ] {
        assert_eq!(value(field, bytes), expected, "{field}");
    }
    let implied = "kind = \"i16\"\n[numbers]\ndecimals = 3";
    assert_eq!(value(implied, b"\x9c\x01"), "ok | L=0.412 mm");
}

const PROFILE: &str = r#"
[framing]
kind = "block"
start_line = 'T (?<points>\d+)'
end_line = 'END (?<points>\d+)'
[[line]]
pattern = 'dx=(?<spacing>\S+ mm) (?<number>\d+)'
[[line]]
pattern = 'Ra=(?<Ra>\S+)'
[[line]]
pattern = ':(?<heights>.*)'
[trace]
scale = "10 nm"
[[trace.mark]]
pattern = '\*+'
means = "over"
[[trace.mark]]
pattern = '-9999'
means = "none"
[reading]
unit = "um"
"#;

#[test]
fn profiles_come_with_readings_and_their_points_are_counted() {
    says(
        PROFILE,
        b"T 5\ndx=0.001 mm 7\nRa=0.412\n:1 -25 *** \n: *** 100\nEND 5\n",
        &["ok | Ra=0.412 µm {no:7} | 5 points each 0.001 mm: 0.010 -0.250 <over> <over> 1.000 | points-missing"],
    );
    says(
        PROFILE,
        b"T 2\ndx=0.5 mm 7\n:1 -9999\nEND 2\n",
        &["ok | 2 points each 0.5 mm: 0.010 <none> | points-missing"],
    );
    for (text, expected) in [
        ("T 2\ndx=0.5 mm 7\n:1 2 3\nEND 2\n", "damaged count"),
        ("T 3\ndx=0.5 mm 7\n:1 2 3\nEND 2\n", "damaged count"),
        ("T 3\ndx=0.5 mm 7\n:1 2\nEND 3\n", "damaged count"),
        ("T 1\n:1\nEND 1\n", "damaged missing-field"),
        ("T 1\ndx=0 mm 7\n:1\nEND 1\n", "damaged sanity"),
        ("T 1\ndx=0.5 mm 7\n:1,5\nEND 1\n", "damaged number"),
        ("T 0\ndx=0.5 mm 7\nEND 0\n", "damaged missing-field"),
        ("T 1\ndx=0.5 mm 7\n:**1\nEND 1\n", "damaged number"),
    ] {
        assert_eq!(one(PROFILE, text.as_bytes()), expected, "{text}");
    }
}

#[test]
fn profiles_come_in_hexadecimal_and_between_separators() {
    let hex = r#"
[framing]
kind = "block"
start_line = 'DX (?<spacing>\d+) SCALE (?<height_scale>\S+)'
end_line = 'OK'
[[line]]
pattern = '(?<heights>[0-9A-F ]+)'
[field.spacing]
unit = "nm"
[trace]
written = "hex"
hex_digits = 4
[[trace.mark]]
pattern = '32767'
means = "over"
"#;
    says(
        hex,
        b"DX 500 SCALE 0.5um\nFFFE 0001\n00107FFF\nOK\n",
        &["ok | 4 points each 500 nm: -1.0 0.5 8.0 <over> | points-missing"],
    );
    says(hex, b"DX 500 SCALE 0.5um\nFFFE 001\nOK\n", &["damaged length"]);
    says(hex, b"DX 500 SCALE 0.5\nFFFE\nOK\n", &["damaged unit"]);
    let semicolons = r#"
[numbers]
decimal = ","
[[line]]
pattern = 'P;(?<number>\d+);(?<points>\d+);(?<heights>[^;]+(;[^;]*)*)'
[trace]
scale = "1 mil"
spacing = "1 in"
between = ";"
"#;
    says(semicolons, b"P;7;3;1,5;-2,0;0,25\n", &["ok | 3 points each 1 in: 38.10 -50.80 6.350"]);
    says(semicolons, b"P;7;3;1,5;;0,25\n", &["damaged number"]);
    says(semicolons, b"P;7;2;1,5;-2,0;\n", &["ok | 2 points each 1 in: 38.10 -50.80"]);
}

#[test]
fn profiles_come_as_documents_and_bytes() {
    let json = r#"
[json.fields]
Ra = "ra"
heights = "z[*]"
points = "n"
spacing = "dx"
height_exponent = "e"
[trace]
scale = "1 m"
[[trace.mark]]
pattern = 'null'
means = "none"
[reading]
unit = "um"
[field.spacing]
unit = "µm"
"#;
    says(
        json,
        b"{\"ra\":0.40,\"n\":3,\"dx\":0.5,\"e\":-9,\"z\":[120,null,-1]}\n",
        &["ok | Ra=0.40 µm | 3 points each 0.5 µm: 0.120 <none> -0.001 | points-missing"],
    );
    says(json, b"{\"ra\":0.40,\"n\":2,\"dx\":0.5,\"e\":-9,\"z\":[120,null,-1]}\n", &["damaged count"]);
    says(json, b"{\"ra\":0.40}\n", &["damaged missing-field"]);
    let binary = r#"
[framing]
kind = "file"
[binary]
order = "big"
[[binary.field]]
name = "points"
kind = "u32"
[[binary.field]]
name = "heights"
kind = "f32"
count = "rest"
[[binary.behind]]
kind = "u8"
equals = "0x04"
[trace]
scale = "1 µm"
spacing = "0.25 µm"
[[trace.mark]]
pattern = 'nan'
means = "none"
"#;
    says(
        binary,
        b"\x00\x00\x00\x02\x3f\x00\x00\x00\x7f\xc0\x00\x00\x04",
        &["ok | 2 points each 0.25 µm: 0.5 <none> | points-missing"],
    );
    says(binary, b"\x00\x00\x00\x02\x3f\x00\x00\x00\x7f\x80\x00\x00\x04", &["damaged number"]);
    says(binary, b"\x00\x00\x00\x03\x3f\x00\x00\x00\x7f\xc0\x00\x00\x04", &["damaged count"]);
    says(binary, b"\xff\xff\xff\xff\x3f\x00\x00\x00\x04", &["damaged count"]);
    says(binary, b"\x00\x00\x00\x01\x3f\x00\x00\x04", &["damaged length"]);
}

/// A state of the whole measurement is one of each value; a file of lines that stops within one is not whole.
#[test]
fn nothing_is_read_against_what_stands_around_it() {
    let json = "[json]\nvalues = \"v[*]\"\n[json.fields]\nstate = \"st\"\n[json.value]\nquantity = \"q\"\nvalue = \"x\"\n\
        state = \"st\"\n[states]\nok = \"good\"\ncrash = \"error\"\n[reading]\nunit = \"um\"\n";
    let with =
        |state: &str| format!("{{\"st\":\"{state}\",\"v\":[{{\"q\":\"Ra\",\"x\":0.4,\"st\":\"ok\"}}]}}\n").into_bytes();
    says(json, &with("ok"), &["ok | Ra=0.4 µm"]);
    says(json, &with("crash"), &["ok | Ra=<error> µm {code:crash}"]);
    says(json, &with("hm"), &["damaged sanity"]);
    let lines = "[framing]\nkind = \"file\"\n[pairs]\npair = \"=\"\n[reading]\nunit = \"um\"\n";
    says(lines, b"Ra=0.412\r\nRz=2.870\r\n", &["ok | Ra=0.412 µm, Rz=2.870 µm"]);
    says(lines, b"Ra=0.412\r\nRz=2.87", &["incomplete cut-off"]);
}

#[test]
fn contradictory_forms_are_faults() {
    let file = "[framing]\nkind = \"file\"\n";
    for (text, expected) in [
        (
            "[xml.fields]\nRa = \"a\"\n[reading]\nunit = \"um\"\n".to_owned(),
            "framing.kind: an XML document is not one line",
        ),
        (
            format!("{file}[xml.fields]\nRa = \"a/@b/c\"\n[reading]\nunit = \"um\"\n"),
            "xml.fields.Ra: an attribute holds nothing further",
        ),
        (
            format!("{file}[xml]\nrecord = \"/x:a\"\nfields = {{ Ra = \"a\" }}\n[reading]\nunit = \"um\"\n"),
            "xml.record: the prefix `x` stands for no namespace",
        ),
        (
            format!("{file}[json]\nrecord = \"a[*]\"\nfields = {{ Ra = \"$.a\" }}\n[reading]\nunit = \"um\"\n"),
            "json.fields: `Ra` would be the same value in every record",
        ),
        (
            format!("{file}[json]\nvalues = \"a[*]\"\nfields = {{ Ra = \"a\" }}\n[reading]\nunit = \"um\"\n"),
            "json: `values` and `value` go together: where the values are, and the value in each of them",
        ),
        (
            format!("{file}[[binary.field]]\nname = \"L\"\nkind = \"u16\"\n[reading]\nunit = \"mm\"\n"),
            "binary.field.0.kind: nothing says which byte of the number comes first",
        ),
        (
            format!("{file}[[binary.field]]\nname = \"L\"\nkind = \"u8\"\nbytes = 2\n[reading]\nunit = \"mm\"\n"),
            "binary.field.0.bytes: `bytes` goes with the kinds bcd, text and skip, and they need it",
        ),
        (
            format!("{file}[[binary.field]]\nname = \"L\"\nkind = \"u8\"\n[[binary.field.bit]]\nat = \"8\"\n[reading]\nunit = \"mm\"\n"),
            "binary.field.0.bit.0: `8` are no bits of 1 bytes",
        ),
        (
            "[[line]]\npattern = '(?<heights>.+)'\n[trace]\nscale = \"1 um\"\n".to_owned(),
            "trace: nothing says how far apart the points are",
        ),
        (
            "[[line]]\npattern = '(?<Ra>.+)'\n[trace]\nscale = \"1 um\"\nspacing = \"1 um\"\n[reading]\nunit = \"um\"\n".to_owned(),
            "trace: nothing holds the heights of the profile",
        ),
        (
            "[pairs]\npair = \"=\"\nbetween = \";\"\n[names]\nZ = \"heights\"\n".to_owned(),
            ": `heights` need to know what they mean",
        ),
        (
            "[[line]]\npattern = '(?<heights>.+)'\n[trace]\nscale = \"1\"\nspacing = \"1 um\"\n".to_owned(),
            "trace.scale: `1` is no length above 0 with its unit",
        ),
        (format!("{file}idle_ms = 5\n[json.fields]\nRa = \"a\"\n[reading]\nunit = \"um\"\n"), "framing.idle_ms: a file is not ended by silence"),
    ] {
        assert_eq!(fault(&text), expected);
    }
}
