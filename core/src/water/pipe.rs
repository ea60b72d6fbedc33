//! Pipe as it is sold: what is inside a nominal size, and how smooth it is.
//!
//! ```
//! use headwalk_core::water::pipe::{NominalSize, PipeClass, inside_diameter};
//!
//! let inside = inside_diameter(PipeClass::Class200, NominalSize::One).map(|inside| inside.get());
//! assert_eq!(inside, Some(1.189));
//! ```
//!
//! # Sources
//! ASTM D1785 (schedule 40) and D2241 (class 200, SDR 21) for diameters. Roughness is from memory
//! of design handbooks. Checks: `fixtures/tables/hydraulics_pipes.csv`.

use super::units::{HazenWilliams, Inches};

/// A pipe standard with its wall.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PipeClass {
    /// PVC schedule 40, ASTM D1785.
    Schedule40,
    /// PVC class 200, SDR 21, ASTM D2241.
    Class200,
}

/// A nominal pipe size; the inside is 5 to 25 % off what the name says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum NominalSize {
    /// 1/2 in.
    Half,
    /// 3/4 in.
    ThreeQuarter,
    /// 1 in.
    One,
    /// 1-1/4 in.
    OneAndQuarter,
    /// 1-1/2 in.
    OneAndHalf,
    /// 2 in.
    Two,
    /// 2-1/2 in.
    TwoAndHalf,
    /// 3 in.
    Three,
    /// 4 in.
    Four,
}

impl NominalSize {
    /// Every size with the words for it, smallest first.
    const WORDS: [(&'static str, Self); 9] = [
        ("1/2", Self::Half),
        ("3/4", Self::ThreeQuarter),
        ("1", Self::One),
        ("1-1/4", Self::OneAndQuarter),
        ("1-1/2", Self::OneAndHalf),
        ("2", Self::Two),
        ("2-1/2", Self::TwoAndHalf),
        ("3", Self::Three),
        ("4", Self::Four),
    ];

    /// Returns the size that words name: `3/4`, `1-1/4`, `1-1/4-in`, `2 in`.
    #[must_use]
    pub fn of_words(words: &str) -> Option<Self> {
        let plain = words
            .trim()
            .trim_end_matches("in")
            .trim_end_matches([' ', '-']);
        let known = Self::WORDS.iter().find(|(word, _)| *word == plain);
        known.map(|(_, size)| *size)
    }

    /// Returns the size whose nominal inches these are; none between sizes.
    #[must_use]
    pub fn of_inches(nominal: Inches) -> Option<Self> {
        let inches = [0.5, 0.75, 1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0];
        let sizes = inches.iter().zip(Self::WORDS);
        let near = |inches: f64| (inches - nominal.get()).abs() < 0.01;
        sizes
            .into_iter()
            .find(|(inches, _)| near(**inches))
            .map(|(_, (_, size))| size)
    }
}

/// Returns a pipe's inside diameter: outside less twice the least wall; none where the standard has
/// no such pipe.
#[must_use]
pub const fn inside_diameter(class: PipeClass, size: NominalSize) -> Option<Inches> {
    let (schedule_40, class_200) = match size {
        NominalSize::Half => (0.622, None),
        NominalSize::ThreeQuarter => (0.824, Some(0.930)),
        NominalSize::One => (1.049, Some(1.189)),
        NominalSize::OneAndQuarter => (1.380, Some(1.502)),
        NominalSize::OneAndHalf => (1.610, Some(1.720)),
        NominalSize::Two => (2.067, Some(2.149)),
        NominalSize::TwoAndHalf => (2.469, Some(2.601)),
        NominalSize::Three => (3.068, Some(3.166)),
        NominalSize::Four => (4.026, Some(4.072)),
    };
    match (class, class_200) {
        (PipeClass::Schedule40, _) => Some(Inches::new(schedule_40)),
        (PipeClass::Class200, Some(inside)) => Some(Inches::new(inside)),
        (PipeClass::Class200, None) => None,
    }
}

/// Returns Hazen-Williams C for a kind of pipe; from memory of design handbooks.
#[must_use]
pub const fn roughness(material: Material) -> HazenWilliams {
    HazenWilliams::new(match material {
        Material::Pvc => 150.0,
        Material::Polyethylene | Material::Copper | Material::DuctileIronLined => 140.0,
        Material::NewSteel => 130.0,
        Material::Galvanised => 120.0,
        Material::OldSteel => 100.0,
    })
}

/// What a pipe is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Material {
    /// Rigid plastic.
    Pvc,
    /// Flexible plastic.
    Polyethylene,
    /// Copper.
    Copper,
    /// Cement-lined ductile iron.
    DuctileIronLined,
    /// New steel; published from 120 to 140.
    NewSteel,
    /// Galvanised steel.
    Galvanised,
    /// Old steel.
    OldSteel,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::{hydraulics::flow_at_velocity, tables::rows, units::FeetPerSecond};

    #[test]
    fn pipes_carry_the_published_flow_at_five_feet_a_second() {
        let sizes = [
            NominalSize::Half,
            NominalSize::ThreeQuarter,
            NominalSize::One,
            NominalSize::OneAndQuarter,
            NominalSize::OneAndHalf,
            NominalSize::Two,
            NominalSize::TwoAndHalf,
            NominalSize::Three,
            NominalSize::Four,
        ];
        for (row, size) in rows("hydraulics_pipes.csv").iter().zip(sizes) {
            for (class, column) in [
                (PipeClass::Schedule40, "schedule_40"),
                (PipeClass::Class200, "class_200"),
            ] {
                let Some(inside) = inside_diameter(class, size) else {
                    assert_eq!(row.text(&format!("{column}_in")), "");
                    continue;
                };
                row.close(&format!("{column}_in"), inside.get());
                let flow = flow_at_velocity(inside, FeetPerSecond::new(5.0)).unwrap();
                row.close(&format!("{column}_gpm"), flow.get());
            }
        }
    }

    #[test]
    fn sizes_are_read_as_crews_write_them() {
        for words in ["1-1/4", "1-1/4-in", " 1-1/4 in"] {
            assert_eq!(
                NominalSize::of_words(words),
                Some(NominalSize::OneAndQuarter)
            );
        }
        assert_eq!(NominalSize::of_words("1.3"), None);
        assert_eq!(
            NominalSize::of_inches(Inches::new(0.75)),
            Some(NominalSize::ThreeQuarter)
        );
        assert_eq!(NominalSize::of_inches(Inches::new(0.8)), None);
    }

    #[test]
    fn older_pipe_is_rougher() {
        // From memory of handbooks: guards against drift only.
        let c = |material| roughness(material).get();
        assert_eq!(
            [Material::Pvc, Material::Polyethylene, Material::Copper].map(c),
            [150.0, 140.0, 140.0]
        );
        let iron = [
            Material::DuctileIronLined,
            Material::NewSteel,
            Material::Galvanised,
            Material::OldSteel,
        ];
        assert_eq!(iron.map(c), [140.0, 130.0, 120.0, 100.0]);
    }
}
