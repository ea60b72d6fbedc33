//! What nothing can undercut: bytes flushed into a file made beforehand, one key put in redb, entries
//! decoded and folded into a map in memory.

use std::collections::BTreeMap;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

use headwalk_core::log::codec;
use headwalk_core::log::entry::Change;
use headwalk_core::log::id::{FieldNumber, LogbookId, ThingId};
use headwalk_core::log::stamp::Stamp;
use headwalk_core::log::value::Value;
use redb::{Database, TableDefinition};

const LOG: TableDefinition<'_, u64, &[u8]> = TableDefinition::new("log");

/// A file whose bytes are there before anything is written in it.
pub struct Prepared {
    file: File,
    at: u64,
}

impl Prepared {
    pub fn new(path: &Path, bytes: usize) -> Self {
        std::fs::write(path, vec![1; bytes]).expect("the file can be written");
        let file = File::options().read(true).write(true).open(path);
        let file = file.expect("the file is there");
        file.sync_all().expect("the file can be flushed");
        Self { file, at: 0 }
    }

    pub fn append<'a>(&mut self, raws: impl IntoIterator<Item = &'a Vec<u8>>) {
        let mut bytes = Vec::new();
        for raw in raws {
            bytes.extend_from_slice(&(raw.len() as u32).to_le_bytes());
            bytes.extend_from_slice(raw);
        }
        self.file
            .write_all_at(&bytes, self.at)
            .expect("there is room");
        self.at += bytes.len() as u64;
        self.file.sync_data().expect("the file can be flushed");
    }
}

/// One redb table: number to bytes.
pub struct RawRedb {
    db: Database,
    next: u64,
}

impl RawRedb {
    pub fn new(path: &Path) -> Self {
        let db = Database::create(path).expect("redb begins a file");
        Self { db, next: 1 }
    }

    pub fn append<'a>(&mut self, raws: impl IntoIterator<Item = &'a Vec<u8>>) {
        let txn = self.db.begin_write().expect("one writer");
        {
            let mut log = txn.open_table(LOG).expect("the table opens");
            for raw in raws {
                log.insert(self.next, raw.as_slice()).expect("it is put");
                self.next += 1;
            }
        }
        txn.commit().expect("it is on disk");
    }
}

/// The latest write of every field, by stamp alone: no knowledge, no second versions.
pub type Fold = BTreeMap<(LogbookId, ThingId, FieldNumber), (Stamp, Value)>;

/// Decodes each entry and keeps each field's latest value.
pub fn fold<R: AsRef<[u8]>>(raws: &[R]) -> (Fold, usize) {
    let (mut fields, mut observed) = (Fold::new(), 0);
    for raw in raws {
        let entry = codec::decode(raw.as_ref()).expect("an entry");
        for change in entry.changes {
            match change {
                Change::Set {
                    thing,
                    field,
                    value,
                    ..
                } => {
                    let kept = fields
                        .entry((entry.logbook, thing, field))
                        .or_insert((Stamp::ZERO, Value::Bool(false)));
                    if kept.0 <= entry.stamp {
                        *kept = (entry.stamp, value);
                    }
                }
                _ => observed += 1,
            }
        }
    }
    (fields, observed)
}
