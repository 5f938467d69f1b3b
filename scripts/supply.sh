#!/usr/bin/env bash
# Looks at what the program stands on: licences, bans, sources and, where their database can be had, advisories; then writes a
# bill of materials (CycloneDX 1.5, JSON) with the system's libraries: supply.sh [FILE].
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"
set_up build
cd "$root_dir"
out="${1:-target/sbom.cdx.json}"

# tool NAME VERSION: builds a tool into target/tools where it is missing.
tool() {
    [ -x "target/tools/bin/$1" ] || cargo install --quiet --locked --root target/tools --version "$2" "$1"
}
tool cargo-deny "^0.20"
tool cargo-cyclonedx "^0.5"
PATH="$root_dir/target/tools/bin:$PATH"

cargo deny --locked --config .config/deny.toml check --hide-inclusion-graph licenses bans sources
if cargo deny --log-level off --locked --config .config/deny.toml fetch db; then
    cargo deny --locked --config .config/deny.toml check advisories
else
    say "advisories: not checked, for their database cannot be had here"
fi

# No serial number, and the time of the last commit: the same commit gives the same bytes.
SOURCE_DATE_EPOCH="$(git log -1 --format=%ct 2>/dev/null || printf 0)"
export SOURCE_DATE_EPOCH
cargo cyclonedx --quiet --format json --spec-version 1.5 --override-filename sbom
mkdir -p "$(dirname "$out")"
python3 - sbom.json "$out" <<'PYTHON'
import json, os, subprocess, sys

with open(sys.argv[1]) as file:
    bill = json.load(file)
bill.pop("serialNumber", None)


def found(*command):
    try:
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()
    except (OSError, subprocess.CalledProcessError):
        return None


# What is linked dynamically, as found on this machine.
libraries = [
    ("gdal", found("pkg-config", "--modversion", "gdal"), "MIT"),
    ("geos", found("geos-config", "--version") or found("pkg-config", "--modversion", "geos"), "LGPL-2.1-only"),
    ("proj", found("pkg-config", "--modversion", "proj"), "MIT"),
    ("sqlite3", found("pkg-config", "--modversion", "sqlite3"), None),
]
root = os.getcwd()
for name, version, licence in libraries:
    part = {"type": "library", "bom-ref": f"system:{name}", "name": name, "scope": "required"}
    if version:
        part["version"] = version
    if licence:
        part["licenses"] = [{"license": {"id": licence}}]
    bill["components"].append(part)
bill["components"].sort(key=lambda part: part["bom-ref"])
text = json.dumps(bill, indent=2, sort_keys=True).replace(f"file://{root}", "file://.").replace(root, ".")
with open(sys.argv[2], "w") as file:
    file.write(text + "\n")
print(f"{sys.argv[2]}: {len(bill['components'])} components")
PYTHON
rm -f sbom.json src/gdal-calls/sbom.json
