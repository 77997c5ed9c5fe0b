//! Where the log goes: to the journal with fields of a few known values, or as lines to stderr.
//!
//! Fields are `STAGE` (`capture`, `record`, `deliver`, `watch`), `STATION`, `SINK` and `CODE`, so that
//! `journalctl STAGE=deliver SINK=mes` finds what it should. The stage follows from where in the program a line comes
//! from; the others are given by each line and bounded by the configuration and by the program's own list of codes.

use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use tracing_subscriber::{EnvFilter, Layer, Registry};

/// The stages of a reading's way, and whatever watches over them.
const STAGES: [&str; 4] = ["capture", "record", "deliver", "watch"];

/// Starts the log. `RIDGEPOST_LOG` says how much of it; `info` where it says nothing.
pub fn start() {
    let filter = EnvFilter::try_from_env("RIDGEPOST_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
    let journal = if is_journal() { layers() } else { None };
    let _ = match journal {
        Some(layers) => tracing_subscriber::registry().with(layers.with_filter(filter)).try_init(),
        None => {
            let lines = tracing_subscriber::fmt::layer()
                .with_writer(std::io::stderr)
                .with_ansi(std::io::IsTerminal::is_terminal(&std::io::stderr()))
                .with_target(false);
            tracing_subscriber::registry().with(lines.with_filter(filter)).try_init()
        }
    };
}

/// Whether stderr goes to the journal: systemd.exec(5) says by JOURNAL_STREAM which device and inode that is, and that
/// a program whose stderr is another one was redirected.
fn is_journal() -> bool {
    let Ok(said) = std::env::var("JOURNAL_STREAM") else { return false };
    rustix::fs::fstat(std::io::stderr()).is_ok_and(|stat| names(&said, stat.st_dev, stat.st_ino))
}

/// Whether `said` names this device and inode, as decimal numbers with a colon between them.
fn names(said: &str, device: u64, inode: u64) -> bool {
    said == format!("{device}:{inode}")
}

type Boxed = Box<dyn Layer<Registry> + Send + Sync>;

/// One way to the journal per stage, because the stage is a field that no line gives; `None` without a journal.
fn layers() -> Option<Vec<Boxed>> {
    let layer = |stage: &'static str| {
        let journal = tracing_journald::layer().ok()?.with_field_prefix(None);
        let journal = journal.with_custom_fields([("STAGE", stage)]);
        let mine = tracing_subscriber::filter::filter_fn(move |meta| stage_of(meta.target()) == stage);
        Some(journal.with_filter(mine).boxed())
    };
    STAGES.into_iter().map(layer).collect()
}

/// The stage that a line of this module belongs to.
fn stage_of(target: &str) -> &'static str {
    let mut parts = target.split("::");
    match (parts.next(), parts.next()) {
        (Some("ridgepost"), Some("capture")) => "capture",
        (Some("ridgepost"), Some("store")) => "record",
        (Some("ridgepost"), Some("deliver")) => "deliver",
        _ => "watch",
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    #[test]
    fn every_line_has_a_stage() {
        for (target, stage) in [
            ("ridgepost::capture::line", "capture"),
            ("ridgepost::store::writer", "record"),
            ("ridgepost::deliver", "deliver"),
            ("ridgepost::deliver::porter", "deliver"),
            ("ridgepost::run::crew", "watch"),
            ("ridgepost::watch", "watch"),
            ("ridgepost", "watch"),
            ("ridgepost_judge::slot", "watch"),
            ("notify", "watch"),
        ] {
            assert_eq!(stage_of(target), stage, "{target}");
            assert!(STAGES.contains(&stage));
        }
    }

    #[test]
    fn a_redirected_stderr_is_no_journal() {
        assert!(names("8:4711", 8, 4711));
        for other in ["8:4712", "9:4711", "", "8", "8:4711:1", "x:y"] {
            assert!(!names(other, 8, 4711), "{other}");
        }
    }

    /// The parts of a call up to its closing bracket, without what stands in strings or inner brackets.
    fn parts(call: &str) -> Vec<String> {
        let (mut parts, mut depth, mut in_string, mut escaped) = (vec![String::new()], 0, false, false);
        for char in call.chars() {
            match char {
                _ if escaped => escaped = false,
                '\\' if in_string => escaped = true,
                '"' => in_string = !in_string,
                _ if in_string => {}
                ')' | '}' | ']' if depth == 0 => break,
                ')' | '}' | ']' => depth -= 1,
                '(' | '{' | '[' => depth += 1,
                ',' if depth == 0 => parts.push(String::new()),
                other if depth == 0 => parts.last_mut().unwrap().push(other),
                _ => {}
            }
        }
        parts
    }

    /// Lines carry no fields but the few that are promised: others would be unbounded, or found by nobody.
    #[test]
    fn no_line_has_another_field() {
        let mut files = vec![std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("src")];
        let (mut lines, mut wrong) = (0, Vec::new());
        while let Some(path) = files.pop() {
            if path.is_dir() {
                files.extend(std::fs::read_dir(path).unwrap().map(|entry| entry.unwrap().path()));
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap();
            let levels = ["error", "warn", "info", "debug", "trace"].map(|level| format!("tracing::{level}!("));
            for call in levels.iter().flat_map(|level| text.split(level.as_str()).skip(1)) {
                lines += 1;
                for part in parts(call) {
                    let name = part.split_once(" = ").map(|(name, _)| name.trim());
                    if name.is_some_and(|name| !["code", "station", "sink"].contains(&name)) {
                        wrong.push(format!("{}: {part}", path.display()));
                    }
                }
            }
        }
        assert!(lines > 20, "{lines} lines are looked at");
        assert!(wrong.is_empty(), "{wrong:#?}");
    }
}
