//! The core of a layout on its own, to be measured beside a peer (scripts/peer): certified reserves by class, net area,
//! road band, strips and corridors at a given azimuth and pitch, and their areas.
//!
//! `cargo bench --bench core -- PROJECT [--threads N] [--rounds N] [--areas FILE] [--export FILE]` reads a project once and
//! does the job `--rounds` times. `--export` writes the same input for the peer, each feature with the distance that its
//! rule asks for, so that the peer needs no rulebook.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::Instant;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, area, polygon_area};
use blockwright::geometry::buffer::certified;
use blockwright::geometry::distance::SegmentIndex;
use blockwright::geometry::overlay::{difference, intersection};
use blockwright::geometry::sweep::{Slab, clip_slabs};
use blockwright::geometry::wkb;
use blockwright::landbase::{Landbase, NearFeature};
use blockwright::layout;
use blockwright::model::{LayerKind, Settings, Shape, SourceBlock};
use blockwright::project;
use blockwright::sources;
use gdal::DriverManager;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{
    Defn, Feature, Geometry, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType,
};
use geo::Polygon;
use rayon::prelude::*;

/// Width of a corridor; a strip is as wide as the machine's.
const CORRIDOR_M: f64 = 4.0;

struct Options {
    project: PathBuf,
    threads: usize,
    rounds: usize,
    areas: Option<PathBuf>,
    export: Option<PathBuf>,
}

fn options() -> Result<Options, String> {
    let mut found = Options {
        project: PathBuf::new(),
        threads: 1,
        rounds: 1,
        areas: None,
        export: None,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or(format!("{word} needs a value"));
        match word.as_str() {
            // What `cargo bench` adds.
            "--bench" => {}
            "--threads" => found.threads = value()?.parse().map_err(|e| format!("{word}: {e}"))?,
            "--rounds" => found.rounds = value()?.parse().map_err(|e| format!("{word}: {e}"))?,
            "--areas" => found.areas = Some(value()?.into()),
            "--export" => found.export = Some(value()?.into()),
            _ if word.starts_with('-') => return Err(format!("unknown option {word}")),
            _ => found.project = word.into(),
        }
    }
    Ok(found)
}

/// Net, road band, strips, corridors; m2.
type Areas = [f64; 4];

/// From a feature's edge to the edge of its reserve, or of the road band; None: it asks for nothing.
fn distance_m(near: &NearFeature<'_>, settings: &Settings) -> Option<f64> {
    let half_m = near.demand.half_m;
    match near.feature.kind {
        _ if near.keeps_out() => Some(half_m + near.demand.widest().reserve_m),
        LayerKind::Roads => Some(half_m + settings.layout.road_band_m),
        _ => None,
    }
}

fn core(landbase: &Landbase<'_>, settings: &Settings, block: &SourceBlock) -> Areas {
    let shape = block.frame.enter_polygons(&block.shape);
    let bounds = Bounds::of_polygons(&shape);
    let outline = SegmentIndex::of_boundary(&shape);
    let (mut reserve, mut band): (Vec<Polygon>, Vec<Polygon>) = (vec![], vec![]);
    for near in landbase.near(&block.frame, &bounds) {
        let Some(width_m) = distance_m(&near, settings) else {
            continue;
        };
        let touches = near.source.segments(0).iter().any(|s| {
            outline.approach(s.a, s.b, width_m + 0.01).is_some()
                || blockwright::geometry::distance::inside(s.a, &shape)
        }) || shape
            .iter()
            .any(|piece| near.source.contains(piece.exterior().0[0]));
        if !touches {
            continue;
        }
        let zone = certified(ENGINES, &near.source, width_m)
            .expect("a certified buffer")
            .shape;
        if near.keeps_out() {
            reserve.extend(zone.0);
        } else {
            band.extend(zone.0);
        }
    }
    let net = difference(&shape, &reserve);
    let in_band = intersection(&net, &band);
    let free = difference(&net, &band);
    let strip_m = settings.machine.strip_width_m();
    let slabs = |from: f64, width_m: f64| -> Vec<Slab> {
        (0..)
            .map(|k| from + f64::from(k) * (strip_m + CORRIDOR_M))
            .take_while(|low| *low < bounds.max.x)
            .map(|low| Slab {
                low,
                high: low + width_m,
            })
            .collect()
    };
    let sum = |pieces: Vec<(usize, Polygon)>| -> f64 {
        pieces
            .iter()
            .map(|(_, piece)| polygon_area(piece))
            .sum::<f64>()
            + 0.0
    };
    let strips = clip_slabs(&net, &slabs(bounds.min.x, strip_m));
    let corridors = clip_slabs(&free, &slabs(bounds.min.x + strip_m, CORRIDOR_M));
    [area(&net), area(&in_band), sum(strips), sum(corridors)]
}

