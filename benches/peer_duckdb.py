#!/usr/bin/env python3
"""DuckDB's side of the benchmark: the same import, join and queue into a database file, by the rules of make-roll.

    .oracle/bin/python benches/peer_duckdb.py DIR DATABASE [--roll roll.csv] [--threads 2] [--memory 4GB]
    .oracle/bin/python benches/peer_duckdb.py DIR DATABASE --nightly

DIR holds the files of make-roll (invented data, see make_roll.rs). DATABASE is made new. Stored are 25 typed values a
sound row, the rejected rows with their reasons, and the queue in order of its value effect. The last line printed is
the result as JSON, to be compared with expected.json. With --nightly the next edition is read as well and compared with
the first; the result is then that of expected_nightly.json.

DuckDB keeps no index on the parcel key here: a lookup scans the column. Its advantage over a contestant that builds one
has to be said with the figures. PyPI: duckdb 2.0.1.
"""
import argparse
import json
from pathlib import Path

import duckdb

TEXTS = (
    "parcel_number situs_number situs_predir situs_street situs_suffix situs_unit situs_city situs_zip property_class "
    "tax_district neighborhood stories ext1_code"
).split()
WHOLES = (
    "land_value improvement_value total_value year_built living_area upper_area basement_area basement_finished_area "
    "garage_area porch_area ext1_area"
).split()
REASONS = "wrong_column_count blank_area text_in_number zero_area duplicate_parcel".split()

# Blank, or digits and nothing else. Tried beside it: one expression over all eleven joined, and the casts alone (which
# let 1.5 and 1e3 pass); within the noise of this one.
WHOLE = "[0-9]+| *"
# The key is the digits. translate() costs a third of a regular expression; these are the marks that parcels come with.
KEY = "translate({}, '-. ', '')"


def read(name, path, extra=""):
    """Loads one edition as the tables NAME and NAME_reject."""
    wholes = ", ".join(f"try_cast({c} as bigint) as {c}" for c in WHOLES)
    numbers = " and ".join(f"coalesce(regexp_full_match({c}, '{WHOLE}'), true)" for c in WHOLES)
    return f"""
        create table {name} as
        select {', '.join(TEXTS)}, {KEY.format('parcel_number')} as parcel_key, {wholes},
               case when coalesce(trim(living_area), '') = '' then 'blank_area'
                    when not ({numbers}) then 'text_in_number'
                    when try_cast(living_area as bigint) = 0 then 'zero_area' end as reason{extra}
        from read_csv('{path}', header = true, delim = ',', quote = '"', escape = '"', all_varchar = true,
                      auto_detect = false, columns = {{{columns_of(path)}}}, strict_mode = true,
                      ignore_errors = true, store_rejects = true, rejects_limit = 0,
                      rejects_table = '{name}_fault', rejects_scan = '{name}_scan');

        -- A row of a parcel that an earlier sound row has: rowid is the order of the file.
        update {name} set reason = 'duplicate_parcel'
        where reason is null and parcel_key in (select parcel_key from {name} where reason is null
                                                group by parcel_key having count(*) > 1)
              and rowid not in (select min(rowid) from {name} where reason is null group by parcel_key
                                having count(*) > 1);
        create table {name}_reject as
            select reason, concat_ws('|', parcel_number, {', '.join(WHOLES)}) as kept
            from {name} where reason is not null
            union all
            select 'wrong_column_count', any_value(csv_line) from {name}_fault
            where error_type in ('TOO MANY COLUMNS', 'MISSING COLUMNS') group by line;
        delete from {name} where reason is not null;
        alter table {name} drop column reason;
    """


def columns_of(path):
    with Path(path).open(encoding="utf-8") as file:
        return ", ".join(f"'{column}': 'VARCHAR'" for column in file.readline().strip().split(","))


def judge(name, measured):
    """The queue of one edition, in whole numbers: tenths of a square foot."""
    return f"""
        create temp table judged as
        with house as (
            select house_id, {KEY.format('parcel')} as parcel_key,
                   (measured_area::decimal(12, 1) * 10)::bigint as area, (sigma::decimal(12, 1) * 10)::bigint as sigma
            from read_csv('{measured}', header = true, all_varchar = true))
        select house_id, h.parcel_key, area, sigma, living_area, area - 10 * living_area as diff, total_value,
               property_class, tax_district, r.parcel_key is not null as matched,
               coalesce(2 * abs(diff) >= living_area and abs(diff) >= 1000, false) as material,
               coalesce(100 * abs(diff) > 196 * sigma, false) as significant
        from house h left join {name} r on r.parcel_key = h.parcel_key;

        create table queue as
        select house_id, parcel_key, area, living_area, diff, diff / (10.0 * living_area) as variance,
               (total_value * diff) // (10 * living_area) as value_effect, property_class, tax_district
        from judged where material and significant
        order by abs(value_effect) desc, house_id;
    """


