//! When a reading was taken, as far as that can be believed, and which job was open then.

use ridgepost_config::{Place, Plan};
use ridgepost_judge as judge;
use ridgepost_parsers::Reading;

use super::piece::OpenJob;
use super::record::{Provenance, Recorder};

/// How well the time of measuring is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// Now: it arrived as it was measured.
    Live,
    /// Earlier, at this time (microseconds since 1970): a file that waited.
    At(i64),
}

/// An instrument's clock may differ from this PC's by so much before it is told (common practice, no source).
const INSTRUMENT_CLOCK_OFF_US: u64 = 15 * 60 * 1_000_000;

/// The instrument's own time, where it is whole (date and time) and the cell's zone makes it one moment.
fn measured_us(reading: &Reading, plan: &Plan) -> Option<i64> {
    let text = reading.identity.time.as_deref()?;
    if let Ok(time) = text.parse::<jiff::Timestamp>() {
        return Some(time.as_microsecond());
    }
    let local: jiff::civil::DateTime = text.parse().ok()?;
    text.contains('T')
        .then(|| local.to_zoned_datetime(plan.cell.time_zone.clone()).ok())?
        .map(|time| time.timestamp().as_microsecond())
}

impl Recorder<'_> {
    /// Whether a reading that arrived as it was measured carries a time far from this PC's.
    pub(super) fn clock_is_off(&self, from: &Provenance, reading: &Reading) -> bool {
        !reading.stored
            && measured_us(reading, self.plan)
                .is_some_and(|measured| measured.abs_diff(from.received.us) > INSTRUMENT_CLOCK_OFF_US)
    }

    /// The open job, if these readings may be judged by it: they were taken while it was open.
    pub(super) fn job_for(&self, from: &Provenance, readings: &[&Reading]) -> Option<&OpenJob> {
        let open = self.context.open.as_ref()?;
        let taken = match from.taken {
            _ if readings.iter().any(|reading| reading.stored) => measured_us(readings[0], self.plan),
            Taken::At(us) => Some(us),
            Taken::Live => return Some(open),
        };
        taken.is_some_and(|taken| open.opened_us <= taken && taken <= from.received.us).then_some(open)
    }
}

/// What the way to a file says of its readings beside the job that they would be for.
pub(super) fn place<'a>(from: &'a Provenance, open: Option<&OpenJob>) -> judge::Place<'a> {
    let Place { job, part, balloon, astray } = &*from.place;
    let other_job = job.as_ref().is_some_and(|job| open.is_none_or(|open| open.job.id != *job));
    judge::Place { part: part.as_deref(), balloon: balloon.as_deref(), astray: *astray || other_job }
}
