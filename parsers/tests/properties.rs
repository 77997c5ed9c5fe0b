//! What holds for any bytes whatever: frames partition the stream, pieces don't matter, nothing panics, a cut
//! stream tells nothing that the whole would not.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::OnceLock;

use proptest::prelude::*;
use ridgepost_parsers::{Close, Decoded, Definition, Frame, Framing, Instrument, Remark, Tick};

/// Kinds of framing that the corpus has no recording of.
const MORE: &[(&str, &[u8])] = &[
    (
        "[framing]\nkind = \"length\"\nlength = 8\nstart = \"#\"\nend = \"\\r\"\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\d\\.\\d{4})'\n",
        b"#0.4120\r#0.413\r#0.4140\r",
    ),
    (
        "[framing]\nkind = \"length\"\nlength = 6\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\d\\.\\d{4})'\n",
        b"0.41200.4130",
    ),
    (
        "[framing]\nkind = \"gap\"\ngap_ms = 80\nbytes_max = 16\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\d\\.\\d+)'\n",
        b"0.412",
    ),
    (
        "[framing]\nkind = \"prefix\"\nstart = \"#\"\ntail = \"\\n\"\ngap_ms = 80\nlength_field = { written = \"counted-decimal\" }\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\d\\.\\d+)'\n",
        b"#150.412\n#00.413\n",
    ),
    (
        "[framing]\nkind = \"block\"\nstart = \"\\u0002\"\ngap_ms = 80\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\d\\.\\d+)'\n",
        b"\x020.412\x020.413\n",
    ),
    (
        "[text]\nencoding = \"utf-16le\"\n[framing]\nkind = \"rows\"\nbytes_max = 40\n[reading]\nunit = \"µm\"\n[table]\ndelimiter = \",\"\ncolumns = [\"number\", \"Ra\"]\n",
        b"\xff\xfe1\0,\x000\0.\x004\0\r\0\n\x002\0,\x000\0.\x005\0\n\0",
    ),
    (
        "[framing]\nkind = \"block\"\nstart = \"<<\"\nend = \">>\"\ntail = \"\\r\\n\"\nbytes_max = 32\n[checksum]\nkind = \"lrc\"\nwritten = \"decimal\"\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\d\\.\\d+)'\n",
        b"<<0.4>>110\r\n<<0.4>>110<<0.4>>110\r\n",
    ),
    (
        "[framing]\nkind = \"lines\"\nterminator = \"END\"\nbytes_max = 24\nidle_ms = 5\n[reading]\nunit = \"µm\"\n[[line]]\npattern = '(?<Ra>\\d\\.\\d+)'\n",
        b"0.412END0.4EN0.413END",
    ),
    (
        "[framing]\nkind = \"block\"\nstart = \"<r\"\nend = \"</r>\"\n[xml]\nvalues = \"*\"\n[xml.fields]\nnumber = \"@n\"\ncutoff = \"preceding::c\"\n[xml.value]\nquantity = \"@p\"\nvalue = \".\"\n[reading]\nunit = \"µm\"\n[[mark]]\npattern = '-*'\nmeans = \"none\"\n",
        b"<r n='1'><c>0.8 mm</c><v p='Ra'>0.412</v><v p='Rz'>--</v></r>\r\n<r n='2'><!-- x --><v p='Ra'><![CDATA[0.4]]>1&#50;</v></r>",
    ),
    (
        "[framing]\nkind = \"file\"\n[xml]\nrecord = \"//m\"\n[xml.fields]\nRa = \"../*/v[@p='Ra']/text()\"\nheights = \"z\"\n[trace]\nscale = \"1 nm\"\nspacing = \"1 um\"\noptional = true\n[reading]\nunit = \"µm\"\n",
        b"\xff\xfe<\0a\0>\0<\0m\0>\0<\0v\0 \0p\0=\0'\0R\0a\0'\0>\x001\0<\0/\0v\0>\0<\0z\0>\x001\0 \x002\0<\0/\0z\0>\0<\0/\0m\0>\0<\0/\0a\0>\0",
    ),
    (
        "[json]\nrecord = \"[*]\"\nvalues = \"v[*]\"\n[json.fields]\nnumber = \"n\"\nheights = \"z\"\n[json.value]\nquantity = \"q\"\nvalue = \"x\"\n[trace]\nscale = \"1 nm\"\nspacing = \"1 um\"\noptional = true\n[reading]\nunit = \"µm\"\n",
        b"[{\"n\":1,\"v\":[{\"q\":\"Ra\",\"x\":0.410}],\"z\":\"1 2 3\"}]\n[{\"n\":2,\"v\":[{\"q\":\"Ra\",\"x\":4e-1},{\"q\":\"Rz\",\"x\":\"2.8\"}]}]\n",
    ),
    (
        "[framing]\nkind = \"gap\"\ngap_ms = 80\n[binary]\norder = \"little\"\nrecords = \"count\"\n[[binary.field]]\nname = \"count\"\nkind = \"u8\"\n[[binary.field]]\nname = \"number\"\nkind = \"bcd\"\nbytes = 2\n[[binary.field]]\nname = \"points\"\nkind = \"u16\"\n[[binary.field]]\nname = \"heights\"\nkind = \"f32\"\ncount = \"points\"\n[[binary.record]]\nname = \"Ra\"\nkind = \"f64\"\nscale = \"0.1\"\noffset = \"1\"\n[[binary.behind]]\nkind = \"u8\"\n[[binary.behind.bit]]\nat = \"0-3\"\nequals = 5\n[trace]\nscale = \"1 nm\"\nspacing = \"1 um\"\n[reading]\nunit = \"µm\"\n",
        b"\x01\x00\x17\x02\x00\x00\x00\x80\x3f\xcd\xcc\xcc\x3d\x9a\x99\x99\x99\x99\x99\xb9\x3f\x05",
    ),
    (
        "[framing]\nkind = \"block\"\nend = \"\\f\"\n[[line]]\npattern = 'D(?<spacing>\\d+)um'\nstarts_record = true\n[[line]]\npattern = '(?<heights>[0-9A-F]{2}*)'\n[[line]]\npattern = 'S'\nignore = true\nskip_to = 'D.*'\n[[line]]\npattern = '(?<quantity>R.)=(?<value>\\d+) *'\nagain = true\n[field.spacing]\nunit = \"um\"\n[trace]\nscale = \"1 nm\"\nwritten = \"hex\"\nhex_digits = 2\n[[trace.mark]]\npattern = '127'\nmeans = \"over\"\n[reading]\nunit = \"µm\"\n",
        b"D5um\n00FF7F\n8001\nRa=4 Rz=28\nS\nRa=7\nD6um\n01\n\x0c",
    ),
    (
        r##"
        [framing]
        kind = "prefix"
        start = "\u0002"
        tail = "\r"
        length_field = { written = "u8", counts = "frame" }
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<Ra>\d\.\d+)'
        "##,
        b"\x02\x080.412\r\x02\x090.4130\r",
    ),
    (
        r##"
        [framing]
        kind = "prefix"
        start = "#"
        end = "\u0003"
        length_field = { written = "u16-be", counts = "payload+check" }
        [checksum]
        kind = "sum"
        written = "byte"
        place = "last"
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<Ra>\d\.\d+)'
        "##,
        b"#\x00\x060.412\xf5\x03#\x00\x060.413\xf6\x03",
    ),
    (
        r##"
        [framing]
        kind = "prefix"
        start = "#"
        tail = "\r\n"
        length_field = { written = "u32-be", counts = "rest" }
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<Ra>\d\.\d+)'
        "##,
        b"#\x00\x00\x00\x070.412\r\n#\x00\x00\x00\x060.41\r\n",
    ),
    (
        r##"
        [framing]
        kind = "prefix"
        fill = "\u0000"
        start = "#="
        length_field = { written = "u32-le", counts = "payload" }
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<Ra>\d\.\d+)'
        "##,
        b"\0\0#=\x05\0\0\x000.412\0#=\x05\0\0\x000.413",
    ),
    (
        r##"
        [framing]
        kind = "prefix"
        start = "#"
        end = "\u0003"
        length_field = { written = "hex", digits = 2, add = 1 }
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<Ra>\d\.\d+)'
        "##,
        b"#0A0.412345678\x03#040.413\x03",
    ),
    (
        r##"
        [framing]
        kind = "block"
        lines = 2
        terminator = ["\r", "\u0000"]
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<Ra>\d\.\d+)'
        [[line]]
        pattern = 'n(?<number>\d)'
        "##,
        b"n1\r0.412\0n2\x000.413\r",
    ),
    (
        r##"
        [framing]
        kind = "block"
        blank_lines = 2
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<Ra>\d\.\d+)'
        [[line]]
        pattern = 'n(?<number>\d)'
        "##,
        b"n1\n\n0.412\n\n\nn2\n0.413\n\n\n",
    ),
    (
        r##"
        [framing]
        kind = "lines"
        escape = { byte = "}", of = "}\r\n", xor = 0x20 }
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<part>[^ ]*) (?<Ra>\d\.\d+)'
        "##,
        b"a}]b 0.412\r\nc 0.413\r\n",
    ),
    (
        r##"
        [framing]
        kind = "block"
        start = "\u00c0"
        end = "\u00c1"
        escape = { byte = "\u00db", means = { "\u00dc" = "\u00c0", "\u00dd" = "\u00db", "\u00de" = "\u00c1" } }
        [text]
        encoding = "windows-1252"
        [reading]
        unit = "µm"
        [[line]]
        pattern = '(?<part>[^ ]*) (?<Ra>\d\.\d+)'
        "##,
        b"\xc0\xdb\xdcx\xdb\xdd 0.412\xc1\xc0y\xdb\xde 0.413\xc1",
    ),
    (
        r##"
        [framing]
        kind = "rows"
        quote = "\""
        unterminated_last_row = true
        [reading]
        unit = "µm"
        [table]
        delimiter = ";"
        columns = ["part", "Ra"]
        "##,
        b"\"a;\nb\";0.412\nc;0.413",
    ),
];

