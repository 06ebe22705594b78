#!/bin/sh
# PostgreSQL's side of the benchmark: the typed rows that crossfoot stored, binary, copied by psql into a new table with
# the same columns and the same two indexes. Typing and checking the roll's text are done already.
#
#   sh benches/peer_copy.sh out FILE URL    writes the rows of the database at URL, where crossfoot loaded the roll
#   sh benches/peer_copy.sh in FILE URL     the job that is timed; the table is left behind
set -eu
way=$1 file=$2 url=$3
psql() {
    command psql -X -q -v ON_ERROR_STOP=1 "$@" "$url"
}
case $way in
out) psql -c "\\copy (SELECT * FROM record) TO '$file' (FORMAT binary)" ;;
in)
    psql --single-transaction \
        -c 'DROP TABLE IF EXISTS record_copied' \
        -c 'CREATE TABLE record_copied (LIKE record INCLUDING DEFAULTS)' \
        -c "\\copy record_copied FROM '$file' (FORMAT binary)" \
        -c 'CREATE INDEX ON record_copied (parcel_key)' \
        -c 'CREATE UNIQUE INDEX ON record_copied (number)'
    psql -A -t -c "SELECT json_build_object('rows', count(*)) FROM record_copied"
    ;;
esac
