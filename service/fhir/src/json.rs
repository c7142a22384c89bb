//! Strict reading of FHIR JSON.
//!
//! R4, JSON representation: member names are unique, strings and arrays and objects are never empty, `null` stands only
//! in arrays (of primitives, beside their `_` twin: [`crate::validate`] checks that). The first breach is refused with
//! its path and its place in the text. Numbers keep their text, exponents included (R4, datatypes, decimal: precision is part
//! of the value). A byte order mark before the object is passed over (RFC 8259, section 8.1, lets a reader do so).

use crate::Json;
use crate::invariant;
use crate::issue::{Code, Issue};
use serde_json::{Map, Number};
use std::borrow::Cow;
use std::cell::RefCell;
use std::fmt::{self, Write as _};

/// How deep objects and arrays may be nested.
pub const DEPTH_MAX: usize = 64;

/// How many items an array may have.
pub const ITEMS_MAX: usize = 10_000;

/// With `arbitrary_precision` serde_json hands a number over as a map with this one key. The prefix is therefore
/// refused wherever it is sent, so that no object can pass for a number, now or when it is read again.
const NUMBER_KEY: &str = "$serde_json::private::Number";
const PRIVATE_PREFIX: &str = "$serde_json::private::";

/// Reads one JSON object. Refuses what the module says, anything nested deeper than [`DEPTH_MAX`], bad UTF-8,
/// control characters other than tab and line ends in strings, and anything after the object.
///
/// The issue's `diagnostics` is `line L, column C`; its `expression` is the path of the breach.
pub fn parse(text: &[u8]) -> Result<Json, Issue> {
    match read(text)? {
        value @ Json::Object(_) => Ok(value),
        _ => Err(located(Issue::error(Code::Structure, "", "Send one JSON object: a FHIR resource."), 1, 1)),
    }
}

/// Reads one JSON array, such as a JSON Patch, as strictly as [`parse`] reads an object.
pub fn parse_array(text: &[u8]) -> Result<Json, Issue> {
    // Of the whole text, nothing is a list as good as any; below it R4 knows no empty arrays.
    if text.iter().filter(|byte| !byte.is_ascii_whitespace()).eq(b"[]") {
        return Ok(Json::Array(Vec::new()));
    }
    match read(text)? {
        value @ Json::Array(_) => Ok(value),
        _ => Err(located(Issue::error(Code::Structure, "", "Send one JSON array."), 1, 1)),
    }
}

fn read(text: &[u8]) -> Result<Json, Issue> {
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    let text = std::str::from_utf8(text).map_err(|error| {
        let good = text.get(..error.valid_up_to()).unwrap_or_default();
        let line = good.split(|b| *b == b'\n').count();
        let column = good.iter().rev().take_while(|b| **b != b'\n').count() + 1;
        located(Issue::error(Code::Structure, "", "The text is not UTF-8. Send JSON in UTF-8."), line, column)
    })?;
    // One byte is looked for much faster than a name.
    if text.contains('$') && text.contains(PRIVATE_PREFIX) {
        return Err(Issue::error(
            Code::Structure,
            "",
            "The text holds a name that is reserved for the reader. Remove whatever begins with $serde_json.",
        ));
    }
    let state = State { exponents: RefCell::new(Exponents { text, at: 0 }), ..State::default() };
    let mut reader = serde_json::Deserializer::from_str(text);
    let read = serde::de::DeserializeSeed::deserialize(Seed { state: &state, depth: 0 }, &mut reader)
        .and_then(|value| reader.end().map(|()| value));
    read.map_err(|error| located(state.issue(&error), error.line(), error.column()))
}

/// Reads what was stored, whose numbers keep their text as those that are sent do; null if it is no object.
pub fn stored(text: &str) -> Json {
    parse(text.as_bytes()).unwrap_or(Json::Null)
}

fn located(mut issue: Issue, line: usize, column: usize) -> Issue {
    issue.diagnostics = Some(format!("line {line}, column {column}"));
    issue.key = issue.key.or(Some("json"));
    issue
}

/// Longer names are cut short in paths; R4 has none.
const NAME_MAX: usize = 64;

/// Appends a member name to a FHIRPath, in back-ticks when it is no identifier.
pub(crate) fn push_name(path: &mut String, name: &str) {
    if !path.is_empty() {
        path.push('.');
    }
    let plain = name.len() <= NAME_MAX
        && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_')
        && name.bytes().next().is_some_and(|b| !b.is_ascii_digit());
    if plain {
        path.push_str(name);
    } else {
        // A name that is no identifier is no FHIR name either; show only what cannot confuse a log.
        path.push('`');
        path.extend(name.chars().filter(|c| !c.is_control() && *c != '`').take(NAME_MAX));
        path.push('`');
    }
}

