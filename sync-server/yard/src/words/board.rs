//! The words of the evidence boards in the language of the page: what could be behind a trouble and
//! what tells it apart. English is core's own; Spanish is a table, by trouble, since one word may
//! mean another thing under another trouble. A test says that no line of core's tables lacks its own.

use headwalk_core::site::evidence::{CauseLine, SignLine, Trouble};

use super::{Word, vocab};
use crate::prefs::Language;

/// A cause in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CauseSaid {
    /// What it is called.
    pub name: String,
    /// What it means.
    pub means: &'static str,
    /// What usually mends it.
    pub remedy: &'static str,
}

/// A sign in words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SignSaid {
    /// What is looked for.
    pub name: &'static str,
    /// How to look.
    pub how: &'static str,
}

/// Returns what a trouble is called.
#[must_use]
pub const fn trouble(trouble: Trouble) -> Word {
    match trouble {
        Trouble::WetArea => Word::WetSpot,
        Trouble::DrySpot => Word::DrySpot,
        Trouble::LowPressure => Word::LowPressure,
        Trouble::WillNotStart => Word::WillNotStart,
        Trouble::WillNotStop => Word::WillNotStop,
    }
}

/// Returns a cause in words.
#[must_use]
pub fn cause(language: Language, trouble: Trouble, line: &CauseLine) -> CauseSaid {
    let spanish = (language == Language::Es).then(|| spanish_cause(trouble, line.word));
    match spanish.flatten() {
        Some([name, means, remedy]) => CauseSaid {
            name: name.to_owned(),
            means,
            remedy,
        },
        None => CauseSaid {
            name: vocab::shown(Language::En, line.word),
            means: line.plain,
            remedy: line.remedy,
        },
    }
}

/// Returns a sign in words.
#[must_use]
pub fn sign(language: Language, trouble: Trouble, line: &SignLine) -> SignSaid {
    let spanish = (language == Language::Es).then(|| spanish_sign(trouble, line.word));
    let [name, how] = spanish.flatten().unwrap_or([line.word, line.how]);
    SignSaid { name, how }
}

macro_rules! spanish {
    ($($trouble:ident {
        $($cause:literal is $called:literal, $means:literal, $remedy:literal;)+
        signs
        $($sign:literal is $name:literal, $how:literal;)+
    })+) => {
        fn spanish_cause(trouble: Trouble, word: &str) -> Option<[&'static str; 3]> {
            match (trouble, word) {
                $($((Trouble::$trouble, $cause) => Some([$called, $means, $remedy]),)+)+
                _ => None,
            }
        }

        fn spanish_sign(trouble: Trouble, word: &str) -> Option<[&'static str; 2]> {
            match (trouble, word) {
                $($((Trouble::$trouble, $sign) => Some([$name, $how]),)+)+
                _ => None,
            }
        }

        #[cfg(test)]
        const CAUSES: &[(Trouble, &str)] = &[$($((Trouble::$trouble, $cause)),+),+];
        #[cfg(test)]
        const SIGNS: &[(Trouble, &str)] = &[$($((Trouble::$trouble, $sign)),+),+];
    };
}

