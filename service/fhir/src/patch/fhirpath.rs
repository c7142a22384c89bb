//! FHIRPath Patch: FHIR R4 fhirpatch.html. A Parameters resource, each of whose parameters is one operation.
//!
//! Of FHIRPath it knows what points at an element: names, `[n]`, `first()`, `last()`, `where(a.b = 'x')`, `extension('url')`
//! and `ofType(X)`.

use super::{Refused, check_count, check_size, malformed, unfit};
use crate::{Json, schema};
use serde_json::Map;

mod path;

use path::{Key, Place, Step};

/// Applies all operations in order.
pub(super) fn apply(resource: &mut Json, parameters: &Json) -> Result<(), Refused> {
    if parameters.get("resourceType").and_then(Json::as_str) != Some("Parameters") {
        return Err(malformed("", "Send the patch as a Parameters resource, or as a JSON Patch."));
    }
    let operations = parameters.get("parameter").and_then(Json::as_array).map_or(&[][..], Vec::as_slice);
    check_count(operations.len())?;
    for (index, operation) in operations.iter().enumerate() {
        if operation.get("name").and_then(Json::as_str) != Some("operation") {
            let text = "Name every parameter of a FHIRPath Patch operation.";
            return Err(malformed(format!("Parameters.parameter[{index}].name"), text));
        }
        Operation { parts: operation, at: format!("Parameters.parameter[{index}]") }.apply(resource)?;
        check_size(resource)?;
    }
    Ok(())
}

/// One operation.
struct Operation<'a> {
    parts: &'a Json,
    at: String,
}

/// A value with the type that its name tells, such as `Quantity`; none for one that is put together of parts.
struct Value {
    kind: Option<String>,
    json: Json,
    parts: Vec<Json>,
}

