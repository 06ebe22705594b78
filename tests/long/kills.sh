#!/usr/bin/env bash
# Twenty kills and more of each kind of work, on both databases. Needs the release programs (.ci/long builds them).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
target/release/make-roll --rows 200000 --houses 40000 --seed 3 --out "$folder" >/dev/null
python3 tests/oracle/kills.py --programs target/release --roll "$folder" --kills 14

# A server of its own; it ends when its input does.
coproc SERVER { cargo run -q --locked -p crossfoot-testbed; }
read -r url <&"${SERVER[0]}"
python3 tests/oracle/kills.py --programs target/release --roll "$folder" --kills 14 --database "$url"
