//! A block laid out with patches of forest already chosen, once or several times: corridors first, and in patches what they
//! cannot give.

use geo::{MultiPolygon, Polygon};

use super::cost::Access;
use super::ground::{self, Ground};
use super::outlets::Roads;
use super::patches::{self, Field};
use super::retention::LeastWidth;
use super::zones::Zones;
use super::{
    Context, LayoutError, boundary_pass, drawn, opening, retention, road_clearing, setting, strips,
    tiers, tree_share, write_up,
};
use crate::geometry::area::{area, polygon_area};
use crate::geometry::sound::sound;
use crate::landbase::{Crossing, NearFeature, Slopes};
use crate::model::{BlockPlan, Pattern, SourceBlock, TreesLeft, UnworkedReason};

/// A block and what lies near it, in its frame.
pub struct Site<'s> {
    pub context: Context<'s>,
    pub block: &'s SourceBlock,
    pub shape: &'s MultiPolygon,
    pub near: &'s [NearFeature<'s>],
    pub zones: &'s Zones<'s>,
    pub slopes: &'s Slopes<'s>,
    pub crossings: Vec<Crossing>,
    pub access: Access,
    pub roads: Roads,
    /// Least width of corridors of as many trees as asked, m.
    pub of_trees_m: f64,
}

/// What is left standing for the share.
#[derive(Clone, Debug, Default)]
struct Kept {
    patches: Vec<Polygon>,
    corridors: bool,
    /// Whether corridors of fewer trees than asked may stand.
    narrow: bool,
}

/// Which plans are written up.
#[derive(Clone, Copy, PartialEq)]
enum WriteUp {
    Always,
    /// Only a plan that meets its share, leaves no more ground unworked than this and keeps as much in corridors, m2.
    IfGood {
        unworked_m2: f64,
        corridors_m2: f64,
    },
}

/// A layout as far as it was followed.
struct Attempt {
    plan: Option<BlockPlan>,
    /// Less than asked is kept by this much.
    short_m2: f64,
    /// What corridors and patches have to give, and what corridors give.
    owed_m2: f64,
    corridors_m2: f64,
    /// Ground that could be worked but for being small or out of reach.
    unworked_m2: f64,
    /// Where patches may stand; none is looked for where the share is met, nor where some stand already.
    fields: Vec<Field>,
}

/// Shares are met within this.
const MET_M2: f64 = 1e-6;
/// Of patches that take ground from corridors, more is asked this often.
const TRIES: u32 = 4;
/// No more of the net area than this may become unworkable by patches; own judgement.
const UNWORKED_SHARE: f64 = 0.25;

