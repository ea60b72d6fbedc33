//! Where water and pressure are reckoned on the phone: the kerb and the pressure of a zone.

use headwalk_core::site::finding::Status;
use headwalk_core::site::kerb::KerbChoice;
use headwalk_core::site::supply_sheet::ZonePressure;
use headwalk_core::site::things::Head;
use headwalk_core::water::units::{Gpm, SquareFeet};

use super::*;

impl Thumb {
    fn taps(&mut self, words: &str, times: usize) -> &mut Self {
        for _ in 0..times {
            self.tap(words);
        }
        self
    }

    /// Puts everything on the record that a pressure asks for.
    fn with_pipe(&mut self) -> &mut Self {
        let root = ThingId::root(BOOK);
        let supply = said(
            new(91, 0, ThingKind::Supply).part_of(root),
            &[("static-pressure", "60 psi"), ("mainline-size", "1 in")],
        );
        let mut changes = supply.changes();
        let zones = self.with_site(|site| site.zones().iter().map(|it| it.id).collect::<Vec<_>>());
        for (name, text) in [
            ("main-length", "120 ft"),
            ("lateral-length", "20 ft"),
            ("lateral-size", "3/4 in"),
            ("spacing", "15 ft"),
        ] {
            self.with_site(|site| {
                let zones = zones.iter().take(2);
                let noted = zones.map(|id| {
                    let zone = site.thing(*id).unwrap();
                    let how = HowKnown::Unstated;
                    site.note(zone, name, text, how, UnitSystem::Us).unwrap()
                });
                changes.extend(noted.map(|noted| noted.change));
            });
        }
        let draft = Draft {
            logbook: BOOK,
            by: "Ines".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes,
        };
        let at = WallMs::new(MORNING);
        self.phone.store.record(&[draft], at).unwrap();
        self
    }
}

#[test]
fn a_kerb_is_measured_by_steps_and_a_setting_chosen_in_one_tap_with_its_reason() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("1-01").tap("180°").tap("At a curved kerb");
    assert!(
        thumb.text().contains("not measured yet"),
        "{}",
        thumb.text()
    );
    thumb.tap("Measure the kerb");
    // 18 ft and 4 ft: 18 x 18 / 32 + 2 = 12.125 ft.
    thumb
        .taps("more Straight from", 6)
        .taps("more From its middle", 8);
    assert!(
        thumb.text().contains("radius of 12.12 ft"),
        "{}",
        thumb.text()
    );
    thumb.tap("Save");
    let kerb = thumb.field("1-01", "kerb").unwrap();
    assert!(kerb.contains("18 ft; offset: 4 ft; lawn: inside"), "{kerb}");

    let expected = thumb.with_site(|site| {
        let head = Head::of(site, site.find("1-01").unwrap()).unwrap();
        KerbChoice::of(&head, SquareFeet::new(5.0)).unwrap().trade
    });
    assert_eq!(expected.no_overspray.overspray, Gpm::ZERO);
    thumb.taps = 0;
    thumb.tap("No overspray");
    assert_eq!(
        (thumb.taps, thumb.view.title.as_str()),
        (1, "Head 1-01 · fixed spray")
    );
    let arc = format!("{}°", expected.no_overspray.arc.get());
    assert_eq!(thumb.field("1-01", "arc"), Some(arc));
    let radius = (expected.no_overspray.radius.get() * 10.0).round() / 10.0;
    assert_eq!(thumb.field("1-01", "radius"), Some(format!("{radius} ft")));
    let why = thumb.field("1-01", "compromise").unwrap();
    assert!(why.starts_with("curved kerb, no overspray:"), "{why}");
    assert!(
        thumb
            .text()
            .contains("On purpose: curved kerb, no overspray")
    );

    // The nozzle still throws as far as before, and the other end is reckoned with that.
    thumb.tap("At a curved kerb").tap("No dry ground");
    assert_eq!(thumb.field("1-01", "radius").as_deref(), Some("15 ft"));
    let arc = format!("{}°", expected.no_dry_ground.arc.get());
    assert_eq!(thumb.field("1-01", "arc"), Some(arc));

    thumb.taps("Undo", 2);
    assert_eq!(thumb.field("1-01", "arc").as_deref(), Some("180°"));
    assert_eq!(thumb.field("1-01", "radius").as_deref(), Some("15 ft"));
    assert_eq!(thumb.field("1-01", "flow").as_deref(), Some("1.88 gpm"));
    let why = thumb.field("1-01", "compromise");
    assert!(why.as_deref().is_none_or(|why| why == "blank"), "{why:?}");
}

#[test]
fn a_setting_at_the_kerb_settles_the_flag_with_the_same_reason() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("flag 1-02").tap("1-02").tap("At a curved kerb");
    thumb
        .tap("Measure the kerb")
        .tap("Save")
        .tap("No overspray");
    let (status, reason) = thumb.with_site(|site| {
        let finding = site.findings().into_iter().next().unwrap();
        (finding.status(), finding.accepted().unwrap().value.reason)
    });
    assert_eq!(status, Status::Accepted);
    assert_eq!(Some(reason), thumb.field("1-02", "compromise"));
}

