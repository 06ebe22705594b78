"""Files of invented rolls in many ways of writing, and what other code says of them: Python's codecs write the bytes,
csv.Sniffer tells delimiter and header, pandas counts the columns and finds those of fixed width. Usage: look.py FOLDER"""

import csv
import io
import json
import pathlib
import random
import sys

import pandas

folder = pathlib.Path(sys.argv[1])
draw = random.Random(20260311)

STREETS = ["Peñón St", "Café Ct", "Onyx Ave", "Façade Rd", "Über Ln"]
HEADER = ["PARCEL_ID", "SITUS_ADDRESS", "LIVING_AREA", "YEAR_BUILT", "MARKET_VALUE", "USE_CODE", "LOT_ACRES"]


def row(n):
    area = "" if n % 29 == 0 else "0" if n % 31 == 0 else str(draw.randrange(480, 6210))
    year = "0" if n % 37 == 0 else str(draw.randrange(1890, 2025))
    return [
        f"{n * 7 + 1000:09}",
        f"{n} {STREETS[n % 5]}" + (", Rear" if n % 4 == 0 else ""),
        area,
        year,
        str(draw.randrange(90_000, 900_000)),
        ["R1", "R2", "V"][n % 3],
        f"{draw.randrange(5, 300) / 100:.2f}",
    ]


rows = [row(n) for n in range(1, 601)]
files = []


def write(name, encoding, delimiter, header=True, codec=None, quoting=csv.QUOTE_MINIMAL):
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, quoting=quoting, lineterminator="\r\n")
    if header:
        writer.writerow(HEADER)
    writer.writerows(rows)
    (folder / name).write_bytes(text.getvalue().encode(codec or encoding))
    sniffer, sample = csv.Sniffer(), text.getvalue()[:8192]
    try:
        sniffed = sniffer.sniff(sample).delimiter
    except csv.Error:
        sniffed = None
    files.append(
        {
            "name": name,
            "encoding": encoding,
            "delimiter": delimiter,
            "header": header,
            "sniffed_delimiter": sniffed,
            "sniffed_header": sniffer.has_header(sample),
            "columns": columns(text.getvalue(), delimiter) if header else None,
        }
    )


def columns(text, delimiter):
    """Counts of each column by pandas: blanks, zeros, different values, least, median and most of the numbers, lengths."""
    frame = pandas.read_csv(io.StringIO(text), sep=delimiter, dtype=str, keep_default_na=False)
    found = []
    for name in frame.columns:
        values = frame[name].str.strip()
        filled = values[values != ""]
        numbers = pandas.to_numeric(filled, errors="coerce").dropna()
        found.append(
            {
                "name": name,
                "blank": int((values == "").sum()),
                "zero": int((numbers == 0).sum()),
                "numbers": int(len(numbers)),
                "distinct": int(filled.nunique()),
                "least": float(numbers.min()) if len(numbers) else None,
                "median": float(numbers.median()) if len(numbers) else None,
                "most": float(numbers.max()) if len(numbers) else None,
                "length_least": int(filled.str.len().min()),
                "length_most": int(filled.str.len().max()),
            }
        )
    return found


write("comma.csv", "utf-8", ",")
write("comma-mark.csv", "utf-8", ",", codec="utf-8-sig")
write("tab.txt", "windows-1252", "\t", codec="cp1252")
write("pipe.txt", "utf-16le", "|", codec="utf-16")
write("pipe-big.txt", "utf-16be", "|", codec="utf-16-be")
write("semicolon.csv", "windows-1252", ";", codec="cp1252")
write("quoted.csv", "utf-8", ",", quoting=csv.QUOTE_ALL)
write("no-header.csv", "utf-8", ",", header=False)
write("no-header.txt", "windows-1252", "|", header=False, codec="cp1252")


def fixed(name, widths):
    """Records of fixed width, and the columns that pandas sees in them between blanks, as texts."""
    lines = []
    for parcel, situs, area, year, value, use, _ in rows:
        cells = [parcel, situs.encode("ascii", "replace").decode(), use]
        figures = [year.rjust(4, "0"), area or "0", value]
        left = [cell.ljust(width) for cell, width in zip(cells, widths)]
        right = [figure.rjust(width) for figure, width in zip(figures, widths[3:])]
        lines.append("".join(left + right) + "\r\n")
    text = "".join(lines)
    (folder / name).write_bytes(text.encode("ascii"))
    frame = pandas.read_fwf(io.StringIO(text), colspecs="infer", infer_nrows=len(rows), header=None, dtype=str)
    columns = [[str(value) for value in frame[column].fillna("")] for column in frame.columns]
    (folder / (name + ".json")).write_text(json.dumps(columns))


fixed("fixed.txt", [11, 26, 4, 4, 8, 12])

(folder / "expected.json").write_text(json.dumps(files))
