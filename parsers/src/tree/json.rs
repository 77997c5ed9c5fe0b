//! JSON documents: digits as sent, every key once, bounded, their parts by path.

mod path;

use std::cell::Cell;
use std::collections::BTreeSet;
use std::fmt;

use serde::de::{Deserialize, Deserializer, MapAccess, Visitor};
use serde_json::error::Category;
use serde_json::value::RawValue;

pub(crate) use path::JsonPath;
use path::Step;

use super::{Document, Found, TreeForm, gather};
use crate::envelope::Rejection;
use crate::gathered::Gathered;
use crate::plan::Plan;
use crate::reading::{Outcome, Reason};
use crate::role::NumberForm;

/// Lists and objects within one another.
const DEPTH_MAX: usize = 32;
/// Values of one document; a profile of a million points and what goes with it.
const NODES_MAX: usize = 1_200_000;

/// One value.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Node<'a> {
    Null,
    Bool(bool),
    /// Its digits as sent.
    Number(&'a str),
    Text(String),
    List(Vec<Node<'a>>),
    Object(Vec<(String, Node<'a>)>),
}

/// Reads a document.
pub(crate) fn read_json(plan: &Plan, form: &TreeForm<JsonPath>, text: &str) -> Result<Gathered, Rejection> {
    let raw: &RawValue = serde_json::from_str(text).map_err(|error| rejection(&error))?;
    let root = Parser::default().parse(raw, 0)?;
    let json = Json { root };
    gather(plan, form, &&json)
}

fn rejection(error: &serde_json::Error) -> Rejection {
    if error.classify() == Category::Eof {
        let detail = "the document ends before it is complete".to_owned();
        return Rejection { outcome: Outcome::Incomplete, reason: Some(Reason::CutOff), detail };
    }
    Rejection::damaged(Reason::Sanity, format!("this is no JSON document: {error}"))
}

/// The members of an object, not taken apart further.
struct Members<'a>(Vec<(String, &'a RawValue)>);

impl<'de> Deserialize<'de> for Members<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Each;
        impl<'de> Visitor<'de> for Each {
            type Value = Members<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Members<'de>, A::Error> {
                let mut members = Vec::new();
                while let Some(member) = map.next_entry()? {
                    members.push(member);
                }
                Ok(Members(members))
            }
        }
        deserializer.deserialize_map(Each)
    }
}

#[derive(Default)]
struct Parser {
    nodes: Cell<usize>,
}

impl Parser {
    fn parse<'a>(&self, raw: &'a RawValue, depth: usize) -> Result<Node<'a>, Rejection> {
        self.nodes.set(self.nodes.get() + 1);
        if depth > DEPTH_MAX || self.nodes.get() > NODES_MAX {
            return Err(Rejection::damaged(
                Reason::TooLong,
                "the document is nested too deeply or has too many values",
            ));
        }
        let text = raw.get();
        Ok(match text.bytes().next() {
            Some(b'{') => {
                let Members(members) = serde_json::from_str(text).map_err(|error| rejection(&error))?;
                let mut seen = BTreeSet::new();
                if let Some((twice, _)) = members.iter().find(|(key, _)| !seen.insert(key.as_str())) {
                    return Err(Rejection::damaged(Reason::Sanity, format!("the key `{twice}` is there twice")));
                }
                let member = |(key, raw)| Ok((key, self.parse(raw, depth + 1)?));
                Node::Object(members.into_iter().map(member).collect::<Result<_, Rejection>>()?)
            }
            Some(b'[') => {
                let entries: Vec<&RawValue> = serde_json::from_str(text).map_err(|error| rejection(&error))?;
                Node::List(entries.into_iter().map(|raw| self.parse(raw, depth + 1)).collect::<Result<_, _>>()?)
            }
            Some(b'"') => Node::Text(serde_json::from_str(text).map_err(|error| rejection(&error))?),
            Some(b't') => Node::Bool(true),
            Some(b'f') => Node::Bool(false),
            Some(b'n') => Node::Null,
            _ => Node::Number(text),
        })
    }
}

struct Json<'a> {
    root: Node<'a>,
}

/// A value by its place in the tree.
#[derive(Clone, Copy)]
struct At<'d, 'a>(&'d Node<'a>);

fn scalar(node: &Node<'_>) -> Option<Option<Found>> {
    let plain = |text: String| Some(Some(Found { text, number: NumberForm::Declared }));
    match node {
        Node::Null => Some(None),
        Node::Bool(is) => plain(is.to_string()),
        Node::Text(text) => plain(text.clone()),
        Node::Number(digits) => Some(Some(Found { text: (*digits).to_owned(), number: NumberForm::Plain })),
        Node::List(_) | Node::Object(_) => None,
    }
}

fn member<'d, 'a>(node: &'d Node<'a>, key: &str) -> Option<&'d Node<'a>> {
    match node {
        Node::Object(members) => members.iter().find(|(name, _)| name == key).map(|(_, node)| node),
        _ => None,
    }
}

impl<'d, 'a> Document for &'d Json<'a> {
    type Path = JsonPath;
    type At = At<'d, 'a>;

    fn top(&self) -> Self::At {
        At(&self.root)
    }

    fn places(&self, from: Self::At, path: &JsonPath) -> Result<Vec<Self::At>, Rejection> {
        let mut places = vec![if path.from_top { At(&self.root) } else { from }];
        for step in &path.steps {
            let mut next = Vec::new();
            for At(node) in places {
                let list = match (step, node) {
                    (Step::Key(key), node) => {
                        next.extend(member(node, key).map(At));
                        continue;
                    }
                    (_, Node::List(list)) => list,
                    (_, Node::Null) => continue,
                    _ => return Err(Rejection::damaged(Reason::Sanity, "there is no list where the definition says")),
                };
                match step {
                    Step::Index(index) => next.extend(list.get(*index).map(At)),
                    Step::Where { key, equals } => {
                        let is_wanted = |node: &&Node<'a>| match member(node, key) {
                            Some(Node::Text(text)) => text == equals,
                            Some(Node::Number(digits)) => digits == equals,
                            _ => false,
                        };
                        next.extend(list.iter().filter(is_wanted).map(At));
                    }
                    Step::Each | Step::Key(_) => next.extend(list.iter().map(At)),
                }
            }
            places = next;
        }
        Ok(places)
    }

    fn found(&self, At(node): Self::At) -> Result<Option<Found>, Rejection> {
        scalar(node)
            .ok_or_else(|| Rejection::damaged(Reason::Sanity, "there is an object or a list where a value should be"))
    }

    fn unknown(&self, At(record): Self::At, known: &[String]) -> Vec<(String, Found)> {
        let Node::Object(members) = record else { return vec![] };
        let unknown = members.iter().filter(|(name, _)| !known.contains(name));
        unknown.filter_map(|(name, node)| Some((name.clone(), scalar(node)??))).collect()
    }
}
