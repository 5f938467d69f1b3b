#!/usr/bin/env bash
# Sets up what is missing, then writes the invented district and lays it out in demo-out.
# Further arguments go to `blockwright demo`, for example: scripts/demo.sh --blocks 200
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

set_up build
cd "$root_dir"
exec cargo run --release -- demo --out demo-out "$@"
