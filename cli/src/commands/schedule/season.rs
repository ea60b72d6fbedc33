//! The season as it is printed: what each setting would have done over the recorded weather, zone
//! by zone, and where the percent dial belongs in each month.

use chrono::{Month, NaiveDate};
use serde::Serialize;

use headwalk_core::site::plan::{
    HouseRules, Kept, SiteSeason, Stretch, ZoneSeason, say, season, volume,
};
use headwalk_core::site::things::Site;
use headwalk_core::site::unit::{Unit, UnitSystem};
use headwalk_core::site::weather::Record;
use headwalk_core::water::season::{Best, Sum};
use headwalk_core::water::units::{Fraction, Gallons, Inches, SquareFeet};

use super::figure::UNKNOWN;
use crate::error::Error;
use crate::output::{Page, Report};

/// What of the season is asked.
#[derive(Debug, clap::Args)]
pub struct SeasonArgs {
    /// Run each setting over the recorded weather instead: as found, as left, April's and July's
    /// kept all season, July's with the percent dial, and the computed one made anew each week.
    #[arg(long)]
    season: bool,
    /// The first day of the season; else the first that the station recorded.
    #[arg(long, value_name = "DATE", requires = "season")]
    from: Option<NaiveDate>,
    /// Its last day; else the last that the station recorded.
    #[arg(long, value_name = "DATE", requires = "season")]
    to: Option<NaiveDate>,
    /// The months in which the water is on.
    #[arg(
        long,
        value_name = "FIRST-LAST",
        default_value = "4-10",
        requires = "season"
    )]
    months: String,
    /// How much of their need plants may go short of on the percent dial, in percent.
    #[arg(
        long,
        value_name = "PERCENT",
        default_value_t = 2.0,
        requires = "season"
    )]
    may_be_short: f64,
}

impl SeasonArgs {
    /// Returns whether the season is asked for at all.
    pub const fn is_asked(&self) -> bool {
        self.season
    }

    /// Runs the settings.
    pub fn reckon(
        &self,
        site: &Site<'_>,
        record: &Record,
        rules: &HouseRules,
    ) -> Result<SiteSeason, Error> {
        let dates = || record.days.iter().map(|day| day.date);
        let none = || {
            Error::input("the site's station has no recorded day")
                .field("season")
                .hint("`headwalk weather import STATION days.csv` takes a table of them.")
        };
        let stretch = Stretch {
            from: self.from.or_else(|| dates().min()).ok_or_else(none)?,
            to: self.to.or_else(|| dates().max()).ok_or_else(none)?,
            months: months(&self.months)?,
            allowed_short: Fraction::new(self.may_be_short / 100.0),
        };
        if stretch.to < stretch.from {
            return Err(Error::input("the season ends before it begins")
                .field("to")
                .hint("give --from a day before --to."));
        }
        if stretch.to.signed_duration_since(stretch.from).num_days() > LONGEST_DAYS {
            return Err(Error::input("the season is longer than twenty years")
                .field("to")
                .hint("ask for fewer with --from and --to."));
        }
        season(site, record, &stretch, rules).map_err(|reason| {
            Error::input(reason.to_string())
                .field("season")
                .hint(reason.next_step())
        })
    }
}

/// More than this is no season, and would take minutes.
const LONGEST_DAYS: i64 = 20 * 366;

fn months(text: &str) -> Result<std::ops::RangeInclusive<u32>, Error> {
    let wrong = || {
        Error::input(format!("`{text}` is not a stretch of months"))
            .field("months")
            .hint("write it like 4-10, for April to October.")
    };
    let (first, last) = text.split_once('-').ok_or_else(wrong)?;
    let month = |text: &str| {
        let month: u32 = text.trim().parse().ok()?;
        (1..=12).contains(&month).then_some(month)
    };
    let (first, last) = month(first).zip(month(last)).ok_or_else(wrong)?;
    if first > last {
        return Err(wrong());
    }
    Ok(first..=last)
}

