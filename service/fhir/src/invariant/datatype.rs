//! Invariants of data types.

use super::{Invariant, choice, has, is, object, text, texts};
use crate::quantity::UCUM;
use crate::rule::Members;
use crate::{date, decimal};
use std::cmp::Ordering;

#[rustfmt::skip]
pub(super) const TABLE: &[Invariant] = &[
    Invariant {
        key: "ext-1", on: &["Extension"],
        send: "Send either a value or extensions inside this extension, not both and not neither.",
        holds: |it, _| has(it, "extension") != choice(it, "value"),
    },
    Invariant {
        key: "ref-1", on: &["Reference"],
        send: "Contain the resource that # refers to, with the same id, or refer to another resource.",
        // R4, references: `#` alone is the resource that contains this one.
        holds: |it, scope| text(it, "reference").and_then(|to| to.strip_prefix('#'))
            .is_none_or(|id| id.is_empty() || scope.contained(id).is_some()),
    },
    Invariant {
        key: "qty-3", on: &["Quantity", "Age", "Count", "Distance", "Duration"],
        send: "Send the system of the unit's code, for example http://unitsofmeasure.org.",
        holds: |it, _| !has(it, "code") || has(it, "system"),
    },
    Invariant {
        key: "rng-2", on: &["Range"],
        send: "Send a low that is not above the high.",
        holds: |it, _| ordered(it),
    },
    Invariant {
        key: "per-1", on: &["Period"],
        send: "Send a start that is not after the end.",
        holds: |it, _| not_after(text(it, "start"), text(it, "end")),
    },
    Invariant {
        key: "rat-1", on: &["Ratio"],
        send: "Send numerator and denominator together, or neither of them and an extension.",
        holds: |it, _| has(it, "numerator") == has(it, "denominator")
            && (has(it, "numerator") || has(it, "extension")),
    },
    Invariant {
        key: "age-1", on: &["Age"],
        send: "Send an age with a positive value, a UCUM time as code and http://unitsofmeasure.org as system.",
        holds: |it, _| coded_in_ucum(it) && number(it, "value").is_none_or(|value| decimal::compare(value, "0").is_gt()),
    },
    Invariant {
        key: "drt-1", on: &["Duration"],
        send: "Send a value and http://unitsofmeasure.org as system beside the code of a duration.",
        holds: |it, _| !has(it, "code") || (is(it, "system", UCUM) && has(it, "value")),
    },
    Invariant {
        key: "cnt-3", on: &["Count"],
        send: "Send a whole number, with code 1 and http://unitsofmeasure.org as system.",
        holds: |it, _| coded_in_ucum(it) && (!has(it, "code") || is(it, "code", "1"))
            && number(it, "value").is_none_or(|value| !value.contains('.')),
    },
    Invariant {
        key: "dis-1", on: &["Distance"],
        send: "Send a UCUM length as code and http://unitsofmeasure.org as system beside the value of a distance.",
        holds: |it, _| coded_in_ucum(it),
    },
    Invariant {
        key: "tim-1", on: &["Timing_Repeat"],
        send: "Send durationUnit beside duration.",
        holds: |it, _| !has(it, "duration") || has(it, "durationUnit"),
    },
    Invariant {
        key: "tim-2", on: &["Timing_Repeat"],
        send: "Send periodUnit beside period.",
        holds: |it, _| !has(it, "period") || has(it, "periodUnit"),
    },
    Invariant {
        key: "tim-4", on: &["Timing_Repeat"],
        send: "Send a duration of 0 or more.",
        holds: |it, _| is_not_negative(it, "duration"),
    },
    Invariant {
        key: "tim-5", on: &["Timing_Repeat"],
        send: "Send a period of 0 or more.",
        holds: |it, _| is_not_negative(it, "period"),
    },
    Invariant {
        key: "tim-6", on: &["Timing_Repeat"],
        send: "Send period beside periodMax.",
        holds: |it, _| !has(it, "periodMax") || has(it, "period"),
    },
    Invariant {
        key: "tim-7", on: &["Timing_Repeat"],
        send: "Send duration beside durationMax.",
        holds: |it, _| !has(it, "durationMax") || has(it, "duration"),
    },
    Invariant {
        key: "tim-8", on: &["Timing_Repeat"],
        send: "Send count beside countMax.",
        holds: |it, _| !has(it, "countMax") || has(it, "count"),
    },
    Invariant {
        key: "tim-9", on: &["Timing_Repeat"],
        send: "Send when beside offset, other than C, CM, CD and CV.",
        holds: |it, _| !has(it, "offset")
            || (has(it, "when") && !texts(it, "when").any(|when| matches!(when, "C" | "CM" | "CD" | "CV"))),
    },
    Invariant {
        key: "tim-10", on: &["Timing_Repeat"],
        send: "Send either timeOfDay or when.",
        holds: |it, _| !has(it, "timeOfDay") || !has(it, "when"),
    },
    Invariant {
        key: "cpt-2", on: &["ContactPoint"],
        send: "Send the system of the contact, for example phone or email.",
        holds: |it, _| !has(it, "value") || has(it, "system"),
    },
    Invariant {
        key: "att-1", on: &["Attachment"],
        send: "Send the contentType of the data, for example application/pdf.",
        holds: |it, _| !has(it, "data") || has(it, "contentType"),
    },
    Invariant {
        key: "exp-1", on: &["Expression"],
        send: "Send an expression or a reference to one.",
        holds: |it, _| has(it, "expression") || has(it, "reference"),
    },
    Invariant {
        key: "trd-1", on: &["TriggerDefinition"],
        send: "Send either timing or data.",
        holds: |it, _| !has(it, "data") || !choice(it, "timing"),
    },
    Invariant {
        key: "trd-2", on: &["TriggerDefinition"],
        send: "Send the data that the condition is about.",
        holds: |it, _| !has(it, "condition") || has(it, "data"),
    },
    Invariant {
        key: "trd-3", on: &["TriggerDefinition"],
        send: "Send a name for a named event, a timing for a periodic one, data for one about data.",
        holds: |it, _| match text(it, "type") {
            Some("named-event") => has(it, "name"),
            Some("periodic") => choice(it, "timing"),
            Some(kind) if kind.starts_with("data-") => has(it, "data"),
            _ => true,
        },
    },
    Invariant {
        key: "drq-1", on: &["DataRequirement_CodeFilter"],
        send: "Send either path or searchParam.",
        holds: |it, _| has(it, "path") != has(it, "searchParam"),
    },
    Invariant {
        key: "drq-2", on: &["DataRequirement_DateFilter"],
        send: "Send either path or searchParam.",
        holds: |it, _| has(it, "path") != has(it, "searchParam"),
    },
];

