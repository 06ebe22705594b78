"""Reads the fixtures of the published layouts with pandas, source by source, knowing nothing of the layout files.

    python tests/oracle/published_read.py fixtures/published

Prints one JSON object: for each source its records by parcel key, the rows set aside by reason, and the rows repeated.
Areas are square feet, values dollars, both as shortest decimals.
"""

import json
import re
import sys
from collections import Counter
from decimal import Decimal
from pathlib import Path

import pandas as pd


def table(path, **options):
    """All cells as text without the blanks around them; rows with another number of fields are left out and counted."""
    bad = []
    options = {"dtype": str, "keep_default_na": False, "engine": "python", "on_bad_lines": lambda row: bad.append(row),
               **options}
    frame = pd.read_csv(path, **options)
    frame = frame.apply(lambda column: column.str.strip())
    frame.attrs["bad"] = len(bad)
    return frame


class Set_aside(Exception):
    """A row that is set aside, with its reason."""


def number(text, zero_missing=False, thousands=False, whole=False):
    """A figure, None where there is none; the reasons are those a strict reader has."""
    if thousands and re.fullmatch(r"\d{1,3}(,\d{3})*(\.\d+)?", text):
        text = text.replace(",", "")
    if text == "":
        return None
    if re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", text):
        raise Set_aside("thousands_separator")
    if re.fullmatch(r"-\d+(\.\d+)?", text):
        raise Set_aside("negative_number")
    if not re.fullmatch(r"\d*\.?\d+|\d+\.", text):
        raise Set_aside("text_in_number")
    value = Decimal(text)
    return None if zero_missing and value == 0 else value


def area(text, **options):
    value = number(text, **options)
    if value is not None and value > 1_000_000:
        raise Set_aside("absurd_area")
    return value


def shortest(value):
    return None if value is None else f"{value.normalize():f}"


def year(text, *missing):
    return None if text in ("", *missing) else int(number(text))


def joined(*parts):
    return " ".join(part for part in parts if part)


def padded(text, width, pattern=None):
    """A parcel number filled up, or the reason why it is none."""
    if re.fullmatch(r"\d+(\.\d+)?[Ee][+-]?\d+", text) or re.fullmatch(r"\d{1,2}-[A-Z][a-z]{2}", text):
        raise Set_aside("bad_parcel")
    bare = re.sub("[-. ]", "", text).upper()
    if bare.strip("0") == "":
        raise Set_aside("blank_parcel")
    key = bare.zfill(width)
    if pattern and not re.fullmatch(pattern, key):
        raise Set_aside("bad_parcel")
    return key


class Account:
    """What the rows came to."""

    def __init__(self):
        self.rejects, self.repeated, self.records = Counter(), 0, {}
        self.incomplete = set()

    def rows(self, frame, of_row, key_of=None):
        """Gives each row that can be read; others are counted by reason. A record is incomplete of which a row that
        states an area is set aside for a figure."""
        for _, row in frame.iterrows():
            try:
                yield of_row(row)
            except Set_aside as reason:
                self.rejects[str(reason)] += 1
                if key_of and str(reason) in ("text_in_number", "thousands_separator", "negative_number", "absurd_area"):
                    self.incomplete.add(key_of(row))
        self.rejects["wrong_column_count"] += frame.attrs.get("bad", 0)

    def once(self, rows, identity):
        """Of rows with one identity the first; equal ones are repeats, others contradict it. Contradicted identities."""
        known, contradicted = {}, set()
        for row in rows:
            key = identity(row)
            if key not in known:
                known[key] = row
            elif known[key] == row:
                self.repeated += 1
            else:
                self.rejects["duplicate_parcel"] += 1
                contradicted.add(key)
        return known, contradicted

    def told(self):
        for key in self.incomplete & self.records.keys():
            self.records[key]["area"] = None
        rejects = {reason: count for reason, count in sorted(self.rejects.items()) if count}
        return {"records": self.records, "rejects": rejects, "repeated": self.repeated}


def record(situs="", area=None, value=None, year=None, kind="", buildings=None):
    return {"situs": situs, "area": shortest(area), "value": shortest(value), "year": year, "class": kind,
            "buildings": {number: shortest(area) for number, area in (buildings or {}).items()}}


def total(areas):
    return None if any(area is None for area in areas) else sum(areas)


