//! The pages that the hub serves to browsers.

pub(crate) mod html;
pub(crate) mod office;
pub mod yard;
