//! What a reference may lead to: R4's StructureDefinitions, element types and their target profiles.

use super::{At, Members, listed};
use crate::Json;
use crate::invariant::Scope;
use crate::issue::{Code, Issue};
use crate::schema::{self, Element};

/// The type that a reference names must be one that the element allows, and the one that `type` says.
pub(super) fn check(
    element: &Element,
    reference: &Members,
    scope: &Scope<'_>,
    at: At<'_>,
    issues: &mut Vec<Issue>,
) {
    let text = |name: &str| crate::invariant::get(reference, name).and_then(Json::as_str);
    let named = text("reference").and_then(|to| kind_of(to, scope));
    // A type is named as R4 names it; a URL names one of another model.
    let said = text("type").filter(|said| schema::is_resource_type(said));
    if let (Some(named), Some(said)) = (named, said)
        && named != said
    {
        let text =
            "The reference leads to another type than type says; correct one of them or leave type out.";
        issues.push(Issue::error(Code::Value, format!("{}.type", at.path()), text).keyed("reference-type"));
    }
    let Some(targets) = element.targets else { return };
    let is_wrong = |kind: &str| !targets.iter().any(|one| one == kind);
    let part = match (named.filter(|kind| is_wrong(kind)), said.filter(|kind| is_wrong(kind))) {
        (Some(_), _) => "reference",
        (None, Some(_)) => "type",
        (None, None) => return,
    };
    let text = format!("Refer to a resource of another type here: {}.", listed(targets));
    issues.push(Issue::error(Code::Value, format!("{}.{part}", at.path()), text).keyed("reference-target"));
}

/// The type that a literal reference names, if it does.
pub(crate) fn kind_of<'a>(to: &'a str, scope: &Scope<'a>) -> Option<&'a str> {
    if let Some(id) = to.strip_prefix('#') {
        return scope.contained(id)?.get("resourceType")?.as_str();
    }
    let end = to.bytes().position(|b| matches!(b, b'?' | b'#')).unwrap_or(to.len());
    let to = to.get(..end).unwrap_or_default();
    // Few have a version; one byte is looked for faster than a word.
    let to = if to.contains('_') { to.split("/_history/").next().unwrap_or_default() } else { to };
    let mut parts = to.rsplit('/');
    let (last, before) = (parts.next()?, parts.next());
    // `Patient?identifier=…` has no id.
    [before, Some(last)].into_iter().flatten().find(|name| schema::is_resource_type(name))
}
