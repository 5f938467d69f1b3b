#!/usr/bin/env bash
# Changes the code of geometry, layout, compliance and audit in one place at a time and sees whether a test fails.
#
#   scripts/mutants.sh [COUNT] [SEED]     so many mutants (default: 200), drawn by lot (default seed: 1)
#
# Needs crates from the registry: cargo-mutants, which lists the mutants, is installed if it is missing, and the tool that
# builds them all at once has dependencies of its own.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

set_up test
cd "$root_dir"

count="${1:-200}"
seed="${2:-1}"
[[ "$count" =~ ^[0-9]+$ && "$seed" =~ ^[0-9]+$ ]] || die "COUNT and SEED are whole numbers, not $count and $seed"

folders=('src/geometry/**' 'src/layout/**' 'src/compliance/**' 'src/audit/**')
# Those that judge the main job and are quick, besides the unit tests.
tests=(
    judging::{audit_files,audit_geos,audit_seeded,block_shares,certificate,doctored_plans}
    laying::{block_rules,bunches,closed_form,found_blocks,hours,slope_widths,steep_ground,ways}
    reading::terrain running::shares writing::tracks
)

cargo mutants --version >/dev/null 2>&1 || cargo install cargo-mutants --locked </dev/null
work="$root_dir/target/mutants"
tree="$work/tree"
mkdir -p "$work"
cargo build --quiet --manifest-path tests/mutants/Cargo.toml --locked --target-dir "$work/tool" </dev/null
tool="$work/tool/debug/blockwright-mutants"

# Everything is built and tried in a copy. Where the sources are what they were, the last build will do.
export CARGO_TARGET_DIR="$work/build"
export CARGO_TERM_PROGRESS_WHEN=never
state="$(find Cargo.toml Cargo.lock src fixtures tests -path tests/fuzz/target -prune -o -type f -print0 | sort -z | xargs -0 sha256sum | sha256sum)"
if [ "$state" != "$(cat "$work/state" 2>/dev/null)" ]; then
    rm -rf "$tree" "$work/state"
    mkdir -p "$tree"
    tar --exclude=./target --exclude=./.git --exclude=./tests/fuzz/target -cf - . | tar -xf - -C "$tree"
    cargo mutants --list --json "${folders[@]/#/--file=}" </dev/null >"$work/list.json"
    say "weaving in $(grep -c '"genre"' "$work/list.json") mutants"
    "$tool" weave "$work/list.json" "$tree" 2>"$work/weave.log" || die "the mutants do not build; see $work/weave.log"
    printf '%s\n' "$state" >"$work/state"
fi

# Scratch files in memory where there is such a place.
memory=/dev/shm
[ -w "$memory" ] || memory=/tmp
TMPDIR="$(mktemp -d "$memory/blockwright-mutants-XXXXXX")"
export TMPDIR
trap 'rm -rf "$TMPDIR"' EXIT
RUST_BACKTRACE=0 "$tool" try "$tree" "$count" "$seed" "${tests[@]}" 2>"$work/try.log" ||
    die "the mutants were not tried; see $work/try.log"
say "those that survived: $tree/survivors.tsv (number, tests that meet it, mutant)"
