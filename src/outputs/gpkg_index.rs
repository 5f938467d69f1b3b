//! The spatial index of one layer, packed as rows come.
//!
//! SQLite fills an R-tree row by row, searching its way down for each, which takes longer than writing the rows. Rows
//! of a layout come block by block and drive by drive, near to near, so runs of them make good leaves as they are.
//! Tables and node format are those of SQLite's R-tree module; readers notice no difference.

use std::fmt::Write;

/// Bytes of one cell: an id and four single-precision bounds.
const CELL: usize = 24;
/// Cells in one node, the most the module puts there.
const MOST_CELLS: usize = 51;
/// Bytes of one node.
pub(super) const NODE: usize = 4 + CELL * MOST_CELLS;

/// West, east, south, north; as the module keeps them, never smaller than what they bound.
type Box4 = [f32; 4];

struct Cell {
    /// Row, or node below.
    id: u64,
    bounds: Box4,
}

/// Where rows stand in one index: leaf `k` holds rows `51 k + 1` to `51 k + 51` and is node `k + 2`; the root is node 1. A
/// single leaf is the root itself: below a root of one child the module cannot delete rows.
#[derive(Default)]
pub(super) struct Packed {
    leaf: Vec<Cell>,
    leaf_no: u64,
    leaves: Vec<Cell>,
    /// Cells of the first leaf that has any.
    first: Vec<Cell>,
    /// Nodes to be written, as rows of an SQL `VALUES` list.
    sql: String,
}

fn union(cells: &[Cell]) -> Box4 {
    let mut all = [
        f32::INFINITY,
        f32::NEG_INFINITY,
        f32::INFINITY,
        f32::NEG_INFINITY,
    ];
    for Cell { bounds, .. } in cells {
        all[0] = all[0].min(bounds[0]);
        all[1] = all[1].max(bounds[1]);
        all[2] = all[2].min(bounds[2]);
        all[3] = all[3].max(bounds[3]);
    }
    all
}

/// Bounds in single precision, rounded outwards.
fn outwards([west, east, south, north]: [f64; 4]) -> Box4 {
    let down = |v: f64| {
        let near = v as f32;
        if f64::from(near) > v {
            near.next_down()
        } else {
            near
        }
    };
    let up = |v: f64| -down(-v);
    [down(west), up(east), down(south), up(north)]
}

fn node(depth: u16, cells: &[Cell]) -> Vec<u8> {
    debug_assert!(cells.len() <= MOST_CELLS);
    let mut bytes = Vec::with_capacity(NODE);
    bytes.extend(depth.to_be_bytes());
    bytes.extend((cells.len() as u16).to_be_bytes());
    for cell in cells {
        bytes.extend(cell.id.to_be_bytes());
        for bound in cell.bounds {
            bytes.extend(bound.to_be_bytes());
        }
    }
    bytes.resize(NODE, 0);
    bytes
}

impl Packed {
    /// The next row; `bounds` (west, east, south, north) None where it has no place.
    pub fn row(&mut self, fid: u64, bounds: Option<[f64; 4]>) {
        let leaf_no = (fid - 1) / MOST_CELLS as u64;
        if leaf_no != self.leaf_no {
            self.end_leaf();
            self.leaf_no = leaf_no;
        }
        if let Some(bounds) = bounds {
            let bounds = outwards(bounds);
            self.leaf.push(Cell { id: fid, bounds });
        }
    }

    fn end_leaf(&mut self) {
        if self.leaf.is_empty() {
            return;
        }
        let id = self.leaf_no + 2;
        let bounds = union(&self.leaf);
        let bytes = node(0, &self.leaf);
        self.write(id, &bytes);
        let cells = std::mem::take(&mut self.leaf);
        if self.leaves.is_empty() {
            self.first = cells;
        }
        self.leaves.push(Cell { id, bounds });
    }

    fn write(&mut self, id: u64, bytes: &[u8]) {
        let comma = if self.sql.is_empty() { "" } else { "," };
        // Writing to a string can't fail.
        let _ = write!(self.sql, "{comma}({id},X'");
        for byte in bytes {
            let digit = |half: u8| char::from(b"0123456789ABCDEF"[usize::from(half)]);
            self.sql.push(digit(byte >> 4));
            self.sql.push(digit(byte & 15));
        }
        self.sql.push_str("')");
    }

