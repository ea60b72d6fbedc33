//! What is around every page of the office: its head, who is signed in, and the headers that say
//! what a browser may do with it.

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};

use super::super::html::Html;
use super::ROOT;
use crate::access::Session;
use crate::refused::{Refused, Why};
use crate::secret::Digest;

/// Everything comes from the hub itself, nothing runs that is written into a page, no other site
/// shows it in a frame, and its forms go nowhere else.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
    connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// A person at a page, and what the page's forms carry.
#[derive(Debug, Clone)]
pub(super) struct Visitor {
    pub(super) session: Session,
    pub(super) form: Digest,
}

/// Answers with a page.
pub(super) fn with_status(
    status: StatusCode,
    title: &str,
    visitor: Option<&Visitor>,
    body: Html,
) -> Response {
    let mut html = Html::default();
    html.markup("<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">")
        .markup("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">")
        .element("title", title)
        .markup("<link rel=\"stylesheet\" href=\"/office/office.css\">")
        .markup("<link rel=\"icon\" href=\"/office/office.svg\">")
        .markup("<script src=\"/office/office.js\" defer></script></head><body>");
    if let Some(visitor) = visitor {
        html.piece(top(visitor));
    }
    html.piece(body).markup("</body></html>\n");
    answer(status, html)
}

/// Answers with a piece of a page.
pub(super) fn piece(html: Html) -> Response {
    answer(StatusCode::OK, html)
}

fn answer(status: StatusCode, html: Html) -> Response {
    let text = (
        [(header::CONTENT_TYPE, "text/html; charset=utf-8")],
        html.into_text(),
    );
    guarded((status, text).into_response())
}

/// Puts the headers on that keep an answer of the office to itself.
pub(super) fn guarded(mut response: Response) -> Response {
    let headers = response.headers_mut();
    let guards: [(HeaderName, &'static str); 5] = [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "same-origin"),
        (
            HeaderName::from_static("cross-origin-opener-policy"),
            "same-origin",
        ),
    ];
    for (name, value) in guards {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

/// Answers what was refused: whoever is not signed in is asked to, the others are told why.
pub(super) fn refused(why: Refused, visitor: Option<&Visitor>) -> Response {
    if matches!(why, Refused::SignedOut) {
        return guarded(Redirect::to("/office/sign-in").into_response());
    }
    let mut html = Html::default();
    html.markup("<main>")
        .element("h1", "That was not done")
        .element("p", &sentence(&why.to_string()))
        .element("p", &sentence(why.hint()))
        .markup("<p><a")
        .attribute("href", ROOT)
        .markup(">Back to the day's end</a></p></main>");
    let mut response = with_status(why.status(), "Not done", visitor, html);
    response.extensions_mut().insert(Why {
        kind: why.kind(),
        cause: why.cause(),
    });
    response
}

/// Begins with a capital and ends with a full stop.
pub(super) fn sentence(words: &str) -> String {
    let words = words.trim().trim_end_matches('.');
    let mut letters = words.chars();
    let first = letters.next().map(char::to_uppercase);
    let first: String = first.into_iter().flatten().collect();
    format!("{first}{}.", letters.as_str())
}

fn top(visitor: &Visitor) -> Html {
    let mut html = Html::default();
    let session = &visitor.session;
    html.markup("<header class=\"top\"><a class=\"skip\" href=\"#main\">To the list</a>")
        .markup("<nav aria-label=\"Pages\"><a href=\"/office\">Day's end</a> ")
        .markup("<a href=\"/office/sites\">Sites</a> ")
        .markup("<a href=\"/office/wear\">What wears out</a></nav>")
        .markup("<form method=\"post\" action=\"/office/sign-out\"><span>")
        .text(session.person.as_str())
        .markup(", ")
        .text(&session.role.to_string())
        .markup("</span>")
        .hidden("form", &visitor.form.hex())
        .markup("<button>Sign out</button></form></header>");
    html
}
