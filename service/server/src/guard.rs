//! Whom the service may call.
//!
//! Addresses come from outside: a Subscription names one, so does a key set, so does a record server. Two things are looked
//! at. The text of an address ([`Guard::check`]): its scheme, that it holds no user, that it names a host and no number. And,
//! each time a connection is made, every address that the name leads to at that moment: the client that [`Guard::client`]
//! makes connects only to one that was looked at, so a name that leads elsewhere later (DNS rebinding) leads nowhere.
//! Redirects are not followed and no proxy is taken from the environment.
//!
//! What is not globally reachable stands in IANA's registries of special-purpose addresses (RFC 6890).

use crate::config::Config;
use async_trait::async_trait;
use endplate_followup::ports::Endpoints;
use ipnet::IpNet;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::redirect::Policy;
use reqwest::{ClientBuilder, Response, Url};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;

/// IPv4 blocks that are not to be called: IANA IPv4 Special-Purpose Address Registry, and multicast (RFC 5771).
const SPECIAL_V4: [(Ipv4Addr, u8); 15] = [
    (Ipv4Addr::UNSPECIFIED, 8),           // this network, RFC 791
    (Ipv4Addr::new(10, 0, 0, 0), 8),      // private use, RFC 1918
    (Ipv4Addr::new(100, 64, 0, 0), 10),   // shared by carriers, RFC 6598
    (Ipv4Addr::new(127, 0, 0, 0), 8),     // loopback, RFC 1122
    (Ipv4Addr::new(169, 254, 0, 0), 16),  // link local, RFC 3927; where machines ask for their metadata
    (Ipv4Addr::new(172, 16, 0, 0), 12),   // private use, RFC 1918
    (Ipv4Addr::new(192, 0, 0, 0), 24),    // protocol assignments, RFC 6890
    (Ipv4Addr::new(192, 0, 2, 0), 24),    // documentation, RFC 5737
    (Ipv4Addr::new(192, 88, 99, 0), 24),  // 6to4 relays, deprecated by RFC 7526
    (Ipv4Addr::new(192, 168, 0, 0), 16),  // private use, RFC 1918
    (Ipv4Addr::new(198, 18, 0, 0), 15),   // benchmarks, RFC 2544
    (Ipv4Addr::new(198, 51, 100, 0), 24), // documentation, RFC 5737
    (Ipv4Addr::new(203, 0, 113, 0), 24),  // documentation, RFC 5737
    (Ipv4Addr::new(224, 0, 0, 0), 4),     // multicast, RFC 5771
    (Ipv4Addr::new(240, 0, 0, 0), 4),     // reserved, RFC 1112; broadcast among it, RFC 8190
];

/// IPv6 addresses that are handed out at all: global unicast, RFC 4291 and the IANA IPv6 address space registry. Everything
/// else (loopback, unique local, link local, multicast, discard only) is outside.
const GLOBAL_V6: (Ipv6Addr, u8) = (Ipv6Addr::new(0x2000, 0, 0, 0, 0, 0, 0, 0), 3);

/// Blocks of these that are not to be called: IANA IPv6 Special-Purpose Address Registry.
const SPECIAL_V6: [(Ipv6Addr, u8); 4] = [
    (Ipv6Addr::new(0x2001, 0, 0, 0, 0, 0, 0, 0), 23), // protocol assignments, RFC 2928; Teredo among them
    (Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 0), 32), // documentation, RFC 3849
    (Ipv6Addr::new(0x2002, 0, 0, 0, 0, 0, 0, 0), 16), // 6to4, RFC 3056: holds an IPv4 address
    (Ipv6Addr::new(0x3fff, 0, 0, 0, 0, 0, 0, 0), 20), // documentation, RFC 9637
];

/// The well-known prefix of translators, RFC 6052: the IPv4 address it leads to is in the last 32 bits.
const TRANSLATED_V6: (Ipv6Addr, u8) = (Ipv6Addr::new(0x64, 0xff9b, 0, 0, 0, 0, 0, 0), 96);

