//! Between the sketch and the earth: feet from the site's own latitude and longitude, and back.
//!
//! A site is small enough to be flat: east and north of its own place, on the sphere of equal area.
//! Half a mile away that is off by less than two feet, which the tests hold.

use super::super::fields;
use super::super::things::Site;
use crate::water::plane::Point;
use crate::water::units::{Degrees, Feet, Metres};

/// Mean radius of the earth (IUGG, from memory), m.
const EARTH_M: f64 = 6_371_008.8;

/// The place on earth of a sketch's origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Origin {
    /// North is positive.
    pub latitude: Degrees,
    /// East is positive.
    pub longitude: Degrees,
}

impl Origin {
    /// Returns the origin of a site's sketch, where the site has a latitude and a longitude.
    #[must_use]
    pub fn of(site: &Site<'_>) -> Option<Self> {
        let root = site.root();
        Some(Self {
            latitude: root.measure(&fields::site::LATITUDE).ok()?.value,
            longitude: root.measure(&fields::site::LONGITUDE).ok()?.value,
        })
    }

    /// Returns longitude and latitude of a place on the sketch, in degrees, in the order of
    /// GeoJSON (RFC 7946, 3.1.1).
    #[must_use]
    pub fn on_earth(&self, place: Point) -> [Degrees; 2] {
        let metres = |feet: Feet| Metres::from(feet).get();
        let north = (metres(place.north) / EARTH_M).to_degrees();
        let east = (metres(place.east) / self.parallel_m()).to_degrees();
        [
            Degrees::new(self.longitude.get() + east),
            Degrees::new(self.latitude.get() + north),
        ]
    }

    /// Returns the place on the sketch of a longitude and latitude.
    #[must_use]
    pub fn on_sketch(&self, [longitude, latitude]: [Degrees; 2]) -> Point {
        let north = (latitude - self.latitude).get().to_radians() * EARTH_M;
        let east = (longitude - self.longitude).get().to_radians() * self.parallel_m();
        Point {
            east: Metres::new(east).into(),
            north: Metres::new(north).into(),
        }
    }

    /// Radius of the circle of latitude.
    fn parallel_m(&self) -> f64 {
        EARTH_M * self.latitude.get().to_radians().cos()
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const ORIGIN: Origin = Origin {
        latitude: Degrees::new(42.5),
        longitude: Degrees::new(-72.6),
    };

    #[test]
    fn a_minute_of_latitude_is_a_sea_mile() {
        // 1,852 m by definition; the mean sphere has 1,853.2 m.
        let place = ORIGIN.on_sketch([ORIGIN.longitude, Degrees::new(42.5 + 1.0 / 60.0)]);
        let metres = Metres::from(place.north).get();
        assert!((metres - 1_852.0).abs() < 2.0, "{metres}");
    }

    #[test]
    fn flat_is_near_enough_for_a_site() {
        // Against the great circle, half a mile off on the diagonal.
        let place = Point::new(1_867.0, 1_867.0);
        let [longitude, latitude] = ORIGIN.on_earth(place);
        let (a, b) = (
            ORIGIN.latitude.get().to_radians(),
            latitude.get().to_radians(),
        );
        let turn = (longitude - ORIGIN.longitude).get().to_radians();
        let angle = (a.sin() * b.sin() + a.cos() * b.cos() * turn.cos()).acos();
        let far = Feet::from(Metres::new(angle * EARTH_M)).get();
        let flat = place.distance(Point::new(0.0, 0.0)).get();
        assert!((far - flat).abs() < 2.0, "{far} is not {flat}");
    }

    proptest! {
        #[test]
        fn a_place_comes_back(east in -500.0..500.0f64, north in -500.0..500.0f64) {
            let place = Point::new(east, north);
            let back = ORIGIN.on_sketch(ORIGIN.on_earth(place));
            prop_assert!(back.distance(place).get() < 1e-4);
        }
    }
}
