//! What `serve` does on its own: deliver notifications, and look again at what the clock has made due.

use crate::clock::Stopwatch;
use crate::config::Config;
use crate::http::Phase;
use crate::metrics::Metrics;
use async_trait::async_trait;
use endplate_followup::claim::{CLAIM_S, KEPT_EVERY_S};
use endplate_followup::outbox::pool::Bell;
use endplate_followup::ports::{Clock, Transport};
use endplate_followup::{Endplate, Refusal};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Notify, watch};
use tokio::task::{AbortHandle, JoinSet};
use tracing::{Instrument, debug, error, info, info_span, warn};

/// No pause is longer: a wall clock that was set, or a machine that slept, is noticed within this time.
const PAUSE_MAX: Duration = Duration::from_mins(1);
/// No pause is shorter.
const PAUSE_MIN: Duration = Duration::from_millis(250);
/// The pause after a failure of the store.
const PAUSE_AFTER_FAILURE: Duration = Duration::from_secs(5);
/// After how long the claim of an instance that died is over.
const CLAIM_TIME: Duration = Duration::from_secs(CLAIM_S as u64);

/// The longest time that a record server may ask for.
const POLL_PAUSE_MAX: Duration = Duration::from_hours(1);

/// What the workers are given.
#[derive(Clone)]
pub(crate) struct Post {
    pub endplate: Endplate,
    pub clock: Arc<dyn Clock>,
    /// Told after each write.
    pub outbox: Arc<Notify>,
    pub phase: watch::Receiver<Phase>,
    pub metrics: Arc<Metrics>,
}

impl Post {
    /// Waits until the workers are to stop. A service that was dropped has stopped.
    async fn stopping(&self) {
        let mut phase = self.phase.clone();
        let _ = phase.wait_for(|phase| *phase == Phase::Stopping).await;
    }

    fn is_stopping(&self) -> bool {
        *self.phase.borrow() == Phase::Stopping || self.phase.has_changed().is_err()
    }

    /// Waits for `pause`, for `wake`, or for the end; true if it is the end.
    async fn pause(&self, pause: Duration, wake: impl Future<Output = ()>) -> bool {
        tokio::select! {
            () = self.stopping() => true,
            () = wake => self.is_stopping(),
            () = tokio::time::sleep(pause) => self.is_stopping(),
        }
    }
}

/// Tasks that work on their own, each under a name by which /readyz knows it.
#[derive(Default)]
pub(crate) struct Crew {
    pub tasks: JoinSet<()>,
    pub names: Vec<(String, AbortHandle)>,
}

impl Crew {
    pub(crate) fn take_on(&mut self, name: &str, work: impl Future<Output = ()> + Send + 'static) {
        self.names.push((name.to_owned(), self.tasks.spawn(work)));
    }

    /// Begins to deliver, to read record servers and to sweep.
    pub(crate) fn begin(&mut self, post: &Post, transport: &Arc<dyn Transport>, config: &Config) {
        self.take_on("claims", keep_claims(post.clone()));
        self.take_on("delivery", deliver(post.clone(), Arc::clone(transport)));
        for record in config.records.iter().filter(|one| !one.record.reads.is_empty()) {
            let name = &record.record.name;
            let polling = poll(post.clone(), Arc::clone(transport), name.clone(), record.read_every);
            self.take_on(&format!("record {name}"), polling);
        }
        self.take_on("sweep", sweep(post.clone(), config.sweep_every, config.time_zone.clone()));
    }
}

/// Sends what is due, until the end. Attempts in progress are finished.
async fn deliver(post: Post, transport: Arc<dyn Transport>) {
    // It ends when the service stops, or with a failure of the store, which was logged where it happened.
    while post.endplate.work(&post.endplate.notifications(transport.as_ref()), &post).await.is_err() {
        if post.pause(PAUSE_AFTER_FAILURE, std::future::pending()).await {
            return;
        }
    }
}

#[async_trait]
impl Bell for Post {
    async fn rung(&self, next_at: Option<Timestamp>, _: bool) -> bool {
        // A write that nobody waited for has left its permit: it rings at once.
        let pause = until(self.clock.now(), next_at.unwrap_or(Timestamp::MAX)).clamp(PAUSE_MIN, PAUSE_MAX);
        !self.pause(pause, self.outbox.notified()).await
    }

    fn is_over(&self) -> bool {
        self.is_stopping()
    }
}

/// Keeps what this instance has claimed, until the end.
async fn keep_claims(post: Post) {
    const EVERY: Duration = Duration::from_secs(KEPT_EVERY_S as u64);
    while !post.pause(EVERY, std::future::pending()).await {
        if let Err(refusal) = post.endplate.keep_claims().await {
            // Another instance takes over what is not kept.
            warn!(reason = ?refusal.reason, "claims could not be kept and will be tried again");
        }
    }
}

/// Looks at what is due: at the start, every `every`, and when a day begins in `zone`.
async fn sweep(post: Post, every: Duration, zone: TimeZone) {
    let mut last: Option<Swept> = None;
    loop {
        let (now, today) = (post.clock.now(), post.clock.today());
        let mut pause = pause(last, now, today, every, &zone);
        if pause.is_zero() {
            pause = match swept(&post).await {
                Ok(true) => {
                    last = Some(Swept { at: now, on: today });
                    PAUSE_MIN
                }
                // It may not come to its end: then this one goes on.
                Ok(false) => CLAIM_TIME,
                Err(_) => PAUSE_AFTER_FAILURE,
            };
        }
        if post.pause(pause, std::future::pending()).await {
            return;
        }
    }
}

