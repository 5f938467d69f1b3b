#!/usr/bin/env bash
# Holds finished layouts against checks that share no code with the program, where these lie beside the checkout in
# ../shared/verify (or in BLOCKWRIGHT_SHARED): the demo of three seeds, variants of it, small hard cases, and
# shift plans of the demo at four places between 42° S and 78° N, with and without news.
# verify.sh [BLOCKS]; everything is made in target/verify. Ends with 1 if any check fails.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"
shared="$(realpath -m "${BLOCKWRIGHT_SHARED:-$root_dir/../shared}")"
if [ ! -f "$shared/verify/verify.py" ]; then
    say 'skipped: no shared data'
    exit 0
fi
blocks="${1:-24}"
set_up build
cd "$root_dir"
out="$root_dir/target/verify"
mkdir -p "$out"
if [ ! -f "$out/venv/ready" ]; then
    python3 -m venv "$out/venv"
    "$out/venv/bin/pip" install --quiet --requirement scripts/verify/requirements.txt
    touch "$out/venv/ready"
fi
python="$out/venv/bin/python"
cargo build --release --locked --bin blockwright
export BW="$root_dir/target/release/blockwright"
failed=()
# The checks run from a copy: their hard cases are written beside them, and what the documents say since is read there.
rm -rf "$out/checks"
cp -r "$shared/verify" "$out/checks"
chmod -R u+w "$out/checks"
"$python" scripts/verify/reading.py "$out/checks"

# judge NAME PROJECT LAYOUT
judge() {
    printf '\n== %s\n' "$1"
    if ! "$python" "$out/checks/verify.py" "$2" "$3" >"$out/$1.txt" 2>&1; then
        failed+=("$1")
        grep -A 3 '^FAIL' "$out/$1.txt" || tail -n 5 "$out/$1.txt"
    fi
    printf '%s checks passed\n' "$(grep -c '^PASS' "$out/$1.txt" || true)"
    if ! "$python" scripts/verify/ways.py "$3" >"$out/$1-ways.txt" 2>&1; then
        failed+=("ways of $1")
    fi
    cat "$out/$1-ways.txt"
}

# lay_out PROJECT OUT: broken features are part of the demo, so 3 is as good as 0.
lay_out() {
    local status=0
    rm -rf "$2"
    "$BW" layout "$1" --out "$2" --quiet >/dev/null || status=$?
    [ "$status" -eq 0 ] || [ "$status" -eq 3 ] || die "layout of $1 ended with $status"
}

for seed in 7 11 42; do
    district="$out/district-$seed"
    rm -rf "$district"
    "$BW" demo --out "$district" --blocks "$blocks" --seed "$seed" --district-only --quiet >/dev/null
    lay_out "$district/project.toml" "$out/layout-$seed"
    judge "seed-$seed" "$district/project.toml" "$out/layout-$seed"
done
while IFS= read -r variant; do
    project="$out/district-11/$variant.toml"
    lay_out "$project" "$out/$variant"
    judge "$variant" "$project" "$out/$variant"
done < <("$python" scripts/verify/variants.py "$out/district-11/project.toml")

printf '\n== hard cases\n'
(cd "$out/checks" && "$python" make_cases.py --run) | tee "$out/cases.txt"
if grep -q '^FAIL' "$out/cases.txt"; then
    failed+=('hard cases')
fi

printf '\n== seeded audits\n'
for seed in 7 11; do
    district="$out/district-$seed"
    rm -rf "$district/layout"
    cp -r "$out/layout-$seed" "$district/layout"
    if ! "$python" "$out/checks/seed_audit.py" "$district/project.toml" "$BW" "$out/seeded-$seed" >"$out/seeded-$seed.txt" 2>&1; then
        failed+=("seeded audits of $seed")
        grep -E '^FALSE|MISS' "$out/seeded-$seed.txt" || true
    fi
    tail -n 1 "$out/seeded-$seed.txt"
done

printf '\n== shifts\n'
rm -rf "$out/shifts"
if ! "$python" scripts/verify/dispatch.py "$BW" "$out/district-7" "$out/checks" "$out/shifts"; then
    failed+=('shifts')
fi

if [ "${#failed[@]}" -gt 0 ]; then
    printf '\nfailed: %s\n' "${failed[*]}"
    exit 1
fi
printf '\nall checks from outside passed\n'