/// `{"site": .., "from": DATE, "to": DATE, "settings": [..], "zones": [..], "dial": [..], ..}`;
/// depths in inches, volumes in gallons, whatever the reader's units are.
#[derive(Serialize)]
pub struct Told {
    site: String,
    from: String,
    to: String,
    /// Months with the water on.
    months: [u32; 2],
    /// What the weather rests on.
    weather: Vec<String>,
    /// All zones of which every setting is known, together.
    settings: Vec<Setting>,
    /// How many zones the sums hold, of how many there are.
    zones_compared: usize,
    zones: Vec<Zone>,
    /// July's setting, month by month.
    dial: Vec<Place>,
    /// The programs as left, month by month.
    dial_as_left: Vec<Place>,
    /// How it is reckoned.
    rests_on: Vec<&'static str>,
    #[serde(skip)]
    system: UnitSystem,
}

/// What a setting comes to.
#[derive(Serialize)]
struct Setting {
    setting: &'static str,
    gallons: f64,
    /// Zone by zone and day by day.
    stress_zone_days: u32,
    /// What the drier halves went short of.
    short_gallons: f64,
    short_pct_of_need: f64,
    drained_gallons: f64,
    run_off_gallons: f64,
}

/// One zone.
#[derive(Serialize)]
struct Zone {
    zone: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    unknown: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<&'static str>,
    settings: Vec<ZoneSetting>,
}

#[derive(Serialize)]
struct ZoneSetting {
    setting: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    unknown: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    sums: Option<Sums>,
}

#[derive(Serialize)]
struct Sums {
    stress_days: u32,
    need_in: f64,
    rain_in: f64,
    applied_in: f64,
    short_in: f64,
    drained_in: f64,
    run_off_in: f64,
    gallons: f64,
}

/// Where the dial belongs in a month.
#[derive(Serialize)]
struct Place {
    month: &'static str,
    percent: f64,
    short_pct_of_need: f64,
    /// The dial has no higher place that helps.
    too_little: bool,
}

impl Told {
    pub fn of(name: &str, season: &SiteSeason, system: UnitSystem) -> Self {
        let compared = season.comparable();
        let settings = Kept::ALL.into_iter().filter_map(|kept| {
            let known = !compared.is_empty();
            let all = known && compared.iter().all(|zone| zone.total(kept).is_some());
            all.then(|| Setting::of(kept, &compared))
        });
        Self {
            site: name.to_owned(),
            from: season.stretch.from.to_string(),
            to: season.stretch.to.to_string(),
            months: [*season.stretch.months.start(), *season.stretch.months.end()],
            weather: season.why.iter().map(|why| why.sentence(system)).collect(),
            settings: settings.collect(),
            zones_compared: compared.len(),
            zones: season.zones.iter().map(Zone::of).collect(),
            dial: season.dial.iter().map(Place::of).collect(),
            dial_as_left: season.dial_as_left.iter().map(Place::of).collect(),
            rests_on: RESTS_ON.to_vec(),
            system,
        }
    }
}

const RESTS_ON: [&str; 6] = [
    "the computed setting is what this command would have printed at the beginning of each week, \
     from the seven days before; the first week goes by its own",
    "FAO-56 chapter 8, day by day, water early in the day; the soil is full at the start",
    "each zone in two halves, the drier with 0.4 + 0.6 DU of the average depth; stress is judged on \
     it, with FAO-56's p for turf and 0.5 for other plants",
    "rain below a fifth of the day's ET is not counted; no rain runs off, for daily rain has no \
     intensity",
    "irrigation runs off where a cycle passes the run-off limit; soaks are taken to be long enough",
    "a working rain sensor stops every setting on the day after rain at its set point",
];

impl Setting {
    fn of(kept: Kept, zones: &[&ZoneSeason]) -> Self {
        let sums = zones
            .iter()
            .filter_map(|zone| Some((zone.area?, zone.total(kept)?)));
        let sums: Vec<(SquareFeet, Sum)> = sums.collect();
        let all = |depth: fn(&Sum) -> headwalk_core::water::units::Millimetres| -> f64 {
            sums.iter()
                .map(|(area, sum)| volume(depth(sum), *area).get())
                .sum()
        };
        let (short, need) = (all(|sum| sum.short), all(|sum| sum.need));
        Self {
            setting: kept.name(),
            gallons: sums.iter().map(|(_, sum)| sum.gallons.get()).sum(),
            stress_zone_days: sums.iter().map(|(_, sum)| sum.stress_days).sum(),
            short_gallons: short,
            short_pct_of_need: if need > 0.0 {
                100.0 * short / need
            } else {
                0.0
            },
            drained_gallons: all(|sum| sum.drainage),
            run_off_gallons: all(|sum| sum.run_off),
        }
    }
}

