//! Entries into columns.

use std::collections::HashMap;

use foldhash::fast::RandomState;

use super::memory::Memory;
use super::table::{AS_IT_IS, Columns, LAID_OUT};
use crate::log::codec;
use crate::log::decimals::decimals;
use crate::log::shapes::{number, signed, sized};
use crate::log::view::{Part, View};

/// What lays entries out, one after the other.
#[derive(Default)]
pub(super) struct Writer {
    pub(super) columns: Columns,
    ids: HashMap<u128, u64, RandomState>,
    // How many names there are, and their numbers once they are several.
    named: u64,
    names: HashMap<String, u64, RandomState>,
    // The last entry's, which are mostly the next one's, too: name, logbook, device and visit.
    last_name: (String, u64),
    last_ids: [Option<(u128, u64)>; 3],
    memory: Memory,
}

impl Writer {
    pub(super) fn clear(&mut self) {
        self.columns.clear();
        self.ids.clear();
        self.names.clear();
        self.named = 0;
        self.last_ids = [None; 3];
        self.memory.clear();
    }

    pub(super) fn entry(&mut self, entry: &View<'_>) {
        if entry.is_plain {
            self.columns.shape.push(LAID_OUT);
            self.lay_out(entry);
            let told = (entry.seq, entry.stamp, entry.utc_offset_min);
            let writer = (entry.logbook, entry.device);
            self.memory.goes_on(writer, told, entry.tip);
        } else {
            self.as_it_is(entry.raw);
        }
    }

    pub(super) fn as_it_is(&mut self, raw: &[u8]) {
        self.columns.shape.push(AS_IT_IS);
        self.body(raw);
    }

    fn lay_out(&mut self, entry: &View<'_>) {
        let book = entry.logbook.bytes();
        let logbook = self.again(0, book, |writer| writer.id(book));
        number(&mut self.columns.logbook, logbook);
        let device = entry.device.bytes();
        let device = self.again(1, device, |writer| writer.id(device));
        number(&mut self.columns.device, device);
        let last = self.memory.last(entry.logbook, entry.device);
        // One bit says whether the tip follows, since most entries come after the one before them.
        let follows = entry.prev == last.tip;
        let step = entry.seq.get().wrapping_sub(last.seq).wrapping_sub(1) as i64;
        signed(&mut self.columns.seq, step);
        self.columns.prev.push(u8::from(!follows));
        if !follows {
            self.columns.tips.extend_from_slice(&entry.prev.0);
        }
        signed(
            &mut self.columns.wall,
            entry.stamp.wall().get().wrapping_sub(last.wall) as i64,
        );
        number(&mut self.columns.tick, u64::from(entry.stamp.tick()));
        let offset = entry.utc_offset_min.wrapping_sub(self.memory.offset);
        signed(&mut self.columns.offset, i64::from(offset));
        let by = self.name(entry);
        number(&mut self.columns.by, by);
        // Zero is no visit; others are one up.
        let visit = entry.visit;
        let visit = visit.map_or(0, |visit| {
            let visit = visit.bytes();
            1 + self.again(2, visit, |writer| writer.id(visit))
        });
        number(&mut self.columns.visit, visit);
        number(&mut self.columns.gained, entry.count_gained() as u64);
        for mark in entry.gained() {
            let device = self.id(mark.device.bytes());
            number(&mut self.columns.gained, device);
            number(&mut self.columns.gained, mark.seq.get());
            let known = self.memory.tip(entry.logbook, mark.device, mark.seq) == Some(mark.tip);
            self.columns.known.push(u8::from(!known));
            if !known {
                self.columns.tips.extend_from_slice(&mark.tip.0);
            }
        }
        number(&mut self.columns.changes, entry.count_changes() as u64);
        for change in entry.changes() {
            self.change(change);
        }
    }

    fn change(&mut self, change: Part<'_>) {
        self.columns.kind.push(change.kind);
        let Some(about) = change.about() else {
            return self.body(change.body);
        };
        let thing = self.id(about.thing.bytes());
        number(&mut self.columns.thing, thing);
        number(&mut self.columns.field, u64::from(about.number));
        self.columns.how.push(about.how);
        self.columns.tag.push(about.tag);
        match (codec::is_amount(about.tag), about.value.split_first_chunk()) {
            (Some(_), Some((amount, unit))) => {
                self.amount(f64::from_le_bytes(*amount));
                // As it stands in the entry; a number without one has none.
                self.columns.unit.extend_from_slice(unit);
            }
            _ => self.body(about.value),
        }
    }

    fn amount(&mut self, amount: f64) {
        match decimals(amount) {
            Some((decimals, digits)) => {
                self.columns.decimals.push(decimals + 1);
                signed(&mut self.columns.amount, digits);
            }
            None => {
                self.columns.decimals.push(0);
                self.columns.body.extend_from_slice(&amount.to_le_bytes());
            }
        }
    }

    fn body(&mut self, body: &[u8]) {
        number(&mut self.columns.length, body.len() as u64);
        self.columns.body.extend_from_slice(body);
    }

    /// The number of the last entry's logbook, device or visit, if it is this; else what `find` finds.
    #[inline]
    fn again(&mut self, which: usize, id: &[u8; 16], find: impl FnOnce(&mut Self) -> u64) -> u64 {
        let id = u128::from_le_bytes(*id);
        match self.last_ids[which] {
            Some((last, number)) if last == id => number,
            _ => {
                let number = find(self);
                self.last_ids[which] = Some((id, number));
                number
            }
        }
    }

    fn id(&mut self, id: &[u8; 16]) -> u64 {
        let next = self.ids.len() as u64;
        let number = *self.ids.entry(u128::from_le_bytes(*id)).or_insert(next);
        if number == next {
            self.columns.ids.extend_from_slice(id);
        }
        number
    }

    fn name(&mut self, entry: &View<'_>) -> u64 {
        if self.named > 0 && entry.is_by(&self.last_name.0) {
            return self.last_name.1;
        }
        let name = entry.by();
        let next = self.named;
        if next == 1 {
            self.names.insert(self.last_name.0.clone(), 0);
        }
        let nth = match self.names.get(name) {
            Some(known) => *known,
            None => {
                sized(&mut self.columns.names, name.as_bytes());
                if next > 0 {
                    self.names.insert(name.to_owned(), next);
                }
                self.named += 1;
                next
            }
        };
        self.last_name.0.clear();
        self.last_name.0.push_str(name);
        self.last_name.1 = nth;
        nth
    }
}
