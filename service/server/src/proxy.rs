//! Whose request it is, where proxies stand between.

use axum::http::HeaderMap;
use ipnet::IpNet;
use std::net::{IpAddr, SocketAddr};

/// To what a caller says with it each proxy adds the address that called it: common practice, of which RFC 7239, section 7.4, tells.
/// The header of that RFC itself, `Forwarded`, is not read: a proxy that does not know it would hand on what a caller made up.
const FORWARDED_FOR: &str = "x-forwarded-for";

/// The address that a request came from: that of the connection, or, where this is a proxy's, what the proxy says, as long as that is a
/// proxy's too. What anybody else says is not believed.
pub(crate) fn origin(peer: IpAddr, headers: &HeaderMap, proxies: &[IpNet]) -> IpAddr {
    let mut origin = peer.to_canonical();
    let said = headers.get_all(FORWARDED_FOR).iter().rev();
    let mut said = said.flat_map(|value| value.to_str().unwrap_or_default().rsplit(','));
    while proxies.iter().any(|network| network.contains(&origin)) {
        let Some(address) = said.next().and_then(address) else { break };
        origin = address;
    }
    origin
}

/// An address, be it with a port.
fn address(text: &str) -> Option<IpAddr> {
    let text = text.trim();
    let bare = text.strip_prefix('[').and_then(|text| text.strip_suffix(']')).unwrap_or(text);
    let address = bare.parse().ok().or_else(|| text.parse::<SocketAddr>().ok().map(|socket| socket.ip()));
    address.map(|address: IpAddr| address.to_canonical())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Addresses of RFC 5737 and RFC 3849, which are nobody's.
    #[test]
    fn only_proxies_are_believed_and_each_of_the_one_before_it() {
        let proxies = ["10.20.0.0/16", "2001:db8:1::/48"].map(|network| network.parse().unwrap());
        for (peer, said, origin_of) in [
            ("10.20.0.1", vec!["203.0.113.9"], "203.0.113.9"),
            ("::ffff:10.20.0.1", vec!["203.0.113.9"], "203.0.113.9"),
            ("10.20.0.1", vec![], "10.20.0.1"),
            // Nobody believes who is no proxy, in whatever he says.
            ("198.51.100.7", vec!["203.0.113.9"], "198.51.100.7"),
            ("10.20.0.1", vec!["203.0.113.9, 198.51.100.7"], "198.51.100.7"),
            ("10.20.0.1", vec!["10.20.0.3, 198.51.100.7,10.20.0.2"], "198.51.100.7"),
            ("10.20.0.1", vec!["203.0.113.9", "198.51.100.7, 2001:db8:1::2"], "198.51.100.7"),
            ("10.20.0.1", vec!["203.0.113.9", "[2001:db8:1::2]:443"], "203.0.113.9"),
            ("2001:db8:1::1", vec!["[2001:db8:2::9]"], "2001:db8:2::9"),
            ("10.20.0.1", vec!["198.51.100.7:4711"], "198.51.100.7"),
            // A proxy that does not say whom it serves is all that is known.
            ("10.20.0.1", vec!["203.0.113.9, unknown"], "10.20.0.1"),
            ("10.20.0.1", vec!["203.0.113.9, 10.20.0.2, "], "10.20.0.1"),
            ("10.20.0.1", vec!["10.20.0.2"], "10.20.0.2"),
        ] {
            let mut headers = HeaderMap::new();
            for value in &said {
                headers.append(FORWARDED_FOR, value.parse().unwrap());
            }
            let found = origin(peer.parse().unwrap(), &headers, &proxies);
            assert_eq!(found, origin_of.parse::<IpAddr>().unwrap(), "{peer} says {said:?}");
        }
    }
}
