//! Measured profiles.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::reading::Mark;

/// How heights are written in a text.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WrittenHeights {
    /// Numbers as `[numbers]` says, between blanks, line ends or `between`.
    #[default]
    Numbers,
    /// Hexadecimal digits, `hex_digits` for each height, two's complement, the high digit first.
    Hex,
}

/// A measured profile: a field `heights` holds its heights (several lines of one frame follow on one another), or an
/// array of `[binary]` of that name. A height is the number sent, times 10 to the power of `height_exponent` where the
/// frame states it, times the length of one count: `height_scale` where the frame states it, else `scale`. The number
/// of heights must be what every field `points` says.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TraceRule {
    /// The height that a number of 1 means, where the frame states none (`height_scale`). Example: `"2.5 nm"`; heights
    /// in micrometres: `"1 µm"`.
    pub scale: Option<String>,
    /// Distance between points, where the frame states none (`spacing`). Example: `"0.5 µm"`.
    pub spacing: Option<String>,
    /// How heights are written. Default: `"numbers"`.
    #[serde(default)]
    pub written: WrittenHeights,
    /// Digits of one height written in hexadecimal: 2 to 16. Example: `4`.
    pub hex_digits: Option<usize>,
    /// Characters between heights besides blanks and line ends. Example: `","`.
    #[serde(default)]
    pub between: String,
    /// What stands for a point that was not measured: such a point has no height, and the frame is remarked upon
    /// (`points-missing`).
    #[serde(default)]
    pub mark: Vec<TraceMark>,
    /// Whether a frame may have no profile. Default: false: without `heights` it is damaged (`missing-field`).
    #[serde(default)]
    pub optional: bool,
}

/// What stands for a point that was not measured.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TraceMark {
    /// Pattern of the whole number as sent; of binary and hexadecimal heights the number in plain digits, or `nan`,
    /// `inf`, `-inf`. Example: `'\*+'`, `'32767'`.
    pub pattern: String,
    /// What it means: `over`, `under`, `none` or `error`.
    pub means: Mark,
}
