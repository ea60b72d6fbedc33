//! The auditor's pages: sites, what is at each, any thing's timeline, and the sealed export.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::site::papers::{Language, Paper};
use headwalk_core::site::photo::PhotoDigest;
use headwalk_core::site::words::Vocabulary;

use super::super::html::Html;
use super::door::{pairs, visitor};
use super::frame::{self, Visitor};
use super::photos;
use crate::office::{Asked, SiteThings, Timeline, Told};
use crate::refused::Refused;
use crate::routes::Shared;

/// `GET /office/sites`: every site.
pub(super) async fn sites(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    let who = match visitor(&shared, &headers).await {
        Ok((who, _)) => who,
        Err(why) => return frame::refused(why, None),
    };
    match shared.blocking(|hub| Ok(hub.firm()?.sites)).await {
        Ok(sites) => {
            let mut html = Html::default();
            html.markup("<main id=\"main\"><h1>Sites</h1><ul>");
            for (name, logbook) in &sites {
                html.markup("<li><a")
                    .attribute("href", &format!("/office/site?logbook={logbook}"))
                    .markup(">")
                    .text(name)
                    .markup("</a></li>");
            }
            html.markup("</ul></main>");
            frame::with_status(StatusCode::OK, "Sites", Some(&who), html)
        }
        Err(why) => frame::refused(why, Some(&who)),
    }
}

/// `GET /office/site?logbook=..`: what is at a site.
pub(super) async fn site(State(shared): State<Shared>, headers: HeaderMap, uri: Uri) -> Response {
    let who = match visitor(&shared, &headers).await {
        Ok((who, _)) => who,
        Err(why) => return frame::refused(why, None),
    };
    let read = async {
        let logbook = Query::of(&uri).logbook()?;
        shared.blocking(move |hub| hub.things(logbook)).await
    };
    match read.await {
        Ok(site) => {
            let title = site.name.clone();
            frame::with_status(StatusCode::OK, &title, Some(&who), site_page(&site))
        }
        Err(why) => frame::refused(why, Some(&who)),
    }
}

/// `GET /office/history?logbook=..&thing=..`: a thing's timeline.
pub(super) async fn history(
    State(shared): State<Shared>,
    headers: HeaderMap,
    uri: Uri,
) -> Response {
    let who = match visitor(&shared, &headers).await {
        Ok((who, _)) => who,
        Err(why) => return frame::refused(why, None),
    };
    let read = async {
        let asked = Query::of(&uri).asked()?;
        let read = shared.blocking(move |hub| hub.timeline(&asked)).await?;
        Ok((asked, read))
    };
    match read.await {
        Ok((asked, read)) => {
            let title = format!("{} at {}", read.name, read.site);
            let page = timeline_page(&asked, &read, &who);
            frame::with_status(StatusCode::OK, &title, Some(&who), page)
        }
        Err(why) => frame::refused(why, Some(&who)),
    }
}

/// `GET /office/export?logbook=..`: a logbook as a file that proves itself.
pub(super) async fn export(State(shared): State<Shared>, headers: HeaderMap, uri: Uri) -> Response {
    let who = match visitor(&shared, &headers).await {
        Ok((who, _)) => who,
        Err(why) => return frame::refused(why, None),
    };
    let read = async {
        let logbook = Query::of(&uri).logbook()?;
        let text = shared
            .blocking(move |hub| Ok(hub.sealed_export(logbook)?))
            .await?;
        Ok((logbook, text))
    };
    match read.await {
        Ok((logbook, text)) => {
            let name = format!("attachment; filename=\"{logbook}.jsonl\"");
            let name = HeaderValue::from_str(&name).expect("an id and our own words");
            let kind = HeaderValue::from_static("application/x-ndjson");
            let headers = [
                (header::CONTENT_TYPE, kind),
                (header::CONTENT_DISPOSITION, name),
            ];
            frame::guarded((headers, text).into_response())
        }
        Err(why) => frame::refused(why, Some(&who)),
    }
}