struct Case {
    text: String,
    instrument: Instrument,
    input: Vec<u8>,
}

fn compile(text: &str) -> Instrument {
    let definition: Definition = toml::from_str(text).unwrap();
    definition.compile().unwrap_or_else(|faults| panic!("{text}\n{faults:#?}"))
}

fn cases() -> &'static [Case] {
    static CASES: OnceLock<Vec<Case>> = OnceLock::new();
    CASES.get_or_init(|| {
        let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/corpus");
        let mut folders: Vec<_> = std::fs::read_dir(corpus).unwrap().map(|entry| entry.unwrap().path()).collect();
        folders.retain(|folder| folder.join("definition.toml").exists());
        folders.sort();
        let recorded = folders.iter().map(|folder| {
            let input = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
            let input = input.into_iter().find(|path| path.file_stem().is_some_and(|stem| stem == "input")).unwrap();
            let text = std::fs::read_to_string(folder.join("definition.toml")).unwrap();
            Case { instrument: compile(&text), text, input: std::fs::read(input).unwrap() }
        });
        let more = MORE.iter().map(|(text, input)| {
            let text = format!("[instrument]\nname = \"x\"\n{text}");
            Case { instrument: compile(&text), text, input: input.to_vec() }
        });
        recorded.chain(more).collect()
    })
}

