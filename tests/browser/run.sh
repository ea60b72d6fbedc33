#!/usr/bin/env bash
# The pages in a real browser. Works on a bare Debian machine: brings Chromium and Node where they
# are missing (as root), the browser's driver and the accessibility checker, and builds what the
# tests start. With file names as arguments it runs those only:
#
#     tests/browser/run.sh tests/browser/papers.test.mjs
set -euo pipefail
cd "$(dirname "$0")/../.."

# Everything that is brought lies here and nowhere else.
kept="$PWD/target/browser"
packages=(playwright-core@1.65.1 axe-core@4.14.1)

missing=()
command -v chromium >/dev/null || missing+=(chromium)
command -v node >/dev/null || missing+=(nodejs)
command -v npm >/dev/null || missing+=(npm)
command -v openssl >/dev/null || missing+=(openssl)
python3 -c 'import ensurepip, venv' 2>/dev/null || missing+=(python3-venv)
if [ ${#missing[@]} -gt 0 ]; then
  if [ "$(id -u)" -ne 0 ]; then
    echo "these are missing, and only root can install them: ${missing[*]}" >&2
    echo "as root: apt-get install ${missing[*]}" >&2
    exit 1
  fi
  echo "== installing ${missing[*]}"
  apt-get update -qq
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
fi

mkdir -p "$kept"
stamp="$kept/packages.txt"
if [ "$(cat "$stamp" 2>/dev/null)" != "${packages[*]}" ]; then
  echo "== bringing ${packages[*]}"
  npm install --no-save --no-package-lock --no-audit --no-fund --silent \
    --prefix "$kept" "${packages[@]}"
  echo "${packages[*]}" >"$stamp"
fi

# What the checker of exports runs on, which shares no code with ours.
if [ ! -x "$kept/python/bin/python" ]; then
  echo "== bringing what tests/reference/check_export.py runs on"
  python3 -m venv "$kept/python.new"
  grep -E '^(blake3|cryptography)==' tests/reference/requirements.txt |
    "$kept/python.new/bin/pip" install --quiet --disable-pip-version-check -r /dev/stdin
  mv "$kept/python.new" "$kept/python"
fi

echo "== building what the tests start"
cargo build --locked --quiet -p headwalk-cli -p headwalk-sync-server --bins
cargo build --locked --quiet -p headwalk-yard --examples

# Rust's library for the browser comes from outside the registry of crates, and may not be had.
yard=made
sync-server/yard/build.sh || yard=missing

export HEADWALK_BIN="${CARGO_TARGET_DIR:-$PWD/target}/debug"
export HEADWALK_PYTHON="$kept/python/bin/python3"
export HEADWALK_BROWSER_MODULES="$kept/node_modules"
if [ $# -eq 0 ]; then
  set -- tests/browser/*.test.mjs
fi
if [ "$yard" = missing ]; then
  run=()
  for file in "$@"; do
    case "$file" in
      */yard*) echo "SKIPPED, not passed: $file, since the yard page cannot be made here" >&2 ;;
      *) run+=("$file") ;;
    esac
  done
  [ ${#run[@]} -gt 0 ] || exit 1
  set -- "${run[@]}"
fi
echo "== browser tests"
# One file at a time: each starts a browser of its own, and small machines have two cores.
node --test --test-concurrency=1 "$@"
