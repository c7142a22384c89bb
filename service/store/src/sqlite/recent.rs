//! What was read lately, kept for as long as nobody has written.
//!
//! To ask SQLite costs a change of threads and a statement, many times what it costs to answer from memory. So the newest
//! versions that were read are kept, together with the *mark* that stood before they were read. A mark changes with every commit,
//! and what was kept under another mark is forgotten: nothing is ever answered that is older than the last acknowledged write.
//!
//! Where other processes may write too, the mark is the header of the WAL index, which all connections of all processes share and
//! every commit writes anew (<https://sqlite.org/walformat.html>, section 2.1). Its two copies differ while it is being written.

use endplate_followup::ports::{Put, Version};
use std::collections::HashMap;
use std::fs::File;
use std::mem::ManuallyDrop;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// Bytes of bodies that are kept at most.
const BYTES_MAX: usize = 32 << 20;
/// One copy of the header of a WAL index.
const HEADER: usize = 48;
/// Where in it the counter of commits stands, in the byte order of the machine.
const COMMITS: std::ops::Range<usize> = 8..12;

/// What tells one state of the store from the next.
pub(super) type Mark = [u8; HEADER];

/// The versions that were read lately.
#[derive(Debug)]
pub(super) struct Recent {
    /// The WAL index, where others may write. It is never closed: that would end the locks that SQLite holds on it in this
    /// process (<https://sqlite.org/howtocorrupt.html>, section 2.2).
    shared: Option<ManuallyDrop<File>>,
    kept: Mutex<Kept>,
}

#[derive(Debug)]
struct Kept {
    mark: Mark,
    /// Commits of this process, the mark where nobody else writes.
    commits: u64,
    bytes: usize,
    /// By type and id.
    versions: HashMap<String, HashMap<String, Version>>,
}

impl Recent {
    /// Of a store that only this process writes.
    pub(super) fn alone() -> Self {
        Self::of(None)
    }

    /// Of a store at `path` that is open; others may write it. Without the WAL index nothing is kept.
    pub(super) fn shared(path: &Path) -> Option<Self> {
        let mut index = path.as_os_str().to_owned();
        index.push("-shm");
        File::open(index).ok().map(|file| Self::of(Some(ManuallyDrop::new(file))))
    }

    fn of(shared: Option<ManuallyDrop<File>>) -> Self {
        let kept = Kept { mark: [0; HEADER], commits: 0, bytes: 0, versions: HashMap::new() };
        Self { shared, kept: Mutex::new(kept) }
    }

    /// The mark of this moment; none while it is being written.
    pub(super) fn mark(&self) -> Option<Mark> {
        match &self.shared {
            Some(index) => header(index),
            None => Some(counted(self.kept().commits)),
        }
    }

    /// A version that was kept under this mark. Forgets what was kept under another.
    pub(super) fn get(&self, mark: &Mark, kind: &str, id: &str) -> Option<Version> {
        let mut kept = self.kept();
        kept.stand_at(mark);
        kept.versions.get(kind).and_then(|of_kind| of_kind.get(id)).cloned()
    }

    /// Keeps a version that was read after `mark` was.
    pub(super) fn keep(&self, mark: &Mark, version: &Version) {
        let mut kept = self.kept();
        let bytes = version.stored.body.len();
        if kept.mark != *mark || bytes > BYTES_MAX {
            return;
        }
        if kept.bytes + bytes > BYTES_MAX {
            kept.forget();
        }
        kept.bytes += bytes;
        let of_kind = kept.versions.entry(version.stored.kind.clone()).or_default();
        if let Some(before) = of_kind.insert(version.stored.id.clone(), version.clone()) {
            kept.bytes -= before.stored.body.len();
        }
    }

    /// What this process has committed. `before` was the mark when the writing began, so that nobody else could write: what the
    /// commit did not touch is still the newest.
    pub(super) fn committed<'p>(&self, before: Option<Mark>, puts: impl Iterator<Item = &'p Put>) {
        let mut kept = self.kept();
        kept.commits += 1;
        let after = match &self.shared {
            Some(index) => header(index),
            None => Some(counted(kept.commits)),
        };
        let (Some(before), Some(after)) = (before, after) else { return };
        let alone = self.shared.is_none() || commits(&after) == commits(&before).wrapping_add(1);
        if kept.mark != before || !alone {
            return;
        }
        kept.mark = after;
        for put in puts {
            let of_kind = kept.versions.get_mut(&put.stored.kind);
            if let Some(before) = of_kind.and_then(|of_kind| of_kind.remove(&put.stored.id)) {
                kept.bytes -= before.stored.body.len();
            }
        }
    }

    fn kept(&self) -> std::sync::MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Kept {
    fn stand_at(&mut self, mark: &Mark) {
        if self.mark != *mark {
            self.forget();
            self.mark = *mark;
        }
    }

    fn forget(&mut self) {
        self.versions.clear();
        self.bytes = 0;
    }
}

fn counted(commits: u64) -> Mark {
    let mut mark = [0; HEADER];
    for (byte, value) in mark.iter_mut().zip(commits.to_ne_bytes()) {
        *byte = value;
    }
    mark
}

fn commits(mark: &Mark) -> u32 {
    let mut count = [0; 4];
    for (byte, value) in count.iter_mut().zip(mark.get(COMMITS).unwrap_or_default()) {
        *byte = *value;
    }
    u32::from_ne_bytes(count)
}

/// Both copies of the header, if they are the same.
fn header(index: &File) -> Option<Mark> {
    let mut copies = [0; 2 * HEADER];
    read_at_start(index, &mut copies)?;
    let (first, second) = copies.split_at(HEADER);
    (first == second).then(|| first.try_into().ok()).flatten()
}

#[cfg(unix)]
fn read_at_start(file: &File, bytes: &mut [u8]) -> Option<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, bytes, 0).ok()
}

/// Elsewhere nothing is kept.
#[cfg(not(unix))]
fn read_at_start(_: &File, _: &mut [u8]) -> Option<()> {
    None
}
