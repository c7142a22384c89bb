//! R4's invariants as plain Rust, beside the walker that finds where they apply.
//!
//! Key, severity, human text and FHIRPath expression are the publication's own (profiles/r4/invariants.json); what is written
//! here is where each applies, a sentence that says what to send, and a function that says whether it holds. Where a
//! published expression and its human text differ, the row says which is followed.

mod bundle;
mod datatype;
mod definition;
mod resource;

use crate::Json;
use crate::issue::{Code, Issue, Severity};
use crate::json::plain_of;
use crate::rule::{Members, found_in};
use std::collections::HashMap;
use std::sync::LazyLock;

/// The outermost resource around an element: what `#` refers to.
#[derive(Clone, Copy)]
pub(crate) struct Scope<'a> {
    /// The resource that the element is in; a contained one, or the outermost.
    pub resource: &'a Members,
    /// The outermost.
    pub root: &'a Members,
}

impl<'a> Scope<'a> {
    /// The contained resource with this id.
    pub fn contained(&self, id: &str) -> Option<&'a Members> {
        objects(self.root, "contained").find(|one| text(one, "id") == Some(id))
    }
}

/// One invariant.
#[derive(Debug)]
pub(crate) struct Invariant {
    /// R4's name of it, such as `per-1`. `inv-1` names two.
    pub key: &'static str,
    /// The definitions of the schema that it applies to.
    pub on: &'static [&'static str],
    /// What to send.
    pub send: &'static str,
    /// Whether it holds.
    pub holds: fn(&Members, &Scope<'_>) -> bool,
}

impl Invariant {
    /// The issue for a breach at `path`.
    pub fn issue(&self, path: &str) -> Issue {
        let severity = PUBLISHED.get(self.key).copied().unwrap_or(Severity::Error);
        let issue = Issue::error(Code::Invariant, path, self.send).keyed(self.key);
        Issue { severity, ..issue }
    }

    /// Whether it holds.
    pub fn holds(&self, members: &Members, scope: &Scope<'_>) -> bool {
        (self.holds)(members, scope)
    }
}

/// ele-1: on every element, where the walker knows whether a primitive has a value.
pub(crate) const ELEMENT: Invariant = Invariant {
    key: "ele-1",
    on: &[],
    send: "Send a value or a content for this element, or leave it out: an id alone says nothing.",
    holds: |_, _| true,
};

/// sqty-1: on every element that is a SimpleQuantity.
pub(crate) const SIMPLE: Invariant = Invariant {
    key: "sqty-1",
    on: &[],
    send: "Send this quantity without a comparator.",
    holds: |it, _| !has(it, "comparator"),
};

/// dom-6, a best practice.
pub(crate) const NARRATIVE: Invariant = Invariant {
    key: "dom-6",
    on: &[],
    send: "Consider a narrative: send text.div, so that people can read the resource without software.",
    holds: |it, _| it.get("text").and_then(|text| text.get("div")).is_some(),
};

/// dom-2 to dom-5: on the contained resource itself, with the outermost as `root`.
pub(crate) const CONTAINED: &[Invariant] = &[
    Invariant {
        key: "dom-2",
        on: &[],
        send: "Contain it in the outermost resource instead: contained resources hold none themselves.",
        holds: |it, _| !has(it, "contained"),
    },
    Invariant {
        key: "dom-3",
        on: &[],
        send: "Refer to the contained resource by # and its id from the resource that contains it, or leave it out.",
        holds: |it, scope| {
            text(it, "id").is_some_and(|id| found_in(scope.root, &|to| to.strip_prefix('#') == Some(id)))
                || found_in(it, &|to| to == "#")
        },
    },
    Invariant {
        key: "dom-4",
        on: &[],
        send: "Leave meta.versionId and meta.lastUpdated out of a contained resource: it has no versions.",
        holds: |it, _| {
            object(it, "meta").is_none_or(|meta| !has(meta, "versionId") && !has(meta, "lastUpdated"))
        },
    },
    Invariant {
        key: "dom-5",
        on: &[],
        send: "Put the security labels on the resource that contains it: leave meta.security out here.",
        holds: |it, _| object(it, "meta").is_none_or(|meta| !has(meta, "security")),
    },
];

