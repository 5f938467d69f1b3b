"""blockwright from Python: runs the program, and reads what it wrote as GeoDataFrames.

    import blockwright
    run = blockwright.layout("project.toml", "layout")
    run.summary["counts"], run.layer("sections").plot("shift_class")

Layers need geopandas, tables need pandas; running needs neither. The program is the one named, else BLOCKWRIGHT in the
environment, else `blockwright` on the path. Everything is computed by the program, nothing here.
"""

import json
import os
import shutil
import subprocess
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Failed", "Run", "audit", "inspect", "layout"]


class Failed(RuntimeError):
    """The program ended without results; the message is its own."""

    def __init__(self, code, message):
        super().__init__(message)
        self.code = code


@dataclass(frozen=True)
class Run:
    """A folder of results. `code` is 0, or 3 where something was set aside or a rule is not met; `summary` is the object that
    the program prints with `--json`; `said` are its words."""

    folder: Path
    code: int
    summary: dict = field(repr=False)
    said: str = field(default="", repr=False)

    @property
    def package(self):
        """The GeoPackage of the run."""
        found = [self.folder / name for name in ("layout.gpkg", "audit.gpkg")]
        return next((path for path in found if path.exists()), found[0])

    def layer(self, name):
        """A layer of the GeoPackage as a GeoDataFrame, in the work CRS; lengths are metres, areas hectares (docs/schema.md)."""
        import geopandas

        return geopandas.read_file(self.package, layer=name)

    def table(self, name):
        """A table of the run, such as `blocks` or `compliance`, as a DataFrame; ids stay text."""
        import pandas

        return pandas.read_csv(self.folder / f"{name}.csv", dtype={"block_id": str}, comment=None)


def layout(project, out, *, only=None, jobs=None, resume=False, program=None):
    """Lays out the blocks of a project file into folder `out`; `only` is a list of block ids.

    Raises Failed where the program ends without results.
    """
    options = ["--out", str(out)]
    if resume:
        options.append("--resume")
    return _run("layout", project, _some(options, only, jobs), out, program)


def audit(project, out, *, plan=None, as_cut=None, accuracy=None, only=None, jobs=None, program=None):
    """Holds a plan, or what was cut, or both, against the rules of a project file.

    Raises Failed where the program ends without results, ValueError without plan and cut.
    """
    if plan is None and as_cut is None:
        raise ValueError("give a plan, or what was cut, or both")
    options = ["--out", str(out)]
    for option, value in (("--plan", plan), ("--as-cut", as_cut), ("--accuracy", accuracy)):
        if value is not None:
            options += [option, str(value)]
    return _run("audit", project, _some(options, only, jobs), out, program)


def inspect(project, *, program=None):
    """Reads all layers of a project file; the object that the program prints, with what is wrong and where."""
    return _run("inspect", project, [], ".", program).summary


def _some(options, only, jobs):
    if only is not None:
        options += ["--only", ",".join([only] if isinstance(only, str) else only)]
    if jobs is not None:
        options += ["--jobs", str(jobs)]
    return options


def _run(command, project, options, folder, program):
    found = program or os.environ.get("BLOCKWRIGHT") or shutil.which("blockwright")
    if not found:
        raise Failed(127, "the program blockwright is not on the path: install it, or name it by program=")
    done = subprocess.run(
        [str(found), command, str(project), *options, "--json"], capture_output=True, text=True, encoding="utf-8", check=False
    )
    if done.returncode not in (0, 3):
        raise Failed(done.returncode, done.stderr.strip() or done.stdout.strip())
    return Run(Path(folder), done.returncode, json.loads(done.stdout), done.stderr)
