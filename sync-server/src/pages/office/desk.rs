//! The day's end over HTTP: the list, the news that others decided, and decisions.

use std::time::Duration;

use axum::Json;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::response::{IntoResponse, Redirect, Response};
use headwalk_core::log::chain::Mark;
use headwalk_core::log::id::Seq;
use headwalk_core::site::day_end::{Act, Answer, LineKey};
use headwalk_core::site::words::Vocabulary;
use serde::Serialize;

use super::door::{Form, pairs, visitor, visitor_with_form};
use super::frame::{self, Visitor};
use super::{ROOT, day};
use crate::refused::Refused;
use crate::routes::Shared;

/// How long a page waits for news at once: less than a request may take.
const WAITS: Duration = Duration::from_secs(20);
/// What the page's own script says of itself, so that it gets pieces instead of pages.
const BY_SCRIPT: &str = "x-headwalk-script";

/// `GET /office`: the day's end.
pub(super) async fn day(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    match visitor(&shared, &headers).await {
        Ok((visitor, _)) => whole(&shared, &visitor, StatusCode::OK, None).await,
        Err(why) => frame::refused(why, None),
    }
}

/// `GET /office/list`: what of it changes.
pub(super) async fn list(State(shared): State<Shared>, headers: HeaderMap) -> Response {
    let read = async {
        let (visitor, _) = visitor(&shared, &headers).await?;
        let read = shared.blocking(|hub| Ok(hub.office_day()?)).await?;
        Ok((visitor, read))
    };
    match read.await {
        Ok((visitor, read)) => frame::piece(day::list(&read, &visitor)),
        Err(why) => frame::guarded(Refused::into_response(why)),
    }
}

#[derive(Serialize)]
struct News {
    revision: u64,
}

/// `GET /office/news?after=N`: how far the log has come, as soon as it is further than that.
pub(super) async fn news(State(shared): State<Shared>, headers: HeaderMap, uri: Uri) -> Response {
    if let Err(why) = visitor(&shared, &headers).await {
        return frame::guarded(why.into_response());
    }
    let asked = pairs(uri.query().unwrap_or_default());
    let after = asked.iter().find(|(name, _)| name == "after");
    let after: u64 = after.and_then(|(_, after)| after.parse().ok()).unwrap_or(0);
    let mut news = shared.hub().news();
    // Whether it came or the time was up: the answer says how far the log is.
    let revision = tokio::select! {
        moved = news.wait_for(|end| *end > after) => moved.map_or(after, |end| *end),
        () = shared.ending() => after,
        () = tokio::time::sleep(WAITS) => after,
    };
    frame::guarded(Json(News { revision }).into_response())
}

/// `POST /office/decide`
pub(super) async fn decide(State(shared): State<Shared>, request: Request) -> Response {
    done(&shared, request, |hub, visitor, form| {
        let key: LineKey =
            form.get("key")
                .parse()
                .map_err(|error: headwalk_core::site::day_end::NotALine| {
                    Refused::BadRequest(error.to_string())
                })?;
        let act = Act::of_word(form.get("act"));
        let act = act.ok_or_else(|| Refused::BadRequest("no such decision".to_owned()))?;
        let answer = Answer {
            act,
            version: form.get("version").parse().ok(),
            words: form.get("words").to_owned(),
            basis: form.get("basis").to_owned(),
        };
        hub.decide(&visitor.session, &key, &answer)
    })
    .await
}

/// `POST /office/undo`
pub(super) async fn undo(State(shared): State<Shared>, request: Request) -> Response {
    done(&shared, request, |hub, visitor, form| {
        let unfit = || Refused::BadRequest("no such decision".to_owned());
        let of = read_mark(form.get("mark")).ok_or_else(unfit)?;
        hub.take_back(&visitor.session, of).map(drop)
    })
    .await
}

/// `POST /office/close`
pub(super) async fn close(State(shared): State<Shared>, request: Request) -> Response {
    done(&shared, request, |hub, visitor, form| {
        hub.close_day(&visitor.session, form.get("why"))
    })
    .await
}

/// Does what a form asks for, and answers with the list as it is then, or with why not.
async fn done(
    shared: &Shared,
    request: Request,
    work: impl FnOnce(&crate::hub::Hub, &Visitor, &Form) -> Result<(), Refused> + Send + 'static,
) -> Response {
    let by_script = request.headers().contains_key(BY_SCRIPT);
    let (visitor, _, form) = match visitor_with_form(shared, request).await {
        Ok(asked) => asked,
        Err(why) if by_script => return frame::guarded(why.into_response()),
        Err(why) => return frame::refused(why, None),
    };
    let who = visitor.clone();
    let done = shared.blocking(move |hub| work(hub, &who, &form)).await;
    match (done, by_script) {
        (Ok(()), true) => {
            let read = shared.blocking(|hub| Ok(hub.office_day()?)).await;
            match read {
                Ok(read) => frame::piece(day::list(&read, &visitor)),
                Err(why) => frame::guarded(why.into_response()),
            }
        }
        (Ok(()), false) => frame::guarded(Redirect::to(ROOT).into_response()),
        (Err(why), true) => frame::guarded(why.into_response()),
        (Err(why @ Refused::CannotDecide(_)), false) => {
            let told = frame::sentence(&why.to_string());
            whole(shared, &visitor, why.status(), Some(&told)).await
        }
        (Err(why), false) => frame::refused(why, Some(&visitor)),
    }
}

async fn whole(
    shared: &Shared,
    visitor: &Visitor,
    status: StatusCode,
    told: Option<&str>,
) -> Response {
    match shared.blocking(|hub| Ok(hub.office_day()?)).await {
        Ok(read) => {
            let body = day::page(&read, visitor, told);
            frame::with_status(status, "Day's end", Some(visitor), body)
        }
        Err(why) => frame::refused(why, Some(visitor)),
    }
}

/// Writes a mark as a form carries it.
pub(super) fn mark_text(mark: &Mark) -> String {
    format!("{}.{}.{}", mark.device, mark.seq, mark.tip)
}

fn read_mark(text: &str) -> Option<Mark> {
    let mut parts = text.split('.');
    let mark = Mark {
        device: parts.next()?.parse().ok()?,
        seq: Seq::new(parts.next()?.parse().ok()?)?,
        tip: parts.next()?.parse().ok()?,
    };
    parts.next().is_none().then_some(mark)
}
