//! The connections of the page: how many at once, and how long each may take.
//!
//! With a certificate they are encrypted; the handshake has its time too.
//!
//! A browser sends a request whole and takes the answer at once. Whoever sends it
//! a letter at a time, or never takes the answer, holds a connection and nothing
//! else; so each step has its time, and there is an end to how many are open.

use super::Https;
use crate::trouble::{Result, Trouble};
use axum::Router;
use axum::body::Body;
use axum::http::{Response, StatusCode, header};
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::HashMap;
use std::convert::Infallible;
use std::net::IpAddr;
use std::path::Path;
use std::pin::pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// How long the page waits for whoever asks, and for how many.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    /// How many connections are open at once; further ones wait their turn.
    pub connections: usize,
    /// How many of them may come from one address other than this machine's own
    /// (through which a server that adds HTTPS brings everybody).
    pub from_one: usize,
    /// How long the head of a request may take, and a connection may be idle.
    pub head: Duration,
    /// How long a request may take until its answer begins, its body included.
    pub answer: Duration,
    /// How long a connection may live; a browser opens another without a word.
    pub life: Duration,
}

impl Default for Patience {
    /// A browser keeps six connections to one place and sends a form in one
    /// piece; a large photograph is made ready in a few seconds.
    fn default() -> Self {
        Patience {
            connections: 256,
            from_one: 64,
            head: Duration::from_secs(10),
            answer: Duration::from_secs(60),
            life: Duration::from_secs(300),
        }
    }
}

/// How long those who are being answered have when the program ends.
const FAREWELL: Duration = Duration::from_secs(5);

/// How many connections each address has.
#[derive(Clone, Default)]
struct Guests(Arc<Mutex<HashMap<IpAddr, usize>>>);

impl Guests {
    /// A place for `from`, if it has not too many; given up when dropped.
    fn seat(&self, from: IpAddr, most: usize) -> Option<Seat> {
        let mut guests = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = guests.entry(from).or_default();
        if *count >= most && !from.is_loopback() {
            return None;
        }
        *count += 1;
        Some(Seat(self.clone(), from))
    }
}

struct Seat(Guests, IpAddr);

impl Drop for Seat {
    fn drop(&mut self) {
        let mut guests = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = guests.get_mut(&self.1) {
            *count -= 1;
            if *count == 0 {
                guests.remove(&self.1);
            }
        }
    }
}

/// What encrypts connections, by the certificate and key of two PEM files.
///
/// # Errors
/// When a file cannot be read or holds none, or the two do not belong together.
pub fn encrypting(https: &Https) -> Result<TlsAcceptor> {
    let hint =
        "give PEM files: the certificate with those that vouch for it, and its key without a passphrase";
    let bad = |path: &Path, fact: &str| Trouble::file(path, fact).hint(hint);
    let chain = CertificateDer::pem_file_iter(&https.certificate)
        .and_then(Iterator::collect::<std::result::Result<Vec<_>, _>>)
        .map_err(|e| bad(&https.certificate, "cannot be read as a certificate").cause(e))?;
    if chain.is_empty() {
        return Err(bad(&https.certificate, "holds no certificate"));
    }
    let key = PrivateKeyDer::from_pem_file(&https.key)
        .map_err(|e| bad(&https.key, "cannot be read as a certificate's key").cause(e))?;
    let failed = |e| bad(&https.certificate, "cannot be used with this key").cause(e);
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(failed)?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(failed)?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}

/// Answers whoever comes to `listener` by `router`, encrypted by `tls` where it
/// is given, until `end` is done; then those who are being answered have five
/// seconds more.
pub async fn answer(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    patience: Patience,
    end: impl Future<Output = ()>,
) {
    let room = Arc::new(Semaphore::new(patience.connections));
    let guests = Guests::default();
    let (ending, ends) = watch::channel(());
    let mut open = JoinSet::new();
    let mut end = pin!(end);
    loop {
        let come = async {
            let place = room.clone().acquire_owned().await;
            (place, listener.accept().await)
        };
        let (place, come) = tokio::select! {
            () = &mut end => break,
            come = come => come,
        };
        while open.try_join_next().is_some() {}
        let (Ok(place), Ok((stream, from))) = (place, come) else {
            // Too many files are open, or the guest has gone: soon it is better.
            sleep(Duration::from_millis(200)).await;
            continue;
        };
        let Some(seat) = guests.seat(from.ip(), patience.from_one) else { continue };
        let (router, ends, tls) = (router.clone(), ends.clone(), tls.clone());
        open.spawn(async move {
            match tls {
                None => connection(stream, router, patience, ends).await,
                // Whoever does not come to an agreement in time goes.
                Some(tls) => {
                    if let Ok(Ok(stream)) = timeout(patience.head, tls.accept(stream)).await {
                        connection(stream, router, patience, ends).await;
                    }
                }
            }
            drop((place, seat));
        });
    }
    drop((listener, ending));
    // Who is still not done then is left: nothing is half written by that.
    let _ = timeout(FAREWELL, async { while open.join_next().await.is_some() {} }).await;
}

async fn connection(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    router: Router,
    patience: Patience,
    mut ends: watch::Receiver<()>,
) {
    let inner = TowerToHyperService::new(router);
    let service = service_fn(move |request| {
        let answer = inner.call(request);
        async move { Ok::<_, Infallible>(timeout(patience.answer, answer).await.map_or_else(|_| late(), yes)) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(patience.head)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = pin!(connection);
    // An error here is the guest's going away in the middle, or taking too long.
    tokio::select! {
        _ = &mut connection => return,
        _ = sleep(patience.life) => {}
        // The sender is never used, only dropped.
        _ = ends.changed() => {}
    }
    connection.as_mut().graceful_shutdown();
    let _ = timeout(patience.answer, connection).await;
}

fn yes(answer: std::result::Result<Response<Body>, Infallible>) -> Response<Body> {
    let Ok(answer) = answer;
    answer
}

fn late() -> Response<Body> {
    let mut response = Response::new(Body::from(
        "this request: took too long to arrive or to be answered\nhint: load the page again; if you sent \
         something, see whether it was kept",
    ));
    *response.status_mut() = StatusCode::REQUEST_TIMEOUT;
    for (name, value) in [
        (header::CONTENT_TYPE, "text/plain; charset=utf-8"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::CACHE_CONTROL, "no-store"),
        (header::CONNECTION, "close"),
    ] {
        response.headers_mut().insert(name, header::HeaderValue::from_static(value));
    }
    response
}