/// The name of a primitive, from that of its twin.
pub(crate) fn plain_of(name: &str) -> Option<&str> {
    // Faster by far than `strip_prefix`, and asked of every member.
    if name.as_bytes().first() == Some(&b'_') { name.get(1..) } else { None }
}

enum Step {
    Name(String),
    Item(usize),
}

/// The numbers of the text that have an exponent, one after the other, as they are written. The library writes exponents
/// anew (`1E5` as `1e+5`), so their text is taken from here.
#[derive(Default)]
struct Exponents<'t> {
    text: &'t str,
    at: usize,
}

impl<'t> Iterator for Exponents<'t> {
    type Item = &'t str;

    fn next(&mut self) -> Option<&'t str> {
        let bytes = self.text.as_bytes();
        loop {
            match bytes.get(self.at)? {
                b'"' => {
                    self.at += 1;
                    while *bytes.get(self.at)? != b'"' {
                        self.at += if bytes.get(self.at) == Some(&b'\\') { 2 } else { 1 };
                    }
                    self.at += 1;
                }
                b'-' | b'0'..=b'9' => {
                    let rest = self.text.get(self.at..)?;
                    let end = rest.find(|c: char| !matches!(c, '0'..='9' | '+' | '-' | '.' | 'e' | 'E'));
                    let number = rest.get(..end.unwrap_or(rest.len()))?;
                    self.at += number.len();
                    if number.contains(['e', 'E']) {
                        return Some(number);
                    }
                }
                _ => self.at += 1,
            }
        }
    }
}

/// Where the reader stands, and the breach it stopped at.
#[derive(Default)]
struct State<'t> {
    exponents: RefCell<Exponents<'t>>,
    kind: RefCell<Option<String>>,
    /// The innermost step first; empty while all is well.
    trail: RefCell<Vec<Step>>,
    breach: RefCell<Option<Issue>>,
}

impl State<'_> {
    fn path(&self) -> String {
        let mut path = self.kind.borrow().clone().unwrap_or_default();
        for step in self.trail.borrow().iter().rev() {
            match step {
                Step::Name(name) => push_name(&mut path, name),
                Step::Item(item) => {
                    let _ = write!(path, "[{item}]");
                }
            }
        }
        path
    }

    /// Stops at a breach; its path is known once all around it has been left.
    fn refuse<E: serde::de::Error>(&self, key: &'static str, text: &str) -> E {
        *self.breach.borrow_mut() = Some(Issue::error(Code::Structure, "", text).keyed(key));
        E::custom("refused")
    }

    fn issue(&self, error: &serde_json::Error) -> Issue {
        if let Some(breach) = self.breach.borrow_mut().take() {
            return Issue { expression: self.path(), ..breach };
        }
        // The reader's own messages hold no text of the payload; only its place is cut off, as it stands apart.
        let message = error.to_string();
        let message = message.split(" at line ").next().unwrap_or_default();
        let text = format!("The text is not JSON: {message}. Send well-formed JSON.");
        Issue::error(Code::Structure, self.path(), text).keyed("json")
    }

    /// Notes a step of the path, from the inside out, when a breach leaves it.
    fn came_from(&self, step: Step) {
        self.trail.borrow_mut().push(step);
    }

    fn text<E: serde::de::Error>(&self, text: Cow<'_, str>) -> Result<Json, E> {
        if text.is_empty() {
            return Err(self.refuse("empty", "The string is empty. Omit the property instead."));
        }
        if text.bytes().any(|b| b < 0x20 && !matches!(b, b'\t' | b'\n' | b'\r')) {
            return Err(self.refuse(
                "form",
                "The string holds a control character. Send only tab and line ends below U+0020.",
            ));
        }
        Ok(Json::String(text.into_owned()))
    }
}

#[derive(Clone, Copy)]
struct Seed<'s> {
    state: &'s State<'s>,
    /// Objects and arrays around this value.
    depth: usize,
}

impl<'de> serde::de::DeserializeSeed<'de> for Seed<'_> {
    type Value = Json;

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<Json, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl Seed<'_> {
    fn inner<E: serde::de::Error>(self) -> Result<Self, E> {
        if self.depth >= DEPTH_MAX {
            return Err(self.state.refuse(
                "json",
                &format!(
                    "The text is nested too deep. Send at most {DEPTH_MAX} levels of objects and arrays."
                ),
            ));
        }
        Ok(Self { depth: self.depth + 1, ..self })
    }
}

