//! Plans made by hand for the tests of outputs.
#![allow(dead_code, reason = "each test file uses its own share")]

use blockwright::model::*;
use blockwright::outputs::{Counts, CrsReport, METRES, Program, RunReport, StageTime};
use blockwright::rulebook::{BlockRules, Citation, Cited, ReadStatus, Rulebook, ShareOf};
use geo::{Area, Geometry, LineString, MultiPolygon, Point, Polygon, Rect};

pub const ORIGIN: [f64; 2] = [512_000.0, 5_480_000.0];

pub fn rect(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
    Polygon::new(
        LineString::from(vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]),
        vec![],
    )
}

pub fn multi(polygon: Polygon) -> MultiPolygon {
    MultiPolygon(vec![polygon])
}

fn zone(kind: ZoneKind, id: &str, width_m: f64, shape: Polygon) -> Zone {
    Zone {
        kept: None,
        kind,
        source_layer: "layers.gpkg:streams".to_owned(),
        source_id: id.to_owned(),
        class: "S3".to_owned(),
        rule_id: "stream-s3".to_owned(),
        width_m,
        shape: multi(shape),
    }
}

pub fn piece(strip_no: u32) -> PieceId {
    PieceId {
        part: 1,
        strip_no,
        piece: 1,
    }
}

fn empty(id: &str) -> BlockPlan {
    BlockPlan {
        id: id.to_owned(),
        portfolio: None,
        frame: GroundFrame::around(ORIGIN.into()),
        status: BlockStatus::Ok,
        shape: MultiPolygon(vec![]),
        books: Books::default(),
        retention_share: 0.0,
        share_with_left: 0.0,
        required_share: 0.12,
        trees_left: None,
        azimuth_deg: None,
        corridor_width_m: None,
        strips_count: 0,
        day_hours: None,
        night_hours: None,
        skid_hours: None,
        skid_m: None,
        time_model: "tracked-feller-buncher".to_owned(),
        utilisation: Utilisation {
            felling: 0.8,
            skidding: 0.5,
        },
        rates: Rates::default(),
        time_parts: None,
        bunches: vec![],
        scale: 0.9998,
        geodesic_m2: 0.0,
        zones: vec![],
        parts: vec![],
        strips: vec![],
        lines: vec![],
        corridors: vec![],
        retained_bands: MultiPolygon(vec![]),
        sections: vec![],
        unworked: vec![],
        trails: vec![],
        decks: vec![],
        power_lines: vec![],
        falling: Default::default(),
        windows: vec![],
        people: vec![],
        findings: vec![],
        compliance: vec![],
        rungs: RungCount::default(),
        certificate: Certificate {
            pairs: 3,
            margin_m: Some(0.013),
            ..Certificate::default()
        },
        wet: None,
        surveys: vec![],
        emergency: Default::default(),
        place: None,
        wind: None,
        keeps_names: false,
        notes: vec![],
    }
}

