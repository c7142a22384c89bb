//! `endplate sweep`: one look at what is due, and delivery of what it raised.

use crate::boot::{self, Parts};
use crate::clock::{FixedClock, SystemClock};
use crate::config::Config;
use crate::fault::Fault;
use crate::telemetry;
use endplate_followup::ports::Clock;
use indicatif::{ProgressBar, ProgressStyle};
use std::sync::Arc;

/// Sweeps the configured store as of now, or of `as_of`, and says what was done.
///
/// # Errors
/// The environment is at fault.
pub async fn run(config: &Config, as_of: Option<&str>) -> Result<String, Fault> {
    telemetry::start(&config.log, config.log_format);
    let clock: Arc<dyn Clock> = match as_of {
        Some(text) => Arc::new(FixedClock::parse(text, &config.time_zone).map_err(Fault::Usage)?),
        None => Arc::new(SystemClock::new(config.time_zone.clone())),
    };
    let parts = Parts::of(config, Arc::clone(&clock)).await?;
    let endplate = boot::endplate(config, &boot::base_url(config, config.listen), parts.store, clock);

    // Hidden by itself where standard error is no terminal.
    let progress = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("{spinner} {pos} patients looked at, {elapsed}") {
        progress.set_style(style);
    }
    let swept = endplate.sweep(&|patients| progress.set_position(patients as u64)).await;
    progress.finish_and_clear();
    let swept = swept?;
    let sent = endplate.deliver(parts.transport.as_ref()).await?;
    let done = format!(
        "patients {}, changed {}, passed over {}, delivered {}, to be tried again {}, dead letters {}, dropped {}\n",
        swept.patients,
        swept.changed,
        swept.passed_over.len(),
        sent.delivered,
        sent.deferred,
        sent.parked,
        sent.dropped
    );
    if swept.passed_over.is_empty() {
        return Ok(done);
    }
    let who: Vec<String> = swept.passed_over.iter().map(|id| format!("Patient/{id}")).collect();
    Err(Fault::Input(format!(
        "nothing could be derived for {} that may be stored: the log says what is wrong, and a corrected record mends it; all else \
         was done: {}",
        who.join(", "),
        done.trim_end()
    )))
}
