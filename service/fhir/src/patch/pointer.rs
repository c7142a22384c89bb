//! JSON Patch, RFC 6902, with JSON Pointer, RFC 6901.

use super::{Refused, check_count, check_size, malformed, unfit};
use crate::Json;

/// Applies all operations in order.
pub(super) fn apply(document: &mut Json, operations: &Json) -> Result<(), Refused> {
    let Some(operations) = operations.as_array() else {
        return Err(malformed("", "Send a JSON Patch: an array of operations."));
    };
    check_count(operations.len())?;
    for (index, operation) in operations.iter().enumerate() {
        one(document, operation, index)?;
        check_size(document)?;
    }
    Ok(())
}

fn one(document: &mut Json, operation: &Json, index: usize) -> Result<(), Refused> {
    let wrong = |text: &str| malformed("", format!("Operation {index} of the patch: {text}"));
    let miss = |text: &str| unfit("", format!("Operation {index} of the patch: {text}"));
    let nowhere = || miss("its path leads to nothing in this resource.");
    let text = |name: &str| operation.get(name).and_then(Json::as_str);
    let pointer = |name: &str| {
        let text =
            text(name).ok_or_else(|| wrong(&format!("send {name} as a JSON Pointer, such as /status.")))?;
        tokens(text)
            .ok_or_else(|| wrong("a JSON Pointer is empty or begins with /, and ~ is written ~0, / is ~1."))
    };
    let value = || operation.get("value").cloned().ok_or_else(|| wrong("send a value."));
    let path = pointer("path")?;
    match text("op") {
        Some("add") => add(document, &path, value()?).ok_or_else(nowhere),
        Some("remove") => remove(document, &path).map(|_| ()).ok_or_else(nowhere),
        Some("replace") => {
            let value = value()?;
            *find(document, &path).ok_or_else(nowhere)? = value;
            Ok(())
        }
        Some("move") => {
            let from = pointer("from")?;
            if path.starts_with(&from) && path.len() > from.len() {
                return Err(wrong("nothing can be moved into itself."));
            }
            let value =
                remove(document, &from).ok_or_else(|| miss("from leads to nothing in this resource."))?;
            add(document, &path, value).ok_or_else(nowhere)
        }
        Some("copy") => {
            let from = pointer("from")?;
            let value =
                find(document, &from).ok_or_else(|| miss("from leads to nothing in this resource."))?.clone();
            add(document, &path, value).ok_or_else(nowhere)
        }
        Some("test") => {
            let value = value()?;
            let found = find(document, &path).ok_or_else(nowhere)?;
            if same(found, &value) {
                Ok(())
            } else {
                Err(miss("the resource holds another value than the test expects."))
            }
        }
        _ => Err(wrong("send op as add, remove, replace, move, copy or test.")),
    }
}

/// The parts of a pointer, without its escapes.
fn tokens(pointer: &str) -> Option<Vec<String>> {
    if pointer.is_empty() {
        return Some(Vec::new());
    }
    let parts = pointer.strip_prefix('/')?.split('/');
    let plain = |part: &str| {
        let sound = part.split('~').skip(1).all(|rest| rest.starts_with(['0', '1']));
        sound.then(|| part.replace("~1", "/").replace("~0", "~"))
    };
    parts.map(plain).collect()
}

/// A position in an array as RFC 6901 writes it: without a sign or leading zeros.
fn position(token: &str, length: usize) -> Option<usize> {
    let plain = token.bytes().all(|b| b.is_ascii_digit()) && (token == "0" || !token.starts_with('0'));
    token.parse().ok().filter(|position| plain && *position < length)
}

fn find<'a>(document: &'a mut Json, path: &[String]) -> Option<&'a mut Json> {
    path.iter().try_fold(document, |value, token| match value {
        Json::Object(members) => members.get_mut(token),
        Json::Array(items) => {
            let position = position(token, items.len())?;
            items.get_mut(position)
        }
        _ => None,
    })
}

fn add(document: &mut Json, path: &[String], value: Json) -> Option<()> {
    let Some((last, parents)) = path.split_last() else {
        *document = value;
        return Some(());
    };
    match find(document, parents)? {
        Json::Object(members) => {
            members.insert(last.clone(), value);
        }
        Json::Array(items) if last == "-" => items.push(value),
        Json::Array(items) => {
            let position = position(last, items.len() + 1)?;
            items.insert(position, value);
        }
        _ => return None,
    }
    Some(())
}

