//! In and out: a one-time code for a session.

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use axum::{Extension, body::Body};

use super::super::html::Html;
use super::ROOT;
use super::frame::{self, Visitor};
use crate::refused::Refused;
use crate::routes::{Peer, Shared, Wired, read_body};
use crate::secret::{Code, Digest, SessionSecret};

/// The session's cookie.
const COOKIE: &str = "headwalk-office";
/// How long the cookie is kept; the hub's own clock says when the session is over.
const COOKIE_SECONDS: u32 = 12 * 60 * 60;
/// How much a form may hold.
const MOST_FORM_BYTES: usize = 16 * 1024;

/// `GET /office/sign-in`
pub(super) async fn ask(State(shared): State<Shared>) -> Response {
    door(&shared, StatusCode::OK, None).await
}

/// `POST /office/sign-in`: a code for a session. Anyone may try, at the pace of a person.
pub(super) async fn sign_in(
    State(shared): State<Shared>,
    from: Extension<Peer>,
    wired: Option<Extension<Wired>>,
    request: Request,
) -> Response {
    let (head, body) = request.into_parts();
    let signed_in = async {
        same_site(&head.headers)?;
        shared.try_code(from)?;
        let form = Form::read(body).await?;
        let code = Code::parse(form.get("code")).ok_or(Refused::NotACode)?;
        shared.blocking(move |hub| hub.sign_in(&code)).await
    };
    match signed_in.await {
        Ok((secret, _)) => {
            let secure = match wired {
                Some(Extension(Wired::Tls)) => "; Secure",
                _ => "",
            };
            let cookie = format!(
                "{COOKIE}={secret}; Path={ROOT}; HttpOnly; SameSite=Strict; \
                 Max-Age={COOKIE_SECONDS}{secure}"
            );
            with_cookie(Redirect::to(ROOT).into_response(), &cookie)
        }
        Err(why) => door(&shared, why.status(), Some(&why)).await,
    }
}

/// `POST /office/sign-out`
pub(super) async fn sign_out(State(shared): State<Shared>, request: Request) -> Response {
    match visitor_with_form(&shared, request).await {
        Ok((_, secret, _)) => {
            let ended = shared.blocking(move |hub| Ok(hub.sign_out(&secret)?)).await;
            if let Err(why) = ended {
                return frame::refused(why, None);
            }
        }
        Err(Refused::SignedOut) => {}
        Err(why) => return frame::refused(why, None),
    }
    let gone = format!("{COOKIE}=; Path={ROOT}; HttpOnly; SameSite=Strict; Max-Age=0");
    with_cookie(Redirect::to("/office/sign-in").into_response(), &gone)
}

async fn door(shared: &Shared, status: StatusCode, why: Option<&Refused>) -> Response {
    let name = shared.blocking(|hub| Ok(hub.name()?)).await;
    let name = name.map_or_else(|_| "Office".to_owned(), |name| name.to_string());
    let mut html = Html::default();
    html.markup("<main class=\"door\">")
        .element("h1", &name)
        .markup("<form method=\"post\" action=\"/office/sign-in\">");
    if let Some(why) = why {
        html.markup("<p class=\"told\" role=\"alert\">")
            .text(&frame::sentence(&why.to_string()))
            .markup(" ")
            .text(&frame::sentence(why.hint()))
            .markup("</p>");
    }
    html.markup("<label for=\"code\">Your one-time code</label>")
        .markup("<input id=\"code\" name=\"code\" autocomplete=\"one-time-code\" autofocus ")
        .markup("required spellcheck=\"false\" autocapitalize=\"characters\" ")
        .markup("placeholder=\"XXXXX-XXXXX\">")
        .markup("<button>Sign in</button><p>A dispatcher makes it: ")
        .markup("<code>headwalk enrol --for NAME --role dispatcher</code>, or ")
        .markup("<code>--role auditor</code> for one who reads only. It works once, and you stay ")
        .markup("signed in for twelve hours in this browser.</p></form></main>");
    frame::with_status(status, "Sign in", None, html)
}

fn with_cookie(mut response: Response, cookie: &str) -> Response {
    let value = HeaderValue::from_str(cookie).expect("hexadecimal digits and our own words");
    response.headers_mut().insert(header::SET_COOKIE, value);
    frame::guarded(response)
}

