//! The only place that reads the system's clocks.

use endplate_followup::ports::Clock;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use std::time::{Duration, Instant};

/// The machine's clock, with the civil date of the clinic's time zone.
#[derive(Clone, Debug)]
pub struct SystemClock {
    zone: TimeZone,
    started: Stopwatch,
}

impl SystemClock {
    /// The clock of a clinic in `zone`.
    pub fn new(zone: TimeZone) -> Self {
        Self { zone, started: Stopwatch::start() }
    }
}

impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn today(&self) -> Date {
        self.zone.to_datetime(Timestamp::now()).date()
    }

    fn since_start(&self) -> Duration {
        self.started.elapsed()
    }
}

/// A clock that stands still: for `--as-of`, and for tests.
#[derive(Clone, Debug)]
pub struct FixedClock {
    now: Timestamp,
    today: Date,
}

impl FixedClock {
    /// Stands at `now`, in `zone`.
    pub fn at(now: Timestamp, zone: &TimeZone) -> Self {
        Self { now, today: zone.to_datetime(now).date() }
    }

    /// Stands at the moment at which it is asked for, in `zone`.
    pub fn stopped(zone: &TimeZone) -> Self {
        Self::at(Timestamp::now(), zone)
    }

    /// Reads `--as-of`: a date (then its first moment in `zone`) or an instant.
    ///
    /// # Errors
    /// What was sent is neither; the text says what to write.
    pub fn parse(text: &str, zone: &TimeZone) -> Result<Self, String> {
        if let Ok(now) = text.parse::<Timestamp>() {
            return Ok(Self::at(now, zone));
        }
        let wrong =
            || "write --as-of as a date, 2026-03-01, or as an instant, 2026-03-01T08:00:00Z".to_owned();
        // A date-time without a zone would be read as its date; it is refused instead.
        if text.contains(['T', 't', ' ']) {
            return Err(wrong());
        }
        let today: Date = text.parse().map_err(|_| wrong())?;
        let start = today.to_zoned_datetime(zone.clone()).map_err(|_| wrong())?;
        Ok(Self { now: start.timestamp(), today })
    }
}

impl Clock for FixedClock {
    fn now(&self) -> Timestamp {
        self.now
    }

    fn today(&self) -> Date {
        self.today
    }
}

/// A clock that is turned by hand: for the demonstration and for rehearsals.
#[derive(Debug)]
pub struct TurnedClock {
    now: std::sync::Mutex<Timestamp>,
}

impl TurnedClock {
    /// Stands at `now`, UTC.
    pub fn at(now: Timestamp) -> Self {
        Self { now: std::sync::Mutex::new(now) }
    }

    /// Turns it to `now`.
    pub fn turn_to(&self, now: Timestamp) {
        *self.now.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = now;
    }
}

impl Clock for TurnedClock {
    fn now(&self) -> Timestamp {
        *self.now.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn today(&self) -> Date {
        TimeZone::UTC.to_datetime(self.now()).date()
    }
}

/// Measures how long something takes; it does not follow changes of the wall clock.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stopwatch(Instant);

impl Stopwatch {
    pub(crate) fn start() -> Self {
        Self(Instant::now())
    }

    pub(crate) fn elapsed(self) -> Duration {
        self.0.elapsed()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // IANA tzdb: Pacific/Auckland is at UTC+13 in January (NZDT), so its day begins at 11:00 UTC the day before.
    #[test]
    fn as_of_is_a_date_or_an_instant_where_the_clinic_is() {
        let zone = TimeZone::get("Pacific/Auckland").expect("bundled");
        let date = FixedClock::parse("2026-01-10", &zone).expect("a date");
        assert_eq!(date.now().to_string(), "2026-01-09T11:00:00Z");
        assert_eq!(date.today().to_string(), "2026-01-10");
        let instant = FixedClock::parse("2026-01-09T12:00:00Z", &zone).expect("an instant");
        assert_eq!(instant.today().to_string(), "2026-01-10");
        let offset =
            FixedClock::parse("2026-01-09T12:00:00-05:00", &zone).expect("an instant with an offset");
        assert_eq!(offset.now().to_string(), "2026-01-09T17:00:00Z");
    }

    #[test]
    fn anything_else_is_refused() {
        for text in ["", "tomorrow", "2026-02-30", "2026-01-09T12:00:00", "2026-01-09 12:00"] {
            assert!(FixedClock::parse(text, &TimeZone::UTC).is_err(), "{text}");
        }
    }
}