def king(folder):
    account = Account()
    header = (folder / "EXTR_ResBldg.csv").open(encoding="cp1252").readline().strip().split(",")
    frame = table(folder / "EXTR_ResBldg.csv", encoding="cp1252")
    frame = frame[frame["Major"] != "Major"]
    conditions = dict(zip("12345", ["poor", "fair", "average", "good", "very good"]))
    assert len(header) == len(frame.columns)

    def pin(row):
        if row["Major"] == "" or row["Minor"] == "":
            raise Set_aside("bad_parcel")
        return row["Major"].zfill(6) + row["Minor"].zfill(4)

    def building(row):
        key = pin(row)
        for column in ("SqFt1stFloor", "SqFtHalfFloor", "SqFt2ndFloor", "SqFtUpperFloor", "SqFtFinBasement"):
            area(row[column])
        situs = joined(row["BuildingNumber"].lstrip("0"), row["Fraction"], row["DirectionPrefix"], row["StreetName"],
                       row["StreetType"], row["DirectionSuffix"])
        return {"key": key, "building": row["BldgNbr"], "situs": situs, "area": area(row["SqFtTotLiving"], zero_missing=True),
                "year": year(row["YrBuilt"], "0", "1"), "condition": conditions.get(row["Condition"], row["Condition"]),
                "first": row["SqFt1stFloor"], "deck": row["SqFtDeck"]}

    known, contradicted = account.once(account.rows(frame, building, pin), lambda row: (row["key"], row["building"]))
    parcels = table(folder / "EXTR_Parcel.csv", encoding="cp1252")
    use = {row["Major"] + row["Minor"]: row["PresentUse"] for _, row in parcels.iterrows()}
    accounts = table(folder / "EXTR_RPAcct_NoName.csv", encoding="cp1252")
    worth = Counter()
    for _, row in accounts.iterrows():
        worth[row["Major"] + row["Minor"]] += Decimal(row["ApprLandVal"]) + Decimal(row["ApprImpsVal"])
    by_pin = {}
    for (key, number_of), row in sorted(known.items()):
        by_pin.setdefault(key, {})[number_of] = row
    for key, buildings in by_pin.items():
        first = next(iter(buildings.values()))
        areas = [row["area"] for row in buildings.values()]
        clash = any((key, number_of) in contradicted for number_of in buildings)
        account.records[key] = record(first["situs"], None if clash else total(areas), worth[key], first["year"], use[key],
                                      {number_of: row["area"] for number_of, row in buildings.items()})
    return account.told()


def cook(folder):
    account = Account()
    frame = table(folder / "Assessor_-_Single_and_Multi-Family_Improvement_Characteristics.csv")

    def building(row):
        return {"key": padded(row["pin"], 14), "card": row["card_num"], "year_of": row["tax_year"],
                "area": area(row["building_sqft"], zero_missing=True), "year": year(row["year_built"], "0"),
                "class": row["class"], "type": row["type_of_residence"]}

    rows = [row for row in account.rows(frame, building, lambda row: padded(row["pin"], 14)) if row["year_of"] == frame["tax_year"].max()]
    # rows are told apart with the order of the file, as everywhere
    known, _ = account.once(rows, lambda row: (row["key"], row["card"]))
    addresses = table(folder / "Assessor_-_Parcel_Addresses.csv").sort_values("tax_year")
    situs = {row["pin"].zfill(14): row["property_address"] for _, row in addresses.iterrows()}
    values = table(folder / "Assessor_-_Assessed_Values.csv").sort_values("tax_year")
    assessed = {row["pin"].zfill(14): row["board_tot"] or row["certified_tot"] or row["mailed_tot"]
                for _, row in values.iterrows()}
    by_pin = {}
    for (key, card), row in sorted(known.items()):
        by_pin.setdefault(key, {})[card] = row
    for key, cards in by_pin.items():
        first = cards[min(cards)]
        account.records[key] = record(situs[key], total([row["area"] for row in cards.values()]), 10 * Decimal(assessed[key]),
                                      first["year"], first["class"], {card: row["area"] for card, row in cards.items()})
    return account.told()


def pluto(folder):
    account = Account()
    frame = table(folder / "pluto.csv")

    def lot(row):
        key = row["borocode"] + row["block"].zfill(5) + row["lot"].zfill(4)
        found = area(row["bldgarea"], zero_missing=True)
        return key, record(row["address"], found if row["areasource"] in ("2", "7") else None, number(row["assesstot"]),
                           year(row["yearbuilt"], "0"), row["bldgclass"])

    known, _ = account.once(account.rows(frame, lot), lambda row: row[0])
    account.records = dict(known.values())
    return account.told()


