//! Core's stored words and sentences in the language of the page. English is core's own; Spanish is
//! a table of it, and the tests say that no word that the page offers lacks its line.

use headwalk_core::site::finding::{Caution, FindingKind};
use headwalk_core::site::words::plain;

use crate::prefs::Language;

/// Returns a stored word, or what a field shows, as it reads in a sentence.
#[must_use]
pub fn shown(language: Language, word: &str) -> String {
    let english = plain(word);
    match language {
        Language::En => hyphened(&english).map_or(english, str::to_owned),
        Language::Es => spanish(&english).map_or(english, str::to_owned),
    }
}

/// The few words that English writes with the hyphen under which they are stored.
fn hyphened(english: &str) -> Option<&'static str> {
    Some(match english {
        "re set" => "re-set",
        "start up" => "start-up",
        "pop up" => "pop-up",
        "run off" => "run-off",
        "low head drainage" => "low-head drainage",
        "cool season turf" => "cool-season turf",
        "warm season turf" => "warm-season turf",
        _ => return None,
    })
}

/// Returns the same with a capital, as it stands on a button.
#[must_use]
pub fn titled(language: Language, word: &str) -> String {
    let shown = shown(language, word);
    let mut letters = shown.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// Returns a sentence of core's tables.
#[must_use]
pub fn sentence(language: Language, english: &str) -> String {
    let spanish = (language == Language::Es)
        .then(|| spanish(english))
        .flatten();
    spanish.unwrap_or(english).to_owned()
}

/// Returns the usual remedy of a finding.
#[must_use]
pub fn remedy(language: Language, kind: &FindingKind) -> String {
    sentence(language, kind.remedy)
}

/// Returns a caution.
#[must_use]
pub const fn caution(language: Language, caution: Caution) -> &'static str {
    if matches!(language, Language::En) {
        return caution.sentence();
    }
    match caution {
        Caution::Digging => {
            "Antes de cavar: haga localizar y marcar las líneas enterradas, según la regla local."
        }
        Caution::PressurisedPipe => {
            "Primero cierre el agua y libere la presión; el código local y la práctica con licencia \
             van primero."
        }
        Caution::DiggingOnPressure => {
            "Haga localizar las líneas enterradas, cierre el agua y libere la presión antes de cavar; \
             el código local y la práctica con licencia van primero."
        }
        Caution::LineVoltage => {
            "Voltaje de red adentro: las tapas quedan puestas, el interior es para personal calificado."
        }
        Caution::ValveBox => {
            "Explore la caja con una herramienta antes de meter la mano: insectos, culebras, agujas, \
             vidrio."
        }
        Caution::Backflow => {
            "Sólo un probador certificado abre o repara un dispositivo contra reflujo, según la regla \
             local."
        }
        Caution::Traffic => "En la calle: cono afuera, y ojos en el tráfico.",
    }
}

/// Returns the days of a program.
#[must_use]
pub fn days(language: Language, rule: &str) -> String {
    if language == Language::En {
        return rule.trim_start_matches("days ").to_owned();
    }
    let words = rule
        .trim_start_matches("days ")
        .split(' ')
        .map(|word| match word {
            "mon" => "lun",
            "tue" => "mar",
            "wed" => "mié",
            "thu" => "jue",
            "fri" => "vie",
            "sat" => "sáb",
            "sun" => "dom",
            "daily" => "diario",
            "odd" => "impares",
            "even" => "pares",
            "every" => "cada",
            "days" => "días",
            other => other,
        });
    words.collect::<Vec<_>>().join(" ")
}

macro_rules! spanish {
    ($($en:literal => $es:literal;)+) => {
        fn spanish(english: &str) -> Option<&'static str> {
            match english {
                $($en => Some($es),)+
                _ => None,
            }
        }
    };
}

