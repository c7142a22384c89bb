//! Paths: read, followed through a resource, and the elements they lead to.

use crate::{Json, schema};

/// One step of a path.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Step {
    /// An element's name.
    Name(String),
    /// One of those found so far, from 0.
    Index(usize),
    /// The last of them.
    Last,
    /// Those whose element of this path has this value.
    Where(Vec<String>, String),
    /// Those of this type.
    OfType(String),
}

/// One step into JSON.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Key {
    Member(String),
    Item(usize),
}

/// An element of a resource.
#[derive(Clone, Debug, Default)]
pub(super) struct Place {
    /// How to get there.
    pub keys: Vec<Key>,
    /// The definition that it is of.
    pub definition: String,
    /// The definition that it is an element of.
    pub owner: String,
    /// The name under which a choice was asked for.
    pub base: Option<String>,
}

/// Reads a path. The type of the resource in front may be left out.
pub(super) fn parse(text: &str) -> Option<Vec<Step>> {
    let mut steps = Vec::new();
    let mut rest = text.trim();
    loop {
        let end = rest.find(|c: char| !(c.is_ascii_alphanumeric() || c == '_')).unwrap_or(rest.len());
        let (name, after) = rest.split_at_checked(end)?;
        let name = Some(name).filter(|name| name.starts_with(|c: char| c.is_ascii_alphabetic()))?;
        rest = after;
        if let Some(after) = rest.strip_prefix('(') {
            let end = closing(after)?;
            let (argument, after) = after.split_at_checked(end)?;
            rest = after.strip_prefix(')')?;
            steps.extend(function(name, argument.trim())?);
        } else {
            steps.push(Step::Name(name.to_owned()));
        }
        while let Some(after) = rest.strip_prefix('[') {
            let (index, after) = after.split_once(']')?;
            steps.push(Step::Index(index.trim().parse().ok()?));
            rest = after;
        }
        if rest.is_empty() {
            return Some(steps);
        }
        rest = rest.strip_prefix('.')?;
    }
}

/// Where the parenthesis closes that is open; one inside quotes does not count.
fn closing(text: &str) -> Option<usize> {
    let mut quoted = false;
    text.char_indices().find_map(|(at, c)| {
        quoted ^= c == '\'';
        (c == ')' && !quoted).then_some(at)
    })
}

fn function(name: &str, argument: &str) -> Option<Vec<Step>> {
    let literal = |text: &str| {
        let text = text.trim();
        let inner = text.strip_prefix('\'').and_then(|text| text.strip_suffix('\''));
        inner.filter(|inner| !inner.contains(['\'', '\\'])).map(str::to_owned)
    };
    let names = |text: &str| -> Option<Vec<String>> {
        let names: Vec<String> = text.trim().split('.').map(str::to_owned).collect();
        let sound = |name: &String| !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric());
        names.iter().all(sound).then_some(names)
    };
    match name {
        "first" if argument.is_empty() => Some(vec![Step::Index(0)]),
        "last" if argument.is_empty() => Some(vec![Step::Last]),
        "where" => {
            let (path, value) = argument.split_once('=')?;
            let plain = value.trim();
            let number = plain.parse::<f64>().is_ok() || matches!(plain, "true" | "false");
            let value = literal(value).or_else(|| number.then(|| plain.to_owned()))?;
            Some(vec![Step::Where(names(path)?, value)])
        }
        "extension" => {
            let url = literal(argument)?;
            Some(vec![Step::Name("extension".to_owned()), Step::Where(vec!["url".to_owned()], url)])
        }
        "ofType" => {
            let kind = argument.strip_prefix("FHIR.").unwrap_or(argument);
            Some(vec![Step::OfType(names(kind)?.pop()?)])
        }
        _ => None,
    }
}

/// All elements that a path leads to, in the order of the text.
pub(super) fn places(resource: &Json, steps: &[Step]) -> Vec<Place> {
    let kind = resource.get("resourceType").and_then(Json::as_str).unwrap_or_default();
    let steps = match steps {
        [Step::Name(name), rest @ ..] if name == kind => rest,
        _ => steps,
    };
    let root = Place { definition: kind.to_owned(), ..Place::default() };
    steps.iter().fold(vec![root], |found, step| match step {
        Step::Name(name) => found.iter().flat_map(|place| children(resource, place, name)).collect(),
        Step::Index(index) => found.into_iter().nth(*index).into_iter().collect(),
        Step::Last => found.into_iter().next_back().into_iter().collect(),
        Step::Where(names, value) => {
            found.into_iter().filter(|place| holds(resource, place, names, value)).collect()
        }
        Step::OfType(kind) => found.into_iter().filter(|place| place.definition == *kind).collect(),
    })
}

