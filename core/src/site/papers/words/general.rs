//! Titles, headings and sentences.

use super::{Language, looked_up, table, words};

/// Returns how a rain sensor stands.
pub(in crate::site::papers) fn sensor(word: &str, language: Language) -> String {
    let table = [
        ("none", words("none", "no hay")),
        ("working", words("working", "funciona")),
        ("bypassed", words("bypassed", "desconectado")),
        ("failed", words("does not work", "no funciona")),
    ];
    looked_up(&table, word, language)
}

#[rustfmt::skip]
table! {
    LICENCE, "Licence {}", "Licencia {}";
    TAKE_CARE, "Take care", "Cuidado";
    LOCAL_FIRST, "Local codes, watering rules and licensed practice come first.", "Los códigos locales, las normas de riego y el trabajo con licencia van por delante.";
    YES, "yes", "sí";
    NO, "no", "no";
    DATE, "Date", "Fecha";
    PRICE, "Price", "Precio";
    WHERE, "Where", "Dónde";
    PARTS, "Parts", "Piezas";
    ZONE, "Zone", "Zona";
    DAYS, "Days", "Días";
    RAIN_SENSOR, "Rain sensor", "Sensor de lluvia";
    SHUT_OFF_AT, "Shut the water off", "Cerrar el agua";

    THE_SITE, "the whole site", "todo el sitio";
    AT_HEAD, "sprinkler {}", "aspersor {}";
    AT_VALVE, "valve {}", "válvula {}";
    AT_ZONE, "zone {}", "zona {}";
    THE_CONTROLLER, "the controller", "el controlador";
    THE_SUPPLY, "where the water comes in", "la entrada de agua";
    NOT_DESCRIBED, "not described yet", "aún sin describir";

    LETTER_TITLE, "Your sprinklers at {}", "Su riego en {}";
    NO_VISIT_YET, "We have not walked your system yet.", "Aún no hemos recorrido su sistema.";
    DID, "On {} we ran {} of your {} zones, {}", "El {} probamos {} de sus {} zonas, {}";
    HEAD, "sprinkler", "aspersor";
    HEADS, "sprinklers", "aspersores";
    PUT_RIGHT, ", and put right on the spot: {}", ", y arreglamos en el momento: {}";
    OTHER_THING, "other thing", "cosa más";
    OTHER_THINGS, "other things", "cosas más";
    NOTHING_TO_DECIDE, "Nothing needs your decision.", "No hay nada que usted deba decidir.";
    THING_NEEDS, "thing needs", "asunto necesita";
    THINGS_NEED, "things need", "asuntos necesitan";
    ASKS, "{} your yes or no; prices follow.", "{} su sí o su no; los precios siguen.";
    ASKS_FOR, "{} your yes or no; together they come to {}, tax included, and each can be picked by itself.", "{} su sí o su no; en total son {} con impuesto, y cada uno se puede elegir por separado.";
    ASKS_FOR_SOME, "{} your yes or no; with a price so far: {} of them, {} tax included.", "{} su sí o su no; con precio hasta ahora: {} de ellos, {} con impuesto.";
    WATER_UNKNOWN, "How much water your system uses is not known yet: run times or flows are still to be measured.", "Aún no se sabe cuánta agua usa su sistema: faltan por medir tiempos o caudales.";
    WATER_SAME, "The controller gives about {} of water a week, as it did before; this week your plants need about {}.", "El controlador da unos {} de agua por semana, igual que antes; esta semana sus plantas necesitan unos {}.";
    WATER_CHANGED, "The controller now gives about {} of water a week, where it gave {} before; this week your plants need about {}.", "El controlador da ahora unos {} de agua por semana; antes daba {}; esta semana sus plantas necesitan unos {}.";
    OF_ZONES, "(That is for {} of {} zones; the others are not measured yet.)", "(Es para {} de {} zonas; las otras aún no están medidas.)";
    YOUR_DECISION, "Your decision", "Su decisión";
    HOW_SOON, "How soon", "Urgencia";
    WHAT, "What", "Qué";
    IF_NOT, "Why now", "Por qué ahora";
    YOUR_ANSWER, "Your answer", "Su respuesta";
    ANSWER_HOW, "Tick yes or no on each line and give us the sheet, or call: each line stands by itself.", "Marque sí o no en cada línea y entréguenos la hoja, o llame: cada línea vale por sí sola.";
    AGREED, "You already said yes to: {}.", "Usted ya dijo que sí a: {}.";
    PRICE_ENDED, "price has ended", "precio vencido";
    PRICE_FOLLOWS, "follows", "por enviar";
    WATER_A_WEEK, "Water a week", "Agua por semana";
    AS_FOUND, "as we found it", "como lo encontramos";
    AS_LEFT, "as we left it", "como lo dejamos";
    NEEDED, "needed this week", "necesaria esta semana";
    NEED_NOTE, "The need follows from the weather of the seven days before {}, the plants, and how evenly these sprinklers water.", "La necesidad resulta del clima de los siete días antes del {}, de las plantas y de lo parejo que riegan estos aspersores.";
    ZONE_BY_ZONE, "Zone by zone", "Zona por zona";
    PLANTS, "Plants", "Plantas";
    MINUTES_A_WEEK, "Minutes a week", "Minutos por semana";
    GETS_AND_NEEDS, "Gets, and needs, a week", "Recibe y necesita por semana";
    HEADS_STAND, "Sprinklers", "Aspersores";
    GETS_OF, "{} of {}", "{} de {}";
    ZONES_NOTE, "Minutes: as found → as left. Bar: what the setting gives; mark: what the plants need after rain. Sprinklers: good / adjusted this time / still open.", "Minutos: como estaba → como quedó. Barra: lo que da el ajuste; marca: lo que necesitan las plantas tras la lluvia. Aspersores: bien / ajustados esta vez / pendientes.";
    MAP_TITLE, "Where they stand", "Dónde están";
    WHY_MORE, "Why more may follow", "Por qué puede haber más";
    FOUND_IN_YEAR, "{} findings for every 100 sprinklers in {}", "{} hallazgos por cada 100 aspersores en {}";
    HEADS_AGE, "half of your sprinklers are {} years old or more", "la mitad de sus aspersores tiene {} años o más";
    VALVES_AGE, "half of your valves are {} years old or more", "la mitad de sus válvulas tiene {} años o más";
    MORE_FOLLOWS, "We noted {}. At the same time {}. Parts that went into the ground together wear out together, so when a few have failed, more of the same age are likely to follow within a few years. That is age, not damage; doing neighbours together saves a second visit and a second hole.", "Anotamos {}. Además {}. Las piezas que se instalaron juntas se gastan juntas: cuando fallan unas pocas, es probable que en pocos años sigan otras de la misma edad. Es la edad, no un daño; hacer las vecinas a la vez ahorra otra visita y otra excavación.";

    CARD_TITLE, "Controller card, {}", "Tarjeta del controlador, {}";
    NO_CONTROLLER, "No controller is recorded.", "No hay controlador registrado.";
    NO_PROGRAMS, "No programs are written down yet.", "Aún no hay programas anotados.";
    BY_PEN, "changed", "cambio";
    STARTS, "Starts", "Inicios";
    PERCENT, "Percent", "Porcentaje";
    OFF, "off", "apagado";
    EVERY_DAY, "every day", "todos los días";
    EVERY_DAYS, "every {} days", "cada {} días";
    ODD_DAYS, "odd days", "días impares";
    EVEN_DAYS, "even days", "días pares";
    WEEKDAYS, "Mon Tue Wed Thu Fri Sat Sun", "lun mar mié jue vie sáb dom";
    MINUTES_NOTE, "Minutes as set on the dial, before the percent. A zone in two programs runs in both.", "Minutos como en el dial, antes del porcentaje. Una zona en dos programas riega en ambos.";
    PERCENT_BY_MONTH, "Percent dial by month", "Porcentaje por mes";
    PERCENT_NOTE, "Upper row: what the weather of the last year asked of these programs; with a +, even that is too little and run times are too short. Lower row: yours.", "Fila de arriba: lo que pidió el clima del último año a estos programas; con +, ni eso alcanza y los tiempos son cortos. Fila de abajo: la suya.";
    INCHES, "inches", "pulgadas";
    MILLIMETRES, "millimetres", "milímetros";
    WATER_WINDOW, "Water may run", "Horas de riego";
    INITIALS, "Initials", "Iniciales";

    HEAD_MAP_TITLE, "Sprinklers at {}", "Aspersores en {}";
    PLAN_OF, "Plan of {}, to scale, north up", "Plano de {}, a escala, norte arriba";
    WALK_OF, "Sprinklers of {} in the order of the walk", "Aspersores de {} en orden de recorrido";
    WALK_TITLE, "In the order of the walk", "En orden de recorrido";
    WALK_NOTE, "Nobody has measured where these stand; they are drawn in the order of the walk, to one scale. Without an aim they point up.", "Nadie ha medido dónde están; se dibujan en orden de recorrido, a una escala. Sin dirección apuntan hacia arriba.";
    NO_HEADS, "No sprinklers are recorded yet.", "Aún no hay aspersores registrados.";
    HEAD_GOOD, "good", "bien";
    OPEN_URGENT, "urgent", "urgente";
    OPEN_SOON, "soon", "pronto";
    OPEN_ROUTINE, "routine", "rutina";
    OPEN_WATCH, "watch", "observar";
    LETTER_URGENT, "U", "U";
    LETTER_SOON, "S", "P";
    LETTER_ROUTINE, "R", "R";
    LETTER_WATCH, "W", "O";
    COMPROMISE, "set so for a reason: leave it", "ajustado así por una razón: no tocar";
    VALVE, "valve", "válvula";
    CONTROLLER, "controller", "controlador";
    SHUT_OFF, "shut-off", "llave de paso";
    SPOT, "wet or dry spot", "punto húmedo o seco";
    DARKER, "darker: more water; white: none", "más oscuro: más agua; blanco: nada";

    ESTIMATE_TITLE, "Estimate, {}", "Presupuesto, {}";
    NO_ESTIMATE, "No estimate was given yet.", "Aún no se ha dado un presupuesto.";
    PRICES_HOLD, "Prices of {}; they hold until {}. Each line can be picked by itself.", "Precios del {}; valen hasta el {}. Cada línea se puede elegir por separado.";
    WORK_IS, "Work: {}. If nothing is done: {}", "Trabajo: {}. Si no se hace nada: {}";
    LINE_UNREADABLE, "Line {} has no price that adds up; ask us.", "La línea {} no tiene un precio que cuadre; pregúntenos.";
    FOR_WHAT, "For", "Por";
    EACH, "Each", "Unidad";
    LABOUR, "Labour, {} minutes", "Mano de obra, {} minutos";
    AN_HOUR, "{} an hour", "{} la hora";
    CHARGE, "Charge", "Cargo";
    TAX_ON_PARTS, "Tax on parts", "Impuesto sobre piezas";
    TAX_ON_ALL, "Tax", "Impuesto";
    APPROVED, "Approved", "Aprobado";
    DECLINED, "Declined", "Rechazado";
    SUMS, "Sums", "Sumas";
    LINES, "Lines", "Líneas";
    LABOUR_SUM, "Labour", "Mano de obra";
    CHARGES, "Charges", "Cargos";
    TAX, "Tax", "Impuesto";
    TOTAL, "Total", "Total";
    ALL_LINES, "All lines", "Todas";
    OPEN_LINES, "Not answered", "Sin respuesta";
    APPROVED_LINES, "Approved", "Aprobadas";
    DECLINED_LINES, "Declined", "Rechazadas";
    ROUNDING, "Parts, labour and tax are rounded to the cent line by line, half a cent up, so that whatever lines you pick add up.", "Piezas, mano de obra e impuesto se redondean al centavo línea por línea, medio centavo hacia arriba; así suman las líneas que usted elija.";
    SIGNED, "Signed", "Firma";

    ORDER_TITLE, "Work order, {}, {}", "Orden de trabajo, {}, {}";
    ACCESS, "Getting in", "Acceso";
    CONTROLLER_AT, "Controller", "Controlador";
    WATER_RUNS, "It waters", "Riega";
    LIMIT, "Without asking", "Sin preguntar";
    LIMIT_IS, "up to {} for this visit", "hasta {} en esta visita";
    TO_DO, "To do, in the order of the walk", "Por hacer, en orden de recorrido";
    LOOK_ONLY, "Not agreed to yet: look, do not do", "Aún sin acuerdo: mirar, no hacer";
    NOTHING_OPEN, "Nothing is open at this site.", "No hay nada pendiente en este sitio.";
    MAP_CROP, "Where it is", "Dónde es";
    DONE, "Done", "Hecho";
    WHAT_TO_DO, "What to do", "Qué hacer";
    MINUTES, "Min", "Min";
    STANDS, "Stands", "Estado";

    PULL_TITLE, "Parts to pull", "Piezas por sacar";
    NOTHING_TO_PULL, "Nothing that was agreed to takes a part.", "Nada de lo acordado lleva piezas.";
    BAG, "Bag {}: {}", "Bolsa {}: {}";
    PULLED, "Pulled", "Lista";
    COUNT, "No.", "N.º";
    PART, "Part", "Pieza";
    FOR_WHERE, "For", "Para";
    SPARES, "Worth having along, the nozzles this site has most: {}.", "Conviene llevar las boquillas que más tiene este sitio: {}.";
    OFF_THE_SHELVES, "Off the shelves", "Del almacén";
    KIND, "Kind", "Tipo";
    BIN, "Bin", "Caja";
    BAGS, "Bag: no.", "Bolsa: n.º";
    INSTEAD, "Or instead", "O en su lugar";
    SHORT_BY, "Short by", "Faltan";

    SEASON_TITLE, "The season's water at {}", "El agua de la temporada en {}";
    NO_WEATHER, "No weather is recorded for this site, so that no season can be shown.", "No hay clima registrado para este sitio; no se puede mostrar la temporada.";
    SEASON_SAYS, "{} to {}, water of each month in {}, with the programs as we left them; every zone to one scale.", "{} a {}, agua de cada mes en {}, con los programas como los dejamos; todas las zonas a una escala.";
    SEASON_SUMS, "needed {}; rain gave {}, irrigation {}", "necesitó {}; la lluvia dio {}, el riego {}";
    NOT_RECKONED, "Not reckoned, since something is not measured yet: {}.", "Sin calcular, porque falta medir algo: {}.";
    RAIN, "rain", "lluvia";
    IRRIGATION, "irrigation", "riego";
    NEED, "need", "necesidad";
    VISIT, "visit", "visita";
    RE_SET, "programs taken down or set", "programas anotados o ajustados";
    GAP, "weather partly filled in", "clima en parte estimado";
}