/// Why an address is not called. The text says what to change and never repeats the address.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Blocked {
    /// Not a URL with a host.
    #[error("it is not a URL with a host; write it like https://desk.example/hook")]
    NoUrl,
    /// Neither https nor a scheme that is allowed.
    #[error(
        "only https is called; use https, or have webhook.http_allowed set for a network that is protected otherwise"
    )]
    Scheme,
    /// A user or password before the host.
    #[error("it holds a user or password; leave them out and send a header instead")]
    UserInfo,
    /// A number where a name is wanted.
    #[error("it is an IP address in figures, and not one of webhook.allowed_networks; use a host name")]
    Literal,
    /// A list of hosts is configured and this is none of them.
    #[error("its host is not one of webhook.allowed_hosts; have it added there")]
    Host,
    /// The name leads only to addresses that are not called.
    #[error(
        "its host leads to an address that is not public, and not one of webhook.allowed_networks; have the network added there"
    )]
    Address,
}

/// Finds the addresses of a name.
#[async_trait]
pub trait Names: Send + Sync {
    /// All addresses of `name` now.
    async fn addresses(&self, name: &str) -> std::io::Result<Vec<IpAddr>>;
}

/// The system's resolver.
struct System;

#[async_trait]
impl Names for System {
    async fn addresses(&self, name: &str) -> std::io::Result<Vec<IpAddr>> {
        Ok(tokio::net::lookup_host((name, 0)).await?.map(|address| address.ip()).collect())
    }
}

/// The rules. Cheap to clone.
#[derive(Clone)]
pub struct Guard {
    http_allowed: bool,
    hosts: Arc<[String]>,
    networks: Arc<[IpNet]>,
    names: Arc<dyn Names>,
}

impl Guard {
    /// The rules that are configured.
    pub fn new(config: &Config) -> Self {
        Self {
            http_allowed: config.webhook_http_allowed,
            hosts: config.webhook_allowed_hosts.clone().into(),
            networks: config.webhook_allowed_networks.clone().into(),
            names: Arc::new(System),
        }
    }

    /// The rules for addresses that stand in the configuration itself (record servers, key sets): the list of hosts is of those
    /// that Subscriptions name.
    pub fn of_settings(config: &Config) -> Self {
        Self { hosts: Arc::default(), ..Self::new(config) }
    }

    /// The same, which asks others for the addresses of names.
    #[must_use]
    pub fn asking(self, names: Arc<dyn Names>) -> Self {
        Self { names, ..self }
    }

    /// Looks at an address before it is called.
    ///
    /// # Errors
    /// It is not to be called.
    pub fn check(&self, endpoint: &str) -> Result<Url, Blocked> {
        let url: Url = endpoint.parse().map_err(|_| Blocked::NoUrl)?;
        let host = url.host_str().filter(|host| !host.is_empty()).ok_or(Blocked::NoUrl)?;
        // The parser has read every way to write an IPv4 address (decimal, octal, hexadecimal, in fewer parts) as its four
        // numbers: URL Standard, section 3.5.
        let literal: Option<IpAddr> = host.trim_start_matches('[').trim_end_matches(']').parse().ok();
        let is_local = match literal {
            Some(address) => meant(address).is_loopback(),
            // RFC 6761, section 6.3.
            None => host == "localhost" || host.ends_with(".localhost"),
        };
        let is_local_allowed = is_local && self.is_loopback_allowed();
        match url.scheme() {
            "https" => {}
            "http" if self.http_allowed || is_local_allowed => {}
            _ => return Err(Blocked::Scheme),
        }
        if !url.username().is_empty() || url.password().is_some() {
            return Err(Blocked::UserInfo);
        }
        if literal.is_some_and(|address| !self.is_in_allowed_network(address)) {
            return Err(Blocked::Literal);
        }
        if is_local && !is_local_allowed {
            return Err(Blocked::Address);
        }
        let with_port = url.port_or_known_default().map(|port| format!("{host}:{port}"));
        let is_listed = |listed: &String| listed == host || Some(listed) == with_port.as_ref();
        if !self.hosts.is_empty() && !self.hosts.iter().any(is_listed) {
            return Err(Blocked::Host);
        }
        Ok(url)
    }

