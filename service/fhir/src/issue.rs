//! What is wrong with something that was sent, and the OperationOutcome that says so.

use crate::Json;
use serde_json::json;

/// The code system of [`Issue::key`].
pub const SYSTEM: &str = "https://endplate.example/fhir/CodeSystem/issue";

/// The codes of [`SYSTEM`] that are not keys of R4 invariants, each with what it means.
pub const KEYS: &[(&str, &str)] = &[
    ("base64", "Not base64."),
    ("binding", "A code that the required binding does not have."),
    ("choice", "More than one type of a choice, or a choice without its type."),
    ("date", "A day, time or zone that does not exist."),
    ("duplicate-property", "The same property twice in one JSON object."),
    ("empty", "An empty string, array or object."),
    ("finding-date", "A finding without the date of the examination."),
    ("finding-kind", "A finding of a kind that is not known here."),
    ("finding-place", "A finding without its muscle or territory, or at one that it is not made at."),
    ("finding-value", "A finding whose value is missing, of the wrong type, or out of range."),
    ("form", "A primitive that has not the form that R4 gives it."),
    ("integer", "Not a whole number of 32 bits, or out of its range."),
    ("json", "Text that is not JSON in UTF-8, or that is nested too deep."),
    ("json-type", "Another JSON type than R4 has here."),
    ("length", "A string that is longer than R4 allows."),
    ("mandatory", "An element that is mandatory and missing."),
    ("null", "A null where something must stand."),
    ("other-release", "Content of another release of FHIR than R4."),
    ("reference-target", "A reference to a type that the element does not allow."),
    ("reference-type", "A reference whose type is not that of its target."),
    ("repair-date", "A repair without the date of operation."),
    ("repair-donor-path", "A donor path that is incomplete."),
    ("repair-gap", "A repair whose gap is missing or cannot be."),
    ("repair-level", "A level of repair that is incomplete or not on the nerve."),
    ("repair-nerve", "A repair without its nerve, or with one that is not known here."),
    ("repair-side", "A side that is neither left nor right."),
    ("repair-target", "A repair without targets, or a target that is incomplete."),
    ("resource-type", "A resource type that is missing or not known here."),
    ("twins", "Arrays with and without the underscore of different length."),
    ("unit", "A code that is no UCUM unit, though UCUM is named as its system."),
    ("unknown-element", "An element that R4 does not have."),
];

/// How grave an issue is (R4 code system issue-severity; `fatal` is not used).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// It was refused.
    Error,
    /// It was accepted, but something should be changed.
    Warning,
    /// Nothing is wrong.
    Information,
}

impl Severity {
    /// Its code in R4.
    pub fn code(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Information => "information",
        }
    }
}

/// What kind of issue it is (R4 code system issue-type).
#[allow(missing_docs, reason = "each variant is the R4 code of the same name")]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Code {
    Invalid,
    Structure,
    Required,
    Value,
    Invariant,
    NotFound,
    Conflict,
    Duplicate,
    TooLong,
    TooCostly,
    BusinessRule,
    NotSupported,
    CodeInvalid,
    Processing,
    Exception,
    Informational,
    MultipleMatches,
    Transient,
    Extension,
    Forbidden,
    Login,
    Throttled,
    Deleted,
}

impl Code {
    /// Its code in R4.
    pub fn code(self) -> &'static str {
        match self {
            Self::Invalid => "invalid",
            Self::Structure => "structure",
            Self::Required => "required",
            Self::Value => "value",
            Self::Invariant => "invariant",
            Self::NotFound => "not-found",
            Self::Conflict => "conflict",
            Self::Duplicate => "duplicate",
            Self::TooLong => "too-long",
            Self::TooCostly => "too-costly",
            Self::BusinessRule => "business-rule",
            Self::NotSupported => "not-supported",
            Self::CodeInvalid => "code-invalid",
            Self::Processing => "processing",
            Self::Exception => "exception",
            Self::Informational => "informational",
            Self::MultipleMatches => "multiple-matches",
            Self::Transient => "transient",
            Self::Extension => "extension",
            Self::Forbidden => "forbidden",
            Self::Login => "login",
            Self::Throttled => "throttled",
            Self::Deleted => "deleted",
        }
    }
}

