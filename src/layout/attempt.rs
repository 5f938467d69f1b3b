//! A block laid out with patches of forest already chosen, once or several times: corridors first, and in patches what they
//! cannot give.

use geo::{MultiPolygon, Polygon};

use super::boundary_pass::Passes;
use super::cost::Access;
use super::ground::{self, Ground};
use super::influence::Reach;
use super::later::Later;
use super::outlets::Roads;
use super::patches::{self, Field};
use super::retention::LeastWidth;
use super::tree_share::BlockTrees;
use super::zones::Zones;
use super::{
    Context, LayoutError, by_hand, drawn, made_up, opening, retention, road_clearing, setting,
    strips, tiers, tree_share, write_up,
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
    /// What came after its strips were laid.
    pub later: Option<&'s Later<'s>>,
    pub slopes: &'s Slopes<'s>,
    pub crossings: Vec<Crossing>,
    pub access: Access,
    pub roads: Roads,
    /// Least width of corridors of as many trees as asked, m.
    pub of_trees_m: f64,
    /// Where a rule asks that ground lies near trees that stay.
    pub reach: Option<Reach<'s>>,
    pub passes: Passes,
}

/// What is left standing for the share.
#[derive(Clone, Debug, Default)]
struct Kept {
    patches: Vec<Polygon>,
    corridors: bool,
    /// Whether corridors of fewer trees than asked may stand.
    narrow: bool,
    /// Strips between corridors at most, so that enough ground lies near them; None: as the share asks.
    closer: Option<u32>,
}

/// Which plans are written up.
#[derive(Clone, Copy, PartialEq)]
enum WriteUp {
    Always,
    /// Only a plan that meets its share, and keeps enough ground near trees, leaves no more ground unworked than this and keeps as much in corridors, m2.
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
    /// Where a rule asks for it: ground beyond a tree height of what stands, and of all but corridors.
    bare: Option<[MultiPolygon; 2]>,
    /// So much of it has to come within reach yet.
    bare_short_m2: f64,
    /// Where the share is one of trees that are known.
    trees: Option<BlockTrees>,
    strips_between: u32,
}

impl Attempt {
    fn is_met(&self) -> bool {
        self.short_m2 <= MET_M2 && self.bare_short_m2 <= 0.0
    }

    fn falls_short_by(&self) -> [f64; 2] {
        [self.short_m2.max(0.0), self.bare_short_m2.max(0.0)]
    }
}

/// The layout that falls least short so far: of its share first, then of ground near trees; m2.
type Best = Option<([f64; 2], Kept)>;

/// A patch must be worth a square metre, and a corridor narrower or closer than asked too.
const WORTH_M2: f64 = 1.0;

fn keep_better(best: &mut Best, short: [f64; 2], kept: &Kept) {
    let better = best.as_ref().is_none_or(|(held, _)| {
        short[0] < held[0] - WORTH_M2
            || (short[0] <= held[0] + MET_M2 && short[1] < held[1] - WORTH_M2)
    });
    if better {
        *best = Some((short, kept.clone()));
    }
}

