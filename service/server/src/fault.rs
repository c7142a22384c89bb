//! Why a command ended without having done its work.

use crate::boot::BootError;
use crate::config::ConfigError;
use endplate_followup::{Reason, Refusal};
use std::error::Error;
use std::process::ExitCode;

/// One line that says what to do; the variant is the exit code.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// 1: the input was at fault.
    #[error("{0}")]
    Input(String),
    /// 2: the command was used wrongly.
    #[error("{0}")]
    Usage(String),
    /// 3: the environment was at fault.
    #[error("{0}")]
    Environment(String),
}

impl Fault {
    /// The exit code.
    pub fn code(&self) -> u8 {
        match self {
            Self::Input(_) => 1,
            Self::Usage(_) => 2,
            Self::Environment(_) => 3,
        }
    }
}

impl From<&Fault> for ExitCode {
    fn from(fault: &Fault) -> Self {
        Self::from(fault.code())
    }
}

impl From<ConfigError> for Fault {
    fn from(error: ConfigError) -> Self {
        Self::Usage(one_line(&error.to_string()))
    }
}

impl From<BootError> for Fault {
    fn from(error: BootError) -> Self {
        let cause = error.source().map(|cause| format!(" ({cause})")).unwrap_or_default();
        Self::Environment(one_line(&format!("{error}{cause}")))
    }
}

impl From<Refusal> for Fault {
    fn from(refusal: Refusal) -> Self {
        let first = refusal.issues.first();
        let place = first.map(|issue| issue.expression.as_str()).filter(|place| !place.is_empty());
        let text = first.map_or("it was refused", |issue| issue.text.as_str());
        let more = match refusal.issues.len() {
            0 | 1 => String::new(),
            many => format!(" (and {} more: endplate check lists them)", many - 1),
        };
        let line =
            one_line(&format!("{}{text}{more}", place.map(|place| format!("{place}: ")).unwrap_or_default()));
        match refusal.reason {
            Reason::Unavailable | Reason::Conflict | Reason::Fault => Self::Environment(line),
            _ => Self::Input(line),
        }
    }
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use endplate_fhir::issue::{Code, Issue};

    #[test]
    fn a_refusal_is_one_line_that_says_how_many_more_there_are() {
        let issue = || Issue::error(Code::Required, "Procedure.subject", "Send\nthe patient.");
        let fault =
            Fault::from(Refusal { reason: Reason::Unprocessable, issues: vec![issue(), issue(), issue()] });
        assert_eq!(
            (fault.code(), fault.to_string().as_str()),
            (1, "Procedure.subject: Send the patient. (and 2 more: endplate check lists them)")
        );
        assert_eq!(Fault::from(Refusal::new(Reason::Unavailable, issue())).code(), 3);
    }
}
