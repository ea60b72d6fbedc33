//! What went wrong, whose fault it is, and what to do next.

use std::process::ExitCode;

use headwalk_core::store;

/// Why a command did not do what was asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Error {
    kind: Kind,
    message: String,
    details: Vec<String>,
    hint: Option<String>,
    field: Option<String>,
}

/// Whose fault it is. The word is part of the `--json` contract.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// What was typed or read cannot be used.
    Input,
    /// The store's file is not what was written.
    Damaged,
    /// The disk, the network or another program stood in the way.
    Machine,
    /// The hub said no.
    Refused,
    /// Our own mistake.
    Bug,
}

impl Kind {
    /// Returns the word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Input => "input",
            Self::Damaged => "damaged",
            Self::Machine => "machine",
            Self::Refused => "refused",
            Self::Bug => "bug",
        }
    }
}

impl Error {
    /// Says what was wrong with what was typed or read.
    pub fn input(message: impl Into<String>) -> Self {
        Self::new(Kind::Input, message)
    }

    /// Says what went wrong, and whose fault it is.
    pub fn new(kind: Kind, message: impl Into<String>) -> Self {
        Self {
            kind,
            message: message.into(),
            details: Vec::new(),
            hint: None,
            field: None,
        }
    }

    /// Lists what is wrong one by one, where there is more than one.
    #[must_use]
    pub fn details(mut self, details: Vec<String>) -> Self {
        self.details = details;
        self
    }

    /// Says what to do next.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }

    /// Says it in another sentence.
    #[must_use]
    pub fn saying(mut self, message: impl Into<String>) -> Self {
        self.message = message.into();
        self
    }

    /// Names the field at fault.
    #[must_use]
    pub fn field(mut self, field: impl Into<String>) -> Self {
        self.field = Some(field.into());
        self
    }

    /// Returns what went wrong, in one sentence.
    pub fn message(&self) -> &str {
        &self.message
    }

    /// Returns what is wrong one by one.
    pub fn one_by_one(&self) -> &[String] {
        &self.details
    }

    /// Returns what to do next, if that is known.
    pub fn next_step(&self) -> Option<&str> {
        self.hint.as_deref()
    }

    /// Returns the field at fault, if one is.
    pub fn field_at_fault(&self) -> Option<&str> {
        self.field.as_deref()
    }

    /// Returns whose fault it is.
    pub const fn kind(&self) -> Kind {
        self.kind
    }

    /// Returns 2 where the input was wrong, else 1.
    pub fn exit_code(&self) -> ExitCode {
        match self.kind {
            Kind::Input => ExitCode::from(2),
            Kind::Damaged | Kind::Machine | Kind::Refused | Kind::Bug => ExitCode::from(1),
        }
    }
}

impl From<store::Error> for Error {
    fn from(error: store::Error) -> Self {
        use store::Error as E;
        let (kind, hint) = match &error {
            E::Missing(path) => (
                Kind::Input,
                format!(
                    "`headwalk init --store {}` begins one there.",
                    path.display()
                ),
            ),
            E::Exists(_) => (
                Kind::Input,
                "use it as it is, or name another file with --store.".to_owned(),
            ),
            E::ForReading => (Kind::Bug, String::new()),
            E::InUse => (Kind::Machine, String::new()),
            E::NotAStore => (
                Kind::Damaged,
                "keep the file, begin another with `headwalk init`, `headwalk enrol` it and \
                 exchange: everything that reached the office comes back."
                    .to_owned(),
            ),
            E::OtherFormat { .. } => (
                Kind::Machine,
                "use a headwalk as new as the one that wrote it.".to_owned(),
            ),
            E::DamagedEntry { .. } | E::Gap { .. } | E::MissingCause { .. } => (
                Kind::Damaged,
                "`headwalk verify` says what else is damaged.".to_owned(),
            ),
            E::DamagedIndex { .. } => (Kind::Damaged, String::new()),
            E::Codec(_) => (Kind::Input, String::new()),
            _ => (
                Kind::Machine,
                "see that the disk has room and that you may write there.".to_owned(),
            ),
        };
        let out = Self::new(kind, error.to_string());
        if hint.is_empty() { out } else { out.hint(hint) }
    }
}

impl From<headwalk_core::log::id::NotAnId> for Error {
    fn from(error: headwalk_core::log::id::NotAnId) -> Self {
        Self::input(error.to_string())
    }
}

impl From<headwalk_core::exchange::Error> for Error {
    fn from(error: headwalk_core::exchange::Error) -> Self {
        use headwalk_core::exchange::Error as E;
        match error {
            E::Store(error) => error.into(),
            E::Itself(_) => Self::input(error.to_string())
                .hint("name the other store; a copied store must never be used."),
            E::Garbled(_) | E::OtherVersion { .. } | E::Stuck(_) => {
                Self::new(Kind::Machine, error.to_string()).hint("what was acknowledged is kept.")
            }
            _ => Self::new(Kind::Machine, error.to_string()),
        }
    }
}

impl From<headwalk_core::site::fields::FieldError> for Error {
    fn from(error: headwalk_core::site::fields::FieldError) -> Self {
        Self::input(error.to_string())
    }
}

impl From<headwalk_core::site::things::AddressError> for Error {
    fn from(error: headwalk_core::site::things::AddressError) -> Self {
        Self::input(error.to_string()).field("thing")
    }
}