const TABLES: &[&[Invariant]] =
    &[datatype::TABLE, resource::TABLE, definition::TABLE, definition::ELEMENTS, bundle::TABLE];

/// The severity of each key, as published.
static PUBLISHED: LazyLock<HashMap<String, Severity>> = LazyLock::new(|| {
    let severity = |one: &Json| match one.get("severity").and_then(Json::as_str) {
        Some("warning") => Severity::Warning,
        _ => Severity::Error,
    };
    published()
        .iter()
        .filter_map(|one| Some((one.get("key")?.as_str()?.to_owned(), severity(one))))
        // Best practice: a remark.
        .map(|(key, severity)| if key == "dom-6" { (key, Severity::Information) } else { (key, severity) })
        .collect()
});

static ROWS: LazyLock<Vec<Json>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../../../profiles/r4/invariants.json"))
        .expect("the embedded invariants are JSON")
});

/// R4's constraints on the types that are known here, as published: objects with `path`, `key`, `severity`, `human` and
/// `expression`.
pub fn published() -> &'static [Json] {
    &ROWS
}

/// Every invariant that is checked.
pub(crate) fn all() -> impl Iterator<Item = &'static Invariant> {
    TABLES.iter().flat_map(|table| table.iter()).chain(CONTAINED).chain([&ELEMENT, &SIMPLE, &NARRATIVE])
}

/// Those that apply to a definition.
pub(crate) fn of(definition: &str) -> Vec<&'static Invariant> {
    all().filter(|one| one.on.contains(&definition)).collect()
}

/// As many members are looked through faster than a name is hashed.
const FEW: usize = 12;

/// A member.
pub(crate) fn get<'a>(it: &'a Members, name: &str) -> Option<&'a Json> {
    if it.len() > FEW {
        return it.get(name);
    }
    it.iter().find(|(key, _)| *key == name).map(|(_, value)| value)
}

/// Whether an element is there, be it as the twin of a primitive alone.
pub(crate) fn has(it: &Members, name: &str) -> bool {
    if it.len() > FEW && it.contains_key(name) {
        return true;
    }
    it.keys().any(|key| plain_of(key).unwrap_or(key) == name)
}

/// Whether a choice is there, of whatever type.
fn choice(it: &Members, base: &str) -> bool {
    it.keys().any(|key| {
        let key = plain_of(key).unwrap_or(key).as_bytes();
        key.get(base.len()).is_some_and(u8::is_ascii_uppercase) && key.starts_with(base.as_bytes())
    })
}

fn text<'a>(it: &'a Members, name: &str) -> Option<&'a str> {
    get(it, name)?.as_str()
}

fn is(it: &Members, name: &str, value: &str) -> bool {
    text(it, name) == Some(value)
}

fn is_true(it: &Members, name: &str) -> bool {
    get(it, name).and_then(Json::as_bool) == Some(true)
}

fn object<'a>(it: &'a Members, name: &str) -> Option<&'a Members> {
    get(it, name)?.as_object()
}

/// The objects of an array.
fn objects<'a>(it: &'a Members, name: &str) -> impl Iterator<Item = &'a Members> + use<'a> {
    get(it, name).and_then(Json::as_array).into_iter().flatten().filter_map(Json::as_object)
}

/// The strings of an array.
fn texts<'a>(it: &'a Members, name: &str) -> impl Iterator<Item = &'a str> + use<'a> {
    get(it, name).and_then(Json::as_array).into_iter().flatten().filter_map(Json::as_str)
}

fn distinct<T: Ord>(items: impl Iterator<Item = T>) -> bool {
    let mut all: Vec<T> = items.collect();
    all.sort_unstable();
    all.windows(2).all(|pair| matches!(pair, [a, b] if a != b))
}

#[cfg(test)]
mod tests;
