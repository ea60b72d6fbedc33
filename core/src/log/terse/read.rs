//! Reading entries as they were told, column by column, into the bytes that their authors made.

use std::collections::HashMap;

use foldhash::fast::RandomState;

use super::unpacking::{Run, Unpacking};
use super::{Form, Holder, column, expected, tip};
use crate::log::chain::{Mark, Tip};
use crate::log::codec::{self, CodecError, MAX_BY_BYTES, MAX_ENTRY_BYTES};
use crate::log::columns::{Short, TOO_MUCH};
use crate::log::decimals::POWERS;
use crate::log::id::{DeviceId, LogbookId, Seq, ThingId};
use crate::log::shapes::{Scan, number, signed, sized, sized_by};
use crate::log::stamp::{Stamp, WallMs};
use crate::log::view::{self, Outline, View};

const STRANGE: CodecError = CodecError::Shape("it gives the number of something that was not told");
const OTHERWISE: CodecError = CodecError::Shape("an entry in it is written in a way of its own");
const ZERO: CodecError = CodecError::Shape("an entry's place in it is zero");
/// No entry has more changes, or has gained more, than the bytes of an entry have room for.
const MOST_PARTS: usize = MAX_ENTRY_BYTES / 2;

/// About how many things a day's entries of one site are about, and how many a device writes there.
const A_DAYS: usize = 64;
/// For how many sites and chains room is made for so much; a batch of more has little of each.
const ROOMY: usize = 1_024;

/// For how many things or entries room is made, after so many lists of them.
const fn room(lists: usize) -> usize {
    if lists < ROOMY { A_DAYS } else { 0 }
}

/// What a device wrote last.
struct Device {
    id: DeviceId,
    run: Option<usize>,
    wall: u64,
    tick: u16,
    name: usize,
    offset: i16,
}

/// The entries that are read of a device in a logbook.
struct UnderWay {
    book: usize,
    device: usize,
    run: Run,
    // Where in [`Unpacking::entries`] those behind the run lie, whose tips are not made yet.
    open: Vec<usize>,
    visit: Option<ThingId>,
}

impl UnderWay {
    /// The number of the entry that follows.
    const fn next(&self) -> u64 {
        let many = self.run.tips.len() + self.open.len();
        self.run.first.wrapping_add(many as u64)
    }

    /// Whether the entry of this number is among those whose tips are not made yet.
    fn is_open(&self, seq: u64) -> bool {
        let made = self.run.tips.len();
        let nth = self.run.before(seq);
        nth.is_some_and(|nth| (made..made + self.open.len()).contains(&nth))
    }
}

pub(super) struct Reader<'a, H> {
    left: [Scan<'a>; column::COUNT],
    devices: Vec<Device>,
    books: Vec<(LogbookId, Vec<ThingId>)>,
    runs: Vec<UnderWay>,
    run_numbers: HashMap<(usize, usize), usize, RandomState>,
    // The runs with entries whose tips are not made yet.
    open: Vec<usize>,
    visits: Vec<ThingId>,
    names: Vec<&'a str>,
    forms: Vec<Form>,
    last_device: Option<usize>,
    wall: u64,
    offset: i16,
    to_next_as_it_is: Option<u64>,
    // The fields that an entry of several changes sets.
    sets: Vec<(ThingId, u16)>,
    holder: &'a mut H,
    before: &'a mut Unpacking,
}

/// Something that was told was not found here.
struct Unknown;

/// Ends an entry where something was not found.
macro_rules! found {
    ($found:expr) => {
        match $found {
            Some(found) => found,
            None => return Ok(Err(Unknown)),
        }
    };
}

type Read<T, E> = Result<Result<T, Unknown>, E>;

