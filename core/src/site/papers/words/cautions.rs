//! What can hurt, in both languages.

use super::{Language, Words, words};
use crate::site::finding::Caution;

/// Returns the sentence of a caution.
pub(in crate::site::papers) fn caution(caution: Caution, language: Language) -> &'static str {
    let spanish = match caution {
        Caution::Digging => {
            "Antes de excavar: pida que ubiquen y marquen las líneas enterradas, según la norma local."
        }
        Caution::PressurisedPipe => {
            "Cierre el agua y quite la presión primero; el código local y el trabajo con licencia \
             van por delante."
        }
        Caution::DiggingOnPressure => {
            "Pida que ubiquen las líneas enterradas, cierre el agua y quite la presión antes de \
             excavar; el código local y el trabajo con licencia van por delante."
        }
        Caution::LineVoltage => {
            "Adentro hay voltaje de línea: las tapas quedan puestas; el interior es para una \
             persona calificada."
        }
        Caution::ValveBox => {
            "Revise la caja con una herramienta antes de meter la mano: insectos, serpientes, \
             agujas, vidrio."
        }
        Caution::Backflow => {
            "Solo un probador certificado abre o repara un dispositivo antirretorno, según la norma \
             local."
        }
        Caution::Traffic => "En la calle: ponga un cono y vigile el tránsito.",
    };
    let told: Words = words(caution.sentence(), spanish);
    told.of(language)
}
