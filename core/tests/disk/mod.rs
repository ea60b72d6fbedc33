//! A disk that can lose power, and the chance that decides what is left on it.

use std::io;
use std::sync::{Arc, Mutex, MutexGuard};

use redb::StorageBackend;

const SECTOR: usize = 512;

/// A small generator of numbers that look like chance and repeat by seed (xorshift64*).
pub struct Chance(u64);

impl Chance {
    /// Begins anew for each seed.
    pub fn seeded(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// Returns a number from zero to one less than `below`.
    pub fn next(&mut self, below: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % below
    }
}

#[derive(Debug, Clone)]
enum Unsynced {
    Write(u64, Vec<u8>),
    Length(u64),
}

/// What is on the disk, and what is on its way there.
#[derive(Debug, Default)]
pub struct Platter {
    synced: Vec<u8>,
    /// What was written, whether synced or not.
    pub written: Vec<u8>,
    unsynced: Vec<Unsynced>,
    /// Operations that change the disk, so far.
    pub operations: u64,
    /// The operation after which there is no power.
    pub power_lost_at: Option<u64>,
    /// Whether syncing does nothing but say that it did.
    pub sync_lies: bool,
}

impl Platter {
    fn step(&mut self) -> io::Result<()> {
        self.operations += 1;
        match self.power_lost_at {
            Some(at) if self.operations > at => Err(io::Error::other("the power is gone")),
            _ => Ok(()),
        }
    }
}

/// A disk; its clones are the same disk.
#[derive(Debug, Clone, Default)]
pub struct Disk(Arc<Mutex<Platter>>);

impl Disk {
    /// Returns the state of the disk.
    pub fn platter(&self) -> MutexGuard<'_, Platter> {
        self.0.lock().expect("no holder of the platter panics")
    }

    /// Makes a disk with this on it.
    pub fn losing_power_at(image: Vec<u8>, at: Option<u64>) -> Self {
        let platter = Platter {
            synced: image.clone(),
            written: image,
            power_lost_at: at,
            ..Platter::default()
        };
        Self(Arc::new(Mutex::new(platter)))
    }

    /// Returns what is on the disk when the power is back.
    pub fn after_power_loss(&self, chance: &mut Chance) -> Vec<u8> {
        let platter = self.platter();
        let mut image = platter.synced.clone();
        for unsynced in &platter.unsynced {
            match (unsynced, chance.next(3)) {
                (_, 0) => {}
                (Unsynced::Length(length), _) => image.resize(*length as usize, 0),
                (Unsynced::Write(offset, data), 1) => put(&mut image, *offset as usize, data),
                (Unsynced::Write(offset, data), _) => {
                    for (number, sector) in data.chunks(SECTOR).enumerate() {
                        if chance.next(2) == 0 {
                            put(&mut image, *offset as usize + number * SECTOR, sector);
                        }
                    }
                }
            }
        }
        image
    }
}

fn put(image: &mut Vec<u8>, offset: usize, data: &[u8]) {
    if image.len() < offset + data.len() {
        image.resize(offset + data.len(), 0);
    }
    image[offset..offset + data.len()].copy_from_slice(data);
}

impl StorageBackend for Disk {
    fn len(&self) -> io::Result<u64> {
        Ok(self.platter().written.len() as u64)
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        let platter = self.platter();
        let from = offset as usize;
        let held = platter.written.get(from..from + out.len());
        out.copy_from_slice(held.ok_or(io::Error::from(io::ErrorKind::UnexpectedEof))?);
        Ok(())
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        let mut platter = self.platter();
        platter.step()?;
        platter.written.resize(len as usize, 0);
        platter.unsynced.push(Unsynced::Length(len));
        Ok(())
    }

    fn sync_data(&self) -> io::Result<()> {
        let mut platter = self.platter();
        platter.step()?;
        if !platter.sync_lies {
            platter.synced = platter.written.clone();
            platter.unsynced.clear();
        }
        Ok(())
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        let mut platter = self.platter();
        platter.step()?;
        put(&mut platter.written, offset as usize, data);
        platter
            .unsynced
            .push(Unsynced::Write(offset, data.to_vec()));
        Ok(())
    }
}
