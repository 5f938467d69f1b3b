//! Notes that a crew took in the district's first blocks, to try `layout --notes` with.

use geo::{Coord, InteriorPoint, MultiPolygon};

/// Kind, name, how far off it may be in metres, date; one for each of the first blocks, then one more for each.
const NOTES: [[(&str, &str, u32, &str); 2]; 3] = [
    [
        ("Nest", "Nest 1", 5, "2031-02-03"),
        ("Feather", "Feather 1", 5, "2031-02-03"),
    ],
    [
        ("Soft", "Soft 1", 4, "2031-02-04"),
        ("Tree", "Tree 1", 3, "2031-02-04"),
    ],
    [
        ("Wet", "Wet 1", 4, "2031-02-05"),
        ("Hazard", "Hazard 1", 8, "2031-02-05"),
    ],
];

/// The notes so far, as features of a GeoJSON file.
#[derive(Default)]
pub struct Notes {
    features: Vec<String>,
    blocks: usize,
}

impl Notes {
    /// Looks at the next block; `middle` is where the district's (0, 0) lies.
    pub fn block(&mut self, shape: &MultiPolygon, middle: [f64; 2]) {
        let notes = NOTES.get(self.blocks);
        self.blocks += 1;
        let (Some(notes), Some(inside)) = (notes, shape.interior_point()) else {
            return;
        };
        for (number, (kind, name, accuracy, date)) in (0..).zip(notes) {
            let at = inside.0
                + Coord {
                    x: 40.0 * f64::from(number),
                    y: 25.0 * f64::from(number),
                };
            self.features.push(format!(
                "{{\"type\": \"Feature\", \"properties\": {{\"name\": \"{name}\", \"kind\": \"{kind}\", \"accuracy_m\": {accuracy}, \
                 \"date\": \"{date}\"}}, \"geometry\": {{\"type\": \"Point\", \"coordinates\": [{:.1}, {:.1}]}}}}",
                at.x + middle[0],
                at.y + middle[1]
            ));
        }
    }

    /// The file's text.
    pub fn text(&self) -> String {
        format!(
            "{{\"type\": \"FeatureCollection\", \"crs\": {{\"type\": \"name\", \"properties\": {{\"name\": \
             \"urn:ogc:def:crs:EPSG::32616\"}}}}, \"features\": [\n{}\n]}}\n",
            self.features.join(",\n")
        )
    }
}
