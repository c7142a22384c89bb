//! The forms of R4's primitives: linear scans with exactly the meaning of the regular expressions in R4's JSON Schema.
//!
//! A scan needs no compiled expression, in time or memory. A test holds each scan against its expression.

/// Whether a text has a form.
pub(crate) type Form = fn(&str) -> bool;

/// Each expression as published (R4, fhir.schema.json), with its scan. Those of numbers and booleans are not here: a
/// JSON Schema applies `pattern` to strings alone.
const PUBLISHED: &[(&str, Form)] = &[
    (r"^[ \r\n\t\S]+$", is_text),
    (r"^\S*$", has_no_space),
    (r"^[^\s]+(\s[^\s]+)*$", is_code),
    (r"^[A-Za-z0-9\-\.]{1,64}$", crate::is_id),
    (r"^(\s*([0-9a-zA-Z\+/=]){4}\s*)+$", is_base64),
    (r"^urn:oid:[0-2](\.(0|[1-9][0-9]*))+$", is_oid),
    (r"^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$", is_uuid),
    (
        r"^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)(-(0[1-9]|1[0-2])(-(0[1-9]|[1-2][0-9]|3[0-1]))?)?$",
        |text| date(text.as_bytes()) == Some(&[]),
    ),
    (
        r"^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)(-(0[1-9]|1[0-2])(-(0[1-9]|[1-2][0-9]|3[0-1])(T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00)))?)?)?$",
        |text| date(text.as_bytes()) == Some(&[]) || is_instant(text),
    ),
    (
        r"^([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)-(0[1-9]|1[0-2])-(0[1-9]|[1-2][0-9]|3[0-1])T([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?(Z|(\+|-)((0[0-9]|1[0-3]):[0-5][0-9]|14:00))$",
        is_instant,
    ),
    (r"^([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?$", |text| {
        time(text.as_bytes()) == Some(&[])
    }),
];

/// The scan of a published expression.
pub(crate) fn of(pattern: &str) -> Option<Form> {
    PUBLISHED.iter().find(|(one, _)| *one == pattern).map(|(_, form)| *form)
}

/// White space as ECMA-262 has it, whose expressions a JSON Schema holds: U+FEFF is, U+0085 is not.
fn is_space(c: char) -> bool {
    (c.is_whitespace() && c != '\u{85}') || c == '\u{feff}'
}

fn has_no_space(text: &str) -> bool {
    if text.is_ascii() {
        !text.bytes().any(|b| matches!(b, b'\t'..=b'\r' | b' '))
    } else {
        !text.contains(is_space)
    }
}

fn is_text(text: &str) -> bool {
    let is_other_space = |c| is_space(c) && !matches!(c, ' ' | '\r' | '\n' | '\t');
    !text.is_empty()
        && if text.is_ascii() {
            !text.bytes().any(|b| matches!(b, 0x0b | 0x0c))
        } else {
            !text.contains(is_other_space)
        }
}

fn is_code(text: &str) -> bool {
    has_no_space(text) && !text.is_empty() || text.split(is_space).all(|word| !word.is_empty())
}

/// Groups of four, with white space only between them.
fn is_base64(text: &str) -> bool {
    let mut length = 0_usize;
    let mut run = 0_usize;
    for c in text.chars() {
        if c.is_ascii_alphanumeric() || matches!(c, '+' | '/' | '=') {
            run += 1;
        } else if is_space(c) && run.is_multiple_of(4) {
            length += run;
            run = 0;
        } else {
            return false;
        }
    }
    run.is_multiple_of(4) && length + run > 0
}

fn is_oid(text: &str) -> bool {
    let Some(rest) = text.strip_prefix("urn:oid:") else { return false };
    let mut arcs = rest.split('.');
    let is_number = |arc: &str| {
        !arc.is_empty()
            && arc.bytes().all(|b| b.is_ascii_digit())
            && (arc.len() == 1 || !arc.starts_with('0'))
    };
    arcs.next().is_some_and(|first| matches!(first, "0" | "1" | "2"))
        && rest.contains('.')
        && arcs.all(is_number)
}

fn is_uuid(text: &str) -> bool {
    let Some(rest) = text.strip_prefix("urn:uuid:") else { return false };
    rest.len() == 36
        && rest.bytes().enumerate().all(|(at, b)| match at {
            8 | 13 | 18 | 23 => b == b'-',
            _ => matches!(b, b'0'..=b'9' | b'a'..=b'f'),
        })
}