impl<'a, H> Reader<'a, H> {
    /// Reads these columns; entries go to those that came before.
    pub(super) fn over(
        left: [Scan<'a>; column::COUNT],
        holder: &'a mut H,
        before: &'a mut Unpacking,
    ) -> Self {
        Self {
            left,
            devices: Vec::new(),
            books: Vec::new(),
            runs: Vec::new(),
            run_numbers: HashMap::default(),
            open: Vec::new(),
            visits: Vec::new(),
            names: Vec::new(),
            forms: Vec::new(),
            last_device: None,
            wall: 0,
            offset: 0,
            to_next_as_it_is: None,
            sets: Vec::new(),
            holder,
            before,
        }
    }

    /// Returns which entries of which device in which logbook were read last.
    pub(super) fn into_runs(self) -> Vec<((LogbookId, DeviceId), Run)> {
        let Self {
            books,
            devices,
            runs,
            before,
            ..
        } = self;
        let runs = runs.into_iter().map(|under_way| {
            let key = (books[under_way.book].0, devices[under_way.device].id);
            (key, under_way.run)
        });
        let runs = runs.collect();
        for (_, mut things) in books {
            things.clear();
            before.spare.push(things);
        }
        runs
    }

    /// Reads all entries; says whether everything that was told is known here.
    pub(super) fn all<E: From<CodecError>>(&mut self) -> Result<bool, E>
    where
        H: Holder<E>,
    {
        self.next_as_it_is()?;
        // Room for the bytes of one entry.
        let mut raw = Vec::with_capacity(256);
        while !self.left[column::EXPECTED].is_empty() {
            let as_expected = self.left[column::EXPECTED].byte()?;
            if self.to_next_as_it_is == Some(1) {
                self.next_as_it_is()?;
                let entry = View::read(self.body()?)?;
                self.make_room(entry.raw.len())?;
                self.before.put(&entry);
                continue;
            }
            if let Some(distance) = &mut self.to_next_as_it_is {
                *distance = distance.saturating_sub(1);
            }
            raw.clear();
            let (run, outline) = match self.entry(as_expected, &mut raw)? {
                Ok(read) => read,
                Err(Unknown) => return Ok(false),
            };
            self.make_room(raw.len())?;
            if self.runs[run].open.is_empty() {
                self.open.push(run);
            }
            self.runs[run].open.push(self.before.entries.len());
            self.before.entries.put(&raw, Tip::NONE, outline);
        }
        self.settle();
        Ok(true)
    }

    /// Makes the tips that were left open. Each entry names the one before it by its tip, so that one waits
    /// for the other; but the runs of a batch go side by side.
    fn settle(&mut self) {
        let (entries, runs) = (&mut self.before.entries, &mut self.runs);
        let open = self.open.iter().map(|run| (*run, 0));
        Tip::of_chains(open, |(run, at), tip, input| {
            let UnderWay { run, open, .. } = &mut runs[*run];
            if let Some(tip) = tip {
                entries.settle(open[*at], tip);
                run.tips.push(tip);
                *at += 1;
            }
            let Some(&nth) = open.get(*at) else {
                return false;
            };
            // Whatever stands behind another of its run goes on from it, and may have been read before that
            // one's tip was made, even if it is the first here now.
            if let Some(tip) = run.tips.last() {
                entries.go_on_from(nth, *tip);
            }
            input.extend_from_slice(entries.get(nth).bytes);
            true
        });
        for run in self.open.drain(..) {
            for nth in runs[run].open.drain(..) {
                debug_assert!(
                    entries.is_as_read(nth),
                    "an entry is what it would be read as"
                );
            }
        }
    }

    fn make_room(&mut self, bytes: usize) -> Result<(), CodecError> {
        let left = self.before.left.checked_sub(bytes);
        self.before.left = left.ok_or(TOO_MUCH)?;
        Ok(())
    }

    fn next_as_it_is(&mut self) -> Result<(), CodecError> {
        let column = &mut self.left[column::AS_IT_IS];
        self.to_next_as_it_is = match column.is_empty() {
            true => None,
            false => Some(column.number()?),
        };
        Ok(())
    }

    fn number(&mut self, column: usize) -> Result<u64, CodecError> {
        self.left[column].number()
    }

    /// Reads the number of something that was told, or none where it comes now.
    fn known(&mut self, column: usize) -> Result<Option<usize>, CodecError> {
        let number = self.left[column].count()?;
        Ok(number.checked_sub(1))
    }

    fn chance<const N: usize>(&mut self) -> Result<[u8; N], CodecError> {
        self.left[column::CHANCE].array()
    }

    fn is_spelled_out(&mut self) -> Result<bool, CodecError> {
        Ok(self.left[column::SPELLED].byte()? != 0)
    }

    fn body(&mut self) -> Result<&'a [u8], CodecError> {
        let length = self.left[column::LENGTH].count()?;
        if length > MAX_ENTRY_BYTES {
            return Err(CodecError::TooLong(length));
        }
        self.left[column::BODY].bytes(length)
    }

