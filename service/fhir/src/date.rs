//! FHIR dates of any precision as closed intervals.
//!
//! Source: FHIR R4, Data Types, `date`, `dateTime` and `instant`: a year alone means any day of that year, a year and
//! a month any day of that month. Nothing here turns `2024-05` into the first of May.

use jiff::civil::Date;

/// The civil days that a date may mean, both ends included, in the offset as written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DateSpan {
    /// The first day it may mean.
    pub earliest: Date,
    /// The last day it may mean.
    pub latest: Date,
}

impl DateSpan {
    /// Whether it means one day.
    pub fn is_exact(&self) -> bool {
        self.earliest == self.latest
    }
}

/// Why a text is no FHIR date. The messages say what to send and never repeat what was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DateError {
    /// The text has not the form of a date.
    #[error(
        "this is not a FHIR date; write YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with a zone such as Z or +02:00"
    )]
    Form,
    /// The form is right, but the calendar has no such day.
    #[error("the calendar has no such day; correct the month or the day")]
    Day,
    /// The form is right, but the clock has no such time.
    #[error("the clock has no such time; write hours 00 to 23, minutes 00 to 59, seconds 00 to 59")]
    Time,
    /// The offset is not one that is in use.
    #[error("there is no such zone offset; write Z or an offset between -14:00 and +14:00")]
    Offset,
}

/// Reads a `date`, `dateTime` or `instant` of any precision as the days it may mean, in the offset as written.
///
/// ```
/// let year = endplate_fhir::date::span("2024")?;
/// assert_eq!((year.earliest.to_string(), year.latest.to_string()), ("2024-01-01".into(), "2024-12-31".into()));
/// assert!(endplate_fhir::date::span("2023-02-29").is_err());
/// # Ok::<(), endplate_fhir::date::DateError>(())
/// ```
pub fn span(text: &str) -> Result<DateSpan, DateError> {
    read(text).map(|moment| moment.days)
}

/// Reads a `date`, `dateTime` or `instant` as the first and the last millisecond since the epoch that it may mean.
/// UTC is assumed when no zone is written. Seconds may be left out, as search values do.
pub fn instant_ms(text: &str) -> Result<(i64, i64), DateError> {
    let moment = read(text)?;
    let start = day_ms(moment.days.earliest);
    let Some(clock) = moment.clock else {
        return Ok((start, day_ms(moment.days.latest) + DAY_MS - 1));
    };
    let first = start + clock.first_ms - clock.offset_ms;
    Ok((first, first + clock.width_ms - 1))
}

const DAY_MS: i64 = 86_400_000;
const MINUTE_MS: i64 = 60_000;

struct Moment {
    days: DateSpan,
    clock: Option<Clock>,
}

#[allow(clippy::struct_field_names, reason = "units belong in names")]
struct Clock {
    /// Milliseconds since midnight.
    first_ms: i64,
    /// How long the written precision lasts: a minute, a second, or less.
    width_ms: i64,
    offset_ms: i64,
}

fn read(text: &str) -> Result<Moment, DateError> {
    match text.split_once('T') {
        None => Ok(Moment { days: days(text)?, clock: None }),
        Some((date, rest)) => {
            let days = days(date)?;
            if !days.is_exact() {
                return Err(DateError::Form);
            }
            Ok(Moment { days, clock: Some(clock(rest)?) })
        }
    }
}

fn days(text: &str) -> Result<DateSpan, DateError> {
    let mut parts = text.split('-');
    let year = i16::try_from(digits(parts.next(), 4)?).map_err(|_| DateError::Form)?;
    if year == 0 {
        return Err(DateError::Form);
    }
    let month = parts.next().map(|part| digits(Some(part), 2)).transpose()?;
    let day = parts.next().map(|part| digits(Some(part), 2)).transpose()?;
    if parts.next().is_some() {
        return Err(DateError::Form);
    }
    let civil = |month: u32, day: u32| {
        let month = i8::try_from(month).map_err(|_| DateError::Day)?;
        let day = i8::try_from(day).map_err(|_| DateError::Day)?;
        Date::new(year, month, day).map_err(|_| DateError::Day)
    };
    let (earliest, latest) = match (month, day) {
        (Some(month), Some(day)) => (civil(month, day)?, civil(month, day)?),
        (Some(month), None) => {
            let first = civil(month, 1)?;
            (first, first.last_of_month())
        }
        _ => (civil(1, 1)?, civil(12, 31)?),
    };
    Ok(DateSpan { earliest, latest })
}

fn clock(text: &str) -> Result<Clock, DateError> {
    let zone_at = text.find(['Z', '+', '-']).unwrap_or(text.len());
    let (time, zone) = text.split_at(zone_at);
    let mut parts = time.split(':');
    let hour = digits(parts.next(), 2)?;
    let minute = digits(parts.next(), 2)?;
    let (second_ms, width_ms) = match parts.next() {
        None => (0, MINUTE_MS),
        Some(second) => second_ms(second)?,
    };
    if parts.next().is_some() {
        return Err(DateError::Form);
    }
    if hour > 23 || minute > 59 {
        return Err(DateError::Time);
    }
    let first_ms = (i64::from(hour) * 60 + i64::from(minute)) * MINUTE_MS + second_ms;
    Ok(Clock { first_ms, width_ms, offset_ms: offset_ms(zone)? })
}