/// What stands behind the question mark.
pub(super) struct Query(Vec<(String, String)>);

impl Query {
    pub(super) fn of(uri: &Uri) -> Self {
        Self(pairs(uri.query().unwrap_or_default()))
    }

    fn get(&self, name: &str) -> &str {
        let mut pairs = self.0.iter();
        pairs
            .find(|(of, _)| of == name)
            .map_or("", |(_, value)| value)
    }

    pub(super) fn logbook(&self) -> Result<LogbookId, Refused> {
        self.get("logbook").parse().map_err(|_| Refused::NoSuchPage)
    }

    pub(super) fn thing(&self) -> Result<ThingId, Refused> {
        self.get("thing").parse().map_err(|_| Refused::NoSuchPage)
    }

    pub(super) fn digest(&self) -> Result<PhotoDigest, Refused> {
        self.get("digest").parse().map_err(|_| Refused::NoSuchPage)
    }

    fn asked(&self) -> Result<Asked, Refused> {
        Ok(Asked {
            logbook: self.logbook()?,
            thing: self.thing()?,
            as_of: self.day("as-of")?,
            as_known: self.day("as-known")?,
        })
    }

    fn day(&self, name: &str) -> Result<Option<NaiveDate>, Refused> {
        let text = self.get(name).trim();
        if text.is_empty() {
            return Ok(None);
        }
        let day = text.parse();
        day.map(Some)
            .map_err(|_| Refused::BadRequest(format!("`{text}` is no day, such as 2026-07-14")))
    }
}

fn site_page(site: &SiteThings) -> Html {
    let mut html = Html::default();
    html.markup("<main id=\"main\">").element("h1", &site.name);
    html.markup("<p><a")
        .attribute("href", &format!("/office/export?logbook={}", site.logbook))
        .markup(">Sealed export</a>: every entry of this site with its seals, as a file that ")
        .markup("proves itself. <code>headwalk verify --export FILE</code> checks it, and so does ")
        .markup("any program that follows the procedure in DEVELOPERS.md.</p>")
        .piece(papers(site));
    for (kind, things) in &site.things {
        html.markup("<section>")
            .element("h2", kind)
            .markup("<ul class=\"things\">");
        for (name, thing) in things {
            let to = format!("/office/history?logbook={}&thing={thing}", site.logbook);
            html.markup("<li><a")
                .attribute("href", &to)
                .markup(">")
                .text(name)
                .markup("</a></li>");
        }
        html.markup("</ul></section>");
    }
    html.markup("</main>");
    html
}

/// The papers about the site, each in both languages.
fn papers(site: &SiteThings) -> Html {
    let mut html = Html::default();
    html.markup("<section><h2>Papers</h2><ul class=\"things\">");
    for paper in Paper::MEMBERS {
        html.markup("<li>");
        for language in [Language::English, Language::Spanish] {
            let (kind, lang) = (paper.word(), language.tag());
            let to = format!("/office/papers/{kind}/{}?lang={lang}", site.logbook);
            html.markup(" <a").attribute("href", &to).markup(">");
            html.text(&format!("{} ({lang})", paper.plain()));
            html.markup("</a>");
        }
        html.markup("</li>");
    }
    html.markup("</ul></section>");
    html
}

fn timeline_page(asked: &Asked, read: &Timeline, who: &Visitor) -> Html {
    let mut html = Html::default();
    html.markup("<main id=\"main\"><h1>")
        .text(&read.name)
        .markup(" at <a")
        .attribute("href", &format!("/office/site?logbook={}", asked.logbook))
        .markup(">")
        .text(&read.site)
        .markup("</a></h1>")
        .piece(why(asked, read))
        .piece(moments(asked))
        .piece(standing(asked, who));
    if !read.gaps.is_empty() {
        html.markup("<section><h2>Not there</h2><ul class=\"gaps\">");
        for gap in &read.gaps {
            html.element("li", gap);
        }
        html.markup("</ul></section>");
    }
    html.markup("<section><h2>What was said</h2>");
    if read.told.is_empty() {
        html.markup("<p>Nothing by then.</p>");
    } else {
        html.markup("<table class=\"timeline\"><thead><tr><th scope=\"col\">When</th>")
            .markup("<th scope=\"col\">Who</th><th scope=\"col\">What</th></tr></thead><tbody>");
        let mut before: Option<&Told> = None;
        for told in &read.told {
            html.piece(row(asked.logbook, told, before));
            before = Some(told);
        }
        html.markup("</tbody></table>");
    }
    html.markup("</section></main>");
    html
}