    /// Writes the bytes of the entry that comes next, as this version writes them; returns its run, and
    /// what there is to find of it.
    fn entry<E: From<CodecError>>(
        &mut self,
        as_expected: u8,
        raw: &mut Vec<u8>,
    ) -> Read<(usize, Outline), E>
    where
        H: Holder<E>,
    {
        let is = |bit: u8| as_expected & bit != 0;
        let known_device = if is(expected::DEVICE) {
            Some(self.last_device.ok_or(STRANGE)?)
        } else {
            self.known(column::DEVICE)?
        };
        let wrote_in = match known_device {
            Some(nth) => self.devices.get(nth).ok_or(STRANGE)?.run,
            None => None,
        };
        let last_run = match is(expected::LOGBOOK) {
            true => Some(wrote_in.ok_or(STRANGE)?),
            false => None,
        };
        let book = match last_run {
            Some(run) => self.runs[run].book,
            None => found!(self.book()?),
        };
        let device = match known_device {
            Some(nth) => nth,
            None => match self.new_device(book)? {
                Ok(nth) => nth,
                Err(Unknown) => return Ok(Err(Unknown)),
            },
        };
        let run = last_run.unwrap_or_else(|| self.run(device, book));
        let (seq, prev) = found!(self.place(is(expected::NEXT), run)?);
        let stamp = self.stamp(is(expected::STAMP), device, wrote_in.is_none())?;
        let visit = match is(expected::VISIT) {
            true => self.runs[run].visit,
            false => self.visit()?,
        };
        self.person(is(expected::PERSON), device, wrote_in.is_none())?;
        let Device {
            id, name, offset, ..
        } = self.devices[device];
        let by = self.names.get(name).ok_or(STRANGE)?;
        raw.push(codec::FORMAT);
        raw.extend_from_slice(self.books[book].0.bytes());
        raw.extend_from_slice(id.bytes());
        number(raw, seq.get());
        let prev_at = raw.len() as u8; // at most 43
        raw.extend_from_slice(&prev.0);
        number(raw, stamp.bits());
        signed(raw, i64::from(offset));
        sized(raw, by.as_bytes());
        let by_at = (raw.len() - by.len()) as u8; // at most 65
        let by_length = by.len() as u8; // see `person`
        match visit {
            None => raw.push(0),
            Some(visit) => {
                raw.push(1);
                raw.extend_from_slice(visit.bytes());
            }
        }
        let gained = match is(expected::SAW) {
            true => {
                raw.push(0);
                (0, raw.len())
            }
            false => match self.gained(book, raw)? {
                Ok(gained) => gained,
                Err(Unknown) => return Ok(Err(Unknown)),
            },
        };
        let count = match is(expected::ONE) {
            true => 1,
            false => self.left[column::CHANGES].count()?,
        };
        if count > MOST_PARTS {
            return Err(TOO_MUCH.into());
        }
        number(raw, count as u64);
        let changes_at = raw.len();
        self.sets.clear();
        for _ in 0..count {
            let set = match self.change(book, raw)? {
                Ok(set) => set,
                Err(Unknown) => return Ok(Err(Unknown)),
            };
            if count > 1 {
                self.sets.extend(set);
            }
        }
        codec::each_once(&mut self.sets)?;
        if raw.len() > MAX_ENTRY_BYTES {
            return Err(CodecError::TooLong(raw.len()).into());
        }
        self.devices[device].run = Some(run);
        self.last_device = Some(device);
        self.runs[run].visit = visit;
        // No place or count is above the limit of an entry's bytes.
        let list = |(count, at): (usize, usize)| (count as u32, at as u32);
        let outline = Outline {
            is_plain: true,
            seq,
            stamp,
            utc_offset_min: offset,
            has_visit: visit.is_some(),
            by_length,
            prev_at,
            by_at,
            gained: list(gained),
            changes: list((count, changes_at)),
        };
        Ok(Ok((run, outline)))
    }

