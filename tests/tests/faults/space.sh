# space PROGRAM PYTHON ROLL DATA KEPT, within a mount namespace of its own. Prints `what value` lines.
set -eu
program=$1 python=$2 roll=$3 data=$4 kept=$5
run() {
    "$program" --data "$data" "$@" 2>"$roll/words"
}
# Runs a command and prints its exit code and what it complains of.
attempt() {
    name=$1
    shift
    code=0
    run "$@" >/dev/null || code=$?
    echo "$name $code"
    echo "$name-words $(tr '\n' ' ' <"$roll/words")"
}
in_use() {
    echo "$1-in-use $("$python" -c '
import sqlite3, sys
database = sqlite3.connect(f"file:{sys.argv[1]}/crossfoot.db?mode=ro", uri=True)
print(*[database.execute(query).fetchone()[0] for query in (
    "SELECT max(current_edition) FROM source", "SELECT count(*) FROM to_judge",
    "SELECT count(*) FROM edition WHERE state = \"current\"")])' "$data")"
}
space() {
    mount -o "remount,size=$1" "$data"
}
import() {
    attempt "$1" import roll "$roll/roll.csv" --layout "$roll/layout.toml"
}

mount -t tmpfs -o size=64m crossfoot-tests "$data"
run policy set "$roll/policy.toml" >/dev/null
run import houses "$roll/houses.csv" >/dev/null
used=$(du -sk "$data" | cut -f 1)
original=$(du -sk "$roll/roll.csv" | cut -f 1)
space "$((used + original / 2))k"
import original
in_use original
space "$((used + original + original / 2))k"
import records
in_use records
space 64m
import import-again
space "$(($(du -sk "$data" | cut -f 1) + 100))k"
attempt reconcile reconcile
space 64m
attempt reconcile-again reconcile
cp -a "$data" "$kept"
