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

/// A finding as `check` prints it: `file:place: severity: text`.
pub fn line(file: &str, issue: &Issue) -> String {
    let place = match (&issue.diagnostics, issue.expression.as_str()) {
        (None, expression) => expression.to_owned(),
        (Some(diagnostics), "") => diagnostics.clone(),
        (Some(diagnostics), expression) => format!("{diagnostics} ({expression})"),
    };
    format!("{file}:{place}: {}: {}", issue.severity.code(), issue.text)
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
