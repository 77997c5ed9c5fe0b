//! XML documents: their encoding, their bounds, their parts by path. Entities are never resolved beyond the five of
//! XML, and nothing outside of the document is ever looked at.

mod path;

use std::cell::Cell;

use roxmltree::{Attribute, Document as Tree, Error, Node, ParsingOptions};

pub(crate) use path::XmlPath;
use path::{Name, Origin, Step, Test};

use super::{Document, Found, TreeForm, gather};
use crate::definition::EncodingName;
use crate::encoding::{BadText, decode};
use crate::envelope::Rejection;
use crate::gathered::Gathered;
use crate::plan::Plan;
use crate::reading::{Outcome, Reason};
use crate::role::NumberForm;

/// Elements within elements.
const DEPTH_MAX: usize = 64;
/// Attributes of one element; they are compared with one another.
const ATTRIBUTES_MAX: usize = 256;
/// Namespace declarations of one document; every element carries those around it.
const NAMESPACES_MAX: usize = 256;
/// Elements, texts and comments of one document.
const NODES_MAX: u32 = 1_000_000;
/// Places that all paths together may look at.
const STEPS_MAX: u64 = 20_000_000;

/// Reads a document.
pub(crate) fn read_xml(plan: &Plan, form: &TreeForm<XmlPath>, bytes: &[u8]) -> Result<Gathered, Rejection> {
    let text = text(plan, bytes)?;
    within_bounds(text.as_bytes())?;
    let options = ParsingOptions { allow_dtd: false, nodes_limit: NODES_MAX, ..ParsingOptions::default() };
    let tree = Tree::parse_with_options(&text, options).map_err(|error| rejection(&error))?;
    gather(plan, form, &Xml { tree: &tree, steps: Cell::new(0) })
}

fn rejection(error: &Error) -> Rejection {
    let reason = match error {
        Error::DtdDetected | Error::UnknownEntityReference(..) | Error::EntityReferenceLoop(_) => Reason::Entity,
        Error::NodesLimitReached | Error::AttributesLimitReached | Error::NamespacesLimitReached => Reason::TooLong,
        Error::NonXmlChar(..) => Reason::Noise,
        Error::UnclosedRootNode | Error::UnexpectedEndOfStream => {
            let detail = "the document ends before its root element does".to_owned();
            return Rejection { outcome: Outcome::Incomplete, reason: Some(Reason::CutOff), detail };
        }
        _ => Reason::Sanity,
    };
    Rejection::damaged(reason, format!("this is no XML document: {error}"))
}

/// The characters of a document, by its byte order mark and declaration, which must agree with each other and with
/// what the definition says.
fn text(plan: &Plan, bytes: &[u8]) -> Result<String, Rejection> {
    let wrong = |detail: String| Rejection::damaged(Reason::Encoding, detail);
    let (marked, bytes) = match bytes {
        [0xef, 0xbb, 0xbf, rest @ ..] => (Some(EncodingName::Utf8), rest),
        [0xff, 0xfe, rest @ ..] => (Some(EncodingName::Utf16Le), rest),
        [0xfe, 0xff, rest @ ..] => (Some(EncodingName::Utf16Be), rest),
        [b'<', 0, ..] => (Some(EncodingName::Utf16Le), bytes),
        [0, b'<', ..] => (Some(EncodingName::Utf16Be), bytes),
        _ => (None, bytes),
    };
    let told = plan.shape.encoding;
    // ASCII is what a definition says that says nothing.
    let told = Some(told).filter(|told| *told != EncodingName::Ascii);
    let first = bytes.get(..bytes.len().min(400)).unwrap_or(bytes);
    let head: String = first.iter().filter(|byte| **byte != 0).map(|byte| char::from(*byte)).collect();
    let declared = match declared(&head) {
        Some(name) => Some(encoding(name, marked).ok_or_else(|| wrong(format!("unknown encoding `{name}`")))?),
        None => None,
    };
    let mut said = [marked, declared, told].into_iter().flatten();
    let encoding = said.next().unwrap_or(EncodingName::Utf8);
    if let Some(other) = said.find(|other| *other != encoding && *other != EncodingName::Ascii) {
        return Err(wrong(format!("it is said to be in {other:?} and in {encoding:?}")));
    }
    decode(encoding, bytes).map_err(|bad| match bad {
        BadText::Noise => Rejection::damaged(Reason::Noise, "control characters that no document has"),
        BadText::Undecodable => wrong(format!("bytes that {encoding:?} does not have")),
    })
}

/// The encoding that an XML declaration names.
fn declared(head: &str) -> Option<&str> {
    let declaration = head.trim_start().strip_prefix("<?xml")?;
    let declaration = &declaration[..declaration.find("?>")?];
    let value = declaration.split_once("encoding")?.1.trim_start().strip_prefix('=')?.trim_start();
    let quote = value.chars().next().filter(|quote| matches!(quote, '"' | '\''))?;
    value[1..].split(quote).next()
}