impl<'de> serde::de::Visitor<'de> for Seed<'_> {
    type Value = Json;

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a JSON value")
    }

    fn visit_unit<E>(self) -> Result<Json, E> {
        Ok(Json::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Json, E> {
        Ok(Json::Bool(value))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Json, E> {
        Ok(Json::Number(value.into()))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Json, E> {
        Ok(Json::Number(value.into()))
    }

    fn visit_f64<E: serde::de::Error>(self, value: f64) -> Result<Json, E> {
        Number::from_f64(value).map(Json::Number).ok_or_else(|| self.state.refuse("json", "Send a number."))
    }

    /// What is borrowed from the text holds no escapes, and so no control characters: the library refuses them bare.
    fn visit_borrowed_str<E: serde::de::Error>(self, value: &'de str) -> Result<Json, E> {
        if value.is_empty() { self.visit_str(value) } else { Ok(Json::String(value.to_owned())) }
    }

    fn visit_str<E: serde::de::Error>(self, value: &str) -> Result<Json, E> {
        self.state.text(Cow::Borrowed(value))
    }

    fn visit_string<E: serde::de::Error>(self, value: String) -> Result<Json, E> {
        self.state.text(Cow::Owned(value))
    }

    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut access: A) -> Result<Json, A::Error> {
        let inner = self.inner()?;
        let mut items = Vec::new();
        loop {
            let at = items.len();
            let item =
                access.next_element_seed(inner).inspect_err(|_| self.state.came_from(Step::Item(at)))?;
            match item {
                Some(_) if at >= ITEMS_MAX => {
                    let text = format!("The array has more than {ITEMS_MAX} items. Send fewer at once.");
                    return Err(self.state.refuse("length", &text));
                }
                Some(item) => items.push(item),
                None if items.is_empty() => {
                    return Err(self.state.refuse("empty", "The array is empty. Omit the property instead."));
                }
                None => return Ok(Json::Array(items)),
            }
        }
    }

    fn visit_map<A: serde::de::MapAccess<'de>>(self, mut access: A) -> Result<Json, A::Error> {
        let mut key = access.next_key_seed(KeySeed)?;
        if matches!(&key, Some(Key::Number)) {
            let digits: String = access.next_value()?;
            let written = if digits.contains('e') { self.state.exponents.borrow_mut().next() } else { None };
            // The library has read it: it is a number that JSON knows.
            let written = written.map_or(digits, str::to_owned);
            return Ok(Json::Number(Number::from_string_unchecked(written)));
        }
        let inner = self.inner()?;
        let mut members = Map::new();
        while let Some(Key::Name(name)) = key {
            let here = |error| {
                self.state.came_from(Step::Name(name.clone()));
                error
            };
            if name.starts_with(PRIVATE_PREFIX) {
                let text = "The name is reserved for the reader. Remove the property.";
                return Err(here(self.state.refuse("json", text)));
            }
            if invariant::get(&members, &name).is_some() {
                let text = "The property is given twice. Send it once.";
                return Err(here(self.state.refuse("duplicate-property", text)));
            }
            let value = access.next_value_seed(inner).map_err(here)?;
            if value.is_null() {
                return Err(here(self.state.refuse("null", "The property is null. Omit it instead.")));
            }
            self.note_kind(&name, &value);
            members.insert(name, value);
            key = access.next_key_seed(KeySeed)?;
        }
        if members.is_empty() {
            return Err(self.state.refuse("empty", "The object is empty. Omit the property instead."));
        }
        Ok(Json::Object(members))
    }
}

impl Seed<'_> {
    /// The type of the whole starts every later path.
    fn note_kind(self, name: &str, value: &Json) {
        if self.depth == 0
            && name == "resourceType"
            && let Some(kind) = value.as_str()
            && kind.len() <= 64
            && kind.bytes().all(|b| b.is_ascii_alphanumeric())
        {
            *self.state.kind.borrow_mut() = Some(kind.to_owned());
        }
    }
}

enum Key {
    Name(String),
    Number,
}

struct KeySeed;

