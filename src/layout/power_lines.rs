//! Power lines in and around a block: their zones, and what there is to say of them.

use geo::{Coord, Geometry, InteriorPoint, MultiPoint, MultiPolygon, Point};

use super::zones::{Outline, Zones};
use super::{Context, LayoutError};
use crate::geometry::area::area;
use crate::geometry::buffer::Source;
use crate::geometry::within::within;
use crate::landbase::{
    Crossing, Limit, NearFeature, POWER_LINES_SOURCE, PowerLine, TreesFrom, closed_crossings,
};
use crate::model::*;
use crate::rulebook::{POWER_LINE_BELT as BELT_RULE, POWER_LINE_LIMIT as LIMIT_RULE};
use crate::units::hectares;

/// Less ground is the overlay's dust.
const DUST_M2: f64 = 1.0;

impl<'n> Zones<'n> {
    /// The reserve of a power line is its belt, or its limit of approach where the owner agreed; the limit shows in any case, and
    /// what lies near is worked by day only.
    pub(super) fn power_line(
        &mut self,
        context: Context<'_>,
        outline: &Outline,
        near: &'n NearFeature<'n>,
    ) -> Result<(), LayoutError> {
        let Some(line) = near.demand.power_line else {
            return Ok(());
        };
        let half_m = near.demand.half_m;
        let day_m = line.belt_m().max(context.settings.layout.hazard_distance_m);
        let aside_m = context.settings.machine.half_strip_m();
        if !outline.within(&near.source, half_m + day_m.max(line.belt_m() + aside_m)) {
            self.stand_aside(near);
            return Ok(());
        }
        let day = self.buffer(context, near, &near.source, half_m + day_m)?;
        self.record(near, ZoneKind::Hazard, day_m, day.clone());
        self.hazard.extend(day.0);
        let limit = self.buffer(context, near, &near.source, half_m + line.limit_m)?;
        self.record_as(
            LIMIT_RULE.to_owned(),
            near,
            ZoneKind::LimitOfApproach,
            line.limit_m,
            limit,
        );
        self.ruled(context, near, true)
    }
}

/// What there is to tell of the power lines near a block, in the order they were read.
pub(super) fn notes(
    context: Context<'_>,
    block: &MultiPolygon,
    near: &[NearFeature],
    over: &[Crossing],
) -> Vec<PowerLineNote> {
    let lines = near
        .iter()
        .filter_map(|own| Some((own, own.demand.power_line?)));
    lines
        .map(|(own, line)| note(context, block, (own, line), over))
        .collect()
}

fn note(
    context: Context<'_>,
    block: &MultiPolygon,
    (near, line): (&NearFeature, PowerLine),
    over: &[Crossing],
) -> PowerLineNote {
    let feature = near.feature;
    let facts = &feature.facts;
    let voltage_kv = facts.number(Facts::VOLTAGE_KV);
    let inside = |width_m: f64| within(block, &near.source, near.demand.half_m + width_m);
    let belt = inside(line.belt_m());
    let beneath = over.iter().filter(|own| own.beneath.contains(&feature.id));
    PowerLineNote {
        source_layer: feature.source_layer.clone(),
        id: feature.id.clone(),
        kind: facts.text(Facts::LINE_KIND).unwrap_or_default().to_owned(),
        voltage_kv,
        voltage_text: (voltage_kv.is_none())
            .then(|| facts.text(Facts::VOLTAGE_TEXT).map(str::to_owned))
            .flatten(),
        wire_height_m: facts.number(Facts::WIRE_HEIGHT),
        limit_m: line.limit_m,
        limit_from: match line.limit {
            Limit::Rule => "rule",
            Limit::Owner => "owner",
            Limit::Widest | Limit::OwnerUnread => "widest",
            Limit::BeyondRules => "beyond_rules",
        },
        limit_source: near.limit_source(),
        trees_m: line.trees_m,
        trees_from: line.trees.key(),
        trees_source: near.trees_source(&context.settings.layout),
        belt_m: line.belt_m(),
        agreed: line.agreed,
        agreed_source: near.agreed_source().unwrap_or_default().to_owned(),
        limit_m2: area(&inside(line.limit_m)),
        belt_m2: area(&belt),
        place: belt.interior_point().map(|at| [at.x(), at.y()]),
        crossings: beneath.map(|own| own.id.clone()).collect(),
        shape: shape(&near.source),
    }
}

