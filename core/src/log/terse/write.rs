//! Telling entries.

use std::collections::HashMap;

use foldhash::fast::RandomState;

use super::{Form, Listener, VERSION, check, column, expected, tip, told};
use crate::log::chain::Tip;
use crate::log::codec;
use crate::log::columns;
use crate::log::decimals::decimals;
use crate::log::id::{DeviceId, LogbookId, Seq, ThingId};
use crate::log::shapes::{Scan, number, signed, sized};
use crate::log::view::{Part, View};

/// Packs entries, each after those that its writer had seen, for this listener.
pub fn pack<'a>(
    entries: impl IntoIterator<Item = View<'a>, IntoIter: Clone>,
    listener: &impl Listener,
) -> Vec<u8> {
    let entries = entries.into_iter();
    let mut writer = Writer::for_listener(listener);
    for entry in entries.clone() {
        writer.entry(&entry);
    }
    let mut packed = vec![VERSION];
    packed.extend(check(entries.map(|entry| entry.tip)));
    number(&mut packed, writer.entries);
    let (told, rest) = writer.columns.split_at(column::CHANCE);
    let room = told.iter().map(|column| column.len() + 5).sum(); // each behind its length
    let mut laid_out = Vec::with_capacity(room);
    told.iter().for_each(|column| sized(&mut laid_out, column));
    rest.iter().for_each(|column| sized(&mut packed, column));
    packed.extend(columns::deflated(&laid_out));
    packed
}

/// About as many bytes as most columns of a day's entries have, and as many things as those are about.
const ROOM: usize = 512;

/// What is remembered while entries are told.
struct Writer<'l, L> {
    listener: &'l L,
    columns: [Vec<u8>; column::COUNT],
    devices: Vec<Device>,
    device_numbers: HashMap<DeviceId, usize, RandomState>,
    books: Vec<Book>,
    book_numbers: HashMap<LogbookId, usize, RandomState>,
    runs: Vec<Run>,
    run_numbers: HashMap<(usize, usize), usize, RandomState>,
    // The number of each in its book.
    things: HashMap<(usize, [u8; 16]), u64, RandomState>,
    visits: HashMap<ThingId, u64, RandomState>,
    names: HashMap<String, u64, RandomState>,
    forms: HashMap<Form, u64, RandomState>,
    last_device: Option<usize>,
    wall: u64,
    offset: i16,
    entries: u64,
    last_as_it_is: u64,
}

/// What a device wrote last.
#[derive(Default)]
struct Device {
    /// The run that it wrote in last, if it wrote in any.
    run: Option<usize>,
    wall: u64,
    tick: u16,
    name: u64,
    offset: i16,
}

struct Book {
    id: LogbookId,
    is_held: bool,
    is_followed: bool,
    /// How many things it was told to be about.
    things: u64,
}

/// Entries of one device in one logbook that follow each other.
struct Run {
    book: usize,
    first: u64,
    tips: Vec<Tip>,
    visit: Option<ThingId>,
}

impl Run {
    const fn next(&self) -> u64 {
        self.first.wrapping_add(self.tips.len() as u64)
    }

    fn tip(&self, seq: u64) -> Option<Tip> {
        let nth = usize::try_from(seq.checked_sub(self.first)?).ok()?;
        self.tips.get(nth).copied()
    }
}

impl<'l, L: Listener> Writer<'l, L> {
    fn for_listener(listener: &'l L) -> Self {
        Self {
            listener,
            columns: core::array::from_fn(|_| Vec::with_capacity(ROOM)),
            devices: Vec::new(),
            device_numbers: HashMap::default(),
            books: Vec::new(),
            book_numbers: HashMap::default(),
            runs: Vec::new(),
            run_numbers: HashMap::default(),
            things: HashMap::with_capacity_and_hasher(ROOM, RandomState::default()),
            visits: HashMap::default(),
            names: HashMap::default(),
            forms: HashMap::default(),
            last_device: None,
            wall: 0,
            offset: 0,
            entries: 0,
            last_as_it_is: 0,
        }
    }

    fn entry(&mut self, entry: &View<'_>) {
        self.entries += 1;
        if entry.is_plain {
            self.tell(entry);
        } else {
            // Another version wrote it in its own way.
            self.columns[column::EXPECTED].push(0);
            let distance = self.entries - self.last_as_it_is;
            self.last_as_it_is = self.entries;
            self.number(column::AS_IT_IS, distance);
            self.body(entry.raw);
        }
    }

    fn number(&mut self, column: usize, value: u64) {
        number(&mut self.columns[column], value);
    }

    fn signed(&mut self, column: usize, value: i64) {
        signed(&mut self.columns[column], value);
    }

    fn chance(&mut self, bytes: &[u8]) {
        self.columns[column::CHANCE].extend_from_slice(bytes);
    }

    /// Writes a body and its length.
    fn body(&mut self, body: &[u8]) {
        self.number(column::LENGTH, body.len() as u64);
        self.columns[column::BODY].extend_from_slice(body);
    }

