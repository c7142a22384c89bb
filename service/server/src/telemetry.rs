//! Logs: to standard error, one event a line.

use crate::config::LogFormat;
use std::io::IsTerminal;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::ParseError;

/// Reads a filter such as `info,endplate_store=debug`.
///
/// # Errors
/// It is none.
pub fn filter(text: &str) -> Result<EnvFilter, ParseError> {
    EnvFilter::builder().parse(text)
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