    fn book<E: From<CodecError>>(&mut self) -> Result<Option<usize>, E>
    where
        H: Holder<E>,
    {
        if let Some(nth) = self.known(column::LOGBOOK)? {
            return match nth < self.books.len() {
                true => Ok(Some(nth)),
                false => Err(STRANGE.into()),
            };
        }
        let logbook = if self.is_spelled_out()? {
            LogbookId::from_bytes(self.chance()?)
        } else {
            let told: Short = self.chance()?;
            match self.holder.logbook(told)? {
                Some(logbook) => logbook,
                None => return Ok(None),
            }
        };
        let things = self.before.spare.pop();
        let things = things.unwrap_or_else(|| Vec::with_capacity(room(self.books.len())));
        self.books.push((logbook, things));
        Ok(Some(self.books.len() - 1))
    }

    /// Reads an id that was not told before.
    fn id<E: From<CodecError>>(&mut self, book: usize) -> Read<[u8; 16], E>
    where
        H: Holder<E>,
    {
        if self.is_spelled_out()? {
            return Ok(Ok(self.chance()?));
        }
        let told = self.chance()?;
        let (logbook, _) = self.books[book];
        let held = self.holder.id(logbook, told)?;
        Ok(held
            .or_else(|| self.before.id(logbook, told))
            .ok_or(Unknown))
    }

    fn new_device<E: From<CodecError>>(&mut self, book: usize) -> Read<usize, E>
    where
        H: Holder<E>,
    {
        let id = match self.id(book)? {
            Ok(id) => DeviceId::from_bytes(id),
            Err(Unknown) => return Ok(Err(Unknown)),
        };
        self.devices.push(Device {
            id,
            run: None,
            wall: 0,
            tick: 0,
            name: 0,
            offset: 0,
        });
        Ok(Ok(self.devices.len() - 1))
    }

    /// The run of a device in a logbook, begun if need be.
    fn run(&mut self, device: usize, book: usize) -> usize {
        let next = self.runs.len();
        let run = *self.run_numbers.entry((device, book)).or_insert(next);
        if run == next {
            self.runs.push(UnderWay {
                book,
                device,
                run: Run {
                    first: 0,
                    tips: Vec::with_capacity(room(next)),
                },
                open: Vec::with_capacity(room(next)),
                visit: None,
            });
        }
        run
    }