/// 40 m x 100 m: two strips, one corridor, one of most things.
pub fn small(id: &str) -> BlockPlan {
    let mut plan = empty(id);
    plan.status = BlockStatus::Warn;
    plan.portfolio = Some("winter".to_owned());
    plan.shape = multi(rect(0.0, 0.0, 40.0, 100.0));
    plan.books = Books {
        kept_m2: 0.0,
        gross_m2: 4000.0,
        reserve_m2: 400.0,
        net_m2: 3600.0,
        retained_m2: 200.0,
        cut_m2: 3375.0,
        unworked_m2: 25.0,
        left_m2: 0.0,
    };
    plan.retention_share = 200.0 / 3600.0;
    plan.share_with_left = plan.retention_share;
    plan.azimuth_deg = Some(0.0);
    plan.corridor_width_m = Some(4.0);
    plan.strips_count = 2;
    plan.day_hours = Some(0.5);
    plan.skid_m = Some(55.0);
    plan.skid_hours = Some(0.25);
    plan.geodesic_m2 = 4001.6;
    plan.zones = vec![
        zone(
            ZoneKind::Reserve,
            "7",
            30.0,
            rect(-60.0, 90.0, 100.0, 150.0),
        ),
        zone(
            ZoneKind::Management,
            "7",
            20.0,
            rect(-60.0, 70.0, 100.0, 90.0),
        ),
    ];
    plan.parts = vec![PartNote {
        part: 1,
        shape: multi(rect(0.0, 0.0, 40.0, 90.0)),
        azimuth_deg: 0.0,
        choice: Default::default(),
        corridor_width_m: 4.0,
        strips: 2,
        no_frontage: false,
        outlet: Some(OutletNote {
            kind: OutletKind::Road,
            name: "R-1".to_owned(),
            front: geo::MultiLineString(vec![LineString::from(vec![(0.0, 0.0), (1.0, 0.0)])]),
            capacity_m3: None,
        }),
        drawn: None,
        azimuth_from: AzimuthFrom::Cost,
        strip_lines: vec![],
    }];
    for (strip_no, x) in [(1, 0.0), (2, 22.0)] {
        let shape = rect(x, 0.0, x + 18.0, 90.0);
        plan.strips.push(Strip {
            id: piece(strip_no),
            kind: StripKind::Interior,
            gap: false,
            width_m: 16.7904,
            shape: shape.clone(),
        });
        let (from, to, heading) = if strip_no == 1 {
            (0.0, 90.0, Heading::In)
        } else {
            (90.0, 0.0, Heading::Out)
        };
        plan.lines.push(StripLine {
            id: piece(strip_no),
            kind: StripKind::Interior,
            order: strip_no,
            heading,
            shape: LineString::from(vec![(x + 9.0, from), (x + 9.0, to)]),
            cross_slope: (strip_no == 1).then_some(0.075),
            travel: None,
            travel_to_next_m: (strip_no == 1).then_some(22.0),
        });
        plan.sections.push(Section {
            id: piece(strip_no),
            section_no: 1,
            shift_class: if strip_no == 1 {
                ShiftClass::DayOnly
            } else {
                ShiftClass::NightSafe
            },
            reasons: if strip_no == 1 {
                vec![DayReason::NearBoundary, DayReason::Brush]
            } else {
                vec![]
            },
            shape: if strip_no == 1 {
                // Two pieces, one twice as large as the other.
                MultiPolygon(vec![
                    rect(x, 0.0, x + 18.0, 30.0),
                    rect(x, 30.0, x + 18.0, 90.0),
                ])
            } else {
                multi(shape)
            },
            hours: (strip_no == 1).then_some(0.3),
            trees: (strip_no == 1).then_some(90.0),
            volume_m3: (strip_no == 1).then_some(36.0),
            skid_m: Some(45.0),
            skid_hours: (strip_no == 1).then_some(0.15),
            treated: None,
            bunch_share: None,
            tree_height_m: None,
            open: Default::default(),
            windows: vec![],
        });
    }
    plan.corridors = vec![Corridor {
        part: 1,
        corridor_no: 1,
        width_m: 4.0,
        shape: rect(18.0, 45.72, 22.0, 90.0),
    }];
    plan.unworked = vec![Unworked {
        part: 1,
        reason: UnworkedReason::Sliver,
        shape: rect(18.0, 0.0, 22.0, 6.25),
    }];
    plan.findings = vec![
        Finding {
            rule_id: "retention".to_owned(),
            verdict: Verdict::Warn,
            measured: Some(0.0556),
            required: Some(0.12),
            unit: "share",
            message: "=HYPERLINK(\"x\") 5.56 % of the net area stands, 12.00 % must".to_owned(),
            source: "permit <12-B> & annex".to_owned(),
            shape: None,
        },
        Finding {
            rule_id: "road-band".to_owned(),
            verdict: Verdict::Fail,
            measured: Some(20.0),
            required: Some(30.48),
            unit: "m",
            message: "Retention stands 20.0 m from the road edge".to_owned(),
            source: "common practice".to_owned(),
            shape: Some(Geometry::Point(Point::new(20.0, 50.0))),
        },
    ];
    plan.compliance = vec![
        ComplianceRow {
            rule_id: "retention".to_owned(),
            title: "Retention share".to_owned(),
            required: Some(0.12),
            measured: Some(0.0556),
            with_map_error: None,
            unit: "share",
            status: Verdict::Warn,
            source: "=cmd|' /C calc'!A0".to_owned(),
            origin: "=permit.toml, line 7".to_owned(),
            source_status: "from memory",
        },
        ComplianceRow {
            rule_id: "lake".to_owned(),
            title: "Lakes, \"quoted\"".to_owned(),
            required: None,
            measured: None,
            with_map_error: None,
            unit: "m",
            status: Verdict::NotApplicable,
            source: String::new(),
            origin: String::new(),
            source_status: "",
        },
    ];
    plan.rungs.engine = 2;
    plan
}

