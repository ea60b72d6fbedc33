//! What is wrong with the controllers' programs as they stand, as `headwalk schedule` checks them.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::super::shown::Reader;
use crate::error::{Error, Kind};
use crate::output::Page;

/// What a crew should look at at each controller.
#[derive(Serialize)]
pub struct Programs {
    programs: Vec<SiteCheck>,
}

/// The controllers of one site.
#[derive(Serialize)]
struct SiteCheck {
    site: String,
    controllers: Vec<Check>,
}

/// One controller, as the schedule's JSON has it.
#[derive(Serialize, Deserialize)]
struct Check {
    controller: String,
    programs: String,
    faults: Vec<String>,
}

impl Programs {
    /// Asks for each site's schedule, and keeps its check of the programs.
    pub fn read(reader: Reader<'_>, sites: &[String]) -> Result<Self, Error> {
        let programs = sites.iter().map(|site| {
            let schedule = reader.read(&["schedule", site])?;
            let checks = schedule.get("program_check").unwrap_or(&Value::Null);
            let controllers = Vec::<Check>::deserialize(checks).map_err(|why| {
                let message = format!("the schedule of {site} has no program check: {why}");
                Error::new(Kind::Bug, message)
            })?;
            let site = site.clone();
            Ok(SiteCheck { site, controllers })
        });
        let programs = programs.collect::<Result<_, Error>>()?;
        Ok(Self { programs })
    }

    /// Writes what to look at.
    pub fn write(&self, page: &mut Page) {
        page.line("PROGRAMS AS THEY STAND");
        let mut rows = Vec::new();
        for site in &self.programs {
            for check in &site.controllers {
                let faults = match check.faults.as_slice() {
                    [] => "nothing wrong".to_owned(),
                    faults => faults.join("; "),
                };
                rows.push([site.site.clone(), check.controller.clone(), faults]);
            }
        }
        page.table(["site", "controller", "what to look at"], &rows);
        page.line("");
    }
}
