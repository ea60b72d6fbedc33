//! Devices in and out, over HTTP: codes, enrolment, the list, and taking access back.

use axum::extract::{Request, State};
use axum::{Extension, Json};
use headwalk_core::log::chain::Mark;
use headwalk_core::log::id::{DeviceId, Seq};
use headwalk_core::log::stamp::WallMs;
use headwalk_core::site::words::Vocabulary;
use serde::{Deserialize, Serialize};

use crate::access::{Applicant, Enrolled, Name, Role};
use crate::error::Error;
use crate::hub::Hub;
use crate::refused::Refused;
use crate::request_log::moment;
use crate::routes::{Peer, Shared, read_json};
use crate::secret::Code;

/// How long a code is valid where nothing is said, in hours.
pub const USUAL_HOURS: u32 = 24;
/// How long a code can be valid at most, in hours: a week.
pub const MOST_HOURS: u32 = 7 * 24;

#[derive(Deserialize)]
struct EnrolRequest {
    code: String,
    device: String,
    device_name: String,
    person: String,
}

#[derive(Serialize)]
pub(crate) struct EnrolAnswer {
    token: String,
    store: String,
    role: &'static str,
    hub_name: String,
}

/// `POST /enrol`: a code for a token. Anyone may try, at the pace of a person.
pub(crate) async fn enrol(
    State(shared): State<Shared>,
    from: Extension<Peer>,
    request: Request,
) -> Result<Json<EnrolAnswer>, Refused> {
    shared.try_code(from)?;
    let asked: EnrolRequest = read_json(request.into_body()).await?;
    let code = Code::parse(&asked.code).ok_or(Refused::NotACode)?;
    let applicant = Applicant {
        device: device(&asked.device)?,
        name: name("device_name", &asked.device_name)?,
        person: name("person", &asked.person)?,
    };
    let welcome = shared
        .blocking(move |hub| hub.enrol(&code, applicant))
        .await?;
    Ok(Json(EnrolAnswer {
        token: welcome.token.to_string(),
        store: welcome.store.to_string(),
        role: welcome.role.word(),
        hub_name: welcome.hub_name.to_string(),
    }))
}

#[derive(Deserialize)]
struct CodeRequest {
    role: String,
    #[serde(rename = "for")]
    made_for: String,
    valid_hours: Option<u32>,
}

#[derive(Serialize)]
pub(crate) struct CodeAnswer {
    code: String,
    role: &'static str,
    #[serde(rename = "for")]
    made_for: String,
    expires: String,
}

/// `POST /codes`: a dispatcher makes a one-time code.
pub(crate) async fn codes(
    State(shared): State<Shared>,
    request: Request,
) -> Result<Json<CodeAnswer>, Refused> {
    let admitted = shared.admit(request, Hub::dispatcher).await?;
    let asked: CodeRequest = read_json(admitted.body).await?;
    let role: Role = asked
        .role
        .parse()
        .map_err(|error: crate::access::NotARole| Refused::BadRequest(error.to_string()))?;
    let made_for = name("for", &asked.made_for)?;
    let hours = asked.valid_hours.unwrap_or(USUAL_HOURS);
    if !(1..=MOST_HOURS).contains(&hours) {
        let why = format!("valid_hours is {hours}, and 1 to {MOST_HOURS} can be had");
        return Err(Refused::BadRequest(why));
    }
    let issued = shared
        .blocking(move |hub| Ok(hub.issue(role, made_for, hours)?))
        .await?;
    Ok(Json(CodeAnswer {
        code: issued.code.to_string(),
        role: issued.grant.role.word(),
        made_for: issued.grant.made_for.to_string(),
        expires: moment(issued.grant.expires),
    }))
}

#[derive(Serialize)]
pub(crate) struct DeviceAnswer {
    device: String,
    name: String,
    person: String,
    code_for: String,
    role: &'static str,
    enrolled: String,
    revoked: Option<String>,
    last_heard: Option<String>,
    clock_behind_ms: Option<i64>,
    later_ids: Vec<String>,
}

