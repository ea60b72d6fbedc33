//! The loop that takes connections: bounded in number, in time for headers, and in life.

use std::future::Future;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::http::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tower::ServiceExt;

use crate::error::Error;
use crate::hub::Hub;
use crate::pages::yard::Yard;
use crate::request_log::{EventLine, RequestLog, moment};
use crate::routes::{self, Peer, Shared, Wired};
use crate::tls::Wire;

/// What anyone can ask of the hub at most.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// How long a client may take over its headers, and how long a connection may lie idle.
    pub header_time: Duration,
    /// How long a request may take, its body included.
    pub request_time: Duration,
    /// After how long a connection is closed, whatever it does: nobody holds a place for ever by
    /// reading an answer one byte at a time.
    pub connection_life: Duration,
    /// How long requests that are under way have when the hub ends.
    pub last_requests: Duration,
    /// How many connections are open at once; the next ones wait to be accepted.
    pub connections: usize,
}

impl Limits {
    /// The limits of a hub for up to a few hundred devices.
    pub const USUAL: Self = Self {
        header_time: Duration::from_secs(10),
        request_time: Duration::from_secs(30),
        connection_life: Duration::from_secs(5 * 60),
        last_requests: Duration::from_secs(30),
        connections: 1_024,
    };
}

/// How long to wait where the machine has no more sockets for us.
const NO_SOCKETS_PAUSE: Duration = Duration::from_millis(100);

/// Serves the hub on a listener until `shutdown` is done; then ends the requests that are under
/// way, and closes the hub's files.
///
/// # Errors
/// [`Error::FilesFailed`] where a file fails so that it must be opened anew: whatever started the
/// hub should start it again. [`Error`] where its last words cannot be put on disk.
pub async fn run(
    listener: TcpListener,
    wire: Wire,
    hub: Hub,
    limits: Limits,
    shutdown: impl Future<Output = ()>,
) -> Result<(), Error> {
    run_with(listener, wire, hub, limits, &Yard::default(), shutdown).await
}

/// Serves the hub as [`run`] does, and the yard page with it.
///
/// # Errors
/// Those of [`run`].
pub async fn run_with(
    listener: TcpListener,
    wire: Wire,
    hub: Hub,
    limits: Limits,
    yard: &Yard,
    shutdown: impl Future<Output = ()>,
) -> Result<(), Error> {
    let mut hub = hub;
    hub.begin_serving()?; // blocks, while there is nobody to keep waiting
    let hub = Arc::new(hub);
    let (log, written) = RequestLog::begin()?;
    let event = |event, detail| {
        let at = moment(hub.edge().now());
        log.tell(&EventLine { at, event, detail });
    };
    let address = listener.local_addr().map_err(Error::Machine)?;
    event("listening", Some(address.to_string()));

    // While the first devices come in; whoever opens the office's page before it is done waits.
    let warming = Arc::clone(&hub);
    let warmed = tokio::task::spawn_blocking(move || warming.warm_up());

    let pressing = tokio::spawn(press_now_and_then(Arc::clone(&hub), log.clone()));

    let shared = Shared::new(Arc::clone(&hub), log.clone(), limits.request_time);
    if let Some(how) = yard.lacks() {
        event("no-yard-page", Some(how.to_owned()));
    }
    let router = routes::router(shared.clone(), yard);
    let places = Arc::new(Semaphore::new(limits.connections));
    let graceful = GracefulShutdown::new();
    let mut shutdown = pin!(shutdown);
    let why = loop {
        let accepted = tokio::select! {
            () = &mut shutdown => break Ok(()),
            () = shared.files_failed() => break Err(Error::FilesFailed),
            accepted = accept(&listener, &places) => accepted,
        };
        match accepted {
            Ok((stream, from, place)) => {
                let watcher = graceful.watcher();
                let connection = Connection {
                    from,
                    router: router.clone(),
                    watcher,
                    limits,
                };
                let (wire, hub, log) = (wire.clone(), Arc::clone(&hub), log.clone());
                tokio::spawn(async move {
                    if let Err(why) = connection.serve(stream, &wire).await {
                        log.tell(&EventLine {
                            at: moment(hub.edge().now()),
                            event: "connection-refused",
                            detail: Some(format!("{}: {why}", from.ip())),
                        });
                    }
                    drop(place);
                });
            }
            Err(cause) => {
                event("not-accepted", Some(cause.to_string()));
                tokio::time::sleep(NO_SOCKETS_PAUSE).await;
            }
        }
    };
    drop(listener);
    pressing.abort(); // what is under way is done whole or not at all
    shared.end();
    event("ending", why.as_ref().err().map(Error::to_string));
    let last_requests = tokio::time::timeout(limits.last_requests, graceful.shutdown());
    if last_requests.await.is_err() {
        event("cut-off", None);
    }
    // A log that cannot be read says so to whoever asks for the page; it is no reason not to end.
    let _said_there = warmed.await;
    let ending = Arc::clone(&hub);
    let settled = tokio::task::spawn_blocking(move || ending.settle()).await;
    event("ended", None);
    drop((shared, router, log));
    written.wait();
    why.and(settled.expect("settling does not panic, and nothing cancels it"))
}