impl Operation<'_> {
    fn part(&self, name: &str) -> Option<&Json> {
        let parts = self.parts.get("part")?.as_array()?;
        parts.iter().find(|part| part.get("name").and_then(Json::as_str) == Some(name))
    }

    fn text(&self, name: &str, member: &str) -> Result<&str, Refused> {
        let found = self.part(name).and_then(|part| part.get(member)).and_then(Json::as_str);
        found.ok_or_else(|| self.malformed(format!("Send the part {name} with {member}.")))
    }

    fn number(&self, name: &str) -> Result<usize, Refused> {
        let found = self.part(name).and_then(|part| part.get("valueInteger")).and_then(Json::as_u64);
        found
            .and_then(|number| usize::try_from(number).ok())
            .ok_or_else(|| self.malformed(format!("Send the part {name} with valueInteger, counted from 0.")))
    }

    fn value(&self) -> Result<Value, Refused> {
        let missing = || self.malformed("Send the part value with a value[x], or with parts of its own.");
        value_of(self.part("value").ok_or_else(missing)?).ok_or_else(missing)
    }

    fn malformed(&self, text: impl Into<String>) -> Refused {
        malformed(&self.at, text)
    }

    fn unfit(&self, text: impl Into<String>) -> Refused {
        unfit(&self.at, text)
    }

    fn apply(&self, resource: &mut Json) -> Result<(), Refused> {
        let kind = self.text("type", "valueCode")?;
        let text = self.text("path", "valueString")?;
        let steps = path::parse(text).ok_or_else(|| {
            self.malformed(
                "Write path with names, [n], first(), last(), where(a = 'x'), extension('url') or ofType(X).",
            )
        })?;
        match kind {
            "add" => self.add(resource, &steps),
            "insert" => self.insert(resource, &steps),
            "delete" => self.delete(resource, &steps),
            "replace" => self.replace(resource, &steps),
            "move" => self.shift(resource, &steps),
            _ => Err(self.malformed("Send type as add, insert, delete, replace or move.")),
        }
    }

    /// The one element that a path points at.
    fn only(&self, resource: &Json, steps: &[Step]) -> Result<Place, Refused> {
        let mut places = path::places(resource, steps);
        match (places.pop(), places.is_empty()) {
            (Some(place), true) => Ok(place),
            (None, _) => Err(self.unfit("The path leads to nothing in this resource.")),
            (Some(_), false) => Err(self.unfit("The path leads to more than one element; make it narrower.")),
        }
    }

    fn members<'r>(
        &self,
        resource: &'r mut Json,
        place: &Place,
    ) -> Result<&'r mut Map<String, Json>, Refused> {
        path::find(resource, &place.keys)
            .and_then(Json::as_object_mut)
            .ok_or_else(|| self.unfit("The path leads to a value that has no elements of its own."))
    }

    fn add(&self, resource: &mut Json, steps: &[Step]) -> Result<(), Refused> {
        let place = self.only(resource, steps)?;
        let name = self.text("name", "valueString")?;
        let value = self.value()?;
        let (name, element) = self.named(&place.definition, name, &value)?;
        let json = self.built(element.kind, value)?;
        let members = self.members(resource, &place)?;
        if element.many {
            let twin = twin_of(members, &name);
            let list = members.entry(name).or_insert_with(|| Json::Array(Vec::new()));
            let Json::Array(items) = list else { return Err(self.unfit("The element is no list.")) };
            items.push(json);
            let length = items.len();
            pad(members, &twin, length);
        } else if members.contains_key(&name) {
            return Err(self.unfit("The element is there already; send type replace."));
        } else {
            members.insert(name, json);
        }
        Ok(())
    }

    /// The list that a path names, with what the schema says of it.
    fn list<'r>(
        &self,
        resource: &'r mut Json,
        steps: &[Step],
    ) -> Result<(&'r mut Map<String, Json>, String, schema::Element), Refused> {
        let wrong = || self.unfit("The path must name a list, such as Patient.name.");
        let Some((Step::Name(name), parents)) = steps.split_last() else { return Err(wrong()) };
        if parents.is_empty() {
            return Err(wrong());
        }
        let place = self.only(resource, parents)?;
        let element =
            schema::elements(&place.definition).and_then(|elements| elements.get(name.as_str())).copied();
        let element = element.filter(|element| element.many).ok_or_else(wrong)?;
        Ok((self.members(resource, &place)?, name.clone(), element))
    }

    fn insert(&self, resource: &mut Json, steps: &[Step]) -> Result<(), Refused> {
        let index = self.number("index")?;
        let value = self.value()?;
        let (members, name, element) = self.list(resource, steps)?;
        let json = self.built(element.kind, value)?;
        let twin = twin_of(members, &name);
        let list = members.entry(name).or_insert_with(|| Json::Array(Vec::new()));
        let items = list.as_array_mut().ok_or_else(|| self.unfit("The element is no list."))?;
        let length = items.len();
        if index > length {
            return Err(self.unfit("The index lies beyond the end of the list."));
        }
        items.insert(index, json);
        pad(members, &twin, length);
        if let Some(Json::Array(items)) = members.get_mut(&twin) {
            items.insert(index, Json::Null);
        }
        Ok(())
    }

    fn shift(&self, resource: &mut Json, steps: &[Step]) -> Result<(), Refused> {
        let (source, destination) = (self.number("source")?, self.number("destination")?);
        let (members, name, _) = self.list(resource, steps)?;
        let twin = twin_of(members, &name);
        let length = members.get(&name).and_then(Json::as_array).map_or(0, Vec::len);
        if source >= length || destination >= length {
            return Err(self.unfit("The source or the destination lies beyond the end of the list."));
        }
        pad(members, &twin, length);
        for name in [name, twin] {
            if let Some(Json::Array(items)) = members.get_mut(&name) {
                let moved = items.remove(source);
                items.insert(destination, moved);
            }
        }
        Ok(())
    }

    fn delete(&self, resource: &mut Json, steps: &[Step]) -> Result<(), Refused> {
        let mut places = path::places(resource, steps);
        let Some(place) = places.pop() else { return Ok(()) };
        if !places.is_empty() {
            return Err(self.unfit("The path leads to more than one element; make it narrower."));
        }
        if place.keys.is_empty() {
            return Err(self.unfit("A patch cannot delete the resource; send DELETE."));
        }
        path::remove(resource, &place.keys);
        Ok(())
    }

    fn replace(&self, resource: &mut Json, steps: &[Step]) -> Result<(), Refused> {
        let place = self.only(resource, steps)?;
        let value = self.value()?;
        let Some((last, parents)) = place.keys.split_last() else {
            return Err(self.unfit("A patch cannot replace the resource; send PUT."));
        };
        match last {
            Key::Item(index) => {
                let json = self.built(&place.definition, value)?;
                let Some((Key::Member(list), owner)) = parents.split_last() else {
                    return Err(self.unfit("The path leads to nothing in this resource."));
                };
                let owner = path::find(resource, owner).and_then(Json::as_object_mut);
                let Some(members) = owner else { return Ok(()) };
                let twin = twin_of(members, list);
                for (name, json) in [(list, json), (&twin, Json::Null)] {
                    if let Some(item) = members.get_mut(name).and_then(|list| list.get_mut(*index)) {
                        *item = json;
                    }
                }
            }
            Key::Member(name) => {
                let owner = Place { keys: parents.to_vec(), ..Place::default() };
                // Of a choice, the name follows the type of the new value.
                let base = place.base.as_deref().unwrap_or(name);
                let (new, element) = self.named(&place.owner, base, &value)?;
                let json = self.built(element.kind, value)?;
                let members = self.members(resource, &owner)?;
                let twin = twin_of(members, name);
                let old = std::mem::take(members);
                for (member, value) in old {
                    if member == *name {
                        members.insert(new.clone(), json.clone());
                    } else if member != twin {
                        members.insert(member, value);
                    }
                }
            }
        }
        Ok(())
    }

    /// The name of an element as JSON has it, which for a choice ends with the value's type.
    fn named(
        &self,
        definition: &str,
        name: &str,
        value: &Value,
    ) -> Result<(String, schema::Element), Refused> {
        let choice = value.kind.as_ref().map(|kind| format!("{name}{kind}"));
        let elements = schema::elements(definition);
        let named = [Some(name.to_owned()), choice].into_iter().flatten().find_map(|name| {
            let element = elements.and_then(|elements| elements.get(name.as_str()))?;
            (!name.starts_with('_')).then_some((name, *element))
        });
        named.ok_or_else(|| self.unfit("There is no element of this name, or not with a value of this type."))
    }

    /// A value as the element of a definition; one of parts is put together.
    fn built(&self, definition: &str, value: Value) -> Result<Json, Refused> {
        if value.parts.is_empty() {
            return Ok(value.json);
        }
        let mut members = Map::new();
        for part in &value.parts {
            let name = part.get("name").and_then(Json::as_str).unwrap_or_default();
            let inner = value_of(part)
                .ok_or_else(|| self.malformed("Give every part of the value a value[x] or parts."))?;
            let (name, element) = self.named(definition, name, &inner)?;
            let json = self.built(element.kind, inner)?;
            if element.many {
                let list = members.entry(name).or_insert_with(|| Json::Array(Vec::new()));
                list.as_array_mut().into_iter().for_each(|items| items.push(json.clone()));
            } else {
                members.insert(name, json);
            }
        }
        Ok(Json::Object(members))
    }
}

