//! What a device may do.

use core::fmt;
use core::str::FromStr;

/// What a device may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Records and reads.
    Crew,
    /// Records, reads, and says who may come in.
    Dispatcher,
    /// Reads.
    Auditor,
}

impl Role {
    const ALL: [Self; 3] = [Self::Crew, Self::Dispatcher, Self::Auditor];

    /// Returns the word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Crew => "crew",
            Self::Dispatcher => "dispatcher",
            Self::Auditor => "auditor",
        }
    }

    /// Returns the word for one who has it, with its article.
    pub const fn with_article(self) -> &'static str {
        match self {
            Self::Crew => "a crew",
            Self::Dispatcher => "a dispatcher",
            Self::Auditor => "an auditor",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// A word that is no role.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a role: crew, dispatcher or auditor")]
pub struct NotARole(String);

impl FromStr for Role {
    type Err = NotARole;

    fn from_str(word: &str) -> Result<Self, NotARole> {
        let role = Self::ALL.into_iter().find(|role| role.word() == word);
        role.ok_or_else(|| NotARole(word.to_owned()))
    }
}
