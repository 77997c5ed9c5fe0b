//! What holds for any bytes whatever: frames partition the stream, pieces don't matter, nothing panics, a cut
//! stream tells nothing that the whole would not.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;
use std::sync::OnceLock;

use proptest::prelude::*;
use ridgepost_parsers::{Close, Decoded, Definition, Frame, Instrument, Remark, Tick};

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
];

struct Case {
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
            let instrument = compile(&std::fs::read_to_string(folder.join("definition.toml")).unwrap());
            Case { instrument, input: std::fs::read(input).unwrap() }
        });
        let more = MORE.iter().map(|(text, input)| Case {
            instrument: compile(&format!("[instrument]\nname = \"x\"\n{text}")),
            input: input.to_vec(),
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

/// What holds for messages that nobody can read would show little.
#[test]
fn every_case_is_read_as_it_stands() {
    for (number, case) in cases().iter().enumerate() {
        let told = play(&case.instrument, &[(0, &case.input)]);
        let says_something = told.iter().any(|(_, told)| !told.readings.is_empty() || !told.traces.is_empty());
        // One recording holds nothing but a port set wrongly, and the hint at it.
        let hints = told.iter().any(|(_, told)| told.remarks.contains(&Remark::SuspectParity));
        assert!(says_something || hints, "case {number}: {told:#?}");
    }
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
        // A file ends where it ends.
        if framing.gap_ms.is_some() || framing.kind == ridgepost_parsers::FramingKind::File {
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
