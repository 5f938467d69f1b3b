#!/usr/bin/env bash
# Sets up what is missing, then runs all tests and says last which of them failed. Further arguments go to `cargo test`.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

set_up test
cd "$root_dir"
log="$(mktemp)"
trap 'rm -f "$log"' EXIT
failed=0
# Many tests in one program share what is dear to set up: GDAL's start, and districts laid out.
cargo test --locked --all-targets --no-fail-fast "$@" </dev/null | tee "$log" || failed=1
cargo test --locked --doc </dev/null | tee -a "$log" || failed=1
awk '/^test result: / { passed += $4; failed += $6 } END { print ""; print "tests: " passed " passed, " failed " failed" }' "$log"
grep -E '^test .* \.\.\. FAILED$' "$log" || true
exit "$failed"