    fn tell(&mut self, entry: &View<'_>) {
        let at = self.columns[column::EXPECTED].len();
        self.columns[column::EXPECTED].push(0);
        let mut as_expected = 0;
        let known_device = self.device_numbers.get(&entry.device).copied();
        if known_device.is_some() && known_device == self.last_device {
            as_expected |= expected::DEVICE;
        } else {
            self.number(column::DEVICE, known_device.map_or(0, |nth| nth as u64 + 1));
        }
        let wrote_in = known_device.and_then(|nth| self.devices[nth].run);
        let last_run = wrote_in.filter(|run| self.books[self.runs[*run].book].id == entry.logbook);
        if last_run.is_some() {
            as_expected |= expected::LOGBOOK;
        }
        let book = match last_run {
            Some(run) => self.runs[run].book,
            None => self.book(entry.logbook),
        };
        let device = match known_device {
            Some(nth) => nth,
            None => self.new_device(entry.device, book),
        };
        let run = match last_run {
            Some(run) => run,
            None => self.run(device, book),
        };
        as_expected |= self.place(entry, run);
        as_expected |= self.time(entry, device, wrote_in.is_none());
        let same_visit = !self.runs[run].tips.is_empty() && self.runs[run].visit == entry.visit;
        if same_visit {
            as_expected |= expected::VISIT;
        } else {
            self.visit(entry.visit);
        }
        as_expected |= self.person(entry, device, wrote_in.is_none());
        if entry.count_gained() == 0 {
            as_expected |= expected::SAW;
        } else {
            self.gained(entry, book);
        }
        match entry.count_changes() {
            1 => as_expected |= expected::ONE,
            many => self.number(column::CHANGES, many as u64),
        }
        for change in entry.changes() {
            self.change(change, book);
        }
        self.columns[column::EXPECTED][at] = as_expected;
        let run_told = &mut self.runs[run];
        run_told.tips.push(entry.tip);
        run_told.visit = entry.visit;
        let device_told = &mut self.devices[device];
        device_told.run = Some(run);
        self.last_device = Some(device);
    }

    /// Tells which logbook, and returns its number.
    fn book(&mut self, logbook: LogbookId) -> usize {
        if let Some(nth) = self.book_numbers.get(&logbook).copied() {
            self.number(column::LOGBOOK, nth as u64 + 1);
            return nth;
        }
        self.number(column::LOGBOOK, 0);
        let is_held = self.listener.holds(logbook);
        self.columns[column::SPELLED].push(u8::from(!is_held));
        if is_held {
            self.chance(&columns::short(logbook.bytes()));
        } else {
            self.chance(logbook.bytes());
        }
        let nth = self.books.len();
        self.book_numbers.insert(logbook, nth);
        self.books.push(Book {
            id: logbook,
            is_held,
            is_followed: is_held && self.listener.follows(logbook),
            things: 0,
        });
        nth
    }

    /// Tells an id that was not told before.
    fn id(&mut self, id: &[u8; 16], book: usize) {
        let Book {
            id: logbook,
            is_held,
            ..
        } = self.books[book];
        let is_known = is_held && self.listener.knows(logbook, id);
        self.columns[column::SPELLED].push(u8::from(!is_known));
        if is_known {
            self.chance(&told(id));
        } else {
            self.chance(id);
        }
    }

    fn new_device(&mut self, device: DeviceId, book: usize) -> usize {
        self.id(device.bytes(), book);
        let nth = self.devices.len();
        self.device_numbers.insert(device, nth);
        self.devices.push(Device::default());
        nth
    }

    /// The run of a device in a logbook, begun if need be.
    fn run(&mut self, device: usize, book: usize) -> usize {
        let next = self.runs.len();
        let run = *self.run_numbers.entry((device, book)).or_insert(next);
        if run == next {
            self.runs.push(Run {
                book,
                first: 0,
                // As many as a device writes at one site on a day, about.
                tips: Vec::with_capacity(64),
                visit: None,
            });
        }
        run
    }

    /// Tells number and tip of the entry before.
    fn place(&mut self, entry: &View<'_>, run: usize) -> u8 {
        let last = &self.runs[run];
        let seq = entry.seq.get();
        if last.tips.last() == Some(&entry.prev) && seq == last.next() {
            return expected::NEXT;
        }
        let book = last.book;
        let how = self.how_before(entry, book);
        self.number(column::SEQ, seq);
        self.number(column::SEQ, how);
        if how == tip::SPELLED {
            self.chance(&entry.prev.0);
        }
        let run = &mut self.runs[run];
        run.first = seq;
        run.tips.clear();
        run.visit = None;
        0
    }

    fn how_before(&self, entry: &View<'_>, book: usize) -> u64 {
        if entry.prev == Tip::NONE {
            tip::NONE
        } else if self.books[book].is_followed && entry.seq > Seq::FIRST {
            tip::HELD
        } else {
            tip::SPELLED
        }
    }

