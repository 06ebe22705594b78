"""Reads files with Python's csv module: a JSON line a file on standard input, its rows as a JSON line on output."""

import csv
import io
import json
import sys

csv.field_size_limit(1 << 30)
for line in sys.stdin:
    case = json.loads(line)
    text = io.StringIO(case["text"], newline="")
    rows = csv.reader(text, delimiter=case["delimiter"], quotechar=case["quote"], doublequote=True, strict=True)
    print(json.dumps([row for row in rows if row]))