    fn place<E: From<CodecError>>(
        &mut self,
        is_next: bool,
        run: usize,
    ) -> Result<Option<(Seq, Tip)>, E>
    where
        H: Holder<E>,
    {
        if is_next {
            let last = &self.runs[run];
            let tip = match last.open.is_empty() {
                true => *last.run.tips.last().ok_or(STRANGE)?,
                false => Tip::NONE, // until it is made
            };
            return Ok(Some((Seq::new(last.next()).ok_or(ZERO)?, tip)));
        }
        let seq = Seq::new(self.number(column::SEQ)?).ok_or(ZERO)?;
        let prev = match self.number(column::SEQ)? {
            tip::NONE => Tip::NONE,
            tip::HELD => {
                let (book, device) = (self.runs[run].book, self.runs[run].device);
                match self.held_tip(book, device, seq.previous().ok_or(ZERO)?)? {
                    Some(tip) => tip,
                    None => return Ok(None),
                }
            }
            _ => Tip(self.chance()?),
        };
        // What was written before lies in another run, and may be named.
        if !self.runs[run].open.is_empty() {
            self.settle();
        }
        let under_way = &mut self.runs[run];
        if !under_way.run.tips.is_empty() {
            let key = (
                self.books[under_way.book].0,
                self.devices[under_way.device].id,
            );
            let earlier = core::mem::take(&mut under_way.run);
            self.before.runs.keep(key, earlier);
        }
        (under_way.run.first, under_way.visit) = (seq.get(), None);
        Ok(Some((seq, prev)))
    }

    /// The tip of an entry that is held here, or came in a batch before this.
    fn held_tip<E: From<CodecError>>(
        &mut self,
        book: usize,
        device: usize,
        seq: Seq,
    ) -> Result<Option<Tip>, E>
    where
        H: Holder<E>,
    {
        let (logbook, device) = (self.books[book].0, self.devices[device].id);
        match self.before.runs.tip(logbook, device, seq) {
            Some(tip) => Ok(Some(tip)),
            None => self.holder.tip(logbook, device, seq),
        }
    }

    fn stamp(&mut self, follows: bool, device: usize, is_new: bool) -> Result<Stamp, CodecError> {
        let last = &mut self.devices[device];
        if follows {
            last.tick = last.tick.checked_add(1).ok_or(STRANGE)?;
        } else {
            let before = if is_new { self.wall } else { last.wall };
            last.wall = before.wrapping_add_signed(self.left[column::WALL].signed()?);
            last.tick = self.left[column::TICK].number_u16()?;
        }
        self.wall = last.wall;
        Ok(Stamp::new(WallMs::new(last.wall), last.tick))
    }

    fn visit(&mut self) -> Result<Option<ThingId>, CodecError> {
        Ok(match self.left[column::VISIT].count()? {
            0 => None,
            1 => {
                let visit = ThingId::from_bytes(self.chance()?);
                self.visits.push(visit);
                Some(visit)
            }
            more => Some(*self.visits.get(more - 2).ok_or(STRANGE)?),
        })
    }

    fn person(&mut self, same: bool, device: usize, is_new: bool) -> Result<(), CodecError> {
        if same {
            return if is_new { Err(STRANGE) } else { Ok(()) };
        }
        let step = self.left[column::OFFSET].signed_i16()?;
        self.offset = self.offset.wrapping_add(step);
        let name = match self.known(column::PERSON)? {
            Some(nth) => nth,
            None => {
                let name = self.left[column::NAMES].text()?;
                if name.len() > MAX_BY_BYTES {
                    return Err(CodecError::NameTooLong(name.len()));
                }
                self.names.push(name);
                self.names.len() - 1
            }
        };
        let last = &mut self.devices[device];
        (last.name, last.offset) = (name, self.offset);
        Ok(())
    }

