//! Runs one command.

use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::CommandFactory;
use serde_json::{Value, json};

use super::args::{
    AuditArgs, Cli, Command, DemoArgs, DispatchArgs, GatherArgs, InitArgs, InspectArgs, LayoutArgs,
    RulesCommand, SchemaOf, Talk, VerifyArgs,
};
use super::exit::Exit;
use super::inspect::Inspection;
use super::summary;
use super::{audit, compare, dispatch, init_words, memory, stop};
use crate::batch::{
    self, BatchError, DispatchError, DispatchOptions, JournalError, Kept, Options, Outcome,
    Patience, PlanFileError, Progress, ShareError, Shares, VerifyError, VerifyFailure,
};
use crate::demo;
use crate::init;
use crate::project::{self, Project};
use crate::rulebook::{self, Severity};
use crate::sources;
use crate::terminal;

/// A failure and the exit code it ends with.
struct Failure {
    exit: Exit,
    error: anyhow::Error,
}

fn user(error: impl Into<anyhow::Error>) -> Failure {
    Failure {
        exit: Exit::UserError,
        error: error.into(),
    }
}

fn could_not_run(error: impl Into<anyhow::Error>) -> Failure {
    Failure {
        exit: Exit::CouldNotRun,
        error: error.into(),
    }
}

type Ended = Result<Exit, Failure>;

pub fn run(cli: &Cli) -> Exit {
    sources::only_listed_drivers();
    let kept = Kept::default();
    let demo = match &cli.command {
        Command::Demo(args) => Some(args.out.clone()),
        _ => None,
    };
    memory::watch(&kept, cli.talk, demo.clone());
    stop::listen(&kept, cli.talk, demo);
    let ended = match &cli.command {
        Command::Demo(args) => run_demo(args, kept, cli.talk),
        Command::Layout(args) => run_layout(args, kept, cli.talk),
        Command::Audit(args) => run_audit(args, cli.talk),
        Command::Gather(args) => run_gather(args, cli.talk),
        Command::Dispatch(args) => run_dispatch(args, cli.talk),
        Command::Verify(args) => run_verify(args, cli.talk),
        Command::Init(args) => run_init(args, cli.talk),
        Command::Inspect(args) => run_inspect(args, cli.talk),
        Command::Rules(args) => {
            run_rules(args.what.as_ref().unwrap_or(&RulesCommand::List), cli.talk)
        }
        Command::Schema { of } => print_schema(*of, cli.talk),
        Command::Completions { shell } => print_completions(*shell),
        Command::Man { command } => print_manual(command.as_deref()),
    };
    let exit = match ended {
        Ok(exit) => exit,
        Err(Failure { exit, error }) => {
            let text = error_text(&error);
            let (text, exit) = match memory::remedied(&text) {
                Some(told) => (told, Exit::CouldNotRun),
                None => (text, exit),
            };
            terminal::say(&format!("{text}\n"));
            if cli.talk.json {
                print_failure(&text, exit);
            }
            exit
        }
    };
    if !cli.talk.json {
        tell_lost();
    }
    exit
}

/// Says, where results go, that messages could not be written; nobody is told where neither can be.
pub fn tell_lost() {
    if let Some(error) = terminal::lost() {
        let _ = terminal::give(&format!(
            "note: messages could not be written to standard error: {error}\n"
        ));
    }
}

/// How a run ends that was asked for help or the version.
pub fn helped(printed: std::io::Result<()>) -> Exit {
    match terminal::given(printed) {
        Ok(()) => Exit::Done,
        Err(error) => {
            terminal::say(&format!("error: {NO_RESULTS}: {error}\n"));
            Exit::CouldNotRun
        }
    }
}

const NO_RESULTS: &str = "cannot write to standard output";

/// The object that `--json` gives when nothing was done.
pub fn print_failure(error: &str, exit: Exit) {
    // Nobody listens any more when this fails.
    let _ = print_json(&failure_json(error, exit));
}

/// As [`print_failure`] prints it.
pub fn failure_json(error: &str, exit: Exit) -> Value {
    json!({ "version": 1, "error": error, "exit_code": exit as u8 })
}

/// The object that `--json` gives when a signal ended the run.
pub fn print_stop(words: &str, exit_code: i32) {
    // Nobody listens any more when this fails.
    let _ = print_json(&json!({ "version": 1, "error": words, "exit_code": exit_code }));
}

