//! The yard page: the same core, in a worker of the phone's browser.
//!
//! [`phone::Phone`] is all of it: an act of the person goes in, what is to be seen comes out. It
//! keeps its store on whatever backend it is given, asks no clock and no chance, and opens no
//! connection: the page brings the time, random bytes and the hub's answers. So every screen is
//! tested on any machine; `browser` alone needs a browser, and `page/` only draws and taps.

pub mod act;
pub mod book;
#[cfg(target_arch = "wasm32")]
mod browser;
pub mod edge;
pub mod error;
pub mod hub;
pub mod phone;
pub mod photo;
pub mod prefs;
mod record;
mod screens;
mod undo;
pub mod view;
pub mod words;

#[cfg(test)]
mod tests;
