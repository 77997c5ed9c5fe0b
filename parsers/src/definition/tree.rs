//! Documents whose parts are found by paths: XML and JSON.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Deserialize;

/// An XML document per frame. Its own declaration or byte order mark tells the encoding (UTF-8, UTF-16, ISO 8859-1,
/// Windows-1252, ASCII); where `[text]` names one, the document must be in it. A document type or an entity other
/// than the five of XML is damage (`entity`); nothing is ever fetched.
///
/// Paths: names between `/`, from where the path begins. `@name` an attribute, `.` the element itself, `..` the
/// element around it, `*` any element, `name[@a='x']` and `name[b='x']` elements whose attribute `a` or child `b` is
/// `x`. A path that begins with `/` is from the top of the document (`/export/cond/@cutoff`), one with `//` from
/// anywhere in it, one with `preceding::` is the last such element before the record. A name without prefix means
/// that local name in any namespace; with a prefix of `namespaces`, that namespace only.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Xml {
    /// Prefixes of the paths here and the namespaces they stand for; the document may use other prefixes. Example:
    /// `t = "urn:example:trace"`.
    #[serde(default)]
    pub namespaces: BTreeMap<String, String>,
    /// The elements that are records (one measurement each). Default: the document is one record. Example:
    /// `"/t:export/t:m"`.
    pub record: Option<String>,
    /// Elements of a record that hold a value each. Absent: the values are among `fields`. Example: `"t:v"`.
    pub values: Option<String>,
    /// Fields of a record and of what surrounds it: field name to path from the record. Example: `number = "@id"`.
    #[serde(default)]
    pub fields: BTreeMap<String, String>,
    /// Fields of one of `values`: field name to path from it. Example: `quantity = "@p"`, `value = "."`.
    #[serde(default)]
    pub value: BTreeMap<String, String>,
}

/// A JSON document per frame: one frame per line is JSON Lines. Digits are kept as sent, a number may also be a text.
/// A key that comes twice in one object is damage.
///
/// Paths: keys between `.`, from where the path begins; `list[*]` every entry, `list[0]` one, `list[name=Ra]` the
/// entries whose key `name` is `Ra`; a key with other characters than letters, digits, `_` and `-` in quotes:
/// `"'lc mm'"`. `$` at the beginning is the top of the document, `$.setup.cutoff`; `.` alone is the value itself.
#[derive(Clone, Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Json {
    /// The objects that are records (one measurement each). Default: the document is one record. Example:
    /// `"measurements[*]"`.
    pub record: Option<String>,
    /// Entries of a record that hold a value each. Absent: the values are among `fields`. Example: `"results[*]"`.
    pub values: Option<String>,
    /// Fields of a record and of what surrounds it: field name to path from the record. Example: `number = "id"`,
    /// `Ra = "result.ra.value"`, `cutoff = "$.setup.lc"`.
    #[serde(default)]
    pub fields: BTreeMap<String, String>,
    /// Fields of one of `values`: field name to path from it. Example: `quantity = "name"`, `value = "v"`.
    #[serde(default)]
    pub value: BTreeMap<String, String>,
}
