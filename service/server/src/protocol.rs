//! `endplate protocol`: what would change if every plan followed the protocol in force, and the move itself.

use crate::boot::{self, Parts};
use crate::clock::{Stopwatch, SystemClock};
use crate::config::Config;
use crate::fault::Fault;
use crate::telemetry;
use endplate_followup::ports::Clock;
use indicatif::{ProgressBar, ProgressStyle};
use std::fmt::Write;
use std::sync::Arc;

/// Previews or moves the plans of the configured store, and says what changes and how many patients a second were done.
///
/// # Errors
/// The environment is at fault.
pub async fn run(config: &Config, moves: bool) -> Result<String, Fault> {
    telemetry::start(&config.log, config.log_format);
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(config.time_zone.clone()));
    let parts = Parts::of(config, Arc::clone(&clock)).await?;
    let endplate = boot::endplate(config, &boot::base_url(config, config.listen), parts.store, clock);
    // Hidden by itself where standard error is no terminal.
    let progress = ProgressBar::new(0);
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} patients, {per_sec}, {elapsed}") {
        progress.set_style(style);
    }
    let stopwatch = Stopwatch::start();
    let report = endplate
        .move_plans(!moves, &|done, all| {
            progress.set_length(all as u64);
            progress.set_position(done as u64);
        })
        .await;
    progress.finish_and_clear();
    let report = report?;
    let seconds = stopwatch.elapsed().as_secs_f64().max(1e-6);
    let version = &config.protocol.version;
    let mut text = if moves {
        format!("moved to protocol version {version}\n")
    } else {
        format!("preview of protocol version {version}; nothing is stored, --move does it\n")
    };
    let _ = writeln!(text, "patients {}", report.patients);
    for (name, count) in report.moved.counts() {
        let _ = writeln!(text, "{name} {count}");
    }
    let _ = writeln!(text, "{:.0} episodes a second", report.moved.plans as f64 / seconds);
    Ok(text)
}
