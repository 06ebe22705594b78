#!/usr/bin/env bash
# Twenty kills of each kind of work, of commands and of workers, on both databases (tests/tests/faults/kills.rs), and of each
# step that is aimed at (aimed.rs).
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

export CROSSFOOT_KILLS=20 CROSSFOOT_KILL_ROWS=200000
for killed in command worker; do
    CROSSFOOT_KILLED=$killed cargo test --release --locked -p crossfoot-tests --test faults kills:: -- --nocapture --test-threads 1
done
CROSSFOOT_KILL_ROWS=50000 cargo test --release --locked -p crossfoot-tests --test faults aimed:: -- --nocapture --test-threads 1
