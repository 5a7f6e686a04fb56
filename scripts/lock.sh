#!/bin/sh
# Resolve requirements/*.in again. Needs pip-compile; no index address may end up in a lock.
set -eu
cd "$(dirname "$0")/.."
for name in runtime dev; do
  pip-compile --quiet --generate-hashes --allow-unsafe --strip-extras --no-header \
    --no-emit-index-url --no-emit-find-links \
    -o "requirements/$name.lock" "requirements/$name.in"
done