fn encoding(name: &str, marked: Option<EncodingName>) -> Option<EncodingName> {
    let wide = marked.filter(|marked| matches!(marked, EncodingName::Utf16Le | EncodingName::Utf16Be));
    Some(match name.to_ascii_lowercase().as_str() {
        "utf-8" | "utf8" => EncodingName::Utf8,
        "us-ascii" | "ascii" => EncodingName::Ascii,
        "iso-8859-1" | "latin1" | "latin-1" => EncodingName::Latin1,
        "windows-1252" | "cp1252" => EncodingName::Windows1252,
        "utf-16" => wide?,
        "utf-16le" => EncodingName::Utf16Le,
        "utf-16be" => EncodingName::Utf16Be,
        _ => return None,
    })
}

/// Refuses what would cost more than a document of an instrument may, before it is taken apart.
fn within_bounds(text: &[u8]) -> Result<(), Rejection> {
    let too_much = |what: &str| Err(Rejection::damaged(Reason::TooLong, format!("the document has too many {what}")));
    let (mut at, mut depth, mut namespaces) = (0, 0_usize, 0_usize);
    while let Some(found) = text.get(at..).and_then(|rest| rest.iter().position(|byte| *byte == b'<')) {
        at += found + 1;
        let rest = &text[at..];
        let behind = |end: &[u8]| rest.windows(end.len()).position(|part| part == end).map(|found| found + end.len());
        if rest.starts_with(b"!--") || rest.starts_with(b"![CDATA[") || rest.starts_with(b"?") {
            let end: &[u8] = match rest[0] {
                b'?' => b"?>",
                _ if rest[1] == b'-' => b"-->",
                _ => b"]]>",
            };
            let Some(length) = behind(end) else { return Ok(()) };
            at += length;
            continue;
        }
        let (mut quote, mut attributes, mut length) = (None, 0, 0);
        for byte in rest {
            length += 1;
            match (quote, byte) {
                (None, b'>') => break,
                (None, b'"' | b'\'') => quote = Some(*byte),
                (None, b'=') => attributes += 1,
                (Some(open), byte) if open == *byte => quote = None,
                _ => {}
            }
        }
        let tag = &rest[..length];
        if attributes > ATTRIBUTES_MAX {
            return too_much("attributes in one element");
        }
        namespaces += tag.windows(5).filter(|part| *part == b"xmlns").count();
        depth = match tag {
            [b'/', ..] => depth.saturating_sub(1),
            [.., b'/', b'>'] => depth,
            _ => depth + 1,
        };
        if depth > DEPTH_MAX {
            return too_much("elements within elements");
        }
        if namespaces > NAMESPACES_MAX {
            return too_much("namespace declarations");
        }
        at += length;
    }
    Ok(())
}

struct Xml<'a, 'input> {
    tree: &'a Tree<'input>,
    steps: Cell<u64>,
}

#[derive(Clone, Copy)]
enum Place<'a, 'input> {
    Element(Node<'a, 'input>),
    Attribute(Attribute<'a, 'input>),
}

fn is_named(name: &Name, namespace: Option<&str>, local: &str) -> bool {
    name.local == local && name.namespace.as_deref().is_none_or(|wanted| namespace == Some(wanted))
}

impl<'a, 'input> Xml<'a, 'input> {
    fn count(&self) -> Result<(), Rejection> {
        self.steps.set(self.steps.get() + 1);
        match self.steps.get() > STEPS_MAX {
            true => Err(Rejection::damaged(Reason::TooLong, "the document is too large for these paths")),
            false => Ok(()),
        }
    }

