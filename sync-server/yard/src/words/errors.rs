//! Why something was not done, in the language of the page: core and the page say it by type, and
//! Spanish is worded here, once for each; English is their own.

use headwalk_core::exchange;
use headwalk_core::site::fields::{FieldError, Refusal};
use headwalk_core::site::programs::ProgramTextError;
use headwalk_core::site::things::AddressError;
use headwalk_core::store;

use super::{reasons, vocab};
use crate::error::Error;
use crate::prefs::Language;

/// Returns why an act was not done, as one sentence.
#[must_use]
pub fn error(language: Language, error: &Error) -> String {
    match language {
        Language::En => error.to_string(),
        Language::Es => spanish(error),
    }
}

fn spanish(error: &Error) -> String {
    match error {
        Error::Store(why) => of_store(why),
        Error::Exchange(why) => of_exchange(why),
        Error::Field(why) => of_field(why),
        Error::Address(AddressError::Unknown { typed, .. }) => {
            format!("aquí nada se llama «{typed}»")
        }
        Error::Address(AddressError::Ambiguous { typed, .. }) => {
            format!("«{typed}» puede ser más de una cosa; diga cuál por su tipo")
        }
        Error::Address(_) => "aquí nada se llama así".to_owned(),
        Error::NoChance => {
            "esta página no dio bytes al azar: ciérrela y ábrala otra vez".to_owned()
        }
        Error::Gone => "eso ya no está en este teléfono: regrese y ábralo otra vez".to_owned(),
        Error::NoVisit => {
            "no hay visita abierta en este teléfono: elija primero un sitio".to_owned()
        }
        Error::NoExchange => "no hay ningún intercambio en curso".to_owned(),
        Error::NoHub => "este teléfono aún no se unió a una oficina".to_owned(),
        Error::Ask(word) => word.said(Language::Es).to_owned(),
        Error::Programs(why) => of_programs(why),
        Error::OutOfRange(why) => reasons::out_of_range(Language::Es, why),
        Error::Kerb(why) => reasons::no_choice(Language::Es, why),
        Error::HubSaid { error, kind } => {
            of_hub(kind).map_or_else(|| format!("la oficina respondió: {error}"), str::to_owned)
        }
        Error::Photo(_) => "ese archivo no es una foto que se pueda guardar".to_owned(),
        Error::NoPhoto => "la foto ya no está: tómela otra vez".to_owned(),
        Error::Refused(why) => format!("la oficina respondió: {why}"),
    }
}

/// What the hub's words mean; each is stable for ever.
fn of_hub(kind: &str) -> Option<&'static str> {
    Some(match kind {
        "no-token" | "unknown-token" => {
            "la oficina no conoce este teléfono: pida un código al despachador y únase otra vez"
        }
        "revoked" => "a este teléfono se le quitó el acceso: hable con el despachador",
        "not-allowed" => "eso lo hace sólo un despachador",
        "not-a-code" => "eso no es un código: tiene diez letras y cifras",
        "unknown-code" => "la oficina no conoce ese código: escríbalo otra vez",
        "used-code" => "ese código ya se usó: cada uno sirve una vez",
        "expired-code" => "ese código ya no vale: pida otro al despachador",
        "already-enrolled" => "este teléfono ya está unido a la oficina",
        "too-many-ids" => "este teléfono cambió de identidad demasiadas veces: pida otro código",
        "other-version" => {
            "la oficina y este teléfono son de versiones distintas: actualice la más vieja"
        }
        "garbled" | "bad-request" | "cut-short" => {
            "el envío no llegó entero: intente otra vez, no se perdió nada"
        }
        "too-large" => "el envío es muy grande para la oficina",
        "too-fast" | "too-busy" | "too-slow" => {
            "la oficina está ocupada: se intenta otra vez más tarde"
        }
        "hub-failed" | "bug" => "la oficina tuvo un fallo: se intenta otra vez más tarde",
        "no-such-page" => "la oficina no conoce eso: vea si es de la misma versión",
        _ => return None,
    })
}

