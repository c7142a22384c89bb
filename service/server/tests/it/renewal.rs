//! Certificates that are exchanged while the service runs: SIGHUP has them read again, what cannot be used changes nothing, and
//! connections go on as they were made. Certificates are made by OpenSSL (req of RFC 2986 and X.509 of RFC 5280).

use crate::program::{Program, serve};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

/// Makes `name.pem` and `name.key`: a certificate for this machine, signed by itself.
fn certificate(folder: &Path, name: &str) -> CertificateDer<'static> {
    let made = Command::new("openssl")
        .args([
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
            "-days",
            "2",
        ])
        .args(["-subj", &format!("/CN={name}"), "-addext", "subjectAltName=IP:127.0.0.1"])
        .args(["-addext", "basicConstraints=critical,CA:FALSE"])
        .args(["-out", &format!("{name}.pem"), "-keyout", &format!("{name}.key")])
        .current_dir(folder)
        .output()
        .expect("openssl");
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    CertificateDer::from_pem_file(folder.join(format!("{name}.pem"))).expect("a certificate")
}

/// A connection that is kept.
struct Connection(StreamOwned<ClientConnection, TcpStream>);

impl Connection {
    /// Trusts these certificates and no other.
    fn open(service: &Program, trusted: &[&CertificateDer<'static>]) -> Self {
        let mut roots = RootCertStore::empty();
        for one in trusted {
            roots.add((*one).clone()).expect("an authority");
        }
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .expect("versions")
            .with_root_certificates(roots)
            .with_no_client_auth();
        let name = ServerName::try_from("127.0.0.1").expect("an address");
        let client = ClientConnection::new(Arc::new(config), name).expect("a client");
        let mut connection =
            Self(StreamOwned::new(client, TcpStream::connect(&service.address).expect("connected")));
        connection.answers();
        connection
    }

    /// Sends a request on it, and reads no more than its answer, which ends with this line.
    fn answers(&mut self) {
        self.0.write_all(b"GET /livez HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n").expect("sent");
        let mut answer = Vec::new();
        while !answer.ends_with(b"\r\n\r\nalive\n") {
            let mut part = [0; 1024];
            let read = self.0.read(&mut part).expect("an answer");
            assert!(read > 0, "it ended: {}", String::from_utf8_lossy(&answer));
            answer.extend_from_slice(&part[..read]);
        }
        assert!(answer.starts_with(b"HTTP/1.1 200 "));
    }

    /// What the service showed when it was made.
    fn shown(&self) -> &CertificateDer<'_> {
        &self.0.conn.peer_certificates().expect("certificates")[0]
    }
}

#[test]
fn a_hang_up_has_the_certificates_read_again_and_a_broken_one_changes_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let (first, second) = (certificate(folder.path(), "first"), certificate(folder.path(), "second"));
    let both = [&first, &second];
    let copy = |from: &str, to: &str| {
        std::fs::copy(folder.path().join(from), folder.path().join(to)).expect("copied");
    };
    copy("first.pem", "service.pem");
    copy("first.key", "service.key");
    let mut command = serve(folder.path());
    command.env("ENDPLATE_TLS_CERTIFICATE", "service.pem").env("ENDPLATE_TLS_KEY", "service.key");
    let service = Program::start(&mut command);
    let mut old = Connection::open(&service, &both);
    assert_eq!(old.shown(), &first);

    copy("second.pem", "service.pem");
    copy("second.key", "service.key");
    assert_eq!(Connection::open(&service, &both).shown(), &first, "nothing is read unasked");
    service.signal("HUP");
    service.said("the certificates were read again", 1);
    let mut new = Connection::open(&service, &both);
    assert_eq!(new.shown(), &second);
    old.answers();

    // No certificate, half of one, the key of another, no key: each is refused by its setting.
    let whole = std::fs::read(folder.path().join("second.pem")).expect("a file");
    for (nth, (setting, file, text)) in [
        ("tls.certificate must be", "service.pem", &b"no certificate"[..]),
        ("tls.certificate must be", "service.pem", &whole[..whole.len() / 2]),
        (
            "tls.key must be the key of",
            "service.key",
            &std::fs::read(folder.path().join("first.key")).expect("a file"),
        ),
        ("tls.key must be a PEM file", "service.key", b""),
    ]
    .into_iter()
    .enumerate()
    {
        std::fs::write(folder.path().join(file), text).expect("written");
        service.signal("HUP");
        let line = service.said("the certificates stay as they were", nth + 1);
        assert!(line.contains("WARN") && line.contains(setting), "{line}");
        assert_eq!(Connection::open(&service, &both).shown(), &second);
        copy("second.pem", "service.pem");
        copy("second.key", "service.key");
    }
    old.answers();
    new.answers();
    // What was refused does no harm to the next one.
    copy("first.pem", "service.pem");
    copy("first.key", "service.key");
    service.signal("HUP");
    service.said("the certificates were read again", 2);
    assert_eq!(Connection::open(&service, &both).shown(), &first);
    new.answers();
    service.stop();
}