def result(database, name):
    row = database.execute(
        f"""select count(*) as rows_ok, sum(living_area)::bigint as sum_living_area,
                   sum(total_value)::bigint as sum_total_value from {name}"""
    )
    figures = dict(zip([c[0] for c in row.description], row.fetchone(), strict=True))
    rejected = dict(database.execute(f"select reason, count(*) from {name}_reject group by reason").fetchall())
    houses = database.execute(
        """select count(*) as houses, count(*) filter (where matched) as matched,
                  count(*) filter (where not matched) as unmatched,
                  count(*) filter (where material and significant) as queued,
                  count(*) filter (where material and not significant) as material_but_within_noise,
                  count(*) filter (where matched and not material) as not_material,
                  (select coalesce(sum(diff), 0)::bigint from queue) as sum_queued_diff_tenths,
                  (select coalesce(sum(value_effect), 0)::bigint from queue) as sum_queued_value_effect from judged"""
    )
    return {
        "rows_total": figures["rows_ok"] + sum(rejected.values()),
        "rows_ok": figures["rows_ok"],
        **{f"rejected_{reason}": rejected.get(reason, 0) for reason in REASONS},
        "sum_living_area": figures["sum_living_area"],
        "sum_total_value": figures["sum_total_value"],
        **dict(zip([c[0] for c in houses.description], houses.fetchone(), strict=True)),
    }


def changes(database):
    """What the next edition does to the first, counted in stored records."""
    mapped = ", ".join([*TEXTS, *WHOLES])
    row = database.execute(
        f"""with old as (select parcel_key, row({mapped}) as mapped, row_hash from first),
                 new as (select parcel_key, row({mapped}) as mapped, row_hash from nightly),
                 refused as (select distinct {KEY.format("split_part(kept, '|', 1)")} as parcel_key
                             from first_reject where reason not in ('wrong_column_count', 'duplicate_parcel'))
            select count(*) filter (where old.row_hash = new.row_hash) as unchanged,
                   count(*) filter (where old.mapped <> new.mapped) as changed_mapped,
                   count(*) filter (where old.mapped = new.mapped and old.row_hash <> new.row_hash)
                       as changed_unmapped_only,
                   count(*) filter (where old.parcel_key is null and refused.parcel_key is null) as new,
                   count(*) filter (where new.parcel_key is null) as gone,
                   count(*) filter (where old.parcel_key is null and refused.parcel_key is not null) as mended
            from old full join new using (parcel_key) left join refused using (parcel_key)"""
    )
    return dict(zip([c[0] for c in row.description], row.fetchone(), strict=True))


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("directory", type=Path)
    arguments.add_argument("database", type=Path)
    arguments.add_argument("--roll", default="roll.csv")
    arguments.add_argument("--threads", type=int, default=2)
    arguments.add_argument("--memory", default="", help="DuckDB's memory_limit, for example 256MB")
    arguments.add_argument("--nightly", action="store_true")
    options = arguments.parse_args()
    if options.database.exists():
        raise SystemExit(f"{options.database} exists: the database has to be new")

    database = duckdb.connect(str(options.database), config={"threads": options.threads})
    if options.memory:
        database.execute("set memory_limit = ?", [options.memory])
    measured = options.directory / "measured.csv"
    if options.nightly:
        whole_row = f", hash({', '.join(columns_of_names(options.directory / 'roll.csv'))}) as row_hash"
        database.execute(read("first", options.directory / "roll.csv", whole_row))
        database.execute(read("nightly", options.directory / "roll_nightly.csv", whole_row))
        database.execute(judge("nightly", measured))
        figures = {**result(database, "nightly"), **changes(database)}
    else:
        database.execute(read("record", options.directory / options.roll))
        database.execute(judge("record", measured))
        figures = result(database, "record")
    database.execute("checkpoint")
    database.close()
    print(json.dumps(figures))


def columns_of_names(path):
    with path.open(encoding="utf-8") as file:
        return file.readline().strip().split(",")


if __name__ == "__main__":
    main()