/// A case, and bytes made of pieces of its recording and of anything.
fn bytes_of_a_case() -> impl Strategy<Value = (usize, Vec<u8>)> {
    (0..cases().len()).prop_flat_map(|index| {
        let input = &cases()[index].input;
        let piece = (0..input.len(), 0..=input.len())
            .prop_map(move |(from, length)| input[from..input.len().min(from + length)].to_vec());
        let anything = proptest::collection::vec(any::<u8>(), 0..6);
        let bytes = proptest::collection::vec(prop_oneof![3 => piece, 1 => anything], 0..8);
        bytes.prop_map(move |bytes| (index, bytes.concat()))
    })
}

/// Plays pieces that arrive at their times and ends the input.
fn play(instrument: &Instrument, pieces: &[(u64, &[u8])]) -> Vec<(Frame, Decoded)> {
    let (mut framer, mut decoder) = (instrument.framer(), instrument.decoder());
    let mut told = Vec::new();
    let mut keep = |frame: Frame| {
        let decoded = decoder.decode(&frame);
        told.push((frame, decoded));
    };
    for (at, piece) in pieces {
        framer.push(piece, Tick(*at));
        std::iter::from_fn(|| framer.poll()).for_each(&mut keep);
    }
    std::iter::from_fn(|| framer.finish()).for_each(&mut keep);
    assert_eq!(framer.pending(), 0);
    told
}

