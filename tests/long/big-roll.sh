#!/usr/bin/env bash
# The main job at a million rows: exact counts and sums, memory below 256 MiB, beside a peer. Needs the release programs.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
target/release/make-roll --rows 1000000 --houses 200000 --seed 1 --out "$folder" >/dev/null
result=$(python3 benches/compare.py "$folder" --repeats 3 \
    --contestant 'duckdb=.oracle/bin/python benches/peer_duckdb.py {dir} {fresh}/peer.duckdb' \
    --contestant 'crossfoot=sh benches/crossfoot.sh {dir} {fresh}' | tee /dev/stderr | tail -n 1)
python3 - "$result" <<'PY'
import json, sys
median = json.loads(sys.argv[1])["medians"]["crossfoot"]["rss_mib"]
print(f"peak resident memory {median} MiB, at most 256")
sys.exit(median > 256)
PY
