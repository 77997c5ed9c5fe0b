//! Troubles that last: told once when they begin and once, with their duration, when they end.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Instant;

/// The open troubles by code. Cheap to clone; all clones are the same ledger.
#[derive(Clone, Debug, Default)]
pub struct Ledger(Arc<Mutex<BTreeMap<&'static str, Trouble>>>);

#[derive(Clone, Debug)]
struct Trouble {
    since: Instant,
    text: String,
}

impl Ledger {
    /// Says how it stands with one thing: what its trouble is, or that there is none.
    pub fn note(&self, code: &'static str, trouble: Option<String>) {
        let Ok(mut open) = self.0.lock() else { return };
        match (trouble, open.remove(code)) {
            (Some(text), Some(known)) => drop(open.insert(code, Trouble { text, ..known })),
            (Some(text), None) => {
                tracing::warn!(code, "{text}");
                open.insert(code, Trouble { since: Instant::now(), text });
            }
            (None, Some(known)) => {
                tracing::info!(code, "well again after {} s: {}", known.since.elapsed().as_secs(), known.text);
            }
            (None, None) => {}
        }
    }

    /// Whether it stands open.
    pub fn is_open(&self, code: &str) -> bool {
        self.0.lock().is_ok_and(|open| open.contains_key(code))
    }

    /// Every open trouble: code and words.
    pub fn open(&self) -> Vec<(&'static str, String)> {
        let open = self.0.lock().map(|open| open.clone()).unwrap_or_default();
        open.into_iter().map(|(code, trouble)| (code, trouble.text)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_trouble_stands_open_until_it_is_over() {
        let ledger = Ledger::default();
        ledger.note("digest", None);
        assert_eq!(ledger.open(), []);
        ledger.note("digest", Some("no folder".into()));
        ledger.note("digest", Some("no room".into()));
        assert_eq!(ledger.open(), [("digest", "no room".to_owned())]);
        assert!(ledger.is_open("digest") && !ledger.is_open("low-space"));
        ledger.note("digest", None);
        assert_eq!(ledger.open(), []);
    }
}
