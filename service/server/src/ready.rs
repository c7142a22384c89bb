//! `endplate ready`: whether the service of this configuration takes requests, for images that hold nothing else to ask with.

use crate::config::Config;
use crate::fault::Fault;
use crate::guard::Guard;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::Duration;

/// An answer that is later is none.
const TIME: Duration = Duration::from_secs(5);

/// Asks `/readyz` on this machine, at the port that the configuration names, and gives the answer.
///
/// # Errors
/// It does not answer, or answers that it is not ready (3).
pub async fn run(config: &Config) -> Result<String, Fault> {
    let scheme = if config.tls.is_some() { "https" } else { "http" };
    let url = format!("{scheme}://{}/readyz", near(config.listen));
    let client = Guard::new(config)
        .client()
        // The certificate names the service as clients call it, not this machine; nothing is sent or believed but a yes or no.
        .tls_danger_accept_invalid_certs(true)
        .timeout(TIME)
        .build()
        .map_err(|_| Fault::Environment("no request can be made here".to_owned()))?;
    let silent = || {
        let wanted = "check that it runs, and with the same settings; one that asks for certificates (tls.client_ca) is asked by \
                      other means";
        Fault::Environment(format!("{url} does not answer: {wanted}"))
    };
    let answer = client.get(&url).send().await.map_err(|_| silent())?;
    let status = answer.status();
    let text = answer.text().await.map_err(|_| silent())?;
    if status.is_success() {
        Ok(text)
    } else {
        Err(Fault::Environment(format!("{url} answers {}: the service says why in its log", status.as_u16())))
    }
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
