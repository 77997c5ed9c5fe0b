//! Digital calibration certificates (DCC, namespace `https://ptb.de/dcc`) with values in D-SI (`https://ptb.de/si`): what a
//! certificate of a specimen states, so that nobody types it.
//!
//! Sources: the published schemas DCC 3.1.2 and D-SI 2.1.0; the names of D-SI 2.2 from excerpts of its repository. Elements are
//! found by namespace and name wherever a version puts them. Signatures are not checked.

mod real;

use std::fmt;

use roxmltree::{Document, Node, ParsingOptions};

use crate::quantity::Quantity;
use crate::unit::Unit;
use crate::value::Value;

/// Namespace of certificates.
const DCC: &str = "https://ptb.de/dcc";
/// Namespace of values.
const SI: &str = "https://ptb.de/si";
/// Versions of the schema that this was held against, by their first two numbers.
const KNOWN: [&str; 3] = ["3.1", "3.2", "3.3"];
/// Elements, texts and comments of one certificate.
const NODES_MAX: u32 = 200_000;
/// Largest file that is taken for a certificate, in bytes.
pub const CERTIFICATE_MAX: usize = 16 << 20;

/// What keeps a file from being read as a certificate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CertificateFault(pub String);

impl fmt::Display for CertificateFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for CertificateFault {}

fn fault<T>(text: impl Into<String>) -> Result<T, CertificateFault> {
    Err(CertificateFault(text.into()))
}

/// A certificate.
#[derive(Clone, Debug, PartialEq)]
pub struct Certificate {
    /// Its unique identifier.
    pub id: String,
    /// First and last day of the calibration, as stated (ISO 8601).
    pub days: (Option<String>, Option<String>),
    /// What was calibrated, in words.
    pub item: Option<String>,
    /// Numbers of the item, each with who gave it.
    pub numbers: Vec<(String, Option<String>)>,
    /// Who calibrated.
    pub laboratory: Option<String>,
    /// Everything it states a value of, in its order.
    pub values: Vec<CertifiedValue>,
    /// What a person has to know of it.
    pub remarks: Vec<String>,
}

/// One value of a certificate.
#[derive(Clone, Debug, PartialEq)]
pub struct CertifiedValue {
    /// What it is called, from the result down to the quantity.
    pub name: String,
    /// The quantity, where the innermost name is the symbol of one.
    pub quantity: Option<Quantity>,
    /// What kind of value it is, as the certificate's tokens say (measured, nominal, reference).
    pub kind: Option<String>,
    /// The value, or why it can't be used.
    pub stated: Result<Stated, String>,
}

/// A value with its uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct Stated {
    /// The value, digits as stated, exponent resolved.
    pub value: Value,
    /// Unit of value and uncertainty.
    pub unit: Unit,
    /// Expanded uncertainty, where one is stated.
    pub uncertainty: Option<Expanded>,
}

/// An expanded uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct Expanded {
    /// It, in the value's unit.
    pub value: Value,
    /// Coverage factor k.
    pub factor: Value,
}

