//! Whatever people do to a good file: nothing panics, and a file that is told faultless yields a plan.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests stop at the first surprise")]

mod example;

use std::path::Path;

use example::{CELL_DIR, example};
use proptest::prelude::*;
use ridgepost_config::{explain, read};

/// Something that people or editors do to a text.
#[derive(Clone, Debug)]
enum Edit {
    Cut(usize, usize),
    Insert(usize, String),
    Twice(usize),
    Swap(usize, usize),
    Truncate(usize),
}

fn edit() -> impl Strategy<Value = Edit> {
    let place = 0..6000_usize;
    let piece = prop::sample::select(vec![
        "\"",
        "'",
        "[",
        "]",
        "[[",
        "{",
        "}",
        "=",
        "\n",
        "#",
        ",",
        "0",
        "1.5",
        "µ",
        "\t",
        "\u{feff}",
        "\r",
        "\u{1b}",
        "é.",
        "[[station]]\n",
        "[[characteristic]]\n",
        "upper = 0.8\n",
        "name = \"x\"\n",
        "a.b.c = 1\n",
        "'''",
        "\\",
        "-",
        "{seq",
    ]);
    prop_oneof![
        (place.clone(), 1..40_usize).prop_map(|(at, count)| Edit::Cut(at, count)),
        (place.clone(), piece).prop_map(|(at, piece)| Edit::Insert(at, piece.to_owned())),
        (place.clone(), any::<char>()).prop_map(|(at, char)| Edit::Insert(at, char.to_string())),
        place.clone().prop_map(Edit::Twice),
        (place.clone(), place.clone()).prop_map(|(one, other)| Edit::Swap(one, other)),
        place.prop_map(Edit::Truncate),
    ]
}

fn apply(text: &str, edit: &Edit) -> String {
    let mut chars: Vec<char> = text.chars().collect();
    let mut lines: Vec<&str> = text.lines().collect();
    let (length, count) = (chars.len().max(1), lines.len().max(1));
    match edit {
        Edit::Cut(at, count) => {
            let at = at % length;
            chars.drain(at.min(chars.len())..(at + count).min(chars.len()));
        }
        Edit::Insert(at, piece) => {
            let at = at % length;
            chars.splice(at..at, piece.chars());
        }
        Edit::Truncate(at) => chars.truncate(at % length),
        Edit::Twice(at) if !lines.is_empty() => {
            lines.insert(at % count, lines[at % count]);
            return lines.join("\n");
        }
        Edit::Swap(one, other) if !lines.is_empty() => {
            lines.swap(one % count, other % count);
            return lines.join("\n");
        }
        Edit::Twice(_) | Edit::Swap(..) => {}
    }
    chars.into_iter().collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn no_edit_takes_the_reader_down(file in 0..5_usize, edits in prop::collection::vec(edit(), 1..6)) {
        let mut files = example();
        let text = files.values_mut().nth(file).unwrap();
        for edit in &edits {
            *text = apply(text, edit);
        }
        let loaded = read(Path::new(CELL_DIR), &files);
        let faults = loaded.faults().count();
        prop_assert_eq!(loaded.plan.is_some(), faults == 0, "{:#?}", loaded.diagnostics);
        for diagnostic in &loaded.diagnostics {
            let told = diagnostic.to_string();
            prop_assert!(!told.contains('\u{1b}'), "{:?}", told);
            let text = &files[&diagnostic.file];
            let line = text.lines().nth(diagnostic.line.saturating_sub(1)).unwrap_or_default();
            let line = if diagnostic.line == 1 { line.trim_start_matches('\u{feff}') } else { line };
            prop_assert_eq!(line.trim_end_matches('\r'), diagnostic.snippet.as_str());
            prop_assert!(diagnostic.column <= diagnostic.snippet.chars().count() + 1, "{}", told);
        }
        if let Some(plan) = loaded.partial {
            explain(&plan);
            prop_assert!(plan.stations.len() <= 4 + edits.len());
        }
    }
}

/// Nesting must not eat the stack, however deep a file claims to be.
#[test]
fn deep_nesting_is_survived() {
    let deep = 20_000;
    for text in [
        format!("x = {}", "[".repeat(deep)),
        format!("x = {}", "{ a = ".repeat(deep)),
        format!("x{} = 1", ".a".repeat(deep)),
        format!("[x{}]", ".a".repeat(deep)),
        format!("[[x{}]]", ".a".repeat(deep)),
        (0..200).map(|_| "x.".repeat(deep / 200) + "y = 1\n").collect(),
    ] {
        let mut files = example();
        files.insert("cell.toml".into(), text);
        assert!(read(Path::new(CELL_DIR), &files).plan.is_none());
    }
}
