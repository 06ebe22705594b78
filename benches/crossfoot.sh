#!/bin/sh
# The contestant crossfoot of the benchmark: import, join, judge, queue, by the release build. Called by
# compare.py; figures.py reads what came of it. The roll is read where it lies and not copied: keeping it is another job.
#
#   sh benches/crossfoot.sh DIR FRESH [DATABASE_URL]
#
# FRESH is a new folder; with a DATABASE_URL (postgres://…, an empty database) the records go there.
set -eu
dir=$1 fresh=$2 url=${3:-}
bin=$(dirname "$0")/../target/release/crossfoot
run() {
    "$bin" --data "$fresh/data" --database "$url" "$@" >&2
}
run policy set "$dir/policy.toml"
run import roll "$dir/roll.csv" --layout "$dir/layout.toml" --keep-later
run import houses "$dir/houses.csv"
run reconcile
