//! Commands and options.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use super::exit::EXIT_HELP;
use crate::batch::Share;
use crate::model::{PlanMark, Position};

/// Prepares felling blocks: buffers, strips, retention corridors, day and night sections, compliance.
#[derive(Debug, Parser)]
#[command(name = "blockwright", version, after_help = EXIT_HELP, propagate_version = true)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,
    #[command(flatten)]
    pub talk: Talk,
}

#[derive(Clone, Copy, Debug, Args)]
pub struct Talk {
    /// Print one machine-readable object on standard output
    #[arg(long, global = true)]
    pub json: bool,
    /// Say nothing but errors
    #[arg(long, short, global = true)]
    pub quiet: bool,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write an invented district as a project and lay it out
    #[command(after_help = "Example:\n  blockwright demo --out demo-out --blocks 40")]
    Demo(DemoArgs),
    /// Write a project file from a folder of layers
    #[command(
        after_help = "Example:\n  blockwright init layers\n  blockwright init blocks.shp roads.gpkg dem.tif --out project.toml\n  \
                      blockwright init layers --update\n\nThe rules are yours to choose: the file names presets and takes none. Ends \
                      with 3 when no layer of blocks counts yet, or when `inspect` finds what falls short."
    )]
    Init(InitArgs),
    /// Lay out the blocks of a project
    #[command(
        after_help = "Example:\n  blockwright layout project.toml --out out --only D07-0012,D07-0013\n  blockwright layout project.toml --out out --resume\n  blockwright layout project.toml --compare"
    )]
    Layout(LayoutArgs),
    /// Prove a plan, or what was cut, against the rules, independently of the layout
    #[command(
        after_help = "Example:\n  blockwright audit project.toml --plan layout/layout.gpkg --out audit\n  blockwright audit \
                      project.toml --as-cut cut.gpkg --tolerance 2.5 --field-check --out audit\n  blockwright audit \
                      project.toml --as-cut tracks.gpx --plan layout/layout.gpkg --out audit\n\nEnds with 3 when anything \
                      fails."
    )]
    Audit(Box<AuditArgs>),
    /// Join the shares of a layout that several machines made
    #[command(
        after_help = "Example:\n  blockwright gather one two --out plan\n\nThe folders are those of `blockwright layout \
                      project.toml --share 1/2 --out one` and `... --share 2/2 --out two`, on any machines. The results are \
                      those of one layout of all blocks. Ends with 3 when a rule falls short or something was set aside."
    )]
    Gather(GatherArgs),
    /// Say what was altered in a folder of results since its run
    #[command(
        after_help = "Example:\n  blockwright verify out\n  blockwright verify out --project project.toml\n\nThe sums stand in \
                      SHA256SUMS, which `sha256sum --check` reads too. Ends with 3 when anything is not as it was."
    )]
    Verify(VerifyArgs),
    /// Read everything, compute nothing, list what is wrong and where
    #[command(after_help = "Example:\n  blockwright inspect project.toml")]
    Inspect(InspectArgs),
    /// Fill a crew's shifts with the sections of a finished layout
    #[command(
        after_help = "Example:\n  blockwright dispatch out --crew crew.toml --from 2026-12-01 --days 14 --out shifts\n\n\
                      Ends with 3 when work does not fit into the period or a rule of the crew file is not kept."
    )]
    Dispatch(DispatchArgs),
    /// Show rulebooks: widths, shares and where each is written
    #[command(after_help = "Example:\n  blockwright rules show bc-fppr")]
    Rules(RulesArgs),
    /// Print the JSON schema of one of your files, for editors
    #[command(after_help = "Example:\n  blockwright schema rulebook > rulebook.schema.json")]
    Schema {
        /// Which file
        #[arg(value_enum, default_value_t = SchemaOf::Project)]
        of: SchemaOf,
    },
    /// Print a completion script for a shell
    #[command(after_help = "Example:\n  blockwright completions bash > blockwright.bash")]
    Completions { shell: clap_complete::Shell },
    /// Print the manual page of the program or of a command
    #[command(after_help = "Example:\n  blockwright man layout | man -l -")]
    Man {
        /// Of this command
        command: Option<String>,
    },
}

