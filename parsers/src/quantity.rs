//! The table of quantities: symbol, name, where it is defined, what kind of unit it carries.
//!
//! To add a parameter add one row here. Symbols are the standards' own; instruments' names for them belong
//! into their definitions.

use std::fmt;

use serde::{Deserialize, Serialize, Serializer};

use crate::unit::UnitKind;

/// A quantity of the table, with its argument where the symbol takes one: `Ra`, `Rmr(0.5)`.
#[derive(Clone, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Quantity {
    symbol: &'static str,
    argument: Option<String>,
}

/// What family a quantity belongs to; judging asks for conditions only of texture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum QuantityKind {
    /// A parameter of a roughness profile: needs cutoff and sections to mean anything.
    Roughness,
    /// A parameter of a waviness profile.
    Waviness,
    /// A parameter of a primary profile.
    Primary,
    /// A size or a form deviation.
    Size,
    /// A hardness.
    Hardness,
    /// Anything else a bench gauge shows.
    Other,
}

/// One row: symbol, name, source, family, kind of unit.
struct Row {
    symbol: &'static str,
    name: &'static str,
    source: &'static str,
    kind: QuantityKind,
    unit: UnitKind,
}

macro_rules! rows {
    ($($symbol:literal $name:literal $source:literal $kind:ident $unit:ident;)*) => {
        &[$(Row { symbol: $symbol, name: $name, source: $source, kind: QuantityKind::$kind, unit: UnitKind::$unit }),*]
    };
}

/// Clause numbers are from memory of ISO 4287:1997 and ISO 13565-2:1996 unless they say otherwise.
const TABLE: &[Row] = rows![
    "Ra" "arithmetical mean deviation" "ISO 4287 4.2.1" Roughness Length;
    "Rq" "root mean square deviation" "ISO 4287 4.2.2" Roughness Length;
    "Rz" "maximum height within a sampling length" "ISO 4287 4.1.3" Roughness Length;
    "Rt" "total height over the evaluation length" "ISO 4287 4.1.5" Roughness Length;
    "Rp" "maximum peak height" "ISO 4287 4.1.1" Roughness Length;
    "Rv" "maximum valley depth" "ISO 4287 4.1.2" Roughness Length;
    "Rc" "mean height of profile elements" "ISO 4287 4.1.4" Roughness Length;
    "Rmax" "largest of the heights within a sampling length" "DIN 4768" Roughness Length;
    "Rz1max" "largest of the heights within a sampling length" "ISO 4287 4.1.3 with the max rule" Roughness Length;
    "Rzx" "largest height in a sliding section" "ISO 21920-2 (clause not seen)" Roughness Length;
    "RzJIS" "ten point height" "JIS B 0601:2001 annex" Roughness Length;
    "R3z" "third highest peak to third deepest valley" "works standards, common practice" Roughness Length;
    "Rsk" "skewness" "ISO 4287 4.2.3" Roughness Number;
    "Rku" "kurtosis" "ISO 4287 4.2.4" Roughness Number;
    "RSm" "mean width of profile elements" "ISO 4287 4.3.1" Roughness Length;
    "RPc" "peak count" "ISO 4287 amendment 1" Roughness Density;
    "Rdq" "root mean square slope" "ISO 4287 4.4.1" Roughness Number;
    "Rmr" "material ratio" "ISO 4287 4.5.1" Roughness Ratio;
    "Rdc" "height between two material ratios" "ISO 4287 4.5.3" Roughness Length;
    "Rk" "core height" "ISO 13565-2" Roughness Length;
    "Rpk" "reduced peak height" "ISO 13565-2" Roughness Length;
    "Rvk" "reduced valley depth" "ISO 13565-2" Roughness Length;
    "Mr1" "smallest material ratio of the core" "ISO 13565-2" Roughness Ratio;
    "Mr2" "largest material ratio of the core" "ISO 13565-2" Roughness Ratio;
    "Pa" "arithmetical mean deviation of the primary profile" "ISO 4287 4.2.1" Primary Length;
    "Pq" "root mean square deviation of the primary profile" "ISO 4287 4.2.2" Primary Length;
    "Pz" "maximum height of the primary profile" "ISO 4287 4.1.3" Primary Length;
    "Pt" "total height of the primary profile" "ISO 4287 4.1.5" Primary Length;
    "Wa" "arithmetical mean deviation of the waviness" "ISO 4287 4.2.1" Waviness Length;
    "Wq" "root mean square deviation of the waviness" "ISO 4287 4.2.2" Waviness Length;
    "Wz" "maximum height of the waviness" "ISO 4287 4.1.3" Waviness Length;
    "Wt" "total height of the waviness" "ISO 4287 4.1.5" Waviness Length;
    "WSm" "mean width of waviness elements" "ISO 4287 4.3.1" Waviness Length;
    "L" "length" "common practice" Size Length;
    "D" "diameter" "common practice" Size Length;
    "T" "thickness" "common practice" Size Length;
    "H" "height or depth" "common practice" Size Length;
    "dev" "deviation from a master" "common practice" Size Length;
    "runout" "run-out" "ISO 1101" Size Length;
    "round" "roundness deviation" "ISO 1101" Size Length;
    "angle" "angle" "common practice" Size Angle;
    "hardness" "hardness, scale by unit" "ISO 6506, ISO 6507, ISO 6508" Hardness Hardness;
];

