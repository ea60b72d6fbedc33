//! Findings in a client's words: what it is, what mends it, and what happens if nothing is done.
//! The consequences are common practice, no source.

use super::{Words, words};

/// A finding as a client reads it.
#[derive(Debug, Clone, Copy)]
pub(in crate::site::papers) struct FindingWords {
    /// What was found.
    pub(in crate::site::papers) what: Words,
    /// What mends it.
    pub(in crate::site::papers) remedy: Words,
    /// What happens if nothing is done.
    pub(in crate::site::papers) if_not: Words,
}

/// Returns the words for a stored one.
pub(in crate::site::papers) fn finding_words(word: &str) -> Option<FindingWords> {
    let found = FINDING_WORDS.iter().find(|(stored, ..)| *stored == word);
    found.map(|(_, what, remedy, if_not)| FindingWords {
        what: *what,
        remedy: *remedy,
        if_not: *if_not,
    })
}

/// What several findings lead to.
const WASTE: Words = words("Water is paid for and lost.", "Se paga agua que se pierde.");
const DRY: Words = words(
    "The ground it should reach stays dry and browns.",
    "El suelo que debería regar queda seco y se quema.",
);
const SLIP: Words = words(
    "Paving stays wet: water is lost, and people can slip.",
    "El pavimento queda mojado: se pierde agua y alguien puede resbalar.",
);
const DEAD: Words = words(
    "The zone stays without water.",
    "La zona se queda sin riego.",
);
const SETTING: Words = words(
    "The zone gets the wrong amount of water.",
    "La zona recibe una cantidad de agua equivocada.",
);
const DRINKING: Words = words(
    "Garden water could flow back into the drinking water.",
    "El agua del jardín podría volver al agua potable.",
);
const WEEPS: Words = words(
    "Water runs day and night, and the lowest ground stays soaked.",
    "El agua corre día y noche y la parte baja queda encharcada.",
);
const BREAKS: Words = words(
    "It breaks sooner, and then water runs free.",
    "Se rompe antes, y entonces el agua corre libre.",
);