fn of_store(error: &store::Error) -> String {
    match error {
        store::Error::InUse => {
            "los registros están abiertos en otro lugar: ciérrelo o espere".to_owned()
        }
        store::Error::NotAStore => {
            "el archivo de registros no está entero: es de otro tipo, cortado o dañado".to_owned()
        }
        store::Error::OtherFormat { format } => {
            format!("los registros tienen el formato {format}, y esta página lee otro: actualícela")
        }
        store::Error::DamagedEntry { arrival } => format!(
            "el registro número {} está dañado: tráigalo otra vez de la oficina",
            arrival.0
        ),
        store::Error::DamagedIndex { .. } => {
            "un índice de los registros está dañado: expórtelos a un archivo y llame a la oficina"
                .to_owned()
        }
        store::Error::IdInUseElsewhere(_) => {
            "estos registros fueron copiados: cierre la página y ábrala otra vez".to_owned()
        }
        store::Error::Dropped(_) => {
            "ese sitio se quitó de este teléfono: intercambie antes de escribir en él".to_owned()
        }
        store::Error::Engine(_) => {
            "no se puede usar el archivo de registros; vea si el teléfono está lleno".to_owned()
        }
        // What only a batch from elsewhere can be.
        _ => "lo que llegó no encaja y no se tomó nada: intercambie otra vez".to_owned(),
    }
}

fn of_exchange(error: &exchange::Error) -> String {
    match error {
        exchange::Error::Store(why) => of_store(why),
        exchange::Error::OtherVersion { .. } => {
            "la oficina y este teléfono son de versiones distintas: actualice la más vieja"
                .to_owned()
        }
        exchange::Error::Stuck(_) => "el intercambio no avanza: intente más tarde".to_owned(),
        _ => "lo que respondió no es de un intercambio: intente otra vez".to_owned(),
    }
}

fn of_field(error: &FieldError) -> String {
    match error {
        FieldError::Refused { why, .. } => of_value(why),
        _ => "este teléfono no conoce ese dato".to_owned(),
    }
}

fn of_value(why: &Refusal) -> String {
    match why {
        Refusal::Empty { .. } => "no se puso nada".to_owned(),
        Refusal::Unfit { got, .. } => format!("«{got}» no cabe aquí"),
        Refusal::WrongUnit { got, .. } => format!("«{got}» no es una unidad de esto"),
        Refusal::Impossible { got, low, high } => {
            format!("{got} es imposible: va de {low} a {high}; corríjalo o déjelo como nota")
        }
        Refusal::NotAChoice { got, choices, .. } => {
            let choices = choices.iter().map(|it| vocab::shown(Language::Es, it));
            let choices: Vec<_> = choices.collect();
            format!("«{got}» no es una de las opciones: {}", choices.join(", "))
        }
        Refusal::UnknownPart { got, .. } => format!("no tiene parte «{got}»"),
        Refusal::PartTwice { part } => {
            format!("«{}» está dos veces", vocab::shown(Language::Es, part))
        }
        Refusal::PartMissing { part, .. } => {
            format!("falta «{}»", vocab::shown(Language::Es, part))
        }
        Refusal::Part { part, why } => {
            format!("{}: {}", vocab::shown(Language::Es, part), of_value(why))
        }
        Refusal::TooLong { longest, .. } => {
            format!("es demasiado largo: a lo más {longest} letras; acórtelo")
        }
        Refusal::Programs(why) => of_programs(why),
        _ => "eso no cabe aquí".to_owned(),
    }
}

fn of_programs(error: &ProgramTextError) -> String {
    match error {
        ProgramTextError::NoLetter(got) => {
            format!("«{got}» no empieza con la letra de un programa")
        }
        ProgramTextError::LetterTwice(letter) => format!("el programa {letter} está dos veces"),
        ProgramTextError::Clause { letter, got, .. } => {
            format!("programa {letter}: «{got}» no se entiende")
        }
        ProgramTextError::StationTwice { letter, station } => {
            format!("programa {letter}: la estación {station} está dos veces")
        }
        _ => "los programas no se entienden".to_owned(),
    }
}