/// An error and its causes, but for those that it names itself.
fn error_text(error: &anyhow::Error) -> String {
    let mut text = String::new();
    for cause in error.chain().map(ToString::to_string) {
        if text.is_empty() {
            text = cause;
        } else if !text.contains(&cause) {
            text = format!("{text}: {cause}");
        }
    }
    if text.starts_with("error") {
        text
    } else {
        format!("error: {text}")
    }
}

fn print(text: &str) -> Result<(), Failure> {
    given(terminal::give(&format!("{text}\n")))
}

fn print_json(value: &Value) -> Result<(), Failure> {
    let text = serde_json::to_string_pretty(value).map_err(could_not_run)?;
    given(terminal::give_json(&format!("{text}\n")))
}

fn given(printed: std::io::Result<()>) -> Result<(), Failure> {
    printed.context(NO_RESULTS).map_err(could_not_run)
}

/// What came out, as one object or in words; nothing when quiet.
fn result(
    talk: Talk,
    json: impl FnOnce() -> Value,
    words: impl FnOnce() -> String,
) -> Result<(), Failure> {
    if talk.json {
        print_json(&json())
    } else if talk.quiet {
        Ok(())
    } else {
        print(words().trim_end())
    }
}

/// A failure to tell of results that are written says that they are.
fn told(printed: Result<(), Failure>, out: &Path) -> Result<(), Failure> {
    printed.map_err(|failure| Failure {
        error: failure.error.context(format!(
            "the results in {} are whole, but what came out cannot be told",
            out.display()
        )),
        ..failure
    })
}

fn now() -> String {
    chrono::Utc::now().format("%Y-%m-%dT%H:%M:%SZ").to_string()
}

fn load(path: &Path, talk: Talk) -> Result<Project, Failure> {
    let project = project::load(path).map_err(user)?;
    if !talk.quiet {
        for warning in &project.warnings {
            terminal::say(&format!("warning: {warning}\n"));
        }
    }
    Ok(project)
}

fn lay_out(
    command: &str,
    project: &Project,
    options: &Options,
    talk: Talk,
) -> Result<Outcome, Failure> {
    if !options.resume && !talk.quiet && batch::can_resume(&options.out) {
        terminal::say(&format!(
            "note: a run that was stopped left blocks in {}; they are laid out anew, for --resume was not given\n",
            options.out.display()
        ));
    }
    let outcome = batch::run(project, options).map_err(whose_fault)?;
    say(command, project, &options.out, &outcome, talk)?;
    Ok(outcome)
}

fn options(out: &Path, jobs: Option<NonZeroUsize>, talk: Talk) -> Options {
    Options {
        out: out.to_owned(),
        only: vec![],
        jobs: jobs.map(NonZeroUsize::get),
        progress: Progress::detect(talk.quiet),
        started: now(),
        resume: false,
        kept: Kept::default(),
        patience: None,
        plan: None,
        replaces: None,
    }
}

fn say(
    command: &str,
    project: &Project,
    out: &Path,
    outcome: &Outcome,
    talk: Talk,
) -> Result<(), Failure> {
    if !talk.quiet {
        terminal::say(&summary::problems(&outcome.problems));
        terminal::say(&summary::portfolios(&outcome.portfolios));
        terminal::say(&summary::notes(&outcome.notes));
    }
    let printed = result(
        talk,
        || summary::outcome_json(command, outcome, out),
        || summary::words(outcome, &project.settings.outputs, out),
    );
    told(printed, out)
}

fn whose_fault(error: BatchError) -> Failure {
    match error {
        BatchError::Source(ref source) if source.is_of_the_machine() => could_not_run(error),
        BatchError::Output(_)
        | BatchError::Threads { .. }
        | BatchError::Unfinished { .. }
        | BatchError::Journal(JournalError::File(_))
        | BatchError::Share(ShareError::PlanFile(PlanFileError::File { .. })) => {
            could_not_run(error)
        }
        BatchError::Source(_)
        | BatchError::Cut(_)
        | BatchError::Measured(_)
        | BatchError::Actions(_)
        | BatchError::Calibration(_)
        | BatchError::Replaced(_)
        | BatchError::NotReplaced { .. }
        | BatchError::Earlier { .. }
        | BatchError::NothingToAudit
        | BatchError::NotTracks { .. }
        | BatchError::NotOfThisKind { .. }
        | BatchError::Change(_)
        | BatchError::Sweep(_)
        | BatchError::Share(_)
        | BatchError::Journal(_)
        | BatchError::UnknownBlock { .. }
        | BatchError::BlockSetAside { .. } => user(error),
    }
}

