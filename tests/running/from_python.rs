//! Scripts that run the program for others: the toolbox of the distribution's desktop GIS, and the module for notebooks.

use crate::run_binary;

use std::path::Path;
use std::process::{Command, Output};

use run_binary::{files, small_project, write};

const PROGRAM: &str = env!("CARGO_BIN_EXE_blockwright");

fn scripts(folder: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("scripts")
        .join(folder)
}

fn said(out: &Output) -> String {
    let text = [&out.stdout, &out.stderr].map(|bytes| String::from_utf8_lossy(bytes).into_owned());
    text.join("\n")
}

/// Everything but what tells when a run was.
fn lasting(folder: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    let mut files = files(folder);
    for name in ["run.json", "SHA256SUMS"] {
        assert!(files.remove(name).is_some(), "{name}");
    }
    files
}

fn laid_out(folder: &Path, out: &str) {
    let run = run_binary::run(folder, &["layout", "project.toml", "--out", out, "-q"]);
    assert!([0, 3].contains(&run.code), "{}", run.stderr);
}

#[test]
fn the_toolbox_of_the_desktop_gis_inspects_lays_out_and_audits() {
    // The distribution's own way to start it hands it an option that it does not know.
    let gis = "/usr/bin/qgis_process.bin";
    if Command::new(gis)
        .arg("--version")
        .env("QT_QPA_PLATFORM", "offscreen")
        .output()
        .is_err()
    {
        println!("skipped: no desktop GIS (package qgis)");
        return;
    }
    let metadata = scripts("gis").join("blockwright_toolbox/metadata.txt");
    let metadata = std::fs::read_to_string(metadata).unwrap();
    let version = concat!("\nversion=", env!("CARGO_PKG_VERSION"), "\n");
    assert!(metadata.contains(version), "{metadata}");
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let ask = |arguments: &[&str]| {
        Command::new(gis)
            .args(arguments)
            .current_dir(folder)
            .env("HOME", folder)
            // Its Python is that of the distribution, whichever else is first on the path.
            .env("PATH", "/usr/bin:/bin")
            .env("QT_QPA_PLATFORM", "offscreen")
            .env("QGIS_PLUGINPATH", scripts("gis"))
            .env("BLOCKWRIGHT", PROGRAM)
            .output()
            .unwrap()
    };
    let enabled = ask(&["plugins", "enable", "blockwright_toolbox"]);
    assert!(said(&enabled).contains("blockwright"), "{}", said(&enabled));
    let at = |name: &str| folder.join(name).display().to_string();
    let project = format!("PROJECT={}", at("project.toml"));
    let inspected = ask(&["run", "blockwright:inspect", "--", &project]);
    assert!(
        said(&inspected).contains("CODE:\t0"),
        "{}",
        said(&inspected)
    );
    let out = format!("OUTPUT={}", at("by-toolbox"));
    let run = ask(&["run", "blockwright:layout", "--", &project, &out]);
    assert!(
        run.status.success() && said(&run).contains("CODE:"),
        "{}",
        said(&run)
    );
    laid_out(folder, "by-hand");
    assert_eq!(
        lasting(&folder.join("by-toolbox")),
        lasting(&folder.join("by-hand"))
    );
    let plan = format!("PLAN={}", at("by-hand/layout.gpkg"));
    let out = format!("OUTPUT={}", at("audited"));
    let run = ask(&["run", "blockwright:audit", "--", &project, &plan, &out]);
    assert!(run.status.success(), "{}", said(&run));
    assert!(folder.join("audited/audit.gpkg").exists());
    // What is wrong is told in the program's own words.
    let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let text = text.replace("preset = \"bare\"", "preset = \"nowhere\"");
    write(folder, "wrong.toml", &text);
    let wrong = format!("PROJECT={}", at("wrong.toml"));
    let run = ask(&["run", "blockwright:inspect", "--", &wrong]);
    assert!(!run.status.success());
    assert!(
        said(&run).contains("there is no preset `nowhere`"),
        "{}",
        said(&run)
    );
    let run = ask(&["run", "blockwright:audit", "--", &project, &out]);
    assert!(
        said(&run).contains("give a plan, or what was cut, or both"),
        "{}",
        said(&run)
    );
}

#[test]
fn notebooks_run_the_program_and_read_what_it_wrote() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    laid_out(folder, "by-hand");
    let ask = |code: &str| {
        Command::new("python3")
            .args(["-c", code])
            .current_dir(folder)
            .env("PYTHONPATH", scripts("python"))
            .env("PYTHONDONTWRITEBYTECODE", "1")
            .env("BLOCKWRIGHT", PROGRAM)
            .output()
    };
    let Ok(out) = ask("import blockwright as b\n\
         run = b.layout('project.toml', 'by-notebook')\n\
         print(run.code, run.summary['counts']['blocks_laid_out'], run.package.name)\n\
         print(len(b.inspect('project.toml')['layers']))\n\
         print(b.audit('project.toml', 'audited', plan=run.package).package.name)\n\
         try:\n    b.layout('nowhere.toml', 'out')\n\
         except b.Failed as failed:\n    print(failed.code, 'there is no such file' in str(failed))\n\
         try:\n    b.audit('project.toml', 'out')\n\
         except ValueError as wrong:\n    print(wrong)\n")
    else {
        println!("skipped: no python3");
        return;
    };
    let lines: Vec<String> = said(&out).lines().map(str::to_owned).collect();
    assert_eq!(
        lines[..5],
        [
            "0 2 layout.gpkg",
            "2",
            "audit.gpkg",
            "2 True",
            "give a plan, or what was cut, or both"
        ],
        "{lines:?}"
    );
    assert_eq!(
        lasting(&folder.join("by-notebook")),
        lasting(&folder.join("by-hand"))
    );
    let out = ask("import blockwright as b\n\
         from pathlib import Path\n\
         run = b.Run(Path('by-notebook'), 0, {})\n\
         blocks = run.layer('blocks')\n\
         print(sorted(blocks.block_id), blocks.crs.to_epsg(), round(blocks.area.sum()))\n\
         print(len(run.table('blocks')))\n")
    .unwrap();
    if said(&out).contains("No module named") {
        println!("skipped: no geopandas");
        return;
    }
    // 300 by 200 and 200 by 300 metres on the grid.
    assert_eq!(
        said(&out).trim(),
        "['A-1', 'A-2'] 32616 120000\n2",
        "{}",
        said(&out)
    );
}
