//! What must be in the store after the month: the other opinion. It shares no code with the program. Limits, rules and sums were
//! worked out from the contract; where the contract is silent it was made to follow the program once both had differed,
//! and there it only shows that nothing changes: in which order reasons are asked for, `gauge-overdue` once a verification
//! is used up, when the label of a part that was told ends, and `value_as_sent` of a mark.

use std::collections::{BTreeMap, BTreeSet};

use super::plan::{Act, Message};

/// A reading as it must stand in the store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expected {
    pub station: &'static str,
    pub job: String,
    pub serial: String,
    pub balloon: String,
    /// As sent.
    pub value: String,
    pub outcome: &'static str,
    /// Codes that must be there; further ones may only be hints.
    pub reasons: BTreeSet<&'static str>,
}

/// State of the tester.
#[derive(Clone, Copy, PartialEq)]
enum Tester {
    Unverified,
    /// And so many readings may still be taken.
    Verified(u32),
    Failed,
}

/// A part of which something was measured.
#[derive(Clone, Debug, Default)]
pub struct Part {
    /// Outcome of each balloon once it is decided.
    decided: BTreeMap<&'static str, bool>,
    /// Readings of a decided balloon, the deciding one counted.
    tries: BTreeMap<&'static str, u32>,
}

impl Part {
    /// What the part's row says in the end.
    pub fn outcome(&self) -> &'static str {
        if self.decided.values().any(|fits| !fits) {
            return "nonconforming";
        }
        if self.decided.len() == 3 { "conforms" } else { "unjudged" }
    }
}

/// The other opinion.
pub struct Model {
    job: &'static str,
    /// Whose label was scanned and has not ended.
    part: Option<String>,
    study: bool,
    tester: Tester,
    /// Numbers in the tester's memory that were taken.
    seen: BTreeSet<u32>,
    pub readings: Vec<Expected>,
    /// By job and serial number.
    pub parts: BTreeMap<(String, String), Part>,
}

/// Upper limits in nanometres: Ra, Rz; the diameter's limits.
fn limits(job: &str, balloon: &str) -> (u64, u64) {
    match (job, balloon) {
        ("W-1", "1") => (0, 800),
        ("W-1", "2") => (0, 6_300),
        ("W-1", _) => (11_990_000, 12_010_000),
        (_, "1") => (0, 400),
        (_, "2") => (0, 3_000),
        _ => (11_995_000, 12_005_000),
    }
}

/// The band outside of which a value is held for a slip, in nanometres.
fn plausible(balloon: &str) -> std::ops::RangeInclusive<u64> {
    match balloon {
        "1" => 50..=4_000,
        "2" => 300..=40_000,
        _ => 10_000_000..=14_000_000,
    }
}

/// Picometres of what a screen shows, in whole numbers: 1 in is 25.4 mm exactly (BIPM, SI brochure; from memory).
fn picometres(message: &Message) -> Option<u64> {
    let (whole, rest) = message.value.split_once('.').unwrap_or((&message.value, ""));
    let digits: u64 = format!("{whole}{rest}").parse().ok()?;
    let unit = match message.unit {
        "um" => 1_000_000,
        "uin" => 25_400,
        "mm" => 1_000_000_000,
        _ => 25_400_000_000,
    };
    Some(digits * unit / 10_u64.pow(rest.len() as u32))
}

/// A value in picometres outside of its band, and whether a slip of unit would have brought it there: 25.4, 39.37 or 1000 times too
/// much or too little.
fn doubts(balloon: &str, value: u64) -> Vec<&'static str> {
    let fits = |value: u64| plausible(balloon).contains(&(value / 1000));
    if fits(value) {
        return vec![];
    }
    let slips =
        [2540, 3937, 100_000].iter().any(|hundredths| fits(value * hundredths / 100) || fits(value * 100 / hundredths));
    if slips { vec!["implausible", "unit-suspect"] } else { vec!["implausible"] }
}

impl Model {
    pub fn new() -> Model {
        Model {
            job: "",
            part: None,
            study: false,
            tester: Tester::Unverified,
            seen: BTreeSet::new(),
            readings: vec![],
            parts: BTreeMap::new(),
        }
    }

    pub fn learn(&mut self, act: &Act) {
        match act {
            Act::Open(job) => (self.job, self.part) = (job, None),
            Act::Part(serial) => self.part = Some(serial.to_string()),
            Act::Study(on) => self.study = *on,
            Act::Verify(values) => self.verify(values),
            Act::Stylus => self.tester = Tester::Unverified,
            Act::Say(message) => self.take(message),
            Act::Again(messages) => messages.iter().for_each(|message| self.take(message)),
            // Nothing that is not whole is a reading, and what else befalls the cell changes no reading.
            Act::Cut(_) | Act::Nonsense | Act::Crash | Act::Pull | Act::Share(_) | Act::Edit(_) => {}
        }
    }

