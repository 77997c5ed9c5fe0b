//! One function per rule. Each takes the tree and gives a line per place where the rule is broken.

use super::source::{code_only, functions, without_tests};
use super::{File, Tree};

/// A file that may be longer than the rest, and why.
pub type SizeException<'a> = (&'a str, usize, &'a str);

/// Every Rust file says first why it exists.
pub fn module_docs(tree: &Tree) -> Vec<String> {
    let silent = tree.rust().filter(|file| !file.text.starts_with("//! "));
    silent.map(|file| format!("{}: opens without `//!`", file.path)).collect()
}

/// The crates that compute only.
const PURE: &[&str] = &["texture", "parsers", "config", "judge"];

/// What a crate that computes only can't name: clock, environment, files, threads, sockets, the runtime, the store.
const IMPURE: &[&str] = &[
    "tokio",
    "rusqlite",
    "std::thread",
    "std::net",
    "std::os::unix::net",
    "std::env",
    "std::process",
    "std::fs",
    "SystemTime",
    "Instant::now",
    "Zoned::now",
    "Timestamp::now",
];

/// An address opens no socket.
const ADDRESSES: &[&str] = &["std::net::SocketAddr", "std::net::IpAddr", "std::net::Ipv4Addr", "std::net::Ipv6Addr"];

/// The one file of the pure crates that reads files.
const MAY_READ_FILES: &str = "config/src/load.rs";

/// Pure crates stay pure.
pub fn pure_crates(tree: &Tree) -> Vec<String> {
    let mut found = Vec::new();
    for file in tree.rust().filter(|file| PURE.iter().any(|name| file.path.starts_with(&format!("{name}/src/")))) {
        let mut code = spell_out_std(&code_only(&without_tests(&file.text)));
        for address in ADDRESSES {
            code = code.replace(address, "");
        }
        for word in IMPURE.iter().filter(|word| !(**word == "std::fs" && file.path == MAY_READ_FILES)) {
            if holds_word(&code, word) {
                found.push(format!("{}: names `{word}` in a crate that computes only", file.path));
            }
        }
    }
    found
}

/// `use std::{fs, io}` also says `std::fs`.
fn spell_out_std(code: &str) -> String {
    let mut spelled = code.to_owned();
    for (at, mark) in code.match_indices("std::{") {
        let mut depth = 1;
        let mut name = String::new();
        for letter in code[at + mark.len()..].chars() {
            match letter {
                '{' => depth += 1,
                '}' => depth -= 1,
                ',' if depth == 1 => name.clear(),
                _ if depth == 1 => name.push(letter),
                _ => {}
            }
            if depth == 0 {
                break;
            }
            spelled.push_str(&format!(" std::{} ", name.trim()));
        }
    }
    spelled
}

/// Whether `word` stands in `text` and is not part of a longer word.
fn holds_word(text: &str, word: &str) -> bool {
    let is_word = |letter: char| letter.is_alphanumeric() || letter == '_';
    text.match_indices(word)
        .any(|(at, _)| !text[..at].ends_with(is_word) && !text[at + word.len()..].starts_with(is_word))
}

/// Names that say nothing about what is inside.
const EMPTY_NAMES: &[&str] = &["common", "util", "utils", "helper", "helpers", "misc", "core", "types", "manager"];

/// No file, folder or module of such a name.
pub fn names(tree: &Tree) -> Vec<String> {
    let mut found = Vec::new();
    for file in &tree.files {
        let parts = file.path.split('/').map(|part| part.split('.').next().unwrap_or(part));
        for part in parts.filter(|part| EMPTY_NAMES.contains(part)) {
            found.push(format!("{}: nothing is called `{part}`", file.path));
        }
    }
    for file in tree.rust() {
        let code = code_only(&file.text);
        for name in EMPTY_NAMES.iter().filter(|name| holds_word(&code, &format!("mod {name}"))) {
            found.push(format!("{}: no module is called `{name}`", file.path));
        }
    }
    found
}

/// How many times longer a file of tests may be: cases stand in it one after the other.
const TESTS_LONGER: usize = 3;