type Line = (&'static str, Words, Words, Words);

const fn line(
    word: &'static str,
    what: (&'static str, &'static str),
    remedy: (&'static str, &'static str),
    if_not: Words,
) -> Line {
    (
        word,
        words(what.0, what.1),
        words(remedy.0, remedy.1),
        if_not,
    )
}

#[rustfmt::skip]
static FINDING_WORDS: &[Line] = &[
    line("arc-off-overspray", ("Sprinkler throws onto paving or a wall", "El aspersor moja el pavimento o un muro"), ("turn it and set its arc", "girarlo y ajustar su arco"), SLIP),
    line("arc-off-dry-edge", ("Sprinkler misses an edge", "El aspersor no alcanza un borde"), ("set its arc or change the nozzle", "ajustar el arco o cambiar la boquilla"), DRY),
    line("radius-long", ("Sprinkler throws too far", "El aspersor lanza demasiado lejos"), ("shorten its throw or change the nozzle", "acortar el alcance o cambiar la boquilla"), SLIP),
    line("radius-short", ("Sprinkler does not throw far enough", "El aspersor no alcanza la distancia"), ("lengthen its throw or change the nozzle", "alargar el alcance o cambiar la boquilla"), DRY),
    line("nozzle-wrong", ("Nozzle of the wrong size or arc", "Boquilla de tamaño o arco equivocado"), ("change the nozzle", "cambiar la boquilla"), SETTING),
    line("nozzle-worn", ("Nozzle worn out", "Boquilla gastada"), ("change the nozzle", "cambiar la boquilla"), WASTE),
    line("nozzle-missing", ("Nozzle missing", "Falta la boquilla"), ("put in a nozzle", "colocar una boquilla"), WASTE),
    line("nozzle-clogged", ("Nozzle blocked with dirt", "Boquilla tapada"), ("clean nozzle and screen", "limpiar boquilla y filtro"), DRY),
    line("head-tilted", ("Sprinkler leans", "Aspersor inclinado"), ("straighten it and firm the soil", "enderezarlo y compactar la tierra"), DRY),
    line("head-low", ("Sprinkler sunk below the lawn", "Aspersor hundido en el césped"), ("raise it and trim around it", "levantarlo y recortar alrededor"), DRY),
    line("head-high", ("Sprinkler stands too high", "Aspersor demasiado alto"), ("lower it", "bajarlo"), words("A mower hits it, and then water runs free.", "La cortadora lo golpea y el agua corre libre.")),
    line("blocked-by-plants", ("Sprinkler blocked by plants", "Aspersor tapado por plantas"), ("prune, or put in a taller one", "podar, o poner uno más alto"), DRY),
    line("will-not-rise", ("Sprinkler does not rise", "El aspersor no sube"), ("clean it, new spring or body", "limpiarlo, resorte o cuerpo nuevo"), DRY),
    line("will-not-retract", ("Sprinkler does not go back down", "El aspersor no baja"), ("clean it, new spring or body", "limpiarlo, resorte o cuerpo nuevo"), BREAKS),
    line("seal-leaking", ("Sprinkler leaks at its stem", "El aspersor gotea por el vástago"), ("clean it, new seal or body", "limpiarlo, sello o cuerpo nuevo"), WASTE),
    line("not-turning", ("Sprinkler does not turn", "El aspersor no gira"), ("change it", "cambiarlo"), words("One strip is soaked and the rest stays dry.", "Una franja se encharca y el resto queda seco.")),
    line("head-broken", ("Sprinkler broken", "Aspersor roto"), ("change it, move or guard it", "cambiarlo, moverlo o protegerlo"), words("Water shoots out each time the zone runs.", "El agua sale a chorro cada vez que riega la zona.")),
    line("head-missing", ("Sprinkler missing", "Falta un aspersor"), ("put one in", "colocar uno"), words("Water shoots out each time the zone runs.", "El agua sale a chorro cada vez que riega la zona.")),
    line("spacing-too-wide", ("Sprinklers too far apart", "Aspersores demasiado separados"), ("add or move sprinklers", "agregar o mover aspersores"), DRY),
    line("mixed-kinds", ("Sprinklers of different kinds on one valve", "Aspersores de distinto tipo en una válvula"), ("match the nozzles or split the zone", "igualar las boquillas o dividir la zona"), SETTING),
    line("pressure-high", ("Pressure too high", "Presión demasiado alta"), ("regulate the pressure", "regular la presión"), words("Spray turns to mist and blows away.", "El riego se vuelve niebla y se lo lleva el viento.")),
    line("pressure-low", ("Pressure too low", "Presión demasiado baja"), ("find the cause", "buscar la causa"), DRY),
    line("low-head-drainage", ("Lowest sprinkler drains after each run", "El aspersor más bajo se vacía tras cada riego"), ("put in a check valve", "colocar una válvula de retención"), WASTE),
    line("lateral-break", ("Pipe broken behind the valve", "Tubería rota después de la válvula"), ("dig and repair it", "excavar y repararla"), words("The zone cannot run, or washes out the ground.", "La zona no puede regar, o el agua se lleva la tierra.")),
    line("mainline-leak", ("Main line leaks", "Fuga en la línea principal"), ("shut it off, dig and repair it", "cerrar, excavar y repararla"), WEEPS),
    line("valve-weeping", ("Valve does not close fully", "La válvula no cierra del todo"), ("clean it, new diaphragm", "limpiarla, diafragma nuevo"), WEEPS),
    line("valve-stuck-open", ("Valve does not close", "La válvula no cierra"), ("clear it, new solenoid or diaphragm", "limpiarla, solenoide o diafragma nuevo"), WEEPS),
    line("valve-will-not-open", ("Valve does not open", "La válvula no abre"), ("electrical checks, then water checks", "revisar lo eléctrico y luego el agua"), DEAD),
    line("valve-old", ("Valve worn out", "Válvula gastada"), ("replace the valve", "cambiar la válvula"), BREAKS),
    line("box-lid-broken", ("Lid of a valve box broken", "Tapa de caja de válvulas rota"), ("new lid", "tapa nueva"), words("Somebody can step into the box.", "Alguien puede meter el pie en la caja.")),
    line("box-buried", ("Valve box buried", "Caja de válvulas enterrada"), ("raise the box", "levantar la caja"), words("In a leak nobody finds the valve.", "En una fuga nadie encuentra la válvula.")),
    line("splice-wet", ("Wire joint wet", "Empalme eléctrico mojado"), ("remake it waterproof", "rehacerlo impermeable"), DEAD),
    line("wire-open", ("Wire broken", "Cable cortado"), ("find the break and repair it", "buscar el corte y repararlo"), DEAD),
    line("wire-short", ("Wire shorted", "Cable en cortocircuito"), ("find the fault and repair it", "buscar la falla y repararla"), DEAD),
    line("clock-wrong", ("Controller's clock wrong", "Reloj del controlador equivocado"), ("set the clock, change the battery", "ponerlo en hora, cambiar la batería"), words("It waters at the wrong hour or on the wrong day.", "Riega a la hora o el día equivocado.")),
    line("changed-since-we-left", ("Settings changed since our last visit", "Ajustes cambiados desde nuestra visita"), ("ask, and set it again", "preguntar y ajustar de nuevo"), SETTING),
    line("starts-duplicate", ("One program starts twice", "Un programa arranca dos veces"), ("set the start times again", "ajustar las horas de inicio"), words("Everything is watered twice.", "Todo se riega dos veces.")),
    line("programs-overlap", ("Two programs run at once", "Dos programas a la vez"), ("set the start times again", "ajustar las horas de inicio"), SETTING),
    line("window-overrun", ("Watering runs past its hours", "El riego se pasa de su horario"), ("set start and run times again", "ajustar inicio y duración"), words("It may break the local watering rule.", "Puede incumplir la norma local de riego.")),
    line("run-too-long", ("Run time too long", "Riego demasiado largo"), ("set the run time", "ajustar la duración"), WASTE),
    line("run-too-short", ("Run time too short", "Riego demasiado corto"), ("set the run time", "ajustar la duración"), DRY),
    line("run-off", ("Water runs off before it soaks in", "El agua escurre antes de infiltrarse"), ("split the run into cycles", "dividir el riego en ciclos"), WASTE),
    line("rain-sensor-bypassed", ("Rain sensor switched off", "Sensor de lluvia desconectado"), ("switch it on", "conectarlo"), words("It waters in the rain.", "Riega cuando llueve.")),
    line("rain-sensor-failed", ("Rain sensor does not work", "El sensor de lluvia no funciona"), ("replace it", "cambiarlo"), words("It waters in the rain.", "Riega cuando llueve.")),
    line("backflow-leaking", ("Backflow assembly leaks", "El dispositivo antirretorno gotea"), ("certified repair and test", "reparación y prueba certificadas"), DRINKING),
    line("backflow-cracked", ("Backflow assembly cracked", "Dispositivo antirretorno rajado"), ("certified repair and test", "reparación y prueba certificadas"), DRINKING),
    line("backflow-overdue", ("Backflow test overdue", "Prueba del antirretorno vencida"), ("certified test", "prueba certificada"), DRINKING),
    line("emitter-missing", ("Drip emitter missing", "Falta un gotero"), ("put one in", "colocar uno"), DRY),
    line("drip-line-cut", ("Drip line cut", "Línea de goteo cortada"), ("join it", "unirla"), WASTE),
    line("drip-filter-dirty", ("Drip filter dirty", "Filtro de goteo sucio"), ("clean the filter, flush the line", "limpiar el filtro y purgar la línea"), DRY),
    line("wet-area", ("Wet ground, cause not known yet", "Suelo encharcado, causa aún desconocida"), ("find the cause", "buscar la causa"), words("Water may be lost every hour; the cause stays unknown.", "Puede perderse agua a toda hora; la causa sigue sin saberse.")),
    line("dry-area", ("Dry ground, cause not known yet", "Suelo seco, causa aún desconocida"), ("find the cause", "buscar la causa"), DRY),
    line("other", ("See the crew's words", "Ver lo que anotó el equipo"), ("as described", "según lo descrito"), words("We can show you on the spot.", "Se lo mostramos en el lugar.")),
];
