//! The clock of a world: it goes where it is put, and tells the day where the clinic is.

use endplate_followup::ports::Clock;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use std::sync::Mutex;

/// Clinics, each with the day on which its world begins. The rules are those of the IANA time zone database, which says what is
/// odd about each: `europe`, `northamerica`, `australasia` (Lord Howe turns by half an hour; Samoa left out 30 December 2011),
/// `southamerica` (in Brazil summer time began at midnight, so that 4 November 2018 had none). Two of them live through
/// 29 February 2028, one through that of 2012.
pub const CLINICS: [(&str, &str); 6] = [
    ("UTC", "2026-03-02"),
    ("Europe/Berlin", "2027-01-18"),
    ("America/New_York", "2026-09-07"),
    ("Australia/Lord_Howe", "2026-06-01"),
    ("Pacific/Apia", "2011-03-01"),
    ("America/Sao_Paulo", "2017-06-05"),
];

/// The clock.
#[derive(Debug)]
pub struct SimClock {
    now: Mutex<Timestamp>,
    zone: TimeZone,
    /// Days by which the date runs ahead of the instant: a fault for the checkers to find.
    ahead_days: i32,
}

impl SimClock {
    /// Stands at eight in the morning of a day where the clinic is.
    pub fn at(zone: &str, day: &str, ahead_days: i32) -> Self {
        let zone = TimeZone::get(zone).expect("a zone of the IANA database");
        let day: Date = day.parse().expect("a date");
        let now = day.at(8, 0, 0, 0).to_zoned_datetime(zone.clone()).expect("an instant").timestamp();
        Self { now: Mutex::new(now), zone, ahead_days }
    }

    /// Goes on, or back.
    pub fn turn(&self, by: SignedDuration) {
        *self.now.lock().unwrap() += by;
    }

    /// The clinic's date at an instant.
    pub fn day_of(&self, at: Timestamp) -> Date {
        self.zone.to_datetime(at).date()
    }

    /// The next instant at which it is `hour` where the clinic is.
    pub fn next(&self, hour: i8) -> Timestamp {
        let now = self.now();
        let day = self.day_of(now);
        let at = |day: Date| day.at(hour, 0, 0, 0).to_zoned_datetime(self.zone.clone()).unwrap().timestamp();
        if at(day) > now { at(day) } else { at(day.tomorrow().unwrap()) }
    }
}

impl Clock for SimClock {
    fn now(&self) -> Timestamp {
        *self.now.lock().unwrap()
    }

    fn today(&self) -> Date {
        self.day_of(self.now()).saturating_add(jiff::Span::new().days(self.ahead_days))
    }
}
