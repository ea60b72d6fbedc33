//! The hub as a child process: this same program, on a free port of this machine only.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use headwalk_core::exchange::session::Summary;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::store::Store;
use headwalk_sync_server::command::{ADDRESS, FIRST_CODE};

use super::scenario::{DeviceName, UTC_OFFSET_MIN};
use crate::commands::exchange::carried;
use crate::edge::NOW;
use crate::error::{Error, Kind};
use crate::hub::{Applicant, Hub, OwnHub};
use crate::told::rfc3339;

/// The folder of the hub's files, in that of the demonstration.
pub const HUB_FOLDER: &str = "hub";

/// How long a code for a crew works.
const CODE_HOURS: u32 = 24;

/// A hub that runs, and what reaches it.
pub struct HubProcess {
    child: Child,
    address: String,
    since: WallMs,
    first_code: Option<String>,
}

impl HubProcess {
    /// Starts the hub of this folder at a moment, from which its clock goes on.
    pub fn start(folder: &Path, at: WallMs) -> Result<Self, Error> {
        let log = folder.join("hub.log");
        let log = File::options().create(true).append(true).open(log);
        let mut child = Command::new(std::env::current_exe().map_err(cannot_start)?)
            .arg("hub")
            .arg("--folder")
            .arg(folder.join(HUB_FOLDER))
            .args(["--name", "Office", "--until-input-ends"])
            .env(NOW, rfc3339(at, UTC_OFFSET_MIN))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(log.map_err(cannot_start)?)
            .spawn()
            .map_err(cannot_start)?;
        let out = child.stdout.take().expect("it was asked for");
        let (mut first_code, mut address) = (None, None);
        for line in BufReader::new(out).lines() {
            let line = line.map_err(cannot_start)?;
            if let Some(code) = line.strip_prefix(FIRST_CODE) {
                first_code = code.split_whitespace().next().map(str::to_owned);
            } else if ADDRESS.iter().any(|scheme| line.starts_with(scheme)) {
                address = Some(line);
                break;
            }
        }
        let Some(address) = address else {
            let _reaped = child.wait();
            return Err(
                Error::new(Kind::Machine, "the hub ended before it listened").hint(format!(
                    "it may have said why in {}",
                    folder.join("hub.log").display()
                )),
            );
        };
        Ok(Self {
            child,
            address,
            since: at,
            first_code,
        })
    }

    /// Returns the moment at which its clock began.
    pub const fn since(&self) -> WallMs {
        self.since
    }

    /// Ends the hub and waits until its files are closed.
    pub fn end(mut self) -> Result<(), Error> {
        drop(self.child.stdin.take());
        let ended = self.child.wait().map_err(cannot_start)?;
        if ended.success() {
            return Ok(());
        }
        Err(Error::new(
            Kind::Machine,
            format!("the hub did not end well: {ended}"),
        ))
    }

    /// Enrols a device by a one-time code: the first device by the code that the hub printed, each
    /// other one by a code that the first asks for.
    pub fn enrol(
        &mut self,
        store: &Store,
        name: DeviceName,
        by: &str,
        dispatcher: Option<&Store>,
    ) -> Result<(), Error> {
        let code = match (self.first_code.take(), dispatcher) {
            (Some(code), _) => code,
            (None, Some(dispatcher)) => {
                let issued = OwnHub::of_store(dispatcher)?.issue("crew", by, CODE_HOURS)?;
                issued.code
            }
            (None, None) => return Err(Error::new(Kind::Bug, "there is no first code")),
        };
        let applicant = Applicant {
            code: &code,
            device: store.device().to_string(),
            device_name: name.word(),
            person: by,
        };
        Hub::at(&self.address, None)?.enrol(store, &applicant)?;
        Ok(())
    }

    /// Exchanges an enrolled device's store with the hub, as told by the device's clock.
    pub fn exchange(&self, store: &Store, now: WallMs) -> Result<Summary, Error> {
        OwnHub::moved(store, &self.address)?;
        let hub = OwnHub::of_store(store)?;
        carried(store, hub.store_id(), || now, |parcel| hub.exchange(parcel))
    }
}

impl Drop for HubProcess {
    fn drop(&mut self) {
        // Where it has ended already there is nobody to tell.
        drop(self.child.stdin.take());
        let _reaped = self.child.wait();
    }
}

fn cannot_start(why: std::io::Error) -> Error {
    Error::new(Kind::Machine, format!("the hub cannot be started: {why}"))
        .hint("the demonstration starts it as a child of its own, on this machine only.")
}
