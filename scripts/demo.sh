#!/usr/bin/env bash
# Sets up what is missing, then writes the invented district and lays it out in demo-out.
# Further arguments go to `blockwright demo`, for example: scripts/demo.sh --blocks 200
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

set_up build
cd "$root_dir"
status=0
cargo run --release --locked -- demo --out demo-out "$@" || status=$?
# A few features of the demo are broken on purpose, so that the program ends with 3: done, but something was set aside.
if [ "$status" -eq 3 ]; then
    say 'The demo is done. What was set aside was broken on purpose; see demo-out/layout/set_aside.csv.'
    say 'Open demo-out/layout/report/index.html in a browser.'
    status=0
fi
exit "$status"