/// One thing that is wrong, where, and what to send instead. Never repeats a value of the payload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Issue {
    /// How grave.
    pub severity: Severity,
    /// What kind.
    pub code: Code,
    /// One plain sentence that says what to change.
    pub text: String,
    /// FHIRPath of the element, or `http.` and the name of a parameter of the request; empty if there is none.
    pub expression: String,
    /// Line and column of JSON that does not parse, or an example of what to send; else nothing.
    pub diagnostics: Option<String>,
    /// What a machine knows it by: the key of an R4 invariant such as `per-1`, or one of [`KEYS`]. A code of [`SYSTEM`].
    pub key: Option<&'static str>,
}

impl Issue {
    /// An issue for which something is refused.
    pub fn error(code: Code, expression: impl Into<String>, text: impl Into<String>) -> Self {
        Self::new(Severity::Error, code, expression, text)
    }

    /// An issue that refuses nothing.
    pub fn warning(code: Code, expression: impl Into<String>, text: impl Into<String>) -> Self {
        Self::new(Severity::Warning, code, expression, text)
    }

    /// A remark.
    pub fn information(expression: impl Into<String>, text: impl Into<String>) -> Self {
        Self::new(Severity::Information, Code::Informational, expression, text)
    }

    fn new(severity: Severity, code: Code, expression: impl Into<String>, text: impl Into<String>) -> Self {
        Self {
            severity,
            code,
            text: text.into(),
            expression: expression.into(),
            diagnostics: None,
            key: None,
        }
    }

    /// The same with a code for machines, which stays what it is when the sentence is improved.
    #[must_use]
    pub fn keyed(self, key: &'static str) -> Self {
        Self { key: Some(key), ..self }
    }

    /// The same with an example of what to send.
    #[must_use]
    pub fn example(self, example: impl Into<String>) -> Self {
        Self { diagnostics: Some(example.into()), ..self }
    }

    /// Whether something is refused for it.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }

    fn json(&self) -> Json {
        let mut issue = json!({
            "severity": self.severity.code(),
            "code": self.code.code(),
            "details": { "text": self.text },
        });
        if let Some(members) = issue.as_object_mut() {
            if let Some(details) = members.get_mut("details").and_then(Json::as_object_mut)
                && let Some(key) = self.key
            {
                let text = details.shift_remove("text").unwrap_or_default();
                details.insert("coding".into(), json!([{ "system": SYSTEM, "code": key }]));
                details.insert("text".into(), text);
            }
            if let Some(diagnostics) = &self.diagnostics {
                members.insert("diagnostics".into(), json!(diagnostics));
            }
            if !self.expression.is_empty() {
                // R4, OperationOutcome.issue.location: deprecated but for what is wrong with a parameter of the request.
                let name = if self.expression.starts_with("http.") { "location" } else { "expression" };
                members.insert(name.into(), json!([self.expression]));
            }
        }
        issue
    }
}

/// The OperationOutcome that carries `issues`. R4 wants at least one issue: with none it says that all is well.
pub fn outcome(issues: &[Issue]) -> Json {
    let issues: Vec<Json> = if issues.is_empty() {
        vec![Issue::information("", "All is well.").json()]
    } else {
        issues.iter().map(Issue::json).collect()
    };
    json!({ "resourceType": "OperationOutcome", "issue": issues })
}

#[cfg(test)]
mod tests {
    use super::*;

    // FHIR R4 OperationOutcome: severity and code 1..1, details 0..1, diagnostics 0..1, expression 0..*.
    #[test]
    fn an_outcome_is_valid_r4() {
        let mut broken = Issue::error(Code::Structure, "", "Send JSON.");
        broken.diagnostics = Some("line 1, column 2".into());
        let issues = [broken, Issue::warning(Code::Value, "Patient.name[0]", "Send a name.")];
        let outcome = outcome(&issues);
        assert_eq!(outcome.pointer("/issue/0/expression"), None);
        assert_eq!(outcome.pointer("/issue/1/expression/0"), Some(&json!("Patient.name[0]")));
        assert!(crate::validate::resource(&outcome).is_empty());
        assert!(crate::validate::resource(&super::outcome(&[])).is_empty());
    }
}
