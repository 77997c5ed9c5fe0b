//! What labels say by a shop's grammar: a table of texts, and properties that hold for any text and any grammar.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::Path;

use example::{CELL_DIR, example};
use proptest::prelude::*;
use ridgepost_config::{Item, LABEL_CHARACTERS_MAX, Label, Labels, Loaded, VALUE_CHARACTERS_MAX, read};

/// The example cell with these labels.
fn with(grammar: &str) -> Loaded {
    let mut files = example();
    files.insert("labels.toml".into(), grammar.to_owned());
    read(Path::new(CELL_DIR), &files)
}

fn grammar(rules: &str) -> Labels {
    let loaded = with(rules);
    let told: String = loaded.diagnostics.iter().map(|fault| format!("{fault}\n")).collect();
    (*loaded.plan.unwrap_or_else(|| panic!("{told}")).labels.unwrap()).clone()
}

/// `piece: serial=IS-2207/019 next`: what a label says, in short; else why it says nothing.
fn said(labels: &Labels, text: &str) -> String {
    match labels.read(text) {
        Err(refusal) => format!("refused: {refusal}"),
        Ok(Label { rule, job, station, items, forget, command, reason }) => {
            let mut words = vec![format!("{rule}:")];
            words.extend(job.map(|job| format!("job={job}")));
            words.extend(station.map(|station| format!("station={station}")));
            words.extend(items.iter().map(|(item, value)| format!("{}={value}", item.word())));
            words.extend(forget.iter().map(|item| format!("no-{}", item.word())));
            words.extend(reason);
            words.extend(command.map(|command| command.word().to_owned()));
            words.join(" ")
        }
    }
}

/// Check characters of the labels: by hand from the tables of the standards (see `check_digit.rs`).
#[test]
fn labels_of_the_example_say_what_they_should() {
    let labels = (*read(Path::new(CELL_DIR), &example()).plan.unwrap().labels.unwrap()).clone();
    for (text, expected) in [
        ("JOB WO-48213", "traveller: job=WO-48213"),
        ("JOB WO-4821", "refused: no rule of labels.toml fits it"),
        ("job WO-48213", "refused: no rule of labels.toml fits it"),
        (" JOB WO-48213", "refused: no rule of labels.toml fits it"),
        ("JOB WO-48213\n", "refused: it holds a character that can't be printed"),
        // 18 + 28 + 36 + 2 + 2 + 0 + 7 + 40 + 0 + 1 + 9 = 143, 143 mod 43 = 14: E.
        ("IS-2207/019E", "piece: serial=IS-2207/019"),
        ("IS-2207/019F", "refused: its check character (mod 43) is wrong, by rule piece: scan it again"),
        ("IS-2207/010E", "refused: its check character (mod 43) is wrong, by rule piece: scan it again"),
        // Weights 1 and 3 from the left over 290000000017: 2+27+0+...+0+1+21 = 51, so 9 is missing to 60.
        ("2900000000179", "badge: operator=290000000017"),
        ("2900000000178", "refused: its check character (mod 10) is wrong, by rule badge: scan it again"),
        ("BALLOON 12", "feature: balloon=12"),
        ("ANY FEATURE", "card: order of the job again: no-balloon"),
        ("NEXT PIECE", "card: next piece: next"),
        ("TRAINING", "card: training: mode=training"),
        ("PRODUCTION", "card: production: no-mode"),
        ("", "refused: no rule of labels.toml fits it"),
        ("+12.3470 mm", "refused: no rule of labels.toml fits it"),
    ] {
        assert_eq!(said(&labels, text), expected, "{text:?}");
    }
}

/// What a shop may write, beside the example.
#[test]
fn every_part_of_a_rule_counts() {
    let labels = grammar(
        r#"
[[label]]
name = "several"
pattern = '(?<job>WO-\d+)\|(?<serial>[^|]*)(\|(?<operator>.+))?'
[[label]]
name = "own check"
pattern = 'L(?<lot>\d{4})(?<serial>X\d+)'
check = "mod 10"
check_over = "lot"
[[label]]
name = "place"
pattern = 'AT STICK'
set = { station = "stick", job = "WO-48240", serial = "S", operator = "O", balloon = "12", mode = "study" }
[[label]]
name = "all over"
pattern = 'HOME'
command = "close"
forget = ["serial", "operator", "balloon", "mode"]
[[label]]
name = "formula"
pattern = '=(?<serial>[A-Z+]+.*)'
[[label]]
name = "maybe nothing"
pattern = 'M(?<serial>\d)?'
"#,
    );
    let long = "9".repeat(VALUE_CHARACTERS_MAX + 1);
    for (text, expected) in [
        ("WO-1|A-1|anna", "several: job=WO-1 serial=A-1 operator=anna"),
        ("WO-1|A-1", "several: job=WO-1 serial=A-1"),
        ("WO-1|", "refused: by rule several it says nothing in the place of `serial`"),
        ("WO-1| |x", "refused: by rule several it says nothing in the place of `serial`"),
        ("L1236X7", "own check: serial=X7"),
        ("L1237X7", "refused: its check character (mod 10) is wrong, by rule own check: scan it again"),
        ("AT STICK", "place: job=WO-48240 station=stick serial=S operator=O balloon=12 mode=study"),
        ("HOME", "all over: no-serial no-operator no-balloon no-mode close"),
        ("=SUM(A1)", "formula: serial=SUM(A1)"),
        ("M", "refused: by rule maybe nothing it says nothing in the place of `anything`"),
        ("M1", "maybe nothing: serial=1"),
        (&format!("WO-1|{long}"), "refused: it is longer than 128 characters"),
        (&format!("WO-{}", "1".repeat(LABEL_CHARACTERS_MAX)), "refused: it is longer than 512 characters"),
        ("WO-1|A\u{1b}[2J", "refused: it holds a character that can't be printed"),
        ("WO-1|A\u{202e}1", "refused: it holds a character that can't be printed"),
        ("WO-1|Größe µ 部", "several: job=WO-1 serial=Größe µ 部"),
    ] {
        assert_eq!(said(&labels, text), expected, "{text:?}");
    }
}

