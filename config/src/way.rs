//! What the way to a file says of its readings: `{job}/{part}/*.csv` names folders after jobs and parts.

use regex::Regex;

/// The form of files' ways in a folder, from the folder itself on: text stands for itself, `*` for anything within one
/// name, `{job}`, `{part}` and `{balloon}` for what they name.
#[derive(Clone, Debug)]
pub struct Way {
    text: String,
    form: Regex,
}

impl PartialEq for Way {
    fn eq(&self, other: &Self) -> bool {
        self.text == other.text
    }
}

/// What a way says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// The job that the readings are for.
    pub job: Option<String>,
    /// The part that they are of.
    pub part: Option<String>,
    /// The characteristic that they are for.
    pub balloon: Option<String>,
    /// The way has another form: nobody knows what the readings are of.
    pub astray: bool,
}

const ITEMS: [&str; 3] = ["job", "part", "balloon"];

impl Way {
    /// Reads a form.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn new(text: &str) -> Result<Way, String> {
        let mut form = String::from("^");
        let (mut rest, mut seen) = (text, Vec::new());
        while let Some(at) = rest.find(['{', '}', '*']) {
            form.push_str(&regex::escape(&rest[..at]));
            if let Some(behind) = rest[at..].strip_prefix('*') {
                form.push_str("[^/]*");
                rest = behind;
                continue;
            }
            let item = rest[at..].strip_prefix('{').and_then(|behind| behind.split_once('}'));
            let (item, behind) = item.ok_or("a `{` and its `}` don't belong together")?;
            if !ITEMS.contains(&item) {
                return Err(format!("`{{{item}}}` is not one of {{{}}}", ITEMS.join("}, {")));
            }
            if seen.contains(&item) {
                return Err(format!("`{{{item}}}` stands there twice"));
            }
            if form.ends_with(')') {
                return Err(format!("nothing tells where `{{{item}}}` begins: write something between"));
            }
            seen.push(item);
            form.push_str(&format!("(?<{item}>[^/]+?)"));
            rest = behind;
        }
        form.push_str(&regex::escape(rest));
        form.push('$');
        if seen.is_empty() {
            return Err(format!("it names nothing: write one of {{{}}}", ITEMS.join("}, {")));
        }
        let form = Regex::new(&form).map_err(|error| error.to_string())?;
        Ok(Way { text: text.to_owned(), form })
    }

    /// As it is written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// How many folders lie inside one another on such a way.
    pub fn depth(&self) -> usize {
        self.text.matches('/').count()
    }

    /// What the way of a file says; names are relative to the folder.
    pub fn place(&self, name: &str) -> Place {
        let Some(found) = self.form.captures(name) else { return Place { astray: true, ..Place::default() } };
        let item = |item: &str| found.name(item).map(|text| text.as_str().to_owned());
        Place { job: item("job"), part: item("part"), balloon: item("balloon"), astray: false }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that can't go on should stop")]
    use super::*;

    #[test]
    fn a_way_says_what_its_form_names_and_another_form_says_nothing() {
        let said = |form: &str, name: &str| {
            let Place { job, part, balloon, astray } = Way::new(form).unwrap().place(name);
            let all = [job, part, balloon].map(|item| item.unwrap_or("-".into())).join(" ");
            if astray { "astray".to_owned() } else { all }
        };
        for (form, name, expected) in [
            ("{job}/{part}/*", "WO-1/0012/ra.csv", "WO-1 0012 -"),
            ("{job}/{part}/*", "WO-1/ra.csv", "astray"),
            ("{job}/{part}/*", "WO-1/0012/more/ra.csv", "astray"),
            ("{job}/{part}/*", "/0012/ra.csv", "astray"),
            ("{job}_{part}_{balloon}.csv", "WO-1_0012_10.csv", "WO-1 0012 10"),
            ("{job}_{part}_{balloon}.csv", "WO-1_0012.csv", "astray"),
            ("{job}_{part}.csv", "WO_1_7.csv", "WO 1_7 -"),
            ("a.b/{part}.*", "a.b/7.x.csv", "- 7 -"),
            ("a.b/{part}.*", "aXb/7.csv", "astray"),
            ("{part}(1).csv", "S 7 µ(1).csv", "- S 7 µ -"),
        ] {
            assert_eq!(said(form, name), expected, "{form} of {name}");
        }
        for (form, why) in [
            ("*.csv", "names nothing"),
            ("{serial}.csv", "`{serial}` is not one of {job}, {part}, {balloon}"),
            ("{part}{job}", "nothing tells where `{job}` begins"),
            ("{part}-{part}", "twice"),
            ("{part", "don't belong together"),
            ("part}", "don't belong together"),
        ] {
            let told = Way::new(form).unwrap_err();
            assert!(told.contains(why), "{form}: {told}");
        }
    }
}
