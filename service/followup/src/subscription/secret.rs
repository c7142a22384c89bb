//! The values of `channel.header` are secrets: they come in and leave only in messages to the endpoint.
//!
//! Whoever reads a Subscription sees the names of its headers with [`MASK`] for each value; whoever sends that back keeps the value.

use crate::element::{items, text};
use crate::ports::Stored;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use serde_json::json;

/// Stands where a value is not shown.
pub const MASK: &str = "***";

/// Without the values of its headers.
pub fn masked(mut subscription: Json) -> Json {
    each(&mut subscription, &mut |_, header| match header.split_once(':') {
        Some((name, _)) => format!("{name}: {MASK}"),
        None => MASK.to_owned(),
    });
    subscription
}

/// A version as it may be shown to anybody.
pub fn shown(mut stored: Stored) -> Stored {
    if stored.kind == "Subscription" && !stored.body.is_empty() {
        stored.body = masked(endplate_fhir::json::stored(&stored.body)).to_string();
    }
    stored
}

/// Puts the values back that were sent as they are shown, from the version before.
pub(super) fn restore(sent: &mut Json, before: Option<&Json>) {
    let known: Vec<(String, String)> = before
        .map(|before| headers(before).map(|line| (name(line), line.to_owned())).collect())
        .unwrap_or_default();
    let mut used = vec![false; known.len()];
    each(sent, &mut |_, header| {
        let of = name(header);
        let place = known.iter().enumerate().position(|(at, (name, _))| *name == of && !used[at]);
        let Some(at) = place else { return header.to_owned() };
        used[at] = true;
        if is_masked(header) { known[at].1.clone() } else { header.to_owned() }
    });
}

/// Headers that are still masked: there is nothing to put in their place.
pub(super) fn unknown(sent: &Json) -> impl Iterator<Item = Issue> {
    let masked = headers(sent).enumerate().filter(|(_, header)| is_masked(header));
    masked.map(|(at, _)| {
        let text = "The value of this header is not known here; send it as Name: value.";
        Issue::error(Code::Value, format!("Subscription.channel.header[{at}]"), text)
    })
}

fn headers(subscription: &Json) -> impl Iterator<Item = &str> {
    items(&subscription["channel"], "header").filter_map(Json::as_str)
}

fn name(header: &str) -> String {
    header.split(':').next().unwrap_or_default().trim().to_ascii_lowercase()
}

fn is_masked(header: &str) -> bool {
    header.split_once(':').map_or(header, |(_, value)| value).trim() == MASK
}

fn each(subscription: &mut Json, act: &mut dyn FnMut(usize, &str) -> String) {
    let headers = subscription.pointer_mut("/channel/header").and_then(Json::as_array_mut);
    for (at, header) in headers.into_iter().flatten().enumerate() {
        if let Some(line) = header.as_str() {
            *header = json!(act(at, line));
        }
    }
}

/// Whether two Subscriptions say the same of what is told, to whom and how.
pub(super) fn same_watch(one: &Json, other: &Json) -> bool {
    ["criteria", "_criteria", "channel"].iter().all(|member| one.get(member) == other.get(member))
        && text(one, &["id"]) == text(other, &["id"])
}
