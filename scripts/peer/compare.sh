#!/usr/bin/env bash
# Measures blockwright's core beside its peers on one input and checks that all have the same areas:
# compare.sh [BLOCKS] [ROUNDS]. Everything is made in target/peer; Python's packages go into a venv there.
set -euo pipefail

cd "$(dirname "${BASH_SOURCE[0]}")/../.."
blocks="${1:-2000}"
rounds="${2:-3}"
out=target/peer
mkdir -p "$out"
if [ ! -x "$out/venv/bin/python" ]; then
    python3 -m venv "$out/venv"
    "$out/venv/bin/pip" install --quiet --requirement scripts/peer/requirements.txt
fi
python="$out/venv/bin/python"
cargo build --release --locked --bin blockwright
core="$(cargo bench --locked --bench core --no-run --message-format=json |
    sed -n 's/.*"executable":"\([^"]*core-[^"]*\)".*/\1/p' | tail -n 1)"
district="$out/district-$blocks"
[ -f "$district/project.toml" ] ||
    target/release/blockwright demo --out "$district" --blocks "$blocks" --district-only --quiet
project="$district/project.toml"
input="$out/core-$blocks.gpkg"
rm -f "$input"
"$core" "$project" --export "$input" --areas "$out/blockwright.csv" >/dev/null
cpus="$(nproc)"
# Round by round, so that what else the machine does meets all of them.
for _ in $(seq "$rounds"); do
    "$core" "$project"
    "$core" "$project" --threads "$cpus"
    "$python" scripts/peer/core.py "$input" "$out/geopandas.csv"
    "$python" scripts/peer/core.py "$input" "$out/geopandas-all.csv" --processes "$cpus"
    scripts/peer/postgis.sh "$input" "$out/postgis.csv" || [ $? -eq 77 ]
done | tee "$out/times.txt"
for peer in geopandas geopandas-all postgis; do
    [ ! -f "$out/$peer.csv" ] || { printf '%s: ' "$peer"; "$python" scripts/peer/areas.py "$out/blockwright.csv" "$out/$peer.csv"; }
done
"$python" - "$out/times.txt" <<'PYTHON'
import collections, statistics, sys

found = collections.defaultdict(list)
for line in open(sys.argv[1]):
    name, *pairs = line.split()
    values = dict(pair.split("=") for pair in pairs)
    who = f"{name} {values.get('threads') or values.get('processes') or ''}".strip()
    found[who].append((float(values["core_s"]), float(values.get("peak_mib", "nan"))))
print(f"{'':16}{'core s':>10}{'peak MiB':>10}   (medians)")
for who, runs in found.items():
    seconds, peak = (statistics.median(column) for column in zip(*runs))
    print(f"{who:16}{seconds:10.3f}{peak:10.1f}")
PYTHON
