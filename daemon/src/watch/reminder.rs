//! Reminds of parts that do not conform until somebody has decided what becomes of them: a verdict that nobody reads
//! stops no part.

use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;

use super::{Scene, beside, sleeps};
use crate::store::{StoreFault, Undecided, open_for_reading, undecided};

/// How often it is looked.
const EVERY: Duration = Duration::from_secs(20);
/// Parts older than this are told no more, in microseconds: seven days.
const FOR_US: i64 = 7 * 86_400 * 1_000_000;
/// So many are looked for, and so many of them are named.
const MOST: u32 = 1000;
const NAMED: usize = 5;

/// Reminds every so many minutes of the parts that have waited as long.
pub(super) async fn remind(scene: Scene, minutes: u32, until: CancellationToken) {
    let span = Duration::from_secs(u64::from(minutes) * 60);
    let mut told: Option<Instant> = None;
    loop {
        let (looked, span_us) = (scene.clone(), i64::from(minutes) * 60_000_000);
        let found = beside(move || waiting(&looked, span_us)).await;
        if let Some(Ok(found)) = found {
            let text = in_words(&found);
            let again = told.is_some_and(|at| at.elapsed() >= span);
            if let (Some(text), true) = (&text, again) {
                tracing::warn!(code = "part-waits", "{text}");
            }
            told = match (&text, told) {
                (None, _) => None,
                (Some(_), Some(at)) if !again => Some(at),
                (Some(_), _) => Some(Instant::now()),
            };
            scene.ledger.note("part-waits", text);
        }
        if !sleeps(EVERY, &until).await {
            return;
        }
    }
}

fn waiting(scene: &Scene, span_us: i64) -> Result<Vec<Undecided>, StoreFault> {
    let now = scene.clock.stamp().us;
    undecided(&open_for_reading(&scene.store)?, now - FOR_US, now - span_us, MOST)
}

fn in_words(found: &[Undecided]) -> Option<String> {
    if found.is_empty() {
        return None;
    }
    let of = |part: &Undecided| {
        let job = part.job.as_deref().unwrap_or("no job");
        format!("{} of {job} (result {}, {})", part.part, part.seq, part.at)
    };
    let named: Vec<String> = found.iter().take(NAMED).map(of).collect();
    let more = if found.len() > NAMED { format!(" and {} more", found.len() - NAMED) } else { String::new() };
    let parts =
        if found.len() == 1 { "1 part does not conform" } else { &format!("{} parts do not conform", found.len()) };
    let them = if found.len() == 1 { "it" } else { "them" };
    Some(format!(
        "{parts}, and nobody has said what becomes of {them}: {}{more}; hold {them}, then `ridgepost dispose`",
        named.join(", ")
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_few_are_named_and_the_others_counted() {
        let part = |seq: i64| Undecided {
            seq,
            job: Some("J-1".into()),
            part: format!("A-{seq}"),
            at: "2026-11-25T14:00:00+01:00".into(),
        };
        assert_eq!(in_words(&[]), None);
        let one = in_words(&[part(7)]).unwrap_or_default();
        assert!(one.starts_with("1 part does not conform"), "{one}");
        assert!(one.contains("A-7 of J-1 (result 7, 2026-11-25T14:00:00+01:00); hold it"), "{one}");
        let many = in_words(&(1..=7).map(part).collect::<Vec<_>>()).unwrap_or_default();
        assert!(many.starts_with("7 parts do not conform") && many.contains("A-5 ") && !many.contains("A-6"), "{many}");
        assert!(many.contains(" and 2 more"), "{many}");
    }
}
