//! What is to be seen: plain blocks that the page draws one below the other. The page decides
//! nothing but their looks.

use serde::Serialize;

use crate::act::Act;
use crate::photo::PhotoBlock;
use crate::prefs::{Hand, Language};

/// A screen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// Which screen it is, so that the page knows whether it is still the same.
    pub key: String,
    /// The language of its words.
    pub language: Language,
    /// The hand that holds the phone.
    pub hand: Hand,
    /// Where one is.
    pub title: String,
    /// The site, where one is at one.
    pub above: Option<String>,
    /// The way back.
    pub back: Option<Button>,
    /// The way to language, units and storage.
    pub settings: Option<Button>,
    /// What it says, from top to bottom.
    pub blocks: Vec<Block>,
    /// The main actions, in reach of the thumb.
    pub dock: Vec<Button>,
    /// What is saved, and where.
    pub status: Status,
    /// Takes the last entry of the visit back.
    pub undo: Option<Button>,
    /// What was just done, or why it was not.
    pub said: Option<Said>,
    /// What the page is asked to do.
    pub errands: Vec<Errand>,
}

/// What is saved, and where: two facts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Status {
    /// On this phone.
    pub saved: String,
    /// At the office.
    pub office: String,
    /// Whether all is there.
    pub all_there: bool,
    /// Entries that are not there yet.
    pub waiting: u64,
    /// Whether the phone has joined an office.
    pub joined: bool,
    /// The pictures that are on this phone alone, if any are: a fact beside the entries'.
    pub photos: Option<String>,
    /// How many those are.
    pub photos_waiting: usize,
}

/// What was just done, or why it was not.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Said {
    /// In words.
    pub text: String,
    /// Whether something went wrong.
    pub trouble: bool,
}

/// What the page is asked to do outside of the store.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "errand", rename_all = "kebab-case")]
pub enum Errand {
    /// Bring this to the hub's `/enrol`, and the answer back as [`Act::LetIn`].
    Enrol {
        /// The body, JSON.
        body: String,
        /// Who joins.
        person: String,
    },
    /// Exchange with the hub.
    Exchange,
    /// Bring a picture from the hub.
    BringPhoto {
        /// The logbook that names it.
        logbook: crate::act::Book,
        /// Which.
        digest: String,
    },
}

/// How a piece of text is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tone {
    /// A sentence.
    Plain,
    /// What the next crew must know.
    Memory,
    /// What can hurt.
    Caution,
    /// What to look at once more.
    Ask,
}

/// A shape that says how something stands; the word stands beside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// Nothing was said yet: an empty ring.
    Open,
    /// Good: a ring with a tick.
    Good,
    /// Flagged: a flag.
    Flag,
    /// Found and not mended: a triangle.
    Found,
    /// Mended: a square with a tick.
    Fixed,
    /// Stays as it is: a square.
    Accepted,
    /// Skipped: a bar.
    Skipped,
    /// Two versions: two squares.
    Two,
}

/// How much a button weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// The next step.
    Main,
    /// One of several.
    Plain,
}

/// Something to tap.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Button {
    /// What it says.
    pub label: String,
    /// A line below that.
    pub note: Option<String>,
    /// A shape before it.
    pub mark: Option<Mark>,
    /// What it does.
    pub act: Act,
    /// How much it weighs.
    pub weight: Weight,
    /// Whether it is the one of several that stands.
    pub chosen: Option<bool>,
}

impl Button {
    /// Makes one of several.
    pub fn new(label: impl Into<String>, act: Act) -> Self {
        Self {
            label: label.into(),
            note: None,
            mark: None,
            act,
            weight: Weight::Plain,
            chosen: None,
        }
    }

    /// Makes it the next step.
    #[must_use]
    pub const fn main(mut self) -> Self {
        self.weight = Weight::Main;
        self
    }

    /// Puts a line below its label.
    #[must_use]
    pub fn note(mut self, note: impl Into<String>) -> Self {
        let note = note.into();
        self.note = (!note.is_empty()).then_some(note);
        self
    }