/// Reads a certificate.
///
/// # Errors
/// Where it is no certificate, holds a document type (entities are never resolved), or states no identifier.
pub fn read_certificate(bytes: &[u8]) -> Result<Certificate, CertificateFault> {
    if bytes.len() > CERTIFICATE_MAX {
        return fault(format!("it has {} bytes, and a certificate has {CERTIFICATE_MAX} at most", bytes.len()));
    }
    let Ok(text) = std::str::from_utf8(bytes) else { return fault("it is no UTF-8 text") };
    let options = ParsingOptions { allow_dtd: false, nodes_limit: NODES_MAX, ..ParsingOptions::default() };
    let document = match Document::parse_with_options(text.trim_start_matches('\u{feff}'), options) {
        Ok(document) => document,
        Err(error) => return fault(format!("this is no XML document that can be read: {error}")),
    };
    let root = document.root_element();
    if !is(&root, DCC, "digitalCalibrationCertificate") {
        return fault(format!(
            "it begins with <{}>, not with <digitalCalibrationCertificate> of {DCC}",
            root.tag_name().name()
        ));
    }
    let mut remarks = vec!["its signature was not checked".to_owned()];
    let version = root.attribute("schemaVersion").unwrap_or("");
    if !KNOWN
        .iter()
        .any(|known| version.strip_prefix(known).is_some_and(|rest| rest.is_empty() || rest.starts_with('.')))
    {
        remarks.push(format!("its schema version `{version}` is another one than those this reader was held against"));
    }
    let admin = child(root, DCC, "administrativeData");
    let core = admin.and_then(|admin| child(admin, DCC, "coreData"));
    let of_core = |name: &str| core.and_then(|core| child(core, DCC, name)).and_then(words);
    let Some(id) = of_core("uniqueIdentifier") else { return fault("it states no unique identifier") };
    let item = admin.and_then(|admin| child(admin, DCC, "items")).and_then(|items| child(items, DCC, "item"));
    let laboratory = admin
        .and_then(|admin| child(admin, DCC, "calibrationLaboratory"))
        .and_then(|laboratory| child(laboratory, DCC, "contact"));
    let results = root.descendants().filter(|node| is(node, DCC, "results"));
    let quantities =
        results.flat_map(|results| results.descendants()).filter(|node| is(node, DCC, "quantity") && !is_beside(node));
    Ok(Certificate {
        id,
        days: (of_core("beginPerformanceDate"), of_core("endPerformanceDate")),
        item: item.and_then(name),
        numbers: item.map(numbers).unwrap_or_default(),
        laboratory: laboratory.and_then(name),
        values: quantities.flat_map(values).collect(),
        remarks,
    })
}

/// Whether a quantity is none of the result: conditions, methods and equipment have some, too.
fn is_beside(node: &Node) -> bool {
    const BESIDE: [&str; 5] =
        ["influenceConditions", "usedMethods", "measuringEquipments", "measurementMetaData", "metaData"];
    node.ancestors().any(|around| BESIDE.iter().any(|name| is(&around, DCC, name)))
}

fn is(node: &Node, namespace: &str, name: &str) -> bool {
    node.is_element() && node.tag_name().namespace() == Some(namespace) && node.tag_name().name() == name
}

fn child<'a, 'd>(node: Node<'a, 'd>, namespace: &str, name: &str) -> Option<Node<'a, 'd>> {
    node.children().find(|child| is(child, namespace, name))
}

/// The text of an element, without what only sets it out.
fn words(node: Node) -> Option<String> {
    let text: String = node.descendants().filter(Node::is_text).filter_map(|text| text.text()).collect();
    let words: Vec<&str> = text.split_whitespace().collect();
    (!words.is_empty()).then(|| words.join(" "))
}

/// What an element is called: the first of its texts, whatever the language.
fn name(node: Node) -> Option<String> {
    child(node, DCC, "name").and_then(|name| child(name, DCC, "content")).and_then(words)
}

fn numbers(item: Node) -> Vec<(String, Option<String>)> {
    let Some(all) = child(item, DCC, "identifications") else { return Vec::new() };
    let each = all.children().filter(|node| is(node, DCC, "identification"));
    let number =
        |node: Node| Some((child(node, DCC, "value").and_then(words)?, child(node, DCC, "issuer").and_then(words)));
    each.filter_map(number).collect()
}

/// The values of one `quantity` element: one, or a list of them.
fn values(node: Node) -> Vec<CertifiedValue> {
    let around =
        node.ancestors().filter(|around| ["quantity", "list", "result"].iter().any(|name| is(around, DCC, name)));
    let mut names: Vec<String> = around.clone().filter_map(name).collect();
    names.reverse();
    names.dedup();
    let all_names = node.children().filter(|child| is(child, DCC, "name")).flat_map(|name| name.children());
    let quantity = all_names.filter_map(words).find_map(|word| Quantity::parse(&word));
    let kind = around.clone().find_map(|around| around.attribute("refType")).map(str::to_owned);
    let stated = real::stated(node);
    let many = stated.len() > 1;
    let of = |(at, stated): (usize, Result<Stated, String>)| CertifiedValue {
        name: if many { format!("{} ({})", names.join(", "), at + 1) } else { names.join(", ") },
        quantity: quantity.clone(),
        kind: kind.clone(),
        stated,
    };
    stated.into_iter().enumerate().map(of).collect()
}