    fn fits(&self, node: Node<'a, 'input>, name: Option<&Name>, tests: &[Test]) -> Result<bool, Rejection> {
        self.count()?;
        let tag = node.tag_name();
        if !node.is_element() || name.is_some_and(|name| !is_named(name, tag.namespace(), tag.name())) {
            return Ok(false);
        }
        for test in tests {
            let fits = match test {
                Test::Attribute(name, wanted) => node
                    .attributes()
                    .any(|other| is_named(name, other.namespace(), other.name()) && other.value() == wanted),
                Test::Child(name, wanted) => {
                    let mut fits = false;
                    for child in node.children() {
                        fits = fits || (self.fits(child, Some(name), &[])? && text_of(child)? == *wanted);
                    }
                    fits
                }
            };
            if !fits {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn step(&self, from: Place<'a, 'input>, step: &Step, to: &mut Vec<Place<'a, 'input>>) -> Result<(), Rejection> {
        let Place::Element(node) = from else { return Ok(()) };
        match step {
            Step::Own => to.push(from),
            Step::Parent => to.extend(node.parent_element().map(Place::Element)),
            Step::Attribute(name) => {
                self.count()?;
                let wanted = |other: &Attribute<'a, 'input>| is_named(name, other.namespace(), other.name());
                to.extend(node.attributes().filter(wanted).map(Place::Attribute));
            }
            Step::Element { name, tests } => {
                for child in node.children() {
                    if self.fits(child, name.as_ref(), tests)? {
                        to.push(Place::Element(child));
                    }
                }
            }
        }
        Ok(())
    }

    /// Where the first step of a path that does not begin here leads to.
    fn first(&self, origin: Origin, from: Node<'a, 'input>, step: &Step) -> Result<Vec<Place<'a, 'input>>, Rejection> {
        let Step::Element { name, tests } = step else { return Ok(vec![]) };
        let mut found = Vec::new();
        match origin {
            Origin::Preceding => {
                let mut id = from.id().get();
                while id > 0 {
                    id -= 1;
                    let Some(node) = self.tree.get_node(roxmltree::NodeId::new(id)) else { break };
                    let is_around = || from.ancestors().any(|around| around == node);
                    if self.fits(node, name.as_ref(), tests)? && !is_around() {
                        return Ok(vec![Place::Element(node)]);
                    }
                }
            }
            Origin::Anywhere => {
                for node in self.tree.descendants() {
                    if self.fits(node, name.as_ref(), tests)? {
                        found.push(Place::Element(node));
                    }
                }
            }
            Origin::Top | Origin::Here => {
                if self.fits(self.tree.root_element(), name.as_ref(), tests)? {
                    found.push(Place::Element(self.tree.root_element()));
                }
            }
        }
        Ok(found)
    }
}

impl<'a, 'input> Document for Xml<'a, 'input> {
    type Path = XmlPath;
    type At = Place<'a, 'input>;

    fn top(&self) -> Self::At {
        Place::Element(self.tree.root_element())
    }

    fn places(&self, from: Self::At, path: &XmlPath) -> Result<Vec<Self::At>, Rejection> {
        let mut places = vec![from];
        let mut steps = path.steps.iter();
        if path.origin != Origin::Here
            && let (Place::Element(node), Some(step)) = (from, steps.next())
        {
            places = self.first(path.origin, node, step)?;
        }
        for step in steps {
            let mut next = Vec::new();
            for place in places {
                self.step(place, step, &mut next)?;
            }
            places = next;
        }
        Ok(places)
    }

    fn found(&self, at: Self::At) -> Result<Option<Found>, Rejection> {
        let text = match at {
            Place::Attribute(attribute) => attribute.value().to_owned(),
            Place::Element(node) => text_of(node)?,
        };
        Ok(Some(Found { text, number: NumberForm::Declared }))
    }

    fn unknown(&self, record: Self::At, known: &[String]) -> Vec<(String, Found)> {
        let Place::Element(node) = record else { return vec![] };
        let found = |text: String| Found { text, number: NumberForm::Declared };
        let attributes = node.attributes().map(|other| (other.name(), Ok(other.value().to_owned())));
        let is_plain = |child: &Node| child.is_element() && !child.children().any(|inner| inner.is_element());
        let children = node.children().filter(is_plain).map(|child| (child.tag_name().name(), text_of(child)));
        let mut unknown: Vec<(String, String)> = attributes
            .chain(children)
            .filter(|(name, _)| !known.iter().any(|known| known == name))
            .filter_map(|(name, text)| Some((name.to_owned(), text.ok()?)))
            .collect();
        unknown.sort_by(|one, two| one.0.cmp(&two.0));
        // A name that comes twice says nothing by itself.
        let counts = |name: &String| unknown.iter().filter(|(other, _)| other == name).count();
        let single: Vec<bool> = match unknown.len() <= ATTRIBUTES_MAX {
            true => unknown.iter().map(|(name, _)| counts(name) == 1).collect(),
            false => return vec![],
        };
        let kept = unknown.into_iter().zip(single).filter(|(_, single)| *single);
        kept.map(|((name, text), _)| (name, found(text))).collect()
    }
}

/// The text of an element. Text on both sides of another element is two texts, and no number is put together from
/// them.
fn text_of(node: Node<'_, '_>) -> Result<String, Rejection> {
    let mut runs: Vec<String> = vec![String::new()];
    for child in node.children() {
        match (child.is_element(), child.is_text(), runs.last_mut()) {
            (true, ..) => runs.push(String::new()),
            (_, true, Some(run)) => run.push_str(child.text().unwrap_or("")),
            _ => {}
        }
    }
    runs.retain(|run| !run.trim().is_empty());
    match runs.len() {
        0 => Ok(String::new()),
        1 => Ok(runs.swap_remove(0)),
        _ => {
            let detail = format!("the text of `{}` is broken up by other elements", node.tag_name().name());
            Err(Rejection::damaged(Reason::Sanity, detail))
        }
    }
}
