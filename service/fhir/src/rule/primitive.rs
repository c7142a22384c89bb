//! Primitives: what their JSON type and pattern do not say.

use crate::issue::Code;
use crate::{Json, date, xhtml};
use serde_json::Number;

/// R4, datatypes, string: "Strings SHALL NOT exceed 1MB (1024*1024 characters) in size".
const STRING_MAX: usize = 1024 * 1024;

/// What is wrong with a primitive whose JSON type and pattern the schema has checked or will check: the kind of issue,
/// its key, and a sentence.
pub(super) fn problem(kind: &str, value: &Json) -> Option<(Code, &'static str, &'static str)> {
    match (kind, value) {
        ("date" | "dateTime" | "instant", Json::String(text)) => moment(text),
        ("integer" | "positiveInt" | "unsignedInt", Json::Number(number)) => {
            whole_number(kind, number).map(|text| (Code::Value, "integer", text))
        }
        ("base64Binary", Json::String(text)) if !is_base64(text) => Some((
            Code::Value,
            "base64",
            "Send base64: letters, digits, + and /, padded with = to a multiple of four.",
        )),
        ("xhtml", Json::String(div)) => xhtml::problem(div).map(|(key, text)| (Code::Invariant, key, text)),
        ("xhtml", _) => Some((Code::Structure, "json-type", "Send the XHTML div as a string.")),
        ("code", Json::String(text)) if !is_code(text) => Some((
            Code::Value,
            "form",
            "Send a code without spaces at either end, without double spaces and without line ends.",
        )),
        (_, Json::String(text)) if text.len() > STRING_MAX && text.chars().count() > STRING_MAX => {
            Some((Code::TooLong, "length", "Send at most 1048576 characters in one string."))
        }
        _ => None,
    }
}

/// The pattern has been checked: what is left are the calendar, the clock and the zone.
fn moment(text: &str) -> Option<(Code, &'static str, &'static str)> {
    let say = |text| Some((Code::Value, "date", text));
    match date::span(text) {
        Err(date::DateError::Day) => say("The calendar has no such day. Correct the month or the day."),
        Err(date::DateError::Time) => {
            say("The clock has no such time. Send hours 00 to 23, minutes 00 to 59 and seconds 00 to 60.")
        }
        Err(date::DateError::Offset) => {
            say("There is no such zone. Send Z or an offset between -14:00 and +14:00.")
        }
        // What has not the form of a date is told by the schema.
        Err(date::DateError::Form) | Ok(_) => None,
    }
}

/// R4, datatypes: integers are 32-bit, written without point or exponent.
fn whole_number(kind: &str, number: &Number) -> Option<&'static str> {
    let (least, text) = match kind {
        "positiveInt" => (1, "Send a whole number from 1 to 2147483647, without point or exponent."),
        "unsignedInt" => (0, "Send a whole number from 0 to 2147483647, without point or exponent."),
        _ => (i32::MIN, "Send a whole number of 32 bits, without point or exponent."),
    };
    let good = number.as_str().parse::<i32>().is_ok_and(|whole| whole >= least) && number.as_str() != "-0";
    (!good).then_some(text)
}

/// R4, datatypes, code: `[^\s]+(\s[^\s]+)*`, and no white space but spaces.
fn is_code(text: &str) -> bool {
    text.split(' ').all(|word| !word.is_empty() && !word.contains(char::is_whitespace))
}

fn is_base64(text: &str) -> bool {
    let bytes = || text.bytes().filter(|b| !b.is_ascii_whitespace());
    let length = bytes().count();
    let padding = text.bytes().rev().filter(|b| !b.is_ascii_whitespace()).take_while(|b| *b == b'=').count();
    length > padding
        && length.is_multiple_of(4)
        && padding <= 2
        && bytes().take(length - padding).all(|b| b.is_ascii_alphanumeric() || matches!(b, b'+' | b'/'))
}