spanish! {
    // Findings.
    "arc off overspray" => "arco mal: riega fuera";
    "arc off dry edge" => "arco mal: borde seco";
    "radius long" => "alcance largo";
    "radius short" => "alcance corto";
    "nozzle wrong" => "boquilla equivocada";
    "nozzle worn" => "boquilla gastada";
    "nozzle missing" => "falta la boquilla";
    "nozzle clogged" => "boquilla tapada";
    "head tilted" => "aspersor inclinado";
    "head low" => "aspersor hundido";
    "head high" => "aspersor alto";
    "blocked by plants" => "tapado por plantas";
    "will not rise" => "no sube";
    "will not retract" => "no baja";
    "seal leaking" => "sello gotea";
    "not turning" => "no gira";
    "head broken" => "aspersor roto";
    "head missing" => "falta el aspersor";
    "spacing too wide" => "aspersores muy separados";
    "mixed kinds" => "tipos mezclados";
    "pressure high" => "presión alta";
    "pressure low" => "presión baja";
    "low head drainage" => "drena por el aspersor más bajo";
    "lateral break" => "lateral roto";
    "mainline leak" => "fuga en la línea principal";
    "valve weeping" => "válvula no cierra del todo";
    "valve stuck open" => "válvula trabada abierta";
    "valve will not open" => "válvula no abre";
    "valve old" => "válvula vieja";
    "box lid broken" => "tapa de la caja rota";
    "box buried" => "caja enterrada";
    "splice wet" => "empalme mojado";
    "wire open" => "cable cortado";
    "wire short" => "cable en corto";
    "clock wrong" => "reloj mal";
    "changed since we left" => "cambiado desde que lo dejamos";
    "starts duplicate" => "arranques repetidos";
    "programs overlap" => "programas encimados";
    "window overrun" => "pasa del horario de riego";
    "run too long" => "riego muy largo";
    "run too short" => "riego muy corto";
    "run off" => "escurrimiento";
    "rain sensor bypassed" => "sensor de lluvia anulado";
    "rain sensor failed" => "sensor de lluvia dañado";
    "backflow leaking" => "dispositivo contra reflujo gotea";
    "backflow cracked" => "dispositivo contra reflujo rajado";
    "backflow overdue" => "prueba de reflujo vencida";
    "emitter missing" => "falta un gotero";
    "drip line cut" => "línea de goteo cortada";
    "drip filter dirty" => "filtro de goteo sucio";
    "wet area" => "área mojada";
    "dry area" => "área seca";
    "other" => "otro";
    // Remedies.
    "turn the body or set the arc" => "girar el cuerpo o ajustar el arco";
    "set the arc or change the nozzle" => "ajustar el arco o cambiar la boquilla";
    "radius screw or nozzle" => "tornillo de alcance o boquilla";
    "change the nozzle" => "cambiar la boquilla";
    "put in a nozzle" => "poner una boquilla";
    "clean and flush nozzle and screen" => "limpiar y enjuagar boquilla y malla";
    "straighten and firm the soil" => "enderezar y apretar la tierra";
    "raise it and trim around it" => "subirlo y recortar alrededor";
    "lower it" => "bajarlo";
    "prune, or a taller pop-up" => "podar, o un emergente más alto";
    "clean, new spring or body" => "limpiar, resorte o cuerpo nuevo";
    "clean, new seal or body" => "limpiar, sello o cuerpo nuevo";
    "change the rotor" => "cambiar el rotor";
    "change it, move or guard it" => "cambiarlo, moverlo o protegerlo";
    "put in a head" => "poner un aspersor";
    "add or move heads" => "agregar o mover aspersores";
    "match the nozzles or split the zone" => "igualar boquillas o dividir la zona";
    "regulate the pressure" => "regular la presión";
    "find the cause" => "buscar la causa";
    "check valve" => "válvula de retención";
    "dig and repair" => "cavar y reparar";
    "isolate, dig and repair" => "aislar, cavar y reparar";
    "flush, clean, new diaphragm" => "enjuagar, limpiar, diafragma nuevo";
    "bleed, clear debris, solenoid, diaphragm" => "purgar, quitar basura, solenoide, diafragma";
    "electrical checks, then water checks" => "pruebas eléctricas, luego de agua";
    "replace the valve" => "cambiar la válvula";
    "new lid" => "tapa nueva";
    "raise the box" => "subir la caja";
    "remake it waterproof" => "rehacerlo impermeable";
    "trace and repair" => "rastrear y reparar";
    "set the clock, change the battery" => "ajustar el reloj, cambiar la batería";
    "ask the client, re-set" => "preguntar al cliente, reajustar";
    "re-set the start times" => "reajustar los arranques";
    "re-set the start times or run times" => "reajustar arranques o tiempos";
    "re-set the run time" => "reajustar el tiempo";
    "split the run into cycles" => "dividir el riego en ciclos";
    "restore it" => "restaurarlo";
    "replace it" => "cambiarlo";
    "certified repair and test" => "reparación y prueba certificadas";
    "certified test" => "prueba certificada";
    "put in an emitter" => "poner un gotero";
    "join it" => "unirla";
    "clean filter and flush the line" => "limpiar el filtro y enjuagar la línea";
    "as described" => "como se describe";
    // Parts.
    "nozzle" => "boquilla";
    "nozzles" => "boquillas";
    "screen" => "malla";
    "riser" => "elevador";
    "swing pipe" => "tubo flexible";
    "body" => "cuerpo";
    "seal or body" => "sello o cuerpo";
    "rotor" => "rotor";
    "fittings" => "conexiones";
    "heads" => "aspersores";
    "pipe" => "tubo";
    "regulator" => "regulador";
    "regulated bodies" => "cuerpos regulados";
    "couplings" => "coples";
    "coupling" => "cople";
    "diaphragm kit" => "juego de diafragma";
    "solenoid" => "solenoide";
    "connectors" => "conectores";
    "valve" => "válvula";
    "unions" => "uniones";
    "lid" => "tapa";
    "box" => "caja";
    "waterproof connectors" => "conectores impermeables";
    "wire" => "cable";
    "battery" => "batería";
    "rain sensor" => "sensor de lluvia";
    "repair kit" => "juego de reparación";
    "emitter" => "gotero";
    // Standing and urgency.
    "flagged" => "marcado";
    "described" => "descrito";
    "to quote" => "por cotizar";
    "quoted" => "cotizado";
    "approved" => "aprobado";
    "declined" => "rechazado";
    "scheduled" => "programado";
    "fixed" => "arreglado";
    "checked" => "revisado";
    "accepted" => "así queda";
    "urgent" => "urgente";
    "soon" => "pronto";
    "routine" => "rutina";
    "watch" => "observar";
    "open" => "abierta";
    "finished" => "terminada";
    "finished with skips" => "terminada con omisiones";
    "abandoned" => "abandonada";
    // Purposes.
    "start up" => "arranque";
    "inspection" => "inspección";
    "audit" => "auditoría";
    "repair" => "reparación";
    "re set" => "reajuste";
    "winterize" => "invernar";
    "estimate" => "estimado";
    // Kinds, plants, soil, sun.
    "fixed spray" => "rociador fijo";
    "rotary stream" => "chorros rotatorios";
    "gear rotor" => "rotor de engranes";
    "impact" => "impacto";
    "bubbler" => "burbujeador";
    "drip" => "goteo";
    "mixed" => "mezclado";
    "cool season turf" => "césped de clima frío";
    "warm season turf" => "césped de clima cálido";
    "new turf" => "césped nuevo";
    "shrubs" => "arbustos";
    "perennials" => "perennes";
    "annuals" => "anuales";
    "trees" => "árboles";
    "vegetables" => "hortalizas";
    "sand" => "arena";
    "loamy sand" => "arena franca";
    "sandy loam" => "franco arenoso";
    "fine sandy loam" => "franco arenoso fino";
    "loam" => "franco";
    "silt loam" => "franco limoso";
    "sandy clay loam" => "franco arcillo arenoso";
    "clay loam" => "franco arcilloso";
    "silty clay loam" => "franco arcillo limoso";
    "silty clay" => "arcilla limosa";
    "clay" => "arcilla";
    "fill" => "relleno";
    "full" => "pleno";
    "part" => "parcial";
    "shade" => "sombra";
    "reflected heat" => "calor reflejado";
    "yes" => "sí";
    "no" => "no";
    "none" => "ninguno";
    "working" => "funciona";
    "bypassed" => "anulado";
    "failed" => "dañado";
    "good" => "bien";
    "worn" => "gastado";
    "damaged" => "dañado";
    "missing" => "falta";
    "low" => "bajo";
    "level" => "a nivel";
    "high" => "alto";
    "blank" => "en blanco";
    "not checked" => "sin revisar";
    // Watering rules.
    "days" => "días";
    "date" => "fechas";
    "not from" => "no desde";
    "not to" => "no hasta";
    "cut" => "recorte";
    "source" => "según";
    "valid from" => "vale desde";
    "valid to" => "vale hasta";
    "mon" => "lun";
    "tue" => "mar";
    "wed" => "mié";
    "thu" => "jue";
    "fri" => "vie";
    "sat" => "sáb";
    "sun" => "dom";
    "odd" => "impares";
    "even" => "pares";
    // Kerb and tapes.
    "chord" => "recta";
    "offset" => "flecha";
    "lawn" => "césped";
    "inside" => "dentro";
    "outside" => "fuera";
    "to kerb" => "al bordillo";
    "throw" => "alcance con el tornillo abierto";
    "from" => "desde";
    "tape" => "cinta";
    "and from" => "y desde";
    "other tape" => "otra cinta";
    "side" => "lado";
    "left" => "izquierda";
    "right" => "derecha";
    // Fields of pipe and pressure.
    "static pressure" => "presión con todo cerrado";
    "mainline size" => "medida de la línea principal";
    "main length" => "largo de la línea principal";
    "lateral length" => "largo hasta el primer aspersor";
    "lateral size" => "medida del lateral";
    "pressure" => "presión regando";
    // Fields of a head.
    "head kind" => "tipo";
    "pop up" => "altura";
    "arc" => "arco";
    "radius" => "alcance";
    "flow" => "caudal";
    "emitter flow" => "caudal de un gotero";
    "emitters" => "goteros";
    "strip length" => "largo de la franja";
    "strip width" => "ancho de la franja";
    "spacing" => "separación";
    "pressure regulated" => "presión regulada";
    "tilt" => "inclinación";
    "height to grade" => "altura al suelo";
    "condition" => "condición";
    "offsets" => "medidas";
    "facing" => "dirección";
    "compromise" => "a propósito";
    "installed" => "instalado";
    "remark" => "nota";
    "tapes" => "dos cintas";
    "kerb" => "bordillo";
    "east" => "este";
    "north" => "norte";
    "told apart" => "distinto de";
    "same as" => "el mismo que";
}

