//! Quantities with their units, and calendar dates.
//!
//! Lengths are millimetres along a nerve, times are days, speeds are millimetres a day. A number that has a unit
//! never travels without it.

use std::fmt;
use std::ops::{Add, Sub};

/// A length along a nerve in millimetres; distal positive.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Mm(pub f64);

/// A span of time in days.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Days(pub f64);

/// A speed of growth in millimetres a day.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct MmPerDay(pub f64);

/// A chance between 0 and 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Probability(pub f64);

impl Add for Mm {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Sub for Mm {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Probability {
    /// The chance in percent, as a person reads it: whole numbers, never "0" or "100" for what is not certain.
    pub fn percent(self) -> String {
        let percent = self.0 * 100.0;
        if percent < 1.0 {
            "under 1 %".to_owned()
        } else if percent > 99.0 {
            "over 99 %".to_owned()
        } else {
            format!("{percent:.0} %")
        }
    }
}

/// A civil calendar date, kept as days since 1970-01-01 so that arithmetic is exact and cheap.
///
/// Valid from year 1 to year 9999; arithmetic saturates at these ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Date(i32);

const EPOCH: jiff::civil::Date = jiff::civil::date(1970, 1, 1);
const FIRST: i32 = -719_162; // 0001-01-01
const LAST: i32 = 2_932_896; // 9999-12-31

impl Date {
    /// The date of a year, month (1 to 12) and day (1 to 31); `None` if there is no such date.
    pub fn new(year: i16, month: i8, day: i8) -> Option<Self> {
        jiff::civil::Date::new(year, month, day).ok().map(Self::from_civil)
    }

    /// From a civil date of the calendar library.
    pub fn from_civil(date: jiff::civil::Date) -> Self {
        Self(date.duration_since(EPOCH).as_hours().div_euclid(24).clamp(i64::from(FIRST), i64::from(LAST))
            as i32)
    }

    /// As a civil date of the calendar library.
    pub fn civil(self) -> jiff::civil::Date {
        EPOCH.saturating_add(jiff::Span::new().days(self.0))
    }

    /// Days since 1970-01-01.
    pub fn number(self) -> i32 {
        self.0
    }

    /// The date `days` later (earlier if negative), saturating at the years 1 and 9999.
    #[must_use]
    pub fn plus(self, days: i32) -> Self {
        Self(self.0.saturating_add(days).clamp(FIRST, LAST))
    }

    /// The date a span later, rounded down to whole days: "not later than".
    #[must_use]
    pub fn plus_floor(self, days: Days) -> Self {
        self.plus(whole(days.0.floor()))
    }

    /// The date a span later, rounded up to whole days: "not earlier than".
    #[must_use]
    pub fn plus_ceil(self, days: Days) -> Self {
        self.plus(whole(days.0.ceil()))
    }

    /// The date a span later, rounded to the nearest day.
    #[must_use]
    pub fn plus_nearest(self, days: Days) -> Self {
        self.plus(whole(days.0.round()))
    }

    /// Whole days from `earlier` to `self`; negative if `self` comes first.
    pub fn days_since(self, earlier: Self) -> i32 {
        self.0 - earlier.0
    }

    /// Day of the week: 0 is Monday, 6 is Sunday.
    pub fn weekday(self) -> u8 {
        // 1970-01-01 was a Thursday.
        (self.0 + 3).rem_euclid(7) as u8
    }
}

/// Days as a calendar step; a span beyond the calendar saturates in [`Date::plus`].
fn whole(days: f64) -> i32 {
    if days.is_nan() { 0 } else { days.clamp(-4e6, 4e6) as i32 }
}

impl fmt::Display for Date {
    /// ISO 8601, `2026-11-25`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.civil().fmt(f)
    }
}

/// A date that is only partly known: every day from `earliest` to `latest` is possible.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DateRange {
    /// The first day it may be. The denervation clock starts here.
    pub earliest: Date,
    /// The last day it may be. The growth clock starts here.
    pub latest: Date,
}

impl DateRange {
    /// A date known to the day.
    pub fn exact(on: Date) -> Self {
        Self { earliest: on, latest: on }
    }

    /// Whether the day is known.
    pub fn is_exact(self) -> bool {
        self.earliest == self.latest
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_agree_with_the_calendar_library() {
        for (y, m, d, weekday) in [(1970, 1, 1, 3), (2024, 2, 29, 3), (2026, 11, 25, 2), (1, 1, 1, 0)] {
            let date = Date::new(y, m, d).unwrap();
            assert_eq!(date.civil(), jiff::civil::date(y, m, d));
            assert_eq!(i64::from(date.weekday()), i64::from(date.civil().weekday().to_monday_zero_offset()));
            assert_eq!(date.weekday(), weekday);
        }
        assert_eq!(Date::new(2023, 2, 29), None);
        assert_eq!(Date::new(9999, 12, 31).unwrap().plus(5), Date::new(9999, 12, 31).unwrap());
        assert_eq!(Date::new(2024, 1, 31).unwrap().plus(30).to_string(), "2024-03-01");
    }
}
