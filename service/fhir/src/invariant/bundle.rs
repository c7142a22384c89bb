//! Invariants of Bundle and Parameters.

use super::{Invariant, choice, distinct, has, is, object, objects, text};
use crate::rule::Members;

fn is_one_of(bundle: &Members, kinds: &[&str]) -> bool {
    text(bundle, "type").is_some_and(|kind| kinds.contains(&kind))
}

fn first_is(bundle: &Members, kind: &str) -> bool {
    let first = objects(bundle, "entry").next().and_then(|entry| object(entry, "resource"));
    first.is_some_and(|resource| is(resource, "resourceType", kind))
}

#[rustfmt::skip]
pub(super) const TABLE: &[Invariant] = &[
    Invariant {
        key: "bdl-1", on: &["Bundle"],
        send: "Leave total out: only a searchset or a history has one.",
        holds: |it, _| !has(it, "total") || is_one_of(it, &["searchset", "history"]),
    },
    Invariant {
        key: "bdl-2", on: &["Bundle"],
        send: "Leave entry.search out: only a searchset has it.",
        holds: |it, _| is(it, "type", "searchset") || !objects(it, "entry").any(|entry| has(entry, "search")),
    },
    Invariant {
        key: "bdl-3", on: &["Bundle"],
        send: "Send entry.request in every entry of a batch, a transaction or a history, and in no other Bundle.",
        holds: |it, _| {
            let wanted = is_one_of(it, &["batch", "transaction", "history"]);
            objects(it, "entry").all(|entry| has(entry, "request") == wanted)
        },
    },
    Invariant {
        key: "bdl-4", on: &["Bundle"],
        send: "Send entry.response in every entry of a batch-response, a transaction-response or a history, and in no other Bundle.",
        holds: |it, _| {
            let wanted = is_one_of(it, &["batch-response", "transaction-response", "history"]);
            objects(it, "entry").all(|entry| has(entry, "response") == wanted)
        },
    },
    Invariant {
        key: "bdl-5", on: &["Bundle_Entry"],
        send: "Send a resource, a request or a response in this entry.",
        holds: |it, _| has(it, "resource") || has(it, "request") || has(it, "response"),
    },
    Invariant {
        key: "bdl-7", on: &["Bundle"],
        send: "Send each fullUrl once; the same only for different versions of a resource.",
        holds: |it, _| is(it, "type", "history") || distinct(objects(it, "entry").filter_map(|entry| {
            let version = object(entry, "resource").and_then(|one| object(one, "meta")).and_then(|meta| text(meta, "versionId"));
            text(entry, "fullUrl").map(|url| (url, version.unwrap_or_default()))
        })),
    },
    Invariant {
        key: "bdl-8", on: &["Bundle_Entry"],
        send: "Send a fullUrl without /_history/: it names the resource, not a version of it.",
        holds: |it, _| text(it, "fullUrl").is_none_or(|url| !url.contains("/_history/")),
    },
    Invariant {
        key: "bdl-9", on: &["Bundle"],
        send: "Send an identifier with system and value: a document has one.",
        holds: |it, _| !is(it, "type", "document")
            || object(it, "identifier").is_some_and(|one| has(one, "system") && has(one, "value")),
    },
    Invariant {
        key: "bdl-10", on: &["Bundle"],
        send: "Send a timestamp: a document has one.",
        holds: |it, _| !is(it, "type", "document") || it.contains_key("timestamp"),
    },
    Invariant {
        key: "bdl-11", on: &["Bundle"],
        send: "Send a Composition as the first entry of a document.",
        holds: |it, _| !is(it, "type", "document") || first_is(it, "Composition"),
    },
    Invariant {
        key: "bdl-12", on: &["Bundle"],
        send: "Send a MessageHeader as the first entry of a message.",
        holds: |it, _| !is(it, "type", "message") || first_is(it, "MessageHeader"),
    },
    Invariant {
        key: "inv-1", on: &["Parameters_Parameter"],
        send: "Send exactly one of a value, a resource or parts in this parameter.",
        holds: |it, _| {
            [has(it, "part"), choice(it, "value"), has(it, "resource")].into_iter().filter(|one| *one).count() == 1
        },
    },
];
