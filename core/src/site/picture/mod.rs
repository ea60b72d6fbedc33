//! Pictures of a plan as SVG: one file each, no script, no font or image from elsewhere, legible in
//! black and white. They print a plan's figures and reckon nothing of their own.

mod bars;
mod season;
mod svg;

pub use bars::zone_bars;
pub use season::season_chart;
pub(in crate::site) use svg::step as axis_step;
