//! Why a request was refused.

use crate::ports::StoreError;
use endplate_fhir::issue::{Code, Issue};

/// A request that was refused. Nothing of it was stored.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{reason:?}: {}", .issues.iter().map(|issue| issue.text.as_str()).collect::<Vec<_>>().join(" "))]
pub struct Refusal {
    /// The kind of refusal, from which the outer ring makes a status code.
    pub reason: Reason,
    /// What is wrong and what to send instead; never empty.
    pub issues: Vec<Issue>,
}

/// The kind of a refusal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// Cannot be read: no JSON, no resource, a query of the wrong form.
    Malformed,
    /// Can be read but breaks a rule.
    Unprocessable,
    /// A type that is not stored here.
    UnknownType,
    /// No such resource.
    NotFound,
    /// The resource was deleted.
    Gone,
    /// What is asked for is never done to this type.
    NotAllowed,
    /// The client has no right to it.
    Forbidden,
    /// A condition of the request does not hold.
    PreconditionFailed,
    /// Others changed the same facts again and again while this was decided.
    Conflict,
    /// More than is taken at once.
    TooLarge,
    /// The store cannot be used now.
    Unavailable,
    /// The service itself is at fault.
    Fault,
}

impl Reason {
    /// The status code and phrase that R4 gives it, as an entry of a batch-response says it.
    pub fn status(self) -> (u16, &'static str) {
        match self {
            Self::Malformed => (400, "Bad Request"),
            Self::Unprocessable => (422, "Unprocessable Entity"),
            Self::UnknownType | Self::NotFound => (404, "Not Found"),
            Self::Gone => (410, "Gone"),
            Self::NotAllowed => (405, "Method Not Allowed"),
            Self::Forbidden => (403, "Forbidden"),
            Self::PreconditionFailed => (412, "Precondition Failed"),
            Self::Conflict => (409, "Conflict"),
            Self::TooLarge => (413, "Payload Too Large"),
            Self::Unavailable => (503, "Service Unavailable"),
            Self::Fault => (500, "Internal Server Error"),
        }
    }
}

impl Refusal {
    /// A refusal with one issue.
    pub fn new(reason: Reason, issue: Issue) -> Self {
        Self { reason, issues: vec![issue] }
    }

    /// A type that is not stored here.
    pub fn unknown_type() -> Self {
        let text = format!("This type is not stored here. Use one of: {}.", endplate_fhir::TYPES.join(", "));
        Self::new(Reason::UnknownType, Issue::error(Code::NotSupported, "", text))
    }

    /// No such resource.
    pub fn not_found() -> Self {
        Self::new(
            Reason::NotFound,
            Issue::error(Code::NotFound, "", "There is no resource of this type with this id here."),
        )
    }
}

impl Refusal {
    /// The resource was deleted.
    pub fn gone() -> Self {
        let text =
            "This resource was deleted; its _history still tells what it was, and a PUT makes it again.";
        Self::new(Reason::Gone, Issue::error(Code::Deleted, "", text))
    }

    /// What is wrong, for people at a shell.
    pub fn to_text(&self) -> String {
        self.issues.iter().map(|issue| issue.text.as_str()).collect::<Vec<_>>().join(" ")
    }
}

impl From<StoreError> for Refusal {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Moved => Self::new(
                Reason::Conflict,
                Issue::error(
                    Code::Conflict,
                    "",
                    "Others changed the same records while this was decided. Nothing was stored; send it again.",
                ),
            ),
            StoreError::Failed { context, source } => {
                tracing::error!(context, error = %source, "the store failed");
                let text = "The store cannot be used now. Nothing is acknowledged; send it again later.";
                Self::new(Reason::Unavailable, Issue::error(Code::Transient, "", text))
            }
        }
    }
}