/// Returns who asks, by the cookie.
pub(super) async fn visitor(
    shared: &Shared,
    headers: &HeaderMap,
) -> Result<(Visitor, SessionSecret), Refused> {
    let cookies = headers.get_all(header::COOKIE).iter();
    let cookies = cookies.filter_map(|value| value.to_str().ok());
    let mut pairs = cookies.flat_map(|cookies| cookies.split(';'));
    let ours = pairs.find_map(|pair| pair.trim().strip_prefix(COOKIE)?.strip_prefix('='));
    let secret = ours
        .and_then(SessionSecret::parse)
        .ok_or(Refused::SignedOut)?;
    let asked = secret.clone();
    let session = shared.blocking(move |hub| hub.session(&asked)).await?;
    let form = secret.form_token();
    Ok((Visitor { session, form }, secret))
}

/// Returns who sends a form, and the form, where it is one of the session's own.
pub(super) async fn visitor_with_form(
    shared: &Shared,
    request: Request,
) -> Result<(Visitor, SessionSecret, Form), Refused> {
    let (head, body) = request.into_parts();
    same_site(&head.headers)?;
    let (visitor, secret) = visitor(shared, &head.headers).await?;
    let form = Form::read(body).await?;
    match Digest::parse(form.get("form")) {
        Some(token) if token == visitor.form => Ok((visitor, secret, form)),
        _ => Err(Refused::NotOurForm),
    }
}

/// Refuses what a browser says comes from another site. One that says nothing is held by the
/// cookie's own rule and by the form's token.
fn same_site(headers: &HeaderMap) -> Result<(), Refused> {
    match headers.get("sec-fetch-site").map(HeaderValue::as_bytes) {
        None | Some(b"same-origin" | b"none") => Ok(()),
        Some(_) => Err(Refused::NotOurForm),
    }
}

/// A form's fields.
#[derive(Debug)]
pub(super) struct Form(Vec<(String, String)>);

impl Form {
    async fn read(body: Body) -> Result<Self, Refused> {
        let bytes = read_body(body, MOST_FORM_BYTES).await?;
        let text = String::from_utf8(bytes);
        let text = text.map_err(|_| Refused::BadRequest("the form is no text".to_owned()))?;
        Ok(Self(pairs(&text)))
    }

    /// Returns a field; an empty text where it is not there.
    pub(super) fn get(&self, name: &str) -> &str {
        let mut pairs = self.0.iter();
        pairs
            .find(|(of, _)| of == name)
            .map_or("", |(_, value)| value.as_str())
    }
}

/// Reads `a=b&c=d`, as forms and addresses write it.
pub(super) fn pairs(text: &str) -> Vec<(String, String)> {
    let pairs = text.split('&').filter(|pair| !pair.is_empty());
    let read = |pair: &str| {
        let (name, value) = pair.split_once('=').unwrap_or((pair, ""));
        (decoded(name), decoded(value))
    };
    pairs.map(read).collect()
}

fn decoded(text: &str) -> String {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        match byte {
            b'+' => bytes.push(b' '),
            b'%' => {
                let mut ahead = rest.clone();
                let digit = |byte: Option<u8>| char::from(byte?).to_digit(16);
                match (digit(ahead.next()), digit(ahead.next())) {
                    (Some(high), Some(low)) => {
                        bytes.push((high * 16 + low) as u8);
                        rest = ahead;
                    }
                    _ => bytes.push(byte), // a percent sign that means itself
                }
            }
            other => bytes.push(other),
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_reads_back_what_a_browser_writes() {
        let form = Form(pairs(
            "why=the+hedge%3A+50%25+%26+more&who=J%C3%BCrg&empty=",
        ));
        assert_eq!(form.get("why"), "the hedge: 50% & more");
        assert_eq!(form.get("who"), "Jürg");
        assert_eq!((form.get("empty"), form.get("none")), ("", ""));
        assert_eq!(decoded("100%"), "100%");
        assert_eq!(decoded("%zz%4"), "%zz%4");
    }

    #[test]
    fn what_another_site_sends_is_refused() {
        let from = |site: &'static str| {
            let mut headers = HeaderMap::new();
            headers.insert("sec-fetch-site", HeaderValue::from_static(site));
            same_site(&headers).is_ok()
        };
        assert!(from("same-origin") && from("none"));
        assert!(!from("cross-site") && !from("same-site"));
        assert!(same_site(&HeaderMap::new()).is_ok());
    }
}
