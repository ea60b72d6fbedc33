//! The words about pictures in English and Spanish, side by side.

use crate::prefs::Language;

/// A phrase about pictures. `{}` stands for what is filled in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum PhotoWord {
    Pictures,
    Take,
    AsEvidence,
    AsBefore,
    AsAfter,
    ThrowAway,
    Evidence,
    Before,
    After,
    Picture,
    Unreadable,
    Saved,
    NoRoom,
    NoRoomToBring,
    OneWaiting,
    Waiting,
    Here,
    AtOffice,
    AtOfficeOnly,
    OnPhoneOf,
    TakenBy,
    Lost,
    Damaged,
    Bring,
    Bringing,
    Brought,
    NotThereYet,
    Away,
    NotInExport,
}

impl PhotoWord {
    #[cfg(test)]
    const ALL: [Self; 29] = [
        Self::Pictures,
        Self::Take,
        Self::AsEvidence,
        Self::AsBefore,
        Self::AsAfter,
        Self::ThrowAway,
        Self::Evidence,
        Self::Before,
        Self::After,
        Self::Picture,
        Self::Unreadable,
        Self::Saved,
        Self::NoRoom,
        Self::NoRoomToBring,
        Self::OneWaiting,
        Self::Waiting,
        Self::Here,
        Self::AtOffice,
        Self::AtOfficeOnly,
        Self::OnPhoneOf,
        Self::TakenBy,
        Self::Lost,
        Self::Damaged,
        Self::Bring,
        Self::Bringing,
        Self::Brought,
        Self::NotThereYet,
        Self::Away,
        Self::NotInExport,
    ];

    /// Returns it in a language.
    pub(crate) const fn said(self, language: Language) -> &'static str {
        let [en, es] = self.both();
        match language {
            Language::En => en,
            Language::Es => es,
        }
    }

    /// Returns it in a language, filled in.
    pub(crate) fn filled(self, language: Language, with: &str) -> String {
        self.said(language).replace("{}", with)
    }

    const fn both(self) -> [&'static str; 2] {
        match self {
            Self::Pictures => ["Pictures", "Fotos"],
            Self::Take => ["Take a picture", "Tomar una foto"],
            Self::AsEvidence => ["Keep as evidence", "Guardar como evidencia"],
            Self::AsBefore => ["Keep as before", "Guardar como antes"],
            Self::AsAfter => ["Keep as after", "Guardar como después"],
            Self::ThrowAway => ["Throw away", "Descartar"],
            Self::Evidence => ["Evidence", "Evidencia"],
            Self::Before => ["Before", "Antes"],
            Self::After => ["After", "Después"],
            Self::Picture => ["Picture", "Foto"],
            Self::Unreadable => [
                "This file cannot be shown as a picture: take another.",
                "Este archivo no se puede mostrar como foto: tome otra.",
            ],
            Self::Saved => [
                "Picture saved on this phone.",
                "Foto guardada en este teléfono.",
            ],
            Self::NoRoom => [
                "The entry is saved; the picture could not be kept: this phone is full.",
                "El registro está guardado; la foto no se pudo guardar: este teléfono está lleno.",
            ],
            Self::NoRoomToBring => [
                "This phone has no room for it.",
                "Este teléfono no tiene espacio para ella.",
            ],
            Self::OneWaiting => [
                "1 picture still on this phone",
                "1 foto aún en este teléfono",
            ],
            Self::Waiting => [
                "{} pictures still on this phone",
                "{} fotos aún en este teléfono",
            ],
            Self::Here => [
                "on this phone, not yet at the office",
                "en este teléfono, aún no en la oficina",
            ],
            Self::AtOffice => ["at the office", "en la oficina"],
            Self::AtOfficeOnly => [
                "at the office, not on this phone",
                "en la oficina, no en este teléfono",
            ],
            Self::OnPhoneOf => [
                "on {}'s phone, not yet at the office",
                "en el teléfono de {}, aún no en la oficina",
            ],
            Self::TakenBy => [
                "taken by {}, not on this phone",
                "tomada por {}, no está en este teléfono",
            ],
            Self::Lost => [
                "could not be kept: the phone was full",
                "no se pudo guardar: el teléfono estaba lleno",
            ],
            Self::Damaged => [
                "damaged on this phone: take it again",
                "dañada en este teléfono: tómela de nuevo",
            ],
            Self::Bring => ["Bring it from the office", "Traerla de la oficina"],
            Self::Bringing => ["Bringing the picture…", "Trayendo la foto…"],
            Self::Brought => ["The picture is here.", "La foto está aquí."],
            Self::NotThereYet => [
                "The office does not have it yet: it comes when that phone has signal.",
                "La oficina aún no la tiene: llega cuando ese teléfono tenga señal.",
            ],
            Self::Away => [
                "The office cannot be reached now.",
                "La oficina no responde ahora.",
            ],
            Self::NotInExport => [
                "Pictures are not in that file: they stay on this phone until the office has them.",
                "Las fotos no van en ese archivo: quedan en este teléfono hasta que la oficina las tenga.",
            ],
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn both_languages_say_something_else_and_fill_in_as_much() {
        let mut seen = BTreeSet::new();
        for word in PhotoWord::ALL {
            let [en, es] = word.both();
            assert_ne!(en, es, "{word:?}");
            assert!(!en.is_empty() && !es.is_empty(), "{word:?}");
            assert_eq!(en.matches("{}").count(), es.matches("{}").count(), "{en}");
            seen.insert(en);
        }
        assert_eq!(seen.len(), PhotoWord::ALL.len());
    }
}
