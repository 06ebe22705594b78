#!/bin/sh
# The contestant crossfoot of the nightly benchmark: the next edition over the one that stands in FRESH/data, and what it
# changes judged again. Called by compare.py, with a copy of the state before; figures.py reads what came of it.
#
#   sh benches/nightly.sh DIR FRESH ROLL [DATABASE_URL]
set -eu
dir=$1 fresh=$2 roll=$3 url=${4:-}
bin=$(dirname "$0")/../target/release/crossfoot
run() {
    "$bin" --data "$fresh/data" --database "$url" "$@" >&2
}
run import roll "$roll" --layout "$dir/layout.toml" --keep-later
run reconcile
