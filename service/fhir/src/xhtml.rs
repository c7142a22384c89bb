//! The narrative's `div`: XHTML without anything that runs.
//!
//! Source of both lists: FHIR R4, invariants txt-1 and txt-2 of Narrative.

use quick_xml::Reader;
use quick_xml::events::attributes::Attribute;
use quick_xml::events::{BytesStart, Event};

#[rustfmt::skip]
const ELEMENTS: &[&str] = &[
    "a", "abbr", "acronym", "b", "big", "blockquote", "br", "caption", "cite", "code", "col", "colgroup",
    "dd", "dfn", "div", "dl", "dt", "em", "h1", "h2", "h3", "h4", "h5", "h6", "hr", "i", "img", "li", "ol",
    "p", "pre", "q", "samp", "small", "span", "strong", "sub", "sup", "table", "tbody", "td", "tfoot", "th",
    "thead", "tr", "tt", "ul", "var",
];

#[rustfmt::skip]
const ATTRIBUTES: &[&str] = &[
    "abbr", "accesskey", "align", "alt", "axis", "bgcolor", "border", "cellhalign", "cellpadding",
    "cellspacing", "cellvalign", "char", "charoff", "charset", "cite", "class", "colspan", "compact",
    "coords", "dir", "frame", "headers", "height", "href", "hreflang", "hspace", "id", "lang", "longdesc",
    "name", "nowrap", "rel", "rev", "rowspan", "rules", "scope", "shape", "span", "src", "start", "style",
    "summary", "tabindex", "title", "type", "valign", "value", "vspace", "width", "xml:lang", "xml:space",
];

/// What is wrong with a narrative's `div`: the key of the invariant that is broken, and a sentence that says what to send;
/// nothing if all is well.
pub(crate) fn problem(div: &str) -> Option<(&'static str, &'static str)> {
    breach(div).map(|text| (if text == EMPTY { "txt-2" } else { "txt-1" }, text))
}

const EMPTY: &str = "Put text into the div, or omit the narrative.";

fn breach(div: &str) -> Option<&'static str> {
    const ONE_DIV: &str = "Send one XHTML div and nothing around it.";
    const NAMESPACE: &str = "Send the div with xmlns=\"http://www.w3.org/1999/xhtml\".";
    const NOT_XML: &str =
        "Send well-formed XHTML: close every element, quote every attribute, write & as &amp;.";
    let mut reader = Reader::from_str(div);
    let mut depth = 0_usize;
    let mut has_div = false;
    let mut has_content = false;
    loop {
        let Ok(event) = reader.read_event() else { return Some(NOT_XML) };
        match event {
            Event::Start(start) => {
                if depth == 0 && (has_div || start.name().0 != "div") {
                    return Some(ONE_DIV);
                }
                if depth == 0 && !is_xhtml(&start) {
                    return Some(NAMESPACE);
                }
                if let Some(found) = element_problem(&start) {
                    return Some(found);
                }
                has_div = true;
                depth += 1;
            }
            Event::Empty(start) => {
                if depth == 0 {
                    return Some(if has_div { ONE_DIV } else { EMPTY });
                }
                if let Some(found) = element_problem(&start) {
                    return Some(found);
                }
                has_content |= start.name().0 == "img";
            }
            Event::End(_) => depth = depth.saturating_sub(1),
            Event::Text(text) => {
                let blank = text.trim().is_empty();
                if depth == 0 && !blank {
                    return Some(ONE_DIV);
                }
                has_content |= !blank;
            }
            Event::GeneralRef(_) | Event::CData(_) if depth > 0 => has_content = true,
            Event::Comment(_) => {}
            Event::Eof if depth > 0 => return Some(NOT_XML),
            Event::Eof if !has_div => return Some(ONE_DIV),
            Event::Eof => {
                return (!has_content).then_some(EMPTY);
            }
            _ => return Some("Send the div alone, without declarations and processing instructions."),
        }
    }
}

/// R4, narrative: the div is in the namespace of XHTML.
fn is_xhtml(div: &BytesStart<'_>) -> bool {
    div.attributes()
        .flatten()
        .any(|one| one.key.0 == "xmlns" && &*one.value == "http://www.w3.org/1999/xhtml")
}