    /// Statements that write the nodes which are ready, for the index table `index`.
    pub fn ready(&mut self, index: &str) -> Option<String> {
        if self.sql.is_empty() {
            return None;
        }
        let values = std::mem::take(&mut self.sql);
        // GDAL looks a statement through for a SELECT, letter by letter: it comes before the nodes.
        Some(format!(
            "INSERT OR REPLACE INTO \"{index}_node\" SELECT * FROM (VALUES {values})"
        ))
    }

    /// Statements that end the index of rows 1 to `rows` of `layer`, after those of [`Packed::ready`].
    pub fn finish(mut self, index: &str, layer: &str, rows: u64) -> Vec<String> {
        self.end_leaf();
        if self.leaves.is_empty() {
            return vec![];
        }
        if let [only] = &self.leaves[..] {
            let below = only.id;
            let root = node(0, &self.first);
            self.write(1, &root);
            let mut statements: Vec<String> = self.ready(index).into_iter().collect();
            statements.push(format!(
                "DELETE FROM \"{index}_node\" WHERE nodeno = {below}"
            ));
            statements.push(rowids(index, layer, "1"));
            return statements;
        }
        let mut level = std::mem::take(&mut self.leaves);
        let mut next_no = (rows - 1) / MOST_CELLS as u64 + 3;
        let mut depth = 1;
        let mut parents = String::new();
        let mut adopt = |children: &[Cell], parent: u64| {
            for child in children {
                let comma = if parents.is_empty() { "" } else { "," };
                let _ = write!(parents, "{comma}({},{parent})", child.id);
            }
        };
        while level.len() > MOST_CELLS {
            let mut above = Vec::new();
            for children in level.chunks(MOST_CELLS) {
                adopt(children, next_no);
                self.write(next_no, &node(0, children));
                above.push(Cell {
                    id: next_no,
                    bounds: union(children),
                });
                next_no += 1;
            }
            level = above;
            depth += 1;
        }
        adopt(&level, 1);
        self.write(1, &node(depth, &level));
        let mut statements: Vec<String> = self.ready(index).into_iter().collect();
        statements.push(format!("INSERT INTO \"{index}_parent\" VALUES {parents}"));
        let leaf = format!("(fid - 1) / {MOST_CELLS} + 2");
        statements.push(rowids(index, layer, &leaf));
        statements
    }
}

/// A statement that says in which node each row stands.
fn rowids(index: &str, layer: &str, node: &str) -> String {
    format!(
        "INSERT INTO \"{index}_rowid\" SELECT fid, {node} FROM \"{layer}\" \
         WHERE geom NOT NULL AND NOT ST_IsEmpty(geom) ORDER BY fid"
    )
}

#[cfg(test)]
mod tests {
    use crate::outputs::gpkg::{GeoPackage, GeometryKind, Kind, LayerDef, Value};
    use gdal::Dataset;
    use gdal::spatial_ref::SpatialRef;
    use gdal::vector::{LayerAccess, sql::Dialect};
    use geo::{Coord, LineString};

    const LAYERS: &[LayerDef] = &[
        LayerDef {
            name: "many",
            geometry: GeometryKind::Line,
            fields: &[("no", Kind::Whole)],
            description: "lines",
        },
        LayerDef {
            name: "few",
            geometry: GeometryKind::Line,
            fields: &[],
            description: "lines",
        },
        LayerDef {
            name: "none",
            geometry: GeometryKind::Any,
            fields: &[],
            description: "nothing",
        },
    ];

    fn text(dataset: &Dataset, sql: &str) -> String {
        let mut rows = dataset
            .execute_sql(sql, None, Dialect::DEFAULT)
            .expect(sql)
            .expect("rows");
        let row = rows.features().next().expect("one row");
        row.field_as_string(0).expect("text").unwrap_or_default()
    }

    fn place(number: u32) -> Coord {
        let step = f64::from(number);
        Coord {
            x: 600.0 * (step * 0.37).sin() + 0.03 * step,
            y: 500.0 * (step * 0.0021).cos(),
        }
    }