/// Patterns that no text was found for which both fit, and yet there is one.
#[test]
fn a_label_that_fits_two_rules_is_refused_when_it_comes() {
    let rare = "[[label]]\nname = \"one\"\npattern = '[A-Z]{12}(?<serial>Q)'\n\
                [[label]]\nname = \"two\"\npattern = '(?<operator>ZEBRAFINCHES)Q'\n";
    let told: Vec<String> = with(rare).diagnostics.iter().map(|fault| fault.message.clone()).collect();
    assert_eq!(told, ["label `ZEBRAFINCHESQ` fits this rule and rule `one`, on line 3"], "a text of the second is one");
    // Both leave room, and hardly any text fits both.
    let rarer = "[[label]]\nname = \"one\"\npattern = '[A-Z]{9}(?<serial>[0-9]{9})'\n\
                 [[label]]\nname = \"two\"\npattern = '(?<operator>[A-Z]{4}.{5})[0-9]{4}2{5}'\n";
    let labels = grammar(rarer);
    assert_eq!(
        said(&labels, "ABCDEFGHI123422222"),
        "refused: it fits more than one rule of labels.toml: one, two; nobody can say which is meant"
    );
    assert_eq!(said(&labels, "ABCDEFGHI123422223"), "one: serial=123422223");
}

#[test]
fn what_is_kept_for_how_long_is_as_written() {
    let rule = "[[label]]\nname = \"one\"\npattern = '(?<serial>S)(?<operator>O)'\n";
    let labels = grammar(&format!("need = [\"operator\"]\n{rule}"));
    let kept =
        |labels: &Labels| Item::ALL.map(|item| labels.keep(item)).map(|keep| (keep.ms, keep.readings, keep.piece));
    assert_eq!(kept(&labels), [(None, None, true), (None, None, false), (None, None, true), (None, None, false)]);
    assert_eq!(labels.need.into_iter().collect::<Vec<_>>(), [Item::Operator]);
    let keep = "[keep]\nserial = { piece = false, readings = 3 }\noperator = { minutes = 2, piece = true }\n";
    assert_eq!(kept(&grammar(&format!("{keep}{rule}")))[..2], [(None, Some(3), false), (Some(120_000), None, true)]);
}

/// Pieces of grammars, right and wrong, and of other files.
fn scraps() -> impl Strategy<Value = String> {
    let line = prop_oneof![
        Just("[[label]]".to_owned()),
        Just("[keep]".to_owned()),
        "name = \"[a-c]\"",
        "pattern = '[A-C(?<>serial)|*+{}0-9\\\\d.\\[\\]-]{0,16}'",
        "pattern = '[A-C]{1,3}\\(\\?<(serial|job|station)>[A-D]{1,2}\\)'",
        "check = \"mod (10|43|11)\"",
        "check_over = \"(serial|x)\"",
        "set = \\{ (job|serial|mode|station) = \"[a-z]{0,9}\" \\}",
        "forget = \\[\"(serial|mode|x)\"\\]",
        "command = \"(next|close|back)\"",
        "need = \\[\"(serial|operator)\"\\]",
        "serial = \\{ (minutes|readings|piece) = (0|1|true|\"x\") \\}",
        "\\PC{0,12}",
    ];
    proptest::collection::vec(line, 0..14).prop_map(|lines| lines.join("\n"))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Whatever the file holds: no panic; what is a fault has a place; without one a label is read or refused.
    #[test]
    fn any_file_is_checked_and_any_label_read(text in scraps(), labels in proptest::collection::vec("\\PC{0,20}|[A-D0-9]{0,6}", 8)) {
        let loaded = with(&text);
        for fault in &loaded.diagnostics {
            prop_assert_eq!(&fault.file, Path::new("labels.toml"));
            prop_assert!(fault.line > 0, "{}", fault);
        }
        if let Some(grammar) = loaded.partial.unwrap().labels {
            for label in labels {
                let fitting = grammar.rules.iter().filter(|rule| rule.fits(&label)).count();
                match grammar.read(&label) {
                    Ok(label) => prop_assert!(fitting == 1 && !label.is_empty()),
                    Err(refusal) => prop_assert!(!refusal.to_string().is_empty()),
                }
            }
        }
    }

    /// A label that is read says nothing that can't be printed or stored, whatever it is.
    #[test]
    fn what_a_label_says_is_bounded_and_printable(text in "(.|[\\x00-\\u{10ffff}]){0,600}") {
        let labels = grammar("[[label]]\nname = \"any\"\npattern = '(?s)(?<serial>.*)'\n");
        if let Ok(label) = labels.read(&text) {
            let serial = &label.items[&Item::Serial];
            prop_assert_eq!(serial, &text);
            prop_assert!(serial.chars().count() <= VALUE_CHARACTERS_MAX);
            prop_assert!(!serial.chars().any(char::is_control) && !serial.trim().is_empty());
        }
    }
}
