//! A store that follows a log which is kept elsewhere: what it would append is told without being
//! kept, and what the log then holds is taken in as it stands there.
//!
//! Stores that follow one log from its beginning hold the same entries under the same arrivals, so
//! a bookmark into one is a bookmark into all of them. Nothing here speaks to that log. Start at
//! [`Store::rehearse`] and [`Store::follow`].

use std::collections::BTreeSet;
use std::sync::atomic::Ordering;

use redb::{Durability, WriteTransaction};

use super::append::{Appended, Taking};
use super::ledger::Slot;
use super::tables::{self, IDENTITY};
use super::writing::Writing;
use super::{Error, Store, seals};
use crate::log::entry::Draft;
use crate::log::id::{Arrival, ChainId};
use crate::log::raws::Raws;
use crate::log::seal::Seal;
use crate::log::sheaf::Sheaf;
use crate::log::stamp::WallMs;
use crate::log::view::View;

/// What an append would come to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Rehearsed {
    /// What would become of the batch.
    pub appended: Appended,
    /// The entries that the store does not have, the store's own about them after them: the order
    /// in which they are to be appended.
    pub entries: Vec<Vec<u8>>,
    /// The seals that the store does not have, and those of its own device.
    pub seals: Vec<Seal>,
    /// Whether some of the entries are of the store's own device. Two rehearsals that both have such
    /// give two entries the same place: whoever appends sees to it that the first is followed
    /// before the second begins.
    pub has_own: bool,
}

/// An entry as a log has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Followed {
    /// When it came there.
    pub arrived: WallMs,
    /// Its bytes.
    pub raw: Vec<u8>,
}

impl Store {
    /// Returns what [`Store::append_sealed`] would come to; keeps nothing.
    ///
    /// # Errors
    /// Those of [`Store::append_sealed`].
    pub fn rehearse(
        &self,
        batch: &Raws,
        seals: &[Sheaf],
        taking: &Taking,
        now: WallMs,
    ) -> Result<Rehearsed, Error> {
        let mut writing = Writing::begin(self, now)?;
        let batch = batch.iter().map(Ok);
        let taken = self.take_in(&mut writing, batch, seals, taking, now)?;
        match taken.writer {
            None => Ok(Rehearsed {
                appended: taken.appended,
                ..Rehearsed::default()
            }),
            Some(_) => self.rehearsed(writing, taken.appended, seals::alone(taken.new_seals)),
        }
    }

    /// Returns what [`Store::record`] would come to; keeps nothing.
    ///
    /// # Errors
    /// Those of [`Store::record`].
    pub fn rehearse_record(&self, drafts: &[Draft], now: WallMs) -> Result<Rehearsed, Error> {
        let mut writing = Writing::begin(self, now)?;
        writing.write_down(drafts, now)?;
        let appended = Appended {
            new: drafts.len(),
            ..Appended::default()
        };
        self.rehearsed(writing, appended, Vec::new())
    }

    /// Tells what a write has appended, seals what of it is the store's own, and gives the write up.
    fn rehearsed(
        &self,
        mut writing: Writing<'_>,
        appended: Appended,
        mut seals: Vec<Seal>,
    ) -> Result<Rehearsed, Error> {
        let writer = self.writer();
        let (mut entries, mut own) = (Vec::new(), BTreeSet::new());
        for entry in writing.new_entries() {
            if entry.device == writer.device() {
                own.insert(entry.logbook);
            }
            entries.push(entry.raw.to_vec());
        }
        let mut ends = Vec::new();
        for &logbook in &own {
            let head = writing.look(logbook)?.head(ChainId::of(writer.device()));
            let head = head.ok_or(Error::damaged_index("ledgers"))?;
            ends.push((logbook, head.seq, head.link));
        }
        seals.extend(writer.key().seal_all(&ends));
        writing.txn.abort()?;
        Ok(Rehearsed {
            appended,
            entries,
            seals,
            has_own: !own.is_empty(),
        })
    }

    /// Lets what is followed and written from now on stay in memory until [`Self::put_on_disk`]: a file
    /// that only follows a log loses nothing with it. After an end without warning the store holds all
    /// that it held at some moment since it was last put on disk.
    pub fn follow_behind(&self) {
        self.behind.store(true, Ordering::Release);
    }

    /// Begins a write that [`Self::follow_behind`] is about.
    pub(super) fn begin_behind(&self) -> Result<WriteTransaction, Error> {
        let mut txn = self.db.begin_write()?;
        if self.behind.load(Ordering::Acquire) {
            let set = txn.set_durability(Durability::None);
            set.map_err(redb::Error::from)?;
        }
        Ok(txn)
    }

