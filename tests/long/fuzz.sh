#!/usr/bin/env bash
# Fuzzes the roll reader, what opens packed files, and the look before anything is stored, a third of the time each.
#
#   CROSSFOOT_FUZZ_MINUTES   how long in all (10)
#   CROSSFOOT_FUZZ_CORPUS    folder in which what was found interesting is kept from run to run (target/fuzz)
#
# Seeds are fixtures/hostile and tests/fuzz/seeds. What makes a program fail is written to the folder `found` beside the
# corpus; mended, it goes to tests/fuzz/seeds, where an ordinary test tries it for ever.
set -euo pipefail
export LC_ALL=C.UTF-8
cd "$(dirname "${BASH_SOURCE[0]}")/../.."

minutes=${CROSSFOOT_FUZZ_MINUTES:-10}
corpus=${CROSSFOOT_FUZZ_CORPUS:-target/fuzz}

RUSTC_WORKSPACE_WRAPPER=$PWD/tests/fuzz/instrument \
    cargo build --workspace --features crossfoot-fuzz/libfuzzer --bin fuzz-reader --bin fuzz-unpack --bin fuzz-look

for target in reader unpack look; do
    mkdir -p "$corpus/$target" "$corpus/found"
    echo "--- $target"
    # the layouts take any file, long lines are tried by the tests: short inputs find more in the time
    "target/debug/fuzz-$target" "$corpus/$target" fixtures/hostile tests/fuzz/seeds \
        -max_total_time="$((minutes * 20))" -max_len=6000 -timeout=20 -rss_limit_mb=1024 \
        -artifact_prefix="$corpus/found/$target-" -dict=tests/fuzz/words.dict -print_final_stats=1 2>"$corpus/$target.log" || {
        tail -n 40 "$corpus/$target.log" >&2
        exit 1
    }
    grep -E '^stat::|^Done|DONE' "$corpus/$target.log"
done