/// What follows two digits from `least` to `most`.
fn two(text: &[u8], least: u8, most: u8) -> Option<&[u8]> {
    let (&[a @ b'0'..=b'9', b @ b'0'..=b'9'], rest) = text.split_first_chunk()? else { return None };
    let number = (a - b'0') * 10 + (b - b'0');
    (least..=most).contains(&number).then_some(rest)
}

/// What follows a year other than 0000.
fn year(text: &[u8]) -> Option<&[u8]> {
    let (digits, rest) = text.split_first_chunk::<4>()?;
    (digits.iter().all(u8::is_ascii_digit) && digits != b"0000").then_some(rest)
}

/// What follows a year, a month or a day.
fn date(text: &[u8]) -> Option<&[u8]> {
    let rest = year(text)?;
    let Some(rest) = rest.strip_prefix(b"-") else { return Some(rest) };
    let rest = two(rest, 1, 12)?;
    let Some(rest) = rest.strip_prefix(b"-") else { return Some(rest) };
    two(rest, 1, 31)
}

/// What follows `hh:mm:ss` and perhaps a fraction.
fn time(text: &[u8]) -> Option<&[u8]> {
    let rest = two(text, 0, 23)?.strip_prefix(b":")?;
    let rest = two(rest, 0, 59)?.strip_prefix(b":")?;
    let rest = two(rest, 0, 60)?;
    let Some(fraction) = rest.strip_prefix(b".") else { return Some(rest) };
    let digits = fraction.iter().take_while(|b| b.is_ascii_digit()).count();
    if digits == 0 { None } else { fraction.get(digits..) }
}

fn is_instant(text: &str) -> bool {
    let day = || two(two(year(text.as_bytes())?.strip_prefix(b"-")?, 1, 12)?.strip_prefix(b"-")?, 1, 31);
    let clock = || time(day()?.strip_prefix(b"T")?);
    match clock() {
        Some([b'Z']) => true,
        Some([b'+' | b'-', zone @ ..]) => {
            let minutes = || two(two(zone, 0, 13)?.strip_prefix(b":")?, 0, 59);
            zone == b"14:00" || minutes() == Some(&[])
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use jsonschema::PatternOptions;
    use proptest::prelude::*;

    /// Texts that have each form, for changes that are nearly good; and R4's rarer white space.
    const NEAR: &[&str] = &[
        "a b",
        "final",
        "urn:oid:1.2.840.0.10",
        "urn:uuid:c757873d-ec9a-4326-a141-556f43239520",
        "http://x.example/a",
        "2024-02-29",
        "0001-12",
        "9000",
        "2015-02-07T13:28:17.239+02:00",
        "2016-12-31T23:59:60Z",
        "2016-01-01T00:00:00-14:00",
        "13:28:17.5",
        "QUJD\nREVG= ==",
        "a.B-9",
        "\u{85}",
        "\u{feff}",
        "x\u{a0}y\u{2028}",
        "\u{b}",
        "",
    ];

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(20_000))]

        // The published expressions, as the schema's own library reads them (ECMA-262).
        #[test]
        fn scans_mean_what_the_expressions_mean(
            near in proptest::sample::select(NEAR),
            at in 0..64_usize,
            cut in 0..3_usize,
            put in "(|[0-9]{1,2}|[-+.:TZ =/a-fgA]|\\PC|[ \t\r\n\u{b}\u{c}\u{85}\u{a0}\u{1680}\u{2003}\u{2028}\u{202f}\u{205f}\u{3000}\u{feff}\u{200b}])",
        ) {
            thread_local! {
                static EXPRESSIONS: Vec<jsonschema::Validator> = PUBLISHED
                    .iter()
                    .map(|(pattern, _)| {
                        let schema = serde_json::json!({ "pattern": pattern });
                        jsonschema::options().with_pattern_options(PatternOptions::regex()).build(&schema).unwrap()
                    })
                    .collect();
            }
            let mut text: Vec<char> = near.chars().collect();
            let at = at.min(text.len());
            text.splice(at..(at + cut).min(near.chars().count()), put.chars());
            for text in [text.into_iter().collect::<String>(), put] {
                EXPRESSIONS.with(|expressions| {
                    for ((pattern, form), expression) in PUBLISHED.iter().zip(expressions) {
                        let told = expression.is_valid(&serde_json::Value::from(text.as_str()));
                        prop_assert_eq!(form(&text), told, "{:?} {}", text, pattern);
                    }
                    Ok(())
                })?;
            }
        }
    }

    #[test]
    fn each_form_is_had_and_missed() {
        for (pattern, form) in PUBLISHED {
            assert!(NEAR.iter().any(|text| form(text)) && NEAR.iter().any(|text| !form(text)), "{pattern}");
        }
    }
}
