//! The office's pages: sign-in, the day's end, any thing's timeline, and why it is dry,
//! wet or broken. Server-rendered; the one
//! script only saves steps, and everything works without it.
//!
//! Nobody but a person who signed in with a one-time code sees any of it. The session is a cookie
//! that no script reads and no other site sends; each form also carries what only the session's
//! own pages know. The policy on every page lets nothing load or run that is not the hub's.

mod causes;
mod day;
mod desk;
mod door;
mod frame;
mod papers;
mod photos;
mod record;

use axum::Router;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};

use crate::routes::Shared;

/// Where the pages begin; the session's cookie goes no further.
pub(crate) const ROOT: &str = "/office";

/// Returns the office's part of what the hub serves.
pub(crate) fn router() -> Router<Shared> {
    Router::new()
        .route("/office", get(desk::day))
        .route("/office/list", get(desk::list))
        .route("/office/news", get(desk::news))
        .route("/office/decide", post(desk::decide))
        .route("/office/undo", post(desk::undo))
        .route("/office/close", post(desk::close))
        .route("/office/sites", get(record::sites))
        .route("/office/site", get(record::site))
        .route("/office/history", get(record::history))
        .route("/office/export", get(record::export))
        .route("/office/photo", get(photos::photo))
        .route("/office/cause", get(causes::cause))
        .route("/office/wear", get(causes::wear))
        .route("/office/papers/{kind}/{site}", get(papers::paper))
        .route("/office/sign-in", get(door::ask).post(door::sign_in))
        .route("/office/sign-out", post(door::sign_out))
        .route("/office/office.css", get(style))
        .route("/office/office.js", get(script))
        .route("/office/office.svg", get(icon))
}

async fn style() -> Response {
    asset("text/css; charset=utf-8", include_str!("assets/office.css"))
}

async fn script() -> Response {
    asset(
        "text/javascript; charset=utf-8",
        include_str!("assets/office.js"),
    )
}

async fn icon() -> Response {
    asset("image/svg+xml", include_str!("assets/office.svg"))
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    let headers = [
        (header::CONTENT_TYPE, kind),
        (header::CACHE_CONTROL, "no-cache"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    ];
    (headers, text).into_response()
}