impl<'de> serde::de::DeserializeSeed<'de> for KeySeed {
    type Value = Key;

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<Key, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl<'de> serde::de::Visitor<'de> for KeySeed {
    type Value = Key;

    fn expecting(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("a property name")
    }

    /// The number key comes borrowed from the library; in the text itself it has been refused, and an escaped form of
    /// it arrives through `visit_str`.
    fn visit_borrowed_str<E>(self, name: &'de str) -> Result<Key, E> {
        Ok(if name == NUMBER_KEY { Key::Number } else { Key::Name(name.to_owned()) })
    }

    fn visit_str<E>(self, name: &str) -> Result<Key, E> {
        Ok(Key::Name(name.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn refusal(text: &str) -> Issue {
        parse(text.as_bytes()).unwrap_err()
    }

    #[test]
    fn duplicates_are_refused_with_the_path_of_the_second() {
        let text = "{\"resourceType\":\"Patient\",\n \"name\":[{\"family\":\"A\"},{\"family\":\"B\",\"family\":\"C\"}]}";
        let issue = refusal(text);
        assert_eq!(issue.expression, "Patient.name[1].family");
        assert_eq!(issue.diagnostics.as_deref(), Some("line 2, column 46"));
        assert!(issue.text.contains("twice"));
        assert_eq!(refusal(r#"{"a":1,"a":1}"#).expression, "a");
        // The same name, once escaped.
        assert_eq!(refusal(r#"{"a":1,"\u0061":1}"#).expression, "a");
    }

    // FHIR R4 datatypes, decimal: precision is part of the value, 0.010 is not 0.01.
    #[test]
    fn numbers_keep_their_text() {
        for digits in
            ["1.10", "0.010", "0", "-0", "19", "19.0", "0.700", "123456789012345678901234567890.5", "1e+400"]
        {
            let text = format!("{{\"value\":{digits}}}");
            assert_eq!(serde_json::to_string(&parse(text.as_bytes()).unwrap()).unwrap(), text);
        }
        // Exponents too, beside strings that look like numbers.
        let text = r#"{"a":"1E5 \" 2e3","b":[1E5,1e+05,-0.10e-2,12,1e5],"c":{"2e2":3.0E1,"d":"\\"},"e":1e5}"#;
        assert_eq!(serde_json::to_string(&parse(text.as_bytes()).unwrap()).unwrap(), text);
        for text in
            [r#"{"value":01}"#, r#"{"value":1.}"#, r#"{"value":NaN}"#, r#"{"value":+1}"#, r#"{"value":.5}"#]
        {
            assert!(refusal(text).text.contains("not JSON"), "{text}");
        }
    }

    #[test]
    fn no_object_passes_for_a_number() {
        for text in [
            r#"{"value":{"$serde_json::private::Number":"12"}}"#,
            r#"{"value":{"\u0024serde_json::private::Number":"12"}}"#,
            r#"{"value":{"\u0024serde_json::private::RawValue":"12"}}"#,
        ] {
            assert!(refusal(text).text.contains("reserved"), "{text}");
        }
    }

    #[test]
    fn nesting_is_bounded() {
        let nested = |levels: usize| format!("{{\"a\":{}1{}}}", "[".repeat(levels), "]".repeat(levels));
        assert!(parse(nested(DEPTH_MAX - 1).as_bytes()).is_ok());
        assert!(refusal(&nested(DEPTH_MAX)).text.contains("64 levels"));
        assert!(refusal(&nested(10_000)).text.contains("64 levels"));
        let objects = format!("{}1{}", "{\"a\":".repeat(10_000), "}".repeat(10_000));
        assert!(refusal(&objects).text.contains("64 levels"));
    }

    #[test]
    fn nothing_is_empty_and_null_stands_only_in_arrays() {
        assert!(refusal(r#"{"a":""}"#).text.contains("empty"));
        assert!(refusal(r#"{"a":[]}"#).text.contains("empty"));
        assert!(refusal(r#"{"a":[{}]}"#).text.contains("empty"));
        assert_eq!(refusal(r#"{"a":[{}]}"#).expression, "a[0]");
        assert!(refusal(r#"{"a":null}"#).text.contains("null"));
        assert!(refusal("{}").text.contains("empty"));
        assert!(parse(br#"{"given":[null,"x"],"_given":[{"id":"a"},null]}"#).is_ok());
        assert!(refusal("{\"a\":\"\\u0000\"}").text.contains("control"));
        assert!(parse(b"{\"a\":\"x\\ty\\r\\n\"}").is_ok());
    }

    #[test]
    fn only_one_utf8_object() {
        assert!(refusal("[1]").text.contains("one JSON object"));
        assert!(refusal("{\"a\":1} {\"b\":2}").text.contains("trailing"));
        assert!(refusal("").text.contains("EOF"));
        let issue = parse(b"{\n\"a\":\"\xff\"}").unwrap_err();
        assert_eq!(issue.diagnostics.as_deref(), Some("line 2, column 6"));
        assert!(refusal(r#"{"a":"\ud800"}"#).text.contains("not JSON"));
    }

    proptest! {
        #[test]
        fn never_panics(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = parse(&bytes);
        }

        #[test]
        fn never_panics_on_things_like_json(text in r#"[{}\[\]":, a-c0-9.eE\\ux$-]{0,80}"#) {
            let _ = parse(text.as_bytes());
        }

        // What was read is written as text that reads the same.
        #[test]
        fn reading_is_stable(text in r#"\{"a":(\[("x"|1\.[0-9]{1,3}|null|true)(,("y"|-?[1-9][0-9]{0,30}))?\]|"[^"\\\x00-\x1f]{1,9}")\}"#) {
            if let Ok(value) = parse(text.as_bytes()) {
                let again = serde_json::to_vec(&value).unwrap();
                prop_assert_eq!(parse(&again).unwrap(), value);
            }
        }
    }
}
