use super::*;
use crate::config::{Layers, Sources};

fn guard(text: &str) -> Guard {
    let sources = Sources { file: Some(("site.toml".into(), text.into())), ..Sources::default() };
    Guard::new(&Config::new(&Layers::read(&sources).expect("read")).expect("settings"))
}

/// Behind a gateway: nothing but the public internet.
fn public() -> Guard {
    guard("[webhook]\nallowed_networks = \"\"")
}

// IANA IPv4 Special-Purpose Address Registry and IPv6 Special-Purpose Address Registry (RFC 6890 and what updates it): blocks
// that are not globally reachable, first and last address of each; RFC 5771 and RFC 4291 for multicast.
const SPECIAL: [(&str, &str, &str); 29] = [
    ("0.0.0.0", "0.255.255.255", "RFC 791: this network"),
    ("10.0.0.0", "10.255.255.255", "RFC 1918: private use"),
    ("100.64.0.0", "100.127.255.255", "RFC 6598: shared address space"),
    ("127.0.0.0", "127.255.255.255", "RFC 1122: loopback"),
    ("169.254.0.0", "169.254.255.255", "RFC 3927: link local"),
    ("172.16.0.0", "172.31.255.255", "RFC 1918: private use"),
    ("192.0.0.0", "192.0.0.255", "RFC 6890: protocol assignments"),
    ("192.0.2.0", "192.0.2.255", "RFC 5737: TEST-NET-1"),
    ("192.168.0.0", "192.168.255.255", "RFC 1918: private use"),
    ("198.18.0.0", "198.19.255.255", "RFC 2544: benchmarking"),
    ("198.51.100.0", "198.51.100.255", "RFC 5737: TEST-NET-2"),
    ("203.0.113.0", "203.0.113.255", "RFC 5737: TEST-NET-3"),
    ("224.0.0.0", "239.255.255.255", "RFC 5771: multicast"),
    ("240.0.0.0", "255.255.255.255", "RFC 1112: reserved, RFC 8190: broadcast"),
    ("::", "::1", "RFC 4291: unspecified, loopback"),
    ("::ffff:10.0.0.0", "::ffff:10.255.255.255", "RFC 4291: IPv4-mapped, private use"),
    ("::ffff:127.0.0.1", "::ffff:169.254.169.254", "RFC 4291: IPv4-mapped, loopback and link local"),
    ("64:ff9b::7f00:1", "64:ff9b::a9fe:a9fe", "RFC 6052: translated, loopback and link local"),
    ("64:ff9b:1::", "64:ff9b:1:ffff:ffff:ffff:ffff:ffff", "RFC 8215: local-use translation"),
    ("100::", "100::ffff:ffff:ffff:ffff", "RFC 6666: discard only"),
    ("2001::", "2001:0:ffff:ffff:ffff:ffff:ffff:ffff", "RFC 4380: Teredo"),
    ("2001:2::", "2001:2:0:ffff:ffff:ffff:ffff:ffff", "RFC 5180: benchmarking"),
    ("2001:db8::", "2001:db8:ffff:ffff:ffff:ffff:ffff:ffff", "RFC 3849: documentation"),
    ("2002:7f00:1::", "2002:a9fe:a9fe::1", "RFC 3056: 6to4 of loopback and link local"),
    ("3fff::", "3fff:fff:ffff:ffff:ffff:ffff:ffff:ffff", "RFC 9637: documentation"),
    ("5f00::", "5f00:ffff:ffff:ffff:ffff:ffff:ffff:ffff", "RFC 9602: segment routing"),
    ("fc00::", "fdff:ffff:ffff:ffff:ffff:ffff:ffff:ffff", "RFC 4193: unique local"),
    ("fe80::", "febf:ffff:ffff:ffff:ffff:ffff:ffff:ffff", "RFC 4291: link-local unicast"),
    ("ff00::", "ffff:ffff:ffff:ffff:ffff:ffff:ffff:ffff", "RFC 4291: multicast"),
];