/// Seconds with an optional fraction, as milliseconds and the width of the written precision.
fn second_ms(text: &str) -> Result<(i64, i64), DateError> {
    let (whole, fraction) =
        text.split_once('.').map_or((text, None), |(whole, fraction)| (whole, Some(fraction)));
    // R4 admits a leap second; like POSIX time it shares the milliseconds of the second before.
    let second = match digits(Some(whole), 2)? {
        60 => 59,
        second @ 0..=59 => i64::from(second),
        _ => return Err(DateError::Time),
    };
    let Some(fraction) = fraction else { return Ok((second * 1000, 1000)) };
    if fraction.is_empty() || !fraction.bytes().all(|b| b.is_ascii_digit()) {
        return Err(DateError::Form);
    }
    let mut ms = 0;
    let mut width_ms = 1000;
    for digit in fraction.bytes().take(3) {
        width_ms /= 10;
        ms += i64::from(digit - b'0') * width_ms;
    }
    Ok((second * 1000 + ms, width_ms))
}

fn offset_ms(text: &str) -> Result<i64, DateError> {
    let (sign, rest) = match text.split_at_checked(1) {
        None | Some(("Z", "")) => return Ok(0),
        Some(("+", rest)) => (1, rest),
        Some(("-", rest)) => (-1, rest),
        Some(_) => return Err(DateError::Form),
    };
    let (hour, minute) = rest.split_once(':').ok_or(DateError::Form)?;
    let minutes = i64::from(digits(Some(hour), 2)?) * 60 + i64::from(digits(Some(minute), 2)?);
    if minutes > 14 * 60 || digits(Some(minute), 2)? > 59 {
        return Err(DateError::Offset);
    }
    Ok(sign * minutes * MINUTE_MS)
}

fn digits(text: Option<&str>, width: usize) -> Result<u32, DateError> {
    match text {
        Some(text) if text.len() == width && text.bytes().all(|b| b.is_ascii_digit()) => {
            text.parse().map_err(|_| DateError::Form)
        }
        _ => Err(DateError::Form),
    }
}

/// Midnight UTC of a day, in milliseconds since the epoch. Days since the epoch by counting from jiff's calendar.
fn day_ms(day: Date) -> i64 {
    let epoch = jiff::civil::date(1970, 1, 1);
    let days = day.duration_since(epoch).as_secs() / 86_400;
    days * DAY_MS
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days_of(text: &str) -> Result<String, DateError> {
        span(text).map(|span| format!("{}..{}", span.earliest, span.latest))
    }

    // FHIR R4 datatypes page: a partial date is the whole interval; the examples 2018, 1973-06, 1905-08-23,
    // 2015-02-07T13:28:17-05:00 and 2017-01-01T00:00:00.000Z are the page's own.
    #[test]
    fn partial_dates_are_whole_intervals() {
        assert_eq!(days_of("2018").unwrap(), "2018-01-01..2018-12-31");
        assert_eq!(days_of("1973-06").unwrap(), "1973-06-01..1973-06-30");
        assert_eq!(days_of("1905-08-23").unwrap(), "1905-08-23..1905-08-23");
        assert_eq!(days_of("2015-02-07T13:28:17-05:00").unwrap(), "2015-02-07..2015-02-07");
        assert_eq!(days_of("2017-01-01T00:00:00.000Z").unwrap(), "2017-01-01..2017-01-01");
    }

    // Gregorian rule: divisible by 4, not by 100 unless by 400.
    #[test]
    fn leap_years() {
        assert_eq!(days_of("2024-02").unwrap(), "2024-02-01..2024-02-29");
        assert_eq!(days_of("2023-02").unwrap(), "2023-02-01..2023-02-28");
        assert_eq!(days_of("1900-02").unwrap(), "1900-02-01..1900-02-28");
        assert_eq!(days_of("2000-02-29").unwrap(), "2000-02-29..2000-02-29");
        assert_eq!(days_of("1900-02-29"), Err(DateError::Day));
        assert_eq!(days_of("2024-02-30"), Err(DateError::Day));
        assert_eq!(days_of("2024-13"), Err(DateError::Day));
    }

    #[test]
    fn what_is_no_date() {
        for text in [
            "",
            "24",
            "0000",
            "2024-",
            "2024-5",
            "2024-05-01T",
            "2024-05T10:00:00Z",
            "2024-05-01 10:00",
            "٢٠٢٤",
        ] {
            assert_eq!(span(text), Err(DateError::Form), "{text}");
        }
        assert_eq!(span("2024-05-01T24:00:00Z"), Err(DateError::Time));
        assert_eq!(span("2024-05-01T10:60:00Z"), Err(DateError::Time));
        assert_eq!(span("2024-05-01T10:00:61Z"), Err(DateError::Time));
        assert_eq!(span("2024-05-01T10:00:00+14:01"), Err(DateError::Offset));
        assert_eq!(span("2024-05-01T10:00:00.Z"), Err(DateError::Form));
    }

    // Milliseconds since the epoch of the same instants by GNU date: date -u -d ... +%s
    #[test]
    fn instants() {
        assert_eq!(instant_ms("1970"), Ok((0, 31_535_999_999)));
        assert_eq!(instant_ms("2015-02-07T13:28:17-05:00"), Ok((1_423_333_697_000, 1_423_333_697_999)));
        assert_eq!(instant_ms("2015-02-07T13:28:17.239+02:00"), Ok((1_423_308_497_239, 1_423_308_497_239)));
        assert_eq!(instant_ms("2015-02-07T13:28:17.2Z"), Ok((1_423_315_697_200, 1_423_315_697_299)));
        assert_eq!(instant_ms("2024-02-29T23:59Z"), Ok((1_709_251_140_000, 1_709_251_199_999)));
        assert_eq!(instant_ms("2024-02-29T23:59:00"), instant_ms("2024-02-29T23:59:00Z"));
        assert_eq!(instant_ms("1969-12-31"), Ok((-86_400_000, -1)));
        assert_eq!(instant_ms("2016-12-31T23:59:60Z"), instant_ms("2016-12-31T23:59:59Z"));
    }
}
