//! Logs, one event a line: of the service to standard output (12-factor XI), of a command, whose output that is, to standard error.
//! Spans: to a collector, with the feature `otel`.

#[cfg(feature = "otel")]
mod export;

use crate::config::{Config, LogFormat};
use std::io::IsTerminal;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::ParseError;
use tracing_subscriber::fmt::writer::BoxMakeWriter;

/// Libraries know addresses and headers, and say so at their lower levels: `log = "debug"` is about this service's own modules.
/// Whoever names one of these gets it. A pool calls it an error, again and again, that a server is a standby: readiness says it once.
const QUIET: &str = "h2=warn,hyper=warn,hyper_util=warn,mio=warn,reqwest=warn,rustls=warn,rustls_platform_verifier=warn,sqlx=warn,\
                     sqlx_core::pool::inner=off,tokio=warn,tower=warn,tower_http=warn,want=warn";

/// Reads a filter such as `info,endplate_store=debug`.
///
/// # Errors
/// It is none.
pub fn filter(text: &str) -> Result<EnvFilter, ParseError> {
    EnvFilter::builder().parse(text)?;
    EnvFilter::builder().parse(format!("{QUIET},{text}"))
}

/// Begins to log, for a command. A second call in the same process changes nothing.
///
/// A panic is logged by its place alone: its message may quote what was being read.
pub fn start(filter_text: &str, format: LogFormat) {
    let colours = std::io::stderr().is_terminal();
    begin(filter_text, format, BoxMakeWriter::new(std::io::stderr), colours);
}

fn begin(filter_text: &str, format: LogFormat, writer: BoxMakeWriter, colours: bool) {
    let Ok(filter) = filter(filter_text) else { return };
    let lines = tracing_subscriber::fmt().with_env_filter(filter).with_writer(writer).with_ansi(colours);
    let _ = match format {
        LogFormat::Text => lines.try_init(),
        LogFormat::Json => lines.json().flatten_event(true).try_init(),
    };
    log_panics();
}

/// Whether this build can send spans to a collector.
pub const SENDS_SPANS: bool = cfg!(feature = "otel");

/// What is recorded beside the log, until it is ended.
#[derive(Default)]
pub struct Recording {
    #[cfg(feature = "otel")]
    exporter: Option<export::Exporter>,
}

impl Recording {
    /// Begins to log, for the service, and to record spans if that is configured.
    ///
    /// # Errors
    /// The collector's address cannot be used; the text names the setting.
    pub fn start(config: &Config) -> Result<Self, String> {
        let colours = std::io::stdout().is_terminal();
        #[cfg(feature = "otel")]
        if let Some(exporter) = export::Exporter::of(config)? {
            use tracing_subscriber::prelude::*;
            let filter = || filter(&config.log).unwrap_or_default();
            let lines = || tracing_subscriber::fmt::layer().with_writer(std::io::stdout).with_ansi(colours);
            let recorded = tracing_subscriber::registry().with(exporter.layer());
            let _ = match config.log_format {
                LogFormat::Text => recorded.with(lines().with_filter(filter())).try_init(),
                LogFormat::Json => {
                    recorded.with(lines().json().flatten_event(true).with_filter(filter())).try_init()
                }
            };
            log_panics();
            return Ok(Self { exporter: Some(exporter) });
        }
        begin(&config.log, config.log_format, BoxMakeWriter::new(std::io::stdout), colours);
        Ok(Self::default())
    }

    /// Sends what is recorded and waits, at the end.
    #[cfg_attr(
        not(feature = "otel"),
        allow(clippy::unused_async, reason = "it waits where spans are recorded")
    )]
    pub async fn end(self) {
        #[cfg(feature = "otel")]
        if let Some(exporter) = self.exporter {
            // It waits for a thread of its own, which needs this runtime to send.
            let _ = tokio::task::spawn_blocking(move || exporter.end()).await;
        }
    }
}

fn log_panics() {
    std::panic::set_hook(Box::new(|info| {
        let place = info.location().map(ToString::to_string).unwrap_or_default();
        tracing::error!(place, "a panic was caught");
    }));
}