    /// Rows that somebody deletes in a GIS leave a sound index behind, down to the last of few rows.
    #[test]
    fn rows_can_be_deleted() {
        let dir = tempfile::tempdir().expect("folder");
        let path = dir.path().join("edited.gpkg");
        let srs = SpatialRef::from_epsg(32616).expect("CRS");
        let mut package = GeoPackage::create(&path, &srs, LAYERS).expect("created");
        for number in 1..=200 {
            let at = place(number);
            let line = LineString(vec![at, at + Coord { x: 3.0, y: -4.0 }]);
            let wkb = crate::geometry::wkb::write_line(&line, [500_000.0, 5_400_000.0]);
            package
                .row(0, Some(&wkb), &[Value::Whole(number)])
                .expect("row");
            if number <= 3 {
                package.row(1, Some(&wkb), &[]).expect("row");
            }
        }
        package.close().expect("closed");
        let options = gdal::DatasetOptions {
            open_flags: gdal::GdalOpenFlags::GDAL_OF_UPDATE | gdal::GdalOpenFlags::GDAL_OF_VECTOR,
            ..gdal::DatasetOptions::default()
        };
        let dataset = Dataset::open_ex(&path, options).expect("opened");
        for layer in ["many", "few"] {
            for condition in ["fid = 2", "fid > 60", "fid > 0"] {
                let sql = format!("DELETE FROM {layer} WHERE {condition}");
                drop(
                    dataset
                        .execute_sql(&sql, None, Dialect::DEFAULT)
                        .expect(&sql),
                );
                let check = format!("SELECT rtreecheck('rtree_{layer}_geom')");
                assert_eq!(text(&dataset, &check), "ok", "{sql}");
            }
        }
    }

    /// Two levels above the leaves, rows without a place in between, and whole leaves of them.
    #[test]
    fn the_module_finds_no_fault_and_every_row() {
        let dir = tempfile::tempdir().expect("folder");
        let path = dir.path().join("packed.gpkg");
        let srs = SpatialRef::from_epsg(32616).expect("CRS");
        let mut package = GeoPackage::create(&path, &srs, LAYERS).expect("created");
        let has_place = |n: u32| !n.is_multiple_of(7) && !(400..600).contains(&n);
        for number in 1..=6_000 {
            let at = place(number);
            let line = LineString(vec![at, at + Coord { x: 3.0, y: -4.0 }]);
            let wkb = crate::geometry::wkb::write_line(&line, [500_000.0, 5_400_000.0]);
            let shape = has_place(number).then_some(wkb.as_slice());
            package.row(0, shape, &[Value::Whole(number)]).expect("row");
            if number <= 3 {
                package.row(1, Some(&wkb), &[]).expect("row");
            }
        }
        package.close().expect("closed");
        let dataset = Dataset::open(&path).expect("opened");
        for layer in ["many", "few", "none"] {
            let check = format!("SELECT rtreecheck('rtree_{layer}_geom')");
            assert_eq!(text(&dataset, &check), "ok", "{layer}");
            let trigger = format!(
                "SELECT count(*) FROM sqlite_master WHERE name = 'rtree_{layer}_geom_insert'"
            );
            assert_eq!(text(&dataset, &trigger), "1", "{layer}");
        }
        let depth = "SELECT hex(substr(data, 1, 2)) FROM rtree_many_geom_node WHERE nodeno = 1";
        assert_eq!(text(&dataset, depth), "0002");
        let mut layer = dataset.layer(0).expect("layer");
        for step in 0..40 {
            let low = Coord {
                x: f64::from(step) * 30.0 - 600.0,
                y: f64::from(step % 7) * 140.0 - 500.0,
            };
            let high = low + Coord { x: 80.0, y: 60.0 };
            layer.set_spatial_filter_rect(
                low.x + 500_000.0,
                low.y + 5_400_000.0,
                high.x + 500_000.0,
                high.y + 5_400_000.0,
            );
            let meets = |n: &u32| {
                let at = place(*n);
                has_place(*n)
                    && at.x <= high.x
                    && at.x + 3.0 >= low.x
                    && at.y - 4.0 <= high.y
                    && at.y >= low.y
            };
            // The filter looks at the lines themselves; the boxes of the index must hold at least those.
            let sql = format!(
                "SELECT count(*) FROM rtree_many_geom WHERE maxx >= {} AND minx <= {} AND maxy >= {} AND miny <= {}",
                low.x + 500_000.0,
                high.x + 500_000.0,
                low.y + 5_400_000.0,
                high.y + 5_400_000.0
            );
            let boxes: usize = text(&dataset, &sql).parse().expect("a count");
            let (lines, brute) = (layer.features().count(), (1..=6_000).filter(meets).count());
            assert!(lines <= brute && brute <= boxes, "{lines} {brute} {boxes}");
            // Boxes of the index are at most a step of single precision larger.
            assert!(boxes <= brute + 6, "{brute} {boxes}");
        }
    }
}
