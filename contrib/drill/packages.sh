#!/usr/bin/env bash
# The Debian package and the container, each made of this checkout and played on a throw-away copy of this machine. Needs
# root, the .venv that contrib/check makes, and what compiles: gcc and the headers of Debian's Python (/usr/bin/python3-config).
set -euo pipefail
source "$(dirname "${BASH_SOURCE[0]}")/../environment.sh"

make_environment dev
WORK="$(mktemp -d)"
trap 'rm -rf "$WORK"' EXIT
"$ROOT/contrib/debian/build" "$WORK"
"$ROOT/contrib/debian/trial" "$WORK"/*.deb

mkdir -p "$WORK/site/secrets"
"$VENV/bin/pagereeve" example compose --into "$WORK/site"
for name in release-server prometheus grafana-admin; do
    openssl rand -hex 32 >"$WORK/site/secrets/$name"
done
"$ROOT/contrib/container/trial.py" "$WORK/site"
