//! The fields of a result, in the one order that the view, JSON, CSV and every sink keep.

/// How a field is written in JSON.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// A string, or null where it is unknown.
    Text,
    /// A whole number, or null.
    Whole,
    /// `true` or `false`; `yes` or `no` in the view and in CSV.
    Truth,
    /// An array of codes; blank-separated in the view and in CSV.
    Codes,
}

/// Name and form of every field of a result. Others rely on names and order: extend at the end only.
pub const FIELDS: &[(&str, Form)] = &[
    ("result_id", Form::Text),
    ("seq", Form::Whole),
    ("kind", Form::Text),
    ("received_at", Form::Text),
    ("measured_at", Form::Text),
    ("clock_synced", Form::Truth),
    ("cell", Form::Text),
    ("station", Form::Text),
    ("gauge", Form::Text),
    ("operator", Form::Text),
    ("job", Form::Text),
    ("part_number", Form::Text),
    ("revision", Form::Text),
    ("operation", Form::Text),
    ("serial", Form::Text),
    ("piece", Form::Whole),
    ("cycle", Form::Whole),
    ("mode", Form::Text),
    ("balloon", Form::Text),
    ("feature", Form::Text),
    ("quantity", Form::Text),
    ("value", Form::Text),
    ("unit", Form::Text),
    ("value_as_sent", Form::Text),
    ("unit_as_sent", Form::Text),
    ("mark", Form::Text),
    ("lower", Form::Text),
    ("upper", Form::Text),
    ("rule", Form::Text),
    ("outcome", Form::Text),
    ("reasons", Form::Codes),
    ("trace", Form::Whole),
    ("attempt", Form::Whole),
    ("cutoff_mm", Form::Text),
    ("sections", Form::Whole),
    ("lambda_s_um", Form::Text),
    ("filter", Form::Text),
    ("standard", Form::Text),
    ("conditions_source", Form::Text),
    ("gauge_state", Form::Text),
    ("instrument_verdict", Form::Text),
    ("transmission", Form::Whole),
    ("job_hash", Form::Text),
    ("supersedes", Form::Text),
];

/// Position of a field by name.
pub fn position(name: &str) -> Option<usize> {
    FIELDS.iter().position(|(field, _)| *field == name)
}