    /// Puts all that was written on disk, and with it what makes opening the file short after an end
    /// without warning, however large it is.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be written.
    pub fn put_on_disk(&self) -> Result<(), Error> {
        let mut txn = self.db.begin_write()?;
        txn.set_quick_repair(true);
        Ok(txn.commit()?)
    }

    /// Takes in what a log holds, in its order, and keeps settings with it, all or nothing. Entries of
    /// the store's own device are its own: they come back from the log. What is held already is
    /// passed over.
    ///
    /// # Errors
    /// Those of [`Store::append`], and [`Error::ForgedSeal`]. Then nothing was taken.
    pub fn follow(
        &self,
        entries: &[Followed],
        seals: &[Seal],
        settings: &[(&str, &str)],
    ) -> Result<Appended, Error> {
        let sheaves = Sheaf::gather(seals, |_| false);
        let mut writing = Writing::begin(self, WallMs::new(0))?;
        let claimed = seals::Claimed::by(&sheaves, writing.lend_keys())?;
        let mut appended = Appended::default();
        for Followed { arrived, raw } in entries {
            let entry = View::read(raw)?;
            let slot = writing.slot(&entry)?;
            if matches!(slot, Slot::Same) {
                appended.held += 1;
                continue;
            }
            appended.new += 1;
            writing.arrived = writing.arrived.max(*arrived);
            writing.clock.witness(entry.stamp, *arrived);
            writing.append(&entry, &slot)?;
        }
        claimed.keep(&mut writing)?;
        {
            let mut identity = writing.txn.open_table(IDENTITY)?;
            for (name, value) in settings {
                identity.insert(tables::setting_key(name).as_str(), value.as_bytes())?;
            }
        }
        writing.commit(None)?;
        Ok(appended)
    }

    /// Returns the entries that arrived after `after` as they would be followed, in order, up to
    /// `max_bytes` (but at least one), each with its arrival.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read, or an entry is not what was written.
    pub fn arrivals(
        &self,
        after: Arrival,
        max_bytes: usize,
    ) -> Result<Vec<(Arrival, Followed)>, Error> {
        let (mut found, mut bytes) = (Vec::new(), 0);
        self.reading()?.since(after, None, &|_, _| true, |lying| {
            bytes += lying.raw.bytes.len();
            if bytes > max_bytes && !found.is_empty() {
                return false;
            }
            let followed = Followed {
                arrived: lying.arrived,
                raw: lying.raw.bytes.to_vec(),
            };
            found.push((lying.arrival, followed));
            true
        })?;
        Ok(found)
    }

    /// Returns every seal that is kept, and those of the store's own device as its chains stand.
    ///
    /// # Errors
    /// [`Error`] where the file cannot be read.
    pub fn all_seals(&self) -> Result<Vec<Seal>, Error> {
        let reading = self.reading()?;
        let kept = seals::all(&reading.txn, &*reading.unsorted()?)?;
        let mut seals: Vec<_> = kept.into_values().flatten().collect();
        let writer = self.writer();
        if !writer.in_use_elsewhere {
            let (chain, mut ends) = (ChainId::of(writer.device()), Vec::new());
            for logbook in reading.logbooks()? {
                if let Some(head) = reading.ledger(logbook)?.head(chain) {
                    ends.push((logbook, head.seq, head.link));
                }
            }
            seals.extend(writer.key().seal_all(&ends));
        }
        Ok(seals)
    }
}

#[cfg(test)]
mod tests {
    use redb::backends::InMemoryBackend;

    use super::*;
    use crate::log::entry::Change;
    use crate::log::id::{DeviceId, FieldNumber, LogbookId, StoreId, ThingId};
    use crate::log::seal::DeviceKey;
    use crate::log::value::{HowKnown, Value};
    use crate::store::{Bookmark, Clocks, NewStore, Sealing};

    const LOGBOOK: LogbookId = LogbookId::from_bytes([1; 16]);
    const NOW: WallMs = WallMs::new(1_784_030_400_000);

    fn store(id: u8, key: u8) -> Store {
        let new = NewStore {
            id: StoreId::from_bytes([id; 16]),
            key: DeviceKey::from_bytes([key; 32]),
        };
        Store::on_backend(InMemoryBackend::new(), new).unwrap()
    }

    fn draft(words: &str) -> Draft {
        let change = Change::Set {
            thing: ThingId::from_bytes([2; 16]),
            field: FieldNumber(7),
            value: Value::text(words),
            how: HowKnown::Unstated,
        };
        Draft {
            logbook: LOGBOOK,
            by: "R. Ash".to_owned(),
            utc_offset_min: 0,
            visit: None,
            changes: vec![change],
        }
    }

