//! Narrative: a resource told in XHTML that people can read.

use crate::Json;
use serde_json::json;

/// Escapes a text for XHTML. Characters that XML 1.0 does not know, and those that turn the direction of the text, are
/// left out.
pub fn escape(text: &str) -> String {
    if text.bytes().all(|b| matches!(b, b' '..=b'~') && !matches!(b, b'&' | b'<' | b'>' | b'"' | b'\'')) {
        return text.to_owned();
    }
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            '\t' | '\n' | '\r' => escaped.push(c),
            '\u{FFFE}' | '\u{FFFF}' => {}
            _ if c < ' ' => {}
            // Embeddings, overrides and isolates can make a line read otherwise than it is written (Unicode UAX 9, 2.1).
            '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' => {}
            _ => escaped.push(c),
        }
    }
    escaped
}

/// A narrative under construction. Every text that goes in is escaped.
///
/// ```
/// let text = endplate_fhir::narrative::Narrative::titled("Plan").paragraph("2 < 3").build();
/// assert_eq!(
///     text["div"],
///     r#"<div xmlns="http://www.w3.org/1999/xhtml"><h2>Plan</h2><p>2 &lt; 3</p></div>"#
/// );
/// ```
#[derive(Clone, Debug)]
#[must_use]
pub struct Narrative {
    body: String,
}

impl Narrative {
    /// Begins with a title, which also keeps it from being empty (R4 invariant txt-2).
    pub fn titled(title: &str) -> Self {
        Self { body: String::new() }.element("h2", title)
    }

    /// Adds a heading below the title.
    pub fn heading(self, text: &str) -> Self {
        self.element("h3", text)
    }

    /// Adds a paragraph.
    pub fn paragraph(self, text: &str) -> Self {
        self.element("p", text)
    }

    /// Adds a list with bullets; nothing if there are no items.
    pub fn list<T: AsRef<str>>(mut self, items: &[T]) -> Self {
        if items.is_empty() {
            return self;
        }
        self.body.push_str("<ul>");
        for item in items {
            self = self.element("li", item.as_ref());
        }
        self.body.push_str("</ul>");
        self
    }

    /// Adds a table; nothing if there are no rows.
    pub fn table<T: AsRef<str>>(mut self, header: &[&str], rows: &[Vec<T>]) -> Self {
        if rows.is_empty() {
            return self;
        }
        self.body.push_str("<table><thead><tr>");
        for cell in header {
            self = self.element("th", cell);
        }
        self.body.push_str("</tr></thead><tbody>");
        for row in rows {
            self.body.push_str("<tr>");
            for cell in row {
                self = self.element("td", cell.as_ref());
            }
            self.body.push_str("</tr>");
        }
        self.body.push_str("</tbody></table>");
        self
    }

    /// The `text` of a resource: status `generated` and the `div`.
    pub fn build(self) -> Json {
        let div = format!("<div xmlns=\"http://www.w3.org/1999/xhtml\">{}</div>", self.body);
        json!({ "status": "generated", "div": div })
    }

    fn element(mut self, name: &str, text: &str) -> Self {
        for piece in ["<", name, ">", &escape(text), "</", name, ">"] {
            self.body.push_str(piece);
        }
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn direction_is_not_turned() {
        assert_eq!(escape("a\u{202E}b\u{2066}c"), "abc");
    }

    #[test]
    fn all_parts() {
        let text = Narrative::titled("T")
            .heading("H")
            .paragraph("P")
            .list(&["a", "b"])
            .list::<&str>(&[])
            .table(&["x", "y"], &[vec!["1", "<2>"]])
            .table::<&str>(&["x"], &[])
            .build();
        assert_eq!(text["status"], "generated");
        assert_eq!(
            text["div"],
            "<div xmlns=\"http://www.w3.org/1999/xhtml\"><h2>T</h2><h3>H</h3><p>P</p><ul><li>a</li><li>b</li></ul>\
             <table><thead><tr><th>x</th><th>y</th></tr></thead><tbody><tr><td>1</td><td>&lt;2&gt;</td></tr></tbody></table></div>"
        );
    }

    proptest! {
        // Whatever goes in, the narrative passes the check for XHTML without script.
        #[test]
        fn always_valid(title in "\\PC{1,20}", text in ".{0,40}") {
            let resource = json!({ "resourceType": "Patient", "text": Narrative::titled(&title).paragraph(&text).build() });
            prop_assert_eq!(crate::validate::resource(&resource), vec![]);
        }
    }
}
