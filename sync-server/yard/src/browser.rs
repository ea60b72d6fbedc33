//! The edge to the browser: the store's file, and the calls that the worker makes.

use std::cell::RefCell;
use std::io;

use headwalk_core::log::stamp::WallMs;
use redb::StorageBackend;
use wasm_bindgen::prelude::*;

use crate::edge::Edge;
use crate::phone::Phone;

#[wasm_bindgen]
extern "C" {
    /// A file of the origin-private file system, open for this worker alone.
    pub type SyncFile;

    #[wasm_bindgen(method, catch, js_name = getSize)]
    fn size(this: &SyncFile) -> Result<f64, JsValue>;
    #[wasm_bindgen(method, catch)]
    fn read(this: &SyncFile, into: &mut [u8], at: &At) -> Result<f64, JsValue>;
    #[wasm_bindgen(method, catch)]
    fn write(this: &SyncFile, from: &[u8], at: &At) -> Result<f64, JsValue>;
    #[wasm_bindgen(method, catch)]
    fn truncate(this: &SyncFile, size: f64) -> Result<(), JsValue>;
    #[wasm_bindgen(method, catch)]
    fn flush(this: &SyncFile) -> Result<(), JsValue>;

    /// Where in the file: `{at: N}`.
    #[wasm_bindgen(js_name = Object)]
    pub type At;

    #[wasm_bindgen(constructor, js_class = Object)]
    fn new() -> At;
    #[wasm_bindgen(method, setter)]
    fn set_at(this: &At, at: f64);
}

thread_local! {
    // The engine wants a backend that could change threads, and a handle of the browser cannot; the
    // worker has one thread, so the handle lies beside it.
    static FILE: RefCell<Option<SyncFile>> = const { RefCell::new(None) };
}

/// The engine's file: the handle that lies in [`FILE`].
#[derive(Debug)]
struct OriginFile;

fn with_file<T>(work: impl FnOnce(&SyncFile) -> Result<T, JsValue>) -> io::Result<T> {
    FILE.with_borrow(|file| {
        let file = file
            .as_ref()
            .ok_or_else(|| io::Error::from(io::ErrorKind::NotConnected))?;
        work(file).map_err(|why| {
            let name = why.dyn_ref::<NamedError>().map(NamedError::name);
            let full = name.as_deref() == Some("QuotaExceededError");
            let kind = if full {
                io::ErrorKind::StorageFull
            } else {
                io::ErrorKind::Other
            };
            io::Error::new(kind, name.unwrap_or_else(|| format!("{why:?}")))
        })
    })
}

#[wasm_bindgen]
extern "C" {
    #[wasm_bindgen(js_name = Error)]
    type NamedError;

    #[wasm_bindgen(method, getter)]
    fn name(this: &NamedError) -> String;
}

fn at(offset: u64) -> At {
    let at = At::new();
    at.set_at(offset as f64);
    at
}

impl StorageBackend for OriginFile {
    fn len(&self) -> io::Result<u64> {
        with_file(SyncFile::size).map(|size| size as u64)
    }

    fn read(&self, offset: u64, out: &mut [u8]) -> io::Result<()> {
        let mut read = 0;
        while let Some(rest) = out.get_mut(read..).filter(|rest| !rest.is_empty()) {
            let count = with_file(|file| file.read(rest, &at(offset + read as u64)))? as usize;
            if count == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            read += count;
        }
        Ok(())
    }

    fn set_len(&self, len: u64) -> io::Result<()> {
        with_file(|file| file.truncate(len as f64))
    }

    fn sync_data(&self) -> io::Result<()> {
        with_file(SyncFile::flush)
    }

    fn write(&self, offset: u64, data: &[u8]) -> io::Result<()> {
        let mut written = 0;
        while let Some(rest) = data.get(written..).filter(|rest| !rest.is_empty()) {
            let count = with_file(|file| file.write(rest, &at(offset + written as u64)))? as usize;
            if count == 0 {
                return Err(io::ErrorKind::WriteZero.into());
            }
            written += count;
        }
        Ok(())
    }
}

fn edge(now_ms: f64, utc_offset_min: i16, chance: Vec<u8>) -> Edge {
    Edge::new(WallMs::new(now_ms as u64), utc_offset_min, chance)
}

pub(crate) fn told(error: crate::error::Error) -> JsError {
    JsError::new(&error.to_string())
}

/// The phone, as the worker holds it.
#[wasm_bindgen]
pub struct YardPhone(pub(crate) Phone);

#[wasm_bindgen]
impl YardPhone {
    /// Opens the store in this file, or begins one there if it is empty.
    #[wasm_bindgen(constructor)]
    pub fn open(
        file: SyncFile,
        now_ms: f64,
        utc_offset_min: i16,
        chance: Vec<u8>,
    ) -> Result<YardPhone, JsError> {
        FILE.set(Some(file));
        let edge = edge(now_ms, utc_offset_min, chance);
        Phone::open(OriginFile, edge).map(YardPhone).map_err(told)
    }

    /// Does an act, and returns what is then to be seen. Both are JSON.
    pub fn act(
        &mut self,
        act: &str,
        now_ms: f64,
        utc_offset_min: i16,
        chance: Vec<u8>,
    ) -> Result<String, JsError> {
        let act = serde_json::from_str(act)?;
        let view = self.0.act(edge(now_ms, utc_offset_min, chance), act);
        Ok(serde_json::to_string(&view)?)
    }

    /// Returns what lets this phone in at the hub, if it joined one.
    pub fn token(&self) -> Result<Option<String>, JsError> {
        self.0.token().map_err(told)
    }

    /// Begins an exchange; returns the first parcel to send.
    pub fn begin_exchange(&mut self, now_ms: f64) -> Result<Vec<u8>, JsError> {
        let now = WallMs::new(now_ms as u64);
        self.0.begin_exchange(now).map_err(told)
    }

    /// Takes the hub's answer in; returns the next parcel to send, if there is one.
    pub fn receive(&mut self, answer: &[u8], now_ms: f64) -> Result<Option<Vec<u8>>, JsError> {
        let now = WallMs::new(now_ms as u64);
        self.0.receive(answer, now).map_err(told)
    }
}
