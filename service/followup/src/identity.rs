//! Stable ids: the same facts give the same id, on any instance, in any order of arrival.
//!
//! An id is a name-based UUID (RFC 9562, version 5) of what identifies the resource for ever. It is as identifying as the
//! names it is made of, and no secret.

use crate::code::EP;
use std::fmt::Write;
use std::sync::LazyLock;
use uuid::Uuid;

/// The id of the resource of type `kind` that is identified by `parts`.
pub fn id(kind: &str, parts: &[&str]) -> String {
    static SPACE: LazyLock<Uuid> = LazyLock::new(|| Uuid::new_v5(&Uuid::NAMESPACE_URL, EP.as_bytes()));
    let mut name = kind.to_owned();
    for part in parts {
        // The length keeps ["a", "bc"] and ["ab", "c"] apart.
        let _ = write!(name, "|{}:{part}", part.len());
    }
    Uuid::new_v5(&SPACE, name.as_bytes()).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_stable_and_tell_parts_apart() {
        assert_eq!(id("CarePlan", &["a", "bc"]), id("CarePlan", &["a", "bc"]));
        assert_ne!(id("CarePlan", &["a", "bc"]), id("CarePlan", &["ab", "c"]));
        assert_ne!(id("CarePlan", &["a"]), id("Goal", &["a"]));
    }
}
