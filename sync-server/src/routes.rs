//! What is served at which address, and what every request goes through: a time limit, a line in
//! the log, a token, a pace, a limit on its body.

use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Json, Router};
use headwalk_core::exchange::message::PROTOCOL;
use headwalk_core::log::id::DeviceId;
use http_body_util::BodyExt;
use serde::Serialize;
use serde::de::DeserializeOwned;
use tokio::sync::{Notify, Semaphore, SemaphorePermit, watch};

use crate::access::Enrolled;
use crate::hub::Hub;
use crate::limiter::{Limiter, Pace};
use crate::pages::yard::Yard;
use crate::refused::{Refused, Why};
use crate::request_log::{RequestLine, RequestLog, moment};
use crate::secret::Token;
use crate::{enrol, exchange_http, pages, photos};

/// How many parcels are read and answered at once; the others queue.
const PARCELS_AT_ONCE: usize = 64;
/// How many pieces of pictures are read or given at once; the others queue.
const PHOTOS_AT_ONCE: usize = 16;
/// When to come again where all places were taken.
const COME_AGAIN: Duration = Duration::from_secs(2);
/// How often one device may ask.
const DEVICE_PACE: Pace = Pace {
    at_once: 100,
    one_more_each: Duration::from_millis(100),
};
/// How often one address may try a code: 50 bits are out of reach at this pace.
const CODE_PACE: Pace = Pace {
    at_once: 20,
    one_more_each: Duration::from_secs(3),
};
/// How much of a body that is too large is read and thrown away, so that its sender gets to read
/// why; whoever sends more is cut off.
const PATIENCE_BYTES: usize = 4 * 1024 * 1024;
/// How much of a path is logged.
const LOGGED_PATH_BYTES: usize = 64;

/// What every request has at hand.
#[derive(Debug, Clone)]
pub(crate) struct Shared(Arc<Parts>);

#[derive(Debug)]
struct Parts {
    hub: Arc<Hub>,
    log: RequestLog,
    request_time: Duration,
    // Told when the hub's files take a new start.
    files_failed: Notify,
    // Whether the hub is ending: who waits for news then waits no longer.
    ending: watch::Sender<bool>,
    parcels: Semaphore,
    // Of their own, so that no picture ever holds an entry up.
    photos: Semaphore,
    device_turns: Limiter<DeviceId>,
    photo_turns: Limiter<DeviceId>,
    code_turns: Limiter<IpAddr>,
}

/// Where a request came from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Peer(pub(crate) IpAddr);

/// Whether a request came over TLS.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Wired {
    Clear,
    Tls,
}

/// Which device a request turned out to be from, for the log.
#[derive(Debug, Clone, Default)]
struct Who(Arc<OnceLock<DeviceId>>);

/// A request of a device that may ask it; its body is not read yet.
#[derive(Debug)]
pub(crate) struct Admitted {
    pub(crate) token: Token,
    pub(crate) body: Body,
}

/// Returns everything that the hub serves.
pub(crate) fn router(shared: Shared, yard: &Yard) -> Router {
    Router::new()
        .merge(yard.routes())
        .route("/healthz", get(health))
        .route("/metrics", get(metrics))
        .route("/enrol", post(enrol::enrol))
        .route("/codes", post(enrol::codes))
        .route("/devices", get(enrol::devices))
        .route("/revoke", post(enrol::revoke))
        .route("/holds", post(enrol::holds))
        .route("/exchange", post(exchange_http::exchange))
        .merge(photos::router())
        .merge(pages::office::router())
        .fallback(|| async { Refused::NoSuchPage })
        .method_not_allowed_fallback(|| async { Refused::WrongMethod })
        .layer(middleware::from_fn_with_state(shared.clone(), watched))
        .with_state(shared)
}

#[derive(Serialize)]
struct Health {
    status: &'static str,
    version: &'static str,
    protocol: u8,
}

async fn health(State(shared): State<Shared>) -> Result<Json<Health>, Refused> {
    shared.blocking(|hub| Ok(hub.look()?)).await?;
    Ok(Json(Health {
        status: "ok",
        version: env!("CARGO_PKG_VERSION"),
        protocol: PROTOCOL,
    }))
}

