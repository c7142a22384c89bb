//! The chain of AuditEvents: each link's hash rests on the link before, so that nothing can be changed, taken out, put in or moved
//! without every later hash being wrong.
//!
//! `hash = SHA-256(hash of the link before, 32 bytes, zeros for the first; the number, 8 bytes, big-endian; the body, UTF-8)`.
//! Whoever can write the store can also make a new chain. A hash that is kept elsewhere tells: it is no longer in it.

use crate::Endplate;
use crate::ports::{Link, Linked};
use crate::refusal::Refusal;
use endplate_fhir::Json;
use sha2::{Digest, Sha256};

/// Links that are read at once.
const PAGE: usize = 1_000;
/// AuditEvents of which it is asked at once whether a link stands for them.
const EVENTS: usize = 10_000;

/// The link that follows `last` and stands for an event with this body.
pub fn next(last: Option<&Link>, body: &str) -> Link {
    let number = last.map_or(0, |link| link.number) + 1;
    let mut before = [0; 32];
    if let Some(bytes) = last.and_then(|link| bytes(&link.hash)) {
        before = bytes;
    }
    let mut digest = Sha256::new();
    digest.update(before);
    digest.update(number.to_be_bytes());
    digest.update(body.as_bytes());
    Link { number, hash: hex::encode(digest.finalize()) }
}

fn bytes(hex: &str) -> Option<[u8; 32]> {
    let digits: Option<Vec<u8>> =
        hex.chars().map(|digit| digit.to_digit(16).and_then(|value| value.try_into().ok())).collect();
    let (pairs, _) = digits.as_deref()?.as_chunks::<2>();
    pairs.iter().map(|[high, low]| high << 4 | low).collect::<Vec<u8>>().try_into().ok()
}

/// What is wrong with a chain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Break {
    /// A number is not there, and so neither is its link.
    Missing {
        /// The number.
        number: u64,
    },
    /// The AuditEvent of a link is not there.
    Gone {
        /// The number of the link.
        number: u64,
        /// The event's id, if the resource is there and only its body is not.
        id: Option<String>,
    },
    /// The event was written again, deleted, or is something else.
    Replaced {
        /// The number of the link.
        number: u64,
        /// The id of what is there.
        id: String,
    },
    /// The body is not the one that the hash was made of, or the link before is not the one that stood there.
    Different {
        /// The number of the link.
        number: u64,
        /// The event's id.
        id: String,
    },
    /// An AuditEvent that no link stands for.
    Loose {
        /// Its id.
        id: String,
    },
    /// A hash that was kept is not in the chain: the end of it was written anew or cut off.
    Forgotten {
        /// The hash.
        hash: String,
    },
}

impl std::fmt::Display for Break {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Missing { number } => write!(formatter, "number {number}: the link is missing"),
            Self::Gone { number, id: Some(id) } => {
                write!(formatter, "number {number}: AuditEvent/{id} has no body any more")
            }
            Self::Gone { number, id: None } => {
                write!(formatter, "number {number}: its AuditEvent is missing")
            }
            Self::Replaced { number, id } => {
                write!(formatter, "number {number}: AuditEvent/{id} was written again, deleted or exchanged")
            }
            Self::Different { number, id } => write!(
                formatter,
                "number {number}: AuditEvent/{id} or the link before it is not what the hash was made of"
            ),
            Self::Loose { id } => write!(formatter, "AuditEvent/{id} is in no link of the chain"),
            Self::Forgotten { hash } => write!(formatter, "the kept hash {hash} is not in the chain"),
        }
    }
}

/// What a walk along the chain found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Walk {
    /// The last link that holds; none if the chain is empty or its first link does not.
    pub head: Option<Link>,
    /// Where it breaks first; none: it holds.
    pub broken: Option<Break>,
}

impl Endplate {
    /// The last link of the chain, as it stands.
    pub async fn audit_head(&self) -> Result<Option<Link>, Refusal> {
        Ok(self.store.chain_head().await?)
    }

    /// Walks along the whole chain and says where it breaks. `kept` is a hash that must be in it. `progress` is told how many
    /// links hold so far.
    pub async fn verify_audit(
        &self,
        kept: Option<&str>,
        progress: &(dyn Fn(u64) + Sync),
    ) -> Result<Walk, Refusal> {
        let mut head: Option<Link> = None;
        let mut is_kept = kept.is_none();
        loop {
            let page = self.store.chain(head.as_ref().map_or(0, |link| link.number), PAGE).await?;
            if page.is_empty() {
                break;
            }
            for linked in page {
                if let Some(broken) = compare(head.as_ref(), &linked) {
                    return Ok(Walk { head, broken: Some(broken) });
                }
                is_kept |= kept.is_some_and(|kept| kept.eq_ignore_ascii_case(&linked.link.hash));
                head = Some(linked.link);
            }
            progress(head.as_ref().map_or(0, |link| link.number));
        }
        let loose = self.loose_event().await?.map(|id| Break::Loose { id });
        let forgotten = kept.filter(|_| !is_kept).map(|hash| Break::Forgotten { hash: hash.to_owned() });
        Ok(Walk { head, broken: loose.or(forgotten) })
    }

    /// An AuditEvent that no link stands for.
    async fn loose_event(&self) -> Result<Option<String>, Refusal> {
        let mut after = None;
        loop {
            let (loose, last) = self.store.unchained(after.as_deref(), EVENTS).await?;
            if last.is_none() || !loose.is_empty() {
                return Ok(loose.into_iter().next());
            }
            after = last;
        }
    }
}

/// What is wrong with the link after `last`.
fn compare(last: Option<&Link>, linked: &Linked) -> Option<Break> {
    let number = last.map_or(0, |link| link.number) + 1;
    if linked.link.number != number {
        return Some(Break::Missing { number });
    }
    let (Some(id), Some(body)) = (&linked.id, &linked.body) else {
        return Some(Break::Gone { number, id: linked.id.clone() });
    };
    let names_itself = serde_json::from_str::<Json>(body).is_ok_and(|event| event["id"] == **id);
    if next(last, body) != linked.link {
        return Some(Break::Different { number, id: id.clone() });
    }
    (!linked.is_single || !names_itself).then(|| Break::Replaced { number, id: id.clone() })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Made with sha256sum (FIPS 180-4): printf of 32 zero bytes, the number in 8 bytes and the body.
    #[test]
    fn a_hash_rests_on_hash_number_and_body() {
        let first = next(None, "{}");
        assert_eq!((first.number, first.hash.as_str()), (1, FIRST));
        let second = next(Some(&first), "{}");
        assert_eq!((second.number, second.hash.as_str()), (2, SECOND));
    }
    const FIRST: &str = "1bad765d926feacace97a8ddcd329a1f4254c208affc1ba86b3c7d59e8fba83e";
    const SECOND: &str = "f3a2f7117ec70a4475364945fc5338e1e7e3198d39fe37688a9c021c1bb74e74";
}
