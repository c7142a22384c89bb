//! What is wrong with something that was sent, and the OperationOutcome that says so.

use crate::Json;
use serde_json::json;

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
    /// FHIRPath of the element; empty if there is none.
    pub expression: String,
    /// Line and column of JSON that does not parse; else nothing.
    pub diagnostics: Option<String>,
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
        Self { severity, code, text: text.into(), expression: expression.into(), diagnostics: None }
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
            if let Some(diagnostics) = &self.diagnostics {
                members.insert("diagnostics".into(), json!(diagnostics));
            }
            // R4 OperationOutcome.issue.location: what is no element but a parameter of the request is named `http.` and its name.
            if self.expression.starts_with("http.") {
                members.insert("location".into(), json!([self.expression]));
            } else if !self.expression.is_empty() {
                members.insert("expression".into(), json!([self.expression]));
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