/// A district-sized picture: 500 m x 420 m with one of everything a map can show. `pitch` strips across.
pub fn full(id: &str, width: f64, strips: u32) -> BlockPlan {
    let mut plan = empty(id);
    let height = 420.0;
    plan.status = BlockStatus::Fail;
    let outline = Polygon::new(
        LineString::from(vec![
            (0.0, 0.0),
            (width, 0.0),
            (width + 30.0, height * 0.6),
            (width - 40.0, height),
            (60.0, height - 20.0),
            (0.0, 0.0),
        ]),
        vec![],
    );
    plan.shape = multi(outline.clone());
    let cut = |x0: f64, y0: f64, x1: f64, y1: f64| {
        use geo::BooleanOps;
        outline.intersection(&rect(x0, y0, x1, y1)).0
    };
    let road = rect(-200.0, -12.0, width + 200.0, -4.0);
    plan.zones = vec![
        zone(
            ZoneKind::Reserve,
            "lake",
            30.0,
            rect(-100.0, 330.0, width * 0.45, 500.0),
        ),
        zone(
            ZoneKind::Management,
            "lake",
            20.0,
            rect(-100.0, 310.0, width * 0.5, 330.0),
        ),
        zone(ZoneKind::RoadClearing, "road", 8.0, road),
        zone(
            ZoneKind::RoadBand,
            "road",
            45.72,
            rect(-200.0, -58.0, width + 200.0, 41.72),
        ),
        zone(
            ZoneKind::MachineExclusion,
            "creek",
            7.0,
            rect(width * 0.7, 250.0, width * 0.9, 270.0),
        ),
        zone(
            ZoneKind::Hazard,
            "line",
            10.0,
            rect(width * 0.2, -100.0, width * 0.2 + 14.0, 600.0),
        ),
    ];
    plan.retained_bands = multi(rect(45.0, 318.0, width * 0.45, 330.0));
    plan.parts = vec![PartNote {
        part: 1,
        shape: multi(outline.clone()),
        azimuth_deg: 0.0,
        choice: Default::default(),
        corridor_width_m: 4.0,
        strips,
        no_frontage: false,
        outlet: Some(OutletNote {
            kind: OutletKind::Road,
            name: "R-1".to_owned(),
            front: geo::MultiLineString(vec![LineString::from(vec![(0.0, 0.0), (1.0, 0.0)])]),
            capacity_m3: None,
        }),
        drawn: None,
        azimuth_from: AzimuthFrom::Cost,
        strip_lines: vec![],
    }];
    let pitch = (width - 32.0) / f64::from(strips);
    let mut order = 1;
    for (index, shape) in cut(0.0, 0.0, 16.0, 318.0)
        .into_iter()
        .chain(cut(width - 16.0, 0.0, width + 50.0, height))
        .enumerate()
    {
        let id = PieceId {
            part: 1,
            strip_no: 0,
            piece: index as u32 + 1,
        };
        plan.strips.push(Strip {
            id,
            kind: StripKind::BoundaryPass,
            gap: false,
            width_m: 16.8,
            shape: shape.clone(),
        });
        let class = (ShiftClass::DayOnly, vec![DayReason::BoundaryPass]);
        plan.sections
            .push(Section::untimed(id, 1, class, multi(shape)));
    }
    plan.lines.push(StripLine {
        id: PieceId {
            part: 1,
            strip_no: 0,
            piece: 1,
        },
        kind: StripKind::BoundaryPass,
        order,
        heading: Heading::Around,
        shape: LineString::from(vec![
            (8.0, 5.0),
            (55.0, 312.0),
            (width * 0.46, 312.0),
            (width * 0.46, 405.0),
            (width - 44.0, 410.0),
            (width + 20.0, 250.0),
            (width - 6.0, 5.0),
        ]),
        cross_slope: None,
        travel: None,
        travel_to_next_m: None,
    });
    for strip_no in 1..=strips {
        let x0 = 16.0 + pitch * f64::from(strip_no - 1);
        let x1 = x0 + pitch * 0.8;
        let back = if x0 < width * 0.45 { 318.0 } else { height };
        let id = PieceId {
            part: 1,
            strip_no,
            piece: 1,
        };
        for shape in cut(x0, 0.0, x1, back) {
            plan.strips.push(Strip {
                id,
                kind: StripKind::Interior,
                gap: false,
                width_m: 16.8,
                shape,
            });
        }
        let middle = (x0 + x1) / 2.0;
        order += 1;
        let (from, to, heading) = if strip_no % 2 == 1 {
            (2.0, back - 20.0, Heading::In)
        } else {
            (back - 20.0, 2.0, Heading::Out)
        };
        plan.lines.push(StripLine {
            id,
            kind: StripKind::Interior,
            order,
            heading,
            shape: LineString::from(vec![(middle, from), (middle, to)]),
            cross_slope: None,
            travel: None,
            travel_to_next_m: Some(12.0),
        });
        let day = cut(x0, back - 60.0, x1, back);
        plan.sections.push(Section {
            id,
            section_no: 2,
            shift_class: ShiftClass::DayOnly,
            reasons: vec![DayReason::NearReserve],
            shape: MultiPolygon(day),
            hours: Some(0.2),
            trees: None,
            volume_m3: None,
            skid_m: None,
            skid_hours: None,
            treated: None,
            bunch_share: None,
            tree_height_m: None,
            open: Default::default(),
            windows: vec![],
        });
        plan.sections.push(Section {
            id,
            section_no: 1,
            shift_class: ShiftClass::NightSafe,
            reasons: vec![],
            shape: MultiPolygon(cut(x0, 0.0, x1, back - 60.0)),
            hours: Some(0.8),
            trees: None,
            volume_m3: None,
            skid_m: None,
            skid_hours: None,
            treated: None,
            bunch_share: None,
            tree_height_m: None,
            open: Default::default(),
            windows: vec![],
        });
        for (number, shape) in cut(x1, 41.72, x0 + pitch, back).into_iter().enumerate() {
            plan.corridors.push(Corridor {
                part: 1,
                corridor_no: strip_no * 10 + number as u32,
                width_m: 4.0,
                shape,
            });
        }
    }
    plan.unworked = vec![Unworked {
        part: 1,
        reason: UnworkedReason::BeyondReach,
        shape: rect(width - 70.0, 380.0, width - 45.0, 405.0),
    }];
    let shapes: [(Verdict, &str, Option<Geometry>); 4] = [
        (
            Verdict::Fail,
            "Retention stands 22.4 m from the edge of road 12, nearer than the 30.48 m that are the least",
            Some(Rect::new((200.0, 42.0), (204.0, 60.0)).into()),
        ),
        (
            Verdict::Warn,
            "Retention reaches 11.2 %, 12.0 % are required; the widest corridor is in use",
            None,
        ),
        (
            Verdict::Warn,
            "No way inside the net area was found to strip 9",
            Some(Point::new(300.0, 200.0).into()),
        ),
        (
            Verdict::Unknown,
            "Class of stream 17 is missing; the widest rule stands in",
            Some(LineString::from(vec![(width * 0.7, 260.0), (width * 0.9, 260.0)]).into()),
        ),
    ];
    for (verdict, message, shape) in shapes {
        plan.findings.push(Finding {
            rule_id: "rule".to_owned(),
            verdict,
            measured: Some(1.0),
            required: Some(2.0),
            unit: "m",
            message: message.to_owned(),
            source: "common practice".to_owned(),
            shape,
        });
    }
    plan.books = Books {
        kept_m2: 0.0,
        gross_m2: outline.unsigned_area(),
        reserve_m2: 11_000.0,
        net_m2: outline.unsigned_area() - 11_000.0,
        retained_m2: 19_000.0,
        cut_m2: outline.unsigned_area() - 30_600.0,
        unworked_m2: 600.0,
        left_m2: 0.0,
    };
    plan.retention_share = 0.112;
    plan.azimuth_deg = Some(0.0);
    plan.corridor_width_m = Some(pitch * 0.2);
    plan.strips_count = strips;
    plan.day_hours = Some(11.4);
    plan.night_hours = Some(23.0);
    plan
}

