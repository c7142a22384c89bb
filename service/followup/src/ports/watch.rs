//! For whoever watches the service: what stands in the store, counted, and what is done, measured.

use super::StoreError;
use crate::outbox::DeliveryReport;
use jiff::Timestamp;
use jiff::civil::Date;
use std::collections::BTreeMap;
use std::time::Duration;

/// A count of what stands. Nothing in it names anybody; its labels are codes of R4 and of this service.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Events that may be sent, be it later.
    pub waiting: u64,
    /// Events that wait because their Subscription is not active.
    pub held: u64,
    /// Dead letters.
    pub dead: u64,
    /// Since when the first event of the receiver that waits longest is in the queue; held ones do not count.
    pub waiting_since: Option<Timestamp>,
    /// Receivers for whom something waits and whose last attempt failed.
    pub failing: u64,
    /// Subscriptions by status.
    pub subscriptions: BTreeMap<String, u64>,
    /// Open Tasks whose window is over (days as UTC has them).
    pub overdue_tasks: u64,
    /// Patients who are to be looked at by today.
    pub due: u64,
    /// The earliest day on which one of them was due.
    pub due_since: Option<Date>,
    /// How each record server was read, by its name.
    pub records: BTreeMap<String, RecordTally>,
    /// Whether searches are asked of a replica; none: there is none.
    pub is_replica_asked: Option<bool>,
}

/// How a hospital record server was read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RecordTally {
    /// Types of which the last reading broke off.
    pub broken_off: u64,
    /// When the type was read that was not for the longest time; none: nothing was ever read.
    pub read_since: Option<Timestamp>,
    /// Records of theirs that were read and not taken in.
    pub put_aside: u64,
}

/// Hears what the use cases did, for whoever counts. It holds nothing up and cannot fail.
pub trait Meter: Send + Sync {
    /// A changeset was committed, or refused because the facts had moved, or the store failed; and how long that took, waiting for
    /// the one writer included.
    fn committed(&self, done: Result<(), &StoreError>, took: Duration);
    /// A run of deliveries to one receiver ended.
    fn delivered(&self, report: &DeliveryReport);
}