fn value_of(part: &Json) -> Option<Value> {
    let members = part.as_object()?;
    let plain = members.iter().find_map(|(name, json)| {
        let kind =
            name.strip_prefix("value").filter(|kind| kind.starts_with(|c: char| c.is_ascii_uppercase()))?;
        Some(Value { kind: Some(kind.to_owned()), json: json.clone(), parts: Vec::new() })
    });
    let resource = || {
        let json = members.get("resource")?.clone();
        Some(Value { kind: None, json, parts: Vec::new() })
    };
    let parts = || {
        let parts = members.get("part")?.as_array()?.clone();
        Some(Value { kind: None, json: Json::Null, parts }).filter(|value| !value.parts.is_empty())
    };
    plain.or_else(resource).or_else(parts)
}

/// The name of what holds ids and extensions of primitives beside them.
fn twin_of(members: &Map<String, Json>, name: &str) -> String {
    let twin = format!("_{name}");
    if members.contains_key(&twin) { twin } else { String::new() }
}

/// A twin list has as many items as its list.
fn pad(members: &mut Map<String, Json>, twin: &str, length: usize) {
    if let Some(Json::Array(items)) = members.get_mut(twin) {
        while items.len() < length {
            items.push(Json::Null);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Patch;
    use crate::Json;
    use serde_json::json;

    /// HL7's FHIR test cases, r4/patch/fhir-patch-tests.xml, as JSON (fixtures/patch/convert.py).
    #[test]
    fn the_published_cases_hold() {
        let cases: Vec<Json> =
            serde_json::from_str(include_str!("../../../../fixtures/patch/fhir-patch-tests.json")).unwrap();
        assert_eq!(cases.len(), 33);
        for case in cases {
            let found = Patch::FhirPath(case["diff"].clone()).apply(&case["input"]);
            match case.get("output") {
                Some(expected) => assert_eq!(found.as_ref(), Ok(expected), "{}", case["name"]),
                None => assert!(found.is_err(), "{}", case["name"]),
            }
        }
    }

    fn operation(parts: &Json) -> Json {
        let of = |(name, value): (&String, &Json)| {
            let mut part = json!({ "name": name });
            part.as_object_mut().unwrap().extend(value.as_object().unwrap().clone());
            part
        };
        let parts: Vec<Json> = parts.as_object().unwrap().iter().map(of).collect();
        json!({ "resourceType": "Parameters", "parameter": [{ "name": "operation", "part": parts }] })
    }

    fn patched(resource: &Json, kind: &str, path: &str, more: &Json) -> Result<Json, super::Refused> {
        let mut parts = json!({ "type": { "valueCode": kind }, "path": { "valueString": path } });
        parts.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        Patch::FhirPath(operation(&parts)).apply(resource)
    }

    // FHIR R4 fhirpatch.html: a choice is named without its type; FHIRPath functions point at one element.
    #[test]
    fn choices_and_functions() {
        let observation = json!({ "resourceType": "Observation", "status": "final", "valueInteger": 3,
            "component": [{ "code": { "text": "a" } }, { "code": { "text": "b" } }] });
        let value = json!({ "value": { "valueQuantity": { "value": 4 } } });
        let replaced = patched(&observation, "replace", "Observation.value", &value).unwrap();
        let names: Vec<&String> = replaced.as_object().unwrap().keys().collect();
        assert_eq!(names, ["resourceType", "status", "valueQuantity", "component"]);
        for path in [
            "Observation.component[1]",
            "Observation.component.last()",
            "Observation.component.where(code.text = 'b')",
            "component.where(code.text='b').first()",
        ] {
            let named = json!({ "name": { "valueString": "value" }, "value": { "valueInteger": 5 } });
            let added = patched(&observation, "add", path, &named).unwrap();
            assert_eq!(added["component"][1]["valueInteger"], 5, "{path}");
        }
        assert_eq!(
            patched(&observation, "delete", "Observation.value.ofType(Quantity)", &json!({})),
            Ok(observation.clone())
        );
        assert!(
            patched(&observation, "delete", "Observation.value.ofType(integer)", &json!({}))
                .unwrap()
                .get("valueInteger")
                .is_none()
        );
        assert!(!patched(&observation, "delete", "Observation.component", &json!({})).unwrap_err().malformed);
        assert!(!patched(&observation, "replace", "Observation.note", &value).unwrap_err().malformed);
        for path in [
            "",
            "Observation.",
            "Observation.component[x]",
            "Observation.value + 1",
            "component.where(code)",
            "Observation.exists()",
        ] {
            assert!(patched(&observation, "replace", path, &value).unwrap_err().malformed, "{path}");
        }
    }

    // FHIR R4 json.html#primitive: the twin list of a list of primitives stays in step.
    #[test]
    fn twins_stay_in_step() {
        let patient = json!({ "resourceType": "Patient", "name": [{ "given": ["a", "b"], "_given": [null, { "id": "x" }] }] });
        let inserted = patched(
            &patient,
            "insert",
            "Patient.name[0].given",
            &json!({ "index": { "valueInteger": 0 }, "value": { "valueString": "c" } }),
        )
        .unwrap();
        assert_eq!(
            inserted["name"][0],
            json!({ "given": ["c", "a", "b"], "_given": [null, null, { "id": "x" }] })
        );
        let moved = patched(
            &patient,
            "move",
            "Patient.name.given",
            &json!({ "source": { "valueInteger": 1 }, "destination": { "valueInteger": 0 } }),
        )
        .unwrap();
        assert_eq!(moved["name"][0], json!({ "given": ["b", "a"], "_given": [{ "id": "x" }, null] }));
        let deleted = patched(&patient, "delete", "Patient.name.given[1]", &json!({})).unwrap();
        assert_eq!(deleted["name"][0], json!({ "given": ["a"] }));
    }
}
