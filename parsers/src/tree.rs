//! Documents whose parts are found by paths: the fields of their records.

mod json;
mod xml;

pub(crate) use json::{JsonPath, read_json};
pub(crate) use xml::{XmlPath, read_xml};

use crate::envelope::Rejection;
use crate::fields::checked;
use crate::gathered::{Gathered, Group};
use crate::plan::Plan;
use crate::reading::Reason;
use crate::role::{Item, NumberForm, Role};
use crate::trace::Heights;

/// Where in a document of one kind the fields are.
#[derive(Clone, Debug)]
pub(crate) struct TreeForm<P> {
    pub(crate) record: Option<P>,
    pub(crate) values: Option<P>,
    /// Fields that all records share.
    pub(crate) top: Vec<(Role, P)>,
    /// Fields of a record.
    pub(crate) fields: Vec<(Role, P)>,
    /// Fields of one of `values`.
    pub(crate) value: Vec<(Role, P)>,
    /// Names in a record that a path leads through; what else it has is kept in `other`.
    pub(crate) known: Vec<String>,
}

impl<P> TreeForm<P> {
    /// The roles that a document may fill.
    pub(crate) fn roles(&self) -> impl Iterator<Item = &Role> {
        self.top.iter().chain(&self.fields).chain(&self.value).map(|(role, _)| role)
    }
}

/// A text found, or a number.
pub(crate) struct Found {
    text: String,
    number: NumberForm,
}

impl Found {
    fn item(self, role: Role) -> Item {
        Item { number: self.number, ..Item::new(role, self.text) }
    }
}

/// A document in which paths lead to places.
trait Document {
    type Path;
    type At: Copy;

    /// Where paths begin that don't say otherwise.
    fn top(&self) -> Self::At;

    /// All places that a path leads to, in their order.
    fn places(&self, from: Self::At, path: &Self::Path) -> Result<Vec<Self::At>, Rejection>;

    /// What stands at a place; `None` where it says that there is nothing.
    fn found(&self, at: Self::At) -> Result<Option<Found>, Rejection>;

    /// Plain parts of a record that have none of the names `known`.
    fn unknown(&self, record: Self::At, known: &[String]) -> Vec<(String, Found)>;
}

/// What a document says, record by record.
fn gather<D: Document>(plan: &Plan, form: &TreeForm<D::Path>, document: &D) -> Result<Gathered, Rejection> {
    let top = document.top();
    let mut gathered = Gathered::default();
    let (header, heights) = fields(plan, document, top, &form.top)?;
    gathered.add_header(header);
    gathered.heights = heights;
    let records = match &form.record {
        Some(record) => document.places(top, record)?,
        None => vec![top],
    };
    if records.is_empty() {
        return Err(Rejection::damaged(Reason::MissingField, "the document has no record where the definition says"));
    }
    for record in records {
        let (mut own, heights) = fields(plan, document, record, &form.fields)?;
        let mut lines = Vec::new();
        if let Some(values) = &form.values {
            for value in document.places(record, values)? {
                let (mut items, _) = fields(plan, document, value, &form.value)?;
                if let Some((role, _)) = form.value.iter().find(|(role, _)| role.is_value())
                    && !items.iter().any(|item| item.role == *role)
                {
                    items.push(Item::new(role.clone(), ""));
                }
                lines.push(items);
            }
        }
        for (name, found) in document.unknown(record, &form.known) {
            own.push(found.item(Role::Other(name)));
        }
        if own.iter().any(|item| item.role.is_value()) {
            lines.insert(0, std::mem::take(&mut own));
        }
        if lines.is_empty() && heights.is_none() && gathered.heights.is_none() {
            return Err(Rejection::damaged(Reason::MissingField, "a record without a value"));
        }
        gathered.add_group(Group { header: own, lines, is_own: true, heights });
    }
    Ok(gathered)
}

/// The fields found from one place; heights apart.
fn fields<D: Document>(
    plan: &Plan,
    document: &D,
    from: D::At,
    wanted: &[(Role, D::Path)],
) -> Result<(Vec<Item>, Option<Heights>), Rejection> {
    let mut items = Vec::new();
    let mut heights: Option<Heights> = None;
    for (role, path) in wanted {
        let places = document.places(from, path)?;
        if *role == Role::Heights {
            for place in places {
                let text = document.found(place)?.map_or_else(|| "null".to_owned(), |found| found.text);
                Heights::add_text(&mut heights, &text);
            }
            continue;
        }
        match places.as_slice() {
            [] => {}
            [place] => match document.found(*place)? {
                Some(found) => items.push(found.item(role.clone())),
                // Said to be nothing: what that means for a value is up to the marks.
                None if role.is_value() => items.push(Item::new(role.clone(), "")),
                None => {}
            },
            places => {
                let detail = format!("`{}` is there {} times in one record", role.name(), places.len());
                return Err(Rejection::damaged(Reason::Sanity, detail));
            }
        }
    }
    Ok((checked(plan, items)?, heights))
}