impl Zone {
    fn of(zone: &ZoneSeason) -> Self {
        let reason = zone.ground.as_ref().err();
        let settings = zone.seasons.iter().map(|(kept, season)| ZoneSetting {
            setting: kept.name(),
            unknown: season.as_ref().err().map(ToString::to_string),
            sums: season.as_ref().ok().map(|season| Sums::of(&season.total)),
        });
        Self {
            zone: zone.name.clone(),
            unknown: reason.map(ToString::to_string),
            next: reason.map(headwalk_core::site::plan::Unknown::next_step),
            settings: if reason.is_some() {
                Vec::new()
            } else {
                settings.collect()
            },
        }
    }
}

impl Sums {
    fn of(sum: &Sum) -> Self {
        let inches = |depth| Inches::from(depth).get();
        Self {
            stress_days: sum.stress_days,
            need_in: inches(sum.need),
            rain_in: inches(sum.rain),
            applied_in: inches(sum.applied),
            short_in: inches(sum.short),
            drained_in: inches(sum.drainage),
            run_off_in: inches(sum.run_off),
            gallons: sum.gallons.get(),
        }
    }
}

impl Place {
    fn of(best: &Best) -> Self {
        let month = u8::try_from(best.month).ok();
        let month = month.and_then(|month| Month::try_from(month).ok());
        let need = best.sum.need.get();
        Self {
            month: month.map_or("", |month| month.name()),
            percent: best.percent.get(),
            short_pct_of_need: if need > 0.0 {
                100.0 * best.sum.short.get() / need
            } else {
                0.0
            },
            too_little: best.too_little,
        }
    }
}

impl Report for Told {
    fn write(&self, page: &mut Page) {
        page.line(format!(
            "{}, season {} to {}",
            self.site, self.from, self.to
        ));
        page.line("");
        self.write_settings(page);
        self.write_zones(page);
        write_dial(page, "Percent dial over July's setting", &self.dial);
        write_dial(
            page,
            "Percent dial over the programs as left",
            &self.dial_as_left,
        );
        page.line("");
        page.line("It rests on");
        let sentences = self.weather.iter().map(String::as_str);
        let sentences = sentences.chain(self.rests_on.iter().copied());
        let rows: Vec<_> = sentences.map(|sentence| [sentence.to_owned()]).collect();
        page.rows(2, &rows);
    }
}

impl Told {
    fn write_settings(&self, page: &mut Page) {
        if self.settings.is_empty() {
            page.paragraph("No zone has all that its season needs; what each lacks stands below.");
            return;
        }
        let volume = Unit::Gallon.in_system(self.system);
        let heading = [
            "setting, all season".to_owned(),
            volume.to_string(),
            "stress, zone-days".to_owned(),
            "short of need".to_owned(),
            format!("{volume} drained, rain too"),
            format!("{volume} run off"),
        ];
        let gallons = |amount: f64| {
            let amount = Unit::Gallon.amount_in(amount, volume);
            amount.map_or_else(|| UNKNOWN.to_owned(), |amount| format!("{amount:.0}"))
        };
        let rows = self.settings.iter().map(|setting| {
            [
                setting.setting.to_owned(),
                gallons(setting.gallons),
                setting.stress_zone_days.to_string(),
                format!("{:.1}%", setting.short_pct_of_need),
                gallons(setting.drained_gallons),
                gallons(setting.run_off_gallons),
            ]
        });
        let rows: Vec<_> = std::iter::once(heading).chain(rows).collect();
        page.rows(0, &rows);
        let (compared, all) = (self.zones_compared, self.zones.len());
        if compared < all {
            page.line(format!(
                "{compared} of {all} zones; the others lack something, which stands below."
            ));
        }
        self.write_saving(page);
    }

