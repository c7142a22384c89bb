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
    /// How types of record servers were read, by server and type, such as `main/Procedure`. What is no longer read is still here.
    pub read: BTreeMap<String, ReadTally>,
    /// Whether the replica answers and follows, as far as anybody has asked; none: there is none.
    pub is_replica_well: Option<bool>,
}

/// How a type was read from a hospital record server.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ReadTally {
    /// Whether the last reading broke off.
    pub is_broken_off: bool,
    /// When that was; none: never.
    pub at: Option<Timestamp>,
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
