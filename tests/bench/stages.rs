//! Each stage of a run on its own, over the blocks of a small district: `cargo bench --bench stages`.

use blockwright::batch;
use blockwright::compliance;
use blockwright::demo;
use blockwright::engines::ENGINES;
use blockwright::geometry::buffer::{Source, certified};
use blockwright::geometry::overlay::difference;
use blockwright::geometry::repair::{RepairRule, repair_polygons};
use blockwright::landbase::Landbase;
use blockwright::layout::{self, Context};
use blockwright::model::{BlockPlan, Shape};
use blockwright::project::{self, Project};
use blockwright::sources;
use criterion::{BatchSize, Criterion};
use geo::Polygon;

const BLOCKS: usize = 20;

fn bench(criterion: &mut Criterion, project: &Project, out: &std::path::Path) {
    let mut group = criterion.benchmark_group("stages");
    group.sample_size(10);
    let read = || sources::read(project).expect("the district can be read");
    group.bench_function("read layers", |b| b.iter(read));
    let batch = read();
    let settings = layout::effective(&project.settings, &project.rules);
    let index = || Landbase::new(&batch.features, &project.rules, &settings.layout);
    group.bench_function("index features", |b| b.iter(index));
    let landbase = index();
    group.bench_function("repair outlines", |b| {
        let outlines = || -> Vec<_> {
            let blocks = batch.blocks.iter();
            blocks.map(|block| block.shape.0.clone()).collect()
        };
        let repair = |outlines: Vec<Vec<Polygon>>| -> Vec<_> {
            let outlines = outlines.into_iter();
            outlines
                .map(|outline| repair_polygons(outline, RepairRule::EvenOdd))
                .collect()
        };
        b.iter_batched(outlines, repair, BatchSize::SmallInput);
    });
    let streams: Vec<Source> = batch
        .features
        .iter()
        .filter_map(|feature| match &feature.shape {
            Shape::Lines(lines) => Some(Source::Lines(lines.clone())),
            _ => None,
        })
        .take(200)
        .collect();
    let buffers = || -> Vec<_> {
        let buffered = streams
            .iter()
            .map(|source| certified(ENGINES, source, 30.0));
        buffered
            .map(|zone| zone.expect("certified").shape)
            .collect()
    };
    group.bench_function("certified buffers of 200 lines", |b| b.iter(buffers));
    let near: Vec<_> = batch
        .blocks
        .iter()
        .map(|block| {
            let shape = block.frame.enter_polygons(&block.shape);
            let bounds = blockwright::geometry::area::Bounds::of_polygons(&shape);
            let mut zones: Vec<Polygon> = vec![];
            for near in landbase.near(&block.frame, &bounds) {
                if near.keeps_out() {
                    let zone = certified(ENGINES, &near.source, 20.0);
                    zones.extend(zone.expect("certified").shape.0);
                }
            }
            (shape, zones)
        })
        .collect();
    group.bench_function("reserves off blocks", |b| {
        b.iter(|| -> Vec<_> {
            let blocks = near.iter();
            blocks
                .map(|(shape, zones)| difference(shape, zones))
                .collect()
        });
    });
    // Slope classes would come from a layer; the raster has a stage of its own in `batch`.
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        engines: ENGINES,
        terrain: None,
    };
    let lay_out = || -> Vec<BlockPlan> {
        let plans = batch
            .blocks
            .iter()
            .map(|block| layout::lay_out(context, block));
        plans.map(|plan| plan.expect("a plan")).collect()
    };
    group.bench_function("lay out", |b| b.iter(lay_out));
    let plans = lay_out();
    group.bench_function("judge and certify", |b| {
        let judge = |mut plans: Vec<BlockPlan>| {
            for (block, plan) in batch.blocks.iter().zip(&mut plans) {
                compliance::judge(context, block, plan);
            }
            plans
        };
        b.iter_batched(|| plans.clone(), judge, BatchSize::SmallInput);
    });
    group.bench_function("whole run, one thread", |b| {
        let options = batch::Options {
            out: out.to_owned(),
            only: vec![],
            jobs: Some(1),
            progress: batch::Progress::Quiet,
            started: "2000-01-01T00:00:00Z".to_owned(),
            resume: false,
            kept: batch::Kept::default(),
            patience: None,
            plan: None,
            replaces: None,
        };
        b.iter(|| batch::run(project, &options).expect("a run"));
    });
    group.finish();
}

fn main() {
    // A test runner asks every binary for its tests: here are none. `cargo test --benches` does not name a bench either.
    let words: Vec<String> = std::env::args().collect();
    if words.iter().any(|word| word == "--list") || !words.iter().any(|word| word == "--bench") {
        return;
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let district = demo::DemoOptions {
        blocks: BLOCKS,
        seed: 7,
    };
    let report = demo::write(folder.path(), &district).expect("a district");
    let project = project::load(&report.project).expect("a project");
    let mut criterion = Criterion::default().configure_from_args();
    bench(&mut criterion, &project, &folder.path().join("out"));
    criterion.final_summary();
}
