//! The hub: the store in the office with which every crew's device exchanges.
//!
//! A thin shell around core's exchange: it says who may come in, bounds what anyone can ask of it,
//! and puts every entry on disk before it acknowledges it. It decides nothing about the records:
//! that is the merge's, and every device comes to the same result. Start at [`serve::run`] and
//! [`hub::Hub`].
//!
//! # What is protected
//! - **Who comes in.** A device enters with a one-time code from a dispatcher: 50 random bits, good
//!   for hours, used up by the transaction that makes the device's token. Guesses are counted for
//!   each address. A token is 256 random bits and belongs to one device; a parcel from another is
//!   refused. Codes and tokens are stored as digests only and never logged, so a stolen copy of
//!   the hub's folder opens nothing.
//! - **What they may do.** Crews and dispatchers record; an auditor's entries are refused.
//!   Dispatchers alone make codes, list devices and take access back; that counts from the next
//!   answer on, even for a parcel that is on its way. Roles, routes and revocations that a
//!   dispatcher writes in the company's logbook count at every hub that the logbook reaches; the
//!   same words from anybody else are kept as entries and obeyed by nobody.
//! - **The office's pages.** A dispatcher or an auditor signs in with such a code, too, and is let in
//!   for twelve hours by a cookie of 256 random bits, kept as a digest, that no script can read and no
//!   other site sends. Every form carries a token of its session. A decision is an entry in the name
//!   for which the code was made; an auditor decides nothing.
//! - **The pictures.** A device brings and gets only those that an entry names in a logbook that it
//!   carries. What is kept is a picture and nothing else: one that says where it was taken is refused.
//! - **The records.** An answer follows the commit. Entries are never edited or deleted, are
//!   chained by hash for each device, and are checked on every read, so what a disk or a hand
//!   changed is found and named.
//! - **The hub's own health.** Sizes, times, connections and paces are bounded; bad bytes are
//!   refused in words and the next caller is served.
//!
//! # What is not
//! - **The wire, without a certificate.** With one the hub speaks TLS. Without, whoever can read the
//!   network reads tokens and records; so the hub then listens on this machine only, unless it is
//!   told in words to open itself. Behind a program that does TLS for it, all devices count as one
//!   address where codes are guessed.
//! - **One crew from another.** A device gets the logbooks on its route, or all where a dispatcher
//!   set none; and may bring entries of other devices (tablets pass them on in the truck), also of
//!   a site that was taken off its route.
//! - **The folder.** The records in it are not encrypted. Whoever can write there is the hub.
//! - **A copied tablet** shares the token of the one it was copied from. The list of devices shows
//!   every id that wrote under one token, and taking access back takes it from all of them.
//! - **A tablet that was taken back** keeps what it holds, and another device can still bring
//!   its entries.

pub mod access;
pub mod command;
pub mod edge;
pub mod enrol;
pub mod error;
mod exchange_http;
pub mod export_file;
pub mod hub;
pub mod hub_log;
mod hub_store;
mod limiter;
mod meter;
pub mod moving;
pub mod office;
pub mod pages;
pub mod photos;
pub mod refused;
mod request_log;
mod roster;
mod routes;
pub mod secret;
pub mod serve;
pub mod tls;
pub mod value_json;

#[cfg(test)]
mod tests;