/// The way to the page that a client can be shown.
fn why(asked: &Asked, read: &Timeline) -> Html {
    let mut html = Html::default();
    if read.has_page {
        let (logbook, thing) = (asked.logbook, asked.thing);
        html.markup("<p><a")
            .attribute(
                "href",
                &format!("/office/cause?logbook={logbook}&thing={thing}"),
            )
            .markup(">Why it is so</a>: what the record and the sums say of it today, as a page ")
            .markup("that a client can be shown.</p>");
    }
    html
}

/// The two days that can be asked for.
fn moments(asked: &Asked) -> Html {
    let mut html = Html::default();
    let day = |day: Option<NaiveDate>| day.map_or_else(String::new, |day| day.to_string());
    html.markup("<form class=\"moments\" method=\"get\" action=\"/office/history\">")
        .hidden("logbook", &asked.logbook.to_string())
        .hidden("thing", &asked.thing.to_string())
        .markup("<label>True at the end of <input type=\"date\" name=\"as-of\"")
        .attribute("value", &day(asked.as_of))
        .markup("></label><label>Known at the office at the end of ")
        .markup("<input type=\"date\" name=\"as-known\"")
        .attribute("value", &day(asked.as_known))
        .markup("></label><button>Show</button></form>");
    html
}

/// Which day the page shows, in words that print with it.
fn standing(asked: &Asked, who: &Visitor) -> Html {
    let mut html = Html::default();
    let as_of = asked
        .as_of
        .map(|day| format!("what had been written by the end of {day}"));
    let known = asked
        .as_known
        .map(|day| format!("what the office held at the end of {day}"));
    let parts: Vec<_> = [as_of, known].into_iter().flatten().collect();
    let words = match parts.is_empty() {
        true => "Everything that the office holds now".to_owned(),
        false => format!("Only {}", parts.join(", and of that only ")),
    };
    html.element(
        "p",
        &format!("{words}; read by {}.", who.session.person.as_str()),
    );
    html
}

fn row(logbook: LogbookId, told: &Told, before: Option<&Told>) -> Html {
    let entry = |told: &Told| {
        let who = (told.when.clone(), told.by.clone(), told.device.clone());
        (who, told.reached.clone(), told.entry.clone())
    };
    // What one entry said stands under one who and when.
    let same = before.is_some_and(|before| entry(before) == entry(told));
    let mut html = Html::default();
    if same {
        html.markup("<tr class=\"same\"><td></td><td></td>");
    } else {
        let mut who = vec![format!("on {}", told.device)];
        who.extend(told.entry.iter().cloned());
        html.markup("<tr><td>")
            .text(&told.when)
            .markup("<small>")
            .text(&told.reached)
            .markup("</small></td><td>")
            .text(&told.by)
            .markup("<small>")
            .text(&who.join("; "))
            .markup("</small></td>");
    }
    html.markup("<td>");
    if told.to_client {
        html.markup("<b>Client told:</b> ");
    }
    if let Some(of) = &told.of {
        html.text(of).markup(": ");
    }
    match &told.photo {
        Some(photo) => html.piece(photos::figure(logbook, photo)),
        None => html.element("strong", &told.words),
    };
    if !told.notes.is_empty() {
        html.markup("<small>")
            .text(&told.notes.join("; "))
            .markup("</small>");
    }
    html.markup("</td></tr>");
    html
}
