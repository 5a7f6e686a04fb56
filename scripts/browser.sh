#!/bin/sh
# Debian's chromium for the browser tests: says so when it is there. With --install it is fetched
# when missing, which needs root; without, it only says what to type.
set -eu
for name in chromium chromium-browser; do
  if command -v "$name" >/dev/null 2>&1; then
    echo "browser tests use $(command -v "$name")"
    exit 0
  fi
done
if [ "${1:-}" != "--install" ]; then
  echo "The browser tests need chromium, which is not here. On Debian and its relatives:" >&2
  echo "  sudo apt-get install chromium" >&2
  echo "Without it: make test PYTEST_ARGS='--ignore=tests/web'" >&2
  exit 2
fi
as_root=""
if [ "$(id -u)" -ne 0 ]; then
  as_root="sudo -n"
fi
export DEBIAN_FRONTEND=noninteractive
$as_root apt-get update -qq
$as_root apt-get install -y -qq --no-install-recommends chromium
command -v chromium
