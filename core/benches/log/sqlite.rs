//! The same job in SQLite, as its documents recommend: write-ahead log, synchronous FULL, prepared
//! statements, one transaction a batch. It keeps the log, each field's latest value and an index by
//! thing; it knows no chains, no seals and no second versions.

use std::path::Path;

use headwalk_core::log::codec;
use headwalk_core::log::entry::Change;
use headwalk_core::log::id::{LogbookId, ThingId};
use headwalk_core::log::stamp::Stamp;
use rusqlite::{Connection, params};

pub struct Sqlite {
    db: Connection,
}

impl Sqlite {
    pub fn new(path: &Path) -> Self {
        let db = Connection::open(path).expect("SQLite opens");
        db.pragma_update(None, "journal_mode", "wal").expect("WAL");
        db.pragma_update(None, "synchronous", "full").expect("FULL");
        db.set_prepared_statement_cache_capacity(16);
        db.execute_batch(
            "create table if not exists log (arrival integer primary key, raw blob not null);
             create table if not exists fields (logbook blob, thing blob, field integer,
               stamp integer, value blob, primary key (logbook, thing, field)) without rowid;
             create table if not exists touches (logbook blob, thing blob, arrival integer,
               primary key (logbook, thing, arrival)) without rowid;",
        )
        .expect("the tables are made");
        Self { db }
    }

    pub fn append<'a>(&mut self, raws: impl IntoIterator<Item = &'a Vec<u8>>) {
        let txn = self.db.transaction().expect("one writer");
        {
            let mut log = txn
                .prepare_cached("insert into log (raw) values (?1)")
                .expect("a statement");
            let mut fields = txn
                .prepare_cached(
                    "insert into fields values (?1, ?2, ?3, ?4, ?5) on conflict do update
                     set stamp = excluded.stamp, value = excluded.value
                     where excluded.stamp >= stamp",
                )
                .expect("a statement");
            let mut touches = txn
                .prepare_cached("insert into touches values (?1, ?2, ?3)")
                .expect("a statement");
            for raw in raws {
                log.execute(params![raw]).expect("it is put");
                let arrival = txn.last_insert_rowid();
                let entry = codec::decode(raw).expect("an entry");
                let logbook = entry.logbook.bytes().as_slice();
                for change in &entry.changes {
                    let Some(thing) = change.thing() else {
                        continue;
                    };
                    let thing = thing.bytes().as_slice();
                    let touched = touches.execute(params![logbook, thing, arrival]);
                    touched.expect("it is put");
                    if let Change::Set { field, value, .. } = change {
                        let (stamp, value) =
                            (entry.stamp.bits() as i64, codec::encode_value(value));
                        fields
                            .execute(params![logbook, thing, field.0, stamp, value])
                            .expect("it is put");
                    }
                }
            }
        }
        txn.commit().expect("it is on disk");
    }

    /// Folds the write-ahead log into the file.
    pub fn checkpoint(&self) {
        self.db
            .query_row("pragma wal_checkpoint(truncate)", [], |_| Ok(()))
            .expect("the log is folded in");
    }

    /// The entries after `after`, other than those of numbers that the caller brought.
    pub fn after(&self, after: i64) -> Vec<Vec<u8>> {
        let mut rows = self
            .db
            .prepare_cached("select raw from log where arrival > ?1 order by arrival")
            .expect("a statement");
        let rows = rows.query_map(params![after], |row| row.get(0));
        rows.expect("rows").map(|raw| raw.expect("bytes")).collect()
    }

    pub fn last(&self) -> i64 {
        self.db
            .query_row("select coalesce(max(arrival), 0) from log", [], |row| {
                row.get(0)
            })
            .expect("a number")
    }

    /// Every field of one site, and its observations.
    pub fn site(&self, logbook: LogbookId) -> usize {
        let mut rows = self
            .db
            .prepare_cached("select thing, field, value from fields where logbook = ?1")
            .expect("a statement");
        let fields = rows
            .query_map(params![logbook.bytes().as_slice()], |row| {
                let value: Vec<u8> = row.get(2)?;
                Ok(codec::decode_value(&value).expect("a value"))
            })
            .expect("rows")
            .count();
        let mut rows = self
            .db
            .prepare_cached("select raw from touches join log using (arrival) where logbook = ?1")
            .expect("a statement");
        let observed = rows
            .query_map(params![logbook.bytes().as_slice()], |row| {
                let raw: Vec<u8> = row.get(0)?;
                let entry = codec::decode(&raw).expect("an entry");
                Ok(entry
                    .changes
                    .iter()
                    .filter(|change| matches!(change, Change::Observe { .. }))
                    .count())
            })
            .expect("rows")
            .map(|count| count.expect("a count"))
            .sum::<usize>();
        fields + observed
    }

    /// Makes a table from which the past of a field is told by one look-up. It is made from the log when
    /// that is asked, so that nothing else is slower for it.
    pub fn keep_past(&mut self) {
        let txn = self.db.transaction().expect("one writer");
        txn.execute_batch(
            "create table if not exists past (logbook blob, thing blob, field integer, stamp integer,
               value blob, primary key (logbook, thing, field, stamp)) without rowid;",
        )
        .expect("the table is made");
        {
            let mut log = txn.prepare("select raw from log").expect("a statement");
            let raws = log.query_map([], |row| row.get::<_, Vec<u8>>(0));
            let mut past = txn
                .prepare("insert or replace into past values (?1, ?2, ?3, ?4, ?5)")
                .expect("a statement");
            for raw in raws.expect("rows") {
                let entry = codec::decode(&raw.expect("bytes")).expect("an entry");
                for change in &entry.changes {
                    if let Change::Set {
                        thing,
                        field,
                        value,
                        ..
                    } = change
                    {
                        let (logbook, thing) = (entry.logbook.bytes(), thing.bytes());
                        let (stamp, value) =
                            (entry.stamp.bits() as i64, codec::encode_value(value));
                        let of = params![logbook, thing, field.0, stamp, value];
                        past.execute(of).expect("it is put");
                    }
                }
            }
        }
        txn.commit().expect("it is on disk");
    }

    /// What the fields of one thing were at a moment.
    pub fn fields_as_of(&self, logbook: LogbookId, thing: ThingId, until: Stamp) -> usize {
        let mut rows = self
            .db
            .prepare_cached(
                "select field, (select value from past
                   where logbook = ?1 and thing = ?2 and field = fields.field and stamp <= ?3
                   order by stamp desc limit 1)
                 from fields where logbook = ?1 and thing = ?2",
            )
            .expect("a statement");
        let (logbook, thing) = (logbook.bytes().as_slice(), thing.bytes().as_slice());
        let rows = rows.query_map(params![logbook, thing, until.bits() as i64], |row| {
            let value: Option<Vec<u8>> = row.get(1)?;
            Ok(value.map(|value| codec::decode_value(&value).expect("a value")))
        });
        let values = rows
            .expect("rows")
            .filter_map(|value| value.expect("bytes"));
        values.count()
    }
}
