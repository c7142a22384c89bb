//! Rest-hook over HTTP: one message, one attempt.
//!
//! R4 subscription.html: with a payload the resource is sent as an update, `PUT {endpoint}/{Type}/{id}`; without one an
//! empty `POST {endpoint}` says that something has changed. Subscriptions R5 Backport 1.1.0: a notification by topic is
//! posted to the endpoint in the format that was asked for. `Endplate-Event: {subscription}/{number}` names the event for
//! ever: whoever has seen it drops the repeat.

use crate::media;
use async_trait::async_trait;
use endplate_followup::ports::{Message, Outcome, Transport};
use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER};
use reqwest::redirect::Policy;
use reqwest::{Client, Method, Response, Url};
use std::time::Duration;

/// How much of an answer is read, so that its connection can be used again. Nothing in it counts.
const ANSWER_MAX_BYTES: usize = 64 * 1024;

const ENDPLATE_EVENT: HeaderName = HeaderName::from_static("endplate-event");

/// Headers that belong to the connection or to the message and that no Subscription may set.
const RESERVED: [&str; 10] = [
    "connection",
    "content-encoding",
    "content-length",
    "content-type",
    "endplate-event",
    "expect",
    "host",
    "te",
    "transfer-encoding",
    "upgrade",
];

/// Why no client could be made.
#[derive(Debug, thiserror::Error)]
#[error("no HTTPS client can be made: check that this machine has certificates of authorities")]
pub struct WebhookError(#[source] reqwest::Error);

/// Sends notifications. Redirects are not followed and no proxy is taken from the environment: what leaves the house goes
/// where the Subscription says or nowhere.
#[derive(Clone, Debug)]
pub struct Webhook {
    client: Client,
    /// The longest time for an attempt; a Subscription may ask for a shorter one.
    timeout: Duration,
}

impl Webhook {
    /// A sender that gives a connection `connect_timeout` and an attempt `timeout` in all.
    ///
    /// # Errors
    /// TLS cannot be set up.
    pub fn new(connect_timeout: Duration, timeout: Duration) -> Result<Self, WebhookError> {
        // Fails if another part of the process has installed a provider before; then that one serves.
        let _ = rustls::crypto::ring::default_provider().install_default();
        Client::builder()
            .user_agent(concat!("endplate/", env!("CARGO_PKG_VERSION")))
            .redirect(Policy::none())
            .connect_timeout(connect_timeout)
            .timeout(timeout)
            .no_proxy()
            .build()
            .map(|client| Self { client, timeout })
            .map_err(WebhookError)
    }

    async fn attempt(&self, message: &Message) -> Result<Outcome, String> {
        let mut url: Url = message.endpoint.parse().map_err(|_| "the endpoint is not a URL".to_owned())?;
        let mut headers = headers(message)?;
        let mut request = match (&message.body, &message.content_type) {
            (Some(body), Some(content_type)) => {
                let content_type = content_type.parse().map_err(|_| "the format has no name".to_owned())?;
                headers.insert(CONTENT_TYPE, content_type);
                self.client.request(Method::POST, url).body(body.clone())
            }
            (Some(body), None) => {
                headers.insert(CONTENT_TYPE, HeaderValue::from_static(media::FHIR_JSON_BARE));
                url.path_segments_mut()
                    .map_err(|()| "the endpoint is not a URL with a path".to_owned())?
                    .pop_if_empty()
                    .extend(message.about.split('/'));
                self.client.request(Method::PUT, url).body(body.clone())
            }
            (None, _) => self.client.request(Method::POST, url).body(""),
        };
        request = request.headers(headers);
        if let Some(asked) = message.timeout_s.map(Duration::from_secs).filter(|asked| *asked < self.timeout)
        {
            request = request.timeout(asked);
        }
        let response = request.send().await.map_err(|error| cause(&error).to_owned())?;
        let outcome = outcome(&response);
        drain(response).await;
        Ok(outcome)
    }
}

#[async_trait]
impl Transport for Webhook {
    async fn send(&self, message: &Message) -> Outcome {
        self.attempt(message).await.unwrap_or_else(|reason| Outcome::Unreachable { reason })
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
    // RFC 9110 section 10.2.3: seconds or a date. A date is passed over: it would need the receiver's clock to be right.
    let retry_after_s =
        response.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok()?.trim().parse().ok());
    Outcome::Refused { status: status.as_u16(), retry_after_s }
}

/// Reads an answer to its end if it is short, so that the connection can be used again. The status is known already:
/// whatever goes wrong here changes nothing.
async fn drain(mut response: Response) {
    let mut read = 0;
    while let Ok(Some(chunk)) = response.chunk().await {
        read += chunk.len();
        if read > ANSWER_MAX_BYTES {
            return;
        }
    }
}

/// What happened, without the address: it may hold a secret.
fn cause(error: &reqwest::Error) -> &'static str {
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
}