fn children(resource: &Json, place: &Place, name: &str) -> Vec<Place> {
    let Some(members) = at(resource, &place.keys).and_then(Json::as_object) else { return Vec::new() };
    let kind = members.get("resourceType").and_then(Json::as_str);
    let owner = kind.unwrap_or(&place.definition).to_owned();
    let Some(elements) = schema::elements(&owner) else { return Vec::new() };
    // The element itself, or the one of a choice that is there.
    let is_choice = |member: &str| {
        let rest = member.strip_prefix(name).unwrap_or_default();
        rest.starts_with(|c: char| c.is_ascii_uppercase()) && !elements.contains_key(name)
    };
    let member = members.keys().find(|member| *member == name || is_choice(member));
    let Some((member, element)) = member.and_then(|name| Some((name, elements.get(name.as_str())?))) else {
        return Vec::new();
    };
    let base = (member != name).then(|| name.to_owned());
    let one = |item: Option<usize>| {
        let mut keys = place.keys.clone();
        keys.push(Key::Member(member.clone()));
        keys.extend(item.map(Key::Item));
        Place { keys, definition: element.kind.to_owned(), owner: owner.clone(), base: base.clone() }
    };
    match members.get(member) {
        Some(Json::Array(items)) => (0..items.len()).map(|item| one(Some(item))).collect(),
        Some(_) => vec![one(None)],
        None => Vec::new(),
    }
}

fn holds(resource: &Json, place: &Place, names: &[String], value: &str) -> bool {
    let found = names.iter().fold(vec![place.clone()], |found, name| {
        found.iter().flat_map(|place| children(resource, place, name)).collect()
    });
    found.iter().filter_map(|place| at(resource, &place.keys)).any(|found| match found {
        Json::String(text) => text == value,
        Json::Bool(found) => value == if *found { "true" } else { "false" },
        Json::Number(found) => found.as_str() == value,
        _ => false,
    })
}

fn at<'a>(resource: &'a Json, keys: &[Key]) -> Option<&'a Json> {
    keys.iter().try_fold(resource, |value, key| match key {
        Key::Member(name) => value.get(name),
        Key::Item(index) => value.get(index),
    })
}

/// The element at a place, to be changed.
pub(super) fn find<'a>(resource: &'a mut Json, keys: &[Key]) -> Option<&'a mut Json> {
    keys.iter().try_fold(resource, |value, key| match key {
        Key::Member(name) => value.get_mut(name),
        Key::Item(index) => value.get_mut(index),
    })
}

/// Takes an element away, with its twin, and whatever is empty without it.
pub(super) fn remove(resource: &mut Json, keys: &[Key]) {
    let Some((last, parents)) = keys.split_last() else { return };
    match last {
        Key::Member(name) => {
            if let Some(Json::Object(members)) = find(resource, parents) {
                members.shift_remove(name);
                members.shift_remove(&format!("_{name}"));
            }
        }
        Key::Item(index) => {
            if let Some((Key::Member(list), owner)) = parents.split_last()
                && let Some(Json::Object(members)) = find(resource, owner)
            {
                for name in [list.clone(), format!("_{list}")] {
                    if let Some(Json::Array(items)) = members.get_mut(&name) {
                        if *index < items.len() {
                            items.remove(*index);
                        }
                        if items.iter().all(Json::is_null) {
                            members.shift_remove(&name);
                        }
                    }
                }
                // Nothing is left of the list: go on with what held it.
                return prune(resource, owner);
            }
        }
    }
    prune(resource, parents);
}

fn prune(resource: &mut Json, keys: &[Key]) {
    let empty = at(resource, keys).and_then(Json::as_object).is_some_and(serde_json::Map::is_empty);
    if empty && !keys.is_empty() {
        remove(resource, keys);
    }
}
