//! `endplate audit`: whether the chain of AuditEvents holds.

use crate::boot;
use crate::clock::SystemClock;
use crate::config::Config;
use crate::fault::Fault;
use crate::telemetry;
use endplate_followup::Endplate;
use endplate_followup::ports::Link;
use indicatif::{ProgressBar, ProgressStyle};
use std::sync::Arc;

async fn endplate(config: &Config) -> Result<Endplate, Fault> {
    telemetry::start(&config.log, config.log_format);
    let store = boot::open_store(&config.store).await?;
    let clock = Arc::new(SystemClock::new(config.time_zone.clone()));
    Ok(boot::endplate(config, &boot::base_url(config, config.listen), store, clock))
}

fn told(head: Option<&Link>) -> String {
    head.map_or("the chain is empty".to_owned(), |link| format!("number {}, hash {}", link.number, link.hash))
}

/// The last link of the configured store's chain, to be kept elsewhere.
///
/// # Errors
/// The environment is at fault.
pub async fn head(config: &Config) -> Result<String, Fault> {
    let head = endplate(config).await?.audit_head().await?;
    Ok(format!("{}\n", told(head.as_ref())))
}

/// Walks along the whole chain. `kept` is a hash that was kept and must be in it.
///
/// # Errors
/// The chain breaks: where. Or the environment is at fault.
pub async fn verify(config: &Config, kept: Option<&str>) -> Result<String, Fault> {
    if kept.is_some_and(|hash| hash.len() != 64 || !hash.bytes().all(|byte| byte.is_ascii_hexdigit())) {
        return Err(Fault::Usage(
            "write --head as 64 hexadecimal digits, as endplate audit head prints them".to_owned(),
        ));
    }
    let endplate = endplate(config).await?;
    let all = endplate.audit_head().await?.map_or(0, |link| link.number);
    // Hidden by itself where standard error is no terminal.
    let progress = ProgressBar::new(all);
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len} links, {per_sec}, {elapsed}") {
        progress.set_style(style);
    }
    let walk = endplate.verify_audit(kept, &|links| progress.set_position(links)).await;
    progress.finish_and_clear();
    let walk = walk?;
    match walk.broken {
        None => Ok(format!("the audit trail holds: {}\n", told(walk.head.as_ref()))),
        Some(broken) => Err(Fault::Input(format!(
            "the audit trail is broken: {broken}; what holds before it: {}",
            told(walk.head.as_ref())
        ))),
    }
}