#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder for the district and, in its subfolder `layout`, the results
    #[arg(long, value_name = "DIR", default_value = "demo-out")]
    pub out: PathBuf,
    /// Blocks in the district, 1 to 100000
    #[arg(
        long,
        value_name = "N",
        default_value_t = 60,
        allow_negative_numbers = true
    )]
    pub blocks: usize,
    /// Seed of the invention; the same seed gives the same district
    #[arg(
        long,
        value_name = "S",
        default_value_t = 7,
        allow_negative_numbers = true
    )]
    pub seed: u64,
    /// Write the district and its project file, and lay nothing out
    #[arg(long)]
    pub district_only: bool,
    /// Threads [default: one per processor]
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub jobs: Option<std::num::NonZeroUsize>,
}

#[derive(Debug, Args)]
pub struct InitArgs {
    /// Folders of layers, rasters and tables, or these files themselves
    #[arg(required = true, value_name = "FOLDER|FILE")]
    pub inputs: Vec<PathBuf>,
    /// The project file [default: project.toml in the folder, where one is named, else here]
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Add layers that are new to a project file that is there, and alter nothing that stands in it
    #[arg(long)]
    pub update: bool,
}

#[derive(Debug, Args)]
pub struct LayoutArgs {
    /// Project file
    pub project: PathBuf,
    /// Folder for the results: new, empty, or holding an earlier run
    #[arg(long, value_name = "DIR", required_unless_present = "compare")]
    pub out: Option<PathBuf>,
    /// Write no layouts: print one row for each combination of the values that stand as lists under [machine] and
    /// [layout], such as reach = ["8 m", "9 m"]
    #[arg(long, conflicts_with = "out")]
    pub compare: bool,
    /// Plan what is left: polygons of ground that is cut already, in any format that layers may have, as layer `felled` of
    /// the project file; or tracks of the felling machine (GPX, open lines, points with a time). May be given several times
    #[arg(long, value_name = "FILE", conflicts_with = "compare")]
    pub cut: Vec<PathBuf>,
    /// Notes taken in the field, beside those of [notes] in the project file: GPX waypoints, routes and tracks, KML, or any
    /// format that layers may have. May be given several times; the project's table says what each kind of note becomes
    #[arg(long, value_name = "FILE")]
    pub notes: Vec<PathBuf>,
    /// Only these blocks
    #[arg(long, value_name = "ID,...", value_delimiter = ',', value_parser = id)]
    pub only: Vec<String>,
    /// Go on with a run into this folder that was stopped; the results are those of an undisturbed run
    #[arg(long, conflicts_with_all = ["share", "compare"])]
    pub resume: bool,
    /// Set a block aside that is not laid out within so many minutes
    #[arg(long, value_name = "MINUTES", default_value = "60", value_parser = minutes, allow_negative_numbers = true, conflicts_with_all = ["share", "compare"])]
    pub block_limit: std::time::Duration,
    /// Only the K-th of N shares of the blocks, as plans for `gather` to join
    #[arg(long, value_name = "K/N", conflicts_with_all = ["only", "compare", "plan_number"])]
    pub share: Option<Share>,
    #[command(flatten)]
    pub plan: PlanArgs,
    /// Threads [default: one per processor]
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub jobs: Option<std::num::NonZeroUsize>,
}

