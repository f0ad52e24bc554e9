#!/usr/bin/env bash
# Proofs of what the program promises, from a clean checkout: builds what it
# needs into a temporary folder, prints a table and leaves nothing behind.
#
#	deploy/prove.sh NAME [--files DIR] [--seed N] [--runs N] [--rows LIST]
#	deploy/prove.sh board [--side tune|print] [--kinds LIST] [--size 0.1] [--seed N]
#	deploy/prove.sh board --files DIR --labels CSV
#
# Exits 0 when every row is within its limit, 1 when one falls short, 2 when
# asked for something it does not have.
set -euo pipefail
root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
work=$(mktemp -d "${TMPDIR:-/tmp}/prove-XXXXXX")
trap 'rm -rf "$work"' EXIT
go -C "$root" build -o "$work/prove" ./deploy/prove
status=0
TMPDIR="$work" "$work/prove" --root "$root" "$@" || status=$?
exit "$status"
