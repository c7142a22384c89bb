//! Hospital record servers over HTTP: one request, one answer, by a client that the server lets in.
//!
//! No redirect is followed and no proxy is taken from the environment. A token goes to the server that it is for and nowhere
//! else: not to another host that a link of a page names, not into a log, not into an error.

mod command;
mod smart;

pub use command::{Orders, run};

use crate::config::{Config, RecordAuth, RecordConfig};
use crate::guard::{self, Guard};
use crate::webhook::{Webhook, WebhookError, cause};
use crate::{media, trace};
use async_trait::async_trait;
use endplate_followup::ports::{Answer, Ask, Clock, Message, Outcome, Transport};
use jiff::Timestamp;
use reqwest::header::{
    ACCEPT, AUTHORIZATION, CONTENT_LOCATION, CONTENT_TYPE, DATE, ETAG, HeaderMap, HeaderName, IF_MATCH,
    LOCATION, RETRY_AFTER,
};
use reqwest::{Client, Method, RequestBuilder, Response, StatusCode, Url};
use serde_json::Value as Json;
use smart::Smart;
use std::sync::Arc;
use std::time::Duration;
use tracing::field::Empty;
use tracing::{Instrument, error_span};

/// The largest answer that is read: a page of records.
const ANSWER_MAX_BYTES: usize = 32 << 20;
/// How long a connection may take to be made.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);

/// The way out: notifications to subscribers, and requests to record servers.
pub struct Outgoing {
    webhook: Webhook,
    records: Vec<RecordClient>,
}

impl Outgoing {
    /// Sends by `webhook`, and asks these record servers.
    ///
    /// # Errors
    /// TLS cannot be set up.
    pub fn new(webhook: Webhook, config: &Config, clock: &Arc<dyn Clock>) -> Result<Self, WebhookError> {
        let guard = Guard::of_settings(config);
        let records = config.records.iter().map(|record| RecordClient::new(record, &guard, clock));
        Ok(Self { webhook, records: records.collect::<Result<_, _>>()? })
    }
}

#[async_trait]
impl Transport for Outgoing {
    async fn send(&self, message: &Message) -> Outcome {
        self.webhook.send(message).await
    }

    async fn ask(&self, request: &Ask) -> Result<Answer, String> {
        match self.records.iter().find(|record| record.name == request.record) {
            Some(record) => record.ask(request).await,
            None => Err("no record server of this name is configured".to_owned()),
        }
    }
}

/// Calls a record server and its token endpoint: the one place where their client is made. Every address is looked at by the
/// guard, before it is called and when its name is resolved.
#[derive(Clone)]
struct Caller {
    client: Client,
    guard: Guard,
}

impl Caller {
    fn new(guard: &Guard, timeout: Duration) -> Result<Self, WebhookError> {
        let client = guard.client().connect_timeout(CONNECT_TIMEOUT).timeout(timeout).build();
        Ok(Self { client: client.map_err(WebhookError::Tls)?, guard: guard.clone() })
    }

    fn request(&self, method: Method, url: Url) -> RequestBuilder {
        self.client.request(method, url)
    }

    /// Sends a request once. The error holds no address: it may hold a secret.
    async fn send(&self, request: RequestBuilder) -> Result<Response, String> {
        let request = request.build().map_err(|error| cause(&error).to_owned())?;
        let refused = |blocked| format!("it is not called: {blocked}");
        self.guard.check(request.url().as_str()).map_err(refused)?;
        self.client.execute(request).await.map_err(|error| match guard::blocked(&error) {
            Some(blocked) => refused(blocked),
            None => cause(&error).to_owned(),
        })
    }
}

/// One record server.
struct RecordClient {
    name: String,
    base: Url,
    caller: Caller,
    smart: Option<Smart>,
}

impl RecordClient {
    fn new(config: &RecordConfig, guard: &Guard, clock: &Arc<dyn Clock>) -> Result<Self, WebhookError> {
        let caller = Caller::new(guard, config.timeout)?;
        let smart = match &config.auth {
            RecordAuth::None => None,
            RecordAuth::Smart(settings) => {
                let settings = Arc::clone(settings);
                Some(Smart::new(settings, config.base.clone(), caller.clone(), Arc::clone(clock)))
            }
        };
        Ok(Self { name: config.record.name.clone(), base: config.base.clone(), caller, smart })
    }

    async fn ask(&self, request: &Ask) -> Result<Answer, String> {
        let url = self.address(&request.url)?;
        let Some(smart) = &self.smart else { return read(self.send(url, request, None).await?).await };
        let token = smart.token(None).await?;
        let response = self.send(url.clone(), request, Some(&token)).await?;
        if response.status() != StatusCode::UNAUTHORIZED {
            return read(response).await;
        }
        // The token may have been taken back before its time: one more, once.
        let token = smart.token(Some(&token)).await?;
        read(self.send(url, request, Some(&token)).await?).await
    }

    /// The address below the base. Another server, or another part of this one, is not asked.
    fn address(&self, text: &str) -> Result<Url, String> {
        let absolute = text.starts_with("http://") || text.starts_with("https://");
        let full = if absolute {
            text.to_owned()
        } else {
            format!("{}/{text}", self.base.as_str().trim_end_matches('/'))
        };
        let url: Url = full.parse().map_err(|_| "the record server gave a link that is no URL".to_owned())?;
        let path = url.path();
        let below = path == self.base.path()
            || path
                .strip_prefix(self.base.path().trim_end_matches('/'))
                .is_some_and(|rest| rest.starts_with('/'));
        let plain = url.username().is_empty() && url.password().is_none();
        if url.origin() == self.base.origin() && below && plain {
            Ok(url)
        } else {
            Err("the record server gave a link that leads elsewhere; it is not followed".to_owned())
        }
    }

