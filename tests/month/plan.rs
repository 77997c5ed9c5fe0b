//! What happens in the month, shift by shift, made up from a seed: usual parts, and among them everything that goes wrong.

use std::collections::BTreeMap;

use ridgepost_tests::seed::Seeded;

/// One value that an instrument sends.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// Counts up in the tester's memory; the calliper has none.
    pub number: u32,
    /// `Ra`, `Rz`, `Rq`, or `D` of the calliper.
    pub quantity: &'static str,
    /// What its screen shows; `----` where it discarded the trace.
    pub value: String,
    /// `um`, `uin`, `mm`, `in`.
    pub unit: &'static str,
    pub cutoff: &'static str,
    pub sections: u32,
    pub program: &'static str,
}

impl Message {
    /// As it comes over the cable.
    pub fn text(&self) -> String {
        if self.quantity == "D" {
            return format!("D {} {}\r\n", self.value, self.unit);
        }
        let payload = format!(
            "N={:04};P={};V={};U={};C={} mm;S={};G={}",
            self.number, self.quantity, self.value, self.unit, self.cutoff, self.sections, self.program
        );
        let sum = payload.bytes().fold(0_u8, u8::wrapping_add);
        format!("{payload}*{sum:02X}\r\n")
    }
}

/// What is done.
#[derive(Clone, Debug)]
pub enum Act {
    /// The traveller of a job is scanned.
    Open(&'static str),
    /// A part's label is scanned.
    Part(u32),
    /// A label that nobody knows.
    Nonsense,
    /// Labels of mode study, and of the end of it.
    Study(bool),
    /// The specimen is measured with these three values.
    Verify([&'static str; 3]),
    /// Another stylus.
    Stylus,
    Say(Message),
    /// Sent, but its last bytes are lost.
    Cut(Message),
    /// The same bytes again: the key pressed twice, or the memory dumped once more.
    Again(Vec<Message>),
    /// The daemon is killed and started again.
    Crash,
    /// The tester's cable is pulled and plugged in.
    Pull,
    /// The results' folder is away, or back.
    Share(bool),
    /// The job's file is saved with another limit, or as it was.
    Edit(bool),
}

/// Makes the month up.
pub struct Planner {
    seeded: Seeded,
    number: u32,
    serial: u32,
    /// Messages of the shift.
    memory: Vec<Message>,
    acts: Vec<Act>,
    /// How often each thing that goes wrong was put in.
    pub injected: BTreeMap<&'static str, usize>,
}

/// What goes wrong with one part.
const SLIPS: &[&str] = &[
    "wrong-cutoff",
    "short-trace",
    "wrong-program",
    "inch",
    "point-lost",
    "other-parameter",
    "unknown-parameter",
    "discarded-trace",
    "cut-off",
    "sent-twice",
    "measured-again",
    "measured-after-the-verdict",
    "forgotten-label",
    "unknown-label",
    "forgotten-feature",
    "out-of-tolerance",
    "other-job",
    "edited-job",
    "study",
    "new-stylus",
    "crash",
    "cable",
];

impl Planner {
    /// The acts of so many shifts.
    pub fn month(seed: u64, shifts: u32) -> (Vec<Act>, BTreeMap<&'static str, usize>) {
        let seeded = Seeded::new(seed);
        let mut planner =
            Planner { seeded, number: 0, serial: 1000, memory: vec![], acts: vec![], injected: BTreeMap::new() };
        planner.acts.push(Act::Open("W-1"));
        // Every slip comes at its turn, so that none is left to chance, and others wherever the dice say.
        let mut turn = 0;
        for shift in 0..shifts {
            planner.shift(shift, &mut turn);
        }
        (planner.acts, planner.injected)
    }

    fn shift(&mut self, shift: u32, turn: &mut usize) {
        match shift % 5 {
            1 => self.count("unverified"),
            3 => {
                self.count("found-bad");
                self.acts.push(Act::Verify(["3.21", "3.24", "3.22"]));
                self.part(None);
                self.acts.push(Act::Verify(["2.98", "2.95", "2.99"]));
            }
            _ => self.acts.push(Act::Verify(["2.98", "2.95", "2.99"])),
        }
        if shift % 4 == 2 {
            self.count("share-away");
            self.acts.push(Act::Share(false));
        }
        for _ in 0..12 {
            let slip = if self.seeded.between(0, 1) == 0 {
                *turn += 1;
                Some(SLIPS[(*turn - 1) % SLIPS.len()])
            } else {
                None
            };
            self.part(slip);
        }
        if shift % 4 == 2 {
            self.acts.push(Act::Share(true));
        }
        self.count("memory-dumped");
        let memory = std::mem::take(&mut self.memory);
        self.acts.push(Act::Again(memory));
    }

    fn count(&mut self, what: &'static str) {
        *self.injected.entry(what).or_default() += 1;
    }

    /// A value between, in thousandths, as a screen shows it.
    fn value(&mut self, low: u64, high: u64) -> String {
        let thousandths = self.seeded.between(low, high);
        format!("{}.{:03}", thousandths / 1000, thousandths % 1000)
    }

    fn message(&mut self, quantity: &'static str, value: String) -> Message {
        let unit = if quantity == "D" { "mm" } else { "um" };
        if quantity != "D" {
            self.number += 1;
        }
        Message { number: self.number, quantity, value, unit, cutoff: "0.8", sections: 5, program: "7" }
    }

    fn good(&mut self, quantity: &'static str) -> Message {
        let value = match quantity {
            "Ra" => self.value(250, 800),
            "Rz" => self.value(2_000, 6_300),
            _ => self.value(11_990, 12_010),
        };
        self.message(quantity, value)
    }

    fn say(&mut self, message: Message) {
        if message.quantity != "D" {
            self.memory.push(message.clone());
        }
        self.acts.push(Act::Say(message));
    }

    fn say_good(&mut self, quantities: &[&'static str]) {
        for quantity in quantities {
            let message = self.good(quantity);
            self.say(message);
        }
    }

    fn part(&mut self, slip: Option<&'static str>) {
        self.serial += 1;
        let Some(slip) = slip else {
            self.acts.push(Act::Part(self.serial));
            return self.say_good(&["Ra", "Rz", "D"]);
        };
        self.count(slip);
        match slip {
            "forgotten-label" => return self.say_good(&["Ra"]),
            "unknown-label" => self.acts.push(Act::Nonsense),
            "other-job" => {
                self.acts.extend([Act::Open("W-2"), Act::Part(self.serial)]);
                self.say_good(&["Ra", "Rz", "D"]);
                return self.acts.push(Act::Open("W-1"));
            }
            "edited-job" => self.acts.push(Act::Edit(true)),
            "new-stylus" => self.acts.push(Act::Stylus),
            _ => {}
        }
        self.acts.push(Act::Part(self.serial));
        self.slip(slip);
        match slip {
            "forgotten-feature" => self.say_good(&["Ra", "Rz"]),
            "measured-after-the-verdict" => {
                self.say_good(&["Ra", "Rz", "D"]);
                self.acts.push(Act::Part(self.serial));
                self.say_good(&["Ra", "Ra"]);
            }
            "study" => {
                self.acts.push(Act::Study(true));
                self.say_good(&["Ra", "Rz"]);
                self.acts.push(Act::Study(false));
                self.say_good(&["Ra", "Rz", "D"]);
            }
            "edited-job" => {
                let message = self.message("Ra", "1.7".into());
                self.say(message);
                self.acts.push(Act::Edit(false));
                self.say_good(&["Rz", "D"]);
            }
            _ => self.say_good(&["Ra", "Rz", "D"]),
        }
    }

    /// What comes between a part's label and its good readings.
    fn slip(&mut self, slip: &'static str) {
        let ra = self.good("Ra");
        match slip {
            "wrong-cutoff" => self.say(Message { cutoff: "0.25", ..ra }),
            "short-trace" => self.say(Message { sections: 3, ..ra }),
            "wrong-program" => self.say(Message { program: "3", ..ra }),
            // 0.508 um and 12.0015 mm exactly.
            "inch" => {
                self.say(Message { value: "20".into(), unit: "uin", ..ra });
                let inch = self.message("D", "0.4725".into());
                self.say(Message { unit: "in", ..inch });
            }
            "point-lost" => self.say(Message { value: ra.value.replace("0.", ""), ..ra }),
            "other-parameter" => self.say(Message { value: "4.9".into(), ..ra }),
            "unknown-parameter" => self.say(Message { quantity: "Rq", ..ra }),
            "discarded-trace" => self.say(Message { value: "----".into(), ..ra }),
            "cut-off" => self.acts.push(Act::Cut(ra)),
            "sent-twice" => {
                self.say(ra.clone());
                self.acts.push(Act::Again(vec![ra]));
            }
            "measured-again" => {
                self.say(Message { value: "0.912".into(), ..ra });
                self.say_good(&["Ra", "Ra"]);
            }
            "out-of-tolerance" => {
                let value = self.value(801, 3_900);
                self.say(Message { value, ..ra });
            }
            "crash" => self.acts.push(Act::Crash),
            "cable" => self.acts.push(Act::Pull),
            _ => {}
        }
    }
}