    /// Writes what was gained; returns how many marks that is, and where the first begins.
    fn gained<E: From<CodecError>>(
        &mut self,
        book: usize,
        raw: &mut Vec<u8>,
    ) -> Read<(usize, usize), E>
    where
        H: Holder<E>,
    {
        let count = self.left[column::GAINED].count()?;
        if count > MOST_PARTS {
            return Err(TOO_MUCH.into());
        }
        number(raw, count as u64);
        let first_at = raw.len();
        for _ in 0..count {
            let device = match self.known(column::GAINED)? {
                Some(nth) if nth < self.devices.len() => nth,
                Some(_) => return Err(STRANGE.into()),
                None => match self.new_device(book)? {
                    Ok(nth) => nth,
                    Err(Unknown) => return Ok(Err(Unknown)),
                },
            };
            let seq = Seq::new(self.number(column::GAINED)?).ok_or(ZERO)?;
            let tip = if self.number(column::GAINED)? == tip::SPELLED {
                Tip(self.chance()?)
            } else {
                let run = self.run_numbers.get(&(device, book)).copied();
                if run.is_some_and(|run| self.runs[run].is_open(seq.get())) {
                    self.settle();
                }
                match run.and_then(|run| self.runs[run].run.tip(seq.get())) {
                    Some(tip) => tip,
                    None => found!(self.held_tip(book, device, seq)?),
                }
            };
            let device = self.devices[device].id;
            codec::put_mark(&Mark { device, seq, tip }, raw);
        }
        Ok(Ok((count, first_at)))
    }

    fn form(&mut self) -> Result<Form, CodecError> {
        if let Some(nth) = self.known(column::FORM)? {
            return self.forms.get(nth).copied().ok_or(STRANGE);
        }
        let column = &mut self.left[column::FORMS];
        let mut form = Form::of_kind(column.byte()?);
        if form.is_about_a_thing() {
            form.field = column.number_u16()?;
            form.how = column.byte()?;
            form.tag = column.byte()?;
            form.decimals = column.byte()?;
            form.unit = column.number_u16()?;
        }
        self.forms.push(form);
        Ok(form)
    }

    /// Writes a change; returns which field of what it sets, if it sets one.
    fn change<E: From<CodecError>>(
        &mut self,
        book: usize,
        raw: &mut Vec<u8>,
    ) -> Read<Option<(ThingId, u16)>, E>
    where
        H: Holder<E>,
    {
        let form = self.form()?;
        raw.push(form.kind);
        if !form.is_about_a_thing() {
            let body = self.body()?;
            if !view::is_plain_change(form.kind, body)? {
                return Err(OTHERWISE.into());
            }
            sized(raw, body);
            return Ok(Ok(None));
        }
        sized_by(raw, |raw| {
            let at = raw.len();
            raw.extend_from_slice(&[0; 16]);
            number(raw, u64::from(form.field));
            raw.extend([form.how, form.tag]);
            sized_by(raw, |raw| self.value(form, raw))?;
            // Told behind the value.
            let thing = match self.known(column::THING)? {
                Some(nth) => *self.books[book].1.get(nth).ok_or(STRANGE)?,
                None => {
                    let thing = match self.id(book)? {
                        Ok(id) => ThingId::from_bytes(id),
                        Err(Unknown) => return Ok(Err(Unknown)),
                    };
                    self.books[book].1.push(thing);
                    thing
                }
            };
            raw[at..at + 16].copy_from_slice(thing.bytes());
            let set = (form.kind == codec::SET).then_some((thing, form.field));
            Ok(Ok(set))
        })
    }

    fn value(&mut self, form: Form, raw: &mut Vec<u8>) -> Result<(), CodecError> {
        let Some(has_unit) = codec::is_amount(form.tag) else {
            match form.tag {
                codec::INT => signed(raw, self.left[column::AMOUNT].signed()?),
                tag => {
                    let body = self.body()?;
                    if !view::is_plain_value(tag, body)? {
                        return Err(OTHERWISE);
                    }
                    raw.extend_from_slice(body);
                }
            }
            return Ok(());
        };
        let amount = match form.decimals {
            0 => self.chance()?,
            more => {
                let power = POWERS.get(usize::from(more - 1)).ok_or(STRANGE)?;
                let amount = self.left[column::AMOUNT].signed()? as f64 / power;
                amount.to_le_bytes()
            }
        };
        raw.extend_from_slice(&amount);
        if has_unit {
            number(raw, u64::from(form.unit));
        }
        Ok(())
    }
}
