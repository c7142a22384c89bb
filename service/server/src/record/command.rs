//! `endplate record`: how the record servers stand, for the engineer.

use crate::boot::{self, Parts};
use crate::clock::SystemClock;
use crate::config::Config;
use crate::fault::Fault;
use crate::telemetry;
use endplate_followup::Endplate;
use endplate_followup::Refusal;
use endplate_followup::ports::{Clock, Store};
use std::fmt::Write;
use std::sync::Arc;

/// How many records that were put aside are listed for each server.
const LISTED: usize = 50;

/// What is to be done before the listing.
#[derive(Clone, Debug, Default)]
pub struct Orders {
    /// Have everything that was derived written to this record server, as after it was configured.
    pub send: Option<String>,
    /// Read this record server now.
    pub read: Option<String>,
}

/// Does what is asked, and lists how far each record server was read, what it refused and what of it was put aside. It shows ids
/// and reasons, which may be in the server's own words: no contents of ours, no secrets.
///
/// # Errors
/// No record server has the name; the environment is at fault.
pub async fn run(config: &Config, orders: &Orders) -> Result<String, Fault> {
    telemetry::start(&config.log, config.log_format);
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(config.time_zone.clone()));
    let parts = Parts::of(config, Arc::clone(&clock)).await?;
    let base = boot::base_url(config, config.listen);
    let endplate = boot::endplate(config, &base, Arc::clone(&parts.store), clock);
    let mut text = String::new();
    if let Some(name) = &orders.send {
        let count = endplate.forward_all(name).await?;
        let sent = endplate.deliver(parts.transport.as_ref()).await?;
        let _ = writeln!(
            text,
            "{name}: {count} resources to be written; delivered {}, to be tried again {}",
            sent.delivered, sent.deferred
        );
    }
    if let Some(name) = &orders.read {
        let read = endplate.poll(name, parts.transport.as_ref()).await?;
        let _ = writeln!(
            text,
            "{name}: taken in {}, known already {}, our own {}, put aside {}",
            read.taken, read.known, read.ours, read.refused
        );
    }
    text.push_str(&listing(&endplate, parts.store.as_ref()).await?);
    Ok(text)
}

async fn listing(endplate: &Endplate, store: &dyn Store) -> Result<String, Refusal> {
    let mut text = String::new();
    if endplate.records().is_empty() {
        text.push_str("no record server is configured; add one as [[record]] to the configuration file\n");
    }
    for record in endplate.records() {
        let _ = writeln!(text, "{}  {}", record.name, record.base);
        let bookmarks = store.bookmarks(&record.name).await?;
        for kind in &record.reads {
            let bookmark = bookmarks.iter().find(|bookmark| bookmark.kind == *kind);
            let _ = match bookmark {
                None => writeln!(text, "  {kind}: not read yet"),
                Some(bookmark) => {
                    let until = bookmark.until.map_or("nothing there".to_owned(), |until| until.to_string());
                    let problem = bookmark.problem.as_ref().map_or(String::new(), |why| format!(" ({why})"));
                    writeln!(text, "  {kind}: read at {}, changes up to {until}{problem}", bookmark.read_at)
                }
            };
        }
        let letters = store.dead_letters(&record.receiver(), LISTED).await?;
        for one in &letters {
            let _ = writeln!(
                text,
                "  refused {}: {}/{}/_history/{}: {}",
                one.at, one.kind, one.id, one.version, one.reason
            );
        }
        if letters.len() == LISTED {
            text.push_str("  there may be more: endplate outbox --dead\n");
        }
        for one in store.unread(&record.name, LISTED).await? {
            let version = one.their_version.map_or(String::new(), |version| format!("/_history/{version}"));
            let _ = writeln!(
                text,
                "  put aside {}: {}/{}{version}: {}",
                one.at, one.kind, one.their_id, one.reason
            );
        }
    }
    Ok(text)
}