fn export(
    path: &PathBuf,
    batch: &sources::Batch,
    landbase: &Landbase<'_>,
    settings: &Settings,
) -> gdal::errors::Result<()> {
    let srs = SpatialRef::from_wkt(&batch.crs_wkt)?;
    let mut data = DriverManager::get_driver_by_name("GPKG")?.create_vector_only(path)?;
    let options = |name| LayerOptions {
        name,
        srs: Some(&srs),
        ty: OGRwkbGeometryType::wkbUnknown,
        options: None,
    };
    for name in ["blocks", "keep_out", "roads"] {
        let layer = data.create_layer(options(name))?;
        layer.create_defn_fields(&[
            ("id", OGRFieldType::OFTString),
            ("distance_m", OGRFieldType::OFTReal),
        ])?;
    }
    let transaction = data.start_transaction()?;
    let add = |name: &str, id: &str, distance_m: f64, bytes: &[u8]| -> gdal::errors::Result<()> {
        let layer = transaction.layer_by_name(name)?;
        let definition = Defn::from_layer(&layer);
        let mut feature = Feature::new(&definition)?;
        feature.set_geometry(Geometry::from_wkb(bytes)?)?;
        feature.set_field_string(0, id)?;
        feature.set_field_double(1, distance_m)?;
        feature.create(&layer)
    };
    for block in &batch.blocks {
        add(
            "blocks",
            &block.id,
            0.0,
            &wkb::write_multi_polygon(&block.shape, [0.0; 2]),
        )?;
    }
    for (index, feature) in batch.features.iter().enumerate() {
        let near = NearFeature {
            feature,
            demand: landbase.demand(index as u32),
            source: blockwright::geometry::buffer::Source::Points(vec![]),
            stretches: vec![],
            slope_unknown: None,
        };
        let Some(width_m) = distance_m(&near, settings) else {
            continue;
        };
        let bytes = match &feature.shape {
            Shape::Points(points) => {
                wkb::write(&geo::Geometry::MultiPoint(points.clone()), [0.0; 2])
            }
            Shape::Lines(lines) => wkb::write_multi_line(lines, [0.0; 2]),
            Shape::Polygons(polygons) => wkb::write_multi_polygon(polygons, [0.0; 2]),
        };
        let layer = if near.keeps_out() {
            "keep_out"
        } else {
            "roads"
        };
        add(layer, &feature.id, width_m, &bytes)?;
    }
    transaction.commit()
}

/// Peak of resident memory, MiB; Linux only.
fn peak_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}

fn main() {
    // A test runner asks every binary for its tests: here are none.
    if std::env::args().any(|word| word == "--list") {
        return;
    }
    let options = match options() {
        Ok(options) if options.project.as_os_str().is_empty() => {
            // `cargo test --benches` and the like name no project.
            println!("skipped: no project named");
            return;
        }
        Ok(options) => options,
        Err(error) => {
            eprintln!("error: {error}");
            std::process::exit(2);
        }
    };
    let begun = Instant::now();
    let project = project::load(&options.project).unwrap_or_else(|error| panic!("{error}"));
    let batch = sources::read(&project).unwrap_or_else(|error| panic!("{error}"));
    let read_s = begun.elapsed().as_secs_f64();
    let settings = layout::effective(&project.settings, &project.rules);
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout);
    if let Some(path) = &options.export {
        export(path, &batch, &landbase, &settings).unwrap_or_else(|error| panic!("{error}"));
    }
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(options.threads)
        .build()
        .unwrap_or_else(|error| panic!("{error}"));
    let mut areas: Vec<Areas> = vec![];
    for round in 0..options.rounds {
        let begun = Instant::now();
        let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout);
        areas = pool.install(|| {
            let blocks = batch.blocks.par_iter();
            blocks
                .map(|block| core(&landbase, &settings, block))
                .collect()
        });
        let core_s = begun.elapsed().as_secs_f64();
        println!(
            "core round={round} threads={} blocks={} read_s={read_s:.3} core_s={core_s:.3} peak_mib={:.1}",
            options.threads,
            areas.len(),
            peak_mib().unwrap_or(f64::NAN)
        );
    }
    if let Some(path) = &options.areas {
        let mut text = String::from("id,net,band,strips,corridors\n");
        for (block, [net, band, strips, corridors]) in batch.blocks.iter().zip(&areas) {
            // Writing to a String cannot fail.
            let _ = writeln!(
                text,
                "{},{net:.4},{band:.4},{strips:.4},{corridors:.4}",
                block.id
            );
        }
        std::fs::write(path, text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    }
}
