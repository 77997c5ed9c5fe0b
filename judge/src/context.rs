//! What labels have said and still holds: for each station the piece, who measures, the feature, what the cell is doing.
//!
//! What a label said is kept for as long as the shop's grammar lets it. When that is over it is *gone*: not as if it had
//! never been said, but unknown until a label says it anew, so that no reading is taken for the next piece in silence.

use std::collections::BTreeMap;

use ridgepost_config::{Item, Keep, Label, Labels};
use serde::{Deserialize, Serialize};

/// What is known of one thing that a label can say.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Held<'a> {
    /// Nobody said anything, and nobody has to.
    #[default]
    Unsaid,
    /// A label says this.
    Is(&'a str),
    /// It must be known and is not.
    Unknown,
}

impl<'a> Held<'a> {
    /// What a label says.
    pub fn known(self) -> Option<&'a str> {
        match self {
            Held::Is(value) => Some(value),
            Held::Unsaid | Held::Unknown => None,
        }
    }
}

/// A moment as it is compared with others.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// Microseconds since 1970.
    pub us: i64,
    /// Milliseconds of the program's own clock, which nobody sets; only within one run of the program.
    #[serde(skip)]
    pub monotonic_ms: Option<u64>,
}

impl Moment {
    /// Milliseconds from an earlier moment to this one: by the program's clock within one run, else by the wall clock.
    /// Where that was set back nobody knows, and it is taken for very long.
    fn ms_since(&self, earlier: &Moment) -> u64 {
        match (self.monotonic_ms, earlier.monotonic_ms) {
            (Some(now), Some(then)) => now.saturating_sub(then),
            _ => u64::try_from(self.us.saturating_sub(earlier.us)).map_or(u64::MAX, |us| us / 1000),
        }
    }
}

/// Why something is gone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Gone {
    /// It was kept for its time.
    Time,
    /// It was kept for its number of readings.
    Readings,
    /// Its piece ended.
    Piece,
    /// Another job was opened, or the job was closed.
    Job,
}

impl Gone {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Gone::Time => "its time is over",
            Gone::Readings => "it was for no more readings",
            Gone::Piece => "its piece ended",
            Gone::Job => "another job began",
        }
    }
}

/// One thing that a label said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holding {
    /// What it said.
    pub value: String,
    /// Key of the transmission that held the label.
    pub label: i64,
    /// When.
    pub since: Moment,
    /// Readings it has been taken for.
    pub readings: u64,
    /// Why it does not hold any more.
    pub gone: Option<Gone>,
}

/// What a piece's or a job's end means for what labels said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending<'a> {
    /// A piece ended, with this serial number if it had one.
    Piece(Option<&'a str>),
    /// A job was opened or closed.
    Job,
}

/// Everything that labels said and that matters still.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Context {
    /// By station and item.
    stations: BTreeMap<String, BTreeMap<Item, Holding>>,
    /// The station that a scanner's labels are about, where a label chose one.
    chosen: BTreeMap<String, String>,
    /// Stations of which it was told that their readings can't be assigned: told once, until they can.
    told: std::collections::BTreeSet<String>,
}

impl Context {
    /// Whether no label has said anything.
    pub fn is_empty(&self) -> bool {
        *self == Context::default()
    }

    /// The stations that the labels of a scanner are about now: what this label chooses, an earlier one chose, or all.
    pub fn about(&self, scanner: &str, label: &Label, all: &[String]) -> Vec<String> {
        let chosen = label.station.as_ref().or_else(|| self.chosen.get(scanner));
        match chosen.filter(|station| all.contains(station)) {
            Some(station) => vec![station.clone()],
            None => all.to_vec(),
        }
    }

