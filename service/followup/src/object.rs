//! JSON objects and arrays as literals, for what is written by the thousand.

/// The same as `serde_json::json!`, but what stands in it is moved: that of the library copies every value, and all that is below
/// it, once for each literal around it. Names are string literals; a value is whatever a JSON value can be made from.
macro_rules! json {
    ({}) => { serde_json::Value::Object(serde_json::Map::new()) };
    ({ $($members:tt)* }) => {{
        let mut members = serde_json::Map::new();
        $crate::object::json!(@member members; $($members)*);
        serde_json::Value::Object(members)
    }};
    ([ $($items:tt)* ]) => { serde_json::Value::Array($crate::object::json!(@items [] $($items)*)) };
    (@member $map:ident;) => {};
    (@member $map:ident; $name:literal : { $($inner:tt)* } $(, $($rest:tt)*)?) => {
        $map.insert(String::from($name), $crate::object::json!({ $($inner)* }));
        $crate::object::json!(@member $map; $($($rest)*)?);
    };
    (@member $map:ident; $name:literal : [ $($inner:tt)* ] $(, $($rest:tt)*)?) => {
        $map.insert(String::from($name), $crate::object::json!([ $($inner)* ]));
        $crate::object::json!(@member $map; $($($rest)*)?);
    };
    (@member $map:ident; $name:literal : $value:expr $(, $($rest:tt)*)?) => {
        $map.insert(String::from($name), serde_json::Value::from($value));
        $crate::object::json!(@member $map; $($($rest)*)?);
    };
    (@items [ $($done:expr,)* ]) => { vec![ $($done,)* ] };
    (@items [ $($done:expr,)* ] { $($inner:tt)* } $(, $($rest:tt)*)?) => {
        $crate::object::json!(@items [ $($done,)* $crate::object::json!({ $($inner)* }), ] $($($rest)*)?)
    };
    (@items [ $($done:expr,)* ] $value:expr $(, $($rest:tt)*)?) => {
        $crate::object::json!(@items [ $($done,)* serde_json::Value::from($value), ] $($($rest)*)?)
    };
    ($value:expr) => { serde_json::Value::from($value) };
}

pub(crate) use json;

#[cfg(test)]
mod tests {
    // The library's own macro is what this one is held against.
    #[test]
    fn the_same_as_the_librarys() {
        let (text, list) = ("b", vec![serde_json::json!(1), serde_json::json!("x")]);
        let ours = json!({ "a": { "b": [], "c": {} }, "d": [{ "e": text }, text, 2_usize], "f": list.clone(), "g": text == "b", "h": -1, });
        let theirs = serde_json::json!({
            "a": { "b": [], "c": {} }, "d": [{ "e": text }, text, 2_usize], "f": list, "g": text == "b", "h": -1,
        });
        assert_eq!(ours.to_string(), theirs.to_string());
        assert_eq!(json!("x"), serde_json::json!("x"));
    }
}
