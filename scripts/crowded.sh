#!/usr/bin/env bash
# Lays out blocks whose edges crowd within the distance of a rule, and prints the user time of each: crowded.sh [PROGRAM]
# The cases under "found" are taken from BLOCKWRIGHT_SHARED or ../shared where that is there.
set -euo pipefail
cd "$(dirname "$0")/.."
program=${1:-target/release/blockwright}
if [ ! -x "$program" ]; then
    cargo build --release --quiet
fi
program=$(realpath "$program")
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

measure() { # name project
    local seconds
    # Exit 3 says that a rule is not met, which is no matter here.
    seconds=$( { /usr/bin/time -f %U "$program" layout "$2" --out "$work/out" --jobs 1 --quiet >"$work/said" 2>&1; } 2>&1 | tail -1) || true
    printf '%-28s %8s s\n' "$1" "$seconds"
    rm -rf "$work/out"
}

found=${BLOCKWRIGHT_SHARED:-../shared}/data/found
if [ -d "$found" ]; then
    for project in "$found"/slow-*/p*.toml; do
        measure "found $(basename "$(dirname "$project")") $(basename "$project" .toml)" "$project"
    done
else
    echo "skipped: no shared data"
fi
for kind in zigzag spiral crumbs teeth comb jagged-lake points; do
    for vertices in 2000 20000 100000; do
        python3 scripts/huge_block.py "$kind" "$work/$kind" "$vertices"
        measure "$kind $vertices" "$work/$kind/project.toml"
    done
done