    /// Takes what a label says, of these stations.
    pub fn take(&mut self, scanner: &str, label: &Label, stations: &[String], transmission: i64, at: Moment) {
        if let Some(station) = &label.station {
            self.chosen.insert(scanner.to_owned(), station.clone());
        }
        for station in stations {
            let held = self.stations.entry(station.clone()).or_default();
            held.retain(|item, _| !label.forget.contains(item));
            for (item, value) in &label.items {
                let holding = Holding { value: value.clone(), label: transmission, since: at, readings: 0, gone: None };
                held.insert(*item, holding);
            }
        }
        self.tidy();
    }

    /// What has had its time, or its readings, is gone.
    pub fn settle(&mut self, station: &str, labels: &Labels, now: &Moment) {
        for (item, holding) in self.stations.get_mut(station).into_iter().flatten() {
            let Keep { ms, readings, .. } = labels.keep(*item);
            if holding.gone.is_some() {
                continue;
            }
            if readings.is_some_and(|most| holding.readings >= most) {
                holding.gone = Some(Gone::Readings);
            } else if ms.is_some_and(|most| now.ms_since(&holding.since) >= most) {
                holding.gone = Some(Gone::Time);
            }
        }
    }

    /// Readings of a station were taken with what is held.
    pub fn count(&mut self, station: &str, readings: u64) {
        for holding in self.stations.get_mut(station).into_iter().flat_map(BTreeMap::values_mut) {
            holding.readings = holding.readings.saturating_add(readings);
        }
    }

    /// What belonged to a piece or a job that ended is gone.
    pub fn end(&mut self, labels: &Labels, ending: Ending) {
        for (item, holding) in self.stations.values_mut().flatten() {
            let is_of_piece = matches!(item, Item::Serial | Item::Balloon);
            let gone = match ending {
                Ending::Piece(serial) => {
                    let another = *item == Item::Serial && Some(holding.value.as_str()) != serial;
                    (labels.keep(*item).piece && !another).then_some(Gone::Piece)
                }
                Ending::Job => is_of_piece.then_some(Gone::Job),
            };
            holding.gone = holding.gone.or(gone);
        }
    }

    /// What is known of an item for the readings of a station.
    pub fn held(&self, station: &str, item: Item, labels: &Labels) -> Held<'_> {
        match self.stations.get(station).and_then(|held| held.get(&item)) {
            Some(holding) if holding.gone.is_none() => Held::Is(&holding.value),
            Some(_) => Held::Unknown,
            None if labels.need.contains(&item) => Held::Unknown,
            None => Held::Unsaid,
        }
    }

    /// Stations of which anything is held.
    pub fn stations(&self) -> impl Iterator<Item = &str> {
        self.stations.keys().map(String::as_str)
    }

    /// Everything that is held of a station, gone or not.
    pub fn of(&self, station: &str) -> impl Iterator<Item = (Item, &Holding)> {
        self.stations.get(station).into_iter().flatten().map(|(item, holding)| (*item, holding))
    }

    /// What must be known of a station's readings and is not, in words; `None` where nothing is missing.
    pub fn missing(&self, station: &str, labels: &Labels) -> Option<String> {
        let missing = Item::ALL.into_iter().filter(|item| self.held(station, *item, labels) == Held::Unknown);
        let words: Vec<String> = missing
            .map(|item| match self.stations.get(station).and_then(|held| held.get(&item)) {
                Some(holding) => {
                    let why = holding.gone.map_or("", Gone::words);
                    format!("{} (it was {}; {why})", item.word(), holding.value)
                }
                None => item.word().to_owned(),
            })
            .collect();
        (!words.is_empty()).then(|| words.join(", "))
    }

    /// Notes whether a station's readings can be assigned; true where that they can't is to be told now.
    pub fn tells(&mut self, station: &str, unassigned: bool) -> bool {
        match unassigned {
            true => self.told.insert(station.to_owned()),
            false => {
                self.told.remove(station);
                false
            }
        }
    }

    fn tidy(&mut self) {
        self.stations.retain(|_, held| !held.is_empty());
    }
}
