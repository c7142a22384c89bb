//! Rest-hook over HTTP: one message, one attempt.
//!
//! R4 subscription.html: with a payload the resource is sent as an update, `PUT {endpoint}/{Type}/{id}`; without one an
//! empty `POST {endpoint}` says that something has changed. Subscriptions R5 Backport 1.1.0: a notification by topic is
//! posted to the endpoint in the format that was asked for. `Endplate-Event: {subscription}/{number}` names the event for
//! ever: whoever has seen it drops the repeat. With a key, every message is signed (RFC 9421) with the digest of its content.

use crate::config::Config;
use crate::guard::{self, Guard};
use crate::media;
use crate::signature::{Signer, content_digest};
use crate::trace::{self, Trace};
use async_trait::async_trait;
use endplate_fhir::Json;
use endplate_followup::ports::{Clock, Message, Outcome, Transport};
use jiff::Timestamp;
use jiff::fmt::rfc2822;
use reqwest::header::{CONTENT_TYPE, DATE, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::{Client, Method, Response};
use std::sync::Arc;
use std::time::Duration;
use tracing::field::Empty;
use tracing::{Instrument, error_span};

/// How much of an answer is read, so that its connection can be used again. Nothing in it counts.
const ANSWER_MAX_BYTES: usize = 64 * 1024;

const ENDPLATE_EVENT: HeaderName = HeaderName::from_static("endplate-event");
const CONTENT_DIGEST: HeaderName = HeaderName::from_static("content-digest");
const SIGNATURE: HeaderName = HeaderName::from_static("signature");
const SIGNATURE_INPUT: HeaderName = HeaderName::from_static("signature-input");

/// Headers that belong to the connection or to the message and that no Subscription may set.
const RESERVED: [&str; 13] = [
    "connection",
    "content-digest",
    "content-encoding",
    "content-length",
    "content-type",
    "endplate-event",
    "expect",
    "host",
    "signature",
    "signature-input",
    "te",
    "transfer-encoding",
    "upgrade",
];

/// Why nothing can be sent.
#[derive(Debug, thiserror::Error)]
pub enum WebhookError {
    /// TLS cannot be set up.
    #[error("no HTTPS client can be made: check that this machine has certificates of authorities")]
    Tls(#[source] reqwest::Error),
    /// There is no key to sign with.
    #[error("webhook.signing_key {0}")]
    Key(&'static str),
}

/// Sends notifications, to whom the guard allows.
#[derive(Clone)]
pub struct Webhook {
    client: Client,
    guard: Guard,
    clock: Arc<dyn Clock>,
    signer: Option<Arc<Signer>>,
    /// The longest time for an attempt; a Subscription may ask for a shorter one.
    timeout: Duration,
}

impl Webhook {
    /// A sender as configured.
    ///
    /// # Errors
    /// TLS cannot be set up, or the key cannot be read.
    pub fn new(config: &Config, clock: Arc<dyn Clock>) -> Result<Self, WebhookError> {
        let guard = Guard::new(config);
        let client = guard
            .client()
            .connect_timeout(config.webhook_connect_timeout)
            .timeout(config.webhook_timeout)
            .build()
            .map_err(WebhookError::Tls)?;
        let signer = signer(config)?.map(Arc::new);
        Ok(Self { client, guard, clock, signer, timeout: config.webhook_timeout })
    }

    async fn attempt(&self, message: &Message, trace: &Trace) -> Result<Outcome, String> {
        let refused = |blocked| format!("the endpoint is not called: {blocked}");
        let mut url = self.guard.check(&message.endpoint).map_err(refused)?;
        let mut headers = headers(message)?;
        let method =
            if message.body.is_some() && message.content_type.is_none() { Method::PUT } else { Method::POST };
        if let Some(content_type) = &message.content_type {
            let content_type = content_type.parse().map_err(|_| "the format has no name".to_owned())?;
            headers.insert(CONTENT_TYPE, content_type);
        } else if message.body.is_some() {
            headers.insert(CONTENT_TYPE, HeaderValue::from_static(media::FHIR_JSON_BARE));
            url.path_segments_mut()
                .map_err(|()| "the endpoint is not a URL with a path".to_owned())?
                .pop_if_empty()
                .extend(message.about.split('/'));
        }
        let body = message.body.clone().unwrap_or_default();
        if let Some(signer) = &self.signer {
            sign(signer, &method, url.as_str(), &mut headers, body.as_bytes(), self.clock.now())
                .ok_or("the message cannot be signed")?;
        }
        // Over whatever the Subscription asks for: its receiver is told of this trace.
        headers.extend(trace.headers());
        let mut request = self.client.request(method, url).headers(headers).body(body);
        if let Some(asked) = message.timeout_s.map(Duration::from_secs).filter(|asked| *asked < self.timeout)
        {
            request = request.timeout(asked);
        }
        let response = request.send().await.map_err(|error| match guard::blocked(&error) {
            Some(blocked) => refused(blocked),
            None => cause(&error).to_owned(),
        })?;
        let outcome = outcome(&response);
        // Read to its end if it is short, so that the connection can be used again. The status is known already: whatever
        // goes wrong here changes nothing.
        let _ = guard::body(response, ANSWER_MAX_BYTES).await;
        Ok(outcome)
    }
}

/// The signer that is configured, if one is.
///
/// # Errors
/// The file cannot be read or holds no key.
pub fn signer(config: &Config) -> Result<Option<Signer>, WebhookError> {
    let Some(path) = &config.webhook_signing_key else { return Ok(None) };
    let pem = std::fs::read_to_string(path).map_err(|_| {
        WebhookError::Key("names a file that cannot be read: check the path and its permissions")
    })?;
    Signer::of_pem(&pem).map(Some).map_err(WebhookError::Key)
}

/// The public half of the key that signs, as a JSON Web Key Set (RFC 7517, section 5); empty if none does.
pub fn key_set(signer: Option<&Signer>) -> Json {
    serde_json::json!({ "keys": signer.map(Signer::public_key).into_iter().collect::<Vec<_>>() })
}

/// Adds the digest of the content and the signature over it, the method, the address and the event.
fn sign(
    signer: &Signer,
    method: &Method,
    url: &str,
    headers: &mut HeaderMap,
    body: &[u8],
    now: Timestamp,
) -> Option<()> {
    let digest = content_digest(body);
    headers.insert(CONTENT_DIGEST, digest.parse().ok()?);
    let mut components = vec![("@method", method.as_str()), ("@target-uri", url)];
    for name in ["content-digest", "content-type", "endplate-event"] {
        if let Some(value) = headers.get(name) {
            components.push((name, value.to_str().ok()?));
        }
    }
    let (input, signature) = signer.sign(&components, now.as_second())?;
    headers.insert(SIGNATURE_INPUT, input.parse().ok()?);
    headers.insert(SIGNATURE, signature.parse().ok()?);
    Some(())
}

#[async_trait]
impl Transport for Webhook {
    async fn send(&self, message: &Message) -> Outcome {
        let span = error_span!("delivery", event = message.event, trace.id = Empty);
        let trace = trace::sent(&span, message.trace.as_deref());
        let sent = self.attempt(message, &trace).instrument(span).await;
        sent.unwrap_or_else(|reason| Outcome::Unreachable { reason })
    }
}

fn headers(message: &Message) -> Result<HeaderMap, String> {
    let mut headers = HeaderMap::new();
    for (at, line) in message.headers.iter().enumerate() {
        // The value may be a secret: the reason tells the place only.
        let wrong = || format!("channel.header[{at}] of the subscription is not `Name: value`");
        let (name, value) = line.split_once(':').ok_or_else(wrong)?;
        let name: HeaderName = name.trim().parse().map_err(|_| wrong())?;
        if RESERVED.contains(&name.as_str()) {
            return Err(format!(
                "channel.header[{at}] of the subscription sets a header that belongs to the message"
            ));
        }
        let mut value: HeaderValue = value.trim().parse().map_err(|_| wrong())?;
        value.set_sensitive(true);
        headers.append(name, value);
    }
    if !message.event.is_empty() {
        let event = message.event.parse().map_err(|_| "the event has no number".to_owned())?;
        headers.insert(ENDPLATE_EVENT, event);
    }
    Ok(headers)
}

fn outcome(response: &Response) -> Outcome {
    let status = response.status();
    if status.is_success() {
        return Outcome::Accepted;
    }
    Outcome::Refused { status: status.as_u16(), retry_after_s: retry_after_s(response.headers()) }
}

/// RFC 9110, section 10.2.3: seconds, or a date. A date is measured from the receiver's own, so that its clock may be wrong.
fn retry_after_s(headers: &HeaderMap) -> Option<u64> {
    let text = |name| headers.get(name)?.to_str().ok().map(str::trim);
    let asked = text(RETRY_AFTER)?;
    if let Ok(seconds) = asked.parse() {
        return Some(seconds);
    }
    let [until, from] = [asked, text(DATE)?].map(|text| rfc2822::parse(text).ok());
    let wait = until?.timestamp().duration_since(from?.timestamp());
    u64::try_from(wait.as_secs()).ok()
}

/// What happened, without the address: it may hold a secret.
pub(crate) fn cause(error: &reqwest::Error) -> &'static str {
    if error.is_connect() {
        "no connection could be made"
    } else if error.is_timeout() {
        "no answer in time"
    } else if error.is_builder() {
        "the endpoint is not a URL that can be called"
    } else {
        "the connection broke off"
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(header: &str) -> Message {
        Message {
            endpoint: "https://scheduler.example/hook".into(),
            headers: vec![header.into()],
            event: "bookings/7".into(),
            about: "Task/1".into(),
            body: None,
            content_type: None,
            timeout_s: None,
            trace: None,
        }
    }

    #[test]
    fn headers_go_as_the_subscription_says() {
        let headers = headers(&message("Authorization: Bearer a:b")).expect("headers");
        assert_eq!(headers["authorization"], "Bearer a:b");
        assert_eq!(headers[ENDPLATE_EVENT], "bookings/7");
    }

    #[test]
    fn a_header_that_cannot_be_sent_is_named_without_its_value() {
        for line in ["s3cret", "na me: s3cret", "X-Key: s3\ncret", "Host: s3cret", "Content-Length: s3cret"] {
            let reason = headers(&message(line)).expect_err(line);
            assert!(reason.starts_with("channel.header[0]") && !reason.contains("s3"), "{reason}");
        }
    }

    // RFC 9110, sections 5.6.7 and 10.2.3.
    #[test]
    fn a_receiver_may_ask_for_time_by_seconds_or_by_its_own_clock() {
        let asked = |retry_after: &str, date: Option<&str>| {
            let mut headers = HeaderMap::new();
            headers.insert(RETRY_AFTER, retry_after.parse().expect("a value"));
            if let Some(date) = date {
                headers.insert(DATE, date.parse().expect("a value"));
            }
            retry_after_s(&headers)
        };
        let date = Some("Sun, 06 Nov 1994 08:49:37 GMT");
        assert_eq!(asked("120", None), Some(120));
        assert_eq!(asked("Sun, 06 Nov 1994 08:51:37 GMT", date), Some(120));
        assert_eq!(asked("Sun, 06 Nov 1994 08:49:36 GMT", date), None);
        assert_eq!(asked("Sun, 06 Nov 1994 08:51:37 GMT", None), None);
        assert_eq!(asked("tomorrow", date), None);
        assert_eq!(asked("-5", date), None);
    }
}
