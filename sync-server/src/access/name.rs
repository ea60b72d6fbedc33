//! Names of people, devices and hubs.

use core::fmt;

use crate::error::Error;

/// How many bytes a name has at most: as many as an entry keeps of a person's.
const MAX_NAME_BYTES: usize = headwalk_core::log::codec::MAX_BY_BYTES;

/// A name of a person, a device or a hub: 1 to 64 bytes on one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Name(String);

impl Name {
    /// Reads a name; `what` says whose it is, for the error. Space around it is dropped.
    ///
    /// # Errors
    /// [`Error::NotAName`] where it is empty, too long or not one line.
    pub fn parse(what: &'static str, text: &str) -> Result<Self, Error> {
        let text = text.trim();
        let not = |why| Error::NotAName { what, why };
        if text.is_empty() {
            return Err(not("is empty"));
        }
        if text.len() > MAX_NAME_BYTES {
            return Err(not("has more than 64 bytes"));
        }
        if text.chars().any(char::is_control) {
            return Err(not("has a line break or another control sign in it"));
        }
        Ok(Self(text.to_owned()))
    }

    /// Returns the text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