#[test]
fn special_purpose_addresses_are_not_called_and_their_neighbours_are() {
    let (public, permits) = (public(), |guard: &Guard, text: &str| guard.permits(text.parse().expect(text)));
    for (first, last, name) in SPECIAL {
        assert!(!permits(&public, first) && !permits(&public, last), "{name}");
    }
    for neighbour in [
        "1.0.0.0",
        "9.255.255.255",
        "11.0.0.0",
        "100.63.255.255",
        "100.128.0.0",
        "126.255.255.255",
        "128.0.0.0",
        "169.253.255.255",
        "169.255.0.0",
        "172.15.255.255",
        "172.32.0.0",
        "192.0.1.0",
        "192.167.255.255",
        "192.169.0.0",
        "198.17.255.255",
        "198.20.0.0",
        "223.255.255.255",
        "::ffff:1.1.1.1",
        "64:ff9b::101:101",
        "2001:200::",
        "2001:db7::",
        "2003::",
        "2606::1",
        "3ffe::1",
    ] {
        assert!(permits(&public, neighbour), "{neighbour}");
    }
    let ward = guard("[webhook]\nallowed_networks = \"10.20.0.0/16, fd00:20::/32\"");
    for (address, is_permitted) in [
        ("10.20.3.4", true),
        ("::ffff:10.20.3.4", true),
        ("10.21.0.0", false),
        ("fd00:20::5", true),
        ("fd00:21::5", false),
        ("127.0.0.1", false),
        ("1.1.1.1", true),
    ] {
        assert_eq!(permits(&ward, address), is_permitted, "{address}");
    }
}

/// The ways to write 127.0.0.1 that a URL allows (URL Standard, section 3.5), and others that must not be called.
#[test]
fn addresses_that_are_not_to_be_called_are_refused_for_what_is_wrong_with_them() {
    let table = [
        ("https://desk.example/hook", Ok(())),
        ("https://desk.example:8443/hook", Ok(())),
        ("http://desk.example/hook", Err(Blocked::Scheme)),
        ("ftp://desk.example/hook", Err(Blocked::Scheme)),
        ("file:///etc/passwd", Err(Blocked::NoUrl)),
        ("desk.example", Err(Blocked::NoUrl)),
        ("", Err(Blocked::NoUrl)),
        ("https://user@desk.example/", Err(Blocked::UserInfo)),
        ("https://:secret@desk.example/", Err(Blocked::UserInfo)),
        ("https://127.0.0.1/", Err(Blocked::Literal)),
        ("https://2130706433/", Err(Blocked::Literal)),
        ("https://0x7f000001/", Err(Blocked::Literal)),
        ("https://0177.0.0.1/", Err(Blocked::Literal)),
        ("https://127.1/", Err(Blocked::Literal)),
        ("https://127.0.0.1./", Err(Blocked::Literal)),
        ("https://[::1]/", Err(Blocked::Literal)),
        ("https://[::ffff:127.0.0.1]/", Err(Blocked::Literal)),
        ("https://[::ffff:7f00:1]/", Err(Blocked::Literal)),
        ("https://169.254.169.254/", Err(Blocked::Literal)),
        ("https://1.1.1.1/", Err(Blocked::Literal)),
        ("https://localhost/", Err(Blocked::Address)),
        ("https://a.LOCALHOST/", Err(Blocked::Address)),
    ];
    for (endpoint, wanted) in table {
        assert_eq!(public().check(endpoint).map(drop), wanted, "{endpoint}");
    }
}

#[test]
fn what_is_allowed_follows_the_settings() {
    let open = |text: &str, endpoint: &str| guard(text).check(endpoint).map(drop);
    // Open on this machine only: receivers on it are called, plainly and by number.
    for endpoint in ["http://127.0.0.1:9000/hook", "http://localhost:9000/", "http://[::1]:9000/"] {
        assert_eq!(open("", endpoint), Ok(()), "{endpoint}");
        assert_ne!(open("base_url = \"https://records.example/fhir\"", endpoint), Ok(()), "{endpoint}");
    }
    assert_eq!(open("", "http://desk.example/"), Err(Blocked::Scheme));
    assert_eq!(open("[webhook]\nhttp_allowed = true", "http://desk.example/"), Ok(()));
    assert_eq!(open("[webhook]\nhttp_allowed = true", "http://10.0.0.1/"), Err(Blocked::Literal));
    let ward = "[webhook]\nallowed_networks = \"10.20.0.0/16\"";
    assert_eq!(open(ward, "https://10.20.0.9/"), Ok(()));
    assert_eq!(open(ward, "http://127.0.0.1/"), Err(Blocked::Scheme));
    let hosts = "[webhook]\nallowed_hosts = \"desk.example, ward.example:8443\"";
    for (endpoint, wanted) in [
        ("https://desk.example/hook", Ok(())),
        ("https://desk.example:9/hook", Ok(())),
        ("https://ward.example:8443/", Ok(())),
        ("https://ward.example/", Err(Blocked::Host)),
        ("https://desk.example.evil.example/", Err(Blocked::Host)),
    ] {
        assert_eq!(open(hosts, endpoint), wanted, "{endpoint}");
    }
}
