//! Plain what-if: the blocks of one reading laid out under several settings, summed up and written nowhere.

use std::borrow::Cow;

use rayon::prelude::*;
use serde::Serialize;

use super::{BatchError, CHUNK, Progress, choose, lay_out_one, season, shared_ground, was_read};
use crate::compliance::Season;
use crate::engines::ENGINES;
use crate::geometry::area::length;
use crate::landbase::{Landbase, SlopeSource};
use crate::layout::{self, Context, share_left};
use crate::model::{BlockPlan, Books, SourceBlock, StandSource, StripKind, Verdict};
use crate::project::{Choice, Project};
use crate::sources::{self, Batch};

/// What came out under one combination of settings, over all blocks.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Compared {
    /// Blocks laid out.
    pub blocks: u64,
    /// Blocks and other features that could not be used.
    pub set_aside: u64,
    pub strips: u64,
    /// Settings: ground whose wood goes to one outlet.
    pub settings: u64,
    /// Length of boundary passes, m.
    pub pass_m: f64,
    /// Travel of the felling machine that cuts nothing, m; ways that were not found are not in it.
    pub travel_m: f64,
    /// Share left standing, as the rules count it; None without blocks.
    pub retention_share: Option<f64>,
    /// None where a block's hours are not known; so are the following.
    pub day_hours: Option<f64>,
    pub night_hours: Option<f64>,
    /// Of both, on ground that is not open on every day.
    pub window_hours: Option<f64>,
    /// The wood's mean way, by volume, or by area where the volume of a block is not known.
    pub skid_m: Option<f64>,
    pub skid_hours: Option<f64>,
    /// Of the machines that have a rate, in the money of `[costs]`; None without one.
    pub cost: Option<f64>,
    pub cost_per_m3: Option<f64>,
    /// Edge of what stands that faces the wind over cut ground, m; None where the project names no wind.
    pub windward_m: Option<f64>,
    /// Rules that are not met, each block and portfolio counted.
    pub fails: u64,
}

/// Lays out the blocks once for each choice. Layers are read once: choices differ in what does not look at them.
///
/// # Errors
/// As [`super::run`], but for outputs.
pub fn compare(
    choices: &[Choice],
    only: &[String],
    jobs: Option<usize>,
    progress: Progress,
) -> Result<Vec<Compared>, BatchError> {
    let Some(first) = choices.first() else {
        return Ok(vec![]);
    };
    let pool = super::threads::pool(jobs, progress)?;
    let choices = calibrated_all(choices)?;
    progress.say("reading layers");
    let batch = sources::read(&first.project)?;
    let terrain = sources::terrain(&first.project, &batch.crs)?;
    let slopes = terrain.as_ref().map(|terrain| terrain as &dyn SlopeSource);
    let chosen = choose(&batch, only)?;
    let stands = sources::stand_rasters(&first.project, &batch.crs)?;
    let trees = stands.as_ref().map(|stands| stands as &dyn StandSource);
    let compared = choices
        .iter()
        .enumerate()
        .map(|(number, choice)| {
            progress.say(&format!("combination {} of {}", number + 1, choices.len()));
            pool.install(|| lay_out_all(choice, &batch, (slopes, trees), &chosen))
        })
        .collect();
    was_read(terrain.as_ref(), stands.as_ref())?;
    Ok(compared)
}

/// The project of each choice with its calibration; those of one time model are fitted once.
fn calibrated_all(choices: &[Choice]) -> Result<Vec<Cow<'_, Project>>, BatchError> {
    let mut projects: Vec<Cow<Project>> = Vec::with_capacity(choices.len());
    for choice in choices {
        let own = &choice.project.settings.production.time;
        let alike = choices.iter().zip(&projects);
        let alike = alike.filter(|(other, _)| other.project.settings.production.time == *own);
        let fitted = alike.map(|(_, done)| &done.settings.production.time).next();
        projects.push(match fitted {
            None => super::calibrated(&choice.project)?,
            Some(time) => {
                let mut project = choice.project.clone();
                project.settings.production.time = time.clone();
                Cow::Owned(project)
            }
        });
    }
    Ok(projects)
}

