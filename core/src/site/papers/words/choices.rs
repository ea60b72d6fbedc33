//! Fixed choices of the table of fields as a client reads them.

use super::{Language, Words, looked_up, words};
use crate::site::finding::{Severity, Status};
use crate::site::words::{Planting, Vocabulary};

/// Returns how soon a finding matters.
pub(in crate::site::papers) fn urgency(severity: Severity, language: Language) -> String {
    let table = [
        ("urgent", words("urgent", "urgente")),
        ("soon", words("soon", "pronto")),
        ("routine", words("routine", "de rutina")),
        ("watch", words("watch", "observar")),
    ];
    looked_up(&table, severity.word(), language)
}

/// Returns what grows in a zone.
pub(in crate::site::papers) fn planting(planting: Planting, language: Language) -> String {
    let table = [
        ("cool-season-turf", words("lawn", "césped")),
        ("warm-season-turf", words("lawn", "césped")),
        ("new-turf", words("new lawn", "césped nuevo")),
        ("shrubs", words("shrubs", "arbustos")),
        ("perennials", words("perennials", "perennes")),
        ("annuals", words("flowers", "flores")),
        ("trees", words("trees", "árboles")),
        ("vegetables", words("vegetables", "hortalizas")),
        ("mixed", words("mixed", "mixto")),
    ];
    looked_up(&table, planting.word(), language)
}

/// Returns how far a finding has come.
pub(in crate::site::papers) fn status(status: Status, language: Language) -> String {
    let table = [
        ("flagged", words("flagged", "señalado")),
        ("described", words("described", "descrito")),
        ("to-quote", words("to quote", "por cotizar")),
        ("quoted", words("quoted", "cotizado")),
        ("approved", words("approved", "aprobado")),
        ("declined", words("declined", "rechazado")),
        ("scheduled", words("scheduled", "programado")),
        ("fixed", words("fixed", "reparado")),
        ("checked", words("checked", "revisado")),
        ("accepted", words("left as it is", "se deja así")),
    ];
    looked_up(&table, status.word(), language)
}

/// Returns how an answer was given.
pub(in crate::site::papers) fn how(word: &str, language: Language) -> String {
    let table: [(&str, Words); 5] = [
        ("spoken", words("spoken", "de palabra")),
        ("phone", words("by phone", "por teléfono")),
        ("letter", words("by letter", "por carta")),
        ("email", words("by email", "por correo")),
        ("signed", words("signed", "firmado")),
    ];
    looked_up(&table, word, language)
}
