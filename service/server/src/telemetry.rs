//! Logs: to standard error, one event a line.

use crate::config::LogFormat;
use std::io::IsTerminal;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::ParseError;

/// Libraries know addresses and headers, and say so at their lower levels: `log = "debug"` is about this service's own modules.
/// Whoever names one of these gets it.
const QUIET: &str = "h2=warn,hyper=warn,hyper_util=warn,mio=warn,reqwest=warn,rustls=warn,rustls_platform_verifier=warn,sqlx=warn,\
                     tokio=warn,tower=warn,tower_http=warn,want=warn";

/// Reads a filter such as `info,endplate_store=debug`.
///
/// # Errors
/// It is none.
pub fn filter(text: &str) -> Result<EnvFilter, ParseError> {
    EnvFilter::builder().parse(text)?;
    EnvFilter::builder().parse(format!("{QUIET},{text}"))
}

/// Begins to log. A second call in the same process changes nothing.
///
/// A panic is logged by its place alone: its message may quote what was being read.
pub fn start(filter_text: &str, format: LogFormat) {
    let Ok(filter) = filter(filter_text) else { return };
    let colours = std::io::stderr().is_terminal();
    let lines =
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_ansi(colours);
    let _ = match format {
        LogFormat::Text => lines.try_init(),
        LogFormat::Json => lines.json().flatten_event(true).try_init(),
    };
    std::panic::set_hook(Box::new(|info| {
        let place = info.location().map(ToString::to_string).unwrap_or_default();
        tracing::error!(place, "a panic was caught");
    }));
}