/// Every key and every word of a definition's `[framing]`: `framing.escape.xor`, `framing.kind=gap`.
fn framing_words() -> BTreeSet<String> {
    fn walk(schema: &serde_json::Value, of: &serde_json::Value, path: &str, words: &mut BTreeSet<String>) {
        if let Some(name) = schema["$ref"].as_str().and_then(|name| name.strip_prefix("#/$defs/")) {
            return walk(&of["$defs"][name], of, path, words);
        }
        for key in ["anyOf", "oneOf", "allOf"] {
            schema[key].as_array().into_iter().flatten().for_each(|one| walk(one, of, path, words));
        }
        for (key, below) in schema["properties"].as_object().into_iter().flatten() {
            words.insert(format!("{path}.{key}"));
            walk(below, of, &format!("{path}.{key}"), words);
        }
        let named = schema["enum"].as_array().into_iter().flatten().chain(schema.get("const"));
        words.extend(named.filter_map(|word| word.as_str()).map(|word| format!("{path}={word}")));
        if schema["type"] == "array" {
            words.insert(format!("{path}[]"));
        }
    }
    let schema = serde_json::to_value(schemars::schema_for!(Framing)).unwrap();
    let mut words = BTreeSet::new();
    walk(&schema, &schema, "framing", &mut words);
    words
}

/// The words that a definition's `[framing]` uses; what is left out means the default.
fn words_used(text: &str) -> BTreeSet<String> {
    fn walk(value: &toml::Value, path: &str, words: &mut BTreeSet<String>) {
        match value {
            toml::Value::Table(table) => table.iter().for_each(|(key, below)| {
                words.insert(format!("{path}.{key}"));
                walk(below, &format!("{path}.{key}"), words);
            }),
            toml::Value::Array(_) => drop(words.insert(format!("{path}[]"))),
            toml::Value::String(word) => drop(words.insert(format!("{path}={word}"))),
            _ => {}
        }
    }
    let mut words = BTreeSet::new();
    let definition: toml::Table = toml::from_str(text).unwrap();
    match definition.get("framing") {
        Some(framing) => walk(framing, "framing", &mut words),
        None => drop(words.insert("framing.kind=lines".to_owned())),
    }
    words
}

/// A way of cutting that no definition here uses is a way that these properties say nothing of.
#[test]
fn every_way_of_cutting_is_among_the_cases() {
    let wanted = framing_words();
    for word in ["framing.kind=lines", "framing.kind=file", "framing.length_field.written=u8", "framing.escape.xor"] {
        assert!(wanted.contains(word), "the walk through the schema does not find {word}: {wanted:#?}");
    }
    let used: BTreeSet<String> = cases().iter().flat_map(|case| words_used(&case.text)).collect();
    let missing: Vec<&String> = wanted.difference(&used).collect();
    assert!(missing.is_empty(), "no case has {missing:#?}");
}

