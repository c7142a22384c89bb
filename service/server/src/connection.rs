//! Connections: taken, served as HTTP/1.1, and cut off where the client is slow.

use crate::http::Phase;
use axum::Router;
use axum::extract::ConnectInfo;
use axum::serve::Listener;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::{Semaphore, watch};
use tracing::debug;

/// Connections at once; further ones wait to be taken.
const CONNECTIONS_MAX: usize = 4_096;
/// Bytes of a request's head that are read: what is longer is refused before it is kept.
const HEAD_MAX: usize = 256 << 10;
/// Headers of one request.
const HEADERS_MAX: usize = 100;
/// Serves until the service comes to `end`, then waits for the requests in progress. `head_time` is how long the head of a request may
/// take to arrive, and how long a connection may be idle. The listener accepts again after every failure.
pub(crate) async fn serve_http<L: Listener<Addr = SocketAddr>>(
    mut listener: L,
    router: Router,
    head_time: Duration,
    mut phase: watch::Receiver<Phase>,
    end: Phase,
) {
    let places = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let graceful = GracefulShutdown::new();
    loop {
        let taken = async {
            let place = Arc::clone(&places).acquire_owned().await;
            (place, listener.accept().await)
        };
        let (place, (stream, peer)) = tokio::select! {
            taken = taken => taken,
            _ = phase.wait_for(|phase| *phase >= end) => break,
        };
        let served = graceful.watch(connection(stream, peer, router.clone(), head_time));
        tokio::spawn(async move {
            if let Err(error) = served.await {
                debug!(is_timeout = error.is_timeout(), "a connection broke off");
            }
            drop(place);
        });
    }
    drop(listener);
    graceful.shutdown().await;
}

/// One connection, over whatever carries it.
fn connection<S>(
    stream: S,
    peer: SocketAddr,
    router: Router,
    head_time: Duration,
) -> http1::Connection<
    TokioIo<S>,
    impl Service<
        hyper::Request<Incoming>,
        Response = axum::response::Response,
        Error = std::convert::Infallible,
        Future: Send,
    > + Send,
>
where
    S: AsyncRead + AsyncWrite + Unpin + Send,
{
    let service = service_fn(move |mut request: hyper::Request<Incoming>| {
        request.extensions_mut().insert(ConnectInfo(peer));
        TowerToHyperService::new(router.clone()).call(request)
    });
    http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(head_time)
        .max_buf_size(HEAD_MAX)
        .max_headers(HEADERS_MAX)
        .serve_connection(TokioIo::new(stream), service)
}
