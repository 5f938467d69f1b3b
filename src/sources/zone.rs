//! The UTM zone of a batch whose project names no CRS.

use geo::{BoundingRect, Coord};

use super::crs;
use super::errors::SourceError;
use super::layer::RawLayer;

/// UTM is defined between these latitudes.
const UTM_LATITUDES: (f64, f64) = (-80.0, 84.0);

/// The UTM zone of all blocks that have a place.
///
/// # Errors
/// As [`utm_zone`], and when a layer's CRS is unknown or leads nowhere.
pub(super) fn utm_zone_of(layers: &[RawLayer<'_>]) -> Result<String, SourceError> {
    if layers.is_empty() {
        return Err(SourceError::NoZone {
            why: "there is no layer of blocks".to_owned(),
        });
    }
    let wgs84 = crs::wgs84()?;
    let mut places = Vec::new();
    for layer in layers {
        let Some((from, _)) = layer.head.crs(None)? else {
            continue;
        };
        let transform = layer.head.transform(&from, &wgs84, "EPSG:4326")?;
        for feature in &layer.features {
            let corners: Vec<Coord> = feature.geometry.coords().collect();
            let Some(bounds) = geo::MultiPoint::from(corners).bounding_rect() else {
                continue;
            };
            let mut corners = vec![
                bounds.min(),
                bounds.max(),
                Coord {
                    x: bounds.min().x,
                    y: bounds.max().y,
                },
                Coord {
                    x: bounds.max().x,
                    y: bounds.min().y,
                },
            ];
            // A block beyond its own CRS is set aside later; it must not choose the zone.
            if transform.points(&mut corners)
                && corners
                    .iter()
                    .all(|c| c.x.abs() <= 180.0 && c.y.abs() <= 90.0)
            {
                places.push(corners);
            }
        }
    }
    utm_zone(&places)
}

/// The WGS 84 UTM zone of a batch, of the corners of its blocks in longitude and latitude: the one that holds the middle
/// of its extent, however wide it is. The exceptions of the grid around
/// Norway and Svalbard are not made.
///
/// # Errors
/// [`SourceError::NoZone`] without a place.
fn utm_zone(blocks: &[Vec<Coord>]) -> Result<String, SourceError> {
    let (mut west, mut east) = (f64::INFINITY, f64::NEG_INFINITY);
    let (mut south, mut north) = (f64::INFINITY, f64::NEG_INFINITY);
    for corner in blocks.iter().flatten() {
        (west, east) = (west.min(corner.x), east.max(corner.x));
        (south, north) = (south.min(corner.y), north.max(corner.y));
    }
    if west > east {
        return Err(SourceError::NoZone {
            why: "none of them has a place".to_owned(),
        });
    }
    if south < UTM_LATITUDES.0 || north > UTM_LATITUDES.1 {
        return Err(SourceError::NoZone {
            why: format!("they lie between latitudes {south:.3} and {north:.3}, beyond the zones"),
        });
    }
    let middle = 0.5 * (west + east);
    let zone = (((middle + 180.0) / 6.0).floor() as i64).clamp(0, 59) as u32 + 1;
    let hundred = if south + north >= 0.0 { 32600 } else { 32700 };
    Ok(format!("EPSG:{}", hundred + zone))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_zone_of_a_batch_is_that_of_its_middle() {
        let block = |x: f64, y: f64| vec![Coord { x, y }];
        assert_eq!(utm_zone(&[block(-91.0, 46.0)]).unwrap(), "EPSG:32615");
        assert_eq!(utm_zone(&[block(147.0, -42.0)]).unwrap(), "EPSG:32755");
        assert_eq!(utm_zone(&[block(180.0, 10.0)]).unwrap(), "EPSG:32660");
        let wide = [block(-91.0, 46.0), block(-101.0, 46.0), block(-78.0, 46.0)];
        assert_eq!(utm_zone(&wide).unwrap(), "EPSG:32616");
        assert!(matches!(utm_zone(&[]), Err(SourceError::NoZone { .. })));
        assert!(matches!(
            utm_zone(&[block(20.0, 86.0)]),
            Err(SourceError::NoZone { .. })
        ));
    }
}