pub fn problems() -> Vec<Problem> {
    let problem = |code, id: &str, shape, set_aside| Problem {
        code,
        layer: "layers.gpkg:blocks".to_owned(),
        feature_id: id.to_owned(),
        place: Some([512_340.1, 5_481_022.7]),
        message: "ring 0 crosses itself".to_owned(),
        remedy: "redraw the ring".to_owned(),
        shape,
        set_aside,
    };
    vec![
        problem(
            ProblemCode::SelfCrossing,
            "@SUM(1)",
            Some(Shape::Polygons(multi(rect(0.0, 0.0, 2.0, 2.0)))),
            true,
        ),
        problem(
            ProblemCode::NotFinite,
            "2",
            Some(Shape::Lines(geo::MultiLineString(vec![LineString::from(
                vec![(f64::NAN, 0.0), (1.0, 1.0)],
            )]))),
            true,
        ),
        problem(ProblemCode::NullGeometry, "3", None, false),
    ]
}

pub fn report(counts: &Counts) -> RunReport {
    RunReport {
        version: 1,
        program: Program::default(),
        started: "2026-01-02T03:04:05Z".to_owned(),
        project: "Winter district".to_owned(),
        settings: Settings::default(),
        rulebook: Rulebook {
            preset: "test".to_owned(),
            title: "Test".to_owned(),
            lines: vec![],
            retention_share: Cited {
                value: 0.12,
                citation: Citation {
                    text: "permit".to_owned(),
                    status: ReadStatus::Project,
                },
                origin: "test".to_owned(),
            },
            share_of: ShareOf::Net,
            share_trees: None,
            reserves_count: false,
            left_counts: false,
            block: BlockRules::default(),
        },
        metres: METRES,
        crs: CrsReport {
            crs: "EPSG:32616".to_owned(),
            wkt: String::new(),
            scale_min: Some(0.9998),
            scale_max: Some(1.0001),
            ground_off: 2e-8,
        },
        inputs: vec![],
        layers: vec![],
        stand_table: None,
        stand_rasters: vec![],
        counts: counts.clone(),
        timings: vec![StageTime {
            stage: "read".to_owned(),
            seconds: 0.25,
        }],
        threads: 2,
        warnings: vec![],
        plan: None,
        notes: vec![],
    }
}