impl Site<'_> {
    /// # Errors
    /// As [`super::lay_out`].
    pub fn lay_out(&self) -> Result<BlockPlan, LayoutError> {
        let pattern = self.block.pattern;
        let pattern = pattern.unwrap_or(self.context.settings.layout.pattern);
        // Where the share is one of trees, what of the ground must stand is known for corridors only.
        let pattern = match self.context.rules.share_trees {
            Some(_) => Pattern::Corridors,
            None => pattern,
        };
        let plain = |narrow: bool| Kept {
            patches: vec![],
            corridors: pattern != Pattern::Patches,
            narrow,
        };
        if pattern == Pattern::Corridors {
            return self.written(&plain(true));
        }
        let mut best: Option<(f64, Kept)> = None;
        // Corridors of a few trees stand worse than a patch.
        let widths: &[bool] = match pattern != Pattern::Patches && self.may_narrow() {
            true => &[false, true],
            false => &[true],
        };
        for &narrow in widths {
            if let Some(plan) = self.met(pattern, plain(narrow), &mut best)? {
                return Ok(plan);
            }
        }
        let kept = best.map_or_else(|| plain(true), |(_, kept)| kept);
        self.written(&kept)
    }

    /// Whether corridors of fewer trees than asked are narrower.
    fn may_narrow(&self) -> bool {
        self.of_trees_m > self.context.settings.layout.corridor_min_m
    }

    /// The plan that meets its share by corridors alone, or by patches too. `best` is what falls least short so far, by m2.
    fn met(
        &self,
        pattern: Pattern,
        plain: Kept,
        best: &mut Option<(f64, Kept)>,
    ) -> Result<Option<BlockPlan>, LayoutError> {
        let first = self.attempt(
            &plain,
            WriteUp::IfGood {
                unworked_m2: f64::INFINITY,
                corridors_m2: 0.0,
            },
        )?;
        let fall_short_by = |short_m2: f64, kept: &Kept, best: &mut Option<(f64, Kept)>| {
            // A patch must be worth a square metre, and a corridor narrower than asked too.
            if best
                .as_ref()
                .is_none_or(|(held_m2, _)| short_m2 < held_m2 - 1.0)
            {
                *best = Some((short_m2, kept.clone()));
            }
        };
        let (short_m2, corridors_m2) = (first.short_m2, first.corridors_m2);
        fall_short_by(short_m2, &plain, best);
        let Attempt {
            plan: None,
            owed_m2,
            unworked_m2,
            fields,
            ..
        } = first
        else {
            return Ok(first.plan);
        };
        // Corridors that give less than half are in the way of patches more than they help.
        let half_m2 = owed_m2 / 2.0;
        let with = (short_m2 + retention::ROUNDING_M2, true);
        let without = (owed_m2, false);
        let ways = match pattern {
            Pattern::Patches => vec![without],
            // Without corridors their width is nothing to be tried anew.
            _ if plain.narrow && self.may_narrow() => vec![with],
            _ if corridors_m2 >= half_m2 => vec![with, without],
            _ => vec![without, with],
        };
        let most_m2 = unworked_m2 + UNWORKED_SHARE * area(self.shape);
        let candidates = patches::candidates(self.context, self.near);
        for (mut want_m2, corridors) in ways {
            let good = WriteUp::IfGood {
                unworked_m2: most_m2,
                corridors_m2: if corridors { half_m2 } else { 0.0 },
            };
            for _ in 0..TRIES {
                let patches = patches::choose(self.context, fields.clone(), &candidates, want_m2);
                if patches.is_empty() {
                    break;
                }
                let kept = Kept {
                    patches,
                    corridors,
                    narrow: plain.narrow,
                };
                // What spoils a layout by a patch does not spoil the block.
                let Ok(attempt) = self.attempt(&kept, good) else {
                    break;
                };
                if let Some(plan) = attempt.plan {
                    return Ok(Some(plan));
                }
                if attempt.unworked_m2 <= most_m2 {
                    fall_short_by(attempt.short_m2, &kept, best);
                }
                if attempt.short_m2 <= MET_M2 {
                    break;
                }
                want_m2 += 1.1 * attempt.short_m2 + 1.0;
            }
        }
        Ok(None)
    }

    fn written(&self, kept: &Kept) -> Result<BlockPlan, LayoutError> {
        let attempt = self.attempt(kept, WriteUp::Always)?;
        attempt
            .plan
            .ok_or(LayoutError::NothingLeft { gross_ha: 0.0 })
    }

    fn attempt(&self, kept: &Kept, write_up: WriteUp) -> Result<Attempt, LayoutError> {
        let (context, block, shape, near) = (self.context, self.block, self.shape, self.near);
        let frame = &block.frame;
        let mut ground = ground::divide(
            context,
            shape,
            frame,
            self.zones.clone(),
            (self.crossings.clone(), &kept.patches),
            &self.access,
            self.slopes,
        )?;
        for crossing in &ground.crossings {
            ground.zones.list.push(crossing.zone());
        }
        let clearing = road_clearing::lay(context, &ground, near);
        let roads = &self.roads;
        let outlets = opening::open_up(context, block, &mut ground, shape, near, roads);
        let wood_goes = outlets.iter().any(|outlets| !outlets.is_empty());
        let layout = &context.settings.layout;
        // Where nobody has given a road, that there is none is not known.
        let is_asked = layout.without_access || !context.landbase.knows_access();
        if !(wood_goes || ground.parts.is_empty() || is_asked) {
            return Err(LayoutError::NoAccess {
                within_m: layout.access_search_m,
            });
        }
        let divided = drawn::divide(context, (block, shape), &ground, near, roads, outlets);
        ground.zones.findings.extend(divided.findings);
        // Lines that divide ground may touch its outline.
        let sound_each = |(part, setting): (usize, setting::Setting)| {
            let shapes = sound(setting.shape.clone(), frame).into_iter();
            shapes.map(move |shape| {
                let setting = setting::Setting {
                    shape,
                    ..setting.clone()
                };
                (part, setting)
            })
        };
        let mut settings: Vec<(usize, setting::Setting)> =
            divided.settings.into_iter().flat_map(sound_each).collect();
        if let Some(most_m) = layout.max_strip_m {
            let limits = tiers::Limits {
                most_m,
                strip_m: context.settings.machine.strip_width_m(),
                least_m2: layout.least_setting_m2,
            };
            let deep = prepare(context, block, &ground, &settings);
            let parts = settings.iter().map(|(part, _)| *part).zip(deep);
            let tiers = tiers::divide(&parts.collect::<Vec<_>>(), limits);
            settings = tiers.into_iter().flat_map(sound_each).collect();
        }
        let parts = prepare(context, block, &ground, &settings);
        let trees = tree_share::of_block(context, &ground, shape);
        let target_m2 = retention::target_m2(context.rules, &ground, trees.is_some());
        let owed_m2 = target_m2 - area(&ground.retained_bands);
        let asked_m2 = if kept.corridors { owed_m2 } else { 0.0 };
        let width = LeastWidth {
            of_trees_m: self.of_trees_m,
            narrower: kept.narrow,
        };
        let solved = match &trees {
            Some(trees) => trees.solve(context, &parts, asked_m2, width),
            None => retention::solve(context, &parts, asked_m2, width),
        };
        let corridors_m2 = solved.corridors_m2();
        let unworked_m2 = unworked_m2(&ground);
        let short_m2 = owed_m2 - corridors_m2;
        let is_good = match write_up {
            WriteUp::Always => true,
            WriteUp::IfGood {
                unworked_m2: most_m2,
                corridors_m2: least_m2,
            } => short_m2 <= MET_M2 && unworked_m2 <= most_m2 && corridors_m2 >= least_m2,
        };
        // Patches are looked for once, on ground that has none yet; where none may stand this plan is all there is.
        let is_first = kept.patches.is_empty();
        let fields = match is_good || !is_first {
            true => vec![],
            false => patches::fields(context, &ground, &parts),
        };
        let is_good = is_good || (is_first && kept.narrow && fields.iter().all(Field::is_shut));
        let plan = is_good.then(|| {
            let shape = shape.clone();
            let mut plan =
                write_up::plan(context, block, shape, &ground, &clearing, &parts, &solved);
            if let Some(trees) = &trees {
                let [left, all] = trees.left(&plan);
                plan.retention_share = left / all;
            }
            plan.trees_left = (context.rules.share_trees).map(|counted| TreesLeft {
                unit: counted.unit,
                counted: trees.map(|trees| trees.left(&plan)),
            });
            plan
        });
        Ok(Attempt {
            short_m2,
            owed_m2: owed_m2 + retention::ROUNDING_M2,
            corridors_m2,
            unworked_m2,
            fields,
            plan,
        })
    }
}

/// Settings, each with the index of its part of the net area, ready for their combs.
fn prepare<'g>(
    context: Context<'_>,
    block: &SourceBlock,
    ground: &Ground,
    settings: &'g [(usize, setting::Setting)],
) -> Vec<strips::Part<'g>> {
    let numbered = (1u32..).zip(settings);
    let parts = numbered.map(|(number, (part, setting))| {
        let before = settings[..number as usize - 1].iter();
        let before = before.filter(|(other, _)| other == part);
        let before: Vec<&Polygon> = before.map(|(_, earlier)| &earlier.shape).collect();
        let pass = boundary_pass::lay(context, ground, &before, &setting.shape);
        strips::Part::prepare(context, block, ground, setting, number, pass)
    });
    parts.collect()
}

fn unworked_m2(ground: &Ground) -> f64 {
    let lost = ground.unworked.iter().filter(|unworked| {
        matches!(
            unworked.reason,
            UnworkedReason::SmallPart | UnworkedReason::CutOff | UnworkedReason::Sliver
        )
    });
    lost.map(|unworked| polygon_area(&unworked.shape)).sum()
}
