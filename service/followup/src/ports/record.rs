//! What is known of hospital record servers: what stands for our resources there, how far each has been read, and what
//! could not be taken in.

use super::StoreError;
use async_trait::async_trait;
use jiff::Timestamp;

/// A resource of ours, and what stands for it at a record server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Counterpart {
    /// Name of the record server.
    pub record: String,
    /// Resource type, the same here and there.
    pub kind: String,
    /// Logical id here.
    pub id: String,
    /// Logical id there.
    pub their_id: String,
    /// `meta.versionId` that was last seen there; none if it was never told.
    pub their_version: Option<String>,
    /// Our version that was last written there; 0: the resource is theirs.
    pub our_version: u64,
    /// Whether it holds what somebody else wrote there, so that it is read before it is written again.
    pub diverged: bool,
}

/// How far a record server has been read for one type.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bookmark {
    /// Name of the record server.
    pub record: String,
    /// Resource type.
    pub kind: String,
    /// The latest `meta.lastUpdated` of all that has been read, by their clock; none: nothing yet.
    pub until: Option<Timestamp>,
    /// When it was last read, by our clock.
    pub read_at: Timestamp,
    /// Why the last reading broke off, for people; none if it came to its end.
    pub problem: Option<String>,
}

/// A record of theirs that was not taken in. The next version of it that is taken in ends this.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unread {
    /// Name of the record server.
    pub record: String,
    /// Resource type.
    pub kind: String,
    /// Logical id there.
    pub their_id: String,
    /// Version there, where it was told.
    pub their_version: Option<String>,
    /// When it was tried.
    pub at: Timestamp,
    /// Why it was refused, for people, without values of the record.
    pub reason: String,
}

/// A version that a record server will not take as it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeadLetter {
    /// Number of the event within its receiver.
    pub number: u64,
    /// Resource type.
    pub kind: String,
    /// Logical id here.
    pub id: String,
    /// Version here.
    pub version: u64,
    /// When it was tried last.
    pub at: Timestamp,
    /// Why, in the server's own words, which may name a patient.
    pub reason: String,
}

/// Something to keep about a record server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Note {
    /// What stands for a resource. Replaces what was known of the same resource, here or there.
    Counterpart(Counterpart),
    /// How far was read.
    Bookmark(Bookmark),
    /// What was not taken in. Replaces an earlier reason.
    Unread(Unread),
    /// What was not taken in before has been taken in now.
    Taken {
        /// Name of the record server.
        record: String,
        /// Resource type.
        kind: String,
        /// Logical id there.
        their_id: String,
    },
}

/// The part of the store that knows record servers.
#[async_trait]
pub trait Counterparts: Send + Sync {
    /// What stands for a resource of ours.
    async fn counterpart(
        &self,
        record: &str,
        kind: &str,
        id: &str,
    ) -> Result<Option<Counterpart>, StoreError>;
    /// What a resource of theirs stands for.
    async fn counterpart_of(
        &self,
        record: &str,
        kind: &str,
        their_id: &str,
    ) -> Result<Option<Counterpart>, StoreError>;
    /// How far a record server has been read, type by type in order.
    async fn bookmarks(&self, record: &str) -> Result<Vec<Bookmark>, StoreError>;
    /// What was not taken in, the latest first, at most `limit`.
    async fn unread(&self, record: &str, limit: usize) -> Result<Vec<Unread>, StoreError>;
    /// The dead letters of a receiver, the latest first, at most `limit`.
    async fn dead_letters(&self, receiver: &str, limit: usize) -> Result<Vec<DeadLetter>, StoreError>;
    /// Keeps all of these or none. Durable when it returns.
    async fn note(&self, notes: Vec<Note>) -> Result<(), StoreError>;
}
