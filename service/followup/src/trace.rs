//! Traces that go with events: which request caused what is told later.
//!
//! A trace is carried as the texts of the headers `traceparent` and `tracestate` (W3C Trace Context, Recommendation of 23 November
//! 2021); who makes and reads them is outside. It is stored with the event, so that what is delivered after a restart, by another
//! instance or much later still belongs to the trace of the request. Nothing but the trace depends on it.

use crate::Endplate;
use std::sync::Arc;

/// A place in a trace, as its headers say it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trace {
    /// `traceparent`: version, trace id, id of the span, flags.
    pub parent: String,
    /// `tracestate`, as whoever began the trace wants it passed on.
    pub state: Option<String>,
}

impl Trace {
    /// The id of the whole trace, 32 hexadecimal digits.
    pub fn id(&self) -> &str {
        self.parent.split('-').nth(1).unwrap_or_default()
    }
}

impl Endplate {
    /// The same use cases as part of a trace: what they cause is told as part of it.
    #[must_use]
    pub fn within(&self, trace: Arc<Trace>) -> Self {
        Self { trace: Some(trace), ..self.clone() }
    }
}