/// What holds for messages that nobody can read would show little.
#[test]
fn every_case_is_read_as_it_stands() {
    let mut hints_alone = 0;
    for (number, case) in cases().iter().enumerate() {
        let told = play(&case.instrument, &[(0, &case.input)]);
        if told.iter().any(|(_, told)| !told.readings.is_empty() || !told.traces.is_empty()) {
            continue;
        }
        hints_alone += 1;
        assert!(told.iter().all(|(_, told)| told.remarks == [Remark::SuspectParity]), "case {number}: {told:#?}");
    }
    // s25: a port set wrongly, and the hint at it.
    assert_eq!(hints_alone, 1, "only one recording may hold no reading");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn frames_partition_the_stream((index, bytes) in bytes_of_a_case()) {
        let told = play(&cases()[index].instrument, &[(0, &bytes)]);
        let mut offset = 0;
        for (frame, _) in &told {
            prop_assert!(!frame.raw.is_empty());
            prop_assert_eq!(frame.offset, offset);
            prop_assert!(frame.body.start <= frame.body.end && frame.body.end <= frame.raw.len());
            offset += frame.raw.len() as u64;
        }
        let joined: Vec<u8> = told.iter().flat_map(|(frame, _)| frame.raw.iter().copied()).collect();
        prop_assert_eq!(joined, bytes);
    }

    #[test]
    fn pieces_do_not_matter((index, bytes) in bytes_of_a_case(), cuts in proptest::collection::vec(any::<prop::sample::Index>(), 0..12)) {
        let instrument = &cases()[index].instrument;
        let whole = play(instrument, &[(0, &bytes)]);
        let mut cuts: Vec<usize> = cuts.iter().map(|cut| cut.index(bytes.len() + 1)).chain([0, bytes.len()]).collect();
        cuts.sort_unstable();
        let pieces: Vec<(u64, &[u8])> = cuts.windows(2).map(|cut| (0, &bytes[cut[0]..cut[1]])).collect();
        prop_assert_eq!(&play(instrument, &pieces), &whole);
        let single: Vec<(u64, &[u8])> = bytes.chunks(1).map(|byte| (0, byte)).collect();
        prop_assert_eq!(&play(instrument, &single), &whole);
    }

    /// Every reading stands in a complete frame; a prefix gives no frame with readings that the whole has not.
    #[test]
    fn a_prefix_tells_nothing_else((index, bytes) in bytes_of_a_case(), cut in any::<prop::sample::Index>()) {
        let case = &cases()[index];
        let framing = &case.instrument.definition().framing;
        // A file ends where it ends, and a last row without an end where its definition says so.
        let ends_anywhere = framing.kind == ridgepost_parsers::FramingKind::File || framing.unterminated_last_row;
        if framing.gap_ms.is_some() || ends_anywhere {
            return Ok(());
        }
        let whole = play(&case.instrument, &[(0, &bytes)]);
        let prefix = play(&case.instrument, &[(0, &bytes[..cut.index(bytes.len() + 1)])]);
        let tells = |decoded: &Decoded| !decoded.readings.is_empty() || !decoded.traces.is_empty();
        for (frame, decoded) in prefix.iter().filter(|(_, decoded)| tells(decoded)) {
            prop_assert_eq!(frame.close, Close::Complete);
            prop_assert!(whole.iter().any(|(other, same)| other.offset == frame.offset
                && same.readings == decoded.readings && same.traces == decoded.traces));
        }
    }

    /// Silences anywhere: still a partition, still no panic, still bounded.
    #[test]
    fn silences_lose_no_byte((index, bytes) in bytes_of_a_case(), size in 1_usize..9, step in 0_u64..3_000) {
        let instrument = &cases()[index].instrument;
        let pieces: Vec<(u64, &[u8])> = (0..).map(|number| number * step).zip(bytes.chunks(size)).collect();
        let told = play(instrument, &pieces);
        let joined: Vec<u8> = told.iter().flat_map(|(frame, _)| frame.raw.iter().copied()).collect();
        prop_assert_eq!(joined, bytes);
        let bytes_max = instrument.definition().framing.bytes_max.unwrap_or(16_777_216);
        prop_assert!(told.iter().all(|(frame, _)| frame.raw.len() <= bytes_max));
    }
}
