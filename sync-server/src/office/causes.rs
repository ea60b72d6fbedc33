//! Why it is dry, why it is wet, why it broke: what the log and the maths say of a thing, and of
//! what wears out in the whole firm, as pages that a client can be shown.

use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::site::client_page::{self, ClientPage};
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::lives::{Wear, wear};
use headwalk_core::site::things::Site;
use headwalk_core::water::units::Years;
use headwalk_core::water::wear::cascade::Deals;

use super::timeline::site_named;
use super::{Firm, Wearing, told};
use crate::error::Error;
use crate::hub::Hub;
use crate::refused::Refused;

/// How far ahead the firm's page looks.
const AHEAD: Years = Years::new(1.0);

/// Kinds of thing of which there is a page.
#[must_use]
pub const fn has_page(kind: Option<ThingKind>) -> bool {
    matches!(
        kind,
        Some(ThingKind::Zone | ThingKind::Valve | ThingKind::Head | ThingKind::Spot)
    )
}

/// Why there is no page: the hub refuses, or a sentence says what to record first.
enum NoPage {
    Refused(Refused),
    Lacks(String),
}

impl From<String> for NoPage {
    fn from(lacks: String) -> Self {
        Self::Lacks(lacks)
    }
}

impl Hub {
    /// Returns the page of a zone, a valve, a spot or a head at a kerb, or what is missing for it.
    ///
    /// # Errors
    /// [`Refused::NoSuchPage`] where the hub holds no such thing.
    pub fn cause_page(
        &self,
        logbook: LogbookId,
        thing: ThingId,
    ) -> Result<Result<ClientPage, String>, Refused> {
        if !self
            .log()
            .logbooks()
            .map_err(Error::from)?
            .contains(&logbook)
        {
            return Err(Refused::NoSuchPage);
        }
        let firm = self.firm()?;
        let state = told(self.log(), logbook).map_err(Error::from)?;
        let site = Site::of(&state, logbook);
        let of = site.thing(thing).filter(|of| has_page(of.kind));
        let of = of.ok_or(Refused::NoSuchPage)?;
        let name = site_named(&site);
        let wear = || self.wear(Wearing::Valves, &firm).map_err(NoPage::Refused);
        match client_page::about(&name, &site, of, firm.today.date(), wear) {
            Ok(page) => Ok(Ok(page.with_photos(&site, of, |digest| self.photo(digest))?)),
            Err(NoPage::Lacks(lacks)) => Ok(Err(lacks)),
            Err(NoPage::Refused(why)) => Err(why),
        }
    }

    /// Returns the page of what wears out in the firm.
    ///
    /// # Errors
    /// [`Error`] where the log cannot be read.
    pub fn wear_page(&self) -> Result<ClientPage, Refused> {
        let firm = self.firm()?;
        let valves = self.wear(Wearing::Valves, &firm)?;
        let heads = self.wear(Wearing::Heads, &firm)?;
        let today = firm.today.date();
        Ok(client_page::for_firm("All sites", &valves, &heads, today))
    }

    fn wear(&self, which: Wearing, firm: &Firm) -> Result<Wear, Refused> {
        let (today, offset) = (firm.today.date(), firm.today.utc_offset_min);
        let lives = self
            .office()
            .digests()
            .lives(self.log(), which, today, offset)
            .map_err(Error::from)?;
        wear(&lives, AHEAD, Deals::default())
            .map_err(|error| Refused::BadRequest(error.to_string()))
    }
}
