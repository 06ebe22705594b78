#!/usr/bin/env python3
"""The result of the benchmark as the databases hold it, in the names of expected.json.

    python3 benches/figures.py DATA_FOLDER [DATABASE_URL]

Reads the SQLite files with the standard library, or PostgreSQL through psql: nothing of crossfoot's own code takes
part. Areas are square micrometres there (92,903,040,000 to the square foot), money cents. Sums are taken in Python,
because a sum of square micrometres overflows 64 bits at some 66,000 houses.
"""
import json
import sqlite3
import subprocess
import sys
from pathlib import Path

SQUARE_FOOT = 92_903_040_000


def main(data, url):
    """Prints one line of JSON."""
    if url:
        def query(sql, records=False):
            out = subprocess.run(["psql", "-X", "-A", "-t", "-q", "-F", "\t", "-c", sql, url], check=True, capture_output=True, text=True)
            return [line.split("\t") for line in out.stdout.splitlines()]
    else:
        main_file = sqlite3.connect(f"file:{data}/crossfoot.db?mode=ro", uri=True)
        (container,) = main_file.execute("SELECT container FROM source").fetchone()
        source_file = sqlite3.connect(f"file:{Path(data)}/sources/{container}?mode=ro", uri=True)

        def query(sql, records=False):
            return (source_file if records else main_file).execute(sql).fetchall()

    def one(sql, records=False):
        return [int(v or 0) for v in query(sql, records)[0]]

    number, rows_total, rows_ok, new, changed, unchanged, gone = one(
        "SELECT number, rows_total, rows_entered, records_new, records_changed, records_unchanged, records_ended"
        " FROM edition WHERE state = 'current'")
    rejects = query(f"SELECT reason, count(*) FROM reject WHERE edition = {number} GROUP BY reason", True)
    reasons = {r: int(n) for r, n in rejects}
    # the newest version of each record, unless it ended; halves of the figure, so that neither sum overflows
    whole, part, value = one(
        "SELECT sum(area_um2 / 1000000), sum(area_um2 % 1000000), sum(value_cents) FROM ("
        "    SELECT area_um2, value_cents FROM record AS r WHERE NOT EXISTS ("
        "        SELECT 1 FROM record_change AS c WHERE c.source = r.source AND c.number = r.number)"
        "    UNION ALL"
        "    SELECT area_um2, value_cents FROM record_change AS c WHERE what <> 'ended' AND NOT EXISTS ("
        "        SELECT 1 FROM record_change AS l"
        "        WHERE l.source = c.source AND l.number = c.number AND l.edition > c.edition)) AS newest", True)
    outcomes = {o: int(n) for o, n in query("SELECT outcome, count(*) FROM judgement GROUP BY outcome")}
    houses = sum(outcomes.values())
    # A finding keeps the figures that it was opened with, and lingers a little below the threshold: what the queue shows
    # is the judgement that it has now.
    queued, diff_whole, diff_part, effect, effect_cents = one(
        "SELECT count(*), sum(j.difference_um2 / 1000000), sum(j.difference_um2 % 1000000),"
        " sum(j.effect_high_cents / 100), sum(j.effect_high_cents) FROM finding AS f JOIN judgement AS j"
        " ON j.office = f.office AND j.property = f.property AND j.source = f.source"
        " WHERE f.state = 'open' AND j.outcome = 'material'")
    (within,) = one(
        "SELECT count(*) FROM judgement WHERE outcome = 'within_measuring_error'"
        " AND abs(difference_um2) >= threshold_um2")
    result = {
        "rows_total": rows_total,
        "rows_ok": rows_ok,
        **{f"rejected_{name}": reasons.get(name, 0)
           for name in ("wrong_column_count", "blank_area", "text_in_number", "zero_area", "duplicate_parcel")},
        "sum_living_area": (whole * 1_000_000 + part) // SQUARE_FOOT,
        "sum_total_value": value // 100,
        "houses": houses,
        "matched": houses - outcomes.get("unmatched", 0),
        "unmatched": outcomes.get("unmatched", 0),
        "queued": queued,
        "material_but_within_noise": within,
        "not_material": outcomes.get("not_material", 0) + outcomes.get("within_measuring_error", 0) - within,
        "sum_queued_diff_tenths": (diff_whole * 1_000_000 + diff_part) * 10 // SQUARE_FOOT,
        "sum_queued_value_effect": effect,
        "sum_queued_value_effect_cents": effect_cents,
    }
    if number > 1:
        result |= {"appeared": new, "changed_mapped": changed, "not_changed_in_mapped": unchanged, "gone": gone}
    print(json.dumps(result))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else "")
