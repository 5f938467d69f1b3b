#!/usr/bin/env bash
# Draws the pictures of docs/shapes.md anew from fixtures/shapes.
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
