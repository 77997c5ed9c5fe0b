//! What a decoder remembers of what it has heard, so that the same again is told from something new.

use std::collections::{HashSet, VecDeque};
use std::sync::Arc;

/// Identities that are remembered. A stream may run for years with as many of them as readings; a whole memory of an
/// instrument that is sent again is some hundred. Whoever keeps readings for good finds the same again however long ago it
/// was, by [`identity_key`](crate::Instrument::identity_key).
pub(crate) const REMEMBERED: usize = 1_024;

/// The identities heard last.
#[derive(Clone, Debug, Default)]
pub(crate) struct Repeats {
    known: HashSet<Arc<str>>,
    /// The same, oldest first.
    order: VecDeque<Arc<str>>,
}

impl Repeats {
    pub(crate) fn knows(&self, key: &str) -> bool {
        self.known.contains(key)
    }

    /// Remembers an identity; where there are many, the oldest is forgotten for it.
    pub(crate) fn remember(&mut self, key: &str) {
        if self.knows(key) {
            return;
        }
        let key: Arc<str> = key.into();
        if self.order.len() >= REMEMBERED
            && let Some(oldest) = self.order.pop_front()
        {
            self.known.remove(&oldest);
        }
        self.known.insert(Arc::clone(&key));
        self.order.push_back(key);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_of_years_is_remembered_by_its_end() {
        let mut repeats = Repeats::default();
        let key = |number: usize| format!("number={number}");
        let heard = REMEMBERED * 20;
        (0..heard).for_each(|number| repeats.remember(&key(number)));
        (heard - REMEMBERED..heard).for_each(|number| assert!(repeats.knows(&key(number)), "{number}"));
        assert!((0..heard - REMEMBERED).all(|number| !repeats.knows(&key(number))));
        repeats.remember(&key(heard - 1));
        assert_eq!((repeats.known.len(), repeats.order.len()), (REMEMBERED, REMEMBERED));
        let most = REMEMBERED * 4;
        assert!(
            repeats.known.capacity() <= most && repeats.order.capacity() <= most,
            "what was forgotten leaves no room"
        );
    }
}