spanish! {
    WetArea {
        "run-off" is "escurrimiento",
            "la zona riega más de lo que el suelo absorbe, o baja agua de un terreno más alto",
            "dividir el riego en ciclos, o acortarlo";
        "low-head-drainage" is "se vacía por el aspersor bajo",
            "el tubo se vacía por el aspersor más bajo después de cada riego",
            "válvulas de retención en los aspersores bajos";
        "valve-weeping" is "válvula que no cierra del todo",
            "una válvula no cierra por completo",
            "enjuagar, limpiar, diafragma nuevo";
        "mainline-leak" is "fuga en la línea principal",
            "la línea principal pierde agua, con presión de día y de noche",
            "aislar, cavar y reparar";
        "lateral-break" is "lateral roto",
            "un tubo después de la válvula está roto y pierde agua mientras riega",
            "cavar y reparar";
        "not-irrigation" is "no es el riego",
            "el agua no es de los aspersores: una bajante, un manantial, un vecino, un tubo de la casa",
            "buscar de quién es";
        signs
        "puddle forms late in the run" is "se encharca al final del riego",
            "riegue la zona y vea cuándo se encharca";
        "static meter moves" is "el medidor se mueve con todo cerrado",
            "zonas y casa cerradas: lea el medidor dos veces con 15 min entre ellas; abra la válvula maestra para la prueba";
        "clear water stands in the valve box" is "agua clara en la caja de válvulas",
            "mire en la caja; el agua lodosa entró de arriba";
        "still wet after 48 h off" is "sigue mojado tras 48 h apagado",
            "programador apagado dos días sin lluvia, luego mire otra vez";
        "zone flow above nozzle sum" is "caudal de la zona mayor que la suma de boquillas",
            "riegue la zona y mida con el medidor; cuenta más de un décimo sobre la suma";
        "trickle at the lowest head day and night" is "hilo de agua en el aspersor más bajo día y noche",
            "mire el aspersor más bajo horas después del último riego";
        "stops when the flow control is shut" is "para al cerrar el control de caudal",
            "cierre el control de caudal de la válvula y mire otra vez después";
        "wet at the lowest head only" is "mojado sólo en el aspersor más bajo",
            "recorra la zona: ¿está el aspersor más bajo en el centro?";
        "on the line from the supply to the valves" is "sobre la línea de la toma a las válvulas",
            "recorra la línea principal, lejos de los aspersores";
        "disinfectant strip shows treated water" is "la tira muestra agua tratada",
            "moje una tira; no sirve con agua de pozo, superficial o reusada";
    }
    DrySpot {
        "coverage" is "cobertura",
            "ningún aspersor, o sólo uno, llega a la mancha",
            "ajustar arco o alcance, cambiar la boquilla o mover un aspersor";
        "head-at-fault" is "falla del aspersor",
            "el aspersor más cercano está tapado, gastado, inclinado, hundido o estorbado",
            "limpiarlo, enderezarlo, subirlo o cambiarlo";
        "run-too-short" is "riego muy corto",
            "toda la zona recibe menos de lo que sus plantas necesitan",
            "ajustar el tiempo a la necesidad";
        "pressure-low" is "presión baja",
            "el agua no llega lejos por falta de presión",
            "buscar dónde se pierde la presión";
        "soil" is "suelo",
            "el suelo está compactado, con colchón de pasto, o repele el agua",
            "abrirlo y mojarlo despacio, en ciclos";
        "not-water" is "no es el agua",
            "larvas, enfermedad, un perro, combustible derramado: agua sí hay",
            "preguntar a quien cuida las plantas";
        signs
        "soil is moist at root depth" is "el suelo está húmedo en la raíz",
            "meta la sonda, aquí y al lado";
        "can on the spot catches much less" is "el vaso en la mancha junta mucho menos",
            "vasos en la mancha y en suelo bueno al lado, un riego";
        "whole zone is dry" is "toda la zona está seca",
            "recorra la zona";
        "nearest head runs badly" is "el aspersor más cercano funciona mal",
            "riéguelo: ¿sube, gira, tira limpio y a nivel?";
        "pressure at the head is below its need" is "presión en el aspersor menor a la necesaria",
            "manómetro en el último aspersor, regando; rociadores quieren unos 30 psi, rotores unos 45";
        "water beads or runs off the spot" is "el agua forma gotas o escurre en la mancha",
            "vierta una taza y mire";
        "heads reach the spot from two sides" is "llegan aspersores de dos lados",
            "riegue la zona y mire de dónde llega el agua";
    }
    LowPressure {
        "one-head" is "un solo aspersor",
            "la malla, la boquilla o el tubo de un aspersor está tapado o aplastado",
            "limpiarlo o cambiarlo";
        "lateral-break" is "lateral roto",
            "un tubo después de la válvula está roto",
            "cavar y reparar";
        "valve-part-open" is "válvula a medio abrir",
            "la válvula o su control de caudal no abre por completo",
            "abrirla, limpiarla";
        "too-many-heads" is "demasiados aspersores",
            "los aspersores piden más de lo que lleva el tubo",
            "boquillas más chicas, o dividir la zona";
        "supply" is "toma de agua",
            "una llave, el regulador, el filtro o el dispositivo contra reflujo detiene el agua",
            "abrir la llave, limpiar el filtro";
        "mainline-leak" is "fuga en la línea principal",
            "la línea principal pierde agua",
            "aislar, cavar y reparar";
        "two-zones-at-once" is "dos zonas a la vez",
            "otra zona riega al mismo tiempo",
            "reajustar los arranques";
        signs
        "only one head is weak" is "sólo un aspersor está débil",
            "riegue la zona y compare";
        "every zone is weak" is "todas las zonas están débiles",
            "riegue otras dos zonas";
        "static pressure is below last visit" is "presión con todo cerrado menor que en la última visita",
            "manómetro en la llave de manguera, todo cerrado";
        "zone flow above nozzle sum" is "caudal de la zona mayor que la suma de boquillas",
            "riegue la zona y mida con el medidor; cuenta más de un décimo sobre la suma";
        "static meter moves" is "el medidor se mueve con todo cerrado",
            "zonas y casa cerradas: lea el medidor dos veces con 15 min entre ellas; abra la válvula maestra para la prueba";
        "pressure at the first head is low too" is "también es baja la presión en el primer aspersor",
            "manómetro en el primer aspersor, regando";
        "another zone runs at the same time" is "otra zona riega al mismo tiempo",
            "mire y escuche por todo el sitio";
        "nozzle sum is more than the pipe carries" is "las boquillas suman más de lo que lleva el tubo",
            "sume las boquillas y vea la velocidad en el primer tubo: cuenta más de 5 ft/s (1.5 m/s)";
        "flow control is not fully open" is "el control de caudal no está abierto del todo",
            "cuente sus vueltas";
    }
    WillNotStart {
        "settings" is "ajustes del programador",
            "el programador está apagado, en pausa por lluvia o detenido por un sensor",
            "regresarlo, y averiguar por qué";
        "power" is "corriente del programador",
            "fusible, transformador o alimentación del programador",
            "el fusible; lo demás es para personal calificado";
        "wire-open" is "cable cortado",
            "un cable o empalme entre programador y válvula está cortado",
            "rastrear y reparar";
        "coil-open" is "bobina quemada",
            "la bobina del solenoide está quemada",
            "solenoide nuevo";
        "short" is "cortocircuito",
            "el cable o la bobina está en corto",
            "rastrear y reparar";
        "no-water" is "no llega agua",
            "una llave de paso o el control de caudal está cerrado",
            "abrirlo despacio";
        "stuck" is "válvula trabada",
            "basura o el diafragma mantiene cerrada la válvula",
            "cerrar el agua, quitar la presión, luego abrirla y limpiarla";
        signs
        "display shows off, rain or sensor" is "la pantalla muestra apagado, lluvia o sensor",
            "lea la pantalla";
        "other stations start" is "otras estaciones arrancan",
            "arranque otra estación a mano";
        "valve opens by its bleed" is "la válvula abre con su purga",
            "gire la purga un cuarto de vuelta";
        "station reads 19 to 28 V" is "la estación marca de 19 a 28 V",
            "voltios de corriente alterna entre estación y común, estación encendida; las tapas de la red quedan puestas";
        "resistance at the controller is open" is "resistencia abierta en el programador",
            "ohmios con el común desconectado";
        "resistance at the solenoid is open" is "resistencia abierta en el solenoide",
            "ohmios en los cables de la bobina, cortados del resto";
        "resistance is very low" is "resistencia muy baja",
            "ohmios con el común desconectado; cuenta menos de unos 15";
        "isolation valve is shut" is "la llave de paso está cerrada",
            "mire la llave antes de las válvulas";
    }
    WillNotStop {
        "program" is "el programa",
            "el programador lo pide: un segundo arranque, otro programa",
            "reajustar el programa";
        "bleed-open" is "purga abierta",
            "la purga está abierta o el solenoide está flojo",
            "cerrar la purga, apretar el solenoide con la mano";
        "debris" is "basura",
            "arena o basura no deja asentar el diafragma",
            "enjuagarla; si no, cerrar el agua, quitar la presión y limpiarla";
        "diaphragm" is "diafragma",
            "el diafragma está roto o duro",
            "cerrar el agua, quitar la presión, diafragma nuevo";
        "flow-control" is "control de caudal",
            "el control de caudal está tan abierto que poco caudal no puede cerrar la válvula",
            "cerrarlo un poco";
        signs
        "stops when the controller is off" is "para con el programador apagado",
            "apague el programador y espere";
        "program has a second start" is "el programa tiene un segundo arranque",
            "lea los arranques de todos los programas";
        "bleed or solenoid is loose" is "la purga o el solenoide está flojo",
            "pruebe los dos con la mano";
        "stops after flushing" is "para después de enjuagar",
            "abra la purga un minuto con la zona regando, y ciérrela";
        "stops when the flow control is turned down" is "para al bajar el control de caudal",
            "ciérrelo de media en media vuelta, cuéntelas";
        "diaphragm is torn or stiff" is "el diafragma está roto o duro",
            "cierre el agua, quite la presión, luego levante la tapa de la válvula";
    }
}