fn exit_of(outcome: &Outcome) -> Exit {
    if outcome.is_clean() {
        Exit::Done
    } else {
        Exit::FallsShort
    }
}

fn run_demo(args: &DemoArgs, kept: Kept, talk: Talk) -> Ended {
    let district = demo::DemoOptions {
        blocks: args.blocks,
        seed: args.seed,
    };
    let report = demo::write(&args.out, &district).map_err(|error| match error {
        demo::DemoError::BlockCount(_) => user(error),
        _ => could_not_run(error),
    })?;
    if !talk.quiet {
        terminal::say(&format!(
            "wrote an invented district of {} blocks to {}\n",
            report.blocks,
            args.out.display()
        ));
        terminal::say(&format!(
            "{} features in it are broken on purpose, to show what is done with them\n",
            report.broken.len()
        ));
    }
    if args.district_only {
        return Ok(Exit::Done);
    }
    let project = load(&report.project, talk)?;
    let out: PathBuf = args.out.join("layout");
    let options = Options {
        kept,
        ..options(&out, args.jobs, talk)
    };
    lay_out("demo", &project, &options, talk).map(|outcome| exit_of(&outcome))
}

/// Files of ground that is cut already, as polygons or as tracks.
fn add_felled(project: &mut Project, files: &[PathBuf]) -> Result<(), Failure> {
    for file in files {
        let are_tracks = sources::tracks::are_tracks(file);
        project.add_felled(file, are_tracks).map_err(user)?;
    }
    Ok(())
}

fn run_layout(args: &LayoutArgs, kept: Kept, talk: Talk) -> Ended {
    let Some(out) = &args.out else {
        return run_compare(args, talk);
    };
    let mut project = load(&args.project, talk)?;
    add_felled(&mut project, &args.cut)?;
    project.add_notes(&args.notes).map_err(user)?;
    if let Some(share) = args.share {
        let options = Options {
            replaces: args.plan.replaces.clone(),
            ..options(out, args.jobs, talk)
        };
        let outcome = batch::lay_out_share(&project, share, &options).map_err(whose_fault)?;
        let printed = result(
            talk,
            || summary::share_json(share, &outcome),
            || summary::share_words(share, &outcome),
        );
        return told(printed, out).map(|()| Exit::Done);
    }
    let options = Options {
        only: args.only.clone(),
        resume: args.resume,
        kept,
        patience: Some(Patience {
            limit: args.block_limit,
            end: stop::begin_again,
        }),
        plan: args.plan.mark(),
        replaces: args.plan.replaces.clone(),
        ..options(out, args.jobs, talk)
    };
    lay_out("layout", &project, &options, talk).map(|outcome| exit_of(&outcome))
}

fn run_gather(args: &GatherArgs, talk: Talk) -> Ended {
    let shares = Shares::open(&args.dirs).map_err(|error| whose_fault(error.into()))?;
    let path = args.project.as_deref().unwrap_or_else(|| shares.project());
    let mut project = load(path, talk)?;
    add_felled(&mut project, &args.cut)?;
    project.add_notes(&args.notes).map_err(user)?;
    let options = Options {
        plan: args.plan.mark(),
        replaces: args.plan.replaces.clone(),
        ..options(&args.out, args.jobs, talk)
    };
    let outcome = batch::gather(&project, &shares, &options).map_err(whose_fault)?;
    say("gather", &project, &args.out, &outcome, talk)?;
    Ok(exit_of(&outcome))
}

fn run_compare(args: &LayoutArgs, talk: Talk) -> Ended {
    let mut choices = project::load_choices(&args.project).map_err(user)?;
    for choice in &mut choices {
        choice.project.add_notes(&args.notes).map_err(user)?;
    }
    if let (Some(first), false) = (choices.first(), talk.quiet) {
        for warning in &first.project.warnings {
            terminal::say(&format!("warning: {warning}\n"));
        }
    }
    let jobs = args.jobs.map(NonZeroUsize::get);
    let progress = Progress::detect(talk.quiet);
    let rows = batch::compare(&choices, &args.only, jobs, progress).map_err(whose_fault)?;
    result(
        talk,
        || compare::json(&choices, &rows),
        || compare::table(&choices, &rows),
    )?;
    let short = rows.iter().any(|row| row.fails > 0 || row.set_aside > 0);
    Ok(if short { Exit::FallsShort } else { Exit::Done })
}

