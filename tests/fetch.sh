#!/usr/bin/env bash
# Gets what the tests check our pages with into tests/fetched/: axe-core (MPL-2.0),
# out of a Python wheel at a pinned version and hash. No Python code of it is run or
# installed. What is there and right is left alone.
set -euo pipefail
cd "$(dirname "$0")"

sum="84494fec757e4710dc751c8d7a636e457f4532f08f85c86dc9070133fbff53bc  fetched/axe.min.js"
right() { sha256sum --check --status <<<"$sum" 2>/dev/null; }
if right; then exit 0; fi

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
echo "axe-playwright-python==0.1.8 --hash=sha256:fdd263c998388f1a8e67cad02677e612d946248bd44d163be5e8650ea31f95f8" >"$work/wanted"
python3 -m pip download --quiet --disable-pip-version-check --no-deps --require-hashes --only-binary=:all: \
    --dest "$work" --requirement "$work/wanted" || {
    printf 'error: %s\nhint: %s\n' "axe-core could not be downloaded" "check the network; without it the test that uses it is skipped" >&2
    exit 1
}
mkdir -p fetched
python3 -m zipfile -e "$work"/*.whl "$work/out"
mv -f "$work/out/axe_playwright_python/axe.min.js" fetched/
right || {
    rm -f fetched/axe.min.js
    printf 'error: %s\nhint: %s\n' "axe.min.js is not what it should be" "do not use it; report the version of pip" >&2
    exit 1
}
echo "tests: axe-core fetched and checked, in tests/fetched/" >&2