#[cfg(test)]
mod tests {
    use headwalk_core::site::words::Vocabulary;

    use super::*;

    #[test]
    fn every_cause_and_sign_of_every_trouble_is_told_in_spanish() {
        let (mut causes, mut signs) = (Vec::new(), Vec::new());
        for trouble in Trouble::MEMBERS {
            causes.extend(trouble.line().causes.iter().map(|it| (*trouble, it.word)));
            signs.extend(trouble.line().signs.iter().map(|it| (*trouble, it.word)));
        }
        // Neither one that is missing nor one that core no longer knows.
        assert_eq!(CAUSES, causes);
        assert_eq!(SIGNS, signs);
    }

    #[test]
    fn spanish_leaves_no_line_as_core_says_it() {
        for trouble in Trouble::MEMBERS {
            for line in trouble.line().causes {
                let [en, es] = [Language::En, Language::Es].map(|it| cause(it, *trouble, line));
                assert!(
                    en.name != es.name && en.means != es.means && en.remedy != es.remedy,
                    "{}",
                    line.word
                );
            }
            for line in trouble.line().signs {
                let [en, es] = [Language::En, Language::Es].map(|it| sign(it, *trouble, line));
                assert!(en.name != es.name && en.how != es.how, "{}", line.word);
            }
        }
    }
}