    fn time(&mut self, entry: &View<'_>, device: usize, is_new: bool) -> u8 {
        let (wall, tick) = (entry.stamp.wall().get(), entry.stamp.tick());
        let last = &mut self.devices[device];
        let before = if is_new { self.wall } else { last.wall };
        let follows = !is_new && wall == last.wall && Some(tick) == last.tick.checked_add(1);
        (last.wall, last.tick, self.wall) = (wall, tick, wall);
        if follows {
            return expected::STAMP;
        }
        self.signed(column::WALL, wall.wrapping_sub(before) as i64);
        self.number(column::TICK, u64::from(tick));
        0
    }

    fn visit(&mut self, visit: Option<ThingId>) {
        let Some(visit) = visit else {
            return self.number(column::VISIT, 0);
        };
        if let Some(nth) = self.visits.get(&visit).copied() {
            return self.number(column::VISIT, nth + 2);
        }
        self.number(column::VISIT, 1);
        self.visits.insert(visit, self.visits.len() as u64);
        self.chance(visit.bytes());
    }

    fn person(&mut self, entry: &View<'_>, device: usize, is_new: bool) -> u8 {
        let next = self.names.len() as u64;
        let known = self.names.get(entry.by()).copied();
        let name = known.unwrap_or(next);
        let last = &mut self.devices[device];
        let offset = entry.utc_offset_min;
        if !is_new && last.name == name && last.offset == offset {
            return expected::PERSON;
        }
        (last.name, last.offset) = (name, offset);
        let step = offset.wrapping_sub(self.offset);
        self.offset = offset;
        self.signed(column::OFFSET, i64::from(step));
        self.number(column::PERSON, known.map_or(0, |nth| nth + 1));
        if known.is_none() {
            sized(&mut self.columns[column::NAMES], entry.by().as_bytes());
            self.names.insert(entry.by().to_owned(), next);
        }
        0
    }

    fn gained(&mut self, entry: &View<'_>, book: usize) {
        self.number(column::GAINED, entry.count_gained() as u64);
        for mark in entry.gained() {
            let known = self.device_numbers.get(&mark.device).copied();
            self.number(column::GAINED, known.map_or(0, |nth| nth as u64 + 1));
            let device = match known {
                Some(nth) => nth,
                None => self.new_device(mark.device, book),
            };
            self.number(column::GAINED, mark.seq.get());
            let run = self.run_numbers.get(&(device, book));
            let here = run.and_then(|run| self.runs[*run].tip(mark.seq.get()));
            let how = match here {
                Some(here) if here == mark.tip => tip::HELD,
                None if self.books[book].is_followed => tip::HELD,
                _ => tip::SPELLED,
            };
            self.number(column::GAINED, how);
            if how == tip::SPELLED {
                self.chance(&mark.tip.0);
            }
        }
    }

    fn change(&mut self, change: Part<'_>, book: usize) {
        let Some(about) = change.about() else {
            self.body(change.body);
            return self.form(Form::of_kind(change.kind));
        };
        let mut form = Form {
            field: about.number,
            how: about.how,
            tag: about.tag,
            ..Form::of_kind(change.kind)
        };
        match (codec::is_amount(about.tag), about.value.split_first_chunk()) {
            (Some(has_unit), Some((amount, unit))) => {
                match decimals(f64::from_le_bytes(*amount)) {
                    Some((decimals, digits)) => {
                        form.decimals = decimals + 1;
                        self.signed(column::AMOUNT, digits);
                    }
                    None => self.chance(amount),
                }
                if has_unit {
                    form.unit = Scan::of(unit).number_u16().expect("it was read before");
                }
            }
            // A whole number stands there as it does in the column.
            _ if about.tag == codec::INT => {
                self.columns[column::AMOUNT].extend_from_slice(about.value);
            }
            _ => self.body(about.value),
        }
        self.form(form);
        self.thing(about.thing.bytes(), book);
    }

    fn thing(&mut self, thing: &[u8; 16], book: usize) {
        let next = self.books[book].things;
        let nth = *self.things.entry((book, *thing)).or_insert(next);
        if nth < next {
            return self.number(column::THING, nth + 1);
        }
        self.books[book].things += 1;
        self.number(column::THING, 0);
        self.id(thing, book);
    }

    fn form(&mut self, form: Form) {
        let next = self.forms.len() as u64;
        let nth = *self.forms.entry(form).or_insert(next);
        if nth < next {
            return self.number(column::FORM, nth + 1);
        }
        self.number(column::FORM, 0);
        let forms = &mut self.columns[column::FORMS];
        forms.push(form.kind);
        if form.is_about_a_thing() {
            number(forms, u64::from(form.field));
            forms.extend([form.how, form.tag, form.decimals]);
            number(forms, u64::from(form.unit));
        }
    }
}
