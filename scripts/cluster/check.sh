#!/usr/bin/env bash
# Shows that four shares through Dask are the bytes of one run, also when a worker is killed while it works:
# check.sh [BLOCKS]. Everything is made in target/cluster; Python's packages go into a venv there.
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/../.."
blocks="${1:-200}"
out=target/cluster
mkdir -p "$out"
if [ ! -x "$out/venv/bin/python" ]; then
    python3 -m venv "$out/venv"
    "$out/venv/bin/pip" install --quiet --requirement scripts/cluster/requirements.txt
fi
cargo build --release --locked --bin blockwright
program="$PWD/target/release/blockwright"
rm -rf "$out/district" "$out"/one "$out"/dask* "$out"/lossy*
"$program" demo --out "$out/district" --blocks "$blocks" --district-only --quiet
project="$out/district/project.toml"
# A few features of the demo are broken on purpose: the program ends with 3.
ends_with_3() { local status=0; "$@" || status=$?; [ "$status" -eq 3 ] || { echo "error: ended with $status" >&2; exit 1; }; }
ends_with_3 "$program" layout "$project" --out "$out/one" --quiet
share() { ends_with_3 "$out/venv/bin/python" scripts/cluster/dask_shares.py "$project" "$@" --program "$program"; }
share "$out/dask"
share "$out/lossy" --lose-one 6
for joined in dask lossy; do
    diff --recursive --brief --exclude run.json "$out/one" "$out/$joined"
    echo "$joined: the same bytes as one run, run.json apart"
done