/// Which plan this is, and which one it takes the place of.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// Folder of the plan that this one replaces: writes what changed, which sheets to print anew, and keeps the sheets of blocks
    /// without news as they are. Strips of half-cut blocks keep their names, whatever notes came since
    #[arg(long, value_name = "DIR")]
    pub replaces: Option<PathBuf>,
    /// Number of this plan, for its sheets
    #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = clap::value_parser!(u32).range(1..=99_999))]
    pub plan_number: Option<u32>,
    /// Date of this plan, such as 2031-02-05
    #[arg(long, value_name = "DATE", requires = "plan_number")]
    pub plan_date: Option<chrono::NaiveDate>,
}

impl PlanArgs {
    pub fn mark(&self) -> Option<PlanMark> {
        self.plan_number.map(|number| PlanMark {
            number,
            date: self.plan_date.map(|date| date.to_string()),
        })
    }
}

#[derive(Debug, Args)]
pub struct GatherArgs {
    /// Folders that `layout --share` wrote: together every share, each once
    #[arg(required = true, value_name = "DIR")]
    pub dirs: Vec<PathBuf>,
    /// Folder for the results: new, empty, or holding an earlier run
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Project file that the shares were laid out from [default: where it was then]
    #[arg(long, value_name = "FILE")]
    pub project: Option<PathBuf>,
    /// Ground that is cut already, as the shares were given it
    #[arg(long, value_name = "FILE")]
    pub cut: Vec<PathBuf>,
    /// Notes taken in the field, as the shares were given them
    #[arg(long, value_name = "FILE")]
    pub notes: Vec<PathBuf>,
    #[command(flatten)]
    pub plan: PlanArgs,
    /// Threads [default: one per processor]
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub jobs: Option<std::num::NonZeroUsize>,
}

