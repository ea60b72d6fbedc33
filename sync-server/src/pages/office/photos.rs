//! Pictures on the office's pages.

use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, Uri, header};
use axum::response::{IntoResponse, Response};
use headwalk_core::log::id::LogbookId;

use super::super::html::Html;
use super::door::visitor;
use super::frame;
use super::record::Query;
use crate::photos::office::{DayPhotos, Shown, Whereabouts};
use crate::routes::Shared;

/// `GET /office/photo?logbook=..&digest=..`: a picture.
pub(super) async fn photo(State(shared): State<Shared>, headers: HeaderMap, uri: Uri) -> Response {
    let who = match visitor(&shared, &headers).await {
        Ok((who, _)) => who,
        Err(why) => return frame::refused(why, None),
    };
    let read = async {
        let query = Query::of(&uri);
        let (logbook, digest) = (query.logbook()?, query.digest()?);
        shared
            .blocking(move |hub| hub.office_photo(logbook, digest))
            .await
    };
    match read.await {
        Ok(bytes) => {
            let kind = [(header::CONTENT_TYPE, "image/jpeg")];
            let mut response = frame::guarded((kind, Bytes::from(bytes)).into_response());
            // Its address names what it is, so it never changes; only this browser keeps it.
            let kept = HeaderValue::from_static("private, max-age=604800, immutable");
            response.headers_mut().insert(header::CACHE_CONTROL, kept);
            response
        }
        Err(why) => frame::refused(why, Some(&who)),
    }
}

/// A picture, which opens whole, or where it is.
pub(super) fn figure(logbook: LogbookId, shown: &Shown) -> Html {
    let mut html = Html::default();
    let words = &shown.words;
    html.markup("<figure class=\"photo\"")
        .attribute("data-photo", &shown.digest.to_string())
        .markup(">");
    let whereabouts = match &shown.whereabouts {
        Whereabouts::Here => {
            let to = format!("/office/photo?logbook={logbook}&digest={}", shown.digest);
            let (width, height) = shown.size;
            html.markup("<a")
                .attribute("href", &to)
                .markup("><img loading=\"lazy\"")
                .attribute("src", &to)
                .attribute("width", &width.to_string())
                .attribute("height", &height.to_string())
                .attribute("alt", words)
                .markup("></a>");
            String::new()
        }
        Whereabouts::OnPhoneOf(by) => format!("on {by}'s phone, not yet at the office"),
        Whereabouts::Nowhere => String::new(), // its words say it
    };
    html.markup("<figcaption>").text(words);
    if !whereabouts.is_empty() {
        html.markup("<strong>")
            .text(&whereabouts)
            .markup("</strong>");
    }
    html.markup("</figcaption></figure>");
    html
}

/// Those of one thing, beside each other.
pub(super) fn figures(logbook: LogbookId, shown: &[Shown]) -> Html {
    let mut html = Html::default();
    if !shown.is_empty() {
        html.markup("<div class=\"photos\">");
        for one in shown {
            html.piece(figure(logbook, one));
        }
        html.markup("</div>");
    }
    html
}

/// What has not arrived: on whose phone, and of which sites.
pub(super) fn not_here(photos: &DayPhotos) -> Html {
    let mut html = Html::default();
    if photos.on_phones.is_empty() {
        return html;
    }
    html.markup("<section id=\"photos-on-phones\"><h2>Pictures not yet at the office</h2><ul class=\"quiet\">");
    for (by, sites) in &photos.on_phones {
        let count: usize = sites.values().sum();
        let pictures = if count == 1 { "picture" } else { "pictures" };
        let sites = sites.iter().map(|(site, count)| format!("{site} {count}"));
        let sites: Vec<_> = sites.collect();
        let told = format!("{count} {pictures} on {by}'s phone: {}", sites.join(", "));
        html.element("li", &told);
    }
    html.markup("</ul></section>");
    html
}