/// The symbol of a deviation from a master.
const DEVIATION: &str = "dev";

/// Sizes, which a master can stand for; other lengths of their family are deviations of form.
const SIZES: [&str; 4] = ["L", "D", "T", "H"];

fn row(symbol: &str) -> Option<&'static Row> {
    TABLE.iter().find(|row| row.symbol == symbol)
}

impl Quantity {
    /// Reads a symbol, to the letter, with its argument in brackets where it has one.
    pub fn parse(text: &str) -> Option<Quantity> {
        let (symbol, argument) = match text.split_once('(') {
            Some((symbol, rest)) => (symbol, Some(rest.strip_suffix(')')?.trim())),
            None => (text, None),
        };
        if argument.is_some_and(str::is_empty) {
            return None;
        }
        // Only a size deviates from a master.
        if symbol == DEVIATION && argument.is_some_and(|of| !SIZES.contains(&of)) {
            return None;
        }
        row(symbol).map(|row| Quantity { symbol: row.symbol, argument: argument.map(str::to_owned) })
    }

    /// Every symbol of the table, without arguments.
    pub fn symbols() -> impl Iterator<Item = &'static str> {
        TABLE.iter().map(|row| row.symbol)
    }

    /// The symbol without its argument.
    pub fn symbol(&self) -> &'static str {
        self.symbol
    }

    /// What stands in brackets behind the symbol.
    pub fn argument(&self) -> Option<&str> {
        self.argument.as_deref()
    }

    /// Whether it is a size, which a master can stand for.
    pub fn is_size(&self) -> bool {
        self.argument.is_none() && SIZES.contains(&self.symbol)
    }

    /// Whether it is the deviation from a master: of any size (`dev`), or of the one in brackets (`dev(D)`).
    pub fn is_deviation(&self) -> bool {
        self.symbol == DEVIATION
    }

    /// The name in words.
    pub fn name(&self) -> &'static str {
        row(self.symbol).map_or("", |row| row.name)
    }

    /// The standard and clause that define it, or "common practice".
    pub fn source(&self) -> &'static str {
        row(self.symbol).map_or("", |row| row.source)
    }

    /// The family it belongs to.
    pub fn kind(&self) -> QuantityKind {
        row(self.symbol).map_or(QuantityKind::Other, |row| row.kind)
    }

    /// The kind of unit it carries.
    pub fn unit_kind(&self) -> UnitKind {
        row(self.symbol).map_or(UnitKind::Number, |row| row.unit)
    }

    /// Whether it is a parameter of a surface profile (R, W or P).
    pub fn is_texture(&self) -> bool {
        matches!(self.kind(), QuantityKind::Roughness | QuantityKind::Waviness | QuantityKind::Primary)
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.argument {
            Some(argument) => write!(f, "{}({argument})", self.symbol),
            None => f.pad(self.symbol),
        }
    }
}

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Quantity::parse(&text).ok_or_else(|| serde::de::Error::custom(format!("unknown quantity `{text}`")))
    }
}

#[cfg(test)]
#[allow(clippy::expect_used, reason = "tests")]
mod tests {
    use super::*;

    #[test]
    fn symbols_are_unique_and_parse_back() {
        let mut symbols: Vec<_> = Quantity::symbols().collect();
        for symbol in &symbols {
            assert_eq!(Quantity::parse(symbol).map(|quantity| quantity.to_string()).as_deref(), Some(*symbol));
        }
        let count = symbols.len();
        symbols.sort_unstable();
        symbols.dedup();
        assert_eq!(symbols.len(), count);
    }

    #[test]
    fn arguments_stay_with_the_symbol() {
        let quantity = Quantity::parse("Rmr(0.5)").expect("a row of the table");
        assert_eq!((quantity.symbol(), quantity.to_string().as_str()), ("Rmr", "Rmr(0.5)"));
        assert_eq!(Quantity::parse("Rmr("), None);
        assert_eq!(Quantity::parse("RA"), None);
        let of = |text| Quantity::parse(text).map(|quantity| quantity.argument().map(str::to_owned));
        assert_eq!(of("dev(D)"), Some(Some("D".to_owned())));
        assert_eq!(of("dev"), Some(None));
        assert_eq!((of("dev(round)"), of("dev(Ra)"), of("dev(x)")), (None, None, None), "no size");
    }
}