#[derive(Debug, Args)]
#[command(group(clap::ArgGroup::new("cut").required(true).multiple(true).args(["plan", "as_cut"])))]
pub struct AuditArgs {
    /// Project file
    pub project: PathBuf,
    /// A plan: a layout.gpkg, or polygons of what is to be cut
    #[arg(long, value_name = "FILE")]
    pub plan: Option<PathBuf>,
    /// What was cut: polygons in any format that layers may have, tracks of the felling machine (GPX, lines, points with a
    /// time), or a raster of change (GeoTIFF), which is a screening. With --plan as well, the two are compared
    #[arg(long, value_name = "FILE")]
    pub as_cut: Option<PathBuf>,
    /// Notes taken in the field, beside those of [notes] in the project file: what they keep, and where they move an edge, counts
    #[arg(long, value_name = "FILE")]
    pub notes: Vec<PathBuf>,
    /// Folder for the results: new, empty, or holding an earlier audit
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// How far an edge may really lie from where it was measured, in metres, taken as if every edge were off to the worse side
    /// [default: 0 for a plan, 2 for what was cut]
    #[arg(long, value_name = "M", value_parser = length, allow_negative_numbers = true, conflicts_with = "accuracy")]
    pub tolerance: Option<f64>,
    /// How well what was cut was measured: a figure at 95 % such as "1.5 m", one with "rmse" behind it, or survey, handheld,
    /// machine, "digitised 1:20000", "cell 10 m", unknown. Each verdict then says how sure it is
    #[arg(
        long,
        value_name = "ACCURACY",
        requires = "as_cut",
        allow_negative_numbers = true
    )]
    pub accuracy: Option<Position>,
    /// Where that figure is written: the receiver's sheet, a survey's report
    #[arg(long, value_name = "TEXT", requires = "accuracy")]
    pub accuracy_source: Option<String>,
    /// Whether each corner or fix is off by itself, or all of a track or file by the same [default: whichever leaves a figure
    /// less certain]
    #[arg(long, value_name = "HOW", requires = "accuracy")]
    pub errors: Option<ErrorsArg>,
    /// How sure a verdict must be: 0.95 or 95%
    #[arg(long, value_name = "SHARE", default_value = "95%", value_parser = share, requires = "accuracy", allow_negative_numbers = true)]
    pub confidence: f64,
    /// Layer with the cut ground, where the file holds several
    #[arg(long, value_name = "NAME")]
    pub layer: Option<String>,
    /// Attribute of the cut ground with the block's id [default: block_id, or as in the blocks layer; else by place]
    #[arg(long, value_name = "ATTRIBUTE")]
    pub id: Option<String>,
    /// Width that the machine cuts along its tracks [default: the strip width of the project]
    #[arg(long, value_name = "M", value_parser = length, allow_negative_numbers = true, requires = "as_cut")]
    pub cutting_width: Option<f64>,
    /// What was found standing on ground that --as-cut has as cut: polygons of clumps, and points of single trees, each one tree or as
    /// many as its attribute `trees` says
    #[arg(long, value_name = "FILE", requires = "as_cut")]
    pub standing: Option<PathBuf>,
    /// Of a raster of change as what was cut: the values of its cells that mean cut [default: 1, where it has no other than 0 and 1]
    #[arg(
        long,
        value_name = "N,...",
        value_delimiter = ',',
        requires = "as_cut",
        allow_negative_numbers = true
    )]
    pub cut_class: Vec<i64>,
    /// Raster of heights before, where --as-cut is one of heights after; asks for --height-loss
    #[arg(long, value_name = "FILE", requires_all = ["as_cut", "height_loss"], conflicts_with = "cut_class")]
    pub before: Option<PathBuf>,
    /// Height that a cell must have lost to be taken for cut, in metres
    #[arg(long, value_name = "M", value_parser = length, allow_negative_numbers = true, requires = "before")]
    pub height_loss: Option<f64>,
    /// Of a raster of change: smaller pieces of change are left out: 500 (m²) or "0.05 ha" [default: 500, a setting of ours]
    #[arg(long, value_name = "AREA", value_parser = area, allow_negative_numbers = true, requires = "as_cut")]
    pub least_change: Option<f64>,
    /// Attribute of track points with their time [default: time, timestamp, ...]
    #[arg(long, value_name = "ATTRIBUTE", requires = "as_cut")]
    pub time: Option<String>,
    /// Attribute that tells the track points of one machine from those of another
    #[arg(long, value_name = "ATTRIBUTE", requires = "as_cut")]
    pub track: Option<String>,
    /// Minutes after sunrise and before sunset that do not count as daylight, for tracks on day-only ground
    #[arg(long, value_name = "MINUTES", default_value_t = 30, allow_negative_numbers = true, value_parser = clap::value_parser!(u16).range(0..=720))]
    pub daylight_margin: u16,
    /// Say which places to visit in the field, with a sheet for it: all that fail, and a sample of the others whose size
    /// follows from --faulty-share and --miss-risk
    #[arg(long)]
    pub field_check: bool,
    /// Share of faulty places, among those that do not fail, that the sample must not miss: 0.05 or 5%
    #[arg(long, value_name = "SHARE", default_value = "5%", value_parser = share, allow_negative_numbers = true)]
    pub faulty_share: f64,
    /// Probability of missing it, at most: 0.05 or 5%
    #[arg(long, value_name = "SHARE", default_value = "5%", value_parser = share, allow_negative_numbers = true)]
    pub miss_risk: f64,
    /// What was measured at these places: field_check.csv filled, or GPX with its waypoints commented. It is judged anew, and
    /// both are kept. Give the --seed, --faulty-share and --miss-risk that they were drawn with
    #[arg(long, value_name = "FILE")]
    pub measured: Option<PathBuf>,
    /// Gone: says what took its place
    #[arg(long, value_name = "N", hide = true, num_args = 0..=1, default_missing_value = "", value_parser = no_sample, allow_negative_numbers = true)]
    pub sample: Option<String>,
    /// Seed of the places that are drawn; the same seed draws the same ones
    #[arg(
        long,
        value_name = "S",
        default_value_t = 1,
        allow_negative_numbers = true
    )]
    pub seed: u64,
    /// Make a folder `evidence` for people who were not there: the worst finding first, each with a map and the distance drawn, the
    /// rule's source, how sure it is, what is done about it, and the sums of all that was read
    #[arg(long)]
    pub evidence: bool,
    /// What is done about findings: actions.csv of an evidence pack, filled
    #[arg(long, value_name = "FILE", requires = "evidence")]
    pub actions: Option<PathBuf>,
    /// Sign the sums of the evidence with this OpenSSH key, so that anybody can check them
    #[arg(long, value_name = "KEY", requires = "evidence")]
    pub sign_key: Option<PathBuf>,
    /// Folder of an earlier audit: say what got worse and what was mended
    #[arg(long, value_name = "DIR")]
    pub against: Option<PathBuf>,
    /// Only these blocks
    #[arg(long, value_name = "ID,...", value_delimiter = ',', value_parser = id)]
    pub only: Vec<String>,
    /// Threads [default: one per processor]
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub jobs: Option<std::num::NonZeroUsize>,
}