#[test]
fn more_dry_lawn_accepted_never_wastes_more() {
    let mut thumb = Thumb::at_zone_1();
    thumb
        .tap("1-01")
        .tap("180°")
        .tap("At a curved kerb")
        .tap("Measure the kerb");
    thumb.taps("more From its middle", 4).tap("Save");
    let off = |thumb: &Thumb| {
        let text = thumb
            .labels()
            .into_iter()
            .find(|it| it.starts_with("Least waste"));
        text.map(|_| {
            thumb.with_site(|site| {
                let head = Head::of(site, site.find("1-01").unwrap()).unwrap();
                let crate::act::Screen::Kerb { dry, .. } = thumb.phone.place.screen else {
                    panic!("not at the kerb");
                };
                let choice = KerbChoice::of(&head, SquareFeet::new(dry.unwrap_or(5.0))).unwrap();
                assert!(choice.trade.asked.dry.get() <= dry.unwrap_or(5.0) + 1e-3);
                choice.trade.asked.overspray.get()
            })
        })
    };
    let mut last = off(&thumb).expect("there is something between the ends");
    for _ in 0..4 {
        thumb.tap("more Dry lawn");
        if let Some(next) = off(&thumb) {
            assert!(next <= last, "{next} after {last}");
            last = next;
        }
    }
}

#[test]
fn a_pressure_that_lacks_something_leads_to_what_to_measure() {
    let mut thumb = Thumb::at_zone_1();
    thumb.tap("Pressure of the zone");
    assert!(thumb.text().contains("cannot be worked out yet"));
    thumb.tap("Zone 1: add the water supply");
    thumb
        .tap("Water supply: static pressure")
        .tap("60 psi")
        .tap("less Static")
        .tap("Record 59 psi");
    assert_eq!(
        thumb.field("supply", "static-pressure").as_deref(),
        Some("59 psi")
    );
    thumb
        .tap("Water supply: mainline size")
        .tap("1 in")
        .tap("Record 1 in");
    thumb.tap("Zone 1: main length").tap("100 ft").tap("Record");
    thumb
        .tap("Zone 1: lateral length")
        .tap("20 ft")
        .tap("Record");
    thumb.tap("Zone 1: lateral size").tap("3/4");
    thumb
        .tap("Zone 1: spacing")
        .tap("20 ft")
        .tap("less Spacing")
        .tap("Record 19 ft");
    assert!(
        thumb.text().contains("Worst is Head 1-12"),
        "{}",
        thumb.text()
    );
    let how = thumb.with_site(|site| {
        let supply = site.supply().unwrap();
        let field = &headwalk_core::site::fields::supply::STATIC_PRESSURE;
        supply.register(field).unwrap().in_force().how
    });
    assert_eq!(how, HowKnown::Measured);
}

#[test]
fn a_gauge_beside_the_sheet_and_the_rise_when_a_leak_is_mended_are_cores_own() {
    let mut thumb = Thumb::at_zone_1();
    thumb.with_pipe().tap("Pressure of the zone");
    let sheet = |thumb: &Thumb| {
        thumb.with_site(|site| {
            let sheet = ZonePressure::of(site, &site.zones()[0]).unwrap();
            let worst = sheet.found.nodes[sheet.worst.0].pressure;
            (worst.get(), sheet.gain(Gpm::new(1.5)).unwrap())
        })
    };
    let (worst, gain) = sheet(&thumb);
    let tenth = |psi: f64| (psi * 10.0).round() / 10.0;
    assert!(
        thumb.text().contains(&format!("{} psi left", tenth(worst))),
        "{}",
        thumb.text()
    );
    thumb.tap("more Leak by the meter");
    // With a leak the head has less, and mending it brings back what it has without.
    assert!((gain.after.get() - worst).abs() < 1e-6 && gain.before < gain.after);
    assert!(gain.lost < Gpm::new(1.5));
    let line = format!(
        "worst head {} psi → {} psi (+{} psi)",
        tenth(gain.before.get()),
        tenth(gain.after.get()),
        tenth((gain.after - gain.before).get())
    );
    assert!(thumb.text().contains(&line), "{line}: {}", thumb.text());
    // Zones 1 and 2 have their pipe on record, the others are not told of.
    assert_eq!(thumb.text().matches("worst head").count(), 2);

    thumb
        .tap("Gauge at the last head")
        .tap("20 psi")
        .tap("Record 20 psi");
    assert_eq!(thumb.field("zone-1", "pressure").as_deref(), Some("20 psi"));
    assert!(
        thumb.text().contains("gauge shows less"),
        "{}",
        thumb.text()
    );
    thumb.tap("Undo");
    assert!(!thumb.text().contains("gauge shows less"));
}

#[test]
fn kerb_and_pressure_speak_spanish_and_metric() {
    let mut thumb = Thumb::at_zone_1();
    thumb.with_pipe();
    for choice in [
        Preference::Language(Language::Es),
        Preference::Units(Units::Si),
    ] {
        thumb.act(Act::Prefer { choice });
    }
    thumb.tap("Presión de la zona");
    let text = thumb.text();
    assert!(text.contains("kPa") && !text.contains("psi"), "{text}");
    assert!(
        text.contains("Supuesto") && text.contains("Fuga según el medidor"),
        "{text}"
    );
    thumb
        .tap("Manómetro con todo cerrado")
        .tap("400 kPa")
        .tap("Registrar 400 kPa");
    assert_eq!(
        thumb.field("supply", "static-pressure").as_deref(),
        Some("58.02 psi")
    );
    thumb
        .tap("Volver")
        .tap("1-01")
        .tap("En un bordillo")
        .tap("Medir el bordillo");
    thumb.tap("more Recta").tap("Guardar");
    let kerb = thumb.field("1-01", "kerb").unwrap();
    assert!(kerb.contains("lawn: inside"), "{kerb}");
    let text = thumb.text();
    assert!(!text.contains(" ft") && !text.contains("gpm"), "{text}");
    thumb.tap("Nada queda seco");
    let why = thumb.field("1-01", "compromise").unwrap();
    assert!(why.starts_with("bordillo curvo, nada queda seco"), "{why}");
}