fn shape(source: &Source) -> Geometry {
    match source {
        Source::Points(points) => {
            Geometry::MultiPoint(MultiPoint(points.iter().map(|&at| Point(at)).collect()))
        }
        Source::Lines(lines) => Geometry::MultiLineString(lines.clone()),
        Source::Polygons(polygons) => Geometry::MultiPolygon(polygons.clone()),
    }
}

struct Teller<'t> {
    findings: Vec<Finding>,
    note: &'t PowerLineNote,
    place: Option<Geometry>,
}

impl Teller<'_> {
    fn say(
        &mut self,
        rule_id: &str,
        verdict: Verdict,
        figures: (Option<f64>, Option<f64>, &'static str),
        text: &str,
    ) {
        let (measured, required, unit) = figures;
        let note = self.note;
        self.findings.push(Finding {
            rule_id: rule_id.to_owned(),
            verdict,
            measured,
            required,
            unit,
            message: format!("power line {}{}: {text}", note.id, note.named()),
            source: note.limit_source.clone(),
            shape: self.place.clone(),
        });
    }
}

/// What is left because of power lines, and what nobody knows of them, for lines whose belt reaches into the block.
pub(super) fn findings(
    context: Context<'_>,
    near: &[NearFeature],
    notes: &[PowerLineNote],
    over: &[Crossing],
) -> Vec<Finding> {
    let lines = near
        .iter()
        .filter_map(|own| Some((own, own.demand.power_line?)));
    let mut findings = Vec::new();
    for ((own, line), note) in lines.zip(notes) {
        if note.belt_m2 > DUST_M2 {
            let mut teller = Teller {
                findings: vec![],
                note,
                place: note.place.map(|[x, y]| Geometry::Point(Point::new(x, y))),
            };
            teller.say_ground();
            teller.say_doubts(own, line);
            findings.extend(teller.findings);
        }
        let mut teller = Teller {
            findings: vec![],
            note,
            place: None,
        };
        teller.say_crossings(over);
        teller.say_landings(own, line, near);
        findings.extend(teller.findings);
    }
    let width_m = context.settings.layout.crossing_width_m;
    findings.extend(closed_crossings(near, width_m).iter().map(closed));
    findings
}