fn run_audit(args: &AuditArgs, talk: Talk) -> Ended {
    let mut project = load(&args.project, talk)?;
    project.add_notes(&args.notes).map_err(user)?;
    let options = audit::options(args, talk.quiet, now());
    let outcome = batch::audit(&project, &options).map_err(whose_fault)?;
    if !talk.quiet {
        terminal::say(&summary::problems(&outcome.problems));
    }
    let printed = result(
        talk,
        || audit::json(&outcome, &args.out),
        || audit::words(&outcome, &args.out),
    );
    told(printed, &args.out)?;
    Ok(if outcome.is_clean() {
        Exit::Done
    } else {
        Exit::FallsShort
    })
}

fn run_dispatch(args: &DispatchArgs, talk: Talk) -> Ended {
    let crew = project::load_crew(&args.crew).map_err(user)?;
    let options = DispatchOptions {
        layout: args.layout.clone(),
        from: args.from,
        days: args.days,
        out: args.out.clone(),
        done: args.done.clone(),
        done_track: args.done_track.clone(),
        done_of: args.done_of.clone(),
        keep_plan: args.keep_plan.clone(),
        keep_days: args.keep_days,
        done_until: args.done_until,
        progress: Progress::detect(talk.quiet),
    };
    let dispatched = batch::dispatch(&crew, &options).map_err(|error| match error {
        DispatchError::Output(_) | DispatchError::Broken { .. } => could_not_run(error),
        _ => user(error),
    })?;
    let printed = result(
        talk,
        || dispatch::outcome_json(&dispatched, &args.out),
        || dispatch::words(&dispatched, &args.out),
    );
    told(printed, &args.out)?;
    Ok(if dispatched.is_clean() {
        Exit::Done
    } else {
        Exit::FallsShort
    })
}

fn run_verify(args: &VerifyArgs, talk: Talk) -> Ended {
    let project = args.project.as_deref();
    let project = project.map(|path| load(path, talk)).transpose()?;
    let verified = batch::verify(&args.dir, project.as_ref()).map_err(|error| match error {
        VerifyFailure::Outputs(VerifyError::File { .. }) => could_not_run(error),
        _ => user(error),
    })?;
    result(
        talk,
        || summary::verified_json(&verified, &args.dir),
        || summary::verified_words(&verified, &args.dir),
    )?;
    Ok(if verified.is_sound() {
        Exit::Done
    } else {
        Exit::FallsShort
    })
}

fn run_inspect(args: &InspectArgs, talk: Talk) -> Ended {
    let project = load(&args.project, talk)?;
    let inspection = Inspection::of(&project).map_err(whose_fault)?;
    result(talk, || inspection.json(), || inspection.words())?;
    Ok(match inspection.falls_short() {
        true => Exit::FallsShort,
        false => Exit::Done,
    })
}

fn run_init(args: &InitArgs, talk: Talk) -> Ended {
    let out = (args.out.clone()).unwrap_or_else(|| init::default_out(&args.inputs));
    let on = |file: &Path| {
        if !talk.quiet {
            terminal::say(&format!("reading {}\n", file.display()));
        }
    };
    let outcome = init::write(&args.inputs, &out, args.update, on).map_err(|error| match error
        .is_of_the_machine()
    {
        true => could_not_run(error),
        false => user(error),
    })?;
    let seen = init_words::inspect(&outcome);
    if let (init_words::Seen::Refused(error), false) = (&seen, talk.quiet) {
        terminal::say(&format!("{error}\n"));
    }
    let printed = result(
        talk,
        || init_words::json(&outcome, &seen),
        || init_words::words(&outcome, &seen),
    );
    printed.map_err(|failure| Failure {
        error: (failure.error).context(format!(
            "{} is written, but what it holds cannot be told",
            out.display()
        )),
        ..failure
    })?;
    Ok(match seen.falls_short() {
        true => Exit::FallsShort,
        false => Exit::Done,
    })
}