pub(super) fn number<'a>(it: &'a Members, name: &str) -> Option<&'a str> {
    match it.get(name)? {
        serde_json::Value::Number(number) => Some(number.as_str()),
        _ => None,
    }
}

fn is_not_negative(it: &Members, name: &str) -> bool {
    number(it, name).is_none_or(|value| decimal::compare(value, "0").is_ge())
}

/// A value has a code, and a system is UCUM.
fn coded_in_ucum(it: &Members) -> bool {
    (has(it, "code") || !has(it, "value")) && (!has(it, "system") || is(it, "system", UCUM))
}

/// Compared only where the units are the same.
fn ordered(range: &Members) -> bool {
    let (Some(low), Some(high)) = (object(range, "low"), object(range, "high")) else { return true };
    let same = |name: &str| low.get(name) == high.get(name);
    let (Some(a), Some(b)) = (number(low, "value"), number(high, "value")) else { return true };
    !(same("system") && same("code") && same("unit")) || decimal::compare(a, b) != Ordering::Greater
}

/// Whether the first may be before the second or at the same time: with mixed precision only what is sure is refused.
pub(super) fn not_after(first: Option<&str>, second: Option<&str>) -> bool {
    let (Some(first), Some(second)) = (first, second) else { return true };
    if first.contains('T') && second.contains('T') {
        let (Ok(first), Ok(second)) = (date::instant_ms(first), date::instant_ms(second)) else {
            return true;
        };
        return first.0 <= second.1;
    }
    let (Ok(first), Ok(second)) = (date::span(first), date::span(second)) else { return true };
    first.earliest <= second.latest
}
