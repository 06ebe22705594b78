"""Packs a roll in every form that is taken in, with Python's own libraries.

    python3 tests/oracle/pack.py ROLL.csv FOLDER
"""

import csv
import sys
from pathlib import Path

import hostile

roll, folder = Path(sys.argv[1]), Path(sys.argv[2])
content = roll.read_text()
lines = content.splitlines(keepends=True)
rows = list(csv.reader(lines))
areas = rows[0].index("AREA")
cells = [rows[0]] + [[float(value) if place == areas else value for place, value in enumerate(row)] for row in rows[1:]]
folder.mkdir(exist_ok=True)
(folder / "roll.csv.gz").write_bytes(hostile.packed(content))
(folder / "members.csv.gz").write_bytes(hostile.packed("".join(lines[:2])) + hostile.packed("".join(lines[2:])))
(folder / "roll.zip").write_bytes(hostile.zipped([("2026/", ""), ("2026/roll.csv", content), ("map.pdf", "%PDF-1.7")]))
(folder / "utf16.csv").write_bytes(b"\xff\xfe" + content.encode("utf-16-le"))
(folder / "utf16.zip").write_bytes(hostile.zipped([("roll.csv", content.encode("utf-16"))]))
(folder / "roll.xlsx").write_bytes(hostile.one_sheet(cells))
numbers = [cells[0]] + [[int(row[0]), *row[1:]] for row in cells[1:]]
(folder / "numbers.xlsx").write_bytes(hostile.one_sheet(numbers))
many = content + "".join(f"{n:06},{n} ELM ST,{n * 7919 % 3000 + 500},{n},1950,R\n" for n in range(1000, 9000))
(folder / "cut.csv.gz").write_bytes(hostile.packed(many)[:-4000])
