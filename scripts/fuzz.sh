#!/usr/bin/env bash
# Runs the fuzz targets of tests/fuzz and ends with 1 if any input crashed, hung or took too much memory.
#
#   scripts/fuzz.sh [SECONDS] [TARGET...]     each target (default: all) for so many seconds (default: 60)
#   scripts/fuzz.sh [SECONDS] seeds           the random tests of the suite on fresh seeds, until one fails
#
# Needs crates from the registry: cargo-fuzz is installed if it is missing, and the targets have dependencies of their own.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

set_up build
cd "$root_dir"

seconds="${1:-60}"
[[ "$seconds" =~ ^[0-9]+$ ]] || die "SECONDS is a whole number, not $seconds"
shift || true
if [ "${1:-}" = seeds ]; then
    # Tests of src by their modules, those of tests by their files.
    mapfile -t modules < <(grep -rl --include='*.rs' 'proptest!' src | sed 's#^src/##; s#\.rs$##; s#/\(tests\|mod\)$##; s#/#::#g' | sort)
    mapfile -t files < <({ grep -l 'proptest!' tests/*/*.rs; echo tests/laying/campaign.rs; } | sed 's#^tests/##; s#\.rs$##' | sort)
    mapfile -t rooms < <(printf -- '--test=%s\n' "${files[@]%/*}" | sort -u)
    cargo test --locked --no-run --lib "${rooms[@]}" </dev/null
    log=target/seeds.log
    runs=0
    until="$((SECONDS + seconds))"
    while :; do
        PROPTEST_RNG_SEED="$(od -An -N7 -tu8 /dev/urandom | tr -d ' ')"
        BLOCKWRIGHT_PAIRS_SEED="$PROPTEST_RNG_SEED"
        export PROPTEST_RNG_SEED BLOCKWRIGHT_PAIRS_SEED
        if ! { cargo test --locked --lib -- "${modules[@]}" && cargo test --locked "${rooms[@]}" -- "${files[@]/#*\//}"; } </dev/null >"$log" 2>&1; then
            grep -E '^(test .* FAILED|---- |minimal failing|proptest: )' "$log" || tail -n 20 "$log"
            git status --short | grep proptest-regressions || true
            die "seed $PROPTEST_RNG_SEED fails after $runs that passed; see $log"
        fi
        runs="$((runs + 1))"
        [ "$SECONDS" -lt "$until" ] || break
    done
    say "$runs seeds passed"
    exit 0
fi
targets=("$@")
if [ "${#targets[@]}" -eq 0 ]; then
    targets=(geometry geojson project rulebook crew gpx)
fi
for target in "${targets[@]}"; do
    [ -f "tests/fuzz/fuzz_targets/$target.rs" ] || die "there is no fuzz target $target"
done

cargo fuzz --version >/dev/null 2>&1 || cargo install cargo-fuzz --locked </dev/null
# The one stable toolchain will do: coverage is counted by flags of the compiler that are not settled yet.
export RUSTC_BOOTSTRAP=1
options=(--fuzz-dir tests/fuzz --release --sanitizer none)
for target in "${targets[@]}"; do
    cargo fuzz build "${options[@]}" "$target" </dev/null
done

# Scratch files in memory where there is such a place.
memory=/dev/shm
[ -w "$memory" ] || memory=/tmp
TMPDIR="$(mktemp -d "$memory/blockwright-fuzz-XXXXXX")"
export TMPDIR
trap 'rm -rf "$TMPDIR"' EXIT

logs=tests/fuzz/target/logs
mkdir -p "$logs"
crashed=0
TIMEFORMAT='%U %S'
printf '%-10s %10s %9s %9s %8s  %s\n' target runs coverage 'CPU min' outcome input
for target in "${targets[@]}"; do
    work="tests/fuzz/target/corpus/$target"
    artifacts="tests/fuzz/artifacts/$target"
    log="$logs/$target.log"
    mkdir -p "$work" "$artifacts"
    outcome=clean
    inputs=("$work" "tests/fuzz/corpus/$target")
    [ ! -d "tests/fuzz/found/$target" ] || inputs+=("tests/fuzz/found/$target")
    # Geometry is numbers, which have no words.
    words=()
    [ ! -f "tests/fuzz/dictionaries/$target.dict" ] || words=("-dict=tests/fuzz/dictionaries/$target.dict")
    {
        time cargo fuzz run "${options[@]}" "$target" "${inputs[@]}" -- \
            "${words[@]}" "-max_total_time=$seconds" -timeout=20 -rss_limit_mb=2048 \
            -max_len=8192 -print_final_stats=1 </dev/null >"$log" 2>&1 || outcome=CRASHED
    } 2>"$logs/$target.time"
    runs="$(sed -n 's/^stat::number_of_executed_units: *//p' "$log" | tail -n 1)"
    coverage="$(grep -o 'cov: [0-9]*' "$log" | tail -n 1 | cut -d ' ' -f 2 || true)"
    minutes="$(tail -n 1 "$logs/$target.time" | awk '{ printf "%.1f", ($1 + $2) / 60 }')"
    input=
    if [ "$outcome" != clean ]; then
        crashed=1
        input="$(sed -n 's/.*Test unit written to //p' "$log" | tail -n 1)"
        input="${input:-see $log}"
    fi
    printf '%-10s %10s %9s %9s %8s  %s\n' "$target" "${runs:-0}" "${coverage:-0}" "$minutes" "$outcome" "$input"
done
exit "$crashed"