/// The whole plan turned about the origin of its frame, counter-clockwise.
pub fn turned(mut plan: BlockPlan, degrees: f64) -> BlockPlan {
    use geo::AffineOps;
    let turn = geo::AffineTransform::rotate(degrees, (0.0, 0.0));
    plan.shape.affine_transform_mut(&turn);
    plan.retained_bands.affine_transform_mut(&turn);
    for zone in &mut plan.zones {
        zone.shape.affine_transform_mut(&turn);
    }
    for part in &mut plan.parts {
        part.shape.affine_transform_mut(&turn);
    }
    for strip in &mut plan.strips {
        strip.shape.affine_transform_mut(&turn);
    }
    for line in &mut plan.lines {
        line.shape.affine_transform_mut(&turn);
    }
    for corridor in &mut plan.corridors {
        corridor.shape.affine_transform_mut(&turn);
    }
    for section in &mut plan.sections {
        section.shape.affine_transform_mut(&turn);
    }
    for piece in &mut plan.unworked {
        piece.shape.affine_transform_mut(&turn);
    }
    for finding in &mut plan.findings {
        if let Some(shape) = &mut finding.shape {
            shape.affine_transform_mut(&turn);
        }
    }
    plan.azimuth_deg = Some(-degrees);
    plan
}

/// 400 m x 300 m in two settings: the western one's wood goes to a road in the south, the eastern one's to a landing. Road
/// clearing comes first, then passes, then strips; the first piece of strip 1 is the one farther from the road.
pub fn two_settings(id: &str) -> BlockPlan {
    let mut plan = empty(id);
    plan.shape = multi(rect(0.0, 0.0, 400.0, 300.0));
    plan.azimuth_deg = Some(0.0);
    plan.corridor_width_m = Some(4.0);
    let part = |part, shape, kind, name: &str, front: Vec<(f64, f64)>| PartNote {
        part,
        shape,
        azimuth_deg: 0.0,
        choice: Default::default(),
        corridor_width_m: 4.0,
        strips: 2,
        no_frontage: false,
        outlet: Some(OutletNote {
            kind,
            name: name.to_owned(),
            front: geo::MultiLineString(vec![LineString::from(front)]),
            capacity_m3: None,
        }),
        drawn: None,
        azimuth_from: AzimuthFrom::Cost,
        strip_lines: vec![],
    };
    let road = vec![(0.0, 0.0), (200.0, 0.0)];
    let landing = vec![(396.0, 150.0), (396.0, 150.0)];
    plan.parts = vec![
        part(
            1,
            multi(rect(0.0, 0.0, 200.0, 300.0)),
            OutletKind::Road,
            "R-1",
            road,
        ),
        part(
            2,
            multi(rect(200.0, 0.0, 400.0, 300.0)),
            OutletKind::Landing,
            "L-1",
            landing,
        ),
    ];
    let mut order = 0;
    let mut drive = |part, strip_no, piece, kind, heading, points: Vec<(f64, f64)>| {
        order += 1;
        let id = PieceId {
            part,
            strip_no,
            piece,
        };
        plan.strips.push(Strip {
            id,
            kind,
            gap: false,
            width_m: 16.79,
            shape: rect(points[0].0 - 8.0, 1.0, points[0].0 + 8.0, 299.0),
        });
        plan.lines.push(StripLine {
            id,
            kind,
            order,
            heading,
            shape: LineString::from(points),
            cross_slope: None,
            travel: None,
            travel_to_next_m: Some(20.0),
        });
    };
    use StripKind::{BoundaryPass, Interior, RoadClearing};
    let (inward, out, around) = (Heading::In, Heading::Out, Heading::Around);
    drive(
        0,
        0,
        1,
        RoadClearing,
        around,
        vec![(150.0, 4.0), (10.0, 4.0)],
    );
    drive(
        1,
        0,
        1,
        BoundaryPass,
        around,
        vec![(8.0, 10.0), (8.0, 150.0)],
    );
    drive(
        1,
        0,
        2,
        BoundaryPass,
        around,
        vec![(8.0, 150.0), (8.0, 290.0)],
    );
    drive(1, 1, 2, Interior, inward, vec![(40.0, 10.0), (40.0, 120.0)]);
    drive(
        1,
        1,
        1,
        Interior,
        inward,
        vec![(40.0, 140.0), (40.0, 280.0)],
    );
    drive(1, 2, 1, Interior, out, vec![(90.0, 280.0), (90.0, 10.0)]);
    drive(
        2,
        0,
        1,
        BoundaryPass,
        around,
        vec![(390.0, 290.0), (210.0, 290.0)],
    );
    drive(
        2,
        1,
        1,
        Interior,
        inward,
        vec![(380.0, 120.0), (220.0, 120.0)],
    );
    let trail = |part, loads, points: Vec<(f64, f64)>| SkidTrail {
        part,
        loads,
        shape: LineString::from(points),
    };
    plan.trails = vec![
        trail(1, 30.0, vec![(40.0, 200.0), (60.0, 0.0)]),
        trail(1, 2.0, vec![(90.0, 200.0), (90.0, 150.0)]),
    ];
    plan.decks = vec![Deck {
        part: 1,
        volume_m3: 320.0,
        length_m: 40.0,
        place: [60.0, 0.0],
    }];
    plan
}
