//! Spans, sent to a collector: OTLP over HTTP as JSON (OpenTelemetry Protocol specification, 1.x), in batches.
//!
//! What a span says is what the log says: the same rule holds that nothing of a patient is in it. A collector that is not there
//! costs spans and nothing else.

use crate::config::Config;
use crate::guard::{self, Guard};
use async_trait::async_trait;
use opentelemetry::KeyValue;
use opentelemetry::trace::TracerProvider;
use opentelemetry_http::{Bytes, HttpClient, HttpError, Request, Response};
use opentelemetry_otlp::{Protocol, SpanExporter, WithExportConfig, WithHttpConfig};
use opentelemetry_sdk::Resource;
use opentelemetry_sdk::trace::{Sampler, SdkTracerProvider};
use reqwest::Client;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::runtime::Handle;
use tracing::{Level, Metadata, Subscriber, info, warn};
use tracing_subscriber::Layer;
use tracing_subscriber::filter::filter_fn;
use tracing_subscriber::registry::LookupSpan;

/// How long a collector may take to answer.
const TIMEOUT: Duration = Duration::from_secs(10);
/// How much of its answer is read.
const ANSWER_MAX_BYTES: usize = 64 << 10;

/// Carries batches. They are made on a thread of their own, which has no runtime: the service's own is used.
#[derive(Debug)]
struct Courier {
    client: Client,
    runtime: Handle,
    /// Whether the last batch was not taken: it is told once.
    is_failing: AtomicBool,
}

#[async_trait]
impl HttpClient for Courier {
    async fn send_bytes(&self, request: Request<Bytes>) -> Result<Response<Bytes>, HttpError> {
        let client = self.client.clone();
        let sent = self.runtime.spawn(async move {
            let (parts, body) = request.into_parts();
            let request =
                client.request(parts.method, parts.uri.to_string()).headers(parts.headers).body(body);
            let response = request.send().await.map_err(reqwest::Error::without_url)?;
            let status = response.status();
            let body = guard::body(response, ANSWER_MAX_BYTES).await.unwrap_or_default();
            Ok::<_, HttpError>(Response::builder().status(status).body(Bytes::from(body))?)
        });
        let answer = sent.await?;
        let is_failing = !answer.as_ref().is_ok_and(|answer| answer.status().is_success());
        if is_failing != self.is_failing.swap(is_failing, Ordering::AcqRel) {
            if is_failing {
                warn!("the collector of traces does not take them: check traces.endpoint");
            } else {
                info!("the collector of traces takes them again");
            }
        }
        answer
    }
}

/// What makes spans and sends them.
pub(super) struct Exporter(SdkTracerProvider);

impl Exporter {
    /// To the configured collector; none if there is none.
    ///
    /// # Errors
    /// Its address cannot be used, or no client can be made.
    pub(super) fn of(config: &Config) -> Result<Option<Self>, String> {
        let Some(endpoint) = &config.traces_endpoint else { return Ok(None) };
        // Which address is called stands in the configuration itself: the rules for what others name are not meant for it.
        let anywhere = ["0.0.0.0/0", "::/0"].iter().filter_map(|network| network.parse().ok()).collect();
        let guard = Guard::new(&Config {
            webhook_allowed_hosts: Vec::new(),
            webhook_allowed_networks: anywhere,
            webhook_http_allowed: true,
            ..config.clone()
        });
        let client = guard.client().timeout(TIMEOUT).build();
        let client = client.map_err(|_| "no client for traces.endpoint can be made".to_owned())?;
        let courier = Courier { client, runtime: Handle::current(), is_failing: AtomicBool::new(false) };
        let exporter = SpanExporter::builder()
            .with_http()
            .with_http_client(courier)
            .with_protocol(Protocol::HttpJson)
            .with_endpoint(endpoint.clone())
            .with_timeout(TIMEOUT)
            .build()
            .map_err(|error| format!("traces.endpoint cannot be used: {error}"))?;
        let resource = Resource::builder_empty()
            .with_service_name("endplate")
            .with_attribute(KeyValue::new("service.version", env!("CARGO_PKG_VERSION")));
        let share = f64::from(config.traces_share_percent) / 100.0;
        let provider = SdkTracerProvider::builder()
            .with_batch_exporter(exporter)
            // Whoever began a trace has decided whether it is recorded.
            .with_sampler(Sampler::ParentBased(Box::new(Sampler::TraceIdRatioBased(share))))
            .with_resource(resource.build())
            .build();
        Ok(Some(Self(provider)))
    }

    /// Makes spans of those of this service's own modules.
    pub(super) fn layer<S>(&self) -> impl Layer<S> + use<S>
    where
        S: Subscriber + for<'span> LookupSpan<'span>,
    {
        let is_ours = |of: &Metadata<'_>| of.target().starts_with("endplate") && *of.level() <= Level::INFO;
        tracing_opentelemetry::layer()
            .with_tracer(self.0.tracer("endplate"))
            .with_location(false)
            .with_threads(false)
            .with_target(false)
            .with_tracked_inactivity(false)
            .with_filter(filter_fn(is_ours))
    }

    /// Sends what waits. It blocks until that is done, or cannot be.
    pub(super) fn end(&self) {
        let _ = self.0.shutdown();
    }
}
