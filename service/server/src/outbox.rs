//! `endplate outbox` and `endplate replay`: how receivers stand, what they did not take, and what they are told again.

use crate::boot::{self, Parts};
use crate::clock::SystemClock;
use crate::config::Config;
use crate::fault::Fault;
use crate::telemetry;
use endplate_followup::outbox::Breaker;
use endplate_followup::ports::{Clock, Receiver, Replay, Store};
use endplate_followup::{Endplate, Refusal, outbox};
use jiff::Timestamp;
use std::fmt::Write;
use std::sync::Arc;

/// Receivers that are read at once.
const PAGE: usize = 500;

/// Dead letters that are listed for each receiver, the latest first.
const LISTED: usize = 1_000;

/// One line a receiver: what waits, since when, how it stands.
///
/// # Errors
/// The environment is at fault.
pub async fn list(config: &Config) -> Result<String, Fault> {
    let (endplate, _, now) = open(config).await?;
    let mut rows = vec![
        ["receiver", "waiting", "oldest", "breaker", "failures", "next attempt", "dead", "last"]
            .map(str::to_owned),
    ];
    rows.extend(receivers(&endplate).await?.iter().map(|receiver| row(receiver, now)));
    Ok(table(&rows))
}

/// One line a dead letter: its event, when it was tried last, the version that it is about, and why. Reasons of a hospital record
/// server are in its own words.
///
/// # Errors
/// The environment is at fault.
pub async fn dead(config: &Config) -> Result<String, Fault> {
    let (endplate, store, _) = open(config).await?;
    let mut text = String::new();
    for receiver in receivers(&endplate).await?.iter().filter(|receiver| receiver.dead > 0) {
        let letters = store.dead_letters(&receiver.key, LISTED).await.map_err(Refusal::from)?;
        for one in &letters {
            let (key, number, at) = (&receiver.key, one.number, to_seconds(one.at));
            let about = format!("{}/{}/_history/{}", one.kind, one.id, one.version);
            let _ = writeln!(text, "{key}/{number}  {at}  {about}  {}", one.reason);
        }
        let more = receiver.dead.saturating_sub(letters.len() as u64);
        if more > 0 {
            let _ = writeln!(text, "{}: and {more} before these", receiver.key);
        }
    }
    if text.is_empty() {
        text.push_str("there are no dead letters\n");
    }
    Ok(text)
}

/// All of them, in order of their keys.
async fn receivers(endplate: &Endplate) -> Result<Vec<Receiver>, Refusal> {
    let mut all: Vec<Receiver> = Vec::new();
    loop {
        let page = endplate.receivers(all.last().map(|last| last.key.as_str()), PAGE).await?;
        let is_last = page.len() < PAGE;
        all.extend(page);
        if is_last {
            return Ok(all);
        }
    }
}

fn row(receiver: &Receiver, now: Timestamp) -> [String; 8] {
    let instant = |at: Option<Timestamp>| at.map_or_else(|| "-".to_owned(), to_seconds);
    let breaker = match outbox::breaker(receiver, now) {
        Breaker::Closed => "closed",
        Breaker::Open => "open",
        Breaker::HalfOpen => "half-open",
    };
    let last = receiver.last.as_ref().map_or_else(
        || "-".to_owned(),
        |(at, outcome, reason)| {
            let reason = reason.as_ref().map_or(String::new(), |reason| format!(": {reason}"));
            format!("{} {outcome}{reason}", to_seconds(*at))
        },
    );
    [
        receiver.key.clone(),
        receiver.waiting.to_string(),
        instant(receiver.oldest_at),
        breaker.to_owned(),
        receiver.failures.to_string(),
        instant(receiver.next_at.filter(|_| receiver.waiting > 0)),
        receiver.dead.to_string(),
        last,
    ]
}

fn to_seconds(at: Timestamp) -> String {
    at.strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// Columns as wide as what is in them; the last one ends where its text does.
fn table(rows: &[[String; 8]]) -> String {
    let width = |column: usize| rows.iter().map(|row| row[column].chars().count()).max().unwrap_or_default();
    let widths: Vec<usize> = (0..7).map(width).collect();
    let mut text = String::new();
    for row in rows {
        for (cell, width) in row.iter().zip(&widths) {
            let _ = write!(text, "{cell:width$}  ");
        }
        let _ = writeln!(text, "{}", row[7]);
    }
    text
}

/// Puts events into the queue again, and says how many.
///
/// # Errors
/// `since` is no instant, or the environment is at fault.
pub async fn replay(
    config: &Config,
    receiver: Option<String>,
    since: Option<&str>,
    dead: bool,
) -> Result<String, Fault> {
    let wrong = |_| Fault::Usage("write --since as an instant, 2026-03-01T08:00:00Z".to_owned());
    let since = since.map(str::parse).transpose().map_err(wrong)?;
    let (endplate, ..) = open(config).await?;
    let again = endplate.replay(&Replay { receiver, since, dead }).await?;
    Ok(format!(
        "events to be sent again {again}; a service that runs begins within a minute; where none runs, endplate sweep sends them\n"
    ))
}

async fn open(config: &Config) -> Result<(Endplate, Arc<dyn Store>, Timestamp), Fault> {
    telemetry::start(&config.log, config.log_format);
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(config.time_zone.clone()));
    let now = clock.now();
    let parts = Parts::of(config, Arc::clone(&clock)).await?;
    let base = boot::base_url(config, config.listen);
    Ok((boot::endplate(config, &base, Arc::clone(&parts.store), clock), parts.store, now))
}
