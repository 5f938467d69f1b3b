#!/usr/bin/env bash
# Builds a Python wheel that carries the program and the module for notebooks: target/wheel/blockwright-VERSION-py3-none-PLATFORM.whl.
# `pip install` of it gives the command `blockwright` and `import blockwright`. The program asks for the GDAL library of the
# distribution that it was built on, which pip cannot bring: install that first (libgdal32 on Debian 12).
#
#   scripts/wheel.sh [--program FILE] [--try]
#
# --program takes a program that is built already; --try installs the wheel into an environment of its own and lays out a small demo.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

trial=false
program=''
while [ "$#" -gt 0 ]; do
    case "$1" in
        --try) trial=true ;;
        --program)
            program="${2:?--program needs a file}"
            shift
            ;;
        *)
            echo "usage: scripts/wheel.sh [--program FILE] [--try]" >&2
            exit 2
            ;;
    esac
    shift
done

if [ -z "$program" ]; then
    set_up build
    cd "$root_dir"
    cargo build --profile dist --locked
    program=target/dist/blockwright
fi
program="$(realpath "$program")"
cd "$root_dir"
version="$("$program" --version | cut -d' ' -f2)"
platform="linux_$(uname -m)"
out=target/wheel
rm -rf "$out"
mkdir -p "$out"
python3 -m venv "$out/tools"
"$out/tools/bin/pip" install --quiet -r scripts/python/requirements.txt

folder="$out/blockwright-$version"
info="$folder/blockwright-$version.dist-info"
mkdir -p "$info/licenses"
install -D -m 755 "$program" "$folder/blockwright-$version.data/scripts/blockwright"
install -m 644 scripts/python/blockwright.py "$folder/blockwright.py"
install -m 644 LICENSE-MIT LICENSE-APACHE "$info/licenses/"
# The core metadata of the packaging standard, and which machines the wheel is for.
cat >"$info/METADATA" <<EOF
Metadata-Version: 2.4
Name: blockwright
Version: $version
Summary: Prepares felling blocks: buffers, strips, retention, day and night sections, proofs against the rules
License-Expression: MIT OR Apache-2.0
License-File: LICENSE-MIT
License-File: LICENSE-APACHE
Requires-Python: >=3.9
Requires-External: libgdal
Provides-Extra: layers
Requires-Dist: geopandas; extra == "layers"
Description-Content-Type: text/markdown

EOF
cat README.md >>"$info/METADATA"
cat >"$info/WHEEL" <<EOF
Wheel-Version: 1.0
Generator: blockwright ($version)
Root-Is-Purelib: false
Tag: py3-none-$platform
EOF
"$out/tools/bin/wheel" pack --dest-dir "$out" "$folder" >/dev/null
wheel="$(ls "$out"/*.whl)"
echo "$wheel: $(stat -c %s "$wheel") bytes"

if $trial; then
    work="$(mktemp -d)"
    trap 'rm -rf "$work"' EXIT
    python3 -m venv "$work/clean"
    "$work/clean/bin/pip" install --quiet "$wheel"
    status=0
    (cd "$work" && clean/bin/blockwright demo --out demo --blocks 6 --quiet) || status=$?
    # Features of the demo are broken on purpose: done, but something was set aside.
    if [ "$status" -ne 3 ] || [ ! -s "$work/demo/layout/layout.gpkg" ]; then
        echo "the installed program did not lay the demo out: it ended with $status" >&2
        exit 1
    fi
    PATH="$work/clean/bin:$PATH" "$work/clean/bin/python" -c "
import blockwright
run = blockwright.audit('$work/demo/project.toml', '$work/audit', plan='$work/demo/layout/layout.gpkg')
assert run.package.exists(), run"
    echo 'installed and tried: the command lays out the demo, the module audits it'
fi
