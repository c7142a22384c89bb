//! `endplate ready`: whether the service of this configuration takes requests, for images that hold nothing else to ask with.

use crate::config::Config;
use crate::fault::Fault;
use crate::guard::Guard;
use serde_json::Value as Json;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::Duration;

/// An answer that is later is none.
const TIME: Duration = Duration::from_secs(5);

/// Asks `/readyz` on this machine, at the port that the configuration names, and gives the answer. Where clients must show a
/// certificate, it is the port for metrics that is asked.
///
/// # Errors
/// It does not answer, or answers that it is not ready and why (3).
pub async fn run(config: &Config) -> Result<String, Fault> {
    let (scheme, listen) = match (&config.tls, config.metrics_listen) {
        (Some(tls), Some(aside)) if tls.client_ca.is_some() => ("http", aside),
        (Some(_), _) => ("https", config.listen),
        (None, _) => ("http", config.listen),
    };
    let url = format!("{scheme}://{}/readyz", near(listen));
    let client = Guard::new(config)
        .client()
        // The certificate names the service as clients call it, not this machine; nothing is sent or believed but a yes or no.
        .tls_danger_accept_invalid_certs(true)
        .timeout(TIME)
        .build()
        .map_err(|_| Fault::Environment("no request can be made here".to_owned()))?;
    let silent = || {
        let wanted = "check that it runs, and with the same settings; where clients must show a certificate (tls.client_ca), give \
                      metrics.listen too";
        Fault::Environment(format!("{url} does not answer: {wanted}"))
    };
    let answer = client.get(&url).send().await.map_err(|_| silent())?;
    let status = answer.status();
    let text = answer.text().await.map_err(|_| silent())?;
    if status.is_success() {
        Ok(text)
    } else {
        Err(Fault::Environment(format!("{url} answers {}: {}", status.as_u16(), reasons(&text))))
    }
}

/// What an OperationOutcome says is wrong.
fn reasons(text: &str) -> String {
    let outcome: Json = serde_json::from_str(text).unwrap_or_default();
    let issues = outcome["issue"].as_array().into_iter().flatten();
    let wrong = issues.filter(|issue| issue["severity"] == "error");
    let texts: Vec<&str> = wrong.filter_map(|issue| issue["details"]["text"].as_str()).collect();
    texts.join(" ")
}

/// A service that listens everywhere is asked here.
fn near(listen: SocketAddr) -> SocketAddr {
    let here = match listen.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(ip) if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
        other => other,
    };
    SocketAddr::new(here, listen.port())
}
