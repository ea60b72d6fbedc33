//! Carries parcels between HTTP and core's exchange, and nothing else.

use axum::extract::{Request, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use headwalk_core::exchange::message::MAX_PARCEL_BYTES;

use crate::hub::Hub;
use crate::refused::Refused;
use crate::routes::{Admitted, Shared, read_body};

/// The kind of body that a parcel is.
const PARCEL: &str = "application/octet-stream";

/// `POST /exchange`: a parcel in, a parcel out, with a device's token.
pub(crate) async fn exchange(
    State(shared): State<Shared>,
    request: Request,
) -> Result<Response, Refused> {
    let Admitted { token, body } = shared.admit(request, Hub::holder).await?;
    let _place = shared.parcel_place().await?;
    let parcel = read_body(body, MAX_PARCEL_BYTES).await?;
    let answer = shared
        .blocking(move |hub| hub.exchange(&token, &parcel))
        .await?;
    Ok(([(header::CONTENT_TYPE, PARCEL)], answer).into_response())
}