fn lay_out_all(
    project: &Project,
    batch: &Batch,
    (terrain, trees): (Option<&dyn SlopeSource>, Option<&dyn StandSource>),
    chosen: &[&SourceBlock],
) -> Compared {
    let rules = &project.rules;
    let settings = layout::effective(&project.settings, rules);
    let landbase =
        Landbase::new(&batch.features, rules, &settings.layout).with_stand_rasters(trees);
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules,
        engines: ENGINES,
        terrain,
    };
    let mut sums = Sums {
        trees_left: Some([0.0; 2]),
        ..Sums::default()
    };
    let mut season = Season::default();
    let mut problems = batch.problems.clone();
    for chunk in chosen.chunks(CHUNK) {
        let plans: Vec<_> = chunk
            .par_iter()
            .map(|block| lay_out_one(context, block, |plan| plan))
            .collect();
        // In input order, so that sums are the same in every run.
        for plan in plans {
            match plan {
                Ok(mut plan) => {
                    shared_ground::tell(&batch.overlaps, &mut plan);
                    season.add(&plan, rules, &batch.overlaps);
                    sums.add(&plan);
                }
                Err(problem) => problems.push(*problem),
            }
        }
    }
    season::leave_out(&mut season, batch, chosen, &problems);
    let shares = season.judge(rules);
    let failed = |verdict: &Verdict| *verdict == Verdict::Fail;
    let portfolios = shares.iter().map(|share| share.row.status).filter(failed);
    let mut compared = sums.compared;
    compared.fails += portfolios.count() as u64;
    compared.set_aside = problems.iter().filter(|problem| problem.set_aside).count() as u64;
    if compared.blocks > 0 {
        let twice = season.twice();
        let books = Books {
            gross_m2: sums.books.gross_m2 - twice.gross_m2,
            reserve_m2: sums.books.reserve_m2 - twice.reserve_m2,
            net_m2: sums.books.net_m2 - twice.net_m2(),
            retained_m2: sums.books.retained_m2 - twice.standing_m2,
            ..sums.books
        };
        compared.retention_share = match rules.share_trees {
            None => Some(share_left(rules, &books)),
            Some(_) => (sums.trees_left)
                .filter(|[_, all]| *all > 0.0)
                .map(|[left, all]| left / all),
        };
        let total = |values: &[Option<f64>]| -> Option<f64> {
            values
                .iter()
                .copied()
                .try_fold(0.0, |sum, value| Some(sum + value?))
        };
        compared.day_hours = total(&sums.day_hours);
        compared.night_hours = total(&sums.night_hours);
        compared.window_hours = total(&sums.window_hours);
        compared.skid_hours = total(&sums.skid_hours);
        compared.skid_m = mean(&sums.ways);
        compared.cost = total(&sums.costs);
        let mut volume_m3 = sums.ways.iter().map(|way| way.volume_m3);
        let volume_m3 = volume_m3.try_fold(0.0, |sum, m3| Some(sum + m3?));
        let per_m3 = compared.cost.zip(volume_m3.filter(|m3| *m3 > 0.0));
        compared.cost_per_m3 = per_m3.map(|(cost, m3)| cost / m3);
    }
    compared
}

#[derive(Default)]
struct Sums {
    compared: Compared,
    /// Where rules count trees; None where nobody knows those of a block.
    trees_left: Option<[f64; 2]>,
    books: Books,
    day_hours: Vec<Option<f64>>,
    night_hours: Vec<Option<f64>>,
    window_hours: Vec<Option<f64>>,
    skid_hours: Vec<Option<f64>>,
    costs: Vec<Option<f64>>,
    ways: Vec<Way>,
}

/// Of a block's wood.
struct Way {
    skid_m: Option<f64>,
    volume_m3: Option<f64>,
    cut_m2: f64,
}

impl Sums {
    fn add(&mut self, plan: &BlockPlan) {
        self.compared.blocks += 1;
        self.compared.strips += u64::from(plan.strips_count);
        self.compared.settings += plan.parts.len() as u64;
        let passes = plan
            .lines
            .iter()
            .filter(|line| line.kind == StripKind::BoundaryPass);
        self.compared.pass_m += passes.map(|line| length(&line.shape)).sum::<f64>();
        self.compared.travel_m += plan
            .lines
            .iter()
            .filter_map(|line| line.travel_to_next_m)
            .sum::<f64>();
        if let Some(wind) = &plan.wind {
            let sum_m = self.compared.windward_m.get_or_insert(0.0);
            *sum_m += wind.windward_m();
        }
        let rows = plan.compliance.iter();
        self.compared.fails += rows.filter(|row| row.status == Verdict::Fail).count() as u64;
        self.books.gross_m2 += plan.books.gross_m2;
        self.books.reserve_m2 += plan.books.reserve_m2;
        self.books.kept_m2 += plan.books.kept_m2;
        self.books.net_m2 += plan.books.net_m2;
        self.books.retained_m2 += plan.books.retained_m2;
        self.books.left_m2 += plan.books.left_m2;
        let counted = plan.trees_left.and_then(|trees| trees.counted);
        let sums = self.trees_left.zip(counted);
        self.trees_left = sums.map(|([left, all], [own, of])| [left + own, all + of]);
        self.day_hours.push(plan.day_hours);
        self.night_hours.push(plan.night_hours);
        let not_always = plan.sections.iter().filter(|own| !own.open.is_always());
        self.window_hours.extend(not_always.map(|own| own.hours));
        self.skid_hours.push(plan.skid_hours);
        self.costs.push(plan.cost().cost(plan.rates));
        self.ways.push(Way {
            skid_m: plan.skid_m,
            volume_m3: plan.volume_m3(),
            cut_m2: plan.books.cut_m2,
        });
    }
}

fn mean(ways: &[Way]) -> Option<f64> {
    let by_volume = ways.iter().all(|way| way.volume_m3.is_some());
    let (mut sum, mut whole) = (0.0, 0.0);
    for way in ways {
        let weight = match way.volume_m3 {
            Some(volume_m3) if by_volume => volume_m3,
            _ => way.cut_m2,
        };
        sum += weight * way.skid_m?;
        whole += weight;
    }
    (whole > 0.0).then(|| sum / whole)
}
