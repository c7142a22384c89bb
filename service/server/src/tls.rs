//! TLS: certificates from files, read again without a restart, and connections whose handshake holds up no other.

use crate::config::TlsConfig;
use axum::serve::Listener;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig};
use std::io;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, mpsc};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

/// How long a handshake may take.
const HANDSHAKE_MAX: Duration = Duration::from_secs(10);
/// How many handshakes are under way at most.
const HANDSHAKES_MAX: usize = 256;

/// What connections are made with now.
#[derive(Clone)]
pub(crate) struct Certificates {
    config: TlsConfig,
    now: Arc<RwLock<Arc<ServerConfig>>>,
}

impl Certificates {
    /// Reads the files.
    ///
    /// # Errors
    /// One of them cannot be used; the text names the setting.
    pub(crate) fn read(config: &TlsConfig) -> Result<Self, String> {
        Ok(Self { config: config.clone(), now: Arc::new(RwLock::new(Arc::new(server(config)?))) })
    }

    /// Reads the files again, for connections made from now on. What cannot be used changes nothing.
    ///
    /// # Errors
    /// As for [`Certificates::read`].
    pub(crate) fn renew(&self) -> Result<(), String> {
        let renewed = Arc::new(server(&self.config)?);
        *self.now.write().unwrap_or_else(PoisonError::into_inner) = renewed;
        Ok(())
    }

    fn acceptor(&self) -> TlsAcceptor {
        TlsAcceptor::from(Arc::clone(&self.now.read().unwrap_or_else(PoisonError::into_inner)))
    }
}

/// TLS 1.2 and 1.3 (RFC 9325 section 3.1.1: no older ones); rustls knows no others.
fn server(config: &TlsConfig) -> Result<ServerConfig, String> {
    let chain =
        certificates(&config.certificate).ok_or("tls.certificate must be a PEM file of certificates")?;
    let key = PrivateKeyDer::from_pem_file(&config.key)
        .map_err(|_| "tls.key must be a PEM file of a private key")?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ServerConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()
        .map_err(|_| "tls: no protocol version can be used")?;
    let builder = match &config.client_ca {
        None => builder.with_no_client_auth(),
        Some(path) => {
            const WRONG: &str = "tls.client_ca must be a PEM file of certificates of authorities";
            let mut roots = RootCertStore::empty();
            for authority in certificates(path).ok_or(WRONG)? {
                roots.add(authority).map_err(|_| WRONG)?;
            }
            let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider);
            builder.with_client_cert_verifier(verifier.build().map_err(|_| WRONG)?)
        }
    };
    builder
        .with_single_cert(chain, key)
        .map_err(|_| "tls.key must be the key of the first certificate in tls.certificate".to_owned())
}

fn certificates(path: &Path) -> Option<Vec<CertificateDer<'static>>> {
    let all = CertificateDer::pem_file_iter(path).ok()?.collect::<Result<Vec<_>, _>>().ok()?;
    (!all.is_empty()).then_some(all)
}

type Connection = (TlsStream<TcpStream>, SocketAddr);

/// Takes connections whose handshake is done.
pub(crate) struct TlsListener {
    address: SocketAddr,
    connections: mpsc::Receiver<Connection>,
    accepting: tokio::task::JoinHandle<()>,
}

impl TlsListener {
    pub(crate) fn new(listener: TcpListener, certificates: Certificates) -> io::Result<Self> {
        let address = listener.local_addr()?;
        let (ready, connections) = mpsc::channel(HANDSHAKES_MAX);
        let accepting = tokio::spawn(accept(listener, certificates, ready));
        Ok(Self { address, connections, accepting })
    }
}

impl Drop for TlsListener {
    fn drop(&mut self) {
        self.accepting.abort();
    }
}

async fn accept(mut listener: TcpListener, certificates: Certificates, ready: mpsc::Sender<Connection>) {
    let room = Arc::new(Semaphore::new(HANDSHAKES_MAX));
    loop {
        let Ok(permit) = Arc::clone(&room).acquire_owned().await else { return };
        // Waits and tries again where the system gives no connection.
        let (stream, address) = Listener::accept(&mut listener).await;
        _ = stream.set_nodelay(true);
        let (acceptor, ready) = (certificates.acceptor(), ready.clone());
        tokio::spawn(async move {
            // Whoever fails is told by TLS itself, and is nobody that could be named.
            if let Ok(Ok(stream)) = tokio::time::timeout(HANDSHAKE_MAX, acceptor.accept(stream)).await {
                _ = ready.send((stream, address)).await;
            }
            drop(permit);
        });
    }
}

impl Listener for TlsListener {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> Connection {
        match self.connections.recv().await {
            Some(connection) => connection,
            // Its task has ended, as it does when the service stops.
            None => std::future::pending().await,
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.address)
    }
}