#[cfg(test)]
mod tests {
    use headwalk_core::site::fields::{self, Shape, fields_of};
    use headwalk_core::site::finding::{FINDINGS, Severity, Status};
    use headwalk_core::site::kind::ThingKind;
    use headwalk_core::site::visit::VisitState;
    use headwalk_core::site::words::{Emission, Planting, SoilKind, Sun, Vocabulary};

    use super::*;

    #[track_caller]
    fn has_spanish(english: &str) {
        assert!(spanish(english).is_some(), "no Spanish for `{english}`");
    }

    #[test]
    fn every_finding_has_its_spanish_with_remedy_and_parts() {
        for kind in FINDINGS {
            has_spanish(&plain(kind.word));
            has_spanish(kind.remedy);
            kind.parts.iter().for_each(|part| has_spanish(part));
        }
    }

    #[test]
    fn every_word_of_a_choice_has_its_spanish() {
        fn all<V: Vocabulary>() {
            V::MEMBERS
                .iter()
                .for_each(|word| has_spanish(&word.plain()));
        }
        all::<Severity>();
        all::<Status>();
        all::<VisitState>();
        all::<Emission>();
        all::<Planting>();
        all::<SoilKind>();
        all::<Sun>();
    }

    #[test]
    fn everything_that_a_head_or_a_watering_rule_says_has_its_spanish() {
        fn of_shape(shape: Shape) {
            match shape {
                Shape::Choice(choices) => {
                    choices.iter().for_each(|one| has_spanish(&plain(one.word)));
                }
                Shape::List(item) => of_shape(*item),
                Shape::Record(parts) => {
                    for part in parts {
                        has_spanish(&plain(part.name));
                        of_shape(part.shape);
                    }
                }
                _ => {}
            }
        }
        let head = fields_of(ThingKind::Head);
        let shown = [&fields::site::RESTRICTION, &fields::controller::RAIN_SENSOR];
        // What every thing has is told in other words, or not at all.
        let own = head.filter(|field| field.of != fields::any::LABEL.of);
        let own: Vec<_> = own.collect();
        assert!(own.len() > 20, "{}", own.len());
        for field in &own {
            has_spanish(&plain(field.name));
        }
        for field in own.into_iter().chain(shown) {
            of_shape(field.shape);
        }
    }
}
