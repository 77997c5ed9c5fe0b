//! Who may decide what about results and gauges.

use schemars::JsonSchema;
use serde::Deserialize;

/// A person of the cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Operator {
    /// The name that `--by` gives.
    pub name: String,
    /// What they may decide.
    pub may: Vec<Authority>,
}

/// Something that a person decides.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Authority {
    /// Begin and give up verifications of gauges.
    Verify,
    /// Tell what happened to gauges, and what is in doubt by them.
    Gauge,
    /// Say that readings are void.
    Void,
    /// Give readings to other pieces.
    Assign,
    /// Say what becomes of parts.
    Dispose,
}

impl Authority {
    /// The word as it is written.
    pub fn word(self) -> &'static str {
        match self {
            Authority::Verify => "verify",
            Authority::Gauge => "gauge",
            Authority::Void => "void",
            Authority::Assign => "assign",
            Authority::Dispose => "dispose",
        }
    }
}

/// Why somebody may not decide this: who may, and where that is written. `None` where they may. A cell that lists nobody
/// (`None`) lets everybody decide who may write to its store.
pub fn refusal(operators: Option<&[Operator]>, by: &str, what: Authority) -> Option<String> {
    let operators = operators?;
    let by = by.trim();
    let may = |operator: &&Operator| operator.may.contains(&what);
    if operators.iter().filter(may).any(|operator| operator.name == by) {
        return None;
    }
    let names: Vec<&str> = operators.iter().filter(may).map(|operator| operator.name.as_str()).collect();
    let who = if names.is_empty() { "nobody may".to_owned() } else { format!("these may: {}", names.join(", ")) };
    let is_known = operators.iter().any(|operator| operator.name == by);
    let is = if is_known { "may not do that" } else { "is not on the cell's list" };
    Some(format!("{by} {is} (`{}` in `[[operator]]` of cell.toml); {who}", what.word()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_is_listed_may_and_nobody_else() {
        let of = |name: &str, may: &[Authority]| Operator { name: name.to_owned(), may: may.to_vec() };
        let list = [of("M. K.", &[Authority::Void, Authority::Assign]), of("R. S.", &[Authority::Verify])];
        let told = |by: &str, what| refusal(Some(&list), by, what);
        assert_eq!(told("M. K.", Authority::Void), None);
        assert_eq!(told(" M. K. ", Authority::Assign), None);
        let refused = told("R. S.", Authority::Void).unwrap_or_default();
        assert!(refused.starts_with("R. S. may not do that") && refused.ends_with("these may: M. K."), "{refused}");
        let refused = told("m. k.", Authority::Void).unwrap_or_default();
        assert!(refused.starts_with("m. k. is not on the cell's list"), "{refused}");
        assert!(told("M. K.", Authority::Dispose).unwrap_or_default().ends_with("nobody may"));
        assert_eq!(refusal(None, "anybody", Authority::Dispose), None);
        assert!(
            refusal(Some(&[]), "anybody", Authority::Dispose).is_some(),
            "a list that could not be read lets nobody"
        );
    }
}