def nal(folder):
    account = Account()
    frame = table(folder / "NAL63F202501.csv")

    def parcel(row):
        key = padded(row["PARCEL_ID"], 0)
        return key, record(row["PHY_ADDR1"], area(row["TOT_LVG_AREA"], zero_missing=True), number(row["JV"]),
                           year(row["ACT_YR_BLT"], "0", "1", "9999"), row["DOR_UC"].zfill(3))

    known, contradicted = account.once(account.rows(frame, parcel), lambda row: row[0])
    account.records = dict(known.values())
    for key in contradicted:
        account.records[key]["area"] = None
    return account.told()


def polk(folder):
    account = Account()
    storeys = {"1 STORY": "1", "TWO": "2", "ONE AND A HALF": "1.5"}

    def building(row):
        return {"key": padded(row["PARCEL_ID"], 18), "building": row["BLD_NUM"], "year": year(row["YEARBUILT"], "0", "9999"),
                "class": row["IMPR_TYPE"], "storeys": storeys.get(row["STORIES"].upper(), row["STORIES"].upper())}

    known, _ = account.once(account.rows(table(folder / "FTP_BLD.txt"), building), lambda row: (row["key"], row["building"]))

    def part(row):
        found = {"key": padded(row["PARCEL_ID"], 18), "building": row["BLD_NUM"].lstrip("0"), "line": row["LN_NUM"],
                 "code": row["SAR_CD"], "actual": area(row["ACT_AR"]), "heated": area(row["HEAT_AR"])}
        if (found["key"], found["building"]) not in known:
            raise Set_aside("orphan_row")
        return found

    frame = table(folder / "FTP_BLD_SAR.txt")
    parts, contradicted = account.once(account.rows(frame, part, lambda row: row["PARCEL_ID"]), lambda row: (row["key"], row["building"], row["line"]))
    heated = Counter()
    for row in parts.values():
        heated[row["key"], row["building"]] += row["heated"]
    by_key = {}
    for (key, number_of), row in sorted(known.items()):
        by_key.setdefault(key, {})[number_of] = row
    for key, buildings in by_key.items():
        first = buildings[min(buildings)]
        areas = {number_of: heated[key, number_of] for number_of in buildings}
        clash = any(identity[0] == key for identity in contradicted)
        # which of two contradicting lines is first does not matter: no area is taken
        account.records[key] = record("", None if clash else total(list(areas.values())), None, first["year"], first["class"],
                                      {} if clash else areas)
        if clash:
            account.records[key]["buildings"] = None
    return account.told()


def miami(folder):
    account = Account()
    frame = table(folder / "PaGISView.csv", encoding="utf-8-sig")

    def folio(row):
        return padded(row["FOLIO"], 13, r"\d{13}"), record(
            row["TRUE_SITE_ADDR"], area(row["BUILDING_HEATED_AREA"], zero_missing=True), number(row["TOTAL_VAL_CUR"]),
            year(row["YEAR_BUILT"], "0", "9999"), row["DOR_CODE_CUR"].zfill(4))

    known, _ = account.once(account.rows(frame, folio), lambda row: row[0])
    account.records = dict(known.values())
    return account.told()


def harris(folder):
    account = Account()

    def lines(name, width):
        for line in (folder / name).read_text(encoding="cp1252").splitlines():
            cells = [cell.strip() for cell in line.split("\t")]
            if len(cells) != width:
                account.rejects["wrong_column_count"] += 1
            elif cells[0] != "acct":
                yield cells

    accounts = {}
    for cells in lines("real_acct.txt", 71):
        found = (cells[17], cells[20], Decimal(cells[49]))
        if cells[0] in accounts:
            assert accounts[cells[0]] == found
            account.repeated += 1
        accounts[cells[0]] = found
    buildings = {}
    for cells in lines("building_res.txt", 31):
        try:
            buildings.setdefault(cells[0], {})[cells[2]] = (area(cells[21], zero_missing=True), year(cells[12], "0"))
        except Set_aside as reason:
            account.rejects[str(reason)] += 1
            account.incomplete.add(cells[0])
    for cells in lines("fixtures.txt", 5):
        if cells[1] not in buildings.get(cells[0], {}):
            account.rejects["orphan_row"] += 1
    for key in sorted(accounts.keys() | buildings.keys()):
        situs, kind, worth = accounts.get(key, ("", "", None))
        own = buildings.get(key, {})
        areas = {number_of: found for number_of, (found, _) in sorted(own.items())}
        first = own[min(own)][1] if own else None
        account.records[key] = record(situs, total(list(areas.values())) if areas else None, worth, first, kind, areas)
    return account.told()