    /// Puts a shape before its label.
    #[must_use]
    pub const fn mark(mut self, mark: Mark) -> Self {
        self.mark = Some(mark);
        self
    }

    /// Says whether it is the one that stands.
    #[must_use]
    pub const fn chosen(mut self, chosen: bool) -> Self {
        self.chosen = Some(chosen);
        self
    }
}

/// A head in the order of the walk.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Tile {
    /// Its number.
    pub number: String,
    /// How it stands.
    pub mark: Mark,
    /// The same in a word.
    pub word: String,
    /// Opens it.
    pub open: Act,
    /// Flags it.
    pub flag: Option<Button>,
}

/// One line of facts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fact {
    /// What.
    pub label: String,
    /// How it is; empty where it stands in two versions.
    pub value: String,
    /// The versions, each to choose.
    pub versions: Vec<Button>,
}

/// Something to fill in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Input {
    /// The part of the act that it fills.
    pub name: String,
    /// What is asked.
    pub label: String,
    /// Which keyboard.
    pub keys: Keys,
    /// What stands there already.
    pub value: String,
}

/// A keyboard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Keys {
    /// Letters.
    Text,
    /// Capitals and digits, without corrections.
    Code,
    /// Digits and a decimal point.
    Number,
}

/// A number to step.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stepper {
    /// Of what.
    pub label: String,
    /// The number.
    pub value: String,
    /// A line below.
    pub note: String,
    /// One less.
    pub less: Button,
    /// One more.
    pub more: Button,
    /// Straight to a number.
    pub to: Option<Button>,
}

impl From<Stepper> for Block {
    fn from(stepper: Stepper) -> Self {
        Self::Stepper(Box::new(stepper))
    }
}

/// One piece of a screen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Block {
    /// A heading.
    Heading {
        /// Its words.
        text: String,
    },
    /// A sentence.
    Text {
        /// Its words.
        text: String,
        /// How it is meant.
        tone: Tone,
    },
    /// Buttons of full width.
    List {
        /// The buttons.
        items: Vec<Button>,
        /// A field that leaves those out that lack what is typed, with its label.
        filter: Option<String>,
    },
    /// Buttons beside each other.
    Choices {
        /// What is chosen.
        label: String,
        /// From what.
        options: Vec<Button>,
    },
    /// The heads of a zone.
    Heads {
        /// In the order of the walk.
        heads: Vec<Tile>,
    },
    /// What is known.
    Facts {
        /// Line by line.
        rows: Vec<Fact>,
    },
    /// A number to step.
    Stepper(Box<Stepper>),
    /// Something to type.
    Form {
        /// What is asked.
        inputs: Vec<Input>,
        /// What sends it.
        button: Button,
    },
    /// Pictures, and the way to take one.
    Photos(Box<PhotoBlock>),
    /// A clock that counts up from when the zone came on the screen.
    Timer {
        /// Since when, in milliseconds of wall time.
        since: u64,
        /// What it counts.
        label: String,
    },
    /// A paper as it would be printed.
    Paper {
        /// The whole of it.
        html: String,
        /// What it is.
        label: String,
        /// What saves or shares it.
        save: String,
        /// Under which name.
        file: String,
    },
    /// What the browser alone can tell and do: storage, export, versions.
    Storage {
        /// The words for it, by name.
        words: std::collections::BTreeMap<&'static str, String>,
    },
}

impl Block {
    /// Makes a heading.
    pub fn heading(text: impl Into<String>) -> Self {
        Self::Heading { text: text.into() }
    }

    /// Makes a sentence.
    pub fn text(text: impl Into<String>, tone: Tone) -> Self {
        Self::Text {
            text: text.into(),
            tone,
        }
    }

    /// Makes buttons of full width.
    #[must_use]
    pub const fn list(items: Vec<Button>) -> Self {
        Self::List {
            items,
            filter: None,
        }
    }

    /// Makes buttons beside each other.
    pub fn choices(label: impl Into<String>, options: Vec<Button>) -> Self {
        Self::Choices {
            label: label.into(),
            options,
        }
    }
}
