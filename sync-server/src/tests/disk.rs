//! A disk that is full: nothing is acknowledged, and the hub ends so that it can be started again.

use std::io;
use std::sync::atomic::AtomicBool;

use redb::StorageBackend;

use super::*;
use crate::access::Access;
use crate::hub::{ACCESS_FILE, LOG_FILE};
use crate::photos::Photos;

/// A disk that takes nothing more once it is full.
#[derive(Debug)]
struct Disk {
    on_it: InMemoryBackend,
    full: Arc<AtomicBool>,
}

impl Disk {
    fn room(&self) -> io::Result<()> {
        match self.full.load(Ordering::SeqCst) {
            true => Err(io::Error::from(io::ErrorKind::StorageFull)),
            false => Ok(()),
        }
    }
}

impl StorageBackend for Disk {
    fn len(&self) -> io::Result<u64> {
        self.on_it.len()
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        self.on_it.read(offset, out)
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        self.room()?;
        self.on_it.set_len(len)
    }

    fn sync_data(&self) -> io::Result<()> {
        self.room()?;
        self.on_it.sync_data()
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        self.room()?;
        self.on_it.write(offset, data)
    }
}

#[test]
fn on_a_full_disk_nothing_is_acknowledged_and_the_hub_ends_to_be_started_again() {
    let folder = tempfile::tempdir().unwrap();
    let full = Arc::new(AtomicBool::new(false));
    let disk = Disk {
        on_it: InMemoryBackend::new(),
        full: Arc::clone(&full),
    };
    let new = NewStore {
        id: StoreId::from_bytes([90; 16]),
        key: DeviceKey::from_bytes([90; 32]),
    };
    let log = Store::on_backend(disk, new).unwrap();
    let name = Name::parse("name", "Office").unwrap();
    let access = Access::create(&folder.path().join(ACCESS_FILE), &name).unwrap();
    let clock = Arc::new(AtomicU64::new(BEGAN_MS));
    let hub = Hub::of(
        log,
        access,
        Photos::in_folder(folder.path()),
        Edge::told(Arc::clone(&clock)),
    );
    let mut hub = Running::of(hub, folder, clock, Limits::USUAL);
    let office = hub.dispatcher();
    write(&office, 1, "there was room", hub.now());
    assert!(hub.exchange(&office).equal);

    full.store(true, Ordering::SeqCst);
    write(&office, 2, "there is none", hub.now());
    let answer = hub.carry(&office.token, &hub.parcel(&office));
    answer.refuses(500, "hub-failed");
    let ended = hub.hub.take().unwrap().join().unwrap();
    assert!(matches!(ended, Err(Error::FilesFailed)), "{ended:?}");
    assert!(!hub.folder.path().join(LOG_FILE).exists());
}
