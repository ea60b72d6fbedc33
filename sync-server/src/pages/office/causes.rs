//! The pages that say why: of a zone, a valve, a spot or a head at a kerb, and of what wears out.
//! Each is the page that a client can be shown, the same bytes as the command writes.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use headwalk_core::site::client_page::ClientPage;

use super::super::html::Html;
use super::door::visitor;
use super::frame;
use super::record::Query;
use crate::routes::Shared;

/// A page for a client brings its own style and its own pictures, and nothing else.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; \
    base-uri 'none'; form-action 'none'";

/// `GET /office/cause?logbook=..&thing=..`
pub(super) async fn cause(State(shared): State<Shared>, headers: HeaderMap, uri: Uri) -> Response {
    let who = match visitor(&shared, &headers).await {
        Ok((who, _)) => who,
        Err(why) => return frame::refused(why, None),
    };
    let read = async {
        let query = Query::of(&uri);
        let (logbook, thing) = (query.logbook()?, query.thing()?);
        shared
            .blocking(move |hub| hub.cause_page(logbook, thing))
            .await
    };
    match read.await {
        Ok(Ok(page)) => alone(&page),
        Ok(Err(lacks)) => {
            let mut html = Html::default();
            html.markup("<main id=\"main\"><h1>Not known yet</h1>")
                .element("p", &frame::sentence(&lacks))
                .markup("</main>");
            frame::with_status(StatusCode::OK, "Not known yet", Some(&who), html)
        }
        Err(why) => frame::refused(why, Some(&who)),
    }
}

/// `GET /office/wear`
pub(super) async fn wear(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    let who = match visitor(&shared, &headers).await {
        Ok((who, _)) => who,
        Err(why) => return frame::refused(why, None),
    };
    match shared.blocking(|hub| hub.wear_page()).await {
        Ok(page) => alone(&page),
        Err(why) => frame::refused(why, Some(&who)),
    }
}

/// Answers with a page that stands alone, so that it prints and is sent on as it is.
fn alone(page: &ClientPage) -> Response {
    let kind = [(header::CONTENT_TYPE, "text/html; charset=utf-8")];
    let mut response = frame::guarded((kind, page.html()).into_response());
    let policy = HeaderValue::from_static(POLICY);
    response
        .headers_mut()
        .insert(header::CONTENT_SECURITY_POLICY, policy);
    response
}
