//! Files of resources, as `plan` and `check` are given them.

use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use std::io::Read;

/// Reads one file as one resource; `-` is standard input.
///
/// # Errors
/// It cannot be read, or is no FHIR JSON.
pub fn read(file: &str) -> Result<Json, Issue> {
    let unreadable = |error: std::io::Error| {
        Issue::error(
            Code::NotFound,
            "",
            format!("The file cannot be read ({}). Check its path.", error.kind()),
        )
    };
    let text = if file == "-" {
        let mut text = Vec::new();
        std::io::stdin().read_to_end(&mut text).map(|_| text)
    } else {
        std::fs::read(file)
    };
    endplate_fhir::json::parse(&text.map_err(unreadable)?)
}

/// Where a resource stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The file as it was named.
    pub file: String,
    /// FHIRPath of the resource within the file: `Procedure`, or `Bundle.entry[3].resource`.
    pub path: String,
}

/// Every resource of a file with its place: the file's own, or those of its Bundle's entries. With each comes its entry's
/// `fullUrl`.
pub fn unpack<'a>(file: &str, resource: &'a Json) -> Vec<(Place, &'a Json, Option<&'a Json>)> {
    let kind = resource["resourceType"].as_str().unwrap_or_default();
    let place = |path| Place { file: file.to_owned(), path };
    if kind != "Bundle" {
        return vec![(place(kind.to_owned()), resource, None)];
    }
    let entries = resource["entry"].as_array().map_or(&[][..], Vec::as_slice).iter().enumerate();
    entries
        .filter_map(|(at, entry)| {
            Some((
                place(format!("Bundle.entry[{at}].resource")),
                entry.get("resource")?,
                entry.get("fullUrl"),
            ))
        })
        .collect()
}

/// Moves an issue from its place in a transaction of the resources at `places`, in their order, to its place in its file.
/// An issue about the whole stays as it is and is told of the first file.
pub fn placed(places: &[Place], mut issue: Issue) -> (String, Issue) {
    let found = issue.expression.strip_prefix("Bundle.entry[").and_then(|rest| {
        let (at, below) = rest.split_once(']')?;
        let place = places.get(at.parse::<usize>().ok()?)?;
        let below = below.strip_prefix(".resource").unwrap_or_default();
        Some((place.file.clone(), format!("{}{below}", place.path)))
    });
    let Some((file, expression)) = found else {
        return (places.first().map(|place| place.file.clone()).unwrap_or_default(), issue);
    };
    issue.expression = expression;
    (file, issue)
}

/// A finding as `check` prints it: `file:place: severity: text`, and an example where there is one.
pub fn line(file: &str, issue: &Issue) -> String {
    let said = issue.diagnostics.as_deref();
    let (position, example) = said.map_or((None, None), |said| {
        if said.starts_with("line ") { (Some(said), None) } else { (None, Some(said)) }
    });
    let place = match (position, issue.expression.as_str()) {
        (None, expression) => expression.to_owned(),
        (Some(position), "") => position.to_owned(),
        (Some(position), expression) => format!("{position} ({expression})"),
    };
    let example = example.map(|example| format!(" {example}")).unwrap_or_default();
    format!("{file}:{place}: {}: {}{example}", issue.severity.code(), issue.text)
}

/// Writes to standard output. A reader that has seen enough, as `head` has, is no fault.
pub fn print(text: &str) {
    use std::io::Write;
    let mut out = std::io::stdout().lock();
    _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn an_issue_is_told_where_the_file_has_it() {
        let patient = json!({ "resourceType": "Patient", "id": "p" });
        let bundle = json!({ "resourceType": "Bundle", "entry": [
            { "fullUrl": "urn:uuid:0" },
            { "fullUrl": "urn:uuid:1", "resource": { "resourceType": "Patient" } },
        ] });
        let all = [unpack("one.json", &patient), unpack("two.json", &bundle)].concat();
        let places: Vec<Place> = all.into_iter().map(|(place, ..)| place).collect();
        for (sent, file, told) in [
            ("Bundle.entry[0].resource.name", "one.json", "Patient.name"),
            ("Bundle.entry[1].resource.name", "two.json", "Bundle.entry[1].resource.name"),
            ("Bundle.entry[1].request.url", "two.json", "Bundle.entry[1].resource"),
            ("Bundle.entry[7].resource", "one.json", "Bundle.entry[7].resource"),
            ("Bundle.entry", "one.json", "Bundle.entry"),
        ] {
            let (found, issue) = placed(&places, Issue::error(Code::Required, sent, "Send a name."));
            assert_eq!((found.as_str(), issue.expression.as_str()), (file, told));
        }
    }

    #[test]
    fn a_finding_is_one_line() {
        let issue = Issue::warning(Code::Value, "Procedure.code", "Send a code.");
        assert_eq!(line("a.json", &issue), "a.json:Procedure.code: warning: Send a code.");
        let broken = endplate_fhir::json::parse(b"{\n \"a\": }").expect_err("broken");
        assert!(line("a.json", &broken).starts_with("a.json:line 2, column "), "{}", line("a.json", &broken));
        let missing = read("/nowhere/a.json").expect_err("missing");
        assert!(line("a.json", &missing).starts_with("a.json:: error: The file cannot be read"));
    }
}