/// Whether a file holds the tests of one crate and nothing else.
fn is_of_tests(path: &str) -> bool {
    path.ends_with("/tests.rs") || PURE.iter().any(|name| path.starts_with(&format!("{name}/tests/")))
}

/// Files stay readable: `most` lines without their unit tests, more for tests, but for those that are listed with a
/// reason. A listed file that has become short enough is told as well.
pub fn file_sizes(tree: &Tree, most: usize, exceptions: &[SizeException<'_>]) -> Vec<String> {
    let mut found = Vec::new();
    for file in tree.rust() {
        let lines = without_tests(&file.text).lines().count();
        let exception = exceptions.iter().find(|(path, _, _)| *path == file.path);
        let most = if is_of_tests(&file.path) { most * TESTS_LONGER } else { most };
        let most_here = exception.map_or(most, |(_, most, _)| *most);
        if lines > most_here {
            found.push(format!("{}: {lines} lines, at most {most_here}", file.path));
        }
        if exception.is_some() && lines <= most {
            found.push(format!("{}: {lines} lines need no exception", file.path));
        }
    }
    let gone = exceptions.iter().filter(|(path, _, _)| !tree.files.iter().any(|file| file.path == *path));
    found.extend(gone.map(|(path, _, _)| format!("{path}: is listed as long and does not exist")));
    found
}

/// Functions stay readable.
pub fn function_sizes(tree: &Tree, most: usize) -> Vec<String> {
    let mut found = Vec::new();
    for file in tree.rust() {
        let long = functions(&code_only(&file.text)).into_iter().filter(|function| function.lines > most);
        found.extend(long.map(|function| {
            format!("{}:{}: `{}` has {} lines, at most {most}", file.path, function.line, function.name, function.lines)
        }));
    }
    found
}

/// What the top of the tree may hold.
const TOP_LEVEL: &[&str] = &[
    ".cargo",
    ".ci",
    ".gitignore",
    "CHANGELOG.md",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "config",
    "daemon",
    "judge",
    "parsers",
    "rustfmt.toml",
    "systemd",
    "tests",
    "texture",
];

/// The tree reads as a sentence: nothing at its top but what the design names.
pub fn top_level(tree: &Tree) -> Vec<String> {
    let mut tops: Vec<&str> = tree.files.iter().filter_map(|file| file.path.split('/').next()).collect();
    tops.dedup();
    tops.retain(|top| !TOP_LEVEL.contains(top));
    tops.iter().map(|top| format!("{top}: does not belong at the top of the tree")).collect()
}

/// Words that no file may hold; put together here so that this file does not hold them itself.
const NOWHERE: &[&str] = &[concat!("/wo", "rk/"), concat!("/ho", "me/"), concat!("seed ", "document")];

/// Hosts that no script or configuration may name: a build takes what the package tools are set up to take.
const HOSTS: &[&str] = &[
    concat!("crates", ".io"),
    concat!("py", "pi.org"),
    concat!("files.python", "hosted.org"),
    concat!("deb.", "debian.org"),
    concat!("npm", "js.org"),
    concat!("proxy.", "golang.org"),
];

/// No file tells where or how it was made.
pub fn forbidden_words(tree: &Tree) -> Vec<String> {
    let mut found = Vec::new();
    for file in tree.files.iter().filter(|file| file.path != "Cargo.lock") {
        let lower = file.text.to_lowercase();
        let hosts = if is_script_or_configuration(file) { HOSTS } else { &[] };
        for word in NOWHERE.iter().chain(hosts).filter(|word| lower.contains(**word)) {
            found.push(format!("{}: holds `{word}`", file.path));
        }
    }
    found
}

fn is_script_or_configuration(file: &File) -> bool {
    let endings = [".toml", ".sh", ".yml", ".yaml", ".json", ".service", ".conf", ".rules"];
    file.path.starts_with(".ci/") || endings.iter().any(|ending| file.path.ends_with(ending))
}

/// Which of our crates each of our crates may use, in whatever section of its manifest.
const WALLS: &[(&str, &[&str])] = &[
    ("texture", &[]),
    ("parsers", &[]),
    ("config", &["parsers", "texture"]),
    ("judge", &["parsers", "config", "texture"]),
    ("tests", &["parsers", "config"]),
    ("daemon", &["texture", "parsers", "config", "judge", "tests"]),
];

/// The crate graph is the one of the design, and pure crates depend on nothing that reaches outside.
pub fn walls(tree: &Tree) -> Vec<String> {
    let mut found = Vec::new();
    for (name, may_use) in WALLS {
        let path = format!("{name}/Cargo.toml");
        let Some(manifest) = tree.files.iter().find(|file| file.path == path) else {
            found.push(format!("{path}: is missing"));
            continue;
        };
        for dependency in dependencies(&manifest.text) {
            let ours = dependency.strip_prefix("ridgepost-");
            if ours.is_some_and(|ours| !may_use.contains(&ours)) || dependency == "ridgepost" {
                found.push(format!("{path}: may not use `{dependency}`"));
            }
            let reaches_outside = ["tokio", "rusqlite", "rustix", "libc", "notify", "serialport"];
            if PURE.contains(name) && reaches_outside.contains(&dependency.as_str()) {
                found.push(format!("{path}: a crate that computes only may not use `{dependency}`"));
            }
        }
    }
    found
}

/// Names in every dependency section of a manifest.
fn dependencies(manifest: &str) -> Vec<String> {
    let mut inside = false;
    let mut found = Vec::new();
    for line in manifest.lines().map(str::trim) {
        if let Some(section) = line.strip_prefix('[') {
            let section = section.trim_end_matches(']');
            inside = section.ends_with("dependencies");
            if let Some((_, name)) = section.split_once("dependencies.") {
                found.push(name.to_owned());
            }
        } else if inside && !line.starts_with('#') && line.contains('=') {
            let name = line.split(['=', '.', ' ']).next().unwrap_or_default();
            found.push(name.trim_matches('"').to_owned());
        }
    }
    found
}

/// Nothing is left for later without saying so: no placeholder that stops a program, no test put aside without
/// telling what it needs.
pub fn unfinished(tree: &Tree) -> Vec<String> {
    let mut found = Vec::new();
    for file in tree.rust() {
        let code = code_only(&file.text);
        for word in ["todo!", "unimplemented!"].iter().filter(|word| code.contains(**word)) {
            found.push(format!("{}: holds `{word}`", file.path));
        }
        // The reason is a string, so the mark is looked for in the code and the reason in the text.
        for (at, _) in code.match_indices("#[ignore") {
            let reason = file.text.get(at..).and_then(|rest| rest.lines().next()).unwrap_or_default();
            if !reason.starts_with("#[ignore = \"needs ") {
                found.push(format!("{}: a test is ignored without saying what it needs", file.path));
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tree(files: &[(&str, &str)]) -> Tree {
        let files = files.iter().map(|(path, text)| File { path: (*path).into(), text: (*text).into() });
        Tree { files: files.collect() }
    }

    /// The planted fault is found, and the same thing done properly is not.
    #[track_caller]
    fn tells_apart(rule: impl Fn(&Tree) -> Vec<String>, wrong: &[(&str, &str)], right: &[(&str, &str)]) {
        assert_eq!(rule(&tree(wrong)).len(), wrong.len(), "{:?}", rule(&tree(wrong)));
        assert_eq!(rule(&tree(right)), Vec::<String>::new());
    }

    #[test]
    fn files_without_a_reason_are_found() {
        tells_apart(
            module_docs,
            &[("a.rs", "use x;\n//! late\n"), ("b.rs", "")],
            &[("a.rs", "//! why\n"), ("b.txt", "")],
        );
    }

    #[test]
    fn impurities_are_found() {
        let wrong = [
            ("judge/src/a.rs", "let now = jiff::Timestamp::now();"),
            ("texture/src/b.rs", "use std::{cmp, fs};"),
            ("config/src/c.rs", "fn f() { std::fs::read(p) }"),
            ("config/src/e.rs", "use std::net::SocketAddr; use std::net::TcpStream;"),
            ("parsers/src/d.rs", "use std::{collections::{self, BTreeMap}, env::args};"),
        ];
        let right = [
            ("judge/src/a.rs", "// std::fs\nlet text = \"tokio\"; let std_fsx = 1;"),
            ("config/src/load.rs", "use std::fs;"),
            ("daemon/src/b.rs", "use tokio::time;"),
            ("texture/src/c.rs", "//! x\n#[cfg(test)]\nmod tests { use std::fs; }\n"),
            ("texture/src/d.rs", "use std::{cmp, io::fs};"),
            ("config/src/e.rs", "use std::net::SocketAddr;"),
        ];
        tells_apart(pure_crates, &wrong, &right);
    }

    #[test]
    fn empty_names_are_found() {
        let wrong = [("daemon/src/utils.rs", ""), ("daemon/core/a.rs", ""), ("daemon/src/a.rs", "mod helpers { }")];
        let right =
            [("daemon/src/coverage.rs", "mod typesetting;"), ("daemon/src/b.rs", "// mod util\nuse core::fmt;")];
        tells_apart(names, &wrong, &right);
    }

    #[test]
    fn long_files_and_functions_are_found() {
        let long = "x\n".repeat(11);
        let tested = format!("x\n#[cfg(test)]\nmod tests {{\n{long}}}\n");
        tells_apart(|tree| file_sizes(tree, 10, &[]), &[("a.rs", &long)], &[("a.rs", &tested)]);
        let of_tests = ("daemon/src/store/tests.rs", &*long);
        tells_apart(|tree| file_sizes(tree, 10, &[]), &[], &[of_tests]);
        let listed = [("a.rs", 20, "a table")];
        tells_apart(|tree| file_sizes(tree, 10, &listed), &[("a.rs", "short")], &[("a.rs", &long)]);
        assert_eq!(file_sizes(&tree(&[]), 10, &listed).len(), 1, "a listed file that is gone");
        let function = format!("fn f() {{\n{long}}}");
        tells_apart(|tree| function_sizes(tree, 10), &[("a.rs", &function)], &[("a.rs", "fn f() {\n}\n")]);
    }

    #[test]
    fn strangers_at_the_top_are_found() {
        tells_apart(top_level, &[("notes.md", "")], &[("README.md", ""), ("tests/notes.md", "")]);
    }

    #[test]
    fn forbidden_words_are_found() {
        let path = format!("see {}x", NOWHERE[0]);
        let host = format!("curl https://{}/", HOSTS[0]);
        tells_apart(
            forbidden_words,
            &[("README.md", &path), (".ci/run", &host), ("x/Cargo.toml", &host)],
            &[("Cargo.lock", &host), ("README.md", "a working day")],
        );
    }

    #[test]
    fn breaches_of_walls_are_found() {
        let manifest = |name: &str, text: &str| (format!("{name}/Cargo.toml"), text.to_owned());
        let with = |name: &str, text: &str| {
            let files =
                WALLS.iter().map(|(crate_name, _)| manifest(crate_name, if *crate_name == name { text } else { "" }));
            let files: Vec<_> = files.collect();
            let files: Vec<_> = files.iter().map(|(path, text)| (path.as_str(), text.as_str())).collect();
            walls(&tree(&files))
        };
        assert_eq!(with("texture", "[dependencies]\nridgepost-parsers.workspace = true\n").len(), 1);
        assert_eq!(with("judge", "[dev-dependencies]\nridgepost-tests = { path = \"../tests\" }\n").len(), 1);
        assert_eq!(with("parsers", "[target.'cfg(unix)'.dependencies]\nlibc = \"0.2\"\n").len(), 1);
        assert_eq!(with("config", "[dependencies.ridgepost-judge]\nworkspace = true\n").len(), 1);
        assert_eq!(
            with("config", "[dependencies]\nridgepost-parsers.workspace = true\n# ridgepost-judge = 1\n").len(),
            0
        );
        assert_eq!(walls(&tree(&[])).len(), WALLS.len(), "a manifest that is not there");
    }

    #[test]
    fn what_is_put_off_is_found() {
        let wrong = [
            ("a.rs", "fn f() { todo!() }"),
            ("b.rs", "#[ignore]\nfn f() {}"),
            ("c.rs", "#[ignore = \"slow\"]\nfn f() {}"),
        ];
        let right = [("a.rs", "// todo!\n"), ("b.rs", "#[ignore = \"needs a share\"]\nfn f() {}")];
        tells_apart(unfinished, &wrong, &right);
    }
}