fn remove(document: &mut Json, path: &[String]) -> Option<Json> {
    let Some((last, parents)) = path.split_last() else {
        return Some(std::mem::take(document));
    };
    match find(document, parents)? {
        Json::Object(members) => members.shift_remove(last),
        Json::Array(items) => {
            let position = position(last, items.len())?;
            Some(items.remove(position))
        }
        _ => None,
    }
}

/// RFC 6902 section 4.6: numbers are equal by value, objects whatever the order of their members.
fn same(left: &Json, right: &Json) -> bool {
    match (left, right) {
        (Json::Number(left), Json::Number(right)) => left == right || left.as_f64() == right.as_f64(),
        (Json::Array(left), Json::Array(right)) => {
            left.len() == right.len() && left.iter().zip(right).all(|(left, right)| same(left, right))
        }
        (Json::Object(left), Json::Object(right)) => {
            left.len() == right.len()
                && left.iter().all(|(name, left)| right.get(name).is_some_and(|right| same(left, right)))
        }
        _ => left == right,
    }
}

#[cfg(test)]
mod tests {
    use super::super::Patch;
    use crate::Json;
    use serde_json::json;

    fn patched(document: &str, operations: Json) -> String {
        let document: Json = serde_json::from_str(document).unwrap();
        Patch::Pointer(operations).apply(&document).unwrap().to_string()
    }

    #[test]
    fn order_of_members_and_text_of_decimals_are_kept() {
        let document = r#"{"a":1.10,"b":[0.700,2],"c":"x","d":{"e":1,"f":2}}"#;
        assert_eq!(
            patched(
                document,
                json!([{ "op": "remove", "path": "/d/e" }, { "op": "replace", "path": "/c", "value": "y" }])
            ),
            r#"{"a":1.10,"b":[0.700,2],"c":"y","d":{"f":2}}"#
        );
        assert_eq!(
            patched(
                document,
                json!([{ "op": "remove", "path": "/a" }, { "op": "move", "from": "/b/0", "path": "/d/g" }])
            ),
            r#"{"b":[2],"c":"x","d":{"e":1,"f":2,"g":0.700}}"#
        );
    }

    // RFC 6902 section 4.6: numerically equal.
    #[test]
    fn a_test_compares_numbers_by_value() {
        let operations = |value: &str| {
            serde_json::from_str(&format!(r#"[{{"op":"test","path":"/a","value":{value}}}]"#)).unwrap()
        };
        assert_eq!(patched(r#"{"a":1.10}"#, operations("1.1")), r#"{"a":1.10}"#);
        let document: Json = serde_json::from_str(r#"{"a":1.10}"#).unwrap();
        assert!(!Patch::Pointer(operations("1.2")).apply(&document).unwrap_err().malformed);
    }

    // RFC 6902 has no bound: a copy into itself doubles the document, an add nests it deeper, each time.
    #[test]
    fn growth_has_a_bound() {
        let document = json!({ "a": ["xxxxxxxxxxxxxxxx"] });
        let doubling = vec![json!({ "op": "copy", "from": "/a", "path": "/a/-" }); 40];
        assert!(!Patch::Pointer(Json::Array(doubling)).apply(&document).unwrap_err().malformed);
        let many = vec![json!({ "op": "test", "path": "/a/0", "value": "x" }); 1_001];
        assert!(Patch::Pointer(Json::Array(many)).apply(&document).unwrap_err().malformed);
    }

    /// The published cases of the JSON Patch community, as HL7's FHIR test cases (R4 and later) carry them.
    #[test]
    fn the_published_cases_hold() {
        let cases: Vec<Json> =
            serde_json::from_str(include_str!("../../../../fixtures/patch/json-patch-tests.json")).unwrap();
        let mut run = 0;
        for case in cases.iter().filter(|case| case.get("disabled") != Some(&json!(true))) {
            let Some(operations) = case.get("patch") else { continue };
            let found = Patch::Pointer(operations.clone()).apply(&case["doc"]);
            match (&found, case.get("expected")) {
                (Ok(found), Some(expected)) => assert_eq!(found, expected, "{case}"),
                (Err(_), None) => assert!(case.get("error").is_some(), "{case}"),
                (Ok(_), None) => assert!(case.get("error").is_none(), "{case}"),
                (Err(refused), Some(_)) => panic!("{case}: {refused:?}"),
            }
            run += 1;
        }
        assert_eq!(run, 16);
    }
}
