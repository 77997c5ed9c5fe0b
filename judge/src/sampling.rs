//! Which characteristics are due on a piece, where a job does not ask for each of them on every piece (common practice, no
//! source): the first pieces, then every so many, or once in so many minutes, and on each piece for a while after one that
//! did not conform.

use ridgepost_config::{Job, Sampling};

use crate::row::{Outcome, Reason};

/// What is known of a characteristic from the pieces before, since the job was opened.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct History {
    /// Pieces before this one.
    pub pieces: u64,
    /// How many pieces ago it was decided last: 1 where that was the piece before.
    pub pieces_ago: Option<u64>,
    /// How many minutes ago that was, whole ones.
    pub minutes_ago: Option<i64>,
    /// Its outcomes, the newest first, as many as [`Sampling::tightened`] asks for.
    pub outcomes: Vec<Outcome>,
}

/// Whether a characteristic is due on the next piece.
pub fn is_due(sampling: Option<&Sampling>, history: &History) -> bool {
    let Some(sampling) = sampling else { return true };
    let reached = |limit: Option<u32>, ago: Option<u64>| match (limit, ago) {
        (Some(limit), Some(ago)) => ago >= u64::from(limit),
        (Some(_), None) => true,
        (None, _) => false,
    };
    let tightened = usize::try_from(sampling.tightened).unwrap_or(usize::MAX);
    history.pieces < u64::from(sampling.first)
        || reached(sampling.every, history.pieces_ago)
        || reached(sampling.minutes, history.minutes_ago.map(|minutes| u64::try_from(minutes).unwrap_or(0)))
        || history.outcomes.iter().take(tightened).any(|outcome| *outcome != Outcome::Conforms)
}

/// What was due on a piece by what its `part` row says: everything but what stands behind `not-due`.
pub fn due_by(job: &Job, reasons: &[String]) -> Vec<bool> {
    let said = reasons.iter().find_map(|reason| reason.strip_prefix(Reason::NotDue.code())?.strip_prefix(':'));
    let Some(said) = said else { return Vec::new() };
    job.characteristics.iter().map(|it| !said.split(',').any(|balloon| balloon == it.balloon)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn history(pieces: u64, ago: Option<(u64, i64)>, outcomes: &[Outcome]) -> History {
        let (pieces_ago, minutes_ago) = (ago.map(|ago| ago.0), ago.map(|ago| ago.1));
        History { pieces, pieces_ago, minutes_ago, outcomes: outcomes.to_vec() }
    }

    #[test]
    fn a_characteristic_is_due_by_its_plan() {
        use Outcome::{Conforms, Nonconforming, Undecided};
        let plan = |first, every, minutes, tightened| Sampling { first, every, minutes, tightened, last: false };
        for (sampling, history, expected) in [
            (plan(1, None, None, 0), history(0, None, &[]), true),
            (plan(1, None, None, 0), history(1, None, &[]), false),
            (plan(3, None, None, 0), history(2, Some((1, 0)), &[Conforms]), true),
            (plan(3, None, None, 0), history(3, Some((1, 0)), &[Conforms]), false),
            (plan(1, Some(5), None, 0), history(4, Some((4, 0)), &[Conforms]), false),
            (plan(1, Some(5), None, 0), history(5, Some((5, 0)), &[Conforms]), true),
            (plan(1, Some(5), None, 0), history(9, Some((9, 0)), &[Conforms]), true),
            (plan(0, Some(5), None, 0), history(0, None, &[]), true),
            (plan(1, None, Some(60), 0), history(7, Some((6, 59)), &[Conforms]), false),
            (plan(1, None, Some(60), 0), history(7, Some((6, 60)), &[Conforms]), true),
            // A clock that was set back makes nothing due by itself.
            (plan(1, None, Some(60), 0), history(7, Some((6, -120)), &[Conforms]), false),
            (plan(1, Some(5), None, 0), history(7, Some((1, 0)), &[Nonconforming]), false),
            (plan(1, Some(5), None, 3), history(7, Some((1, 0)), &[Nonconforming]), true),
            (plan(1, Some(5), None, 3), history(7, Some((1, 0)), &[Conforms, Conforms, Undecided]), true),
            (
                plan(1, Some(5), None, 3),
                history(7, Some((1, 0)), &[Conforms, Conforms, Conforms, Nonconforming]),
                false,
            ),
        ] {
            assert_eq!(is_due(Some(&sampling), &history), expected, "{sampling:?} {history:?}");
        }
        assert!(is_due(None, &history(9, Some((1, 0)), &[Conforms])));
    }
}