/// How long a hub leaves its log alone after it looked whether there is enough to pack.
const BETWEEN_PRESSINGS: std::time::Duration = std::time::Duration::from_secs(3_600);

/// Packs the log's older entries, as they become many.
async fn press_now_and_then(hub: Arc<Hub>, log: RequestLog) {
    loop {
        let pressing = Arc::clone(&hub);
        let pressed = tokio::task::spawn_blocking(move || pressing.press()).await;
        let told = match pressed {
            Ok(Ok(0)) => None,
            Ok(Ok(entries)) => Some(("packed", format!("{entries} entries"))),
            Ok(Err(error)) => Some(("not-packed", error.to_string())),
            Err(panicked) => Some(("not-packed", panicked.to_string())),
        };
        if let Some((event, detail)) = told {
            let at = moment(hub.edge().now());
            let detail = Some(detail);
            log.tell(&EventLine { at, event, detail });
        }
        tokio::time::sleep(BETWEEN_PRESSINGS).await;
    }
}

async fn accept(
    listener: &TcpListener,
    places: &Arc<Semaphore>,
) -> std::io::Result<(TcpStream, SocketAddr, OwnedSemaphorePermit)> {
    let place = Arc::clone(places).acquire_owned().await;
    let place = place.expect("the places are never closed");
    let (stream, from) = listener.accept().await?;
    Ok((stream, from, place))
}

/// One caller's connection.
struct Connection {
    from: SocketAddr,
    router: Router,
    watcher: Watcher,
    limits: Limits,
}

impl Connection {
    /// Serves it to its end. One that hung up did nothing wrong; requests that were understood are
    /// in the request log.
    ///
    /// # Errors
    /// One sentence for the log, where what came was no TLS, no HTTP, or too slow.
    async fn serve(self, stream: TcpStream, wire: &Wire) -> Result<(), String> {
        // Answers are short: without this the last piece of each may wait for a timer.
        let _slower_without = stream.set_nodelay(true);
        match wire {
            Wire::Clear => self.speak(stream, Wired::Clear).await,
            Wire::Tls(acceptor) => {
                let time = self.limits.header_time;
                let greeted = tokio::time::timeout(time, acceptor.accept(stream)).await;
                match greeted {
                    Ok(Ok(stream)) => self.speak(stream, Wired::Tls).await,
                    Ok(Err(cause)) => Err(format!("no TLS came of it: {cause}")),
                    Err(_) => Err(format!("no TLS came of it within {} s", time.as_secs())),
                }
            }
        }
    }

    async fn speak(
        self,
        stream: impl AsyncRead + AsyncWrite + Unpin + 'static,
        wired: Wired,
    ) -> Result<(), String> {
        let (from, router) = (self.from, self.router);
        let service = service_fn(move |mut request: Request<Incoming>| {
            request.extensions_mut().insert(Peer(from.ip()));
            request.extensions_mut().insert(wired);
            router.clone().oneshot(request)
        });
        let connection = http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(self.limits.header_time)
            .serve_connection(TokioIo::new(stream), service);
        let life = self.limits.connection_life;
        match tokio::time::timeout(life, self.watcher.watch(connection)).await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) if error.is_timeout() => Err(format!(
                "no whole head of a request came within {} s",
                self.limits.header_time.as_secs()
            )),
            Ok(Err(error)) if error.is_parse() => Err(format!("what came is not HTTP: {error}")),
            Ok(Err(_hung_up)) => Ok(()),
            Err(_) => Err(format!("it was open for {} s", life.as_secs())),
        }
    }
}