fn element_problem(start: &BytesStart<'_>) -> Option<&'static str> {
    if !ELEMENTS.contains(&start.name().0) {
        return Some(
            "Use only the formatting elements that FHIR allows in a narrative; no script, form or frame.",
        );
    }
    for attribute in start.attributes() {
        let Ok(attribute) = attribute else { return Some("Quote every attribute and give it once.") };
        let name = attribute.key.0;
        let is_namespace = name == "xmlns" || name.starts_with("xmlns:");
        if !is_namespace && !ATTRIBUTES.contains(&name) {
            return Some("Use only the attributes that FHIR allows in a narrative; no event handlers.");
        }
        if matches!(name, "href" | "src" | "cite" | "longdesc") && !is_safe_link(name, &attribute) {
            return Some("Link only to http, https, mailto, tel, a place in the text, or an image.");
        }
    }
    None
}

fn is_safe_link(name: &str, attribute: &Attribute<'_>) -> bool {
    // An entity that XML does not know could spell a scheme in a browser.
    let Ok(link) = attribute.normalized_value(quick_xml::XmlVersion::Implicit1_0) else { return false };
    let link: String = link.chars().filter(|c| *c > ' ').collect::<String>().to_lowercase();
    let before = link.split(['/', '?', '#']).next().unwrap_or_default();
    match before.split_once(':') {
        None => true,
        Some(("data", _)) => name == "src" && link.starts_with("data:image/"),
        Some((scheme, _)) => matches!(scheme, "http" | "https" | "mailto" | "tel" | "urn" | "cid"),
    }
}

#[cfg(test)]
mod tests {
    use super::problem;

    #[test]
    fn what_is_allowed() {
        for div in [
            r#"<div xmlns="http://www.w3.org/1999/xhtml">text</div>"#,
            r##"<div xmlns="http://www.w3.org/1999/xhtml"><p class="a">1 &lt; 2 &nbsp;<a href="#x">x</a><br/></p></div>"##,
            r#"<div xmlns="http://www.w3.org/1999/xhtml"><img src="data:image/png;base64,AAAA" alt="x"/></div>"#,
            r#"<div xmlns="http://www.w3.org/1999/xhtml"><a href="Patient/1">p</a><!-- c --></div>"#,
            " <div xmlns='http://www.w3.org/1999/xhtml'>x</div>\n",
        ] {
            assert_eq!(problem(div), None, "{div}");
        }
    }

    // OWASP Cross Site Scripting Prevention: elements, handlers, and script links with entities and white space.
    #[test]
    fn what_runs_is_refused() {
        for div in [
            "<div><script>alert(1)</script></div>",
            "<div><SCRIPT>alert(1)</SCRIPT></div>",
            "<div><svg:script>x</svg:script></div>",
            r#"<div onclick="x">y</div>"#,
            r#"<div><img src="x" onerror="y"/>z</div>"#,
            r#"<div><a href="javascript:x">y</a></div>"#,
            r#"<div><a href="&#106;ava&#x0A;script:x">y</a></div>"#,
            r#"<div><a href="java&Tab;script:x">y</a></div>"#,
            r#"<div><a href=" JavaScript:x">y</a></div>"#,
            r#"<div><a href="data:text/html,x">y</a></div>"#,
            "<div><iframe>y</iframe></div>",
            "<div><style>y</style></div>",
            "<div><form>y</form></div>",
        ] {
            // The namespace is right: it is what runs that is refused.
            let div = div.replacen("<div", "<div xmlns=\"http://www.w3.org/1999/xhtml\"", 1);
            assert!(problem(&div).is_some(), "{div}");
        }
    }

    #[test]
    fn what_is_no_div() {
        for div in [
            "text",
            "<p>text</p>",
            "<div>a</div><div>b</div>",
            "<div>a</div>b",
            "<div>text</div>",
            "<div xmlns=\"http://www.w3.org/1999/html\">text</div>",
            "<div/>",
            "<div> <p/> </div>",
            "<div><p>a</div></p>",
            "<div>a",
            "<div>a & b</div>",
            "<?xml version=\"1.0\"?><div>a</div>",
            "<!DOCTYPE div><div>a</div>",
            "<div class=x>a</div>",
            "",
        ] {
            assert!(problem(div).is_some(), "{div}");
        }
    }
}