fn run_rules(what: &RulesCommand, talk: Talk) -> Ended {
    match what {
        RulesCommand::List => {
            let presets = rulebook::preset_names()
                .iter()
                .map(|name| rulebook::preset(name))
                .collect::<Result<Vec<_>, _>>()
                .map_err(could_not_run)?;
            if talk.json {
                let rows: Vec<Value> = presets.iter().map(summary::preset_json).collect();
                print_json(&json!({ "version": 1, "presets": rows }))?;
            } else {
                print(summary::presets(&presets).trim_end())?;
            }
        }
        RulesCommand::Show { rulebook, toml } => {
            let (name, text) = rulebook_text(rulebook)?;
            if *toml {
                print(text.trim_end())?;
                return Ok(Exit::Done);
            }
            let rules = if rulebook::preset_text(&name) == Some(&text) {
                rulebook::preset(&name)
            } else {
                rulebook::parse(&text, &name)
            };
            let rules = rules.map_err(user)?;
            if talk.json {
                print_json(&json!({ "version": 1, "rulebook": rules }))?;
            } else {
                print(rulebook::show(&rules).trim_end())?;
            }
        }
        RulesCommand::Check { rulebook } => {
            let (name, text) = rulebook_text(rulebook)?;
            let checked = rulebook::check(&text, &name);
            if talk.json {
                print_json(&summary::checked_json(&checked))?;
            } else {
                for finding in &checked.findings {
                    if !talk.quiet || finding.severity == Severity::Error {
                        print(&format!("{finding}\n"))?;
                    }
                }
                if !talk.quiet {
                    print(&checked.summary())?;
                }
            }
            if !checked.is_sound() {
                return Ok(Exit::UserError);
            }
        }
    }
    Ok(Exit::Done)
}

/// The text of a preset, or of a file where no preset has this name.
fn rulebook_text(preset_or_file: &str) -> Result<(String, String), Failure> {
    let name = preset_or_file.to_owned();
    if let Some(text) = rulebook::preset_text(&name) {
        return Ok((name, text.to_owned()));
    }
    let path = Path::new(&name);
    let Ok(found) = std::fs::metadata(path) else {
        let no_file = format!("there is no file `{name}`");
        let error = anyhow::Error::from(rulebook::RulebookError::UnknownPreset { name });
        return Err(user(error.context(no_file)));
    };
    if !found.is_file() || found.len() > project::TEXT_FILE_BYTES {
        return Err(user(anyhow::anyhow!(
            "{name}: it is no plain file of at most {} bytes\n  hint: name a rulebook, which is a text file",
            project::TEXT_FILE_BYTES
        )));
    }
    let text = std::fs::read_to_string(path)
        .with_context(|| name.clone())
        .map_err(user)?;
    Ok((name, text))
}

fn print_schema(of: SchemaOf, talk: Talk) -> Ended {
    let schema = match of {
        SchemaOf::Project => project::project_schema(),
        SchemaOf::Rulebook => rulebook::rulebook_schema(),
        SchemaOf::Crew => project::crew_schema(),
    };
    if talk.json {
        print_json(&json!({ "version": 1, "command": "schema", "schema": schema }))?;
    } else {
        print_json(&schema)?;
    }
    Ok(Exit::Done)
}

fn print_completions(shell: clap_complete::Shell) -> Ended {
    // Into memory first, for the writer of completions gives up with a crash.
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), "blockwright", &mut script);
    print_bytes(&script)
}

fn print_manual(of: Option<&str>) -> Ended {
    let mut all = Cli::command();
    // Options that all commands have, and names with the program's.
    all.build();
    let command = match of {
        None => all,
        Some(name) => {
            let found = all.find_subcommand(name).cloned();
            found.ok_or_else(|| {
                user(anyhow::anyhow!(
                    "there is no command `{name}`; `blockwright --help` lists them"
                ))
            })?
        }
    };
    // Pages of manuals have no blanks in their names.
    let name = match of {
        None => "blockwright".to_owned(),
        Some(name) => format!("blockwright-{name}"),
    };
    let mut page = Vec::new();
    let manual = clap_mangen::Man::new(command).title(name);
    manual.render(&mut page).map_err(could_not_run)?;
    print_bytes(&page)
}

fn print_bytes(text: &[u8]) -> Ended {
    given(terminal::give(&String::from_utf8_lossy(text))).map(|()| Exit::Done)
}
