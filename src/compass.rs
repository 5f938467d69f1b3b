//! Where a compass points: the World Magnetic Model at a place on a day.

use chrono::{Datelike, NaiveDate};
use geo::Coord;
use world_magnetic_model::time::Date;
use world_magnetic_model::uom::si::angle::degree;
use world_magnetic_model::uom::si::f32::{Angle, Length};
use world_magnetic_model::{Error, GeomagneticField, WarningZone};

/// Magnetic declination with its doubt.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Declination {
    /// Degrees clockwise from true north.
    pub degrees: f64,
    /// One standard deviation, degrees, by the model's own error model; local iron and storms come on top.
    pub doubt_deg: f64,
}

/// The declination at a place, longitude and latitude in degrees on WGS 84, at the height of the ellipsoid: a kilometre more of
/// it turns the needle by some hundredths of a degree. None where the model's authors say that a compass is of no use, near
/// the magnetic poles, and for places that are none.
///
/// # Errors
/// The first and the last day for which the model holds, where `day` is not between them.
///
/// # Source
/// World Magnetic Model 2020 and 2025 (NOAA and British Geological Survey), through crate `world_magnetic_model`.
pub fn declination(
    place: Coord,
    day: NaiveDate,
) -> Result<Option<Declination>, (NaiveDate, NaiveDate)> {
    let angle = |degrees: f64| Angle::new::<degree>(degrees as f32);
    let height = Length::default();
    let date = date(day).ok_or_else(days)?;
    match GeomagneticField::new(height, angle(place.y), angle(place.x), date) {
        Ok(field) if field.declination_warning() == Some(WarningZone::BlackoutZone) => Ok(None),
        Ok(field) => Ok(Some(Declination {
            degrees: f64::from(field.declination().get::<degree>()),
            doubt_deg: f64::from(field.declination_uncertainty().get::<degree>()),
        })),
        Err(Error::DateOutsideOfValidityRange { .. }) => Err(days()),
        Err(_) => Ok(None),
    }
}

fn date(day: NaiveDate) -> Option<Date> {
    Date::from_ordinal_date(day.year(), u16::try_from(day.ordinal()).ok()?).ok()
}

/// The first and the last day of the model, as it says itself when it is asked for another.
fn days() -> (NaiveDate, NaiveDate) {
    let zero = (Length::default(), Angle::default(), Angle::default());
    let told = GeomagneticField::new(zero.0, zero.1, zero.2, Date::MIN);
    let day = |date: Date| {
        NaiveDate::from_yo_opt(date.year(), u32::from(date.ordinal())).unwrap_or_default()
    };
    match told {
        Err(Error::DateOutsideOfValidityRange { min_date, max_date }) => {
            (day(min_date), day(max_date))
        }
        _ => (NaiveDate::MIN, NaiveDate::MAX),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(year: i32, month: u32, day: u32, latitude: f64, longitude: f64) -> Option<Declination> {
        let day = NaiveDate::from_ymd_opt(year, month, day).unwrap();
        let place = Coord {
            x: longitude,
            y: latitude,
        };
        declination(place, day).unwrap()
    }

    /// Values that the model's authors publish with it (NCEI, `WMM2025_TEST_VALUES.txt`; read as quoted in two public test
    /// suites, not at NCEI), those for the height of the ellipsoid, to the hundredth of a degree that they give. They write 240
    /// degrees east for 120 west.
    #[test]
    fn the_published_test_values_come_out() {
        for (date, latitude, longitude, published) in [
            ((2025, 1, 1), 80.0, 0.0, 1.28),
            ((2025, 1, 1), 0.0, 120.0, -0.16),
            ((2025, 1, 1), -80.0, -120.0, 68.78),
            ((2027, 7, 2), 80.0, 0.0, 2.59),
            ((2027, 7, 2), 0.0, 120.0, -0.24),
            ((2027, 7, 2), -80.0, -120.0, 68.49),
        ] {
            let (year, month, day) = date;
            let found = at(year, month, day, latitude, longitude).unwrap();
            let off = (found.degrees - published).abs();
            assert!(off < 0.011, "{date:?} {latitude} {longitude}: {found:?}");
            assert!((0.26..1.0).contains(&found.doubt_deg), "{found:?}");
        }
    }

    #[test]
    fn beside_a_magnetic_pole_there_is_none() {
        assert_eq!(at(2026, 6, 1, 86.0, 142.0), None);
    }

    #[test]
    fn days_beyond_the_model_are_refused_with_its_days() {
        let day = NaiveDate::from_ymd_opt(2041, 2, 1).unwrap();
        let (first, last) = declination(Coord { x: 0.0, y: 50.0 }, day).unwrap_err();
        assert_eq!(last, NaiveDate::from_ymd_opt(2029, 12, 31).unwrap());
        assert!(first < NaiveDate::from_ymd_opt(2020, 1, 2).unwrap());
    }
}