    /// Whether a connection to `address` may be made.
    pub fn permits(&self, address: IpAddr) -> bool {
        is_global(meant(address)) || self.is_in_allowed_network(address)
    }

    /// The beginnings of a client that connects only where this allows: no redirects, no proxy, and each name looked at each
    /// time it is resolved. Whoever sends with it calls [`Guard::check`] first: an address in figures is not resolved.
    pub fn client(&self) -> ClientBuilder {
        // Fails if another part of the process has installed a provider before; then that one serves.
        let _ = rustls::crypto::ring::default_provider().install_default();
        ClientBuilder::new()
            .user_agent(concat!("endplate/", env!("CARGO_PKG_VERSION")))
            .redirect(Policy::none())
            .no_proxy()
            .dns_resolver(Arc::new(self.clone()))
    }

    fn is_loopback_allowed(&self) -> bool {
        [IpAddr::V4(Ipv4Addr::LOCALHOST), IpAddr::V6(Ipv6Addr::LOCALHOST)]
            .iter()
            .any(|address| self.networks.iter().any(|network| network.contains(address)))
    }

    fn is_in_allowed_network(&self, address: IpAddr) -> bool {
        let meant = meant(address);
        self.networks.iter().any(|network| network.contains(&meant))
    }
}

impl Endpoints for Guard {
    fn refused(&self, endpoint: &str) -> Option<String> {
        self.check(endpoint).err().map(|blocked| blocked.to_string())
    }
}

impl Resolve for Guard {
    fn resolve(&self, name: Name) -> Resolving {
        let guard = self.clone();
        Box::pin(async move {
            let mut addresses = guard.names.addresses(name.as_str()).await?;
            addresses.retain(|address| guard.permits(*address));
            if addresses.is_empty() {
                return Err(Blocked::Address.into());
            }
            let addresses: Addrs = Box::new(addresses.into_iter().map(|address| SocketAddr::new(address, 0)));
            Ok(addresses)
        })
    }
}

/// Reads an answer up to a limit in bytes; nothing if it is longer or breaks off. The client's timeout bounds the time.
pub async fn body(mut response: Response, max_bytes: usize) -> Option<Vec<u8>> {
    let mut body = Vec::new();
    loop {
        match response.chunk().await {
            Ok(Some(chunk)) if body.len() + chunk.len() <= max_bytes => body.extend_from_slice(&chunk),
            Ok(None) => return Some(body),
            Ok(Some(_)) | Err(_) => return None,
        }
    }
}

/// Why an error came about, if it was this guard that stopped it.
pub fn blocked(error: &(dyn std::error::Error + 'static)) -> Option<Blocked> {
    std::iter::successors(Some(error), |error| error.source()).find_map(|error| error.downcast_ref().copied())
}

/// The address that is reached: of an IPv6 address that holds an IPv4 address for translation, that one.
fn meant(address: IpAddr) -> IpAddr {
    let IpAddr::V6(v6) = address else { return address };
    if let Some(v4) = v6.to_ipv4_mapped() {
        return IpAddr::V4(v4);
    }
    if is_in_v6(v6, TRANSLATED_V6) {
        let [.., a, b, c, d] = v6.octets();
        return IpAddr::V4(Ipv4Addr::new(a, b, c, d));
    }
    address
}

fn is_global(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(v4) => !SPECIAL_V4.iter().any(|(block, bits)| {
            let mask = u32::MAX << (32 - u32::from(*bits));
            u32::from(v4) & mask == u32::from(*block)
        }),
        IpAddr::V6(v6) => is_in_v6(v6, GLOBAL_V6) && !SPECIAL_V6.iter().any(|block| is_in_v6(v6, *block)),
    }
}

fn is_in_v6(address: Ipv6Addr, (block, bits): (Ipv6Addr, u8)) -> bool {
    let mask = u128::MAX << (128 - u32::from(bits));
    u128::from(address) & mask == u128::from(block)
}

#[cfg(test)]
mod tests;