#[derive(Serialize)]
pub(crate) struct DevicesAnswer {
    devices: Vec<DeviceAnswer>,
}

/// `GET /devices`: what a dispatcher sees of the devices.
pub(crate) async fn devices(
    State(shared): State<Shared>,
    request: Request,
) -> Result<Json<DevicesAnswer>, Refused> {
    shared.admit(request, Hub::dispatcher).await?;
    let devices = shared.blocking(|hub| Ok(hub.devices()?)).await?;
    let devices = devices.iter().map(told).collect();
    Ok(Json(DevicesAnswer { devices }))
}

#[derive(Deserialize)]
struct RevokeRequest {
    device: String,
}

/// `POST /revoke`: a dispatcher takes a device's access back.
pub(crate) async fn revoke(
    State(shared): State<Shared>,
    request: Request,
) -> Result<Json<DeviceAnswer>, Refused> {
    let admitted = shared.admit(request, Hub::dispatcher).await?;
    let asked: RevokeRequest = read_json(admitted.body).await?;
    let device = device(&asked.device)?;
    let revoked = shared.blocking(move |hub| hub.revoke(device)).await?;
    Ok(Json(told(&revoked)))
}

#[derive(Deserialize)]
struct HoldsRequest {
    logbook: String,
    ends: Vec<(String, u64, String)>,
}

#[derive(Serialize)]
pub(crate) struct HoldsAnswer {
    chains_lacking: usize,
    on_route: bool,
}

/// `POST /holds`: whether the hub holds all that a device holds of a logbook: for each writer the
/// id, the last entry's number and its tip.
pub(crate) async fn holds(
    State(shared): State<Shared>,
    request: Request,
) -> Result<Json<HoldsAnswer>, Refused> {
    let admitted = shared.admit(request, Hub::holder).await?;
    let asked: HoldsRequest = read_json(admitted.body).await?;
    let unfit = |what: &str| Refused::BadRequest(format!("`{what}` is not what it should be"));
    let logbook = asked.logbook.parse().map_err(|_| unfit(&asked.logbook))?;
    let end = |(writer, seq, tip): &(String, u64, String)| {
        Ok(Mark {
            device: device(writer)?,
            seq: Seq::new(*seq).ok_or_else(|| unfit("0"))?,
            tip: tip.parse().map_err(|_| unfit(tip))?,
        })
    };
    let ends = asked
        .ends
        .iter()
        .map(end)
        .collect::<Result<Vec<_>, Refused>>()?;
    let token = admitted.token;
    let holds = shared
        .blocking(move |hub| hub.holds(&token, logbook, &ends))
        .await?;
    Ok(Json(HoldsAnswer {
        chains_lacking: holds.chains_lacking,
        on_route: holds.on_route,
    }))
}

fn told(enrolled: &Enrolled) -> DeviceAnswer {
    let when = |at: Option<WallMs>| at.map(moment);
    DeviceAnswer {
        device: enrolled.device.to_string(),
        name: enrolled.name.to_string(),
        person: enrolled.person.to_string(),
        code_for: enrolled.code_for.to_string(),
        role: enrolled.role.word(),
        enrolled: moment(enrolled.enrolled),
        revoked: when(enrolled.revoked),
        last_heard: when(enrolled.heard.map(|heard| heard.at)),
        clock_behind_ms: enrolled.heard.map(|heard| heard.behind_ms),
        later_ids: enrolled.later.iter().map(ToString::to_string).collect(),
    }
}

fn device(text: &str) -> Result<DeviceId, Refused> {
    text.parse()
        .map_err(|error: headwalk_core::log::id::NotAnId| Refused::BadRequest(error.to_string()))
}

fn name(field: &'static str, text: &str) -> Result<Name, Refused> {
    Name::parse(field, text).map_err(|error: Error| Refused::BadRequest(error.to_string()))
}