    /// What a phone whose clock is a day ahead hands over, and how a hub takes it.
    fn handed_over() -> (Vec<Vec<u8>>, Vec<Seal>, Taking) {
        let phone = store(9, 9);
        let ahead = NOW.shifted(86_400_000);
        phone.record(&[draft("one"), draft("two")], ahead).unwrap();
        let all = phone.entries_beyond(LOGBOOK, &Default::default(), usize::MAX);
        let batch = all.unwrap().0;
        let seals = phone.seals(&batch).unwrap();
        let mut taking = Taking::everything(Clocks::Judged {
            sender: phone.device(),
            behind_ms: -86_400_000,
        });
        taking.sealing = Sealing::Demanded;
        (batch, seals, taking)
    }

    fn written(batch: &[Vec<u8>]) -> Raws {
        let mut raws = Raws::default();
        raws.read(batch).unwrap();
        raws
    }

    fn followed(rehearsed: &Rehearsed, arrived: WallMs) -> Vec<Followed> {
        let entries = rehearsed.entries.iter().cloned();
        entries.map(|raw| Followed { arrived, raw }).collect()
    }

    #[test]
    fn a_rehearsal_says_what_an_append_does_and_keeps_nothing() {
        let (batch, seals, taking) = handed_over();
        let (hub, same) = (store(1, 1), store(1, 1));
        let (written, sheaves) = (written(&batch), Sheaf::gather(&seals, |_| false));
        let rehearsed = hub.rehearse(&written, &sheaves, &taking, NOW).unwrap();
        assert_eq!(rehearsed.entries.len(), 3, "two, and the hub's receipts");
        assert_eq!((rehearsed.has_own, rehearsed.seals.len()), (true, 2));
        assert_eq!(hub.last_bookmark().unwrap(), Bookmark::START);
        assert_eq!(
            hub.rehearse(&written, &sheaves, &taking, NOW).unwrap(),
            rehearsed
        );

        let appended = same.append_sealed(&batch, &seals, &taking, NOW).unwrap();
        assert_eq!(appended, rehearsed.appended);
        hub.follow(&followed(&rehearsed, NOW), &rehearsed.seals, &[])
            .unwrap();
        assert_eq!(
            hub.arrivals(Arrival(0), 1 << 20).unwrap(),
            same.arrivals(Arrival(0), 1 << 20).unwrap()
        );
        assert_eq!(hub.state(LOGBOOK).unwrap(), same.state(LOGBOOK).unwrap());
        assert!(
            !hub.id_is_in_use_elsewhere(),
            "what it wrote itself came back"
        );
        let again = hub.rehearse(&written, &sheaves, &taking, NOW).unwrap();
        assert_eq!((again.entries.len(), again.appended.held), (0, 2));
    }

    #[test]
    fn two_that_follow_one_log_in_other_pieces_have_the_same_bookmarks_and_settings() {
        let (batch, seals, taking) = handed_over();
        let (one, other) = (store(1, 1), store(1, 2));
        let sheaves = Sheaf::gather(&seals, |_| false);
        let rehearsed = one
            .rehearse(&written(&batch), &sheaves, &taking, NOW)
            .unwrap();
        let mut log = followed(&rehearsed, NOW);
        // A second hub's clock is behind: what came later did not come earlier for that.
        let own = other.rehearse_record(&[draft("three")], NOW).unwrap();
        log.extend(followed(&own, NOW.shifted(-5_000)));
        one.follow(&log, &rehearsed.seals, &[("up-to", "4")])
            .unwrap();
        for (entry, number) in log.iter().zip(1..) {
            let number = number.to_string();
            let settings = [("up-to", number.as_str())];
            other
                .follow(std::slice::from_ref(entry), &[], &settings)
                .unwrap();
        }
        other.follow(&log, &rehearsed.seals, &[]).unwrap();
        assert_eq!(one.last_bookmark().unwrap(), other.last_bookmark().unwrap());
        assert_eq!(
            one.setting("up-to").unwrap(),
            other.setting("up-to").unwrap()
        );
        let theirs = |store: &Store, device| {
            let seals = store.all_seals().unwrap().into_iter();
            seals
                .filter(|seal| seal.device() == Some(device))
                .collect::<Vec<_>>()
        };
        let phone: DeviceId = DeviceKey::from_bytes([9; 32]).device();
        assert_eq!(theirs(&one, phone), theirs(&other, phone));
        assert_eq!(theirs(&one, phone).len(), 1);
    }
}
