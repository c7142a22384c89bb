//! Traces that go with events: which request caused what is told later.
//!
//! A trace is carried as the texts of the headers `traceparent` and `tracestate` (W3C Trace Context, Recommendation of 23 November
//! 2021); who makes and reads them is outside. Causes are kept in memory, the latest only: what is delivered after a restart,
//! by another instance or much later begins a trace of its own. Nothing but the trace depends on it.

use crate::Endplate;
use crate::ports::Notice;
use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex, PoisonError};

/// Versions whose cause is remembered.
const CAUSES_MAX: usize = 8_192;

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

/// Type, id and version of a resource.
type Name = (String, String, u64);

/// By which request versions were written, the latest of them.
#[derive(Debug, Default)]
pub(crate) struct Causes(Mutex<Known>);

#[derive(Debug, Default)]
struct Known {
    by: HashMap<Name, Arc<Trace>>,
    order: VecDeque<Name>,
}

impl Causes {
    /// Remembers what caused these notices.
    pub(crate) fn keep(&self, notices: &[Notice], trace: &Arc<Trace>) {
        if notices.is_empty() {
            return;
        }
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for notice in notices {
            let name = (notice.kind.clone(), notice.id.clone(), notice.version);
            if known.by.insert(name.clone(), Arc::clone(trace)).is_none() {
                known.order.push_back(name);
            }
        }
        while known.order.len() > CAUSES_MAX {
            if let Some(oldest) = known.order.pop_front() {
                known.by.remove(&oldest);
            }
        }
    }

    /// What caused a notice, if it is still known.
    pub(crate) fn of(&self, notice: &Notice) -> Option<Arc<Trace>> {
        let name = (notice.kind.clone(), notice.id.clone(), notice.version);
        self.0.lock().unwrap_or_else(PoisonError::into_inner).by.get(&name).cloned()
    }
}

impl Endplate {
    /// The same use cases as part of a trace: what they cause is told as part of it.
    #[must_use]
    pub fn within(&self, trace: Arc<Trace>) -> Self {
        Self { trace: Some(trace), ..self.clone() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn notice(version: u64) -> Notice {
        Notice { receiver: "bookings".into(), kind: "Task".into(), id: "1".into(), version }
    }

    fn trace(id: char) -> Arc<Trace> {
        let parent = format!("00-{}-00f067aa0ba902b7-01", id.to_string().repeat(32));
        Arc::new(Trace { parent, state: None })
    }

    #[test]
    fn the_latest_causes_are_known_and_memory_is_bounded() {
        let causes = Causes::default();
        causes.keep(&[notice(1)], &trace('a'));
        causes.keep(&[notice(1), notice(2)], &trace('b'));
        assert_eq!(causes.of(&notice(1)).expect("known").id(), "b".repeat(32));
        let last = CAUSES_MAX as u64 + 2;
        causes.keep(&(3..=last).map(notice).collect::<Vec<_>>(), &trace('c'));
        assert_eq!(causes.of(&notice(1)), None);
        assert_eq!(causes.of(&notice(2)), None);
        assert!(causes.of(&notice(3)).is_some() && causes.of(&notice(last)).is_some());
        let known = causes.0.lock().expect("whole");
        assert_eq!((known.by.len(), known.order.len()), (CAUSES_MAX, CAUSES_MAX));
    }
}
