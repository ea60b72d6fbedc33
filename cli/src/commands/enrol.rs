//! `headwalk enrol`: joins a hub with a one-time code, or gives a code out.

use std::path::PathBuf;

use serde::Serialize;

use headwalk_core::site::company::Role;
use headwalk_core::site::words::Vocabulary;

use crate::call::Call;
use crate::error::Error;
use crate::hub::{Applicant, Hub, IssuedCode, OwnHub, Welcome};
use crate::output::{Page, Report};
use crate::trust::Authority;

/// Join the office's hub with a one-time code; or, as a dispatcher, give a code out.
///
/// The dispatcher gives you the hub's address and a code, which works once. From then on
/// `headwalk exchange` needs neither.
///
/// With --for a dispatcher's device makes a code for somebody else.
///
/// Example: headwalk enrol http://127.0.0.1:8080 4H7QX-2MK9R --device "Truck 2 tablet"
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The hub's address.
    #[arg(required_unless_present = "made_for", requires = "code")]
    url: Option<String>,
    /// The one-time code.
    code: Option<String>,
    /// What people call this device; else who writes on it.
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Believe this authority for the hub, too: the firm's own certificate, in PEM. Remembered.
    #[arg(long, value_name = "FILE")]
    ca: Option<PathBuf>,
    /// Make a code for this person or crew.
    #[arg(long = "for", value_name = "NAME", conflicts_with_all = ["url", "code", "device", "ca"])]
    made_for: Option<String>,
    /// What the new device may do: crew records and exchanges, dispatcher says who may come in,
    /// too, auditor reads.
    #[arg(long, default_value_t = Role::Crew)]
    role: Role,
    /// How long the new code works, in hours; a week at most.
    #[arg(long, value_name = "HOURS", default_value_t = 24)]
    valid_hours: u32,
}

/// `{"hub": URL, "hub_name": NAME, "role": .., "device": ID}`
#[derive(Serialize)]
struct Joined {
    hub: String,
    hub_name: String,
    role: String,
    device: String,
}

/// `{"code": .., "role": .., "for": .., "expires": RFC 3339}`
#[derive(Serialize)]
struct Code {
    code: String,
    role: String,
    #[serde(rename = "for")]
    made_for: String,
    expires: String,
}

pub fn run(args: Args, call: &Call) -> Result<(), Error> {
    match (args.url, args.code, args.made_for) {
        (_, _, Some(made_for)) => {
            let hub = OwnHub::of_store(&call.store()?)?;
            let issued = hub.issue(args.role.word(), &made_for, args.valid_hours)?;
            call.print(&Code::from(issued))
        }
        (Some(url), Some(code), None) => {
            let authority = args.ca.as_deref().map(Authority::of_file).transpose()?;
            join(
                Hub::at(&url, authority)?,
                &url,
                &code,
                args.device.as_deref(),
                call,
            )
        }
        _ => Err(Error::input("an address and a code are needed")
            .hint("usage: headwalk enrol URL CODE; the dispatcher gives you both.")),
    }
}

fn join(hub: Hub, url: &str, code: &str, device: Option<&str>, call: &Call) -> Result<(), Error> {
    let store = call.store()?;
    let person = call.by(&store)?;
    let id = store.device().to_string();
    let Welcome { role, hub_name, .. } = hub.enrol(
        &store,
        &Applicant {
            code,
            device: id.clone(),
            device_name: device.unwrap_or(&person),
            person: &person,
        },
    )?;
    call.print(&Joined {
        hub: url.to_owned(),
        hub_name,
        role,
        device: id,
    })
}

impl From<IssuedCode> for Code {
    fn from(issued: IssuedCode) -> Self {
        Self {
            code: issued.code,
            role: issued.role,
            made_for: issued.made_for,
            expires: issued.expires,
        }
    }
}

impl Report for Joined {
    fn write(&self, page: &mut Page) {
        let Self {
            hub_name,
            hub,
            role,
            ..
        } = self;
        page.line(format!("Joined {hub_name} at {hub} as {role}."));
        page.line("`headwalk exchange` brings what this device lacks.");
    }
}

impl Report for Code {
    fn write(&self, page: &mut Page) {
        page.line(&self.code);
        let Self {
            made_for,
            role,
            expires,
            ..
        } = self;
        page.line(format!(
            "For {made_for}, as {role}. Works once, until {expires}."
        ));
    }
}
