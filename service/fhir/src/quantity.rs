//! Lengths and times of FHIR Quantities, by their UCUM code alone: `unit` is for people.
//!
//! Source of the factors: The Unified Code for Units of Measure, tables of units: `[in_i]` is 2.54 cm, `[ft_i]` is 12
//! `[in_i]`, `wk` is 7 d, `a` is the mean Julian year of 365.25 d, `mo` a twelfth of it.

use crate::Json;

/// The system that a Quantity must name to be computed with.
pub const UCUM: &str = "http://unitsofmeasure.org";

const LENGTHS_MM: &[(&str, f64)] =
    &[("mm", 1.0), ("cm", 10.0), ("m", 1000.0), ("um", 0.001), ("[in_i]", 25.4), ("[ft_i]", 304.8)];

const TIMES_D: &[(&str, f64)] = &[("d", 1.0), ("wk", 7.0), ("mo", 30.4375), ("a", 365.25), ("h", 1.0 / 24.0)];

/// Why a Quantity cannot be computed with. Each message says what to send and repeats no value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum QuantityError {
    /// It is no object.
    #[error("Send a Quantity with value, system http://unitsofmeasure.org and code.")]
    NotAQuantity,
    /// There is no number, or one too large to compute with.
    #[error("Send a number as the Quantity's value.")]
    Value,
    /// It says less than, more than or about.
    #[error("Send the measured value without a comparator.")]
    Comparator,
    /// The system is absent or not UCUM.
    #[error(
        "Send system http://unitsofmeasure.org with the unit as a UCUM code; the unit's text is not read."
    )]
    System,
    /// The code is absent or no length.
    #[error("Send a UCUM length as code: mm, cm, m, um, [in_i] or [ft_i].")]
    Length,
    /// The code is absent or no time.
    #[error("Send a UCUM time as code: d, wk, mo, a or h.")]
    Time,
}

/// A Quantity of length, in millimetres. Negative lengths are allowed: they point the other way.
pub fn millimetres(q: &Json) -> Result<f64, QuantityError> {
    measured(q, LENGTHS_MM, QuantityError::Length)
}

/// A Quantity of time, in days.
pub fn days(q: &Json) -> Result<f64, QuantityError> {
    measured(q, TIMES_D, QuantityError::Time)
}

fn measured(q: &Json, units: &[(&str, f64)], otherwise: QuantityError) -> Result<f64, QuantityError> {
    let q = q.as_object().ok_or(QuantityError::NotAQuantity)?;
    if q.contains_key("comparator") {
        return Err(QuantityError::Comparator);
    }
    if q.get("system").and_then(Json::as_str) != Some(UCUM) {
        return Err(QuantityError::System);
    }
    let code = q.get("code").and_then(Json::as_str).ok_or(otherwise)?;
    let factor = units.iter().find(|(unit, _)| *unit == code).map(|(_, factor)| factor).ok_or(otherwise)?;
    let value = q.get("value").and_then(Json::as_f64).ok_or(QuantityError::Value)? * factor;
    if value.is_finite() { Ok(value) } else { Err(QuantityError::Value) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quantity(value: &str, code: &str) -> Json {
        serde_json::from_str(&format!(r#"{{"value":{value},"unit":"x","system":"{UCUM}","code":"{code}"}}"#))
            .unwrap()
    }

    // UCUM, "Table of units": cm = 10 mm; inch 2.54 cm; foot 12 in; week 7 d; mean Julian year 365.25 d, month a/12.
    #[test]
    fn units_of_ucum() {
        let close = |a: Result<f64, QuantityError>, b: f64| assert!((a.unwrap() - b).abs() < 1e-9);
        close(millimetres(&quantity("1", "cm")), 10.0);
        close(millimetres(&quantity("1", "[in_i]")), 25.4);
        close(millimetres(&quantity("1", "[ft_i]")), 304.8);
        close(millimetres(&quantity("250", "um")), 0.25);
        close(millimetres(&quantity("0.125", "m")), 125.0);
        close(millimetres(&quantity("-12.50", "mm")), -12.5);
        close(days(&quantity("2", "wk")), 14.0);
        close(days(&quantity("12", "mo")), 365.25);
        close(days(&quantity("1", "a")), 365.25);
        close(days(&quantity("36", "h")), 1.5);
    }

    #[test]
    fn each_refusal() {
        let json = |text: &str| -> Json { serde_json::from_str(text).unwrap() };
        assert_eq!(millimetres(&json("5")), Err(QuantityError::NotAQuantity));
        assert_eq!(millimetres(&json(r#"{"value":5,"unit":"mm"}"#)), Err(QuantityError::System));
        assert_eq!(
            millimetres(&json(
                r#"{"value":5,"comparator":"<","system":"http://unitsofmeasure.org","code":"mm"}"#
            )),
            Err(QuantityError::Comparator)
        );
        assert_eq!(millimetres(&quantity("5", "d")), Err(QuantityError::Length));
        assert_eq!(days(&quantity("5", "mm")), Err(QuantityError::Time));
        assert_eq!(millimetres(&quantity("\"5\"", "mm")), Err(QuantityError::Value));
        assert_eq!(millimetres(&quantity("1e400", "mm")), Err(QuantityError::Value));
    }
}
