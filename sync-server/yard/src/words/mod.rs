//! The words of the page in English and Spanish, side by side, so that none can be missing.

pub mod board;
pub mod errors;
pub mod reasons;
pub mod schedule;
pub mod values;
pub mod vocab;

use crate::prefs::Language;

macro_rules! words {
    ($($word:ident: $en:literal, $es:literal;)+) => {
        /// A phrase of the page. `{}` stands for what is filled in.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        #[expect(missing_docs, reason = "each is the phrase beside it")]
        pub enum Word {
            $($word,)+
        }

        impl Word {
            /// Every phrase.
            pub const ALL: &'static [Self] = &[$(Self::$word),+];

            /// Returns it in a language.
            #[must_use]
            pub const fn said(self, language: Language) -> &'static str {
                match (self, language) {
                    $((Self::$word, Language::En) => $en,
                    (Self::$word, Language::Es) => $es,)+
                }
            }
        }
    };
}

impl Word {
    /// Returns it in a language, with each `{}` filled in.
    #[must_use]
    pub fn filled(self, language: Language, with: &[&str]) -> String {
        let mut parts = self.said(language).split("{}");
        let mut filled = parts.next().unwrap_or_default().to_owned();
        let mut with = with.iter();
        for part in parts {
            filled.push_str(with.next().copied().unwrap_or_default());
            filled.push_str(part);
        }
        filled
    }
}

/// Phrases that are picked and stored as words, so that each reads in the language of whoever looks.
const PICKED: [Word; 16] = [
    Word::SkipDog,
    Word::SkipLocked,
    Word::SkipNoWater,
    Word::SkipTime,
    Word::SkipPeople,
    Word::WhyDriveEdge,
    Word::WhyPlants,
    Word::WhyClient,
    Word::WhyShape,
    Word::ClientTold,
    Word::ClientAway,
    Word::ClientAgreed,
    Word::ClientCalls,
    Word::EndRain,
    Word::EndTime,
    Word::EndClient,
];

/// Returns stored words as they stand, or in this language where they were picked and not typed.
#[must_use]
pub fn retold(language: Language, stored: &str) -> String {
    let picked = PICKED.into_iter().find(|word| {
        [Language::En, Language::Es]
            .iter()
            .any(|of| word.said(*of) == stored)
    });
    picked.map_or(stored, |word| word.said(language)).to_owned()
}

