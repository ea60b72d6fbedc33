//! Why there is no suggestion, and what is odd about a set of programs, in the language of the page.
//! English is core's own.

use headwalk_core::site::plan::Unknown;
use headwalk_core::site::programs::{DayRule, ProgramFault};
use headwalk_core::site::words::Vocabulary;

use super::{reasons, vocab};
use crate::prefs::Language;

/// Returns why a figure cannot be reckoned, and what to do next.
#[must_use]
pub fn unknown(language: Language, why: &Unknown) -> String {
    match language {
        Language::En => format!("{why}. Next: {}.", why.next_step()),
        Language::Es => {
            let (why, next) = spanish(why);
            format!("{why}. Ahora: {next}.")
        }
    }
}

/// Why, and what to do next.
fn spanish(why: &Unknown) -> (String, &'static str) {
    const WEATHER: &str = "registre los días de clima de la estación, o valores normales por mes";
    const FLOW: &str = "registre el caudal de cada aspersor, o una prueba con vasos";
    const LIMITS: &str = "revise las reglas de riego y el horario de agua";
    let missing = |why| reasons::missing(Language::Es, why);
    let (said, next) = match why {
        Unknown::TooLittleWeather { known, .. } => (
            format!("sólo {known} de los últimos 7 días tienen clima"),
            WEATHER,
        ),
        Unknown::NoRainRecords => (
            "no hay lluvia registrada de los últimos 7 días".into(),
            WEATHER,
        ),
        Unknown::NoWeatherOn { day } => (format!("no hay clima desde {day}"), WEATHER),
        Unknown::MonthNotRecorded { month } => (
            format!("no hay ningún día del mes {month}"),
            "pida un período que lo tenga",
        ),
        Unknown::NoPlants(why) => (format!("plantas: {}", missing(why)), "registre las plantas"),
        Unknown::NoCoefficient(planting) => (
            format!(
                "no hay necesidad publicada para {}",
                vocab::shown(Language::Es, planting.word())
            ),
            "registre el coeficiente",
        ),
        Unknown::NoArea(why) => (
            format!("área: {}", missing(why)),
            "registre el área, la separación o una prueba con vasos",
        ),
        Unknown::NoFlow => ("no hay caudal ni aspersores registrados".into(), FLOW),
        Unknown::HeadsLackFlow(heads) => (format!("sin caudal registrado: {}", names(heads)), FLOW),
        Unknown::HeadsLackArc(heads) => (
            format!("sin arco registrado: {}", names(heads)),
            "registre el arco de cada aspersor, o el área de la zona",
        ),
        Unknown::NoWater => (
            "según lo registrado no llega agua al suelo".into(),
            "revise el caudal, o la prueba con vasos",
        ),
        Unknown::NoSoil(why) => (format!("suelo: {}", missing(why)), "registre el suelo"),
        Unknown::SoilIsFill => (
            "del relleno nadie sabe cuánta agua guarda".into(),
            "registre el suelo, o su capacidad e infiltración",
        ),
        Unknown::NoRootDepth => (
            "plantas mezcladas no tienen raíz usual".into(),
            "registre la profundidad de raíz, con una sonda",
        ),
        Unknown::NoDayAllowed => ("no queda ningún día para regar".into(), LIMITS),
        Unknown::NoHourAllowed => ("no queda ninguna hora para regar".into(), LIMITS),
        Unknown::RunsOffWithinAMinute => (
            "el agua escurre en menos de un minuto".into(),
            "boquillas de menor tasa, o goteo",
        ),
        Unknown::OverSupply => (
            "pide más de lo que da la toma".into(),
            "revise el límite de la toma y el caudal de la zona",
        ),
        Unknown::NoStation => ("no hay número de estación".into(), "registre el número"),
        Unknown::NoController => (
            "no se sabe de qué programador es".into(),
            "registre el programador de la zona",
        ),
        Unknown::NeverFound => (
            "nadie anotó los programas como se encontraron".into(),
            "anótelos antes de cambiar nada",
        ),
        Unknown::NotLeft(why) => (
            format!("programas como se dejaron: {}", missing(why)),
            "registre los programas",
        ),
        Unknown::NothingPlanned => ("no hay riego planeado".into(), "nada; el plan es no regar"),
        Unknown::OfZone { zone, reason } => {
            let (said, next) = spanish(reason);
            (format!("{}: {said}", name(zone)), next)
        }
        Unknown::NoZones => ("el sitio no tiene zonas".into(), "agregue las zonas"),
        Unknown::Impossible(why) => (
            reasons::out_of_range(Language::Es, why),
            "corrija el número nombrado",
        ),
        other => (other.to_string(), "hable con la oficina"),
    };
    (said, next)
}

