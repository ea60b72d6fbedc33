//! What devices are called, as the company's logbook says.

use std::collections::BTreeMap;

use headwalk_core::log::id::DeviceId;
use headwalk_core::site::fields::device;
use headwalk_core::site::kind::ThingKind;
use headwalk_core::site::things::Site;
use headwalk_core::store::Store;

use crate::error::Error;
use crate::roots::Roots;

/// The names of devices.
pub struct Devices(BTreeMap<DeviceId, String>);

impl Devices {
    /// Reads the names out of the company's logbook, if this store holds it.
    pub fn of(store: &Store, roots: &Roots) -> Result<Self, Error> {
        let mut names = BTreeMap::new();
        for root in roots.of_kind(ThingKind::Company) {
            let state = store.state(root.id)?;
            for thing in Site::of(&state, root.id).things() {
                let id = thing.words(&device::DEVICE_ID).ok();
                let id = id.and_then(|id| id.value.parse().ok());
                if let (Some(id), Ok(name)) = (id, thing.words(&device::NAME)) {
                    names.insert(id, name.value);
                }
            }
        }
        Ok(Self(names))
    }

    /// Returns a device's name; the end of its id where it has none.
    pub fn name(&self, device: DeviceId) -> String {
        self.0.get(&device).cloned().unwrap_or_else(|| {
            let id = device.to_string();
            let end = id.get(id.len() - 6..).unwrap_or(&id);
            format!("…{end}")
        })
    }
}
