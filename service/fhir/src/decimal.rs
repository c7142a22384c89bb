//! Decimals compared by their text, exactly: R4 decimals have more digits than a float keeps.

use std::cmp::Ordering;

/// Compares two JSON numbers by value: `1.0`, `1` and `10e-1` are equal.
///
/// ```
/// use std::cmp::Ordering;
/// assert_eq!(endplate_fhir::decimal::compare("0.10", "1e-1"), Ordering::Equal);
/// assert_eq!(endplate_fhir::decimal::compare("-3", "2.999999999999999999999"), Ordering::Less);
/// ```
pub fn compare(a: &str, b: &str) -> Ordering {
    let (a, b) = (Parts::of(a), Parts::of(b));
    match (a.sign(), b.sign()) {
        (one, other) if one != other => one.cmp(&other),
        (-1, _) => b.magnitude(&a),
        _ => a.magnitude(&b),
    }
}

/// `-12.50e3`: negative, digits 12 and 50, exponent 3.
struct Parts<'a> {
    negative: bool,
    whole: &'a str,
    fraction: &'a str,
    exponent: i64,
}

impl<'a> Parts<'a> {
    fn of(text: &'a str) -> Self {
        let (negative, text) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest));
        let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
        let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
        // An exponent beyond 64 bits is as good as the largest.
        let limit = if exponent.starts_with('-') { i64::MIN / 4 } else { i64::MAX / 4 };
        let exponent = exponent.parse().unwrap_or(limit).clamp(i64::MIN / 4, i64::MAX / 4);
        Self { negative, whole, fraction, exponent }
    }

    fn digits(&self) -> impl Iterator<Item = u8> + '_ {
        self.whole.bytes().chain(self.fraction.bytes()).skip_while(|b| *b == b'0')
    }

    fn sign(&self) -> i8 {
        if self.digits().next().is_none() { 0 } else { 1 - 2 * i8::from(self.negative) }
    }

    /// The place of the first digit that is not zero; of numbers that are not zero.
    fn order(&self) -> i64 {
        let zeros = self.whole.bytes().chain(self.fraction.bytes()).take_while(|b| *b == b'0').count();
        let count = |digits: usize| i64::try_from(digits).unwrap_or(i64::MAX / 4);
        self.exponent + count(self.whole.len()) - count(zeros)
    }

    fn magnitude(&self, other: &Self) -> Ordering {
        if self.sign() == 0 {
            return Ordering::Equal;
        }
        self.order().cmp(&other.order()).then_with(|| {
            let (mut a, mut b) = (self.digits(), other.digits());
            loop {
                match (a.next(), b.next()) {
                    (None, None) => return Ordering::Equal,
                    (one, other) => match one.unwrap_or(b'0').cmp(&other.unwrap_or(b'0')) {
                        Ordering::Equal => {}
                        unequal => return unequal,
                    },
                }
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn beyond_what_a_float_keeps() {
        for (less, more) in [
            ("0.1", "0.10000000000000000000001"),
            ("9007199254740992", "9007199254740993"),
            ("-1e400", "-9e399"),
            ("1e-400", "2e-400"),
            ("-0.5", "0"),
            ("99", "1e2"),
            ("1", "1e99999999999999999999"),
        ] {
            assert_eq!(compare(less, more), Ordering::Less, "{less} {more}");
            assert_eq!(compare(more, less), Ordering::Greater, "{less} {more}");
        }
        for (a, b) in [("0", "-0.00"), ("1", "1.0"), ("100", "1e2"), ("1e+2", "1E2"), ("0.010", "1e-2")] {
            assert_eq!(compare(a, b), Ordering::Equal, "{a} {b}");
        }
    }

    proptest! {
        // Integers of 64 bits compare as integers do.
        #[test]
        fn as_integers(a in any::<i64>(), b in any::<i64>()) {
            prop_assert_eq!(compare(&a.to_string(), &b.to_string()), a.cmp(&b));
        }
    }
}