/// What this hub counted of its work with the fleet's log, a line each. It tells of no person, device
/// or site.
async fn metrics(State(shared): State<Shared>) -> Result<String, Refused> {
    shared.hub().counts().ok_or(Refused::NoSuchPage)
}

/// Holds a request to its time, and writes its line in the log.
async fn watched(State(shared): State<Shared>, mut request: Request, next: Next) -> Response {
    let began = shared.hub().edge().running();
    let who = Who::default();
    request.extensions_mut().insert(who.clone());
    let method = request.method().to_string();
    let path = logged_path(request.uri().path());
    let time = shared.0.request_time;
    let response = tokio::time::timeout(time, next.run(request))
        .await
        .unwrap_or_else(|_| Refused::TooSlow(time).into_response());
    let why = response.extensions().get::<Why>();
    let edge = shared.hub().edge();
    shared.0.log.tell(&RequestLine {
        at: moment(edge.now()),
        method,
        path,
        status: response.status().as_u16(),
        ms: edge.running().saturating_sub(began).as_millis() as u64,
        device: who.0.get().map(ToString::to_string),
        kind: why.map(|why| why.kind),
        cause: why.and_then(|why| why.cause.clone()),
    });
    response
}

fn logged_path(path: &str) -> String {
    let mut end = path.len().min(LOGGED_PATH_BYTES);
    while !path.is_char_boundary(end) {
        end -= 1;
    }
    path.split_at(end).0.to_owned()
}

impl Shared {
    pub(crate) fn new(hub: Arc<Hub>, log: RequestLog, request_time: Duration) -> Self {
        Self(Arc::new(Parts {
            hub,
            log,
            request_time,
            files_failed: Notify::new(),
            ending: watch::Sender::new(false),
            parcels: Semaphore::new(PARCELS_AT_ONCE),
            photos: Semaphore::new(PHOTOS_AT_ONCE),
            device_turns: Limiter::new(DEVICE_PACE),
            photo_turns: Limiter::new(DEVICE_PACE),
            code_turns: Limiter::new(CODE_PACE),
        }))
    }

    pub(crate) fn hub(&self) -> &Hub {
        &self.0.hub
    }

    /// Does what blocks on a thread that may.
    pub(crate) async fn blocking<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Hub) -> Result<T, Refused> + Send + 'static,
    ) -> Result<T, Refused> {
        let hub = Arc::clone(&self.0.hub);
        let done = tokio::task::spawn_blocking(move || work(&hub)).await;
        let done = done.unwrap_or_else(|bug| Err(Refused::Bug(bug.to_string())));
        if let Err(Refused::Failed(error)) = &done
            && error.takes_a_new_start()
        {
            self.0.files_failed.notify_one();
        }
        done
    }

    /// Waits until the hub's files fail so that they must be opened anew.
    pub(crate) async fn files_failed(&self) {
        self.0.files_failed.notified().await;
    }

    /// Says that the hub is ending.
    pub(crate) fn end(&self) {
        self.0.ending.send_replace(true);
    }

    /// Waits until the hub is ending.
    pub(crate) async fn ending(&self) {
        let mut ending = self.0.ending.subscribe();
        // The sender lives as long as this does.
        let _ended = ending.wait_for(|ending| *ending).await;
    }

    /// Finds out whose the request is by `find`, before a byte of its body is read, and takes one
    /// of that device's turns.
    pub(crate) async fn admit(
        &self,
        request: Request,
        find: fn(&Hub, &Token) -> Result<Enrolled, Refused>,
    ) -> Result<Admitted, Refused> {
        self.admit_at(&self.0.device_turns, request, find).await
    }

    /// The same for a device that speaks of pictures, for which it has turns of their own.
    pub(crate) async fn admit_with_photo(&self, request: Request) -> Result<Admitted, Refused> {
        self.admit_at(&self.0.photo_turns, request, Hub::holder)
            .await
    }

    async fn admit_at(
        &self,
        turns: &Limiter<DeviceId>,
        request: Request,
        find: fn(&Hub, &Token) -> Result<Enrolled, Refused>,
    ) -> Result<Admitted, Refused> {
        let (head, body) = request.into_parts();
        let token = bearer(&head.headers)?;
        let found = token.clone();
        let enrolled = self.blocking(move |hub| find(hub, &found)).await?;
        if let Some(who) = head.extensions.get::<Who>() {
            // A request is asked for its token once; a second answer would be the same.
            let _same = who.0.set(enrolled.device);
        }
        let now = self.hub().edge().running();
        let turn = turns.take(enrolled.device, now);
        turn.map_err(Refused::TooFast)?;
        Ok(Admitted { token, body })
    }

    /// Takes one of an address's turns at trying a code.
    pub(crate) fn try_code(&self, Extension(Peer(from)): Extension<Peer>) -> Result<(), Refused> {
        let now = self.hub().edge().running();
        let turn = self.0.code_turns.take(network_of(from), now);
        turn.map_err(Refused::TooFast)
    }

    /// Waits for one of the places at which parcels are read and answered, but not so long that the
    /// request's own time runs out in a queue: whoever finds none is told when to come again.
    pub(crate) async fn parcel_place(&self) -> Result<SemaphorePermit<'_>, Refused> {
        self.place(&self.0.parcels).await
    }

    /// Waits for one of the places at which pieces of pictures are read and given, as for a parcel's.
    pub(crate) async fn photo_place(&self) -> Result<SemaphorePermit<'_>, Refused> {
        self.place(&self.0.photos).await
    }

    async fn place<'s>(&self, places: &'s Semaphore) -> Result<SemaphorePermit<'s>, Refused> {
        let wait = self.0.request_time / 3;
        match tokio::time::timeout(wait, places.acquire()).await {
            Ok(place) => Ok(place.expect("the places are never closed")),
            Err(_) => Err(Refused::TooBusy(COME_AGAIN)),
        }
    }
}

