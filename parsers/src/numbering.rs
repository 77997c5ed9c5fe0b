//! Which record numbers are missing between one reading and the next.

use std::collections::BTreeMap;

/// Channels whose last numbers are remembered; a stream has few.
const CHANNELS_MAX: usize = 256;

/// The range in which an instrument numbers its readings, where it begins anew: `first` comes behind `last`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Numbering {
    pub(crate) first: u64,
    pub(crate) last: Option<u64>,
}

/// The last record number of each channel.
#[derive(Clone, Debug, Default)]
pub(crate) struct Numbers {
    last: BTreeMap<Option<String>, u64>,
}

impl Numbers {
    /// Takes a reading's number; the numbers that are missing before it, in words, if any are. A number that goes back
    /// is a new beginning unless the numbering is declared to wrap.
    pub(crate) fn gap_before(&mut self, form: Numbering, channel: &Option<String>, text: &str) -> Option<String> {
        let number: u64 = text.parse().ok()?;
        if self.last.len() >= CHANNELS_MAX && !self.last.contains_key(channel) {
            self.last.clear();
        }
        let before = self.last.insert(channel.clone(), number)?;
        let name = |number: u64| format!("{number:0width$}", width = text.len());
        let range = |from: u64, to: u64| match to.saturating_sub(from) {
            0 => name(from),
            1 => format!("{} and {}", name(from), name(to)),
            _ => format!("{} to {}", name(from), name(to)),
        };
        let missing = match form.last {
            Some(last) if number < before => {
                let behind = (before < last).then(|| range(before + 1, last));
                let ahead = (number > form.first).then(|| range(form.first, number - 1));
                [behind, ahead].into_iter().flatten().collect::<Vec<_>>().join(" and ")
            }
            _ if number > before.saturating_add(1) => range(before + 1, number - 1),
            _ => return None,
        };
        let of = channel.as_ref().map(|channel| format!(" of channel {channel}")).unwrap_or_default();
        (!missing.is_empty()).then(|| format!("missing before {}{of}: {missing}", name(number)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gaps(form: Numbering, numbers: &[&str]) -> Vec<Option<String>> {
        let mut known = Numbers::default();
        numbers.iter().map(|number| known.gap_before(form, &None, number)).collect()
    }

    #[test]
    fn missing_numbers_are_named() {
        let plain = Numbering::default();
        let told = gaps(plain, &["0007", "0008", "0008", "0010", "0013", "0020", "0003", "x", "0004"]);
        let told: Vec<&str> = told.iter().flatten().map(String::as_str).collect();
        assert_eq!(
            told,
            ["missing before 0010: 0009", "missing before 0013: 0011 and 0012", "missing before 0020: 0014 to 0019"]
        );
    }

    #[test]
    fn numbers_may_begin_anew() {
        let wraps = Numbering { first: 1, last: Some(99) };
        assert_eq!(gaps(wraps, &["98", "99", "01"]), [None, None, None]);
        assert_eq!(gaps(wraps, &["97", "03"]), [None, Some("missing before 03: 98 and 99 and 01 and 02".to_owned())]);
    }

    #[test]
    fn each_channel_has_its_own_numbers() {
        let mut known = Numbers::default();
        let (one, two) = (Some("1".to_owned()), Some("2".to_owned()));
        let form = Numbering::default();
        assert_eq!(known.gap_before(form, &one, "5"), None);
        assert_eq!(known.gap_before(form, &two, "40"), None);
        assert_eq!(known.gap_before(form, &one, "6"), None);
        let told = known.gap_before(form, &two, "42");
        assert_eq!(told.as_deref(), Some("missing before 42 of channel 2: 41"));
    }
}
