//! Papers over HTTP: the same bytes that `headwalk paper` writes.

use axum::extract::{Path, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use headwalk_core::log::id::LogbookId;
use headwalk_core::site::papers::{Language, Options, Paper, Sheet};
use headwalk_core::site::unit::UnitSystem;
use headwalk_core::site::words::Vocabulary;

use super::door::{pairs, visitor};
use super::frame;
use crate::refused::Refused;
use crate::routes::Shared;

/// A paper carries its one style in itself, and nothing else is loaded or run.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; form-action 'none'; \
    frame-ancestors 'none'; base-uri 'none'";

/// `GET /office/papers/KIND/SITE`, with `lang`, `units`, `paper` and `on` as the command's flags.
pub(super) async fn paper(
    State(shared): State<Shared>,
    Path((kind, site)): Path<(String, String)>,
    headers: HeaderMap,
    uri: Uri,
) -> Response {
    match made(&shared, &kind, &site, &headers, &uri).await {
        Ok(html) => {
            let kind = [(header::CONTENT_TYPE, "text/html; charset=utf-8")];
            let mut response = frame::guarded((StatusCode::OK, kind, html).into_response());
            let headers = response.headers_mut();
            headers.insert(
                header::CONTENT_SECURITY_POLICY,
                HeaderValue::from_static(POLICY),
            );
            response
        }
        Err(why) => frame::refused(why, None),
    }
}

async fn made(
    shared: &Shared,
    kind: &str,
    site: &str,
    headers: &HeaderMap,
    uri: &Uri,
) -> Result<String, Refused> {
    visitor(shared, headers).await?;
    let unfit = |what: &str| Refused::BadRequest(format!("there is no such {what}"));
    let kind = Paper::of_word(kind).ok_or_else(|| unfit("paper"))?;
    let site: LogbookId = site.parse().map_err(|_| unfit("site"))?;
    let wish = Wish::read(uri.query().unwrap_or_default())?;
    let html = shared
        .blocking(move |hub| Ok(hub.paper(kind, site, wish.on, |options| wish.change(options))?))
        .await?;
    html.ok_or_else(|| unfit("site"))
}

/// How to print, as far as it was said.
#[derive(Debug, Clone, Copy, Default)]
struct Wish {
    on: Option<NaiveDate>,
    language: Option<Language>,
    units: Option<UnitSystem>,
    sheet: Option<Sheet>,
}

impl Wish {
    fn read(query: &str) -> Result<Self, Refused> {
        let mut wish = Self::default();
        for (name, value) in pairs(query) {
            let unfit = || Refused::BadRequest(format!("`{value}` is no {name} of a paper"));
            match name.as_str() {
                "on" => wish.on = Some(value.parse().map_err(|_| unfit())?),
                "lang" => wish.language = Some(Language::of_word(&value).ok_or_else(unfit)?),
                "units" => {
                    wish.units = Some(match value.as_str() {
                        "us" => UnitSystem::Us,
                        "si" => UnitSystem::Si,
                        _ => return Err(unfit()),
                    });
                }
                "paper" => wish.sheet = Some(Sheet::of_word(&value).ok_or_else(unfit)?),
                _ => {}
            }
        }
        Ok(wish)
    }

    fn change(self, options: &mut Options) {
        options.language = self.language.unwrap_or(options.language);
        options.units = self.units.unwrap_or(options.units);
        options.sheet = self.sheet.unwrap_or(options.sheet);
    }
}
