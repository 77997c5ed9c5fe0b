//! Which causes of deafness a person is told. The first at once; another one that takes its place later (the cable is in
//! again, but the device may not be opened) too, ever more seldom, so that causes that alternate fill no log.

use ridgepost_parsers::Tick;

/// The first cause has stood for so long before another one is told.
const NEXT_MS: u64 = 10_000;
/// The longest time between two causes that are told.
const NEXT_MS_MAX: u64 = 3_600_000;

/// What was told of a device since it was listened to last.
#[derive(Debug, Default)]
pub(super) struct Causes {
    told: Option<(String, Tick)>,
    gap_ms: u64,
}

/// How a cause is to be told.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Telling {
    /// It is deaf from now on.
    First,
    /// It is deaf still, for another reason.
    Another,
}

impl Causes {
    /// It is listened to.
    pub(super) fn forget(&mut self) {
        *self = Causes::default();
    }

    /// How to tell this cause, unless it is told already or comes too soon.
    pub(super) fn told(&mut self, now: Tick, cause: &str) -> Option<Telling> {
        let telling = match &self.told {
            None => Telling::First,
            Some((told, at)) if told != cause && now.0.saturating_sub(at.0) >= self.gap_ms => Telling::Another,
            Some(_) => return None,
        };
        self.gap_ms = (self.gap_ms * 2).clamp(NEXT_MS, NEXT_MS_MAX);
        self.told = Some((cause.to_owned(), now));
        Some(telling)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A cable that is pulled, put in again, and a node that may not be opened; then two causes that alternate for a
    /// year, a try every two seconds.
    #[test]
    fn another_cause_is_told_and_causes_that_alternate_fill_no_log() {
        let mut causes = Causes::default();
        assert_eq!(causes.told(Tick(0), "gone"), Some(Telling::First));
        assert_eq!(causes.told(Tick(250), "not there"), None);
        assert_eq!(causes.told(Tick(9_999), "may not be opened"), None);
        assert_eq!(causes.told(Tick(10_000), "may not be opened"), Some(Telling::Another));
        assert_eq!(causes.told(Tick(900_000), "may not be opened"), None);
        let year = 365 * 24 * 3_600_000;
        let told = (0..year / 2_000).filter(|n| {
            let cause = if n % 2 == 0 { "busy" } else { "not there" };
            causes.told(Tick(1_000_000 + n * 2_000), cause).is_some()
        });
        let told = told.count();
        assert!((100..=10_000).contains(&told), "{told}");
        causes.forget();
        assert_eq!(causes.told(Tick(0), "busy"), Some(Telling::First));
    }
}
