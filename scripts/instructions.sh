#!/usr/bin/env bash
# Counts the instructions of one run, which, unlike seconds, hardly depend on what else the machine is doing:
#
#   scripts/instructions.sh [BLOCKS]     a demo district of so many blocks (default: 5), laid out on one thread
#
# Prints the total and the functions that take most. Two counts differ by under 0.1 %; a change that adds more shows.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"
set_up bench
command -v valgrind >/dev/null || die "valgrind is missing: https://valgrind.org"
cd "$root_dir"
cargo build --release --locked --quiet
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
target/release/blockwright --quiet demo --blocks "${1:-5}" --district-only --out "$work/district"
status=0
valgrind --quiet --tool=callgrind --callgrind-out-file="$work/counts" target/release/blockwright --quiet layout \
    "$work/district/project.toml" --out "$work/out" --jobs 1 >/dev/null 2>"$work/errors" || status=$?
# 3: something fell short or was set aside, as in every demo.
if [ "$status" -ne 0 ] && [ "$status" -ne 3 ]; then
    cat "$work/errors" >&2
    die "layout ended with $status"
fi
callgrind_annotate --threshold=60 "$work/counts" >"$work/table"
sed -n '/PROGRAM TOTALS/p' "$work/table"
sed -n '/file:function/,$p' "$work/table" | head -n 25 | cut -c 1-150
