#!/usr/bin/env bash
# Draws the pictures of docs/shapes.md, docs/after-the-plan.md and docs/tutorial.md anew, from fixtures/shapes, fixtures/after_the_plan and
# the tutorial's own commands.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

set_up build
cd "$root_dir"
out="$(mktemp -d)"
trap 'rm -rf "$out"' EXIT
cargo run --release --locked -- layout fixtures/shapes/project.toml --out "$out/layout" --quiet
mkdir -p docs/images/shapes
for map in "$out"/layout/maps/*.svg; do
    name="$(basename "$map")"
    cp "$map" "docs/images/shapes/${name#+}"
done

# Each plan takes the place of the one before it, as the document tells.
story=fixtures/after_the_plan
pictures=docs/images/after
mkdir -p "$pictures"
lay_out() {
    number="$1"
    shift
    cargo run --release --locked -- layout "$story/project.toml" --out "$out/plan-$number" --plan-number "$number" --quiet "$@"
    cp "$out/plan-$number/maps/N-1.svg" "$pictures/plan-$number.svg"
}
lay_out 1 --plan-date 2031-01-10
cut=(--cut "$story/cut.geojson")
lay_out 2 --plan-date 2031-01-24 --replaces "$out/plan-1" "${cut[@]}"
nest=("${cut[@]}" --notes "$story/nest.gpx")
lay_out 3 --plan-date 2031-02-04 --replaces "$out/plan-2" "${nest[@]}"
cp "$out/plan-3/changes/N-1.svg" "$pictures/changes-3.svg"
lay_out 4 --plan-date 2031-02-11 --replaces "$out/plan-3" "${nest[@]}" --notes "$story/line.gpx"

# The tutorial's commands as they are printed, in a folder that has the documents beside it.
tutorial="$out/tutorial"
pictures=docs/images/tutorial
mkdir -p "$tutorial" "$pictures"
ln -s "$root_dir/docs" "$tutorial/docs"
awk '/^```sh/ { on = 1; next } /^```/ { on = 0 } on' docs/tutorial.md >"$tutorial/commands.sh"
(cd "$tutorial" && PATH="$root_dir/target/release:$PATH" sh -e commands.sh >commands.log 2>&1)
cp "$tutorial/plan/maps/N-1.svg" "$pictures/n-1-cut-off.svg"
cp "$tutorial/bridged/maps/N-1.svg" "$pictures/n-1.svg"
cp "$tutorial/bridged/maps/N-3.svg" "$pictures/n-3.svg"
