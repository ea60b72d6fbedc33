//! Stored values in the language of the page, by the shapes of the table of fields: words of a choice
//! and names of parts are worded, what somebody typed stands as it is.

use headwalk_core::log::value::{Absence, Value};
use headwalk_core::site::fields::{Def, Shape};
use headwalk_core::site::unit::UnitSystem;

use super::{Word, retold, vocab};
use crate::prefs::Language;

/// Returns what a field says.
#[must_use]
pub fn said<N>(language: Language, of: &Def<N>, value: &Value, system: UnitSystem) -> String {
    of_shape(language, of, of.shape, value, system)
}

fn of_shape<N>(
    language: Language,
    of: &Def<N>,
    shape: Shape,
    value: &Value,
    system: UnitSystem,
) -> String {
    match (shape, value) {
        (_, Value::Absent(Absence::Cleared)) => Word::BlankWord.said(language).to_owned(),
        (_, Value::Absent(Absence::NotChecked)) => Word::NotCheckedWord.said(language).to_owned(),
        (_, Value::Absent(Absence::CouldNotCheck(why))) => {
            Word::CouldNotCheck.filled(language, &[why])
        }
        (_, Value::Bool(true)) => Word::Yes.said(language).to_lowercase(),
        (_, Value::Bool(false)) => Word::No.said(language).to_lowercase(),
        (Shape::Choice(_), Value::Text(word)) => vocab::shown(language, word),
        (Shape::Words(_), Value::Text(words)) => retold(language, words),
        (Shape::List(item), Value::List(items)) => {
            let items = items.iter();
            let items: Vec<_> = items
                .map(|item_value| of_shape(language, of, *item, item_value, system))
                .collect();
            items.join(", ")
        }
        (Shape::Record(parts), Value::Record(values)) => {
            let mut told = Vec::new();
            for (number, value) in values {
                let Some(part) = parts.iter().find(|part| part.number == *number) else {
                    told.push(Word::NewerPart.said(language).to_owned());
                    continue;
                };
                let name = vocab::shown(language, part.name);
                let value = of_shape(language, of, part.shape, value, system);
                told.push(format!("{name}: {value}"));
            }
            told.join("; ")
        }
        // Numbers, days, times and programs read alike in both languages.
        (shape, value) => {
            let one = Def {
                number: (),
                name: of.name,
                of: of.of,
                shape,
                help: of.help,
                since: of.since,
            };
            one.show(value, system)
        }
    }
}