fn bearer(headers: &HeaderMap) -> Result<Token, Refused> {
    let header = headers.get(header::AUTHORIZATION).ok_or(Refused::NoToken)?;
    let text = header.to_str().map_err(|_| Refused::UnknownToken)?;
    let (scheme, token) = text.split_once(' ').ok_or(Refused::NoToken)?;
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(Refused::NoToken);
    }
    Token::parse(token.trim()).ok_or(Refused::UnknownToken)
}

/// One household or office has one IPv4 address, or 2^64 of IPv6: those count as one.
fn network_of(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        v4 @ IpAddr::V4(_) => v4,
        IpAddr::V6(v6) => {
            let network = u128::from(v6) & !u128::from(u64::MAX);
            IpAddr::V6(Ipv6Addr::from(network))
        }
    }
}

/// Reads a body of at most `limit` bytes.
pub(crate) async fn read_body(body: Body, limit: usize) -> Result<Vec<u8>, Refused> {
    let (mut body, mut read, mut beyond) = (body, Vec::new(), 0);
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|_| Refused::CutShort)?;
        let Some(bytes) = frame.data_ref() else {
            continue; // trailers say nothing here
        };
        if beyond == 0 && read.len() + bytes.len() <= limit {
            read.extend_from_slice(bytes);
        } else {
            beyond += bytes.len();
            read = Vec::new();
        }
        if beyond > PATIENCE_BYTES {
            break;
        }
    }
    if beyond > 0 {
        return Err(Refused::TooLarge(limit));
    }
    Ok(read)
}

/// Reads a small JSON body.
pub(crate) async fn read_json<T: DeserializeOwned>(body: Body) -> Result<T, Refused> {
    const LIMIT: usize = 16 * 1024;
    let bytes = read_body(body, LIMIT).await?;
    serde_json::from_slice(&bytes).map_err(|error| Refused::BadRequest(error.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_network_counts_as_one_address() {
        let network = |text: &str| network_of(text.parse().unwrap());
        assert_eq!(network("2001:db8:0:1::5"), network("2001:db8:0:1:9::7"));
        assert_ne!(network("2001:db8:0:1::5"), network("2001:db8:0:2::5"));
        assert_ne!(network("192.0.2.1"), network("192.0.2.2"));
        assert_eq!(network("::ffff:192.0.2.1"), network("192.0.2.1"));
    }

    #[test]
    fn a_long_path_is_logged_in_part_and_between_signs() {
        assert_eq!(logged_path("/exchange"), "/exchange");
        assert_eq!(logged_path(&"ü".repeat(40)).len(), 64);
        assert_eq!(logged_path(&format!("/{}", "ü".repeat(40))).len(), 63);
    }
}