/// Which errors of what was cut go together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum ErrorsArg {
    Independent,
    Shared,
}

fn minutes(text: &str) -> Result<std::time::Duration, String> {
    let minutes: f64 = text.parse().map_err(|_| "it is no number".to_owned())?;
    match std::time::Duration::try_from_secs_f64(minutes * 60.0) {
        Ok(time) if !time.is_zero() => Ok(time),
        _ => Err("more than 0 minutes are needed".to_owned()),
    }
}

/// The id of a block, of which the blocks layer has none without letters.
fn id(text: &str) -> Result<String, String> {
    if text.trim().is_empty() {
        return Err("an id is missing before or after a comma".to_owned());
    }
    // `--only "A, B"` means A and B.
    Ok(text.trim().to_owned())
}

fn share(text: &str) -> Result<f64, String> {
    let (figure, of) = match text.trim().strip_suffix('%') {
        Some(figure) => (figure.trim(), 100.0),
        None => (text.trim(), 1.0),
    };
    let figure: f64 = figure.parse().map_err(|_| "it is no number".to_owned())?;
    let share = figure / of;
    if !(share > 0.0 && share < 1.0) {
        return Err("a share above 0 and below 1 is needed, such as 0.05 or 5%".to_owned());
    }
    Ok(share)
}

fn no_sample(_: &str) -> Result<String, String> {
    Err(
        "--sample is no option any more: --field-check draws places with probabilities that it tells; how many follows from \
         --faulty-share and --miss-risk"
            .to_owned(),
    )
}

fn length(text: &str) -> Result<f64, String> {
    let metres = crate::units::parse_length(text, crate::units::LengthUnit::Metre);
    metres.map_err(|error| error.to_string())
}

/// Square metres.
fn area(text: &str) -> Result<f64, String> {
    let text = text.trim();
    let (figure, unit_m2) = match text.strip_suffix("ha") {
        Some(figure) => (figure, 10_000.0),
        None => (text.trim_end_matches("m2").trim_end_matches("m²"), 1.0),
    };
    let figure: f64 = figure
        .trim()
        .parse()
        .map_err(|_| "it is no area: write 500 or \"0.05 ha\"".to_owned())?;
    match figure.is_finite() && figure >= 0.0 {
        true => Ok(figure * unit_m2),
        false => Err("0 m² or more are needed".to_owned()),
    }
}

#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Folder that layout, gather, audit or dispatch wrote
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
    /// Project file of the run: see whether its layers are what was read then, too
    #[arg(long, value_name = "FILE")]
    pub project: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct InspectArgs {
    /// Project file
    pub project: PathBuf,
}