def denver(folder):
    account = Account()
    frame = table(folder / "real_property_residential_characteristics.csv")

    def card(row):
        situs = joined("" if row["SITE_NBR"] == "0" else row["SITE_NBR"], row["SITE_DIR"], row["SITE_NAME"], row["SITE_MODE"])
        return {"key": padded(row["SCHEDNUM"], 13), "card": row["CD"], "situs": situs, "class": row["D_CLASS_CN"],
                "area": area(row["AREA_ABG"], zero_missing=True), "year": year(row["CCYRBLT"], "0"),
                "value": number(row["TOTAL_VALUE"], thousands=True)}

    known, contradicted = account.once(account.rows(frame, card), lambda row: (row["key"], row["card"]))
    by_key = {}
    for (key, number_of), row in sorted(known.items()):
        by_key.setdefault(key, {})[number_of] = row
    for key, cards in by_key.items():
        first = cards[min(cards)]
        clash = any((key, number_of) in contradicted for number_of in cards)
        account.records[key] = record(
            first["situs"], None if clash else total([row["area"] for row in cards.values()]), first["value"],
            min(row["year"] for row in cards.values()), first["class"],
            {number_of: row["area"] for number_of, row in cards.items()})
    return account.told()


def allegheny(folder):
    account = Account()
    frame = table(folder / "assessments.csv")

    def parcel(row):
        key = padded(row["PARID"], 0, r"\d{4}[A-Z]\d{11}")
        built = int(row["YEARBLT"]) if row["YEARBLT"].isdigit() else None
        house = "" if row["PROPERTYHOUSENUM"] == "0" else row["PROPERTYHOUSENUM"]
        situs = joined(house, row["PROPERTYFRACTION"], row["PROPERTYADDRESS"], row["PROPERTYUNIT"])
        return key, record(situs, area(row["FINISHEDLIVINGAREA"], zero_missing=True), number(row["FAIRMARKETTOTAL"]), built,
                           row["USECODE"])

    known, _ = account.once(account.rows(frame, parcel), lambda row: row[0])
    account.records = dict(known.values())
    return account.told()


def philadelphia(folder):
    account = Account()
    frame = table(folder / "opa_properties_public.csv")

    def parcel(row):
        return padded(row["parcel_number"], 9), record(
            joined(row["location"], row["unit"]), area(row["total_livable_area"], zero_missing=True), number(row["market_value"]),
            year(row["year_built"], "0", "0000", "196Y"), row["category_code"].lstrip("0"))

    known, _ = account.once(account.rows(frame, parcel), lambda row: row[0])
    account.records = dict(known.values())
    return account.told()


def washington(folder):
    account = Account()
    frame = table(folder / "Computer_Assisted_Mass_Appraisal_Residential.csv")

    def building(row):
        if not re.fullmatch(r"[0-9A-Z]{4} +[0-9]{4}", row["SSL"]):
            raise Set_aside("bad_parcel")
        return {"key": row["SSL"], "building": row["BLDG_NUM"], "area": area(row["GBA"], zero_missing=True),
                "year": year(row["AYB"], "0"), "class": row["USECODE"].zfill(3)}

    known, contradicted = account.once(account.rows(frame, building), lambda row: (row["key"], row["building"]))
    by_key = {}
    for (key, number_of), row in sorted(known.items()):
        by_key.setdefault(key, {})[number_of] = row
    for key, buildings in by_key.items():
        first = buildings[min(buildings)]
        clash = any((key, number_of) in contradicted for number_of in buildings)
        areas = {number_of: row["area"] for number_of, row in buildings.items()}
        account.records[key] = record("", None if clash else areas[min(areas)], None, first["year"], first["class"],
                                      areas)
    return account.told()


READERS = {
    "us-wa-033-king": king, "us-il-031-cook": cook, "us-ny-new-york-city-pluto": pluto, "us-fl-dor-nal": nal,
    "us-fl-105-polk": polk, "us-fl-086-miami-dade": miami, "us-tx-201-harris": harris, "us-co-031-denver": denver,
    "us-pa-003-allegheny": allegheny, "us-pa-101-philadelphia": philadelphia, "us-dc-001-washington": washington,
}

if __name__ == "__main__":
    print(json.dumps({name: read(Path(sys.argv[1]) / name) for name, read in READERS.items()}, indent=1))
