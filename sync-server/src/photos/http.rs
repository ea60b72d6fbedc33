//! Carries pictures between HTTP and the hub, and nothing else.

use axum::body::Bytes;
use axum::extract::{Path, Request, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use headwalk_core::log::id::LogbookId;
use headwalk_core::site::photo::{CHUNK_BYTES, PhotoDigest};
use serde::{Deserialize, Serialize};

use super::Sure;
use super::folder::Held;
use crate::refused::Refused;
use crate::routes::{Shared, read_body, read_json};

/// How many pictures may be asked about at once.
const ASKED_AT_ONCE: usize = 50;

/// Returns the pictures' part of what the hub serves to devices.
pub(crate) fn router() -> Router<Shared> {
    Router::new()
        .route("/photos/held", post(held))
        .route("/photos/{logbook}/{digest}/{at}", get(give))
        .route("/photos/{logbook}/{digest}/{at}/{size}", post(take))
}

#[derive(Deserialize)]
struct HeldRequest {
    photos: Vec<HeldQuestion>,
}

#[derive(Deserialize)]
struct HeldQuestion {
    logbook: String,
    digest: String,
    #[serde(default)]
    sure: bool,
}

#[derive(Serialize)]
struct HeldAnswers {
    photos: Vec<HeldAnswer>,
}

/// How a picture stands: whether an entry names it, how many of its first bytes are here, and whether
/// that is all of it.
#[derive(Serialize)]
struct HeldAnswer {
    named: bool,
    held: u64,
    whole: bool,
}

impl HeldAnswer {
    const fn of(named: bool, held: Held) -> Self {
        let (held, whole) = match held {
            Held::Part(held) => (held, false),
            Held::Whole => (0, true),
        };
        Self { named, held, whole }
    }
}

/// `POST /photos/held`: how pictures stand, in the order of the question.
async fn held(
    State(shared): State<Shared>,
    request: Request,
) -> Result<Json<HeldAnswers>, Refused> {
    let admitted = shared.admit_with_photo(request).await?;
    let asked: HeldRequest = read_json(admitted.body).await?;
    if asked.photos.len() > ASKED_AT_ONCE {
        return Err(Refused::BadRequest(format!(
            "at most {ASKED_AT_ONCE} pictures can be asked about at once"
        )));
    }
    let question = |one: &HeldQuestion| {
        let sure = if one.sure {
            Sure::ByBytes
        } else {
            Sure::ByName
        };
        let (logbook, digest) = which(&one.logbook, &one.digest)?;
        Ok((logbook, digest, sure))
    };
    let asked = asked.photos.iter().map(question);
    let asked = asked.collect::<Result<Vec<_>, Refused>>()?;
    let token = admitted.token;
    let standing = shared
        .blocking(move |hub| hub.photo_standing(&token, &asked))
        .await?;
    let photos = standing.iter();
    let photos = photos
        .map(|one| HeldAnswer::of(one.named, one.held))
        .collect();
    Ok(Json(HeldAnswers { photos }))
}

/// `POST /photos/LOGBOOK/DIGEST/AT/SIZE`: the piece from AT on of a picture of SIZE bytes. The answer
/// says what is then here, and a piece that does not begin there changes nothing: so the sender goes
/// on from what it says.
async fn take(
    State(shared): State<Shared>,
    Path((logbook, digest, at, size)): Path<(String, String, String, String)>,
    request: Request,
) -> Result<Json<HeldAnswer>, Refused> {
    let admitted = shared.admit_with_photo(request).await?;
    let (which, at, size) = (which(&logbook, &digest)?, number(&at)?, number(&size)?);
    let _place = shared.photo_place().await?;
    let bytes = read_body(admitted.body, CHUNK_BYTES).await?;
    let token = admitted.token;
    let held = shared
        .blocking(move |hub| hub.take_photo(&token, which, size, (at, &bytes)))
        .await?;
    Ok(Json(HeldAnswer::of(true, held)))
}

/// `GET /photos/LOGBOOK/DIGEST/AT`: the next piece of a picture; nothing at its end.
async fn give(
    State(shared): State<Shared>,
    Path((logbook, digest, at)): Path<(String, String, String)>,
    request: Request,
) -> Result<Response, Refused> {
    let admitted = shared.admit_with_photo(request).await?;
    let (which, at) = (which(&logbook, &digest)?, number(&at)?);
    let _place = shared.photo_place().await?;
    let token = admitted.token;
    let bytes = shared
        .blocking(move |hub| hub.photo_piece(&token, which, at))
        .await?;
    let headers = [
        (header::CONTENT_TYPE, "application/octet-stream"),
        (header::CACHE_CONTROL, "no-store"),
    ];
    Ok((headers, Bytes::from(bytes)).into_response())
}

fn which(logbook: &str, digest: &str) -> Result<(LogbookId, PhotoDigest), Refused> {
    let unfit = |why: String| Refused::BadRequest(why);
    let logbook = logbook.parse::<LogbookId>();
    let digest = digest.parse::<PhotoDigest>();
    Ok((
        logbook.map_err(|why| unfit(why.to_string()))?,
        digest.map_err(|why| unfit(why.to_string()))?,
    ))
}

fn number(text: &str) -> Result<u64, Refused> {
    text.parse()
        .map_err(|_| Refused::BadRequest(format!("`{text}` is no number of bytes")))
}