#[derive(Debug, Args)]
pub struct DispatchArgs {
    /// Folder that `layout` wrote
    #[arg(value_name = "DIR")]
    pub layout: PathBuf,
    /// Crew file: shifts, machines, moves
    #[arg(long, value_name = "FILE")]
    pub crew: PathBuf,
    /// First date, such as 2026-12-01
    #[arg(long, value_name = "DATE")]
    pub from: chrono::NaiveDate,
    /// Dates on which shifts begin, 1 to 366
    #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = clap::value_parser!(u32).range(1..=366))]
    pub days: u32,
    /// Folder for the shifts: new, empty, or holding an earlier run of dispatch
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Table of finished sections: block_id, part, strip_no, piece, section_no and, where some is left, hours_done; a row with
    /// block_id alone is a finished block. Or a copy of shifts.csv: the rows that are left in it are done. May be given several
    /// times
    #[arg(long, value_name = "FILE")]
    pub done: Vec<PathBuf>,
    /// Track of a felling machine (GPX, lines, points with a time): sections that it drove along are done, half-done ones stay open
    /// with what is left. May be given several times
    #[arg(long, value_name = "FILE")]
    pub done_track: Vec<PathBuf>,
    /// Folder of the layout whose sections that table names, where it is of the plan before this one: what is done is its ground
    #[arg(long, value_name = "DIR", requires = "done")]
    pub done_of: Option<PathBuf>,
    /// Folder of the plan before this one: keep to it, and say what changes and why
    #[arg(long, value_name = "DIR")]
    pub keep_plan: Option<PathBuf>,
    /// Dates from the first on whose shifts stay as they were in that plan, where they can
    #[arg(
        long,
        value_name = "N",
        default_value_t = 2,
        requires = "keep_plan",
        allow_negative_numbers = true
    )]
    pub keep_days: u32,
    /// All that the plan before has until then is done, such as 2026-12-05 or "2026-12-05 14:00", by the clock of the crew
    #[arg(long, value_name = "TIME", requires = "keep_plan", conflicts_with_all = ["done", "done_track"], value_parser = local_time)]
    pub done_until: Option<chrono::NaiveDateTime>,
}

/// A date, or a date and a time of day.
fn local_time(text: &str) -> Result<chrono::NaiveDateTime, String> {
    let with_time = ["%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M"]
        .iter()
        .find_map(|shape| chrono::NaiveDateTime::parse_from_str(text, shape).ok());
    let date = || text.parse::<chrono::NaiveDate>().ok();
    with_time
        .or_else(|| date().map(|date| date.and_time(chrono::NaiveTime::MIN)))
        .ok_or_else(|| "write a date such as 2026-12-05, or \"2026-12-05 14:00\"".to_owned())
}

#[derive(Debug, Args)]
pub struct RulesArgs {
    #[command(subcommand)]
    pub what: Option<RulesCommand>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum SchemaOf {
    /// The project file
    Project,
    /// A rulebook
    Rulebook,
    /// A crew file
    Crew,
}

#[derive(Debug, Subcommand)]
pub enum RulesCommand {
    /// List the presets, with how many of their lines were read in which way
    #[command(after_help = "Example:\n  blockwright rules list")]
    List,
    /// Show a rulebook as a page to print: widths, shares, definitions and sources
    #[command(
        after_help = "Examples:\n  blockwright rules show bc-fppr | lpr\n  blockwright rules show own.toml\n  blockwright rules show bc-fppr --toml > own.toml"
    )]
    Show {
        /// Name of a preset, or a rulebook file
        #[arg(value_name = "PRESET")]
        rulebook: String,
        /// Print its text instead, to start a rulebook of your own from
        #[arg(long, conflicts_with = "json")]
        toml: bool,
    },
    /// List everything that is wrong with a rulebook: gaps, overlaps, impossible values, missing sources
    #[command(
        after_help = "Examples:\n  blockwright rules check own.toml\n  blockwright rules check bc-fppr\n\n\
                      Ends with 2 when there are errors, with 0 when there are only warnings and hints."
    )]
    Check {
        /// Rulebook in TOML, as the presets are, or the name of a preset
        #[arg(value_name = "FILE")]
        rulebook: String,
    },
}
