//! Fixed choices: the word that is stored, the words that are taken for it, and an enum where
//! the code decides by it.

use crate::log::value::Value;

/// One of a field's fixed choices.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Choice {
    /// The word that is stored, in lower case with hyphens. Stable for ever.
    pub word: &'static str,
    /// Other words that are taken for it.
    pub also: &'static [&'static str],
}

impl Choice {
    /// Returns the word as it reads in a sentence.
    #[must_use]
    pub fn plain(self) -> String {
        plain(self.word)
    }
}

/// Returns a stored word as it reads in a sentence.
#[must_use]
pub fn plain(word: &str) -> String {
    word.replace('-', " ")
}

/// Returns the choice that a person typed; capitals, blanks and underscores do not matter.
#[must_use]
pub fn chosen(choices: &[Choice], typed: &str) -> Option<Choice> {
    let mut word = typed.trim().to_lowercase();
    word = word.replace(['_', ' '], "-");
    choices
        .iter()
        .copied()
        .find(|choice| choice.word == word || choice.also.contains(&word.as_str()))
}

/// An enum whose members are stored as words.
pub trait Vocabulary: Copy + Sized + 'static {
    /// Every member's word, in order of declaration.
    const CHOICES: &'static [Choice];
    /// Every member, in order of declaration.
    const MEMBERS: &'static [Self];

    /// Returns the word that is stored.
    fn word(self) -> &'static str;

    /// Returns the member with that stored word; `None` if this version knows none.
    fn of_word(word: &str) -> Option<Self> {
        let known = Self::MEMBERS.iter().copied();
        known.into_iter().find(|member| member.word() == word)
    }

    /// Reads a stored value.
    fn read(value: &Value) -> Option<Self> {
        Self::of_word(value.as_text()?)
    }

    /// Returns the value to store.
    fn value(self) -> Value {
        Value::text(self.word())
    }

    /// Returns the word as it reads in a sentence.
    fn plain(self) -> String {
        plain(self.word())
    }
}

/// Lists choices that no code decides by: `choices!["word" | "other spelling", ...]`.
macro_rules! choices {
    ($($word:literal $(| $also:literal)*),+ $(,)?) => {
        &[$($crate::site::words::Choice { word: $word, also: &[$($also),*] }),+]
    };
}
pub(crate) use choices;

/// Makes enums that are stored as words.
macro_rules! vocabularies {
    ($($(#[$doc:meta])* $name:ident {
        $($(#[$member_doc:meta])* $member:ident = $word:literal $(| $also:literal)*,)+
    })+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name {
            $($(#[$member_doc])* $member,)+
        }

        impl $crate::site::words::Vocabulary for $name {
            const CHOICES: &'static [$crate::site::words::Choice] =
                $crate::site::words::choices![$($word $(| $also)*),+];
            const MEMBERS: &'static [Self] = &[$(Self::$member),+];

            fn word(self) -> &'static str {
                match self { $(Self::$member => $word,)+ }
            }
        }
    )+};
}
pub(crate) use vocabularies;

vocabularies! {
    /// How water leaves a head, or the heads of a zone.
    Emission {
        /// A nozzle that does not turn.
        FixedSpray = "fixed-spray" | "spray",
        /// A nozzle with turning streams.
        RotaryStream = "rotary-stream" | "rotary",
        /// A single stream turned by gears.
        GearRotor = "gear-rotor" | "rotor",
        /// A single stream turned by its own blows.
        Impact = "impact",
        /// Floods a basin at one plant.
        Bubbler = "bubbler",
        /// Emitters or dripline.
        Drip = "drip" | "dripline" | "emitter",
        /// Several on one valve: a finding in itself.
        Mixed = "mixed",
    }
    /// What grows in a zone.
    Planting {
        /// Fescue, bluegrass, rye and their kin.
        CoolSeasonTurf = "cool-season-turf" | "cool-turf" | "turf" | "lawn",
        /// Bermuda, zoysia and their kin.
        WarmSeasonTurf = "warm-season-turf" | "warm-turf",
        /// Seed or sod that has not rooted yet.
        NewTurf = "new-turf" | "new-seed" | "new-sod" | "seed" | "sod",
        /// Shrubs.
        Shrubs = "shrubs" | "shrub",
        /// Perennials and ground cover.
        Perennials = "perennials" | "ground-cover",
        /// Annual flowers.
        Annuals = "annuals" | "flowers",
        /// Trees.
        Trees = "trees" | "tree",
        /// A vegetable bed.
        Vegetables = "vegetables",
        /// Several on one valve.
        Mixed = "mixed",
    }
    /// How much sun a zone gets.
    Sun {
        /// Open to the sky.
        Full = "full" | "full-sun",
        /// Shaded for part of the day.
        Part = "part" | "part-sun" | "part-shade",
        /// Shaded.
        Shade = "shade" | "full-shade",
        /// Heated by paving or a wall.
        ReflectedHeat = "reflected-heat",
    }
    /// What a zone's soil feels like between the fingers.
    SoilKind {
        /// Sand.
        Sand = "sand",
        /// Loamy sand.
        LoamySand = "loamy-sand",
        /// Sandy loam.
        SandyLoam = "sandy-loam",
        /// Fine sandy loam.
        FineSandyLoam = "fine-sandy-loam",
        /// Loam.
        Loam = "loam",
        /// Silt loam.
        SiltLoam = "silt-loam",
        /// Sandy clay loam.
        SandyClayLoam = "sandy-clay-loam",
        /// Clay loam.
        ClayLoam = "clay-loam",
        /// Silty clay loam.
        SiltyClayLoam = "silty-clay-loam",
        /// Silty clay.
        SiltyClay = "silty-clay",
        /// Clay.
        Clay = "clay",
        /// Whatever the builder left.
        Fill = "fill",
    }
    /// Whether the water of a site is on.
    Season {
        /// Water on, controller running.
        Running = "running" | "on",
        /// Controller off, water on.
        Off = "off",
        /// Blown out and drained for the winter.
        Winterized = "winterized" | "winterised" | "blown-out",
    }
    /// A rain sensor at the controller.
    RainSensor {
        /// There is none.
        Absent = "none",
        /// Present and tried.
        Working = "working" | "present-working",
        /// Switched past.
        Bypassed = "bypassed",
        /// Tried, and did nothing.
        Failed = "failed",
    }
    /// Whether a valve lets water by when it is shut.
    Weeping {
        /// Seen.
        Yes = "yes" | "y",
        /// Looked for and not seen.
        No = "no" | "n",
        /// Something points to it.
        Suspected = "suspected",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_choice_is_found_however_it_was_typed() {
        let check = |typed, word| {
            let choice = chosen(Emission::CHOICES, typed);
            assert_eq!(choice.map(|choice| choice.word), word, "{typed}");
        };
        check("Fixed spray", Some("fixed-spray"));
        check(" gear_rotor ", Some("gear-rotor"));
        check("rotor", Some("gear-rotor"));
        check("sprinkler", None);
    }

    #[test]
    fn a_word_of_a_later_version_is_not_taken_for_another() {
        assert_eq!(Planting::read(&Value::text("moss")), None);
        assert_eq!(
            Planting::read(&Planting::Shrubs.value()),
            Some(Planting::Shrubs)
        );
    }
}