    /// What the computed setting saves, in one sentence.
    fn write_saving(&self, page: &mut Page) {
        let find = |kept: Kept| {
            self.settings
                .iter()
                .find(|told| told.setting == kept.name())
        };
        let (Some(april), Some(computed)) = (find(Kept::April), find(Kept::Computed)) else {
            return;
        };
        let mut told = vec![against("April's kept", april, computed, self.system)];
        if let Some(july) = find(Kept::July) {
            told.push(against("July's kept", july, computed, self.system));
        }
        page.paragraph(&format!("Computed each week, {}.", told.join("; ")));
    }

    fn write_zones(&self, page: &mut Page) {
        page.line("");
        let depth = Unit::Inch.in_system(self.system);
        page.line(format!(
            "Zone by zone: stress days, and {depth} of irrigation (need first)"
        ));
        let mut heading = vec!["zone".to_owned(), "need".to_owned()];
        heading.extend(Kept::ALL.map(|kept| kept.name().to_owned()));
        let cell = |depth_in: f64| {
            let amount = Unit::Inch.amount_in(depth_in, depth);
            amount.map_or_else(|| UNKNOWN.to_owned(), |amount| format!("{amount:.1}"))
        };
        let rows = self.zones.iter().map(|zone| {
            let of = |kept: Kept| {
                zone.settings
                    .iter()
                    .find(|told| told.setting == kept.name())
            };
            let sums = |kept: Kept| of(kept).and_then(|told| told.sums.as_ref());
            let need = Kept::ALL.into_iter().find_map(sums);
            let mut row = vec![
                zone.zone.clone(),
                need.map_or_else(|| UNKNOWN.to_owned(), |sums| cell(sums.need_in)),
            ];
            row.extend(Kept::ALL.map(|kept| match sums(kept) {
                Some(sums) => format!("{} d, {}", sums.stress_days, cell(sums.applied_in)),
                None => UNKNOWN.to_owned(),
            }));
            row
        });
        let rows: Vec<[String; 8]> = std::iter::once(heading)
            .chain(rows)
            .map(|row| std::array::from_fn(|at| row.get(at).cloned().unwrap_or_default()))
            .collect();
        page.rows(0, &rows);
        let unknown: Vec<[String; 3]> = self.zones.iter().flat_map(unknown_rows).collect();
        if !unknown.is_empty() {
            page.line("");
            page.line("Not known");
            page.rows(2, &unknown);
        }
    }
}

/// What a zone lacks, once for each reason.
fn unknown_rows(zone: &Zone) -> Vec<[String; 3]> {
    if let (Some(reason), Some(next)) = (&zone.unknown, zone.next) {
        return vec![[zone.zone.clone(), reason.clone(), next.to_owned()]];
    }
    let reasons = zone.settings.iter().filter_map(|told| {
        let reason = told.unknown.as_ref()?;
        Some([zone.zone.clone(), reason.clone(), told.setting.to_owned()])
    });
    reasons.collect()
}

fn against(name: &str, other: &Setting, computed: &Setting, system: UnitSystem) -> String {
    let apart = computed.gallons - other.gallons;
    let words = if apart < 0.0 { "less" } else { "more" };
    let share = 100.0 * apart.abs() / other.gallons.max(1e-9);
    format!(
        "against {name}: {} ({share:.0}%) {words}, and {} stress zone-days where that has {}",
        say(Gallons::new(apart.abs()), system),
        computed.stress_zone_days,
        other.stress_zone_days
    )
}

fn write_dial(page: &mut Page, heading: &str, places: &[Place]) {
    if places.is_empty() {
        return;
    }
    page.line("");
    page.line(heading);
    let rows = places.iter().map(|place| {
        let remark = if place.too_little {
            "the dial's end is not enough: set longer runs"
        } else {
            ""
        };
        [
            place.month.to_owned(),
            format!("{:.0}%", place.percent),
            format!("{:.1}% short", place.short_pct_of_need),
            remark.to_owned(),
        ]
    });
    let rows: Vec<_> = rows.collect();
    page.rows(2, &rows);
}