/// Sweeps; false: another instance does so now.
async fn swept(post: &Post) -> Result<bool, Refusal> {
    let stopwatch = Stopwatch::start();
    let report = post.endplate.sweep_alone().instrument(info_span!("sweep")).await;
    // What another instance does now is not this one's sweep, and no failure.
    if !matches!(report, Ok(None)) {
        let is_whole = matches!(&report, Ok(Some(report)) if report.passed_over.is_empty());
        post.metrics.swept(is_whole, stopwatch, post.clock.now());
    }
    match report {
        Ok(None) => {
            debug!("another instance sweeps");
            // If this one began, what it derived is told.
            post.outbox.notify_one();
            Ok(false)
        }
        Ok(Some(report)) => {
            info!(patient.count = report.patients, changed.count = report.changed, "swept");
            if report.changed > 0 {
                post.outbox.notify_one();
            }
            Ok(true)
        }
        Err(refusal) => {
            error!(reason = ?refusal.reason, "the sweep failed and will be tried again");
            // What it derived until then is told.
            post.outbox.notify_one();
            Err(refusal)
        }
    }
}

/// Reads a record server: at the start and every `every`; later where it asks for more time.
async fn poll(post: Post, transport: Arc<dyn Transport>, record: String, every: Duration) {
    // Whoever reads it goes on doing so; another instance begins when that one has stopped.
    let work = format!("poll/{record}");
    loop {
        let read = match post.endplate.claim(&work).await {
            Ok(true) => post.endplate.poll(&record, transport.as_ref()).await.map(Some),
            Ok(false) => Ok(None),
            Err(refusal) => Err(refusal),
        };
        let pause = match read {
            Ok(None) => every.min(CLAIM_TIME),
            Ok(Some(report)) => {
                if report.taken + report.refused > 0 {
                    let (taken, refused) = (report.taken, report.refused);
                    info!(record, taken.count = taken, refused.count = refused, "a record server was read");
                    post.outbox.notify_one();
                }
                if !report.problems.is_empty() {
                    // The reasons hold the server's own words, which may name a patient.
                    warn!(record, "a record server was not read to its end: endplate record tells why");
                    // Another instance may reach it, unless it has asked for time.
                    if report.retry_after_s.is_none() {
                        post.endplate.give_up_claim(&work).await;
                    }
                }
                every.max(Duration::from_secs(report.retry_after_s.unwrap_or(0)).min(POLL_PAUSE_MAX))
            }
            Err(refusal) => {
                error!(record, reason = ?refusal.reason, "the reading of a record server failed and will be tried again");
                post.endplate.give_up_claim(&work).await;
                every.max(PAUSE_AFTER_FAILURE)
            }
        };
        if post.pause(pause, std::future::pending()).await {
            return;
        }
    }
}

/// When the last sweep was.
#[derive(Clone, Copy)]
struct Swept {
    at: Timestamp,
    on: Date,
}

/// How long to wait before the next look; zero: sweep now. A clock that was set back is as good a reason as a new day.
fn pause(last: Option<Swept>, now: Timestamp, today: Date, every: Duration, zone: &TimeZone) -> Duration {
    let Some(last) = last else { return Duration::ZERO };
    if today != last.on || now < last.at {
        return Duration::ZERO;
    }
    let regular = SignedDuration::try_from(every).ok().and_then(|every| last.at.checked_add(every).ok());
    let regular = until(now, regular.unwrap_or(Timestamp::MAX));
    let midnight = today.tomorrow().ok().and_then(|next| next.to_zoned_datetime(zone.clone()).ok());
    let midnight = midnight.map_or(PAUSE_MAX, |midnight| until(now, midnight.timestamp()).max(PAUSE_MIN));
    regular.min(midnight).min(PAUSE_MAX)
}

fn until(now: Timestamp, then: Timestamp) -> Duration {
    Duration::try_from(then.duration_since(now)).unwrap_or(Duration::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    const EVERY: Duration = Duration::from_mins(15);

    fn at(text: &str) -> Timestamp {
        text.parse().expect("an instant")
    }

    fn pause_s(last: &str, now: &str, zone: &TimeZone) -> u64 {
        let day = |text| zone.to_datetime(at(text)).date();
        let last = Swept { at: at(last), on: day(last) };
        pause(Some(last), at(now), day(now), EVERY, zone).as_secs()
    }

    #[test]
    fn a_sweep_is_due_at_the_start_after_the_interval_on_a_new_day_and_when_the_clock_was_set_back() {
        let utc = TimeZone::UTC;
        assert_eq!(
            pause(None, at("2026-01-05T10:00:00Z"), Date::constant(2026, 1, 5), EVERY, &utc),
            Duration::ZERO
        );
        assert_eq!(pause_s("2026-01-05T10:00:00Z", "2026-01-05T10:15:00Z", &utc), 0);
        assert_eq!(pause_s("2026-01-05T23:59:00Z", "2026-01-06T00:00:00Z", &utc), 0);
        assert_eq!(pause_s("2026-01-05T10:00:00Z", "2026-01-05T09:59:59Z", &utc), 0);
        assert_eq!(pause_s("2026-01-05T10:00:00Z", "2026-01-05T10:14:30Z", &utc), 30);
        assert_eq!(pause_s("2026-01-05T10:00:00Z", "2026-01-05T10:01:00Z", &utc), 60);
    }

    // IANA tzdb: America/Sao_Paulo skipped midnight on 4 November 2018, so that day began at 01:00 = 03:00 UTC.
    #[test]
    fn a_day_begins_where_the_clinic_is() {
        let zone = TimeZone::get("America/Sao_Paulo").expect("bundled");
        assert_eq!(pause_s("2018-11-04T02:59:00Z", "2018-11-04T02:59:50Z", &zone), 10);
        assert_eq!(pause_s("2018-11-04T02:59:00Z", "2018-11-04T03:00:00Z", &zone), 0);
    }
}