/// An address such as `head-3-07` as a crew says it.
fn name(address: &str) -> String {
    let known = [("head-", "aspersor "), ("zone-", "zona ")];
    let known = known.into_iter().find_map(|(kind, word)| {
        let rest = address.strip_prefix(kind)?;
        Some(format!("{word}{rest}"))
    });
    known.unwrap_or_else(|| address.to_owned())
}

fn names(addresses: &[String]) -> String {
    let names = addresses.iter().map(|address| name(address));
    names.collect::<Vec<_>>().join(", ")
}

/// Returns what is odd about a set of programs.
#[must_use]
pub fn fault(language: Language, fault: &ProgramFault) -> String {
    if language == Language::En {
        return fault.to_string();
    }
    match fault {
        ProgramFault::StartTwice { letter, at } => {
            format!("el programa {letter} arranca dos veces a las {at}: todo riega dos veces")
        }
        ProgramFault::Overlap { first, second } => format!(
            "el programa {} arranca a las {} mientras el {} de las {} aún riega",
            second.0, second.1, first.0, first.1
        ),
        ProgramFault::OutsideWindow { start, minutes } => format!(
            "el programa {} de las {} riega {:.0} min fuera del horario de agua",
            start.0,
            start.1,
            minutes.get()
        ),
        ProgramFault::DryDay { letter, day } => {
            let day = vocab::shown(Language::Es, &day.to_string().to_lowercase());
            format!("el programa {letter} riega en {day}, día que debe quedar seco")
        }
        ProgramFault::PercentForgotten {
            letter,
            percent,
            expected,
        } => format!(
            "el programa {letter} está en {:.0}%; este mes pide cerca de {:.0}%",
            percent.get(),
            expected.get()
        ),
        ProgramFault::StationInSeveral { station, letters } => {
            let letters: Vec<_> = letters.iter().map(ToString::to_string).collect();
            format!(
                "la estación {station} riega en los programas {}",
                letters.join(" y ")
            )
        }
        ProgramFault::UnusualRun {
            run,
            minutes,
            usual,
        } => format!(
            "el programa {} riega la estación {} por {:.0} min; ahí lo usual es {:.0} a {:.0}",
            run.0,
            run.1,
            minutes.get(),
            usual.0.get(),
            usual.1.get()
        ),
        ProgramFault::WrongDates { letter, allowed } => {
            let allowed = if *allowed == DayRule::Odd {
                "impares"
            } else {
                "pares"
            };
            format!("el programa {letter} no respeta los días {allowed}, los únicos permitidos")
        }
        ProgramFault::BeyondSupply {
            station,
            flow,
            limit,
        } => format!(
            "la estación {station} pide {:.1} gpm; la toma da {:.1} gpm",
            flow.get(),
            limit.get()
        ),
        ProgramFault::LooksLikeDefault {
            letter,
            minutes,
            stations,
        } => format!(
            "el programa {letter} riega las {stations} estaciones {:.0} min cada día: así queda un \
             reloj que se quedó sin corriente",
            minutes.get()
        ),
        ProgramFault::NeverRuns { letter } => {
            format!(
                "el programa {letter} nunca riega: le falta un arranque, un día o un por ciento"
            )
        }
    }
}