    async fn send(&self, url: Url, request: &Ask, token: Option<&smart::Token>) -> Result<Response, String> {
        let span = error_span!("record", record = self.name, trace.id = Empty);
        let trace = trace::sent(&span, request.trace.as_deref());
        let mut builder = match &request.write {
            None => self.caller.request(Method::GET, url),
            Some(writing) => {
                let builder = self.caller.request(Method::PUT, url).body(writing.body.clone());
                let builder = builder
                    .header(CONTENT_TYPE, media::FHIR_JSON_BARE)
                    // The answer then tells the id and version in its body, where a server leaves them out of its headers.
                    .header(HeaderName::from_static("prefer"), "return=representation");
                match &writing.if_match {
                    Some(version) => builder.header(IF_MATCH, format!("W/\"{version}\"")),
                    None => builder,
                }
            }
        };
        builder = builder.header(ACCEPT, media::FHIR_JSON_BARE);
        if let Some(token) = token {
            builder = builder.header(AUTHORIZATION, token.header());
        }
        let headers = trace.headers().into_iter().collect();
        self.caller.send(builder.headers(headers)).instrument(span).await
    }
}

async fn read(response: Response) -> Result<Answer, String> {
    let headers = response.headers();
    let text = |name: &HeaderName| headers.get(name).and_then(|value| value.to_str().ok()).map(str::to_owned);
    let mut answer = Answer {
        status: response.status().as_u16(),
        retry_after_s: retry_after_s(headers),
        location: text(&LOCATION).or_else(|| text(&CONTENT_LOCATION)),
        version: text(&ETAG).map(|tag| tag.trim_start_matches("W/").trim_matches('"').to_owned()),
        body: None,
    };
    // Read leniently: one record that is not as R4 says must not hide the others of its page.
    answer.body = serde_json::from_slice::<Json>(&bounded(response).await?).ok();
    Ok(answer)
}

/// The body, read no further than it may be.
async fn bounded(response: Response) -> Result<Vec<u8>, String> {
    let body = guard::body(response, ANSWER_MAX_BYTES).await;
    body.ok_or_else(|| format!("the answer broke off, or is larger than {ANSWER_MAX_BYTES} bytes"))
}

/// RFC 9110, section 10.2.3: seconds, or a date, which is taken against the answer's own `Date`, so that no two clocks have to
/// agree.
fn retry_after_s(headers: &HeaderMap) -> Option<u64> {
    let text = headers.get(RETRY_AFTER)?.to_str().ok()?.trim();
    if let Ok(seconds) = text.parse() {
        return Some(seconds);
    }
    let date = |text: &str| jiff::fmt::rfc2822::parse(text).ok().map(|zoned| zoned.timestamp());
    let until: Timestamp = date(text)?;
    let from: Timestamp = date(headers.get(DATE)?.to_str().ok()?)?;
    u64::try_from(until.duration_since(from).as_secs()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use reqwest::header::HeaderValue;

    fn at(base: &str) -> RecordClient {
        let guard = Guard::new(&Config::of_defaults().expect("the defaults"));
        let caller = Caller::new(&guard, Duration::from_secs(1)).expect("a client");
        RecordClient { name: "main".into(), base: base.parse().expect("a URL"), caller, smart: None }
    }

    // RFC 6454: an origin is scheme, host and port. A token for one is not for another.
    #[test]
    fn only_the_server_itself_is_asked() {
        let record = at("https://record.example/fhir");
        let asked = |text: &str| record.address(text).map(|url| url.to_string());
        assert_eq!(
            asked("Task?identifier=a").as_deref(),
            Ok("https://record.example/fhir/Task?identifier=a")
        );
        assert_eq!(
            asked("https://record.example/fhir?page=2").as_deref(),
            Ok("https://record.example/fhir?page=2")
        );
        assert_eq!(
            asked("https://record.example:443/fhir/x").as_deref(),
            Ok("https://record.example/fhir/x")
        );
        for elsewhere in [
            "http://record.example/fhir/Task",
            "https://record.example:8443/fhir/Task",
            "https://other.example/fhir/Task",
            "https://record.example/admin",
            "https://record.example/fhirs",
            "https://record.example/fhir/../admin",
            "https://user@record.example/fhir/Task",
            "../admin",
        ] {
            assert!(asked(elsewhere).is_err(), "{elsewhere}");
        }
    }

    /// RFC 9110, section 5.6.7 has the date of the example.
    #[test]
    fn retry_after_is_seconds_or_a_date() {
        let asked = |retry: &'static str, date: Option<&'static str>| {
            let mut headers = HeaderMap::new();
            headers.insert(RETRY_AFTER, HeaderValue::from_static(retry));
            headers.extend(date.map(|date| (DATE, HeaderValue::from_static(date))));
            retry_after_s(&headers)
        };
        let date = Some("Sun, 06 Nov 1994 08:49:37 GMT");
        assert_eq!(asked("120", None), Some(120));
        assert_eq!(asked("Sun, 06 Nov 1994 08:51:37 GMT", date), Some(120));
        assert_eq!(asked("Sun, 06 Nov 1994 08:40:00 GMT", date), None);
        assert_eq!(asked("Sun, 06 Nov 1994 08:51:37 GMT", None), None);
        assert_eq!(asked("soon", date), None);
    }
}