impl Teller<'_> {
    fn say_ground(&mut self) {
        let note = self.note;
        let ha = hectares(note.belt_m2);
        let belt = format!(
            "within {:.1} m of it (the limit of approach, {:.1} m, and trees of {:.1} m)",
            note.belt_m, note.limit_m, note.trees_m
        );
        let text = match note.agreed {
            false => format!(
                "{ha:.2} ha {belt} is left standing: a tree there could fall into the limit, and nobody says that the owner agreed"
            ),
            true => format!(
                "{ha:.2} ha {belt} is cut by day only: the owner agreed ({}); {:.2} ha within the limit is neither cut nor driven",
                note.agreed_source,
                hectares(note.limit_m2)
            ),
        };
        self.say(
            BELT_RULE,
            Verdict::NotApplicable,
            (Some(ha), None, "ha"),
            &text,
        );
    }

    fn say_doubts(&mut self, near: &NearFeature, line: PowerLine) {
        let facts = &near.feature.facts;
        let limit_m = line.limit_m;
        let m = (None, Some(limit_m), "m");
        match line.limit {
            Limit::Rule | Limit::Owner => {}
            Limit::Widest => {
                let said = match (&self.note.voltage_text, self.note.voltage_kv) {
                    (Some(text), _) => format!("its voltage, `{text}`, was not understood"),
                    (None, Some(kv)) => format!("no rule speaks of {kv} kV"),
                    (None, None) => "its voltage is not known".to_owned(),
                };
                let text = format!(
                    "{said}; the widest limit of approach, {limit_m:.1} m, stands in: ask the owner"
                );
                self.say(LIMIT_RULE, Verdict::Unknown, m, &text);
            }
            Limit::BeyondRules => {
                let text = format!(
                    "no rule speaks of so high a voltage; {limit_m:.1} m stands in: ask the owner and state `owner_distance`"
                );
                self.say(LIMIT_RULE, Verdict::Unknown, m, &text);
            }
            Limit::OwnerUnread => {
                let text =
                    format!("the owner's distance was not understood; {limit_m:.1} m stands in");
                self.say(LIMIT_RULE, Verdict::Unknown, m, &text);
            }
        }
        if let (Some(owner_m), false) = (
            facts.number(Facts::OWNER_DISTANCE),
            line.limit == Limit::Owner,
        ) {
            let text = format!(
                "the owner's distance, {owner_m} m, is less than the rule's {limit_m:.1} m and names no source: it is not used"
            );
            self.say(
                LIMIT_RULE,
                Verdict::Warn,
                (Some(owner_m), Some(limit_m), "m"),
                &text,
            );
        }
        if line.trees == TreesFrom::Unknown {
            let text = format!(
                "nobody says how tall the trees beside it are; {:.0} m stands in: give stands a `tree_height`, or state it under [layout]",
                line.trees_m
            );
            self.say(
                BELT_RULE,
                Verdict::Unknown,
                (None, Some(line.belt_m()), "m"),
                &text,
            );
        }
        if near.said_agreed() && !line.agreed {
            let text = "that its owner agreed counts only with its source: state `agreed_source`";
            self.say(BELT_RULE, Verdict::Warn, (None, None, "m"), text);
        }
    }

    fn say_crossings(&mut self, over: &[Crossing]) {
        let note = self.note;
        let beneath = over.iter().filter(|own| own.beneath.contains(&note.id));
        for own in beneath {
            let (verdict, height) = match note.wire_height_m {
                Some(height_m) => (
                    Verdict::Warn,
                    format!("the lowest wire hangs {height_m:.1} m over the ground as mapped"),
                ),
                None => (
                    Verdict::Unknown,
                    "nobody says how high its wires hang".to_owned(),
                ),
            };
            let text = format!(
                "machines pass beneath it at crossing {}: {height}; whoever passes keeps every part, with boom and load lowered, \
                 {:.1} m from the wires, which hang lower in heat, ice and wind, and asks the owner first",
                own.id, note.limit_m
            );
            self.place = own.line.0.first().map(|&at| Geometry::Point(Point(at)));
            self.say(
                "power-line-crossing",
                verdict,
                (note.wire_height_m, Some(note.limit_m), "m"),
                &text,
            );
        }
    }

    /// Landings on which wood would be piled and loaded beside the wires.
    fn say_landings(&mut self, line_near: &NearFeature, line: PowerLine, near: &[NearFeature]) {
        let index = line_near.source.index();
        let landings = near
            .iter()
            .filter(|own| own.feature.kind == LayerKind::Landings);
        for own in landings {
            let half_m = line_near.demand.half_m;
            let within_m = half_m + line.limit_m + line.machine_m;
            let edges = own.source.segments(0);
            let approaches = edges
                .iter()
                .filter_map(|s| index.approach(s.a, s.b, within_m));
            let nearest_m = approaches
                .map(|approach| approach.distance - half_m)
                .reduce(f64::min);
            let Some(nearest_m) = nearest_m else { continue };
            let middle: Coord = own.source.bounds().middle();
            self.place = Some(Geometry::Point(Point(middle)));
            let text = format!(
                "landing {} lies {:.1} m from it: no machine and no load may come within {:.1} m",
                own.feature.id,
                nearest_m.max(0.0),
                line.limit_m
            );
            let figures = (Some(nearest_m.max(0.0)), Some(line.limit_m), "m");
            self.say("power-line-landing", Verdict::Fail, figures, &text);
        }
    }
}

fn closed(own: &Crossing) -> Finding {
    Finding {
        rule_id: "power-line-crossing".to_owned(),
        verdict: Verdict::Warn,
        measured: None,
        required: None,
        unit: "m",
        message: format!(
            "crossing {} comes near power line {} and does not say that machines may pass beneath it: it is not used; class \
             `{BENEATH_LINE}` would say so",
            own.id,
            own.beneath.join(", ")
        ),
        source: POWER_LINES_SOURCE.to_owned(),
        shape: own.line.0.first().map(|&at| Geometry::Point(Point(at))),
    }
}

/// What to say where a power line is mapped as a plain hazard: it is kept off by daylight alone.
pub(super) fn among_hazards(near: &NearFeature) -> Option<Finding> {
    let class = near
        .feature
        .class
        .as_deref()
        .filter(|class| names_power_line(class))?;
    Some(Finding {
        rule_id: "power-line-role".to_owned(),
        verdict: Verdict::Unknown,
        measured: None,
        required: None,
        unit: "m",
        message: format!(
            "{}, feature {}: a hazard of class `{class}` gets daylight and no limit of approach; give it to role `power_lines` with its \
             voltage",
            near.feature.source_layer, near.feature.id
        ),
        source: POWER_LINES_SOURCE.to_owned(),
        shape: Some(shape(&near.source)),
    })
}
