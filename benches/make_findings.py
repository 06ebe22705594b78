#!/usr/bin/env python3
"""Fills an installation with findings for the benchmark of the list pages; every figure is invented, by number alone.

    python3 benches/make_findings.py DIR --rows 1000000                        # the embedded database
    python3 benches/make_findings.py DIR --rows 1000000 --database postgres://…

DIR becomes the data folder. The release build makes the schema and a key of the role review, which is printed as the
last line; then the rows are written by the same statement on either database. A property has one finding, with one of
three sources (60, 39 and 1 in a hundred); 80 in a hundred are open and stand in the queue, one in twenty of them without
a value. Findings are numbered in the order in which they opened, properties in another one, so that the two are not
neighbours on disk. Measurements, histories and records are left out: no list reads them.
"""
import argparse
import sqlite3
import subprocess
from pathlib import Path

CROSSFOOT = Path(__file__).resolve().parents[1] / "target/release/crossfoot"
SQUARE_FOOT_UM2 = 92_903_040_000
# A prime beyond the number of rows: multiples of a number stay distinct under it.
PRIME = 1_000_003

# What everything is computed from: the number, a permuted number, and figures without a pattern to the eye.
DRAWN = """
    SELECT n, (n * 611953) % {prime} AS place, (n * 7919) % 100 AS hundred, (n * 104729 + 17) % 1000 AS thousand,
           800 + (n * 15485863) % 3200 AS recorded, (n * 32452843) % 997 AS spread FROM numbers"""
FIGURES = """
    SELECT n, {hex_place} AS property, {hex_n} AS finding,
           CASE WHEN hundred < 60 THEN 1 WHEN hundred < 99 THEN 2 ELSE 3 END AS source,
           CASE WHEN thousand < 800 THEN 'open' WHEN thousand < 880 THEN 'confirmed' WHEN thousand < 930 THEN 'cleared'
                WHEN thousand < 950 THEN 'referred' ELSE 'closed' END AS state,
           recorded, recorded * (CASE WHEN spread % 2 = 0 THEN 1 ELSE -1 END) * (50 + spread * spread / 1500) / 1000 AS off,
           CASE WHEN thousand % 20 = 0 THEN NULL ELSE 10000 + (n * 86028121) % 9000000 END AS effect
    FROM drawn"""

TABLES = {
    "source (number, id, title, publisher, jurisdiction, basis, derived_from, current_edition, created_at)": """
        SELECT n, 'roll-' || n, 'Roll ' || n, '', 'XX', 'finished-above-grade', '', 1, 1 FROM numbers WHERE n <= 3""",
    "property (office, id, reference, parcel, address, jurisdiction, year_built, measured_on, measurement_version)": """
        SELECT 'office', property, 'H' || n, '07-' || n, n || ' Granite Street, Basalt', 'XX', 1900 + n % 120,
               '2026-03-08', 1 FROM figures""",
    "property_match (office, property, source, state, how, parcel_key, record_number, conflict)": """
        SELECT 'office', property, source, 'sure', 'key', '07' || n, n, '' FROM figures""",
    "judgement (office, property, source, outcome, kind, measured_um2, recorded_um2, difference_um2, variance_ppm,"
    " sigma_sqft, z, threshold_um2, exceedance_ppm, effect_low_cents, effect_high_cents, measurement_version,"
    " record_number, record_edition, edition, standard, policy_version, policy_rule, engine)": """
        SELECT 'office', property, source, 'material', 'variance', (recorded + off) * {foot}, recorded * {foot},
               off * {foot}, off * 1000000 / recorded, 4.25, off / 4.25, 100 * {foot}, 998000, effect / 2, effect, 1, n,
               1, 1, 'finished-above-grade', 1, 1, 'bench' FROM figures""",
    "finding (office, id, property, source, kind, state, closing, bound, difference_um2, variance_ppm,"
    " effect_high_cents, row_version, opened_at, changed_at)": """
        SELECT 'office', finding, property, source, 'variance', state,
               CASE WHEN state = 'closed' THEN 'corrected' END, '{{}}', off * {foot}, off * 1000000 / recorded, effect, 1,
               1767225600000000 + n * 1000000, 1767225600000000 + n * 1000000 FROM figures""",
    "queue_entry (office, property, tier, rank_key, open_count)": """
        SELECT 'office', property, CASE WHEN effect IS NULL THEN 1 ELSE 0 END,
               coalesce(effect, abs(off) * {foot}), 1 FROM figures WHERE state = 'open'""",
}


def statements(rows, postgres):
    """The statements that fill each table, for one of the databases."""
    if postgres:
        numbers = f"SELECT n::bigint AS n FROM generate_series(1, {rows}) n"
        hexadecimal = "'{}-0000-7000-8000-' || lpad(to_hex({}), 12, '0')"
    else:
        numbers = f"SELECT 1 AS n UNION ALL SELECT n + 1 FROM numbers WHERE n < {rows}"
        hexadecimal = "'{}-0000-7000-8000-' || printf('%012x', {})"
    figures = FIGURES.format(
        hex_place=hexadecimal.format("01900000", "place"), hex_n=hexadecimal.format("01a00000", "n")
    )
    for table, select in TABLES.items():
        yield (
            f"INSERT INTO {table} WITH RECURSIVE numbers (n) AS ({numbers}),"
            f" drawn AS ({DRAWN.format(prime=PRIME)}), figures AS ({figures}) {select.format(foot=SQUARE_FOOT_UM2)}"
        )


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("directory", type=Path)
    arguments.add_argument("--rows", type=int, default=1_000_000)
    arguments.add_argument("--database", default="", help="postgres://…, an empty database; the embedded one if not said")
    options = arguments.parse_args()
    if not 3 <= options.rows < PRIME:
        raise SystemExit(f"--rows is not between 3 and {PRIME - 1}")
    make_key = [CROSSFOOT, "--data", options.directory, "--database", options.database, "key", "create"]
    key = subprocess.run([*make_key, "--role", "review"], check=True, capture_output=True, text=True).stdout.strip()
    if options.database:
        text = ";\n".join(statements(options.rows, True)) + ";\nVACUUM ANALYZE;\n"
        subprocess.run(["psql", "-q", "-v", "ON_ERROR_STOP=1", options.database], input=text, check=True, text=True)
    else:
        database = sqlite3.connect(options.directory / "crossfoot.db", isolation_level=None)
        database.execute("BEGIN")
        for statement in statements(options.rows, False):
            database.execute(statement)
        database.execute("COMMIT")
        database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        database.close()
    print(key)


if __name__ == "__main__":
    main()
