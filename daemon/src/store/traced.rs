//! Profiles of messages, evaluated where the open job is judged by them: what is computed joins the readings of the message and
//! goes the same way, beside the instrument's own figures.

use std::borrow::Cow;

use ridgepost_judge as judge;
use ridgepost_parsers::Reading;

use super::record::{Heard, Provenance, Recorder};

impl Recorder<'_> {
    /// The frame with what the open job asks to be computed of its profiles.
    pub(super) fn with_computed<'h>(&self, from: &Provenance, heard: &'h Heard) -> Cow<'h, Heard> {
        let decoded = &heard.decoded;
        if decoded.traces.is_empty() {
            return Cow::Borrowed(heard);
        }
        let own: Vec<&Reading> = decoded.readings.iter().collect();
        let Some(open) = self.job_for(from, &own) else { return Cow::Borrowed(heard) };
        let mut records: Vec<u32> = own.iter().map(|reading| reading.record).collect();
        records.dedup();
        let mut computed: Vec<Reading> = Vec::new();
        for (index, trace) in (0..).zip(&decoded.traces) {
            // A profile of the whole frame: as many as measurements, one each; else the last measurement is what was traced.
            let record = trace.record.or_else(|| match decoded.traces.len() == records.len() {
                true => usize::try_from(index).ok().and_then(|index| records.get(index)).copied(),
                false => records.last().copied(),
            });
            let beside: Vec<&Reading> = own.iter().copied().filter(|reading| Some(reading.record) == record).collect();
            let at = u32::try_from(computed.len()).unwrap_or(u32::MAX);
            let record = record.unwrap_or(index);
            computed.extend(judge::computed(&open.job, &from.station.name, trace, &beside, (record, at)));
        }
        if computed.is_empty() {
            return Cow::Borrowed(heard);
        }
        let mut heard = heard.clone();
        heard.decoded.readings.extend(computed);
        // Readings of one measurement stand together.
        heard.decoded.readings.sort_by_key(|reading| reading.record);
        Cow::Owned(heard)
    }
}
