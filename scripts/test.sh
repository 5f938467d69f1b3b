#!/usr/bin/env bash
# Sets up what is missing, then runs all tests. Further arguments go to the test runner.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

set_up test
cd "$root_dir"
if cargo nextest --version >/dev/null 2>&1; then
    cargo nextest run --locked --all-targets --no-fail-fast "$@" </dev/null
else
    cargo test --locked --all-targets --no-fail-fast "$@" </dev/null
fi
cargo test --locked --doc </dev/null