words! {
    // The frame.
    Today: "Today", "Hoy";
    Back: "Back", "Atrás";
    Settings: "Settings", "Ajustes";
    Undo: "Undo", "Deshacer";
    Undone: "Taken back.", "Deshecho.";
    NothingToUndo: "Nothing in this visit is left to take back.", "No queda nada por deshacer en esta visita.";
    Save: "Save", "Guardar";
    Saved: "Saved on this phone.", "Guardado en este teléfono.";
    SavedHere: "Saved on this phone", "Guardado en este teléfono";
    AllAtOffice: "At the office since {}", "En la oficina desde {}";
    NothingAtOffice: "Nothing at the office yet", "Nada en la oficina todavía";
    OneWaiting: "1 not yet at the office", "1 aún no en la oficina";
    Waiting: "{} not yet at the office", "{} aún no en la oficina";
    NoOfficeYet: "No office joined yet", "Sin oficina todavía";
    NotDone: "Not saved:", "No se guardó:";
    NotExchanged: "No exchange:", "Sin intercambio:";
    SayWhy: "say why in a few words", "diga por qué en pocas palabras";
    Yes: "Yes", "Sí";
    No: "No", "No";
    Off: "off", "apagada";
    // Joining and exchanging.
    JoinTitle: "Join your office", "Unirse a su oficina";
    JoinHow: "Your dispatcher gives you a code. It works once, and needs signal now; after that the page works for days without.", "Su despachador le da un código. Sirve una vez y necesita señal ahora; después la página funciona días sin ella.";
    YourName: "Your name", "Su nombre";
    Code: "Code", "Código";
    Join: "Join", "Unirse";
    CodeAndName: "a name and a code are needed", "hacen falta un nombre y un código";
    Phone: "phone", "teléfono";
    NoHubThere: "what answers there does not speak like a hub", "lo que responde ahí no habla como una oficina";
    Joining: "Asking the office…", "Preguntando a la oficina…";
    Joined: "Joined. Bringing your sites…", "Unido. Trayendo sus sitios…";
    ExchangeNow: "Exchange with the office", "Intercambiar con la oficina";
    Exchanging: "Exchanging with the office…", "Intercambiando con la oficina…";
    OfficeAway: "The office cannot be reached now. All is saved on this phone and goes later.", "La oficina no responde ahora. Todo está guardado en este teléfono y se envía después.";
    // The day.
    OtherSites: "Other sites", "Otros sitios";
    FindSite: "Find a site", "Buscar un sitio";
    NoSites: "No sites on this phone yet: exchange with the office while you have signal.", "Aún no hay sitios en este teléfono: intercambie con la oficina mientras tenga señal.";
    VisitIsOpen: "A visit is open at {}.", "Hay una visita abierta en {}.";
    // The site.
    IsItThis: "Is it this site?", "¿Es este sitio?";
    RightSite: "This is the right site", "Este es el sitio correcto";
    Size: "Size", "Tamaño";
    OneZone: "1 zone", "1 zona";
    ZoneCount: "{} zones", "{} zonas";
    OneFinding: "1 open finding", "1 hallazgo abierto";
    FindingCount: "{} open findings", "{} hallazgos abiertos";
    Address: "Address", "Dirección";
    Client: "Client", "Cliente";
    PreApproved: "Pre-approved", "Preaprobado";
    Restriction: "Watering rules", "Reglas de riego";
    LastVisit: "Last visit", "Última visita";
    GoOn: "Go on with the visit", "Seguir con la visita";
    OtherVisitOpen: "A visit is open at {}: end it or leave it for later first.", "Hay una visita abierta en {}: ciérrela o déjela para después.";
    TakeUp: "Take up the open visit", "Retomar la visita abierta";
    LeftOpen: "Left open", "Quedó abierta";
    OtherPurpose: "Start for another reason", "Empezar por otra razón";
    VisitBegun: "Visit begun.", "Visita empezada.";
    VisitResumed: "Visit taken up.", "Visita retomada.";
    // Programs.
    AsFound: "Controller as found", "Programador como se encontró";
    AsLeft: "Controller as left", "Programador como se dejó";
    AsWeLeftIt: "As we left it last", "Como lo dejamos la última vez";
    SameAsLeft: "Same: go to zone 1", "Igual: ir a la zona 1";
    Changed: "It was changed: set what you see", "Lo cambiaron: ponga lo que ve";
    SetAsFound: "Set here what the controller shows, before you change anything.", "Ponga aquí lo que muestra el programador, antes de cambiar nada.";
    RecordFound: "Record as found", "Registrar como se encontró";
    FoundSaved: "As found is saved.", "Lo encontrado está guardado.";
    RecordLeft: "Record as left", "Registrar como se dejó";
    LeaveAsFound: "Same as found: record as left", "Igual que se encontró: registrar";
    LeftSaved: "As left is saved.", "Lo dejado está guardado.";
    TakeSuggestion: "Take the suggestion for all", "Tomar la sugerencia para todo";
    SuggestionNote: "Computed on this phone from the weather and each zone. You decide; local watering rules come first.", "Calculado en este teléfono con el clima y cada zona. Usted decide; las reglas locales de riego van primero.";
    NoSuggestion: "No suggestion:", "Sin sugerencia:";
    NothingToWater: "The plan waters nothing in this week.", "El plan no riega nada en esta semana.";
    LineVoltage: "Mains voltage inside: covers stay on, the inside is for a qualified person.", "Voltaje de red adentro: las tapas quedan puestas, el interior es para personal calificado.";
    Place: "Where", "Dónde";
    RainSensor: "Rain sensor", "Sensor de lluvia";
    Program: "Program", "Programa";
    SeasonalAdjust: "Seasonal adjust", "Ajuste estacional";
    FirstStart: "First start", "Primer arranque";
    DaysNow: "Days: {}", "Días: {}";
    EffectiveMinutes: "{} min a week", "{} min por semana";
    SuggestedMinutes: "suggested {}", "sugerido {}";
    // The walk.
    Walk: "The walk", "El recorrido";
    Steps: "Steps", "Pasos";
    NextZone: "Next zone", "Zona siguiente";
    Ran: "ran", "regada";
    SkippedWord: "skipped", "omitida";
    NotYet: "not yet", "aún no";
    OneHead: "1 head", "1 aspersor";
    HeadCount: "{} heads", "{} aspersores";
    OneOpen: "1 open", "1 abierto";
    OpenCount: "{} open", "{} abiertos";
    Zone: "Zone", "Zona";
    Head: "Head", "Aspersor";
    Valve: "Valve", "Válvula";
    Spot: "Spot", "Mancha";
    Controller: "Controller", "Programador";
    Supply: "Water supply", "Toma de agua";
    // The zone.
    ZoneTimer: "On this zone", "En esta zona";
    RestGood: "Rest are good: next zone", "Los demás bien: zona siguiente";
    ZoneGood: "Ran, looks good: next zone", "Regó bien: zona siguiente";
    ZoneSaved: "Zone saved.", "Zona guardada.";
    NoHeads: "No heads are recorded here yet. Add them in one go; detail can come later.", "Aún no hay aspersores registrados aquí. Agréguelos de una vez; el detalle puede venir después.";
    AddHeads: "Add heads", "Agregar aspersores";
    Kind: "Kind", "Tipo";
    HowMany: "How many", "Cuántos";
    AddSo: "Add {}: {}", "Agregar {}: {}";
    SkipZone: "Skip this zone", "Omitir esta zona";
    SkipSaved: "Skipped, with the reason.", "Omitida, con la razón.";
    SkipDog: "dog in the yard", "perro en el patio";
    SkipLocked: "gate locked", "portón cerrado";
    SkipNoWater: "no water", "sin agua";
    SkipTime: "out of time", "sin tiempo";
    SkipPeople: "people on the lawn", "gente en el césped";
    OtherReason: "Another reason", "Otra razón";
    ZoneMore: "This zone", "Esta zona";
    ZoneTrouble: "Something is wrong with the zone or valve", "Algo está mal en la zona o la válvula";
    WetSpot: "Wet spot", "Mancha mojada";
    DrySpot: "Dry spot", "Mancha seca";
    SpotOpen: "look for the cause", "buscar la causa";
    OpenHere: "Open here", "Abierto aquí";
    SayWhat: "say what it is", "diga qué es";
    ZoneFlow: "Zone total", "Total de la zona";
    ZoneDraws: "Zone total now:", "Total de la zona ahora:";
    Rate: "Precipitation rate", "Tasa de precipitación";
    Plants: "Plants", "Plantas";
    Soil: "Soil", "Suelo";
    Sun: "Sun", "Sol";
    Area: "Area", "Área";
    Pressure: "Pressure", "Presión";
    // The head.
    Flag: "Flag", "Marcar";
    Flagged: "Flagged: say what it is later.", "Marcado: diga después qué es.";
    FlagForLater: "Flag for later", "Marcar para después";
    FlaggedWord: "flagged", "marcado";
    GoodWord: "good", "bien";
    FixedWord: "fixed", "arreglado";
    AsIsWord: "as is", "así queda";
    TwoVersions: "two versions", "dos versiones";
    OnPurpose: "On purpose: {}", "A propósito: {}";
    TimesThisSeason: "{}: {} times this season", "{}: {} veces esta temporada";
    SameAs: "Same as {}", "Igual que {}";
    WhileWaterIsOn: "While the water is on: tap what you see", "Con el agua abierta: toque lo que ve";
    CanWait: "Can wait until the water is off", "Puede esperar sin agua";
    AllFindings: "Everything that can be found", "Todo lo que se puede encontrar";
    Others: "Others", "Otros";
    AdjustedNow: "adjusted now", "ajustado ahora";
    Change: "Change", "Cambiar";
    Arc: "Arc", "Arco";
    ArcNozzle: "Nozzle (flow follows the arc)", "Boquilla (el caudal sigue al arco)";
    ArcTurned: "Arc (same nozzle: a wider arc waters less)", "Arco (misma boquilla: más arco riega menos)";
    ArcSaved: "Arc saved, zone added up again.", "Arco guardado, zona sumada de nuevo.";
    Radius: "Radius", "Alcance";
    PopUp: "Pop-up height (another body, same nozzle)", "Altura del emergente (otro cuerpo, misma boquilla)";
    BodySaved: "Body saved with its parts; the nozzle stays.", "Cuerpo guardado con sus piezas; la boquilla queda.";
    RemarkLabel: "What the next crew must know", "Lo que la próxima cuadrilla debe saber";
    BackToZone: "Back to the zone", "Volver a la zona";
    Computed: "computed", "calculado";
    // Findings.
    WhatIsIt: "what is it?", "¿qué es?";
    ForLater: "for later", "para después";
    FixedNow: "Fixed now", "Arreglado ahora";
    FixedSaved: "Fixed, and saved with its parts.", "Arreglado, y guardado con sus piezas.";
    ToQuote: "To quote", "Cotizar";
    OpenAgain: "Open it again", "Abrir de nuevo";
    CheckedNow: "Checked", "Revisado";
    LeaveAsIs: "Leave as is", "Dejar así";
    WhyAsIs: "Why does it stay as it is? The next crew reads this.", "¿Por qué queda así? La próxima cuadrilla lo lee.";
    WhyDriveEdge: "set short on purpose: drive edge", "corto a propósito: borde de la entrada";
    WhyPlants: "plants need it so", "las plantas lo necesitan así";
    WhyClient: "client wants it so", "el cliente lo quiere así";
    WhyShape: "shape of the lawn allows no better", "la forma del césped no permite más";
    StatusLabel: "Stands at", "Estado";
    Remedy: "Usual remedy", "Remedio usual";
    Parts: "Parts", "Piezas";
    SeverityLabel: "How soon", "Qué tan pronto";
    HowSoon: "How soon does it matter", "Qué tan pronto importa";
    InYourWords: "In your words", "En sus palabras";
    // Evidence.
    FindCause: "Find the cause", "Buscar la causa";
    LowPressure: "Low pressure", "Poca presión";
    WillNotStart: "Will not start", "No arranca";
    WillNotStop: "Will not stop", "No para";
    PointsTo: "The evidence points to: {}", "La evidencia apunta a: {}";
    NotSettled: "Not settled. Likeliest so far: {}", "Sin resolver. Lo más probable hasta ahora: {}";
    NoneFits: "No one cause fits what was seen: two may be at work, or a test misled.", "Ninguna causa sola explica lo visto: pueden ser dos, o una prueba engañó.";
    CauseMeans: "It means: {}. Usual remedy: {}.", "Quiere decir: {}. Remedio usual: {}.";
    NothingTested: "Nothing is tested yet.", "Aún no se ha probado nada.";
    NextTest: "Next test", "Prueba siguiente";
    NoNextTest: "No test that is left tells more.", "Ninguna de las pruebas que quedan dice más.";
    NotTested: "Not tested: counts neither way", "Sin probar: no cuenta ni a favor ni en contra";
    Tested: "Tested", "Probado";
    SignPointsTo: "Points to: {}.", "Apunta a: {}.";
    SignPointsAway: "Points away from: {}.", "Habla en contra de: {}.";
    SignEarlier: "From an earlier visit.", "De una visita anterior.";
    EarlierCount: "Answers of an earlier visit still count here. If the trouble is new, look again.", "Aquí todavía cuentan respuestas de una visita anterior. Si la falla es nueva, mire otra vez.";
    RecordTrouble: "Record: {}", "Registrar: {}";
    Causes: "What it could be", "Qué puede ser";
    CommonPractice: "The weights are common practice, no source.", "Los pesos son práctica común, sin fuente.";
    SpotGone: "It is gone", "Ya no está";
    // A curved kerb.
    KerbTitle: "At a curved kerb", "En un bordillo curvo";
    KerbNote: "overspray or dry edge: what each setting costs", "riega fuera o borde seco: lo que cuesta cada ajuste";
    KerbNotMeasured: "The kerb here is not measured yet. Two tape measures are enough: a straight line between two points of the kerb, and how far the kerb stands off its middle.", "El bordillo aquí aún no está medido. Bastan dos medidas: una línea recta entre dos puntos del bordillo, y cuánto se separa el bordillo de su mitad.";
    KerbMeasure: "Measure the kerb", "Medir el bordillo";
    KerbHow: "Hold the tape straight between two points of the kerb, one on each side of the head. Then measure from the middle of the tape square to the kerb.", "Tienda la cinta recta entre dos puntos del bordillo, uno a cada lado del aspersor. Luego mida desde la mitad de la cinta, a escuadra, hasta el bordillo.";
    KerbChord: "Straight from point to point", "Recta de punto a punto";
    KerbOffset: "From its middle to the kerb", "De su mitad al bordillo";
    KerbGap: "From the head to the kerb", "Del aspersor al bordillo";
    KerbLawn: "Where is the lawn?", "¿Dónde está el césped?";
    KerbLawnInside: "Inside the bend", "Dentro de la curva";
    KerbLawnOutside: "Outside the bend", "Fuera de la curva";
    KerbRadius: "The kerb bends with a radius of {}.", "El bordillo se curva con un radio de {}.";
    KerbTooDeep: "That is no bend of a kerb: from the middle to the kerb can be at most half of the straight line.", "Eso no es una curva de bordillo: de la mitad al bordillo puede haber a lo más la mitad de la recta.";
    KerbChoose: "You choose; the tap sets arc and radius and writes the reason down for the next crew.", "Usted elige; el toque pone arco y alcance y deja la razón escrita para la próxima cuadrilla.";
    KerbNow: "As it is set", "Como está puesto";
    KerbNoOverspray: "No overspray", "Nada riega fuera";
    KerbNoDry: "No dry ground", "Nada queda seco";
    KerbBetween: "Least waste for that dry edge", "Lo menos perdido con ese borde seco";
    KerbAccept: "Dry lawn that you would accept", "Césped seco que aceptaría";
    KerbCosts: "{} dry, {} off the lawn", "{} seco, {} fuera del césped";
    KerbSides: "facing the lawn {}° to the left, {}° to the right", "mirando al césped {}° a la izquierda, {}° a la derecha";
    KerbScrew: "The screw is far down: a smaller nozzle is better (common practice, no source)", "El tornillo queda muy cerrado: mejor una boquilla más chica (práctica común, sin fuente)";
    KerbReason: "curved kerb, {}: {}; leaves {} dry, {} off the lawn", "bordillo curvo, {}: {}; deja {} seco, {} fuera del césped";
    KerbSaved: "Arc, radius and reason saved.", "Arco, alcance y razón guardados.";
    KerbNoVisit: "To set it, begin a visit first.", "Para ponerlo, empiece antes una visita.";
    KerbLeftOut: "Reckoned for still air and level ground, the head facing straight into the lawn.", "Calculado sin viento y a nivel, el aspersor mirando derecho al césped.";
    BackToHead: "Back to the head", "Volver al aspersor";
    // Pressure.
    PressureTitle: "Pressure of the zone", "Presión de la zona";
    PressureLacks: "The pressure cannot be worked out yet. Record these, a tape along the pipe will do:", "La presión aún no se puede calcular. Registre esto, basta una cinta a lo largo del tubo:";
    PressureWorst: "Worst is {}: {} left while the zone runs; its heads want about {} (common practice, no source).", "El peor es {}: le quedan {} mientras riega; estos aspersores quieren unos {} (práctica común, sin fuente).";
    StaticPressure: "With all off", "Con todo cerrado";
    FlowNow: "Flow at that pressure", "Caudal a esa presión";
    TakenBy: "Taken on the way", "Se pierde en el camino";
    TakenParts: "rise {}, pipe {}, fittings {}", "subida {}, tubo {}, accesorios {}";
    Velocity: "Fastest in the pipe", "Lo más rápido en el tubo";
    GaugeShowed: "The gauge showed", "El manómetro marcó";
    GaugeLess: "The gauge shows less than pipe and losses explain: a valve or shut-off part closed, a clogged filter, a break, or two zones at once.", "El manómetro marca menos de lo que explican tubo y pérdidas: una válvula o llave a medio cerrar, un filtro tapado, una rotura, o dos zonas a la vez.";
    GaugeMore: "The gauge shows more than pipe and losses explain: a length or loss on record is too large, or nozzles are clogged.", "El manómetro marca más de lo que explican tubo y pérdidas: un largo o una pérdida anotada es muy grande, o hay boquillas tapadas.";
    HeadLow: "Low: {}, down to {}. Most likely {}.", "Baja: {}, hasta {}. Lo más probable: {}.";
    HeadHigh: "High: {}, up to {}, and likely to mist. Regulated heads or a regulator.", "Alta: {}, hasta {}, y puede hacer niebla. Cuerpos regulados o un regulador.";
    PipeFast: "Fast water in the pipe to {}: up to {}; the common limit in plastic pipe is {}.", "Agua rápida en el tubo hacia {}: hasta {}; el límite común en tubo plástico es {}.";
    FromTo: "{} to {}, {} places", "{} a {}, {} lugares";
    LowSupply: "the supply gives too little: regulator, shut-off or street", "la toma da muy poco: regulador, llave o calle";
    LowRise: "it lies too high", "está muy alto";
    LowPipe: "the pipe is too small or too long for so much water", "el tubo es muy chico o muy largo para tanta agua";
    LowFittings: "meter, backflow assembly or valve take it", "el medidor, el dispositivo contra reflujo o la válvula se la llevan";
    Measure: "Measure", "Medir";
    MeasureRunning: "Gauge at the last head, zone running", "Manómetro en el último aspersor, regando";
    MeasureStatic: "Gauge with all off", "Manómetro con todo cerrado";
    GaugeTyped: "Or type it, in {}", "O escríbalo, en {}";
    Record: "Record", "Registrar";
    UnusualSaved: "Saved. It is outside the usual: look once more.", "Guardado. Está fuera de lo usual: mírelo otra vez.";
    HowStatic: "Every zone and the house off; gauge on a hose bib near the supply. The backflow assembly's test cocks are for a certified tester.", "Todas las zonas y la casa cerradas; manómetro en una llave de manguera cerca de la toma. Las llaves de prueba contra reflujo son para un probador certificado.";
    HowRunning: "Zone running; gauge at the last head on the pipe.", "Zona regando; manómetro en el último aspersor del tubo.";
    HowPipeSize: "The nominal size, as it is printed on the pipe.", "La medida nominal, como está impresa en el tubo.";
    HowMainLength: "Along the main line from the supply to the zone's valve.", "Por la línea principal, de la toma a la válvula de la zona.";
    HowLateralLength: "Along the pipe from the valve to its first head.", "Por el tubo, de la válvula a su primer aspersor.";
    HowSpacing: "From head to head along the pipe.", "De aspersor a aspersor por el tubo.";
    HowFlow: "What its nozzle delivers, off the nozzle's table.", "Lo que entrega su boquilla, según la tabla de la boquilla.";
    MendTitle: "If a leak were mended", "Si se arreglara una fuga";
    MendWeeping: "Does not close fully: {}.", "No cierra del todo: {}.";
    MendHow: "A leak of the main line or a valve that weeps takes pressure from every zone. How much does the meter show with every zone and the house off?", "Una fuga de la línea principal o una válvula que no cierra quita presión a todas las zonas. ¿Cuánto marca el medidor con todas las zonas y la casa cerradas?";
    MendLeak: "Leak by the meter", "Fuga según el medidor";
    MendGain: "worst head {} → {} (+{})", "peor aspersor {} → {} (+{})";
    EveryPlace: "Every place on the way", "Cada lugar del camino";
    AtBackflow: "Backflow assembly", "Dispositivo contra reflujo";
    AtMainLine: "End of the main line", "Fin de la línea principal";
    AtValve: "Behind the valve", "Tras la válvula";
    AssumedSo: "Assumed, for want of a record: {}.", "Supuesto, por falta de registro: {}.";
    AssumedMain: "the main line is class 200 PVC", "la línea principal es PVC clase 200";
    AssumedLateral: "the lateral is class 200 PVC", "el lateral es PVC clase 200";
    AssumedLevel: "the zone lies level with the supply", "la zona está a nivel con la toma";
    AssumedValve: "the valve takes nothing", "la válvula no pierde nada";
    AssumedStreet: "meter and backflow assembly take nothing", "medidor y dispositivo contra reflujo no pierden nada";
    LackSupply: "add the water supply", "agregar la toma de agua";
    LackHeads: "it has no heads yet", "aún no tiene aspersores";
    LackPipe: "{} is no size of that pipe", "{} no es medida de ese tubo";
    NotRecorded: "not recorded", "sin registrar";
    BlankWord: "blank", "en blanco";
    NotCheckedWord: "not checked", "sin revisar";
    CouldNotCheck: "could not check: {}", "no se pudo revisar: {}";
    NotUnderstood: "recorded as `{}`, by a newer version", "registrado como `{}`, por una versión más nueva";
    FieldIs: "{}: {}.", "{}: {}.";
    NewerPart: "something by a newer version", "algo de una versión más nueva";
    OutOfSense: "{} is outside of what can be", "{} está fuera de lo posible";
    // The end.
    ClientTitle: "Client", "Cliente";
    ClientTold: "told what was done", "se le dijo lo hecho";
    ClientAway: "nobody home", "nadie en casa";
    ClientAgreed: "agrees to the work to quote", "acepta que se cotice el trabajo";
    ClientCalls: "wants a call from the office", "quiere una llamada de la oficina";
    ClientWords: "In the client's words", "En palabras del cliente";
    NothingSaid: "Nothing to note", "Nada que anotar";
    EndVisit: "End the visit", "Terminar la visita";
    NothingMissing: "Nothing is missing.", "No falta nada.";
    StillMissing: "Still missing. Do it, or end with a reason, or leave the visit open.", "Todavía falta. Hágalo, o termine con una razón, o deje la visita abierta.";
    ZoneNotDone: "{}: neither run nor skipped", "{}: ni regada ni omitida";
    FoundMissing: "The programs as found", "Los programas como se encontraron";
    LeftMissing: "The programs as left", "Los programas como se dejaron";
    FlagNotDone: "{}: flagged, say what it is", "{}: marcado, diga qué es";
    EndAllTheSame: "End all the same", "Terminar de todos modos";
    EndRain: "rain", "lluvia";
    EndTime: "out of time, come again", "sin tiempo, hay que volver";
    EndClient: "client asked us to stop", "el cliente pidió parar";
    LeaveOpen: "Leave it open", "Dejarla abierta";
    LeaveOpenNote: "you or others go on later", "usted u otros siguen después";
    VisitEnded: "Visit ended and saved.", "Visita terminada y guardada.";
    EndOfVisit: "end of the visit", "fin de la visita";
    VisitReopened: "Visit opened again.", "Visita abierta de nuevo.";
    Reopen: "Open today's visit again", "Abrir otra vez la visita de hoy";
    Papers: "Papers", "Papeles";
    ClientLetter: "Client's letter", "Carta al cliente";
    ControllerCard: "Controller card", "Tarjeta del programador";
    WorkOrder: "Work order", "Orden de trabajo";
    HeadMap: "Head map", "Mapa de aspersores";
    SavePaper: "Save or share it", "Guardarla o compartirla";
    VisitLeft: "Left open for later.", "Quedó abierta para después.";
    // Settings.
    Units: "Units", "Unidades";
    HandLabel: "Hand that holds the phone", "Mano que sostiene el teléfono";
    HandLeft: "Left", "Izquierda";
    HandRight: "Right", "Derecha";
    OnThisPhone: "On this phone", "En este teléfono";
    KeepStorage: "Ask the browser to keep the records", "Pedir al navegador que conserve los registros";
    Persisted: "The browser keeps the records until you remove them.", "El navegador conserva los registros hasta que usted los borre.";
    NotPersisted: "The browser has not promised to keep the records: exchange often.", "El navegador no promete conservar los registros: intercambie seguido.";
    StorageUsed: "{} MB used of {} MB.", "{} MB usados de {} MB.";
    Export: "Export all records to a file", "Exportar todos los registros a un archivo";
    ExportNote: "The last resort: the office reads the file with `headwalk exchange --with FILE`.", "El último recurso: la oficina lee el archivo con `headwalk exchange --with ARCHIVO`.";
    Office: "Office", "Oficina";
    PhoneId: "This phone's id", "Identificador de este teléfono";
    Version: "Version", "Versión";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_languages_fill_in_the_same_number_of_things_and_leave_no_phrase_out() {
        for word in Word::ALL {
            let [en, es] = [Language::En, Language::Es].map(|language| word.said(language));
            assert!(!en.is_empty() && !es.is_empty(), "{word:?}");
            assert_eq!(
                en.matches("{}").count(),
                es.matches("{}").count(),
                "{word:?}"
            );
        }
    }

    #[test]
    fn a_phrase_is_filled_in_from_left_to_right() {
        let filled = Word::TimesThisSeason.filled(Language::En, &["head tilted", "3"]);
        assert_eq!(filled, "head tilted: 3 times this season");
    }

    #[test]
    fn no_phrase_speaks_of_machinery() {
        let never = [
            "conflict",
            "merge",
            "replica",
            "sync",
            "node",
            "conflicto",
            "sincron",
        ];
        for word in Word::ALL {
            for language in [Language::En, Language::Es] {
                let said = word.said(language).to_lowercase();
                let mut words = said.split(|letter: char| !letter.is_alphabetic());
                assert!(words.all(|word| !never.contains(&word)), "{said}");
            }
        }
    }
}