    fn verify(&mut self, values: &[&str; 3]) {
        let mut sum = 0;
        for value in values {
            sum += value.replace('.', "").parse::<i64>().unwrap();
            self.readings.push(Expected {
                station: "tester",
                job: self.job.into(),
                serial: String::new(),
                balloon: String::new(),
                value: (*value).into(),
                outcome: "unjudged",
                reasons: BTreeSet::from(["specimen-reading"]),
            });
        }
        // Three values in hundredths against 2.97, 5 % of it permitted.
        let within = (sum - 3 * 297).abs() * 100 <= 3 * 297 * 5;
        self.tester = if within { Tester::Verified(60) } else { Tester::Failed };
    }

    fn take(&mut self, message: &Message) {
        let station = if message.quantity == "D" { "calliper" } else { "tester" };
        if station == "tester" && !self.seen.insert(message.number) {
            return;
        }
        let mut reasons = self.circumstances(station, message);
        let balloon = match message.quantity {
            "Ra" => "1",
            "Rz" => "2",
            "D" => "3",
            _ => "",
        };
        let part = self.part.clone().unwrap_or_default();
        let value = picometres(message);
        let mut outcome = "unjudged";
        let known = !balloon.is_empty() && !part.is_empty() && !self.study;
        if let (true, Some(value)) = (known, value) {
            if reasons.is_empty() {
                reasons.extend(doubts(balloon, value));
            }
            outcome = self.judge(balloon, &part, value, &mut reasons);
        }
        // The label of a part ends with its last feature, and again with each reading of a part that was told.
        let told = self.parts.get(&(self.job.into(), part.clone())).is_some_and(|part| part.decided.len() == 3);
        if known && told {
            self.part = None;
        }
        self.readings.push(Expected {
            station,
            job: self.job.into(),
            serial: part,
            balloon: if known { balloon.into() } else { String::new() },
            value: message.value.clone(),
            outcome,
            reasons,
        });
    }

    /// What keeps a reading from being judged, whatever its value: the first thing that does.
    fn circumstances(&mut self, station: &str, message: &Message) -> BTreeSet<&'static str> {
        if self.study {
            return BTreeSet::from(["mode"]);
        }
        let tester = self.tester;
        self.wear(station);
        if self.part.is_none() {
            return BTreeSet::from(["unassigned"]);
        }
        if station != "tester" {
            return BTreeSet::new();
        }
        if message.quantity == "Rq" {
            return BTreeSet::from(["no-characteristic"]);
        }
        if picometres(message).is_none() {
            return BTreeSet::from(["mark"]);
        }
        match tester {
            Tester::Unverified => return BTreeSet::from(["gauge-unverified"]),
            Tester::Verified(0) => return BTreeSet::from(["gauge-overdue"]),
            Tester::Failed => return BTreeSet::from(["gauge-failed"]),
            Tester::Verified(_) => {}
        }
        let cutoff = message.cutoff != "0.8" || message.sections != 5;
        let set = [("conditions-mismatch", cutoff), ("program-mismatch", message.program != "7")];
        set.into_iter().filter_map(|(code, wrong)| wrong.then_some(code)).collect()
    }

    fn wear(&mut self, station: &str) {
        if let (Tester::Verified(left), "tester") = (self.tester, station) {
            self.tester = Tester::Verified(left.saturating_sub(1));
        }
    }

    fn judge(
        &mut self,
        balloon: &'static str,
        serial: &str,
        value: u64,
        reasons: &mut BTreeSet<&'static str>,
    ) -> &'static str {
        let part = self.parts.entry((self.job.into(), serial.into())).or_default();
        if part.decided.contains_key(balloon) {
            let tries = part.tries.entry(balloon).or_insert(1);
            *tries += 1;
            if *tries > 2 && reasons.is_empty() {
                reasons.insert("retest-limit");
            }
        }
        if !reasons.is_empty() {
            return "unjudged";
        }
        let (low, high) = limits(self.job, balloon);
        let (code, fits) = match value {
            value if value < low * 1000 => ("below-lower", false),
            value if value > high * 1000 => ("above-upper", false),
            _ => ("within-limits", true),
        };
        reasons.insert(code);
        part.decided.entry(balloon).or_insert(fits);
        if fits { "conforms" } else { "nonconforming" }
    }
}
