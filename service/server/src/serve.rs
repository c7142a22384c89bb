//! `endplate serve`.

use crate::boot::{self, Parts};
use crate::clock::SystemClock;
use crate::config::Config;
use crate::fault::Fault;
use crate::telemetry::Recording;
use std::sync::Arc;
use tokio::signal::unix::{SignalKind, signal};
use tracing::{info, warn};

/// Serves until a signal asks it to stop; a second one ends it at once. A hang-up has the certificates read again.
///
/// # Errors
/// The environment is at fault.
pub async fn run(config: &Config) -> Result<(), Fault> {
    let recording = Recording::start(config).map_err(Fault::Environment)?;
    let signals =
        |kind| signal(kind).map_err(|_| Fault::Environment("signals cannot be caught here".to_owned()));
    let (mut interrupt, mut terminate) =
        (signals(SignalKind::interrupt())?, signals(SignalKind::terminate())?);
    let mut hangup = signals(SignalKind::hangup())?;
    let mut asked_to_stop = async || {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
    };
    let clock = Arc::new(SystemClock::new(config.time_zone.clone()));
    let parts = Parts::of(config, clock).await?;
    boot::check_writable(config, parts.store.as_ref()).await?;
    let server = boot::start(config, parts).await?;
    loop {
        tokio::select! {
            () = asked_to_stop() => break,
            _ = hangup.recv() => match server.renew_certificates() {
                Ok(()) => info!("the certificates were read again"),
                Err(reason) => warn!(reason, "the certificates stay as they were"),
            },
        }
    }
    info!("stopping");
    tokio::select! {
        _ = server.shutdown() => {}
        () = asked_to_stop() => {}
    }
    recording.end().await;
    Ok(())
}