/// Shares are met within this.
pub const MET_M2: f64 = 1e-6;
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
        let plain = |narrow: bool| Kept {
            corridors: pattern != Pattern::Patches,
            narrow,
            ..Kept::default()
        };
        if pattern == Pattern::Corridors && self.context.rules.block.influence.is_none() {
            return self.written(&plain(true));
        }
        let mut best: Best = None;
        // Corridors of a few trees stand worse than a patch.
        let widths: &[bool] = match pattern == Pattern::Both && self.may_narrow() {
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

    /// The plan that meets its share by corridors alone, or by patches too. `best` is what falls least short so far.
    fn met(
        &self,
        pattern: Pattern,
        plain: Kept,
        best: &mut Best,
    ) -> Result<Option<BlockPlan>, LayoutError> {
        let first = self.attempt(
            &plain,
            WriteUp::IfGood {
                unworked_m2: f64::INFINITY,
                corridors_m2: f64::NEG_INFINITY,
            },
        )?;
        keep_better(best, first.falls_short_by(), &plain);
        if first.plan.is_some() {
            return Ok(first.plan);
        }
        let most_m2 = first.unworked_m2 + UNWORKED_SHARE * area(self.shape);
        if pattern != Pattern::Corridors
            && let Some(plan) = self.with_patches(pattern, &plain, &first, most_m2, best)
        {
            return Ok(Some(plan));
        }
        if pattern == Pattern::Patches || first.bare_short_m2 <= 0.0 {
            return Ok(None);
        }
        for every in (1..first.strips_between).rev() {
            let kept = Kept {
                closer: Some(every),
                ..plain.clone()
            };
            let good = WriteUp::IfGood {
                unworked_m2: most_m2,
                corridors_m2: f64::NEG_INFINITY,
            };
            let attempt = self.attempt(&kept, good)?;
            if attempt.plan.is_some() {
                return Ok(attempt.plan);
            }
            keep_better(best, attempt.falls_short_by(), &kept);
            if attempt.bare_short_m2 <= 0.0 {
                break;
            }
        }
        Ok(None)
    }

    fn with_patches(
        &self,
        pattern: Pattern,
        plain: &Kept,
        first: &Attempt,
        most_m2: f64,
        best: &mut Best,
    ) -> Option<BlockPlan> {
        let (short_m2, corridors_m2) = (first.short_m2, first.corridors_m2);
        let owed_m2 = first.owed_m2;
        // Corridors that give less than half are in the way of patches more than they help.
        let half_m2 = owed_m2 / 2.0;
        let more_m2 = match short_m2 > MET_M2 {
            true => short_m2 + retention::ROUNDING_M2,
            false => 0.0,
        };
        let with = (more_m2, true);
        let without = (owed_m2.max(0.0), false);
        let ways = match pattern {
            Pattern::Patches => vec![without],
            // Without corridors their width is nothing to be tried anew.
            _ if plain.narrow && self.may_narrow() => vec![with],
            _ if corridors_m2 >= half_m2 => vec![with, without],
            _ => vec![without, with],
        };
        let candidates = patches::candidates(self.context, self.near);
        for (mut want_m2, corridors) in ways {
            let good = WriteUp::IfGood {
                unworked_m2: most_m2,
                corridors_m2: if corridors {
                    half_m2
                } else {
                    f64::NEG_INFINITY
                },
            };
            let bare = first.bare.as_ref();
            let bare = bare.map(|[with, without]| if corridors { with } else { without });
            let reach = self.reach.as_ref();
            let mut cover_m2 = reach
                .zip(bare)
                .map_or(0.0, |(reach, bare)| reach.short_m2(bare));
            for _ in 0..TRIES {
                let wanted = reach.zip(bare).filter(|_| cover_m2 > 0.0);
                let wanted = wanted.map(|(reach, bare)| patches::Wanted {
                    bare,
                    want_m2: cover_m2,
                    height_m: reach.height_m(),
                });
                let choose = |want_m2: f64| {
                    let fields = first.fields.clone();
                    patches::choose(self.context, fields, &candidates, want_m2, wanted.as_ref())
                };
                let patches = match &first.trees {
                    None => choose(want_m2),
                    Some(trees) => trees.worth(want_m2, choose),
                };
                if patches.is_empty() {
                    break;
                }
                let kept = Kept {
                    patches,
                    corridors,
                    narrow: plain.narrow,
                    closer: None,
                };
                // What spoils a layout by a patch does not spoil the block.
                let Ok(attempt) = self.attempt(&kept, good) else {
                    break;
                };
                if attempt.plan.is_some() {
                    return attempt.plan;
                }
                if attempt.unworked_m2 <= most_m2 {
                    keep_better(best, attempt.falls_short_by(), &kept);
                }
                if attempt.is_met() {
                    break;
                }
                if attempt.short_m2 > MET_M2 {
                    want_m2 += 1.1 * attempt.short_m2 + 1.0;
                }
                if attempt.bare_short_m2 > 0.0 {
                    cover_m2 += 1.1 * attempt.bare_short_m2 + 1.0;
                }
            }
        }
        None
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
        let mut divided = drawn::divide(context, (block, shape), &ground, near, roads, outlets);
        let strip_lines = by_hand::assign(context, shape, near, &mut divided.settings);
        let told = divided.findings.into_iter().chain(strip_lines);
        ground.zones.findings.extend(told);
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
            let deep = prepare(context, (block, &self.passes), &ground, &settings);
            let parts = settings.iter().map(|(part, _)| *part).zip(deep);
            let tiers = tiers::divide(&parts.collect::<Vec<_>>(), limits);
            settings = tiers.into_iter().flat_map(sound_each).collect();
        }
        let parts = prepare(context, (block, &self.passes), &ground, &settings);
        let trees = tree_share::of_block(context, &ground, shape);
        let target_m2 = retention::target_m2(context.rules, &ground, trees.is_some());
        let owed_m2 = target_m2 - area(&ground.retained_bands);
        let width = LeastWidth {
            of_trees_m: self.of_trees_m,
            narrower: kept.narrow,
            closer: kept.closer,
        };
        let asked_m2 = match kept.corridors {
            true => owed_m2.max(retention::closer_m2(context, &parts, width)),
            false => 0.0,
        };
        let solved = match trees.as_ref().filter(|_| kept.corridors) {
            Some(trees) => trees.solve(context, &parts, asked_m2, width),
            None => retention::solve(context, &parts, asked_m2, width),
        };
        let corridors_m2 = solved.corridors_m2();
        let unworked_m2 = unworked_m2(&ground);
        let mut short_m2 = owed_m2 - corridors_m2;
        let mut owed_m2 = owed_m2;
        if let Some(trees) = &trees {
            let [owed, short] = trees.owed_and_short_m2(&parts, &solved.pieces);
            (owed_m2, short_m2) = (owed_m2.max(owed), short_m2.max(short));
        }
        let bare = self.reach.as_ref().map(|reach| {
            let each = parts.iter().zip(&solved.pieces);
            let corridors = each.flat_map(|(part, pieces)| {
                let shapes = pieces.corridors.iter();
                shapes.map(|(_, shape)| part.frame.leave_polygon(shape))
            });
            let with = reach.bare(&ground, corridors.collect());
            let without = match corridors_m2 > 0.0 {
                true => reach.bare(&ground, vec![]),
                false => with.clone(),
            };
            [with, without]
        });
        let bare_short_m2 = (self.reach.as_ref().zip(bare.as_ref()))
            .map_or(f64::NEG_INFINITY, |(reach, bare)| reach.short_m2(&bare[0]));
        let is_enough = short_m2 <= MET_M2 && bare_short_m2 <= 0.0;
        let is_good = match write_up {
            WriteUp::Always => true,
            WriteUp::IfGood {
                unworked_m2: most_m2,
                corridors_m2: least_m2,
            } => is_enough && unworked_m2 <= most_m2 && corridors_m2 >= least_m2,
        };
        // Patches are looked for once, on ground that has none yet; where none may stand this plan is all there is.
        let is_first = kept.patches.is_empty() && kept.closer.is_none();
        let fields = match is_good || !is_first {
            true => vec![],
            false => patches::fields(context, &ground, &parts),
        };
        let is_good = is_good || (is_first && kept.narrow && fields.iter().all(Field::is_shut));
        let plan = is_good.then(|| {
            let now = self.later.map(|later| later.take_in(context, &ground));
            let shape = self.later.map_or(shape, Later::shape);
            let now = now.as_ref().unwrap_or(&ground);
            let of_now = self
                .later
                .map(|_| tree_share::of_block(context, now, shape));
            let trees = of_now.as_ref().unwrap_or(&trees);
            let target_m2 = retention::target_m2(context.rules, now, trees.is_some());
            let write = |now: &Ground| {
                let shape = shape.clone();
                let planned = (&ground, now);
                write_up::plan(context, block, shape, planned, &clearing, &parts, &solved)
            };
            let mut plan = write(now);
            if trees.is_none() {
                let lost = made_up::Lost::of(&plan, target_m2);
                plan = made_up::write(context, (now, &parts), lost, plan, write);
            }
            if let Some(trees) = trees {
                let [left, all] = trees.left(&plan);
                plan.retention_share = left / all;
            }
            plan.trees_left = (context.rules.share_trees).map(|counted| TreesLeft {
                unit: counted.unit,
                counted: trees.as_ref().map(|trees| trees.left(&plan)),
            });
            plan
        });
        Ok(Attempt {
            short_m2,
            owed_m2: owed_m2 + retention::ROUNDING_M2,
            corridors_m2,
            unworked_m2,
            fields,
            bare,
            bare_short_m2,
            trees,
            strips_between: retention::most_between(
                context,
                &parts,
                context.settings.machine.strip_width_m(),
            ),
            plan,
        })
    }
}

/// Settings, each with the index of its part of the net area, ready for their combs.
fn prepare<'g>(
    context: Context<'_>,
    (block, passes): (&SourceBlock, &Passes),
    ground: &Ground,
    settings: &'g [(usize, setting::Setting)],
) -> Vec<strips::Part<'g>> {
    let numbered = (1u32..).zip(settings);
    let parts = numbered.map(|(number, (part, setting))| {
        let before = settings[..number as usize - 1].iter();
        let before = before.filter(|(other, _)| other == part);
        let before: Vec<&Polygon> = before.map(|(_, earlier)| &earlier.shape).collect();
        let pass = passes.lay(context, ground, &before, &setting.shape);
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
